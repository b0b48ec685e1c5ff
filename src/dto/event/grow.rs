//! A job that is more work than was thought: steps and waits are added to its chain, each new step behind the last of
//! those it waits for.

use super::super::fault::{Located, shown};
use super::super::job::JobDto;
use super::super::step::StepDto;
use super::super::wait::WaitDto;
use super::JobGrown;
use super::heed::{Heard, Hearing};
use crate::domain::fault::Fault;

impl JobDto {
    /// Adds steps and waits to a job with a chain of its own. What is there already in the same words is left; areas are
    /// the house's matter. The chain as a whole is not judged.
    ///
    /// # Errors
    /// When it has no chain of its own.
    pub fn grow(&mut self, grown: &JobGrown) -> Hearing {
        let (Some(steps), waits) = (self.steps.as_mut(), self.waits.get_or_insert_default()) else {
            let what = format!("job {} has no chain of its own", shown(&self.key));
            let fault = Fault::new("chain-given-once", what, "give the job its own copy of the method's chain first");
            return Err(vec![Located { pointer: "/job".to_owned(), fault }]);
        };
        let taken = |step: &&StepDto| steps.iter().any(|known| known.key == step.key && known != *step);
        if let Some(step) = grown.steps.iter().find(taken) {
            let what = format!("the job has another step {} already", shown(&step.key));
            return Ok(Heard::Against(Fault::new("duplicate-key", what, "give the new step a key of its own")));
        }
        let between = |wait: &WaitDto, known: &WaitDto| (&known.from, &known.to) == (&wait.from, &wait.to);
        let other = |wait: &&WaitDto| waits.iter().any(|known| between(wait, known) && known != *wait);
        if let Some(wait) = grown.waits.iter().find(other) {
            let what = format!("the job has another wait from {} to {}", shown(&wait.from), shown(&wait.to));
            return Ok(Heard::Against(Fault::new("duplicate-wait", what, "change the wait with the job")));
        }
        let exists = |key: &String| steps.iter().chain(&grown.steps).any(|step| step.key == *key);
        let unknown = grown.waits.iter().flat_map(|wait| [&wait.from, &wait.to]).find(|key| !exists(key));
        if let Some(key) = unknown {
            let what = format!("a wait names step {}, which the job does not have", shown(key));
            return Ok(Heard::NotYet(Fault::new("unknown-step", what, "tell of that step, too")));
        }
        let mut changed = false;
        for wait in &grown.waits {
            if !waits.iter().any(|known| between(wait, known)) {
                waits.push(wait.clone());
                changed = true;
            }
        }
        in_one_order(waits);
        let mut placed: Vec<&str> = Vec::new();
        for step in &grown.steps {
            if !steps.iter().any(|known| known.key == step.key) {
                let place = place_of(&step.key, steps, waits, &placed);
                steps.insert(place, step.clone());
                placed.push(&step.key);
                changed = true;
            }
        }
        Ok(if changed { Heard::Changed } else { Heard::Known })
    }

    /// Takes back what `grown` has added, as far as it is still there in the same words: for whoever adds something before
    /// it and then it again.
    pub fn shrink(&mut self, grown: &JobGrown) {
        if let Some(waits) = &mut self.waits {
            waits.retain(|wait| !grown.waits.contains(wait));
        }
        if let Some(steps) = &mut self.steps {
            steps.retain(|step| !grown.steps.contains(step));
        }
    }
}

/// The order in which waits are listed means nothing: it is the same whatever came first.
pub(crate) fn in_one_order(waits: &mut [WaitDto]) {
    waits.sort_by(|a, b| (&a.from, &a.to).cmp(&(&b.from, &b.to)));
}

/// Right behind the last step it waits for, and those of the same growth that are behind that one already.
fn place_of(key: &str, steps: &[StepDto], waits: &[WaitDto], placed: &[&str]) -> usize {
    let before = |step: &StepDto| waits.iter().any(|wait| wait.from == step.key && wait.to == key);
    let mut place = steps.iter().rposition(before).map_or(0, |last| last + 1);
    while steps.get(place).is_some_and(|next| placed.contains(&next.key.as_str())) {
        place += 1;
    }
    place
}
