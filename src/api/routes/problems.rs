//! Pages about the kinds of problems, where their types point to.

use super::super::problem::Problem;
use super::super::registry::{self, Kind};
use super::super::reply::Reply;
use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, web};
use maud::{DOCTYPE, Markup, html};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;

/// A kind of problem.
#[derive(Debug, Serialize, ToSchema)]
struct ProblemKindBody {
    /// Stable, for programs.
    code: &'static str,
    /// Of replies with it.
    #[schema(value_type = u16)]
    status: u16,
    /// What it means.
    title: &'static str,
    /// What would make it right.
    cure: &'static str,
}

impl From<&Kind> for ProblemKindBody {
    fn from(kind: &Kind) -> ProblemKindBody {
        ProblemKindBody { code: kind.code, status: kind.status.as_u16(), title: kind.title, cure: kind.cure }
    }
}

fn wants_page(request: &HttpRequest) -> bool {
    let accept = request.headers().get(header::ACCEPT).and_then(|accept| accept.to_str().ok());
    accept.is_some_and(|accept| accept.contains("text/html"))
}

fn page(title: &str, kinds: &[&Kind]) -> HttpResponse {
    let body: Markup = html! {
        (DOCTYPE)
        html lang="en" {
            head { meta charset="utf-8"; meta name="viewport" content="width=device-width"; title { (title) } }
            body {
                main {
                    h1 { (title) }
                    @for kind in kinds {
                        h2 { a href={ "/problems/" (kind.code) } { code { (kind.code) } } " (" (kind.status.as_u16()) ")" }
                        p { (kind.title) "." }
                        p { (kind.cure) }
                    }
                }
            }
        }
    };
    HttpResponse::Ok().content_type("text/html; charset=utf-8").body(body.into_string())
}

/// All kinds of problems.
#[utoipa::path(
    tag = "server",
    operation_id = "list problems",
    responses((status = 200, description = "All kinds", body = Vec<ProblemKindBody>))
)]
#[get("/problems/")]
async fn list(request: HttpRequest) -> Result<HttpResponse, Problem> {
    if wants_page(&request) {
        return Ok(page("Problems", &registry::ALL.iter().collect::<Vec<_>>()));
    }
    let kinds: Vec<ProblemKindBody> = registry::ALL.iter().map(ProblemKindBody::from).collect();
    Ok(Reply::ok(&kinds)?.send())
}

/// One kind of problem.
#[utoipa::path(
    tag = "server",
    operation_id = "show problem",
    params(("code" = String, Path, description = "Its code")),
    responses((status = 200, description = "What it means and what helps", body = ProblemKindBody))
)]
#[get("/problems/{code}")]
async fn show(request: HttpRequest, code: web::Path<String>) -> Result<HttpResponse, Problem> {
    let kind = registry::find(&code);
    let kind = kind.ok_or_else(|| Problem::new(registry::NOT_FOUND, "there is no such kind of problem"))?;
    if wants_page(&request) {
        Ok(page(kind.title, &[kind]))
    } else {
        Ok(Reply::ok(&ProblemKindBody::from(kind))?.send())
    }
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(list).service(show);
}
