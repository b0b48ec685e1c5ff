//! Plans of few steps are as cheap as can be, and say so. The companies are made up (`benchmark/small.py`, problems 17, 34 and 59); the
//! optimum was proved for each by a general-purpose solver with a model of its own of the rules and the cost (Google OR-Tools CP-SAT
//! 9.15, `benchmark/cpsat.py`).

use tackfree::audit::audit;
use tackfree::domain::situation::Situation;
use tackfree::planner::{Request, plan};

/// Steps, and what the cheapest plan costs.
const OPTIMA: [(&str, usize, i64); 3] = [
    (include_str!("../data/small/17.json"), 29, 22_345),
    (include_str!("../data/small/34.json"), 29, 13_375),
    (include_str!("../data/small/59.json"), 16, 7_141),
];

fn problem(text: &str) -> Situation {
    let file: tackfree::dto::PlanningFile = serde_json::from_str(text).unwrap();
    tackfree::dto::situation_of(&file).unwrap()
}

/// The two houses of problem 17 share a sander: one is begun a day later, for a day's way would be for nothing, and hands its floor
/// from crew to crew and back. The search alone ends 63 points above that.
#[test]
fn few_steps_are_planned_at_the_optimum_and_that_is_proved() {
    for (text, steps, optimum) in OPTIMA {
        let situation = problem(text);
        assert_eq!(situation.steps().count(), steps);
        let made = plan(&situation, Request::new());
        assert!(audit(&situation, &made).is_clean());
        assert_eq!((made.cost.total(), made.lower_bound), (optimum, optimum), "of {steps} steps");
    }
}

/// With so few moves that not all plans can be looked at, nothing is proved, and the bound is below the optimum.
#[test]
fn what_was_not_looked_at_is_not_called_proved() {
    let (text, _, optimum) = OPTIMA[0];
    let made = plan(&problem(text), Request::new().with_moves(10));
    assert!(made.cost.total() >= optimum);
    assert!(made.lower_bound < optimum, "{}", made.lower_bound);
}
