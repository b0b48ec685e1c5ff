//! Webhooks: made, shown, given another secret, removed; what was sent to them.

use super::super::Api;
use super::super::body::Body;
use super::super::caller::{Caller, Office};
use super::super::headers::if_match;
use super::super::once::Once;
use super::super::page::{Cursor, Page, PageQuery};
use super::super::problem::Problem;
use super::super::reply::Reply;
use super::nouns::page_reply;
use super::tokens::id_in;
use crate::service::{DeliveryStatusDto, DeliveryView, WebhookBody, WebhookView};
use actix_web::{HttpRequest, HttpResponse, delete, get, post, web};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

/// Which deliveries.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct DeliveryQuery {
    /// Only those that stand so.
    status: Option<DeliveryStatusDto>,
    /// Cursor from the Link header of the page before; it means nothing else.
    after: Option<String>,
    /// Entries of the page.
    #[param(minimum = 1, maximum = 200, default = 50)]
    limit: Option<u32>,
}

/// Have notices sent to an address, from now on. The secret that they are signed with is in the first reply only.
#[utoipa::path(
    tag = "webhooks",
    operation_id = "create webhook",
    request_body = WebhookBody,
    responses((status = 201, description = "With its secret", body = WebhookView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/webhooks")]
async fn create(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    body: Body<WebhookBody>,
) -> Result<HttpResponse, Problem> {
    let once = Once::new(&api, &caller, &request, &body.sha256)?;
    once.run(async |session| {
        let webhook = api.service.create_webhook(session, &body.value).await?;
        let reply = Reply::created(format!("/v1/webhooks/{}", webhook.id), &webhook)?.version(webhook.version);
        reply.keeping(&WebhookView { secret: None, ..webhook })
    })
    .await
}

/// All webhooks, oldest first, without their secrets.
#[utoipa::path(
    tag = "webhooks",
    operation_id = "list webhooks",
    responses((status = 200, description = "All of them", body = Page<WebhookView>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[get("/webhooks")]
async fn list(api: web::Data<Api>, caller: Caller<Office>, request: HttpRequest) -> Result<HttpResponse, Problem> {
    let mut session = api.snapshot(caller.company).await?;
    let items = api.service.webhooks(&mut session).await?;
    Ok(Reply::ok(&Page { items })?.send_if_new(&request))
}

/// One webhook, without its secret.
#[utoipa::path(
    tag = "webhooks",
    operation_id = "show webhook",
    params(("id" = uuid::Uuid, Path, description = "Its identifier")),
    responses((status = 200, description = "As it is now", body = WebhookView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[get("/webhooks/{id}")]
async fn show(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "webhook")?;
    let mut session = api.snapshot(caller.company).await?;
    let webhook = api.service.webhook(&mut session, id).await?;
    Ok(Reply::ok(&webhook)?.version(webhook.version).send_if_new(&request))
}

/// Send nothing there any more, and forget what was sent.
#[utoipa::path(
    tag = "webhooks",
    operation_id = "remove webhook",
    params(
        ("id" = uuid::Uuid, Path, description = "Its identifier"),
        ("If-Match" = String, Header, description = "ETag of what is removed, or *")
    ),
    responses((status = 204, description = "It is gone")),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[delete("/webhooks/{id}")]
async fn remove(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "webhook")?;
    let wanted = if_match(&request)?;
    api.write(caller.company, async |session| {
        let version = wanted.version(session.webhook(id).await?.version)?;
        Ok(session.delete_webhook(id, version).await?)
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Another secret from now on. For a day, deliveries are signed with the one before as well; it is in the first reply
/// only.
#[utoipa::path(
    tag = "webhooks",
    operation_id = "rotate webhook secret",
    params(
        ("id" = uuid::Uuid, Path, description = "Its identifier"),
        ("If-Match" = String, Header, description = "ETag of what is changed, or *")
    ),
    responses((status = 200, description = "With its new secret", body = WebhookView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/webhooks/{id}/rotation")]
async fn rotate(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "webhook")?;
    let wanted = if_match(&request)?;
    let once = Once::new(&api, &caller, &request, &[])?;
    once.run(async |session| {
        let version = wanted.version(session.webhook(id).await?.version)?;
        let webhook = api.service.rotate_webhook(session, id, version).await?;
        Reply::ok(&webhook)?.version(webhook.version).keeping(&WebhookView { secret: None, ..webhook })
    })
    .await
}

/// What was sent to a webhook, or is to be: newest notice first.
#[utoipa::path(
    tag = "webhooks",
    operation_id = "list deliveries",
    params(("id" = uuid::Uuid, Path, description = "Identifier of the webhook"), DeliveryQuery),
    responses((status = 200, description = "A page", body = Page<DeliveryView>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[get("/webhooks/{id}/deliveries")]
async fn deliveries(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    id: web::Path<String>,
    query: web::Query<DeliveryQuery>,
) -> Result<HttpResponse, Problem> {
    let id = id_in(&id, "webhook")?;
    let DeliveryQuery { status, after, limit } = query.into_inner();
    let page = PageQuery { after, limit };
    let limit = page.limit()?;
    let below = match page.cursor()? {
        None => None,
        Some(Cursor::Below(number)) => Some(number),
        Some(Cursor::Row(_) | Cursor::Place(_) | Cursor::Moment(..)) => return Err(PageQuery::bad_cursor()),
    };
    let mut session = api.snapshot(caller.company).await?;
    let mut items = api.service.deliveries(&mut session, id, status, below, limit + 1).await?;
    let more = items.len() > limit as usize;
    items.truncate(limit as usize);
    let next = items.last().filter(|_| more).map(|delivery| Cursor::Below(delivery.number));
    page_reply(&request, items, next)
}

/// Send a notice again, at once and with all tries before it: after a receiver has been mended, or has lost something.
#[utoipa::path(
    tag = "webhooks",
    operation_id = "replay delivery",
    params(
        ("id" = uuid::Uuid, Path, description = "Identifier of the webhook"),
        ("delivery" = uuid::Uuid, Path, description = "Identifier of the delivery")
    ),
    responses((status = 200, description = "As it stands now", body = DeliveryView)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[post("/webhooks/{id}/deliveries/{delivery}/replay")]
async fn replay(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    path: web::Path<(String, String)>,
) -> Result<HttpResponse, Problem> {
    let (webhook, delivery) = (id_in(&path.0, "webhook")?, id_in(&path.1, "delivery")?);
    let once = Once::new(&api, &caller, &request, &[])?;
    once.run(async |session| {
        let delivery = api.service.replay_delivery(session, webhook, delivery).await?;
        Reply::ok(&delivery)
    })
    .await
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(create).service(list).service(show).service(remove);
    config.service(rotate).service(deliveries).service(replay);
}
