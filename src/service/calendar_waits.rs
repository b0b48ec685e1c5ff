//! Waits between steps as calendar entries, for whoever asks for them: the floor is busy and nobody else is, so they leave
//! the time free. A dwell is none of them: there the crew stays.

use super::ServiceError;
use super::calendar_events::uid;
use super::directory::Directory;
use crate::domain::time::Minute;
use crate::dto::{WaitDto, WaitKindDto};
use crate::feed::{Event, EventStatus};
use crate::store::{BookingRow, FeedKind, Session};
use chrono::{DateTime, Utc};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// Sequence numbers of waits are seconds from here (2020-01-01, UTC) to the last change of either step. They rise with
/// every change, also after rows that are old have been thrown away, which no count of revisions would.
const SEQUENCE_EPOCH: i64 = 1_577_836_800;

/// When one step is worked on, by all that have or had it.
#[derive(Default)]
struct Ends {
    standing: Option<(Minute, Minute)>,
    called_off: Option<(Minute, Minute)>,
    /// Whose it is, and whose it was.
    crews: BTreeSet<Uuid>,
    had: BTreeSet<Uuid>,
    changed_at: Option<DateTime<Utc>>,
}

/// Between the steps in `rows`; of a crew, next to its own steps. `rows` are all those of the jobs concerned.
pub(super) async fn wait_events(
    session: &mut Session,
    directory: &Directory,
    kind: FeedKind,
    rows: &[BookingRow],
) -> Result<Vec<Event>, ServiceError> {
    let mut steps: BTreeMap<(Uuid, &str), Ends> = BTreeMap::new();
    for row in rows {
        steps.entry((row.job_id, row.step_key.as_str())).or_default().add(row);
    }
    let jobs: BTreeSet<Uuid> = rows.iter().map(|row| row.job_id).collect();
    let jobs: Vec<Uuid> = jobs.into_iter().collect();
    let mut events = Vec::new();
    for (job, row) in session.waits_of_jobs(&jobs).await? {
        let wait: WaitDto = row.doc.parse()?;
        let ends = (steps.get(&(job, row.from_key.as_str())), steps.get(&(job, row.to_key.as_str())));
        if let (true, (Some(before), Some(after))) = (is_shown(&wait), ends) {
            events.extend(event(directory, kind, job, &wait, (before, after)));
        }
    }
    events.sort_by(|a, b| (a.start, &a.uid).cmp(&(b.start, &b.uid)));
    Ok(events)
}

/// Whether the floor needs the time, not only the order.
fn is_shown(wait: &WaitDto) -> bool {
    wait.kind != WaitKindDto::Dwell && (wait.min_minutes > 0 || wait.film.is_some() || wait.overnight)
}

impl Ends {
    fn add(&mut self, row: &BookingRow) {
        let (start, end) = (Minute::floor_from(row.start), Minute::floor_from(row.end));
        let span = if row.cancelled { &mut self.called_off } else { &mut self.standing };
        *span = Some(span.map_or((start, end), |known| (known.0.min(start), known.1.max(end))));
        if row.cancelled { &mut self.had } else { &mut self.crews }.insert(row.crew_id);
        self.changed_at = self.changed_at.max(Some(row.last_modified));
    }

    fn is_of(&self, kind: FeedKind) -> bool {
        match kind {
            FeedKind::Crew(crew) => self.crews.contains(&crew),
            FeedKind::House(_) | FeedKind::Office | FeedKind::Customer(_) => true,
        }
    }

    fn was_of(&self, kind: FeedKind) -> bool {
        match kind {
            FeedKind::Crew(crew) => self.had.contains(&crew),
            FeedKind::House(_) | FeedKind::Office | FeedKind::Customer(_) => true,
        }
    }
}

fn event(
    directory: &Directory,
    kind: FeedKind,
    job: Uuid,
    wait: &WaitDto,
    (before, after): (&Ends, &Ends),
) -> Option<Event> {
    let (from, to) = (directory.step(job, &wait.from)?, directory.step(job, &wait.to)?);
    let is_theirs = before.is_of(kind) || after.is_of(kind);
    if !is_theirs && !before.was_of(kind) && !after.was_of(kind) {
        return None;
    }
    let stands = is_theirs && before.standing.is_some() && after.standing.is_some();
    let (start, end) = (before.standing.or(before.called_off)?.1, after.standing.or(after.called_off)?.0);
    if start >= end {
        return None;
    }
    let promised = before.changed_at.max(after.changed_at)?;
    let changed = promised.max(directory.changed_at(from.job, None));
    let house = &from.house.name;
    let summary = format!("Floor waits after: {}", from.step.name);
    Some(Event {
        uid: uid(job, &format!("{}>{}", wait.from, wait.to), 0),
        sequence: u32::try_from(promised.timestamp() - SEQUENCE_EPOCH).unwrap_or(0),
        stamp: changed,
        last_modified: changed,
        start,
        end,
        summary: match kind {
            FeedKind::House(_) | FeedKind::Customer(_) => summary,
            FeedKind::Crew(_) | FeedKind::Office => format!("{house}: {summary}"),
        },
        description: description(wait, &to.step.name),
        location: from.house.address.clone().unwrap_or_else(|| house.clone()),
        geo: None,
        categories: vec!["Wait".to_owned()],
        color: None,
        status: if stands { EventStatus::Confirmed } else { EventStatus::Cancelled },
        transparent: true,
    })
}

fn description(wait: &WaitDto, next: &str) -> String {
    let mut lines = vec![format!("Next: {next}.")];
    if wait.min_minutes > 0 {
        let longer = if wait.film.is_some() { ", longer when it is cold or humid" } else { "" };
        lines.push(format!("At least {}{longer}.", length(wait.min_minutes)));
    }
    if wait.overnight {
        lines.push("A night must lie between.".to_owned());
    }
    if wait.keep_off {
        lines.push("Keep off the floor.".to_owned());
    }
    lines.join("\n")
}

fn length(minutes: i64) -> String {
    match (minutes / 60, minutes % 60) {
        (0, rest) => format!("{rest} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, rest) => format!("{hours} h {rest} min"),
    }
}
