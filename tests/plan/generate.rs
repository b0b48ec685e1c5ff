//! The generator of companies: the same for the same seed, quick, valid, and varied enough to be worth testing with.

use crate::common::generate::{Size, company, fleet, troubled};
use crate::common::world;
use std::collections::BTreeMap;
use tackfree::audit::audit;
use tackfree::domain::chain::{OnExceed, Outcome, WaitKind, Work};
use tackfree::domain::situation::Situation;
use tackfree::trade::climate::HourlyClimate;

#[test]
fn the_same_seed_gives_the_same_company() {
    for seed in 0..50 {
        assert_eq!(company(seed, Size::medium()), company(seed, Size::medium()));
    }
    assert_ne!(company(1, Size::medium()), company(2, Size::medium()));
}

/// What is named points somewhere, and limits are kept.
fn check(situation: &Situation, size: Size) {
    assert!(situation.houses.len() <= size.houses_max && situation.crews.len() <= size.crews_max);
    assert!(situation.jobs.len() <= size.jobs_max.max(size.houses_max));
    assert!(situation.steps().count() <= size.steps_max, "{} steps", situation.steps().count());
    for region in &situation.regions {
        HourlyClimate::from_hours(region.hours.clone()).unwrap();
    }
    for house in &situation.houses {
        assert!(!house.areas.is_empty() && house.areas.len() <= size.areas_max);
        assert!(house.region.is_none_or(|region| region.index() < situation.regions.len()));
    }
    for job in &situation.jobs {
        let areas = situation.houses[job.house.index()].areas.len();
        for step in job.chain.steps() {
            assert!(step.areas.iter().all(|area| area.index() < areas));
            assert!(step.equipment.iter().all(|(kind, _)| kind.index() < situation.equipment.len()));
            assert!(step.attempts.iter().all(|attempt| attempt.crew.index() < situation.crews.len()));
            let begun = step.attempts.iter().all(|attempt| attempt.start < situation.now);
            let over = |attempt: &tackfree::domain::chain::Attempt| {
                (attempt.finish > situation.now) == (attempt.outcome == Outcome::Running)
            };
            assert!(begun && step.attempts.iter().all(over), "{:?} at {:?}", step.attempts, situation.now);
        }
    }
}

