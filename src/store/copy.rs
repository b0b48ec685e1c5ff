//! Rows of a plan as binary COPY: each value is written by `postgres-types` into one buffer, which goes out in chunks.
//! Format: PostgreSQL manual, "COPY", section "Binary Format"; ranges as in its `range_send`: flags, then each bound
//! with its length.

use super::{Document, StoreError};
use bytes::{BufMut, BytesMut};
use chrono::{DateTime, Utc};
use postgres_types::{IsNull, ToSql, Type};
use sqlx::PgConnection;
use uuid::Uuid;

/// Large enough that round trips do not count, small enough to stay in the cache.
const CHUNK_BYTES: usize = 64 * 1024;
/// Signature, no flags, no header extension.
const HEADER: &[u8] = b"PGCOPY\n\xff\r\n\0\0\0\0\0\0\0\0\0";
const TRAILER: i16 = -1;
const FIELDS: i16 = 9;
/// Lower bound included, upper excluded, neither infinite nor empty.
const HALF_OPEN: u8 = 0x02;
/// The only version of `jsonb`'s binary form.
const JSONB_VERSION: u8 = 1;

/// One piece of work of a plan.
#[derive(Debug, Clone)]
pub struct PlanRow {
    /// Which job.
    pub job_id: Uuid,
    /// Which step of its chain.
    pub step_key: String,
    /// Which piece of the step, from 0.
    pub piece_no: i32,
    /// Key of the first step of the dwell run that the step is in, or the step's own: works of one run may overlap.
    pub run_key: String,
    /// Who.
    pub crew_id: Uuid,
    /// First instant of work.
    pub start: DateTime<Utc>,
    /// First instant after it.
    pub end: DateTime<Utc>,
    /// Running or done.
    pub fixed: bool,
    /// Which gear.
    pub units: Option<Document>,
    /// Why it is not where it was published.
    pub moved_because: Option<String>,
}

/// The columns of [`PlanRow`], in the order in which they are written; rows of the transaction's own.
const CREATE_INCOMING: &str = "CREATE TEMP TABLE IF NOT EXISTS incoming_row (
         job_id uuid, step_key text, piece_no integer, run_key text, crew_id uuid, during tstzrange, fixed boolean,
         units jsonb, moved_because text
     ) ON COMMIT DELETE ROWS";

/// Streams `rows` into the temporary table `incoming_row`, which has nothing else in it then. PostgreSQL has no COPY
/// into a table with row security; from there an INSERT takes them on, under the policies.
pub(super) async fn copy_rows(connection: &mut PgConnection, rows: &[PlanRow]) -> Result<u64, StoreError> {
    sqlx::query(CREATE_INCOMING).execute(&mut *connection).await?;
    sqlx::query("TRUNCATE pg_temp.incoming_row").execute(&mut *connection).await?;
    let mut copy = connection.copy_in_raw("COPY pg_temp.incoming_row FROM STDIN (FORMAT binary)").await?;
    let mut buffer = BytesMut::with_capacity(CHUNK_BYTES + CHUNK_BYTES / 4);
    buffer.put_slice(HEADER);
    for row in rows {
        if let Err(error) = encode(row, &mut buffer) {
            copy.abort("a row cannot be encoded").await?;
            return Err(StoreError::Broken(sqlx::Error::Encode(error)));
        }
        if buffer.len() >= CHUNK_BYTES {
            copy.send(&buffer[..]).await?;
            buffer.clear();
        }
    }
    buffer.put_i16(TRAILER);
    copy.send(&buffer[..]).await?;
    Ok(copy.finish().await?)
}

type Encoded = Result<(), Box<dyn std::error::Error + Send + Sync>>;

fn encode(row: &PlanRow, buffer: &mut BytesMut) -> Encoded {
    buffer.put_i16(FIELDS);
    field(buffer, &row.job_id, &Type::UUID)?;
    field(buffer, &row.step_key, &Type::TEXT)?;
    field(buffer, &row.piece_no, &Type::INT4)?;
    field(buffer, &row.run_key, &Type::TEXT)?;
    field(buffer, &row.crew_id, &Type::UUID)?;
    with_length(buffer, |buffer| {
        buffer.put_u8(HALF_OPEN);
        field(buffer, &row.start, &Type::TIMESTAMPTZ)?;
        field(buffer, &row.end, &Type::TIMESTAMPTZ)
    })?;
    field(buffer, &row.fixed, &Type::BOOL)?;
    match &row.units {
        None => buffer.put_i32(-1),
        Some(units) => with_length(buffer, |buffer| {
            buffer.put_u8(JSONB_VERSION);
            buffer.put_slice(units.as_str().as_bytes());
            Ok(())
        })?,
    }
    field(buffer, &row.moved_because, &Type::TEXT)
}

fn field(buffer: &mut BytesMut, value: &dyn ToSql, kind: &Type) -> Encoded {
    let at = buffer.len();
    buffer.put_i32(-1);
    match value.to_sql_checked(kind, buffer)? {
        // The length already says null.
        IsNull::Yes => Ok(()),
        IsNull::No => set_length(buffer, at),
    }
}

fn with_length(buffer: &mut BytesMut, write: impl FnOnce(&mut BytesMut) -> Encoded) -> Encoded {
    let at = buffer.len();
    buffer.put_i32(-1);
    write(buffer)?;
    set_length(buffer, at)
}

/// Puts the length of what follows it at `at`.
fn set_length(buffer: &mut BytesMut, at: usize) -> Encoded {
    let length = i32::try_from(buffer.len() - at - 4)?;
    buffer[at..at + 4].copy_from_slice(&length.to_be_bytes());
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand from the manual: microseconds since 2000-01-01, everything big-endian.
    #[test]
    fn a_row_is_written_as_the_manual_says() {
        let epoch: DateTime<Utc> = "2000-01-01T00:00:00Z".parse().unwrap();
        let row = PlanRow {
            job_id: Uuid::from_u128(1),
            step_key: "a".into(),
            piece_no: 2,
            run_key: "b".into(),
            crew_id: Uuid::from_u128(3),
            start: epoch,
            end: epoch + chrono::Duration::seconds(1),
            fixed: true,
            units: Some(Document::of(&[1]).unwrap()),
            moved_because: None,
        };
        let mut written = BytesMut::new();
        encode(&row, &mut written).unwrap();
        let mut expected = vec![0, 9];
        expected.extend([&[0, 0, 0, 16][..], Uuid::from_u128(1).as_bytes()].concat());
        expected.extend([0, 0, 0, 1, b'a', 0, 0, 0, 4, 0, 0, 0, 2, 0, 0, 0, 1, b'b']);
        expected.extend([&[0, 0, 0, 16][..], Uuid::from_u128(3).as_bytes()].concat());
        expected.extend([0, 0, 0, 25, 2, 0, 0, 0, 8, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 8, 0, 0, 0, 0, 0, 15, 66, 64]);
        expected.extend([0, 0, 0, 1, 1, 0, 0, 0, 4, 1, b'[', b'1', b']', 255, 255, 255, 255]);
        assert_eq!(&written[..], &expected[..]);
        assert_eq!(HEADER.len(), 19);
    }
}
