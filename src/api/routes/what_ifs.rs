//! Questions that are planned and not kept: what if, and when could you.

use super::super::Api;
use super::super::body::{Body, FORECAST_BYTES_MAX};
use super::super::caller::{Caller, Lookers, Office};
use super::super::problem::{PROBLEM_JSON, Problem, ProblemBody};
use super::super::reply::Reply;
use crate::domain::fault::Fault;
use crate::service::{MOVE_BUDGET_MAX, PromiseBody, PromiseView, ServiceError, WhatIfBody, WhatIfView};
use actix_web::{HttpResponse, post, web};
use utoipa_actix_web::service_config::ServiceConfig;

fn bounded(move_budget: u64) -> Result<(), Problem> {
    if move_budget <= MOVE_BUDGET_MAX {
        return Ok(());
    }
    let fault =
        Fault::new("out-of-range", format!("{move_budget} moves"), format!("ask for at most {MOVE_BUDGET_MAX}"));
    Err(ServiceError::fault("/move_budget", fault).into())
}

/// Ask what would be otherwise if something happened: a crew off on Thursday, a second sander, a house begun on the 12th.
/// Planned on a copy of everything known, judged, and held against what is promised. Nothing is kept.
#[utoipa::path(
    tag = "questions",
    operation_id = "ask what if",
    request_body = WhatIfBody,
    responses(
        (status = 200, description = "What would be otherwise", body = WhatIfView),
        (status = 409, description = "The company's documents do not fit together", body = ProblemBody,
            content_type = PROBLEM_JSON),
        (status = 429, description = "Other questions are being worked out", body = ProblemBody,
            content_type = PROBLEM_JSON),
        (status = 500, description = "The audit refused the planner's plan", body = ProblemBody,
            content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "viewer"])))
)]
#[post("/what-ifs")]
async fn what_if(
    api: web::Data<Api>,
    caller: Caller<Lookers>,
    body: Body<WhatIfBody, FORECAST_BYTES_MAX>,
) -> Result<HttpResponse, Problem> {
    bounded(body.value.move_budget)?;
    let view = api.service.what_if(caller.company, body.value).await?;
    Ok(Reply::ok(&view)?.send())
}

/// Ask when one more job could be finished: so that nothing promised moves, and sooner, with what that costs and whom it
/// touches. Nothing is kept.
#[utoipa::path(
    tag = "questions",
    operation_id = "ask for promise",
    request_body = PromiseBody,
    responses(
        (status = 200, description = "What can be promised", body = PromiseView),
        (status = 409, description = "The company's documents do not fit together", body = ProblemBody,
            content_type = PROBLEM_JSON),
        (status = 429, description = "Other questions are being worked out", body = ProblemBody,
            content_type = PROBLEM_JSON),
        (status = 500, description = "The audit refused the planner's plan", body = ProblemBody,
            content_type = PROBLEM_JSON)
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/promises")]
async fn promise(
    api: web::Data<Api>,
    caller: Caller<Office>,
    body: Body<PromiseBody>,
) -> Result<HttpResponse, Problem> {
    bounded(body.value.move_budget)?;
    let view = api.service.offers(caller.company, body.value).await?;
    Ok(Reply::ok(&view)?.send())
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(what_if).service(promise);
}
