//! The outbox: notices of what has become true, written in the transaction that made it true and numbered last of all,
//! so that whoever has seen a number never misses a smaller one. Webhooks that want a notice get a delivery with it.

use super::{Document, Session, StoreError};
use chrono::{DateTime, Utc};
use sqlx::FromRow;
use uuid::Uuid;

/// How long notices are kept, and with them what was sent of them.
pub const NOTICES_KEPT_DAYS: i64 = 30;
/// Where servers listen for `company` identifiers of what has news.
pub(super) const CHANNEL: &str = "tackfree";

/// What a notice is about. Its word is stable, for programs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum NoticeKind {
    /// Something happened on the floor, and was reported.
    EventRecorded,
    /// A check did not pass.
    CheckFailed,
    /// There is a new draft.
    PlanProposed,
    /// A draft has become the promise.
    PlanPublished,
    /// A draft was discarded.
    PlanRejected,
    /// A crew's promised day is not what it was.
    CrewDayChanged,
    /// The promised last day of work in a house is another one.
    HouseDateChanged,
    /// The promise has no place for a step any more.
    StepUnplaced,
}

impl NoticeKind {
    /// All of them.
    pub const ALL: [NoticeKind; 8] = [
        NoticeKind::EventRecorded,
        NoticeKind::CheckFailed,
        NoticeKind::PlanProposed,
        NoticeKind::PlanPublished,
        NoticeKind::PlanRejected,
        NoticeKind::CrewDayChanged,
        NoticeKind::HouseDateChanged,
        NoticeKind::StepUnplaced,
    ];

    /// As it is stored and sent.
    pub const fn word(self) -> &'static str {
        match self {
            NoticeKind::EventRecorded => "event.recorded",
            NoticeKind::CheckFailed => "check.failed",
            NoticeKind::PlanProposed => "plan.proposed",
            NoticeKind::PlanPublished => "plan.published",
            NoticeKind::PlanRejected => "plan.rejected",
            NoticeKind::CrewDayChanged => "crew.day_changed",
            NoticeKind::HouseDateChanged => "house.date_changed",
            NoticeKind::StepUnplaced => "step.unplaced",
        }
    }

    /// The kind of this word.
    pub fn parse(word: &str) -> Option<NoticeKind> {
        NoticeKind::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

impl TryFrom<String> for NoticeKind {
    type Error = String;

    fn try_from(word: String) -> Result<NoticeKind, String> {
        NoticeKind::parse(&word).ok_or_else(|| format!("a notice of the kind {word}"))
    }
}

/// What is to be told.
#[derive(Debug, Clone)]
pub struct NewNotice {
    /// What it is about.
    pub kind: NoticeKind,
    /// Which job; notices of one job are sent one after the other.
    pub job_id: Option<Uuid>,
    /// Which crew it touches; that crew's phones are told.
    pub crew_id: Option<Uuid>,
    /// When it became true.
    pub at: DateTime<Utc>,
    /// What has happened, for programs and people.
    pub doc: Document,
}

/// What has been told.
#[derive(Debug, Clone, FromRow)]
pub struct NoticeRow {
    /// Rising by one within the company, in the order of becoming visible.
    pub number: i64,
    /// Never changes.
    pub id: Uuid,
    /// What it is about.
    #[sqlx(try_from = "String")]
    pub kind: NoticeKind,
    /// Which job.
    pub job_id: Option<Uuid>,
    /// Which crew.
    pub crew_id: Option<Uuid>,
    /// What has happened.
    pub doc: Document,
    /// When it became true.
    pub created_at: DateTime<Utc>,
}

/// Whose eyes notices are for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoticesFor {
    /// Office and viewers.
    Everybody,
    /// One crew: what touches it, and that something was published.
    Crew(Uuid),
}

impl Session {
    /// Puts a notice into the outbox. It is written, numbered and made known when the session commits, and not at all
    /// when it is dropped.
    pub fn tell(&mut self, notice: NewNotice) {
        self.told.push(notice);
    }

