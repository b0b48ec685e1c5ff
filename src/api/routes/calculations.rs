//! Calculations: a question in, its answer out, nothing kept. Each has its own address, so that the document can say what
//! it takes and gives.

use super::super::body::Body;
use super::super::caller::{Anybody, Caller};
use super::super::problem::Problem;
use super::super::reply::Reply;
use crate::calculate::air::{AirAnswer, AirQuestion};
use crate::calculate::{Calculation, QUESTION_BYTES_MAX};
use crate::dto::FaultDto;
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

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(air);
}
