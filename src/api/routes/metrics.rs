//! The meters, for whoever watches the servers. Not part of the interface for offices and their programs, so not in its
//! document, and nobody's unless the operator says whose: numbers of one server tell strangers how busy its companies are.
//! A request from this machine itself proves nothing: behind a proxy all of them are.

use super::super::Api;
use super::super::caller::bearer;
use super::super::problem::Problem;
use super::super::registry;
use crate::measure::CONTENT_TYPE;
use crate::service::Service;
use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, web};
use sha2::{Digest, Sha256};

/// For whoever has the token.
async fn with_token(api: web::Data<Api>, request: HttpRequest) -> Result<HttpResponse, Problem> {
    // Digests, so that how long comparing takes says nothing about the token.
    let sent = bearer(&request).map(|token| <[u8; 32]>::from(Sha256::digest(token.as_bytes())));
    if sent.is_none() || sent != api.watcher {
        let detail = "the meters are for whoever has this server's TACKFREE_METRICS_TOKEN";
        let problem = Problem::new(registry::UNAUTHENTICATED, detail);
        return Err(problem.header(header::WWW_AUTHENTICATE, "Bearer realm=\"tackfree metrics\""));
    }
    Ok(told(&api.service).await)
}

/// For whoever reaches the address.
async fn open(service: web::Data<Service>) -> HttpResponse {
    told(&service).await
}

async fn told(service: &Service) -> HttpResponse {
    HttpResponse::Ok().content_type(CONTENT_TYPE).body(service.measured().await)
}

/// On the address of everything else: only with a token; without one the address leads nowhere.
pub(in super::super) fn configure(has_token: bool) -> impl Fn(&mut web::ServiceConfig) + Clone {
    move |config| {
        if has_token {
            config.route("/metrics", web::get().to(with_token));
        }
    }
}

/// On an address of its own.
pub(in super::super) fn configure_open(config: &mut web::ServiceConfig) {
    config.route("/metrics", web::get().to(open));
}