    /// Writes what was told: the last thing before the commit, because numbers are given one transaction after the other.
    pub(super) async fn write_told(&mut self) -> Result<(), StoreError> {
        if self.told.is_empty() {
            return Ok(());
        }
        let told = std::mem::take(&mut self.told);
        let last = self.count_notices(told.len()).await?;
        let first = last - told.len() as i64 + 1;
        let ids: Vec<Uuid> = told.iter().map(|_| super::new_id()).collect();
        let deliveries: i64 = sqlx::query_scalar(WRITE)
            .bind(self.company.0)
            .bind(first)
            .bind(ids)
            .bind(told.iter().map(|notice| notice.kind.word()).collect::<Vec<_>>())
            .bind(told.iter().map(|notice| notice.job_id).collect::<Vec<_>>())
            .bind(told.iter().map(|notice| notice.crew_id).collect::<Vec<_>>())
            .bind(told.iter().map(|notice| notice.at).collect::<Vec<_>>())
            .bind(told.into_iter().map(|notice| notice.doc).collect::<Vec<_>>())
            .bind(CHANNEL)
            .fetch_one(self.db())
            .await?;
        tracing::debug!(company = %self.company, last, deliveries, "notices are told");
        Ok(())
    }

    /// Numbers for so many more notices; the last one. Held until the session ends.
    pub(super) async fn count_notices(&mut self, more: usize) -> Result<i64, StoreError> {
        Ok(sqlx::query_scalar(
            "INSERT INTO notice_counter AS c (company_id, last_number) VALUES ($1, $2)
             ON CONFLICT (company_id) DO UPDATE SET last_number = c.last_number + excluded.last_number
             RETURNING last_number",
        )
        .bind(self.company.0)
        .bind(more as i64)
        .fetch_one(self.db())
        .await?)
    }

    /// Up to `limit` notices with numbers above `after`, in their order.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn notices_after(
        &mut self,
        after: i64,
        readers: NoticesFor,
        limit: u32,
    ) -> Result<Vec<NoticeRow>, StoreError> {
        let crew = match readers {
            NoticesFor::Everybody => None,
            NoticesFor::Crew(crew) => Some(crew),
        };
        Ok(sqlx::query_as(
            "SELECT number, id, kind, job_id, crew_id, doc, created_at FROM notice
             WHERE company_id = $1 AND number > $2 AND ($3::uuid IS NULL OR crew_id = $3 OR kind = $4)
             ORDER BY number LIMIT $5",
        )
        .bind(self.company.0)
        .bind(after)
        .bind(crew)
        .bind(NoticeKind::PlanPublished.word())
        .bind(i64::from(limit))
        .fetch_all(self.db())
        .await?)
    }

    /// Numbers of the oldest notice that is kept and of the last one given; both 0 when there has been none, and the
    /// oldest one above the last when none is kept.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn notice_range(&mut self) -> Result<(i64, i64), StoreError> {
        Ok(sqlx::query_as(
            "SELECT coalesce((SELECT min(number) FROM notice WHERE company_id = $1), last_number + 1), last_number
             FROM notice_counter WHERE company_id = $1",
        )
        .bind(self.company.0)
        .fetch_optional(self.db())
        .await?
        .unwrap_or((0, 0)))
    }
}

/// Notices, a delivery of each for every webhook that wants it, and a knock for whoever listens.
const WRITE: &str = "
    WITH told AS (
        INSERT INTO notice (company_id, number, id, kind, job_id, crew_id, created_at, doc)
        SELECT $1, $2 + place - 1, id, kind, job_id, crew_id, at, doc
        FROM unnest($3::uuid[], $4::text[], $5::uuid[], $6::uuid[], $7::timestamptz[], $8::jsonb[])
             WITH ORDINALITY AS t (id, kind, job_id, crew_id, at, doc, place)
        RETURNING number, kind, job_id, created_at
    ), sent AS (
        INSERT INTO delivery (company_id, id, webhook_id, number, lane, due_at)
        SELECT $1, gen_random_uuid(), w.id, told.number,
               coalesce(told.job_id, '00000000-0000-0000-0000-000000000000'), told.created_at
        FROM told JOIN webhook w ON w.company_id = $1 AND w.off_at IS NULL
                                AND (w.kinds = '{}' OR told.kind = ANY(w.kinds))
        RETURNING 1
    )
    SELECT (SELECT count(*) FROM sent) FROM pg_notify($9, $1::text)";
