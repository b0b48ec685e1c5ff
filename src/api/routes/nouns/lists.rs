//! Lists of the five nouns: alike, except that methods include those that come with the program.

use super::super::super::caller::{Anybody, Caller};
use super::super::super::page::{Cursor, Page, PageQuery};
use super::super::super::problem::Problem;
use super::{Data, page_reply};
use crate::dto::{CrewDto, EquipmentDto, HouseDto, MethodDto, RegionDto};
use crate::service::{MethodListed, NounDoc, RegionListed};
use actix_web::{HttpRequest, HttpResponse, get, web};
use utoipa_actix_web::service_config::ServiceConfig;

macro_rules! list_route {
    ($name:ident, $doc:ident, $listed:ident, $base:literal, $tag:literal) => {
        #[utoipa::path(
                                            tag = $tag,
                                            operation_id = concat!("list ", $tag),
                                            summary = concat!("List ", $tag),
                                            params(PageQuery),
                                            responses((status = 200, description = "A page", body = Page<$listed>)),
                                            security(("token" = [])),
                                            extensions(("x-roles" = json!(["office", "crew", "viewer"])))
                                        )]
        #[get($base)]
        async fn $name(
            api: Data,
            caller: Caller<Anybody>,
            request: HttpRequest,
            query: web::Query<PageQuery>,
        ) -> Result<HttpResponse, Problem> {
            super::list::<$doc>(&api, caller, &request, &query).await
        }
    };
}

list_route!(houses, HouseDto, HouseDto, "/houses", "houses");
list_route!(crews, CrewDto, CrewDto, "/crews", "crews");
list_route!(equipment, EquipmentDto, EquipmentDto, "/equipment", "equipment");
list_route!(regions, RegionDto, RegionListed, "/regions", "regions");

#[utoipa::path(
    tag = "methods",
    operation_id = "list methods",
    summary = "List methods",
    description = "The company's own, then those that come with the program and have none of the company's in their place.",
    params(PageQuery),
    responses((status = 200, description = "A page", body = Page<MethodListed>)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office", "crew", "viewer"])))
)]
#[get("/methods")]
async fn methods(
    api: Data,
    caller: Caller<Anybody>,
    request: HttpRequest,
    query: web::Query<PageQuery>,
) -> Result<HttpResponse, Problem> {
    let limit = query.limit()? as usize;
    let (after, place) = match query.cursor()? {
        None => (None, None),
        Some(Cursor::Row(id)) => (Some(id), None),
        Some(Cursor::Place(place)) => (None, Some(place)),
        Some(Cursor::Below(_) | Cursor::Moment(..)) => return Err(PageQuery::bad_cursor()),
    };
    let mut session = api.snapshot(caller.company).await?;
    let mut own = match place {
        None => api.service.nouns::<MethodDto>(&mut session, after, limit as u32 + 1).await?,
        Some(_) => Vec::new(),
    };
    let more = own.len() > limit;
    own.truncate(limit);
    let last = own.last().map(|row| row.id);
    let mut items: Vec<MethodListed> = own.into_iter().map(|row| row.doc.listed()).collect();
    if more {
        return page_reply(&request, items, last.map(Cursor::Row));
    }
    let from = usize::try_from(place.unwrap_or(0)).unwrap_or(usize::MAX);
    let built_in = api.service.built_in_methods(&mut session).await?;
    let room = limit - items.len();
    let next = from.saturating_add(room);
    let next = (next < built_in.len()).then_some(Cursor::Place(next as u64));
    items.extend(built_in.into_iter().skip(from).take(room));
    page_reply(&request, items, next)
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(houses).service(crews).service(equipment).service(regions).service(methods);
}
