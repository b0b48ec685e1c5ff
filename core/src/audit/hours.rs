//! When crews work and houses are open, expanded once for each over the time in which the plan uses them, with a day to
//! spare on both sides so that no cut ever looks like the end of a shift.

use super::ledger::{DAY, Ledger, PAST_MINUTES_MAX};
use crate::domain::chain::Step;
use crate::domain::ids::{CrewIx, HouseIx};
use crate::domain::resources::{Crew, House};
use crate::domain::time::{Minute, Span, joined, without};

/// Hours of all crews and houses that the plan's open steps use; empty for the others.
pub(super) struct Hours {
    crews: Vec<Vec<Span>>,
    crews_regular: Vec<Vec<Span>>,
    houses: Vec<Vec<Span>>,
}

impl Hours {
    pub fn new(ledger: &Ledger<'_>) -> Hours {
        let situation = ledger.situation;
        let mut crew_windows: Vec<Option<Span>> = vec![None; situation.crews.len()];
        let mut house_windows: Vec<Option<Span>> = vec![None; situation.houses.len()];
        for busy in ledger.busy.iter().filter(|busy| busy.open) {
            widen(&mut crew_windows[busy.crew.index()], busy.hull);
            widen(&mut house_windows[busy.house.index()], busy.hull);
        }
        let earliest = situation.now.plus(-PAST_MINUTES_MAX);
        let cut = |window: &Option<Span>| window.and_then(|window| with_margin(window, earliest));
        let crews = || situation.crews.iter().zip(crew_windows.iter().map(cut));
        let houses = situation.houses.iter().zip(house_windows.iter().map(cut));
        Hours {
            crews: crews().map(|(crew, window)| window.map_or(Vec::new(), |w| working(crew, w))).collect(),
            crews_regular: crews()
                .map(|(crew, window)| window.map_or(Vec::new(), |w| crew.calendar.regular_spans(crew.zone, w)))
                .collect(),
            houses: houses.map(|(house, window)| window.map_or(Vec::new(), |w| access(house, w))).collect(),
        }
    }

    /// When a crew works, regular and overtime, less its absences.
    pub fn crew(&self, crew: CrewIx) -> &[Span] {
        &self.crews[crew.index()]
    }

    /// A crew's ordinary hours by its calendar alone.
    pub fn crew_regular(&self, crew: CrewIx) -> &[Span] {
        &self.crews_regular[crew.index()]
    }

    /// When a house lets people in.
    pub fn house(&self, house: HouseIx) -> &[Span] {
        &self.houses[house.index()]
    }
}

fn widen(window: &mut Option<Span>, by: Span) {
    let (start, end) = match *window {
        Some(old) => (old.start().min(by.start()), old.end().max(by.end())),
        None => (by.start(), by.end()),
    };
    *window = Span::new(start, end);
}

fn with_margin(window: Span, earliest: Minute) -> Option<Span> {
    Span::new(window.start().plus(-DAY).max(earliest), window.end().plus(DAY))
}

/// A crew's working time within `window`.
pub(super) fn working(crew: &Crew, window: Span) -> Vec<Span> {
    without(&crew.calendar.spans(crew.zone, window), &joined(crew.absences.clone()))
}

/// A house's access hours within `window`, less the times it is closed all the same.
pub(super) fn access(house: &House, window: Span) -> Vec<Span> {
    without(&house.access.spans(house.zone, window), &joined(house.closures.clone()))
}

/// Whether a crew has, at every minute of `span`, people enough to do `spec`, and so many that it takes `minutes`.
pub(super) fn manned(crew: &Crew, spec: &Step, span: Span, minutes: i64) -> bool {
    let suits = |people: u32| people >= spec.head_count_min && spec.duration_minutes(people) == minutes;
    crew.people_over(span).iter().all(|(_, people)| suits(*people))
}

/// The parts of `hours` (sorted, disjoint) in which a crew does `spec` in `minutes`.
pub(super) fn manned_hours(crew: &Crew, spec: &Step, hours: &[Span], minutes: i64) -> Vec<Span> {
    let hull = hours.first().zip(hours.last()).and_then(|(first, last)| Span::new(first.start(), last.end()));
    let Some(hull) = hull.filter(|_| !crew.short_handed.is_empty()) else { return hours.to_vec() };
    let stretches = crew.people_over(hull).into_iter().map(|(span, _)| span);
    without(hours, &joined(stretches.filter(|span| !manned(crew, spec, *span, minutes)).collect()))
}

/// The one of `spans` (sorted, disjoint) that contains all of `part`.
pub(super) fn around(spans: &[Span], part: Span) -> Option<Span> {
    let after = spans.partition_point(|span| span.start() <= part.start());
    spans[..after].last().copied().filter(|span| span.contains(part))
}

/// The first span that two lists (each sorted and disjoint) have in common and that begins at or after `from`.
pub(super) fn first_common(a: &[Span], b: &[Span], from: Minute) -> Option<Span> {
    let mut i = a.partition_point(|span| span.end() <= from);
    let mut j = b.partition_point(|span| span.end() <= from);
    while let (Some(&left), Some(&right)) = (a.get(i), b.get(j)) {
        if let Some(common) = left.intersection(right).filter(|common| common.start() >= from) {
            return Some(common);
        }
        if left.end() <= right.end() {
            i += 1;
        } else {
            j += 1;
        }
    }
    None
}

/// How many minutes of `part` lie in none of `spans` (sorted, disjoint).
pub(super) fn minutes_outside(spans: &[Span], part: Span) -> i64 {
    let first = spans.partition_point(|span| span.end() <= part.start());
    let inside = spans[first..].iter().take_while(|span| span.start() < part.end());
    part.minutes() - inside.filter_map(|span| span.intersection(part)).map(Span::minutes).sum::<i64>()
}
