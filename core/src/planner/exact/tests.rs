//! Small problems by hand: what is found, and what may be called proved.

use super::super::model::{Activity, Anchor, Arc, Crew, Mode, Part, Place as ModelPlace};
use super::super::score::{Fixed, JobWeights};
use super::super::spans::{NEVER, Spans, T};
use super::*;
use crate::domain::situation::CostWeights;

/// An hour of one crew, from eight to four, and after it an hour of another, from noon to four, after `max` minutes at most.
fn early_and_late(max: T) -> Model {
    let mut model = Model { end: 7 * 1440, job_count: 1, ..Model::default() };
    let days = |from: T| Spans::new((0..7).map(|day| (day * 1440 + from, day * 1440 + 960)).collect());
    model.calendars = vec![Spans::always(), days(480), days(720)];
    model.crews = [1, 2].map(|calendar| Crew { calendar, regular: calendar, days: NONE }).to_vec();
    model.crew_taken = vec![Vec::new(); 2];
    model.places = vec![ModelPlace { access: 0 }];
    model.ways = vec![0];
    for crew in 0..2 {
        let own = crew..crew + 1;
        model.parts.push(Part { offset: 0, length: 60 });
        let hours = model.crews[crew as usize].calendar;
        model.modes.push(Mode { crew, calendar: hours, hours, length: 60, parts: own.clone(), gates: 0..0 });
        model.activities.push(Activity::plain(0, 0, own));
    }
    let (from_part, to_part, anchor, dry, overnight, extra) = (0, 0, Anchor::Finish, NONE, NONE, NONE);
    let lag = Arc { from: 0, to: 1, from_part, to_part, anchor, min: 0, dry, overnight, max, extra, keep_off: false };
    model.arcs = vec![lag];
    model.index();
    model
}

/// What is proved of the plan in which both work at noon of the second day, a point for each minute until the house is finished;
/// and when it is finished then.
fn finished(model: &Model) -> (Option<i64>, T) {
    let cost = CostWeights {
        finish_minute: 1,
        hand_over: 0,
        overtime_minute: 0,
        unplaced_step: 1_000_000,
        ..CostWeights::default()
    };
    let jobs = vec![JobWeights { weight: 1, due: NEVER, release: 0 }];
    let fixed = Fixed { steps: vec![vec![0], vec![1]], crew: vec![NONE; 2], busy: vec![Vec::new(); 2] };
    let weights = Weights::new(cost, jobs, Vec::new(), model, fixed);
    let mut state = State::new(model, &[None, None]);
    let mut generator = Generator::new(2);
    for (activity, start) in [(0, 1440 + 700), (1, 1440 + 760)] {
        let place = state.fits(activity, activity, start).unwrap();
        generator.put(&mut state, activity, place);
    }
    let proved = finish(&weights, &mut state, &mut generator, 1_000);
    (proved, state.place(1).unwrap().finish)
}

/// By hand: the first hour at eight, the second at noon.
#[test]
fn the_cheapest_plan_is_found_and_proved() {
    assert_eq!(finished(&early_and_late(NEVER)), (Some(780), 780));
    assert_eq!(finished(&early_and_late(240)), (Some(780), 780));
}

/// By hand: with half an hour between them the first has to wait until half past ten, as no plan that is looked at does. What is
/// known is the plan of the second day, and that it is the cheapest would be wrong.
#[test]
fn where_a_maximum_is_in_the_way_nothing_is_proved() {
    assert_eq!(finished(&early_and_late(30)), (None, 1440 + 820));
}
