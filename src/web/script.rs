//! Scripts of the pages: ES modules that come with the program, served under `/script/`. Their types are written in JSDoc
//! and checked by the compiler of TypeScript (see `tests/node`).

use super::reply;
use actix_web::{HttpRequest, HttpResponse, web};

/// Names and contents. What a module imports from another is here too.
const SCRIPTS: &[(&str, &str)] = &[
    ("copy", include_str!("script/copy.js")),
    ("request", include_str!("script/request.js")),
    ("table", include_str!("script/table.js")),
];

/// `GET /script/NAME.js`.
pub(super) async fn serve(request: HttpRequest, name: web::Path<String>) -> HttpResponse {
    match SCRIPTS.iter().find(|(known, _)| *known == name.as_str()) {
        Some((_, content)) => reply::revalidated(&request, "text/javascript; charset=utf-8", content),
        None => reply::nothing_here(),
    }
}
