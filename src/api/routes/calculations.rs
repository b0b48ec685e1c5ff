//! Calculations: a question in, its answer out, nothing kept. Each has its own address, so that the document can say what
//! it takes and gives.

use super::super::body::Body;
use super::super::caller::{Anybody, Caller};
use super::super::problem::Problem;
use super::super::reply::Reply;
use crate::calculate::air::{AirAnswer, AirQuestion};
use crate::calculate::drying::{DryingAnswer, DryingQuestion};
use crate::calculate::gate::{GateAnswer, GateQuestion};
use crate::calculate::treatment_sections::TreatmentSectionsQuestion;
use crate::calculate::{Calculation, QUESTION_BYTES_MAX};
use crate::dto::{FaultDto, SectionPlanDto};
use crate::service::ServiceError;
use actix_web::{HttpResponse, post};
use utoipa_actix_web::service_config::ServiceConfig;

/// A question.
type Asked<C> = Body<C, QUESTION_BYTES_MAX>;

fn answered<C: Calculation>(question: &C) -> Result<HttpResponse, Problem> {
    match question.answer() {
        Ok(answer) => Ok(Reply::ok(&answer)?.send()),
        Err(faults) => Err(ServiceError::Invalid(faults.iter().map(FaultDto::from).collect()).into()),
    }
}

/// What air means for a floor: dew point, the moisture wood comes to, how it bends drying times.
#[utoipa::path(
    tag = "calculations",
    operation_id = "calculate air",
    request_body = AirQuestion,
    responses((status = 200, description = "The answer", body = AirAnswer)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[post("/calculations/air")]
async fn air(_: Caller<Anybody>, question: Asked<AirQuestion>) -> Result<HttpResponse, Problem> {
    answered(&question.value)
}

/// When a wet floor is ready: the label's time bent by the air of the house.
#[utoipa::path(
    tag = "calculations",
    operation_id = "calculate drying",
    request_body = DryingQuestion,
    responses((status = 200, description = "The answer", body = DryingAnswer)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[post("/calculations/drying")]
async fn drying(_: Caller<Anybody>, question: Asked<DryingQuestion>) -> Result<HttpResponse, Problem> {
    answered(&question.value)
}

/// When work may be done: the spans in which the air is within a step's limits for the work and its hold time.
#[utoipa::path(
    tag = "calculations",
    operation_id = "calculate gate",
    request_body = GateQuestion,
    responses((status = 200, description = "The answer", body = GateAnswer)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[post("/calculations/gate")]
async fn gate(_: Caller<Anybody>, question: Asked<GateQuestion>) -> Result<HttpResponse, Problem> {
    answered(&question.value)
}

/// How a floor is treated in sections: how much may be rolled with part A before part B must follow, second by second;
/// with `happened`, the rest of it from what really happened.
#[utoipa::path(
    tag = "calculations",
    operation_id = "calculate treatment sections",
    request_body = TreatmentSectionsQuestion,
    responses((status = 200, description = "The answer", body = SectionPlanDto)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[post("/calculations/treatment-sections")]
async fn treatment_sections(
    _: Caller<Anybody>,
    question: Asked<TreatmentSectionsQuestion>,
) -> Result<HttpResponse, Problem> {
    answered(&question.value)
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(air).service(drying).service(gate).service(treatment_sections);
}
