//! Houses, crews, equipment, methods and regions: the same five requests for each.

use super::super::Api;
use super::super::body::Body;
use super::super::caller::{Anybody, Caller, Office};
use super::super::headers::if_match;
use super::super::once::Once;
use super::super::page::{Cursor, Page, PageQuery, next_link};
use super::super::problem::Problem;
use super::super::reply::Reply;
use crate::domain::text::Key;
use crate::service::{NounDoc, Stored};
use crate::store::{Noun, Session, StoreError};
use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, web};
use serde::Serialize;
use serde::de::DeserializeOwned;
use utoipa_actix_web::service_config::ServiceConfig;

/// A key in an address; what cannot be a key is nobody's.
pub(super) fn key_in(path: &str, what: &'static str) -> Result<(), Problem> {
    Key::parse(path).map(drop).map_err(|_| StoreError::NotFound { what }.into())
}

/// A page as it is sent.
pub(super) fn page_reply<T: Serialize>(
    request: &HttpRequest,
    items: Vec<T>,
    next: Option<Cursor>,
) -> Result<HttpResponse, Problem> {
    let mut reply = Reply::ok(&Page { items })?;
    if let Some(cursor) = next {
        reply = reply.with(header::LINK.as_str(), next_link(request, cursor));
    }
    Ok(reply.send_if_new(request))
}

fn reply_of<D: NounDoc>(stored: &Stored<D>, mut reply: Reply) -> Reply {
    reply = reply.version(stored.version).modified(stored.updated_at);
    reply
}

async fn list<D: NounDoc>(
    api: &Api,
    caller: Caller<Anybody>,
    request: &HttpRequest,
    query: &PageQuery,
) -> Result<HttpResponse, Problem> {
    let (limit, after) = (query.limit()?, query.row()?);
    let mut session = api.snapshot(caller.company).await?;
    // One more than asked for tells whether there is a next page.
    let mut rows = api.service.nouns::<D>(&mut session, after, limit + 1).await?;
    let more = rows.len() > limit as usize;
    rows.truncate(limit as usize);
    let next = rows.last().filter(|_| more).map(|row| Cursor::Row(row.id));
    page_reply(request, rows.into_iter().map(|row| row.doc.listed()).collect(), next)
}

async fn create<D: NounDoc + DeserializeOwned, const MAX: usize>(
    api: &Api,
    caller: Caller<Office>,
    request: &HttpRequest,
    body: Body<D, MAX>,
) -> Result<HttpResponse, Problem> {
    let once = Once::new(api, &caller, request, &body.sha256)?;
    once.run(async |session| {
        let stored = api.service.create_noun(session, &body.value).await?;
        let location = format!("{}/{}", request.path(), stored.doc.key());
        Ok(reply_of(&stored, Reply::created(location, &stored.doc)?))
    })
    .await
}

async fn show<D: NounDoc>(
    api: &Api,
    caller: Caller<Anybody>,
    request: &HttpRequest,
    key: &str,
) -> Result<HttpResponse, Problem> {
    key_in(key, D::NOUN.word())?;
    let mut session = api.snapshot(caller.company).await?;
    let stored = api.service.noun::<D>(&mut session, key).await?;
    Ok(reply_of(&stored, Reply::ok(&stored.doc)?).send_if_new(request))
}

async fn change<D: NounDoc, const MAX: usize>(
    api: &Api,
    caller: Caller<Office>,
    request: &HttpRequest,
    key: &str,
    body: Body<D, MAX>,
    work: impl AsyncFnOnce(&mut Session, i64, &D) -> Result<Stored<D>, Problem>,
) -> Result<HttpResponse, Problem> {
    key_in(key, D::NOUN.word())?;
    let wanted = if_match(request)?;
    let stored = api
        .write(caller.company, async |session| {
            if D::NOUN == Noun::Method {
                api.service.refuse_built_in(session, key).await?;
            }
            let row = session.noun_by_key(D::NOUN, key).await?;
            work(session, wanted.version(row.version)?, &body.value).await
        })
        .await?;
    Ok(reply_of(&stored, Reply::ok(&stored.doc)?).send())
}

