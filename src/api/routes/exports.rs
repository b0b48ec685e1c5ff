//! Everything to take along. What is sent is written while it is read; a reader who does not read is not waited for.

use super::super::Api;
use super::super::caller::{Caller, Office};
use super::super::problem::Problem;
use super::super::registry;
use crate::service::{ExportTable, Service, ServiceError, Sink};
use actix_web::http::header;
use actix_web::{HttpMessage, HttpRequest, HttpResponse, get, web};
use bytes::Bytes;
use futures_util::stream;
use std::time::Duration;
use tokio::sync::mpsc::{Sender, channel};
use utoipa_actix_web::service_config::ServiceConfig;

/// Pieces written ahead of the reader.
const AHEAD: usize = 2;
/// How long a reader may leave a piece unread.
const PATIENCE: Duration = Duration::from_secs(30);
/// How long it may take in all: as long it holds one state of the database.
const WHOLE_MAX: Duration = Duration::from_secs(600);

/// The database was lost, or time ran out: the reply breaks off, so that nobody takes it for whole.
#[derive(Debug, thiserror::Error)]
#[error("the export could not be finished")]
struct BrokenOff;

type Piece = Result<Bytes, BrokenOff>;

fn send(
    request: &HttpRequest,
    service: &Service,
    (media, name): (&'static str, String),
    write: impl AsyncFnOnce(Service, Reader) -> Result<(), ServiceError> + 'static,
) -> HttpResponse {
    let mut reply = HttpResponse::Ok();
    reply
        .content_type(media)
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .insert_header((header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")));
    if request.extensions().contains::<super::super::server::OnlyHead>() {
        return reply.finish();
    }
    let (sender, receiver) = channel::<Piece>(AHEAD);
    let service = service.clone();
    actix_web::rt::spawn(async move {
        // At most so many at once: each holds a connection.
        let Ok(_turn) = service.exports().acquire_owned().await else { return };
        let written = tokio::time::timeout(WHOLE_MAX, write(service, Reader(sender.clone()))).await;
        if !matches!(written, Ok(Ok(()))) {
            tracing::warn!(?written, "an export was not finished");
            let _ = tokio::time::timeout(PATIENCE, sender.send(Err(BrokenOff))).await;
        }
    });
    reply.streaming(stream::unfold(receiver, |mut receiver| async { Some((receiver.recv().await?, receiver)) }))
}

/// To whoever reads the reply.
struct Reader(Sender<Piece>);

impl Sink for Reader {
    async fn put(&mut self, text: String) -> bool {
        matches!(tokio::time::timeout(PATIENCE, self.0.send(Ok(Bytes::from(text)))).await, Ok(Ok(())))
    }
}

/// The whole company as one document: each thing in it in the shape in which it is sent to its own list, so that a
/// program can make the company again. `complete` is its last member.
#[utoipa::path(
    tag = "company",
    operation_id = "export company",
    responses((status = 200, description = "All of it", body = Object)),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[get("/export.json")]
async fn whole(api: web::Data<Api>, caller: Caller<Office>, request: HttpRequest) -> HttpResponse {
    let company = caller.company;
    send(
        &request,
        &api.service,
        ("application/json", "company.json".to_owned()),
        async move |service: Service, reader| service.export_json(company, reader).await,
    )
}

/// One table: `houses`, `crews`, `equipment`, `jobs`, `steps`, `waits`, `plan` (the published one), `history` (what was
/// reported) or `air-readings`.
#[utoipa::path(
    tag = "company",
    operation_id = "export table",
    params(("table" = String, Path, description = "Which", example = "houses")),
    responses(
        (status = 200, description = "With a header", body = String, content_type = "text/csv")
    ),
    security(("token" = [])),
    extensions(("x-roles" = json!(["office"])))
)]
#[get("/export/{table}.csv")]
async fn table(
    api: web::Data<Api>,
    caller: Caller<Office>,
    request: HttpRequest,
    table: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let Some(table) = ExportTable::of(&table) else {
        let words: Vec<&str> = ExportTable::ALL.iter().map(|table| table.word()).collect();
        let detail = format!("there is no such table; there are {}", words.join(", "));
        return Err(Problem::new(registry::NOT_FOUND, detail));
    };
    let company = caller.company;
    let file = ("text/csv; charset=utf-8; header=present", format!("{}.csv", table.word()));
    Ok(send(&request, &api.service, file, async move |service: Service, reader| {
        service.export_table(company, table, reader).await
    }))
}

pub(super) fn configure(config: &mut ServiceConfig) {
    config.service(whole).service(table);
}
