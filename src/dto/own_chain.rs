//! A job's own copy of its chain: what its method says, with what the job changes in it. Here nothing is judged.

use super::job::JobDto;
use super::method::MethodDto;
use super::step::StepDto;
use super::wait::WaitDto;

impl JobDto {
    /// The job with steps and waits of its own in place of `method` and overrides. Overrides of what is not there are
    /// dropped, because [`super::assemble`] has refused them.
    pub fn with_own_chain(mut self, method: Option<&MethodDto>) -> JobDto {
        let (steps, waits) = match method {
            Some(method) => (method.steps.clone(), method.waits.clone()),
            None => (self.steps.take().unwrap_or_default(), self.waits.take().unwrap_or_default()),
        };
        let step = |step: StepDto| match self.overrides.iter().find(|patch| patch.step == step.key) {
            Some(patch) => patch.applied_to(&step),
            None => step,
        };
        let steps = steps.into_iter().map(step).collect();
        let wait = |wait: WaitDto| match self
            .wait_overrides
            .iter()
            .find(|patch| (&patch.from, &patch.to) == (&wait.from, &wait.to))
        {
            Some(patch) => patch.applied_to(&wait),
            None => wait,
        };
        let waits = waits.into_iter().map(wait).collect();
        JobDto {
            method: None,
            steps: Some(steps),
            waits: Some(waits),
            overrides: Vec::new(),
            wait_overrides: Vec::new(),
            ..self
        }
    }
}