/// How many of the companies have each feature.
fn features(situation: &Situation, counts: &mut BTreeMap<&'static str, usize>) {
    let steps = || situation.jobs.iter().flat_map(|job| job.chain.steps());
    let waits = || situation.jobs.iter().flat_map(|job| job.chain.waits());
    let attempts = |outcome| steps().flat_map(|step| &step.attempts).any(|attempt| attempt.outcome == outcome);
    let houses: std::collections::BTreeSet<_> = situation.jobs.iter().map(|job| job.house).collect();
    let begun_dwell = situation.jobs.iter().any(|job| {
        let mut dwells = job.chain.waits().iter().filter(|wait| wait.kind == WaitKind::Dwell);
        dwells.any(|wait| job.chain.step(wait.from).fixed().is_some() && job.chain.step(wait.to).fixed().is_none())
    });
    let end = situation.horizon().end();
    let zone = situation.settings.zone;
    let features = [
        ("clock change", zone.offset_minutes(situation.now) != zone.offset_minutes(end)),
        ("two jobs in a house", houses.len() < situation.jobs.len()),
        ("weather", !situation.regions.is_empty()),
        ("no weather", situation.regions.is_empty()),
        ("gear", !situation.equipment.is_empty()),
        ("dwell", waits().any(|wait| wait.kind == WaitKind::Dwell)),
        ("dwell in hand", begun_dwell),
        ("rolled in sections", steps().any(|step| matches!(step.work, Work::ByApplicators { .. }))),
        ("rolled by two", steps().any(|s| matches!(s.work, Work::ByApplicators { .. }) && s.head_count_min == 2)),
        ("lapse", waits().any(|w| w.max.is_some_and(|max| matches!(max.on_exceed, OnExceed::Lapse(_))))),
        (
            "lag that forbids",
            waits().any(|w| w.kind == WaitKind::Lag && w.max.is_some_and(|m| m.on_exceed == OnExceed::Forbid)),
        ),
        ("keep off", waits().any(|wait| wait.keep_off)),
        ("overnight", waits().any(|wait| wait.overnight)),
        ("film", waits().any(|wait| wait.film.is_some())),
        ("gate", steps().any(|step| step.gate.is_some())),
        ("dividable", steps().any(|step| step.dividable)),
        ("done", attempts(Outcome::Done)),
        ("running", attempts(Outcome::Running)),
        ("failed", attempts(Outcome::Failed)),
        ("paused", steps().flat_map(|step| &step.attempts).any(|a| matches!(a.outcome, Outcome::Paused { .. }))),
        ("wetted again", steps().any(|step| (0..step.attempts.len()).any(|number| step.is_re_wet(number)))),
        ("pinned day", steps().any(|step| step.pin.day.is_some())),
        ("short-handed", situation.crews.iter().any(|crew| !crew.short_handed.is_empty())),
        ("outage", situation.equipment.iter().any(|kind| !kind.outages.is_empty())),
        ("closure", situation.houses.iter().any(|house| !house.closures.is_empty())),
        ("pinned crew", steps().any(|step| step.pin.crew.is_some())),
        ("pinned start", steps().any(|step| step.pin.start.is_some())),
        ("not before", steps().any(|step| step.pin.not_before.is_some())),
        ("absence", situation.crews.iter().any(|crew| !crew.absences.is_empty())),
        ("holiday", situation.crews.iter().any(|crew| !crew.calendar.exceptions().is_empty())),
        ("known way", !situation.known_ways.is_empty()),
        ("release ahead", situation.jobs.iter().any(|job| job.release > situation.now)),
    ];
    for (feature, present) in features {
        *counts.entry(feature).or_default() += usize::from(present);
    }
}

#[test]
fn ten_thousand_companies_are_valid_and_varied() {
    let mut counts = BTreeMap::new();
    for seed in 0..10_000 {
        let size = [Size::tiny(), Size::small(), Size::medium()][seed as usize % 3];
        let situation = if seed % 2 == 0 { company(seed, size) } else { troubled(seed, size) };
        check(&situation, size);
        features(&situation, &mut counts);
    }
    let rare: Vec<_> = counts.iter().filter(|(_, count)| **count < 50).collect();
    assert!(rare.is_empty(), "hardly ever drawn: {rare:?}");
}

/// A plan that leaves everything open is clean, whatever has happened: the history that is drawn breaks no rule.
#[test]
fn nothing_planned_is_a_clean_plan() {
    for seed in 0..2_000 {
        let size = [Size::tiny(), Size::small(), Size::medium()][seed as usize % 3];
        let situation = troubled(seed, size);
        let mut idle = world::plan(&situation, vec![]);
        // Running steps hold gear, which the builder of plans does not hand out.
        hand_out_units(&situation, &mut idle);
        let report = audit(&situation, &idle);
        assert!(report.is_clean(), "seed {seed}: {:?}", report.violations);
    }
}

fn hand_out_units(situation: &Situation, plan: &mut tackfree::domain::plan::Plan) {
    let mut next = vec![0; situation.equipment.len()];
    for placement in &mut plan.placements {
        let step = situation.jobs[placement.step.job.index()].chain.step(placement.step.step);
        if step.attempts.last().is_some_and(|last| last.outcome == Outcome::Running) {
            for &(equipment, needed) in &step.equipment {
                for _ in 0..needed {
                    placement.units.push(tackfree::domain::plan::UnitUse { equipment, unit: next[equipment.index()] });
                    next[equipment.index()] += 1;
                }
            }
        }
    }
}

#[test]
fn fleets_have_exactly_the_size_asked_for() {
    for (houses, crews) in [(40, 8), (100, 20)] {
        let situation = fleet(7, houses, crews);
        assert_eq!((situation.houses.len(), situation.jobs.len(), situation.crews.len()), (houses, houses, crews));
        assert!((15..=17).contains(&(situation.steps().count() / houses)));
    }
}
