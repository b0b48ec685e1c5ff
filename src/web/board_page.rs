//! The office's board: the page around it, its controls, and a first picture in words that needs no script. The script
//! (`script/board.js`) draws the same data on one time axis.

use super::shell::Place;
use super::{Visitor, reply, shell, words};
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::service::{Board, BoardAsked, BoardJob, BoardStateDto, BoardStep, Service, ServiceError, kind_word};
use crate::store::TokenRole;
use actix_web::{HttpResponse, web};
use maud::{Markup, html};

/// Days of the first picture.
const DAYS_FIRST: usize = 7;

/// What else is drawn, and what it means.
const SIGNS: [(&str, &str); 7] = [
    ("l-drying", "dries"),
    ("l-keep-off", "keep off"),
    ("l-idle", "ready, waits for a crew"),
    ("l-window", "must follow by"),
    ("l-lapse", "else abrade first"),
    ("l-cold", "too cold"),
    ("l-damp", "too damp"),
];

/// `GET /board`.
pub(super) async fn look(service: web::Data<Service>, visitor: Visitor) -> HttpResponse {
    if let Err(refused) = visitor.only(&[TokenRole::Office, TokenRole::Viewer]) {
        return refused;
    }
    match shown(&service, &visitor).await {
        Ok(board) => {
            let role = if visitor.role == TokenRole::Office { "office" } else { "viewer" };
            reply::inside(&shell::inside(&visitor, Place::Board, "Board", &["board"], &body(&board, role)))
        }
        Err(error) => reply::failed(&error),
    }
}

async fn shown(service: &Service, visitor: &Visitor) -> Result<Board, ServiceError> {
    let mut session = service.store().snapshot(visitor.company).await?;
    let found = service.board_found(&mut session, BoardAsked::default()).await?;
    service.board(&mut session, found).await
}

/// The body. `role` is told to the script, which leaves out what viewers may not do.
fn body(board: &Board, role: &str) -> Markup {
    html! {
        main #content.board-page data-role=(role) {
            div.tools {
                h1 { "Board" span.plan #board-plan { (plan(board)) } }
                form.finder #board-search-form role="search" {
                    label.unseen for="board-search" { "Find a house, crew or step" }
                    input #board-search type="search" placeholder="Find a house, crew or step" autocomplete="off"
                        aria-keyshortcuts="/";
                    kbd aria-hidden="true" { "/" }
                }
                (segments("show", "Show", &[("both", "Both"), ("crews", "Crews"), ("houses", "Houses")], "both"))
                (segments("zoom", "Days in sight", &[("day", "Day"), ("week", "Week"), ("weeks", "Six weeks")], "week"))
                button #board-today type="button" { "Today" }
                button #board-bottlenecks type="button" { "Bottlenecks" }
                span.line-state #board-line { "connecting …" }
            }
            div.alerts #board-alerts role="group" aria-label="What stands out" {}
            div.stage {
                div #board-grid role="grid" aria-label="Crews and houses over time" aria-describedby="board-keys" tabindex="0" {
                    div #board-plane { div #board-head aria-hidden="true" {} }
                }
                aside #board-panel hidden aria-label="Details" {}
            }
            ul.board-legend aria-label="What is drawn" {
                @for kind in words::KINDS { li class=(words::class(kind)) { (kind_word(kind)) } }
                @for (class, text) in SIGNS { li class=(class) { (text) } }
            }
            p.unseen #board-keys {
                "Arrows go along the time and between rows. Enter opens a step, M moves it, Escape closes. Slash searches, "
                "plus and minus change how many days are in sight, T goes to the present."
            }
            div.unseen #board-say role="status" aria-live="polite" {}
            div.first-picture { (crews(board)) (houses(board)) }
        }
    }
}

fn zone(board: &Board) -> Zone {
    Zone::parse(&board.time_zone).unwrap_or(Zone::UTC)
}

fn plan(board: &Board) -> String {
    match &board.plan {
        Some(plan) => match plan.published_at {
            Some(at) => format!("Plan {}, since {}", plan.number, words::day_clock(zone(board), Minute(at))),
            None => format!("Plan {}, a draft", plan.number),
        },
        None => "no plan yet".to_owned(),
    }
}

