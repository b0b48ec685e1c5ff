//! Pages of long lists: opaque cursors, and the next page in a Link header (RFC 8288).

use super::problem::Problem;
use super::registry;
use actix_web::HttpRequest;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// Entries of a page when nobody says how many.
const LIMIT_DEFAULT: u32 = 50;
/// Entries of a page at most.
const LIMIT_MAX: u32 = 200;

/// Which page.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct PageQuery {
    /// Cursor from the Link header of the page before; it means nothing else.
    pub after: Option<String>,
    /// Entries of the page.
    #[param(minimum = 1, maximum = 200, default = 50)]
    pub limit: Option<u32>,
}

/// A page of a list.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Page<T> {
    /// In the order of creation, plans newest first. More of them: see the Link header.
    pub items: Vec<T>,
}

/// Where the next page begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cursor {
    /// After the row with this identifier.
    Row(Uuid),
    /// At this place in a list that comes with the program.
    Place(u64),
    /// Below this number.
    Below(i64),
    /// Before the row of this instant, in microseconds since 1970, and this identifier.
    Moment(i64, Uuid),
}

impl Cursor {
    fn text(self) -> String {
        let mut bytes = Vec::with_capacity(25);
        match self {
            Cursor::Row(id) => {
                bytes.push(b'r');
                bytes.extend(id.as_bytes());
            }
            Cursor::Place(place) => {
                bytes.push(b'p');
                bytes.extend(place.to_be_bytes());
            }
            Cursor::Below(number) => {
                bytes.push(b'b');
                bytes.extend(number.to_be_bytes());
            }
            Cursor::Moment(micros, id) => {
                bytes.push(b'm');
                bytes.extend(micros.to_be_bytes());
                bytes.extend(id.as_bytes());
            }
        }
        URL_SAFE_NO_PAD.encode(bytes)
    }

    fn parse(text: &str) -> Option<Cursor> {
        let bytes = URL_SAFE_NO_PAD.decode(text).ok()?;
        let (kind, rest) = bytes.split_first()?;
        match kind {
            b'r' => Uuid::from_slice(rest).ok().map(Cursor::Row),
            b'p' => rest.try_into().ok().map(u64::from_be_bytes).map(Cursor::Place),
            b'b' => rest.try_into().ok().map(i64::from_be_bytes).map(Cursor::Below),
            b'm' => {
                let (micros, id) = rest.split_first_chunk()?;
                Some(Cursor::Moment(i64::from_be_bytes(*micros), Uuid::from_slice(id).ok()?))
            }
            _ => None,
        }
    }
}

impl PageQuery {
    /// Entries asked for.
    pub fn limit(&self) -> Result<u32, Problem> {
        let limit = self.limit.unwrap_or(LIMIT_DEFAULT);
        if (1..=LIMIT_MAX).contains(&limit) {
            return Ok(limit);
        }
        Err(Problem::new(registry::BAD_QUERY, format!("limit is {limit}; it is 1 to {LIMIT_MAX}")))
    }

    /// Where to begin.
    pub fn cursor(&self) -> Result<Option<Cursor>, Problem> {
        let Some(text) = &self.after else { return Ok(None) };
        match Cursor::parse(text) {
            Some(cursor) => Ok(Some(cursor)),
            None => Err(PageQuery::bad_cursor()),
        }
    }

    /// Where to begin in a list of rows.
    pub fn row(&self) -> Result<Option<Uuid>, Problem> {
        match self.cursor()? {
            None => Ok(None),
            Some(Cursor::Row(id)) => Ok(Some(id)),
            Some(Cursor::Place(_) | Cursor::Below(_) | Cursor::Moment(..)) => Err(PageQuery::bad_cursor()),
        }
    }

    /// It is not from this list.
    pub fn bad_cursor() -> Problem {
        Problem::new(registry::BAD_QUERY, "after is no cursor of this list")
    }
}

/// The Link header's value: the same list with another cursor.
pub fn next_link(request: &HttpRequest, cursor: Cursor) -> String {
    let kept = request.query_string().split('&').filter(|part| !part.is_empty() && !part.starts_with("after="));
    // What would end the reference early is left out of it; no parameter needs it.
    let kept: String = kept.map(|part| format!("{part}&")).collect::<String>().replace(['<', '>', '"'], "");
    format!("<{}?{kept}after={}>; rel=\"next\"", request.path(), cursor.text())
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[test]
    fn cursors_survive_the_way_there_and_back() {
        for cursor in [
            Cursor::Row(Uuid::from_u128(7)),
            Cursor::Place(3),
            Cursor::Below(i64::MAX),
            Cursor::Moment(-1, Uuid::from_u128(7)),
        ] {
            assert_eq!(Cursor::parse(&cursor.text()), Some(cursor));
        }
        for bad in ["", "x", "cg", "====", "cAAAAAAAAAAB\u{e4}", &"A".repeat(10_000)] {
            assert_eq!(Cursor::parse(bad), None, "{bad}");
        }
    }

    #[test]
    fn the_next_page_keeps_what_was_asked() {
        let request = TestRequest::with_uri("/v1/jobs?limit=2&after=xyz&status=open").to_http_request();
        let link = next_link(&request, Cursor::Place(1));
        assert_eq!(link, "</v1/jobs?limit=2&status=open&after=cAAAAAAAAAAB>; rel=\"next\"");
    }
}
