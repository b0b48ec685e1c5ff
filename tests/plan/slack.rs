//! How much later a step may be: by hand, and on generated companies as the audit judges it.

use crate::common::generate::{Size, company};
use crate::common::world::{at, job, lag, new_york, place, plan, priced, situation, step, step_ref};
use tackfree::audit::audit;
use tackfree::domain::plan::{Placement, Plan};
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;
use tackfree::planner::slack::{Slack, slack};
use tackfree::planner::{Request, plan as plan_with};

fn monday(clock: &str) -> Minute {
    at(new_york(), &format!("2026-03-02 {clock}"))
}

#[test]
fn a_step_may_wait_for_its_successor_and_its_crew() {
    let mut world = situation(monday("08:00"));
    let steps = vec![step("sand", 60), step("vacuum", 60)];
    world.jobs = vec![job("elm", 0, steps, vec![lag(0, 1, 30)]), job("oak", 1, vec![step("sand", 60)], Vec::new())];
    world.jobs[0].due = Some(monday("17:00"));
    let placements = vec![
        place(&world, (0, 0), 0, monday("08:00")),
        place(&world, (0, 1), 0, monday("14:00")),
        place(&world, (1, 0), 0, monday("15:30")),
    ];
    let made = plan(&world, placements);
    let found = |job, step| slack(&world, &made, step_ref(job, step)).unwrap();
    // Sanding for an hour, the noon break, half an hour's wait that ends at 13:30 as well: no later than eleven, so that it is done
    // before noon; or from one to half past one it would be too late for two o'clock. For five o'clock: sanding until half past
    // three at the latest.
    assert_eq!(found(0, 0), Slack { in_place: monday("11:00"), for_date: Some(monday("14:30")) });
    // Nothing follows, so it may be after Oak as well, until the horizon ends on the Monday four weeks on.
    let friday = at(new_york(), "2026-03-27 16:00");
    assert_eq!(found(0, 1), Slack { in_place: friday, for_date: Some(monday("16:00")) });
    assert_eq!(found(1, 0), Slack { in_place: friday, for_date: None });
}

#[test]
fn a_date_that_cannot_be_made_gives_no_latest_start() {
    let mut world = situation(monday("08:00"));
    world.jobs = vec![job("elm", 0, vec![step("sand", 120)], Vec::new())];
    world.jobs[0].due = Some(monday("09:30"));
    let made = plan(&world, vec![place(&world, (0, 0), 0, monday("08:00"))]);
    assert_eq!(slack(&world, &made, step_ref(0, 0)).unwrap().for_date, None);
}

/// The plan with one step elsewhere.
fn moved(situation: &Situation, made: &Plan, which: usize, start: Minute) -> Plan {
    let mut plan = made.clone();
    let was = &made.placements[which];
    let crew = was.crew.0;
    plan.placements[which] = Placement {
        moved_because: was.moved_because,
        ..place(situation, (was.step.job.0, was.step.step.0), crew, start)
    };
    priced(situation, plan)
}

/// Where the audit lets a step be with everything else in place, and where it does not.
#[test]
fn the_audit_agrees_on_the_latest_start_in_place() {
    let (mut later, mut checked) = (0, 0);
    for seed in 1..=25u64 {
        let situation = company(seed, Size::small());
        let made = plan_with(&situation, Request::anew().with_moves(20).with_seed(seed));
        for (which, placed) in made.placements.iter().enumerate() {
            let chain = &situation.jobs[placed.step.job.index()].chain;
            let spec = chain.step(placed.step.step);
            let joined = chain.waits().iter().any(|wait| {
                let touches = wait.from == placed.step.step || wait.to == placed.step.step;
                touches && (wait.kind == tackfree::domain::chain::WaitKind::Dwell || wait.max.is_some())
            });
            let short_handed = !situation.crews[placed.crew.index()].short_handed.is_empty();
            if spec.fixed().is_some() || spec.dividable || !spec.equipment.is_empty() || joined || short_handed {
                continue;
            }
            let Some(found) = slack(&situation, &made, placed.step) else { continue };
            checked += 1;
            later += usize::from(found.in_place > placed.start());
            let clean = |start: Minute| audit(&situation, &moved(&situation, &made, which, start)).is_clean();
            let told = format!("seed {seed}, {placed:?}, {found:?}");
            assert!(clean(found.in_place), "{told}");
            for minutes in [1, 2, 10, 60, 600, 1440, 7 * 1440] {
                assert!(!clean(found.in_place.plus(minutes)), "{minutes} minutes later: {told}");
            }
            // A plan that makes the date is no later than the latest start for it.
            let job = &situation.jobs[placed.step.job.index()];
            let own = made.placements.iter().filter(|one| one.step.job == placed.step.job);
            let whole = !made.unplaced.iter().any(|one| one.step.job == placed.step.job);
            if let (Some(due), Some(finish)) = (job.due, own.map(Placement::finish).max())
                && finish <= due
                && whole
            {
                assert!(found.for_date.is_some_and(|latest| latest >= placed.start()), "{told}");
            }
        }
    }
    assert!(checked > 60 && later > 30, "{later} of {checked}");
}