/// Choices of which one holds.
fn segments(name: &str, label: &str, choices: &[(&str, &str)], chosen: &str) -> Markup {
    html! {
        fieldset.segments {
            legend.unseen { (label) }
            @for (value, text) in choices {
                label { input type="radio" name=(name) value=(value) checked[*value == chosen] autocomplete="off"; (text) }
            }
        }
    }
}

/// Crews down, days across: where each is first, and how much it has.
fn crews(board: &Board) -> Markup {
    let days = &board.days[..board.days.len().min(DAYS_FIRST)];
    let until = |index: usize| board.days.get(index + 1).map_or(board.until, |next| next.start);
    html! {
        section {
            h2 { "Crews" }
            table.chain-table {
                thead { tr { th scope="col" { "Crew" } @for day in days { th scope="col" { (words::day(day.date)) } } } }
                tbody {
                    @for (number, crew) in board.crews.iter().enumerate() {
                        tr {
                            th scope="row" { (crew.name) }
                            @for (index, day) in days.iter().enumerate() {
                                td { @for line in visits(board, number, (day.start, until(index))) { span { (line) } } }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Each house that a crew is in on a day, once, with what it does there.
fn visits(board: &Board, crew: usize, (from, until): (i64, i64)) -> Vec<String> {
    let here = |step: &&BoardStep| {
        step.crew == Some(crew) && step.pieces.iter().any(|piece| piece[0] < until && piece[1] > from)
    };
    let mut steps: Vec<&BoardStep> = board.steps.iter().filter(here).collect();
    steps.sort_by_key(|step| step.pieces.first().map(|piece| piece[0]));
    let mut lines: Vec<(usize, String)> = Vec::new();
    for step in steps {
        let house = board.jobs[step.job].house;
        match lines.last_mut() {
            Some((last, line)) if *last == house => line.push_str(&format!(", {}", step.name)),
            _ => lines.push((house, format!("{}: {}", board.houses[house].name, step.name))),
        }
    }
    lines.into_iter().map(|(_, line)| line).collect()
}

/// Houses down: what is on, what comes next, what it waits for, and whether it makes its date.
fn houses(board: &Board) -> Markup {
    html! {
        section {
            h2 { "Houses" }
            table.chain-table {
                thead {
                    tr { @for title in ["House", "Now", "Next", "Waits", "Finished", "Due"] { th scope="col" { (title) } } }
                }
                tbody { @for (number, job) in board.jobs.iter().enumerate() { (house(board, number, job)) } }
            }
        }
    }
}

fn house(board: &Board, number: usize, job: &BoardJob) -> Markup {
    let own = &board.houses[job.house];
    let zone = Zone::parse(&own.time_zone).unwrap_or_else(|_| zone(board));
    let at = |minute: i64| words::day_clock(zone, Minute(minute));
    let mut steps: Vec<&BoardStep> = board.steps.iter().filter(|step| step.job == number).collect();
    steps.sort_by_key(|step| step.pieces.first().map(|piece| piece[0]));
    let running = steps.iter().find(|step| step.state == BoardStateDto::Running);
    let next = steps.iter().find(|step| step.state == BoardStateDto::Planned);
    let failed = steps.iter().any(|step| step.tries.last().is_some_and(|tried| tried.failed));
    let waits = board.waits.iter().find(|wait| {
        board.steps[wait.from].job == number
            && wait.start <= board.now
            && wait.ready.is_some_and(|ready| ready > board.now)
    });
    html! {
        tr {
            th scope="row" { (own.name) @if job.on_hold { span { "on hold" } } @if failed { span { "a check has failed" } } }
            td { @if let Some(step) = running { (step.name) } }
            td {
                @if let Some(step) = next {
                    (step.name)
                    span { @if let Some(piece) = step.pieces.first() { (at(piece[0])) } }
                    span { @if let Some(crew) = step.crew { (board.crews[crew].name) } }
                }
            }
            td {
                @if let Some(wait) = waits {
                    (board.steps[wait.from].name) @if let Some(ready) = wait.ready { span { "until " (at(ready)) } }
                    @if wait.keep_off { span { "keep off" } }
                }
            }
            td { @if let Some(finish) = job.finish { (at(finish)) } @else { "not all of it is planned" } }
            td {
                @if let Some(due) = job.due { (at(due)) }
                @if job.late_minutes > 0 { span { b { (words::length(job.late_minutes)) " late" } } }
            }
        }
    }
}
