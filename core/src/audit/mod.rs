//! The second opinion on any plan: every rule of `docs/rules.md` and the cost of `docs/cost.md`, judged from the input and
//! the plan alone. Nothing here is shared with the planner but the nouns of `domain` and the trade's formulas for one
//! hour of air. No plan is too absurd to be judged.
//!
//! | module | what |
//! |---|---|
//! | `violation`, `explain`, `words` | what can be wrong, and how it is told |
//! | `read`, `ledger` | the plan with every index looked up; rules 9 (history) and 11 |
//! | `hours`, `crews` | rules 1, 2, 3, and the access hours of 6 |
//! | `air`, `waits` | rules 4 and 5 |
//! | `rooms`, `keep_off`, `outages` | rules 6, 7 and 8 |
//! | `order` | rule 10, and pins |
//! | `promises`, `cause` | rule 9 (freeze time) |
//! | `obstacles` | every cause that keeps a moved step from where it was promised |
//! | `cost` | the cost, counted again |
//! | `sweep` | who meets whom at one place |

mod air;
mod cause;
mod cost;
mod crews;
mod explain;
mod hours;
mod keep_off;
mod ledger;
mod obstacles;
mod order;
mod outages;
mod promises;
mod read;
mod rooms;
mod sweep;
mod violation;
mod waits;
mod words;

pub use obstacles::obstacles;
pub use violation::{
    Able, Claim, Climate, Gear, History, InHouse, Named, OnePlace, Order, Shift, Violation, WaitMaximum, WaitMinimum,
    Whole,
};

use crate::domain::plan::{Cost, Plan};
use crate::domain::situation::Situation;

/// What the audit found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Report {
    /// Everything that is wrong, rule by rule; empty for a plan that may be published.
    pub violations: Vec<Violation>,
    /// The cost, counted again.
    pub cost: Cost,
}

impl Report {
    /// Whether the plan keeps all rules and says the truth about itself.
    pub fn is_clean(&self) -> bool {
        self.violations.is_empty()
    }
}

/// A plan with fewer placements is judged sooner than a second thread is there.
const PLACEMENTS_FOR_TWO_CORES: usize = 5_000;

/// Judges `plan` against `situation`. Never panics on a plan, however absurd, if the situation is one that the edge lets
/// in; takes time nearly proportional to the number of steps.
pub fn audit(situation: &Situation, plan: &Plan) -> Report {
    let mut violations = Vec::new();
    let out = &mut violations;
    if plan.now != situation.now {
        out.push(Violation::Claim(Claim::PlanForAnotherInstant { plan_now: plan.now }));
    }
    let (ledger, unplaced) = read::read(situation, plan, out);
    let hours = hours::Hours::new(&ledger);
    // Crews are nearly as much work as all the rest.
    let of_crews = |out: &mut Vec<Violation>| {
        crews::check(&ledger, &hours, out);
        order::check(&ledger, out);
    };
    let the_rest = |out: &mut Vec<Violation>| {
        let skies = air::Skies::new(&ledger);
        waits::check(&ledger, &skies, out);
        rooms::check(&ledger, &skies, out);
        outages::check(&ledger, out);
        promises::check(&ledger, &skies, out);
        cost::count(&ledger, &hours, unplaced)
    };
    let cost = if plan.placements.len() < PLACEMENTS_FOR_TWO_CORES {
        of_crews(out);
        the_rest(out)
    } else {
        let mut others = Vec::new();
        let cost = std::thread::scope(|scope| {
            let rest = scope.spawn(|| the_rest(&mut others));
            of_crews(out);
            rest.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
        });
        out.append(&mut others);
        cost
    };
    if plan.cost != cost {
        out.push(Violation::Claim(Claim::CostWrong { claimed: plan.cost, counted: cost }));
    }
    let total = cost::total(&cost);
    if plan.lower_bound > total {
        out.push(Violation::Claim(Claim::LowerBoundAboveCost { lower_bound: plan.lower_bound, cost: total }));
    }
    violations.sort_by_key(|violation| (violation.rule(), violation.step()));
    Report { violations, cost }
}
