//! The waits between steps: rules 4 (minimum) and 5 (maximum), and of rule 10 that predecessors are placed and come
//! first. Only waits that an open successor must keep are judged.

use super::air::{Skies, next_day};
use super::ledger::{Ledger, Place, Stay, forbidden_after, lapse};
use super::violation::{Order, Violation, WaitMaximum, WaitMinimum};
use crate::domain::chain::{Outcome, Wait, WaitKind};
use crate::domain::ids::{JobIx, StepIx};

pub(super) fn check(ledger: &Ledger<'_>, skies: &Skies, out: &mut Vec<Violation>) {
    for (job, content) in ledger.situation.jobs.iter().enumerate() {
        let job = JobIx::from_index(job);
        for wait in content.chain.waits() {
            let from = &ledger.places[ledger.number_in(job, wait.from)];
            let to = &ledger.places[ledger.number_in(job, wait.to)];
            if let Some(stay) = to.stay().filter(|stay| stay.open) {
                match from {
                    Place::Absent => report_missing(ledger, job, stay, wait, out),
                    Place::Unusable => {}
                    Place::At(before) => check_wait(ledger, skies, before, stay, wait, out),
                }
            }
            if let Some((extra, lapse_minutes)) = lapse(wait) {
                let joint = Joint { job, wait, from, to, extra, lapse_minutes };
                check_lapse(ledger, skies, &joint, out);
            }
        }
    }
}

fn report_missing(ledger: &Ledger<'_>, job: JobIx, stay: &Stay<'_>, wait: &Wait, out: &mut Vec<Violation>) {
    // A failed check that is not tried again is reported by its own rule.
    let attempts = &ledger.spec(ledger.number_in(job, wait.from)).attempts;
    if attempts.last().is_none_or(|last| last.outcome != Outcome::Failed) {
        out.push(Violation::Order(stay.step, Order::PredecessorMissing { after: wait.from }));
    }
}

fn check_wait(
    ledger: &Ledger<'_>,
    skies: &Skies,
    before: &Stay<'_>,
    stay: &Stay<'_>,
    wait: &Wait,
    out: &mut Vec<Violation>,
) {
    match wait.kind {
        WaitKind::Lag => {
            check_lag_minimum(ledger, skies, before, stay, wait, out);
            let minutes = stay.start().since(before.finish());
            if let Some(max_minutes) = forbidden_after(wait).filter(|&max| minutes > max) {
                let late = WaitMaximum::WaitTooLong { after: wait.from, minutes, max_minutes };
                out.push(Violation::WaitMaximum(stay.step, late));
            }
        }
        WaitKind::Dwell => check_dwell(before, stay, wait, out),
    }
}

fn check_lag_minimum(
    ledger: &Ledger<'_>,
    skies: &Skies,
    before: &Stay<'_>,
    stay: &Stay<'_>,
    wait: &Wait,
    out: &mut Vec<Violation>,
) {
    let (after, start) = (wait.from, stay.start());
    if start < before.finish() {
        out.push(Violation::Order(stay.step, Order::BeforePredecessor { after, start, finish: before.finish() }));
        return;
    }
    let ready = skies.dry(stay.house, wait, before.finish());
    if ready.is_none_or(|ready| start < ready) {
        out.push(Violation::WaitMinimum(stay.step, WaitMinimum::WaitTooShort { after, start, ready }));
    }
    let next_day = next_day(ledger.situation, before);
    if wait.overnight && start < next_day {
        out.push(Violation::WaitMinimum(stay.step, WaitMinimum::SameDay { after, start, next_day }));
    }
}

fn check_dwell(before: &Stay<'_>, stay: &Stay<'_>, wait: &Wait, out: &mut Vec<Violation>) {
    let after = wait.from;
    let lags = [stay.start().since(before.start()), stay.finish().since(before.finish())];
    let min_minutes = wait.min_minutes;
    if let Some(&minutes) = lags.iter().find(|&&minutes| minutes < min_minutes) {
        let short = WaitMinimum::DwellTooShort { after, minutes, min_minutes };
        out.push(Violation::WaitMinimum(stay.step, short));
    }
    if let Some(max_minutes) = forbidden_after(wait)
        && let Some(&minutes) = lags.iter().find(|&&minutes| minutes > max_minutes)
    {
        let long = WaitMaximum::DwellTooLong { after, minutes, max_minutes };
        out.push(Violation::WaitMaximum(stay.step, long));
    }
    if before.crew != stay.crew {
        let two = WaitMaximum::DwellTwoCrews { after, crew: stay.crew, crew_before: before.crew };
        out.push(Violation::WaitMaximum(stay.step, two));
    }
}

/// A wait that may lapse, with the places of the two steps that it joins.
struct Joint<'b, 'a> {
    job: JobIx,
    wait: &'b Wait,
    from: &'b Place<'a>,
    to: &'b Place<'a>,
    extra: StepIx,
    lapse_minutes: i64,
}

fn check_lapse(ledger: &Ledger<'_>, skies: &Skies, joint: &Joint<'_, '_>, out: &mut Vec<Violation>) {
    let extra = &ledger.places[ledger.number_in(joint.job, joint.extra)];
    let (after, before) = (joint.wait.from, joint.wait.to);
    if [joint.from, joint.to, extra].iter().any(|place| matches!(place, Place::Unusable)) {
        return;
    }
    let lapsed = match (joint.from.stay(), joint.to.stay()) {
        (Some(from), Some(to)) => {
            let lapsed = from.finish().plus(joint.lapse_minutes);
            (to.start() > lapsed).then_some((from, to, lapsed))
        }
        _ => None,
    };
    match (lapsed, extra.stay()) {
        (None, None) => {}
        (None, Some(stay)) => {
            if stay.open {
                out.push(Violation::WaitMaximum(stay.step, WaitMaximum::ExtraWithoutLapse { after, before }));
            }
        }
        (Some((_, to, lapsed)), None) => {
            if to.open {
                let lacking = WaitMaximum::LapseWithoutExtra { after, extra: joint.extra, lapsed };
                out.push(Violation::WaitMaximum(to.step, lacking));
            }
        }
        (Some((from, to, _)), Some(stay)) => {
            let ready = skies.ready(ledger.situation, from, joint.wait);
            let too_early = stay.open && ready.is_none_or(|ready| stay.start() < ready);
            let too_late = (stay.open || to.open) && stay.finish() > to.start();
            if too_early || too_late {
                let astray = WaitMaximum::ExtraOutOfPlace { after, before, ready, successor_start: to.start() };
                out.push(Violation::WaitMaximum(stay.step, astray));
            }
        }
    }
}
