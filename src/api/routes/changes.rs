//! Who changed what.

use super::super::Api;
use super::super::caller::{Caller, Office};
use super::super::page::{Cursor, Page, PageQuery};
use super::super::problem::Problem;
use super::super::registry;
use super::nouns::page_reply;
use crate::service::{ChangeKindDto, ChangeView, ChangesAsked};
use crate::store::ChangePlace;
use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::DateTime;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// Longest key or identifier of a thing.
const KEY_CHARS_MAX: usize = 64;

/// Which changes.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct ChangeQuery {
    /// Only of things of this kind.
    kind: Option<ChangeKindDto>,
    /// Only of the thing with this key, or where it has none, this identifier; with `kind`.
    #[param(min_length = 1, max_length = 64)]
    key: Option<String>,
    /// Only by the token, person or crew link of this identifier.
    who: Option<Uuid>,
    /// Cursor from the Link header of the page before; it means nothing else.
    after: Option<String>,
    /// Entries of the page.
    #[param(minimum = 1, maximum = 200, default = 50)]
    limit: Option<u32>,
}

/// Who changed what, newest first: a line for each thing that was changed, written with the change. Nothing of what was
/// written stands in it, and nobody can change or delete it; it is kept for as long as the operator says.
#[utoipa::path(
    tag = "changes",
    operation_id = "list changes",
    params(ChangeQuery),
    responses((status = 200, description = "A page", body = Page<ChangeView>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[get("/changes")]
async fn list(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    query: web::Query<ChangeQuery>,
) -> Result<HttpResponse, Problem> {
    let ChangeQuery { kind, key, who, after, limit } = query.into_inner();
    if let Some(key) = &key {
        let plain = |c: char| c.is_ascii_alphanumeric() || "._-".contains(c);
        if key.is_empty() || key.len() > KEY_CHARS_MAX || !key.chars().all(plain) {
            return Err(Problem::new(registry::BAD_QUERY, "`key` is no key or identifier of anything"));
        }
        if kind.is_none() {
            return Err(Problem::new(
                registry::BAD_QUERY,
                "`key` is given without `kind`: a house and a job may share one",
            ));
        }
    }
    let page = PageQuery { after, limit };
    let limit = page.limit()?;
    let after = match page.cursor()? {
        None => None,
        Some(Cursor::Moment(micros, id)) => {
            let at = DateTime::from_timestamp_micros(micros).ok_or_else(PageQuery::bad_cursor)?;
            Some(ChangePlace { at, id })
        }
        Some(Cursor::Row(_) | Cursor::Place(_) | Cursor::Below(_)) => return Err(PageQuery::bad_cursor()),
    };
    let mut session = api.snapshot(caller.company).await?;
    let asked = ChangesAsked { kind, key, who };
    let mut changes = api.service.changes(&mut session, &asked, after, limit + 1).await?;
    let more = changes.len() > limit as usize;
    changes.truncate(limit as usize);
    let next = changes.last().filter(|_| more).map(|last| Cursor::Moment(last.at.timestamp_micros(), last.id));
    page_reply(&request, changes, next)
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(list);
}