async fn archive<D: NounDoc>(
    api: &Api,
    caller: Caller<Office>,
    request: &HttpRequest,
    key: &str,
) -> Result<HttpResponse, Problem> {
    key_in(key, D::NOUN.word())?;
    let wanted = if_match(request)?;
    api.write(caller.company, async |session| {
        if D::NOUN == Noun::Method {
            api.service.refuse_built_in(session, key).await?;
        }
        let row = session.noun_by_key(D::NOUN, key).await?;
        Ok(api.service.archive_noun(session, D::NOUN, key, wanted.version(row.version)?).await?)
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

macro_rules! noun_routes {
    ($module:ident, $doc:ident, $max:ident, $change:ident, $base:literal, $item:literal, $tag:literal) => {
        mod $module {
            use super::super::super::body::{self, Body};
            use super::super::super::caller::{Anybody, Caller, Office};
            use super::super::super::problem::Problem;
            use super::super::super::Api;
            use crate::dto::$doc;
            use actix_web::{HttpRequest, HttpResponse, delete, get, post, put, web};
            use utoipa_actix_web::service_config::ServiceConfig;

            type Api_ = web::Data<Api>;

            #[utoipa::path(
                tag = $tag,
                operation_id = concat!("create ", $tag),
                summary = concat!("Add to ", $tag),
                request_body = $doc,
                responses((status = 201, description = "As it is now", body = $doc)),
                security(("token" = [])),
                extensions(("x-roles" = json!(["office"])))
            )]
            #[post($base)]
            async fn create(
                api: Api_,
                caller: Caller<Office>,
                request: HttpRequest,
                body: Body<$doc, { body::$max }>,
            ) -> Result<HttpResponse, Problem> {
                super::create(&api, caller, &request, body).await
            }

            #[utoipa::path(
                tag = $tag,
                operation_id = concat!("show ", $tag),
                summary = concat!("One of the ", $tag),
                params(("key" = String, Path, description = "Its key")),
                responses((status = 200, description = "As it is now", body = $doc)),
                security(("token" = [])),
                extensions(("x-roles" = json!(["office", "crew", "viewer"])))
            )]
            #[get($item)]
            async fn show(
                api: Api_,
                caller: Caller<Anybody>,
                request: HttpRequest,
                key: web::Path<String>,
            ) -> Result<HttpResponse, Problem> {
                super::show_noun::<$doc>(&api, caller, &request, &key).await
            }

            #[utoipa::path(
                tag = $tag,
                operation_id = concat!("change ", $tag),
                summary = concat!("Change one of the ", $tag),
                params(
                    ("key" = String, Path, description = "Its key"),
                    ("If-Match" = String, Header, description = "ETag of what is changed, or *")
                ),
                request_body = $doc,
                responses((status = 200, description = "As it is now", body = $doc)),
                security(("token" = [])),
                extensions(("x-roles" = json!(["office"])))
            )]
            #[put($item)]
            async fn change(
                api: Api_,
                caller: Caller<Office>,
                request: HttpRequest,
                key: web::Path<String>,
                body: Body<$doc, { body::$max }>,
            ) -> Result<HttpResponse, Problem> {
                super::change(&api, caller, &request, &key, body, async |session, version, doc| {
                    Ok(api.service.$change(session, &key, version, doc).await?)
                })
                .await
            }

            #[utoipa::path(
                tag = $tag,
                operation_id = concat!("archive ", $tag),
                summary = concat!("Put one of the ", $tag, " away"),
                description = "It leaves all lists, and its key is free again; what happened goes on naming it.",
                params(
                    ("key" = String, Path, description = "Its key"),
                    ("If-Match" = String, Header, description = "ETag of what is put away, or *")
                ),
                responses((status = 204, description = "It is put away")),
                security(("token" = [])),
                extensions(("x-roles" = json!(["office"])))
            )]
            #[delete($item)]
            async fn archive(
                api: Api_,
                caller: Caller<Office>,
                request: HttpRequest,
                key: web::Path<String>,
            ) -> Result<HttpResponse, Problem> {
                super::archive::<$doc>(&api, caller, &request, &key).await
            }

            pub(super) fn configure(config: &mut ServiceConfig) {
                config.service(create).service(show).service(change).service(archive);
            }
        }
    };
}

noun_routes!(houses, HouseDto, JSON_BYTES_MAX, change_house, "/houses", "/houses/{key}", "houses");
noun_routes!(crews, CrewDto, JSON_BYTES_MAX, change_noun, "/crews", "/crews/{key}", "crews");
noun_routes!(equipment, EquipmentDto, JSON_BYTES_MAX, change_noun, "/equipment", "/equipment/{key}", "equipment");
noun_routes!(methods, MethodDto, JSON_BYTES_MAX, change_noun, "/methods", "/methods/{key}", "methods");
noun_routes!(regions, RegionDto, FORECAST_BYTES_MAX, change_noun, "/regions", "/regions/{key}", "regions");

/// A built-in method is shown too, and never changes.
async fn show_noun<D: NounDoc>(
    api: &Api,
    caller: Caller<Anybody>,
    request: &HttpRequest,
    key: &str,
) -> Result<HttpResponse, Problem> {
    let company = caller.company;
    match show::<D>(api, caller, request, key).await {
        Err(problem) if D::NOUN == Noun::Method && problem.kind() == super::super::registry::NOT_FOUND => {
            let mut session = api.snapshot(company).await?;
            let (method, _) = api.service.method(&mut session, key).await?;
            Ok(Reply::ok(&method)?.send_if_new(request))
        }
        reply => reply,
    }
}

mod lists;

pub(super) fn configure(config: &mut ServiceConfig) {
    config
        .configure(lists::configure)
        .configure(houses::configure)
        .configure(crews::configure)
        .configure(equipment::configure)
        .configure(methods::configure)
        .configure(regions::configure);
}

type Data = web::Data<Api>;
