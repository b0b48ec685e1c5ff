//! For whoever watches the server.

use super::super::Api;
use super::super::problem::Problem;
use super::super::reply::Reply;
use actix_web::{HttpResponse, get, web};
use serde_json::json;
use utoipa_actix_web::service_config::ServiceConfig;

/// Whether the program runs.
#[utoipa::path(
    tag = "server",
    operation_id = "health",
    responses((status = 200, description = "It runs", content_type = "application/json"))
)]
#[get("/healthz")]
async fn health() -> Result<HttpResponse, Problem> {
    Ok(Reply::ok(&json!({"status": "running", "version": env!("CARGO_PKG_VERSION")}))?.send())
}

/// Whether it can answer: whether the database does.
#[utoipa::path(
    tag = "server",
    operation_id = "ready",
    responses(
        (status = 200, description = "It can answer", content_type = "application/json"),
        (status = 503, description = "The database cannot be reached", body = super::super::ProblemBody,
            content_type = "application/problem+json")
    )
)]
#[get("/readyz")]
async fn ready(api: web::Data<Api>) -> Result<HttpResponse, Problem> {
    api.service.store().ping().await?;
    Ok(Reply::ok(&json!({"status": "ready"}))?.send())
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(health).service(ready);
}
