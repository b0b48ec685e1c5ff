//! Scripts of the pages: ES modules that come with the program, served under `/script/`. Their types are written in JSDoc
//! and checked by the compiler of TypeScript (see `tests/node`).

use super::reply;
use actix_web::{HttpRequest, HttpResponse, web};

/// Names and contents. What a module imports from another is here too.
const SCRIPTS: &[(&str, &str)] = &[
    ("board", include_str!("script/board.js")),
    ("board/alerts", include_str!("script/board/alerts.js")),
    ("board/asking", include_str!("script/board/asking.js")),
    ("board/axis", include_str!("script/board/axis.js")),
    ("board/bottlenecks", include_str!("script/board/bottlenecks.js")),
    ("board/dates", include_str!("script/board/dates.js")),
    ("board/dom", include_str!("script/board/dom.js")),
    ("board/draw", include_str!("script/board/draw.js")),
    ("board/grid", include_str!("script/board/grid.js")),
    ("board/keys", include_str!("script/board/keys.js")),
    ("board/live", include_str!("script/board/live.js")),
    ("board/load", include_str!("script/board/load.js")),
    ("board/loads", include_str!("script/board/loads.js")),
    ("board/model", include_str!("script/board/model.js")),
    ("board/move", include_str!("script/board/move.js")),
    ("board/office", include_str!("script/board/office.js")),
    ("board/panel", include_str!("script/board/panel.js")),
    ("board/question", include_str!("script/board/question.js")),
    ("board/say", include_str!("script/board/say.js")),
    ("board/types", include_str!("script/board/types.js")),
    ("board/words", include_str!("script/board/words.js")),
    ("copy", include_str!("script/copy.js")),
    ("day", include_str!("script/day.js")),
    ("day/alarm", include_str!("script/day/alarm.js")),
    ("day/cards", include_str!("script/day/cards.js")),
    ("day/clocks", include_str!("script/day/clocks.js")),
    ("day/dom", include_str!("script/day/dom.js")),
    ("day/events", include_str!("script/day/events.js")),
    ("day/keep", include_str!("script/day/keep.js")),
    ("day/outbox", include_str!("script/day/outbox.js")),
    ("day/ask", include_str!("script/day/ask.js")),
    ("day/queue", include_str!("script/day/queue.js")),
    ("day/readings", include_str!("script/day/readings.js")),
    ("day/refresh", include_str!("script/day/refresh.js")),
    ("day/treat", include_str!("script/day/treat.js")),
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
