//! The rest of a plan from what really happened. A section whose part B cannot come in time any more is too dry: it is
//! wet with part A again, and its dwell starts again (common practice, no source). The others shift.

use super::hands::Hands;
use super::timeline::Acts;
use super::{Act, Applicators, Doing, Part, Plan, Refusal, Seconds, Section, Treatment};

/// Latest second that can be "now": a week after the crew began.
const NOW_SECONDS_MAX: i64 = 7 * 86_400;

/// What happened in one section, seconds after the crew began. Sections without a report have not been begun.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Report {
    /// Part A was begun.
    pub a_from: i64,
    /// Part A was rolled; left out while it is.
    pub a_until: Option<i64>,
    /// Part B was begun.
    pub b_from: Option<i64>,
    /// Part B was rolled.
    pub b_until: Option<i64>,
}

impl Report {
    /// With what is still rolled ending when it should, or now.
    fn spans(&self, treatment: &Treatment, sqft: i64, now: i64) -> (Seconds, Option<Seconds>) {
        let span = |part: Part, from: i64, until: Option<i64>| {
            let expected = (from + treatment.part(part).roll_seconds(sqft)).max(now);
            Seconds { from, until: until.unwrap_or(expected) }
        };
        (span(Part::A, self.a_from, self.a_until), self.b_from.map(|from| span(Part::B, from, self.b_until)))
    }
}

/// Replans `plan` at the second `now`. `reports`: of the first sections, in order.
///
/// # Errors
/// Reports that cannot be true.
pub fn replan(treatment: &Treatment, plan: &Plan, reports: &[Report], now: i64) -> Result<Plan, Refusal> {
    treatment.check()?;
    check(treatment, plan, reports, now)?;
    let mut acts = Acts::new(treatment, Hands::at(now));
    let mut last: Option<(i64, Part)> = None;
    for (index, report) in reports.iter().enumerate() {
        let sqft = plan.sections[index].sqft;
        let (a, b) = report.spans(treatment, sqft, now);
        for (part, span) in [(Part::A, Some(a)), (Part::B, b)] {
            let Some(span) = span else { continue };
            happened(&mut acts, treatment, (part, index, sqft), span, now);
            last = last.max(Some((span.from, part)));
        }
    }
    // The roller in hand is the one that was used last, whatever the order of the sections.
    acts.hands.roller = last.map(|(_, part)| part);
    let mut sections = Vec::with_capacity(plan.sections.len());
    for (index, planned) in plan.sections.iter().enumerate() {
        let reported = reports.get(index).map(|report| report.spans(treatment, planned.sqft, now));
        sections.push(going_on(&mut acts, treatment, planned, index, reported));
    }
    Ok(acts.into_plan(plan.largest, sections, now))
}

/// One section from here on.
fn going_on(
    acts: &mut Acts<'_>,
    treatment: &Treatment,
    planned: &Section,
    index: usize,
    reported: Option<(Seconds, Option<Seconds>)>,
) -> Section {
    let sqft = planned.sqft;
    let Some((a, b)) = reported else {
        let (a, b) = acts.roll(index, sqft);
        return Section { a, b, ..planned.clone() };
    };
    if let Some(b) = b {
        return Section { a, b, ..planned.clone() };
    }
    let (min, max) = (treatment.window.min_seconds, treatment.window.max_seconds);
    let rolling = treatment.b.roll_seconds(sqft);
    let mut earliest = (a.from + min).max(a.until + min - rolling);
    let even = treatment.a.even_out_seconds(sqft);
    if even > 0 {
        earliest = earliest.max(a.until + even);
    }
    let latest = (a.from + max).min(a.until + max - rolling);
    if acts.hands.b_from(treatment, earliest) <= latest {
        let b = acts.follow(index, sqft, earliest);
        return Section { a, b, ..planned.clone() };
    }
    let (a, b) = acts.roll(index, sqft);
    Section { a, b, wet_again: true, ..planned.clone() }
}

/// Puts down what happened, and whose hands it leaves free when.
fn happened(
    acts: &mut Acts<'_>,
    treatment: &Treatment,
    (part, section, sqft): (Part, usize, i64),
    span: Seconds,
    now: i64,
) {
    let person = acts.person(part);
    acts.add(person, Doing::Roll(part), Some(section), span.from, span.until);
    let evened = span.until + treatment.part(part).even_out_seconds(sqft);
    if evened > now {
        acts.add(person, Doing::EvenOut(part), Some(section), span.until, evened);
    }
    match part {
        Part::A => acts.hands.a_done(treatment, sqft, span),
        Part::B => acts.hands.b_done(treatment, sqft, span),
    }
}

fn check(treatment: &Treatment, plan: &Plan, reports: &[Report], now: i64) -> Result<(), Refusal> {
    if !(0..=NOW_SECONDS_MAX).contains(&now) {
        return Err(Refusal::OutOfRange { what: "seconds", value: now, least: 0, most: NOW_SECONDS_MAX });
    }
    let bad = |index: usize, why: &'static str| Err(Refusal::BadReport { section: index + 1, why });
    if reports.len() > plan.sections.len() {
        return bad(plan.sections.len(), "there is no such section");
    }
    let mut taken: Vec<Act> = Vec::new();
    let persons = Acts::new(treatment, Hands::at(0));
    for (index, report) in reports.iter().enumerate() {
        let told = [Some(report.a_from), report.a_until, report.b_from, report.b_until];
        if told.into_iter().flatten().any(|second| second < 0 || second > now) {
            return bad(index, "it lies after now, or before the crew began");
        }
        if report.b_until.is_some() && report.b_from.is_none() || report.b_from.is_some() && report.a_until.is_none() {
            return bad(index, "part A is rolled before part B, and begun before it is finished");
        }
        let (a, b) = report.spans(treatment, plan.sections[index].sqft, now);
        if b.is_some_and(|b| b.from < a.from) {
            return bad(index, "part B was begun before part A");
        }
        for (part, span) in [(Part::A, Some(a)), (Part::B, b)] {
            let Some(span) = span else { continue };
            let person = match treatment.applicators {
                Applicators::One => 0,
                Applicators::Two => persons.person(part),
            };
            let begun_before = |act: &Act| act.person == person && span.from < act.span.until;
            if span.from >= span.until || taken.iter().any(begun_before) {
                return bad(index, "one person did two things at once, or the sections were not done in order");
            }
            taken.push(Act { person, doing: Doing::Roll(part), section: Some(index), span });
        }
    }
    Ok(())
}
