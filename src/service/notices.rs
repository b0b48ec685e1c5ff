//! Notices as they are shown, in a stream or to a webhook, and how a reader goes on from where he was.

use super::{Service, ServiceError, wire};
use crate::store::{CompanyId, Document, NewNotice, NoticeKind, NoticeRow, NoticesFor};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// Notices read at once.
const PAGE: u32 = 100;

/// What a notice is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
pub enum NoticeKindDto {
    /// Something happened on the floor, and was reported.
    #[serde(rename = "event.recorded")]
    EventRecorded,
    /// A check did not pass.
    #[serde(rename = "check.failed")]
    CheckFailed,
    /// There is a new draft.
    #[serde(rename = "plan.proposed")]
    PlanProposed,
    /// A draft has become the promise.
    #[serde(rename = "plan.published")]
    PlanPublished,
    /// A draft was discarded.
    #[serde(rename = "plan.rejected")]
    PlanRejected,
    /// A crew's promised day is not what it was.
    #[serde(rename = "crew.day_changed")]
    CrewDayChanged,
    /// The promised last day of work of a job is another one.
    #[serde(rename = "house.date_changed")]
    HouseDateChanged,
    /// The promise has no place for a step any more.
    #[serde(rename = "step.unplaced")]
    StepUnplaced,
}

impl From<NoticeKind> for NoticeKindDto {
    fn from(kind: NoticeKind) -> NoticeKindDto {
        match kind {
            NoticeKind::EventRecorded => NoticeKindDto::EventRecorded,
            NoticeKind::CheckFailed => NoticeKindDto::CheckFailed,
            NoticeKind::PlanProposed => NoticeKindDto::PlanProposed,
            NoticeKind::PlanPublished => NoticeKindDto::PlanPublished,
            NoticeKind::PlanRejected => NoticeKindDto::PlanRejected,
            NoticeKind::CrewDayChanged => NoticeKindDto::CrewDayChanged,
            NoticeKind::HouseDateChanged => NoticeKindDto::HouseDateChanged,
            NoticeKind::StepUnplaced => NoticeKindDto::StepUnplaced,
        }
    }
}

impl From<NoticeKindDto> for NoticeKind {
    fn from(kind: NoticeKindDto) -> NoticeKind {
        match kind {
            NoticeKindDto::EventRecorded => NoticeKind::EventRecorded,
            NoticeKindDto::CheckFailed => NoticeKind::CheckFailed,
            NoticeKindDto::PlanProposed => NoticeKind::PlanProposed,
            NoticeKindDto::PlanPublished => NoticeKind::PlanPublished,
            NoticeKindDto::PlanRejected => NoticeKind::PlanRejected,
            NoticeKindDto::CrewDayChanged => NoticeKind::CrewDayChanged,
            NoticeKindDto::HouseDateChanged => NoticeKind::HouseDateChanged,
            NoticeKindDto::StepUnplaced => NoticeKind::StepUnplaced,
        }
    }
}

/// A notice as it is sent.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct NoticeView {
    /// Never changes; two with the same are the same.
    pub id: Uuid,
    /// Rising by one within the company. A crew does not see all of them.
    #[schema(minimum = 1)]
    pub number: i64,
    /// What it is about.
    #[serde(rename = "type")]
    #[schema(rename = "type")]
    pub kind: NoticeKindDto,
    /// When it became true.
    pub timestamp: String,
    /// What has happened: see docs/notices.md for each kind.
    #[schema(value_type = Object)]
    pub data: Document,
}

impl NoticeView {
    /// From its parts, as they are stored.
    pub(super) fn new(
        id: Uuid,
        number: i64,
        kind: NoticeKind,
        at: chrono::DateTime<chrono::Utc>,
        doc: Document,
    ) -> Self {
        NoticeView { id, number, kind: kind.into(), timestamp: wire::utc(at), data: doc }
    }

    fn of(row: NoticeRow, readers: NoticesFor) -> Result<NoticeView, ServiceError> {
        // A crew is told that something was published, and not what else.
        let doc = match readers {
            NoticesFor::Crew(crew) if row.crew_id != Some(crew) => Document::of(&serde_json::json!({}))?,
            NoticesFor::Crew(_) | NoticesFor::Everybody => row.doc,
        };
        Ok(NoticeView::new(row.id, row.number, row.kind, row.created_at, doc))
    }

    /// The stable word of its kind.
    pub fn word(&self) -> &'static str {
        NoticeKind::from(self.kind).word()
    }
}

/// What there is after a number.
#[derive(Debug)]
pub struct NoticePage {
    /// In their order; a bounded number of them.
    pub notices: Vec<NoticeView>,
    /// Whoever has seen these goes on from here.
    pub seen: i64,
    /// Whether there are more already.
    pub more: bool,
    /// Whether notices after the number are not kept any more: what he knows may be out of date.
    pub missed: bool,
}

impl Service {
    /// The number of the last notice.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn last_notice(&self, company: CompanyId) -> Result<i64, ServiceError> {
        Ok(self.store.snapshot(company).await?.notice_range().await?.1)
    }

    /// Notices with numbers above `after`, as far as they are for these readers.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn notices_after(
        &self,
        company: CompanyId,
        after: i64,
        readers: NoticesFor,
    ) -> Result<NoticePage, ServiceError> {
        let mut session = self.store.snapshot(company).await?;
        let (oldest, last) = session.notice_range().await?;
        if after > last {
            // From another life of the database.
            return Ok(NoticePage { notices: Vec::new(), seen: last, more: false, missed: true });
        }
        let missed = after < oldest - 1;
        let rows = if after < last { session.notices_after(after, readers, PAGE).await? } else { Vec::new() };
        let more = rows.len() == PAGE as usize;
        let seen = rows.last().filter(|_| more).map_or(last, |row| row.number);
        let notices = rows.into_iter().map(|row| NoticeView::of(row, readers)).collect::<Result<_, _>>()?;
        Ok(NoticePage { notices, seen, more, missed })
    }

    /// A notice to tell, of what is true now.
    pub(super) fn notice(
        &self,
        kind: NoticeKind,
        (job_id, crew_id): (Option<Uuid>, Option<Uuid>),
        data: &impl Serialize,
    ) -> Result<NewNotice, ServiceError> {
        Ok(NewNotice { kind, job_id, crew_id, at: self.now(), doc: Document::of(data)? })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_the_same_in_the_store_and_on_the_wire() {
        for kind in NoticeKind::ALL {
            let wire = NoticeKindDto::from(kind);
            assert_eq!(serde_json::to_value(wire).unwrap(), kind.word());
            assert_eq!(NoticeKind::from(wire), kind);
        }
    }
}
