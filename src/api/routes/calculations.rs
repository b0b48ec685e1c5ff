//! Calculations: a question in, its answer out, nothing kept. Each has its own address, so that the document can say what
//! it takes and gives.

use super::super::body::Body;
use super::super::caller::{Anybody, Caller};
use super::super::problem::Problem;
use super::super::reply::Reply;
use crate::calculate::air::{AirAnswer, AirQuestion};
use crate::calculate::customer_dates::CustomerDatesQuestion;
use crate::calculate::drying::{DryingAnswer, DryingQuestion};
use crate::calculate::gate::{GateAnswer, GateQuestion};
use crate::calculate::meter_check::MeterCheckQuestion;
use crate::calculate::quantities::{QuantitiesAnswer, QuantitiesQuestion};
use crate::calculate::recheck::RecheckQuestion;
use crate::calculate::treatment_sections::TreatmentSectionsQuestion;
use crate::calculate::{Calculation, QUESTION_BYTES_MAX};
use crate::dto::{CustomerDatesDto, FaultDto, PredictionDto, SectionPlanDto, VerdictDto};
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

/// Whether a floor's readings pass: every area within a point of the floor's mean, enough readings, nothing far off.
#[utoipa::path(
    tag = "calculations",
    operation_id = "calculate meter check",
    request_body = MeterCheckQuestion,
    responses((status = 200, description = "The verdict", body = VerdictDto)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[post("/calculations/meter-check")]
async fn meter_check(_: Caller<Anybody>, question: Asked<MeterCheckQuestion>) -> Result<HttpResponse, Problem> {
    answered(&question.value)
}

/// When a floor that has failed its check will pass, from two or more failed rounds.
#[utoipa::path(
    tag = "calculations",
    operation_id = "calculate recheck",
    request_body = RecheckQuestion,
    responses((status = 200, description = "The time, with an interval of four chances in five", body = PredictionDto)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[post("/calculations/recheck")]
async fn recheck(_: Caller<Anybody>, question: Asked<RecheckQuestion>) -> Result<HttpResponse, Problem> {
    answered(&question.value)
}

/// When a customer may do what on a new floor, from the finish of its last coat.
#[utoipa::path(
    tag = "calculations",
    operation_id = "calculate customer dates",
    request_body = CustomerDatesQuestion,
    responses((status = 200, description = "The answer", body = CustomerDatesDto)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[post("/calculations/customer-dates")]
async fn customer_dates(_: Caller<Anybody>, question: Asked<CustomerDatesQuestion>) -> Result<HttpResponse, Problem> {
    answered(&question.value)
}

/// What a floor takes of its products, and whole containers to buy.
#[utoipa::path(
    tag = "calculations",
    operation_id = "calculate quantities",
    request_body = QuantitiesQuestion,
    responses((status = 200, description = "The answer", body = QuantitiesAnswer)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[post("/calculations/quantities")]
async fn quantities(_: Caller<Anybody>, question: Asked<QuantitiesQuestion>) -> Result<HttpResponse, Problem> {
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
    config.service(air).service(customer_dates).service(drying).service(gate).service(meter_check);
    config.service(quantities).service(recheck).service(treatment_sections);
}
