//! Everything that the next plan would be made from, to be kept, replayed or sent to somebody who finds faults.

use super::super::Api;
use super::super::caller::{Caller, Office};
use super::super::problem::Problem;
use super::super::reply::Reply;
use crate::dto::PlanningFile;
use actix_web::{HttpRequest, HttpResponse, get, web};
use utoipa_actix_web::service_config::ServiceConfig;

/// The planning file of the company now: `plan FILE` on the command line replays it.
#[utoipa::path(
    tag = "plans",
    operation_id = "capture",
    responses((status = 200, description = "Now", body = PlanningFile)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[get("/planning-file")]
async fn capture(api: web::Data<Api>, caller: Caller<Office>, request: HttpRequest) -> Result<HttpResponse, Problem> {
    let file = api.service.capture(caller.company).await?;
    Ok(Reply::ok(&file)?.send_if_new(&request))
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(capture);
}
