//! Which pins to drop: the fewest whose dropping lets everything be planned that can be planned without any pins. Every
//! guess is tried by planning; nothing is inferred.

use super::{Request, plan};
use crate::domain::chain::Pin;
use crate::domain::ids::StepRef;
use crate::domain::situation::Situation;
use std::collections::BTreeSet;

/// Plans that the search for the smallest set may make. All single pins of 30, all pairs of them and a few sets of three
/// come to 500; more than that nobody waits for.
pub const TRIALS_MAX: usize = 500;

/// Pins that are to blame for steps left out of a plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PinsToDrop {
    /// The pinned steps, sorted; never empty.
    pub steps: Vec<StepRef>,
    /// Whether no smaller set does; else only that none of these can be spared, because the search for the smallest set
    /// had to be given up after [`TRIALS_MAX`] plans.
    pub is_smallest: bool,
}

/// The smallest set of pins whose dropping lets everything be placed that is placed without any pins, as plans made by
/// `request` have it; of several of that size the one with the pins of left-out steps first. `None` when pins are not to
/// blame: dropping all of them would place nothing more.
///
/// Tries sets of growing size, at most [`TRIALS_MAX`] plans; then it drops all pins and takes back one after the other,
/// one plan each. `request` is best given a small `move_budget`.
pub fn pins_to_drop(situation: &Situation, request: Request) -> Option<PinsToDrop> {
    let pinned = pinned_steps(situation);
    if pinned.is_empty() {
        return None;
    }
    let left_out = |dropped: &[StepRef]| -> BTreeSet<StepRef> {
        let made = plan(&situation.without_pins(dropped), request);
        made.unplaced.into_iter().map(|unplaced| unplaced.step).collect()
    };
    let before = left_out(&[]);
    let never = if before.is_empty() { return None } else { left_out(&pinned) };
    if before.is_subset(&never) {
        return None;
    }
    let mut suspects = pinned;
    suspects.sort_by_key(|step| (!before.contains(step), *step));
    Some(smallest(&suspects, TRIALS_MAX, |dropped| left_out(dropped).is_subset(&never)))
}

/// Open ordinary steps with a pin, sorted.
fn pinned_steps(situation: &Situation) -> Vec<StepRef> {
    let pinned = |step: &StepRef| {
        let own = situation.jobs[step.job.index()].chain.step(step.step);
        own.fixed().is_none() && !own.only_on_lapse && own.pin != Pin::default()
    };
    situation.steps().filter(pinned).collect()
}

/// The smallest set of `suspects` that `suffices`, if `trials` are enough; all of them are known to.
fn smallest(suspects: &[StepRef], trials: usize, suffices: impl Fn(&[StepRef]) -> bool) -> PinsToDrop {
    let sorted = |mut steps: Vec<StepRef>| {
        steps.sort_unstable();
        steps
    };
    let mut left = trials;
    for size in 1..suspects.len() {
        let mut chosen: Vec<usize> = (0..size).collect();
        loop {
            let dropped: Vec<StepRef> = chosen.iter().map(|&at| suspects[at]).collect();
            if left == 0 {
                let steps = sorted(irreducible(suspects, suffices));
                // All smaller sets than this size have been tried.
                return PinsToDrop { is_smallest: steps.len() == size, steps };
            }
            left -= 1;
            if suffices(&dropped) {
                return PinsToDrop { steps: sorted(dropped), is_smallest: true };
            }
            if !next_choice(&mut chosen, suspects.len()) {
                break;
            }
        }
    }
    PinsToDrop { steps: sorted(suspects.to_vec()), is_smallest: true }
}

/// The next increasing choice of as many numbers below `count`; `false` after the last.
fn next_choice(chosen: &mut [usize], count: usize) -> bool {
    let size = chosen.len();
    let Some(at) = (0..size).rfind(|&at| chosen[at] < count - size + at) else { return false };
    chosen[at] += 1;
    for later in at + 1..size {
        chosen[later] = chosen[later - 1] + 1;
    }
    true
}

/// Drops all, and takes back what need not be dropped: those at the end of the list first.
fn irreducible(suspects: &[StepRef], suffices: impl Fn(&[StepRef]) -> bool) -> Vec<StepRef> {
    let mut dropped = suspects.to_vec();
    for at in (0..suspects.len()).rev() {
        let step = dropped.remove(at);
        if !suffices(&dropped) {
            dropped.insert(at, step);
        }
    }
    dropped
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::ids::{JobIx, StepIx};

    fn steps(numbers: &[usize]) -> Vec<StepRef> {
        numbers.iter().map(|&n| StepRef { job: JobIx(0), step: StepIx::from_index(n) }).collect()
    }

    /// Any pair that sums to five suffices, and so does what contains one.
    fn sums_to_five(dropped: &[StepRef]) -> bool {
        dropped.iter().any(|a| dropped.iter().any(|b| a.step.0 + b.step.0 == 5))
    }

    #[test]
    fn choices_come_in_order_and_end() {
        let mut chosen = vec![0, 1];
        let mut all = vec![chosen.clone()];
        while next_choice(&mut chosen, 4) {
            all.push(chosen.clone());
        }
        assert_eq!(all, [[0, 1], [0, 2], [0, 3], [1, 2], [1, 3], [2, 3]]);
    }

    #[test]
    fn the_smallest_set_is_found_and_said_to_be() {
        let all = steps(&[0, 1, 2, 3, 4, 5]);
        let exact = PinsToDrop { steps: steps(&[0, 5]), is_smallest: true };
        assert_eq!(smallest(&all, 500, sums_to_five), exact);
        let none_can_be_spared = smallest(&all, 500, |dropped| dropped.len() == 6);
        assert_eq!(none_can_be_spared, PinsToDrop { steps: all.clone(), is_smallest: true });
    }

    #[test]
    fn when_the_search_is_given_up_none_can_be_spared_all_the_same() {
        let all = steps(&[0, 1, 2, 3, 4, 5]);
        // Given up among the pairs: what is left is a pair, and so as small as can be.
        let pair = smallest(&all, 8, sums_to_five);
        assert!(pair.steps.len() == 2 && sums_to_five(&pair.steps) && pair.is_smallest, "{pair:?}");
        // Given up among the single ones.
        let pair = smallest(&all, 3, sums_to_five);
        assert!(pair.steps.len() == 2 && sums_to_five(&pair.steps) && !pair.is_smallest, "{pair:?}");
    }
}
