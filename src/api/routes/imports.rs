//! Tables that are taken in.

use super::super::Api;
use super::super::body::CsvBody;
use super::super::caller::{Caller, Office};
use super::super::once::Once;
use super::super::problem::Problem;
use super::super::reply::Reply;
use crate::service::{ImportView, ServiceError};
use crate::store::Session;
use actix_web::{HttpRequest, HttpResponse, post, web};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

/// How a table is taken in.
#[derive(Debug, Clone, Copy, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct ImportQuery {
    /// `true`: everything is looked at and nothing is kept.
    #[param(default = false)]
    #[serde(default)]
    dry_run: bool,
}

async fn import(
    (api, caller, request): (&Api, &Caller<Office>, &HttpRequest),
    query: ImportQuery,
    body: &CsvBody,
    take: impl AsyncFnOnce(&mut Session, &str) -> Result<ImportView, ServiceError>,
) -> Result<HttpResponse, Problem> {
    if query.dry_run {
        // Never committed.
        let mut session = api.service.store().session(caller.company).await?;
        let view = ImportView { dry_run: true, ..take(&mut session, &body.text).await? };
        return Ok(Reply::ok(&view)?.send());
    }
    let once = Once::new(api, caller, request, &body.sha256)?;
    once.run(async |session| Reply::ok(&take(session, &body.text).await?)).await
}

/// Take in a table of houses, one a row: new ones are added, those whose key is known are changed where the table has a
/// column for it. With a fault in any row nothing is kept; pointers are `/ROW/COLUMN`, rows counted under the header.
#[utoipa::path(
    tag = "houses",
    operation_id = "import houses",
    params(ImportQuery),
    request_body(content = String, content_type = "text/csv", description = "With a header; see docs/take-along.md"),
    responses((status = 200, description = "What became of each row", body = ImportView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/imports/houses")]
async fn houses(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    query: web::Query<ImportQuery>,
    body: CsvBody,
) -> Result<HttpResponse, Problem> {
    let service = &api.service;
    let take = async |session: &mut Session, text: &str| service.import_houses(session, text).await;
    import((&api, &caller, &request), query.into_inner(), &body, take).await
}

/// Take in a table of crews, as houses are.
#[utoipa::path(
    tag = "crews",
    operation_id = "import crews",
    params(ImportQuery),
    request_body(content = String, content_type = "text/csv", description = "With a header; see docs/take-along.md"),
    responses((status = 200, description = "What became of each row", body = ImportView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/imports/crews")]
async fn crews(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    query: web::Query<ImportQuery>,
    body: CsvBody,
) -> Result<HttpResponse, Problem> {
    let service = &api.service;
    let take = async |session: &mut Session, text: &str| service.import_crews(session, text).await;
    import((&api, &caller, &request), query.into_inner(), &body, take).await
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(houses).service(crews);
}
