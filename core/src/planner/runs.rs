//! Runs: steps joined by dwells, which one crew does in one go. Which steps they are, and when each begins in the run.

use super::model::Part;
use super::spans::{NEVER, T};
use crate::domain::chain::{Chain, WaitKind};
use crate::domain::ids::StepIx;

/// The steps of `chain` as runs: steps joined by dwells, fixed ones always alone.
pub fn runs(chain: &Chain) -> Vec<Vec<StepIx>> {
    let open = |step: StepIx| chain.step(step).fixed().is_none();
    let dwell_after = |step: StepIx| {
        chain
            .waits()
            .iter()
            .find(|w| w.kind == WaitKind::Dwell && w.from == step && open(w.from) && open(w.to))
            .map(|w| w.to)
    };
    let second: Vec<StepIx> = (0..chain.steps().len()).map(StepIx::from_index).filter_map(dwell_after).collect();
    let mut out = Vec::new();
    // Predecessors first: the rest of a begun run looks up what it joins.
    for &first in chain.order().iter().filter(|step| !second.contains(step)) {
        let mut run = vec![first];
        while let Some(next) = run.last().and_then(|last| dwell_after(*last)) {
            run.push(next);
        }
        out.push(run);
    }
    out
}

/// Offsets of the steps of a run for a crew of `head_count`: each dwell as short as it may be, so that it holds from
/// start to start and from finish to finish. `None` when no dwell does both.
pub fn run_parts(chain: &Chain, run: &[StepIx], head_count: u32) -> Option<Vec<Part>> {
    let length = |step: StepIx| chain.step(step).duration_minutes(head_count).min(i64::from(NEVER / 4)) as T;
    let mut parts = vec![Part { offset: 0, length: length(run[0]) }];
    for pair in run.windows(2) {
        let wait = chain.waits().iter().find(|w| w.kind == WaitKind::Dwell && w.from == pair[0] && w.to == pair[1])?;
        let (min, max) = (wait.min_minutes as T, wait.max.map_or(wait.min_minutes, |max| max.minutes) as T);
        let before = parts[parts.len() - 1];
        let own = length(pair[1]);
        let lag = min.max(min + before.length - own);
        if lag > max || lag + own - before.length > max {
            return None;
        }
        parts.push(Part { offset: before.offset + lag, length: own });
    }
    Some(parts)
}
