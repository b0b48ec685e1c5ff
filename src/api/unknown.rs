//! Requests that no handler takes: at an address that exists, another method is to be used; all others lead nowhere.

use super::Api;
use super::problem::Problem;
use super::registry;
use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, ResponseError, web};
use std::collections::BTreeMap;
use utoipa::openapi::OpenApi;

/// Every documented address, in parts, and the methods it takes.
#[derive(Debug, Default)]
pub(super) struct Addresses(Vec<(Vec<Part>, Vec<&'static str>)>);

#[derive(Debug)]
enum Part {
    Fixed(String),
    /// A parameter, and what follows it in the same part.
    Any(String),
}

impl Addresses {
    /// Of a document.
    pub(super) fn of(document: &OpenApi) -> Addresses {
        let methods = |item: &utoipa::openapi::PathItem| {
            let known: BTreeMap<&'static str, bool> = BTreeMap::from([
                ("GET", item.get.is_some()),
                ("POST", item.post.is_some()),
                ("PUT", item.put.is_some()),
                ("PATCH", item.patch.is_some()),
                ("DELETE", item.delete.is_some()),
            ]);
            let mut methods: Vec<&'static str> =
                known.into_iter().filter(|(_, used)| *used).map(|(name, _)| name).collect();
            if methods.contains(&"GET") {
                methods.push("HEAD");
            }
            methods
        };
        let parts = |path: &str| path.split('/').map(part).collect();
        Addresses(document.paths.paths.iter().map(|(path, item)| (parts(path), methods(item))).collect())
    }

    /// Methods of the address, if there is one like that.
    fn methods(&self, path: &str) -> Option<String> {
        let given: Vec<&str> = path.split('/').collect();
        let like = |parts: &[Part]| {
            parts.len() == given.len()
                && parts.iter().zip(&given).all(|(part, given)| match part {
                    Part::Fixed(text) => text == given,
                    Part::Any(rest) => given.len() > rest.len() && given.ends_with(rest.as_str()),
                })
        };
        // `/v1/plans/published` is also like `/v1/plans/{id}`: what either takes is taken.
        let mut methods: Vec<&str> =
            self.0.iter().filter(|(parts, _)| like(parts)).flat_map(|(_, methods)| methods).copied().collect();
        methods.sort_unstable();
        methods.dedup();
        (!methods.is_empty()).then(|| methods.join(", "))
    }
}

fn part(text: &str) -> Part {
    match text.split_once('}') {
        Some((_, rest)) => Part::Any(rest.to_owned()),
        None => Part::Fixed(text.to_owned()),
    }
}

/// Whatever nobody else takes.
pub(super) async fn unknown(request: HttpRequest, api: web::Data<Api>) -> HttpResponse {
    match api.addresses.methods(request.path()) {
        Some(methods) => {
            let detail = format!("{} is not used with {}", request.path(), request.method());
            Problem::new(registry::METHOD_NOT_ALLOWED, detail).header(header::ALLOW, methods).error_response()
        }
        None => Problem::new(registry::UNKNOWN_PATH, "the address leads nowhere").error_response(),
    }
}
