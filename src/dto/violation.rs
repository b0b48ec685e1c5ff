//! What the audit says about a plan, on the wire.

use super::blocker::StepRefDto;
use crate::audit::Violation;
use crate::domain::situation::Situation;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A rule that a plan breaks.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ViolationDto {
    /// Number of the rule in `docs/rules.md`; 0 for what the plan says wrongly about itself.
    #[schema(minimum = 0, maximum = 11, example = 2)]
    pub rule: u8,
    /// Stable, for programs.
    #[schema(example = "double-booked")]
    pub code: String,
    /// What is wrong, in a sentence. Times are local to the step's house.
    pub what: String,
    /// The step that breaks the rule, if it is one of the situation's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step: Option<StepRefDto>,
    /// Key of its house.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub house: Option<String>,
}

impl ViolationDto {
    /// By keys.
    pub fn from_domain(violation: &Violation, situation: &Situation) -> ViolationDto {
        let step = violation.step();
        let job = step.and_then(|step| situation.jobs.get(step.job.index()));
        let known = step.filter(|step| job.is_some_and(|job| step.step.index() < job.chain.steps().len()));
        ViolationDto {
            rule: violation.rule(),
            code: violation.code().to_string(),
            what: violation.explain(situation),
            step: known.map(|step| StepRefDto::from_domain(step, situation)),
            house: job.map(|job| situation.houses[job.house.index()].key.to_string()),
        }
    }
}
