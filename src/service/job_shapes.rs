//! Jobs as they are shown.

use crate::dto::{FaultDto, JobDto};
use crate::store::JobStatus;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Where a job stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum JobStatusDto {
    /// Planned.
    Open,
    /// Left out of plans for now.
    OnHold,
    /// Called off.
    Cancelled,
    /// Over.
    Finished,
}

impl From<JobStatus> for JobStatusDto {
    fn from(status: JobStatus) -> JobStatusDto {
        match status {
            JobStatus::Open => JobStatusDto::Open,
            JobStatus::OnHold => JobStatusDto::OnHold,
            JobStatus::Cancelled => JobStatusDto::Cancelled,
            JobStatus::Finished => JobStatusDto::Finished,
        }
    }
}

impl From<JobStatusDto> for JobStatus {
    fn from(status: JobStatusDto) -> JobStatus {
        match status {
            JobStatusDto::Open => JobStatus::Open,
            JobStatusDto::OnHold => JobStatus::OnHold,
            JobStatusDto::Cancelled => JobStatus::Cancelled,
            JobStatusDto::Finished => JobStatus::Finished,
        }
    }
}

/// A job as it is shown: with its own chain, whatever method it came from.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct JobView {
    /// Steps, waits and the rest. What happened is in its records.
    #[serde(flatten)]
    pub job: JobDto,
    /// Where it stands.
    pub status: JobStatusDto,
    /// Key of the method that the chain was copied from.
    pub copied_from: Option<String>,
    /// Steps that no plan can place as things stand, and the like; only in replies to a change.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<FaultDto>,
}

/// A job in a list: without its chain.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct JobListed {
    /// Unique in the company.
    pub key: String,
    /// For people.
    pub name: String,
    /// Key of the house.
    pub house: String,
    /// Where it stands.
    pub status: JobStatusDto,
    /// Nothing of it starts earlier.
    pub release: String,
    /// When it should be finished.
    pub due: Option<String>,
    /// Key of the method that the chain was copied from.
    pub copied_from: Option<String>,
}
