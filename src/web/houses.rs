//! `GET /houses`: every house with work that is not over, where each stands, and whether it makes its date. Sorted and
//! filtered by a form, so that it works without scripts.

use super::reply;
use super::shell::{self, Place};
use super::visitor::{Visitor, escaped};
use super::words;
use crate::domain::time::Minute;
use crate::service::{HousesView, JobLine, JobStatusDto, Now, Service, StepStand, kind_word};
use crate::store::TokenRole;
use actix_web::{HttpResponse, web};
use maud::{Markup, html};
use serde::Deserialize;

/// Who looks at houses.
pub(super) const LOOKERS: &[TokenRole] = &[TokenRole::Office, TokenRole::Viewer];
/// Letters that are looked for.
const SEARCH_CHARS_MAX: usize = 80;

/// How the list is asked for. What is none of the choices counts as the first.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct HousesQuery {
    #[serde(default)]
    q: String,
    #[serde(default)]
    show: String,
    #[serde(default)]
    sort: String,
}

/// Which houses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Show {
    All,
    Look,
    Late,
    Failed,
    Working,
    Waiting,
    Ready,
    NotBegun,
    OnHold,
}

const SHOWS: [(Show, &str, &str); 9] = [
    (Show::All, "", "All"),
    (Show::Look, "look", "Needs a look"),
    (Show::Late, "late", "Late"),
    (Show::Failed, "failed", "Failed check"),
    (Show::Working, "working", "Crew in the house"),
    (Show::Waiting, "waiting", "Floor waits"),
    (Show::Ready, "ready", "Ready for work"),
    (Show::NotBegun, "not-begun", "Not begun"),
    (Show::OnHold, "on-hold", "On hold"),
];

/// In which order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sort {
    Due,
    Late,
    Next,
    Finish,
    House,
}

const SORTS: [(Sort, &str, &str); 5] = [
    (Sort::Due, "", "Due date"),
    (Sort::Late, "late", "Lateness"),
    (Sort::Next, "next", "Next visit"),
    (Sort::Finish, "finish", "Promised finish"),
    (Sort::House, "house", "House"),
];

impl HousesQuery {
    fn show(&self) -> Show {
        SHOWS.iter().find(|(_, value, _)| *value == self.show).map_or(Show::All, |(show, ..)| *show)
    }

    fn sort(&self) -> Sort {
        SORTS.iter().find(|(_, value, _)| *value == self.sort).map_or(Sort::Due, |(sort, ..)| *sort)
    }

    fn searched(&self) -> String {
        self.q.trim().chars().take(SEARCH_CHARS_MAX).collect()
    }
}

impl Show {
    fn lets(self, line: &JobLine) -> bool {
        match self {
            Show::All => true,
            Show::Look => line.needs_a_look(),
            Show::Late => line.late_minutes() > 0,
            Show::Failed => line.failed_checks().next().is_some(),
            Show::Working => matches!(line.now, Now::At(_)),
            Show::Waiting => matches!(line.now, Now::Waits(_) | Now::DriesOn(_)),
            Show::Ready => line.now == Now::Ready,
            Show::NotBegun => line.now == Now::NotBegun,
            Show::OnHold => line.status == JobStatusDto::OnHold,
        }
    }
}

fn order(sort: Sort, lines: &mut [&JobLine]) {
    let last = |at: Option<Minute>| (at.is_none(), at);
    lines.sort_by(|a, b| {
        let by = |line: &JobLine| match sort {
            Sort::Due => (0, last(line.due)),
            Sort::Late => (-line.late_minutes(), last(line.due)),
            Sort::Next => (0, last(next_start(line))),
            Sort::Finish => (0, last(line.finish)),
            Sort::House => (0, last(None)),
        };
        (by(a), &a.house_name, &a.job).cmp(&(by(b), &b.house_name, &b.job))
    });
}

fn next_start(line: &JobLine) -> Option<Minute> {
    line.next.and_then(|index| line.steps.get(index)).and_then(|step| step.span).map(|(start, _)| start)
}

/// `GET /houses`.
pub(super) async fn look(
    service: web::Data<Service>,
    visitor: Visitor,
    query: Option<web::Query<HousesQuery>>,
) -> HttpResponse {
    if let Err(page) = visitor.only(LOOKERS) {
        return page;
    }
    let query = query.map(web::Query::into_inner).unwrap_or_default();
    match service.houses_view(visitor.company).await {
        Ok(view) => reply::inside(&page(&visitor, &view, &query)),
        Err(error) => reply::failed(&error),
    }
}

fn page(visitor: &Visitor, view: &HousesView, query: &HousesQuery) -> Markup {
    let searched = query.searched();
    let word = searched.to_lowercase();
    let fits = |line: &&JobLine| {
        let texts = [&line.house_name, &line.job_name, &line.house, &line.job];
        let own = texts.into_iter().chain(line.address.as_ref());
        let mut all = own.chain(line.current().and_then(|step| step.crew.as_ref()));
        word.is_empty() || all.any(|text| text.to_lowercase().contains(&word))
    };
    let found: Vec<&JobLine> = view.lines.iter().filter(fits).collect();
    let mut lines: Vec<&JobLine> = found.iter().copied().filter(|line| query.show().lets(line)).collect();
    order(query.sort(), &mut lines);
    let body = html! {
        main.houses #content {
            header.head {
                div {
                    h1 { "Houses" }
                    p.place {
                        (count(view.lines.len(), "open job", "open jobs"))
                        @if let Some(plan) = view.plan { " · plan " (plan) } @else { " · nothing published yet" }
                    }
                }
                div.which { p.zone { "Now " (words::day_clock(view.zone, view.now)) " · office time, each house by its own clock" } }
            }
            (sieve(query, &searched, &found))
            @if lines.is_empty() {
                p.empty {
                    @if view.lines.is_empty() { "No house has an open job." } @else { "No house is like that just now. " a href="/houses" { "Show all" } }
                }
            } @else {
                (table(view, &lines))
            }
        }
    };
    shell::inside(visitor, Place::Houses, "Houses", &[], &body)
}

pub(super) fn count(many: usize, one: &str, more: &str) -> String {
    format!("{many} {}", if many == 1 { one } else { more })
}

/// The form, with how many houses each choice has.
fn sieve(query: &HousesQuery, searched: &str, found: &[&JobLine]) -> Markup {
    let (show, sort) = (query.show(), query.sort());
    html! {
        form.sieve method="get" action="/houses" role="search" aria-label="Houses" {
            div.shows role="group" aria-label="Which houses" {
                @for (choice, value, name) in SHOWS {
                    @let many = found.iter().filter(|line| choice.lets(line)).count();
                    a.choice.alarm[many > 0 && matches!(choice, Show::Late | Show::Failed)] href=(address(searched, value, &query.sort))
                        aria-current=[(choice == show).then_some("true")] { (name) " " b { (many) } }
                }
            }
            input type="hidden" name="show" value=(query.show);
            label { span { "Find" } input type="search" name="q" value=(searched) maxlength=(SEARCH_CHARS_MAX) placeholder="house, street, job, crew"; }
            label { span { "Sort by" }
                select name="sort" {
                    @for (choice, value, name) in SORTS { option value=(value) selected[choice == sort] { (name) } }
                }
            }
            button { "Show" }
        }
    }
}

fn address(searched: &str, show: &str, sort: &str) -> String {
    let parts = [("q", searched), ("show", show), ("sort", sort)];
    let given = parts.iter().filter(|(_, value)| !value.is_empty());
    let query: Vec<String> = given.map(|(name, value)| format!("{name}={}", escaped(value))).collect();
    if query.is_empty() { "/houses".to_owned() } else { format!("/houses?{}", query.join("&")) }
}

fn table(view: &HousesView, lines: &[&JobLine]) -> Markup {
    html! {
        table.standing role="table" aria-label="Houses and where they stand" {
            thead role="rowgroup" {
                tr role="row" {
                    @for name in ["House", "Where it stands", "Next visit", "Promised", "Due"] {
                        th role="columnheader" scope="col" { (name) }
                    }
                }
            }
            tbody role="rowgroup" { @for line in lines { (row(line, view.now)) } }
        }
    }
}

fn row(line: &JobLine, now: Minute) -> Markup {
    let (zone, today) = (line.zone, line.zone.date(now));
    let late = line.late_minutes();
    html! {
        tr.look[line.needs_a_look()] role="row" {
            th role="rowheader" scope="row" {
                a.to href={ "/houses/" (line.house) "?job=" (line.job) } { (line.house_name) }
                @if line.job_name != line.house_name { span.aside { (line.job_name) } }
                (strip(line))
            }
            td role="cell" { (stands(line, now)) (marks(line)) }
            td.next role="cell" {
                span.on-narrow { "Next visit" }
                @if let Some(step) = line.next.and_then(|index| line.steps.get(index)) {
                    @if let Some((start, finish)) = step.span {
                        b { (words::span_from(zone, start, finish, today)) }
                    }
                    span.step { (step.step.name) }
                    @if let Some(crew) = &step.crew { span.aside { (crew) } }
                } @else { span.aside { "none promised" } }
            }
            td.promised role="cell" {
                span.on-narrow { "Promised" }
                @if let Some(finish) = line.finish { b { (words::day(zone.date(finish))) } span.aside { (words::clock(zone, finish)) } }
                @else { span.aside { "no finish promised" } }
            }
            td.due role="cell" {
                span.on-narrow { "Due" }
                @if let Some(due) = line.due {
                    b { (words::day(zone.date(due))) }
                    (against(line, due, late))
                } @else { span.aside { "no date" } }
            }
        }
    }
}

/// Late, or how much room there is.
pub(super) fn against(line: &JobLine, due: Minute, late: i64) -> Markup {
    html! {
        @if late > 0 { span.flag.late { "▲ " (words::length(late)) " late" } }
        @else if let Some(finish) = line.finish { span.aside { (words::length(due.since(finish))) " to spare" } }
    }
}

/// The chain in small: a cell for each step, full where it is done.
fn strip(line: &JobLine) -> Markup {
    let (done, all) = (line.done(), line.steps.len());
    html! {
        span.strip role="img" aria-label={ (done) " of " (all) " steps done" } {
            @for step in &line.steps {
                i.(words::class(step.step.kind)).(stand_class(step.stand)) {}
            }
        }
    }
}

/// Class of how far a step is.
pub(super) const fn stand_class(stand: StepStand) -> &'static str {
    match stand {
        StepStand::Done => "s-done",
        StepStand::Running => "s-running",
        StepStand::Paused => "s-paused",
        StepStand::Planned => "s-planned",
        StepStand::Unreported => "s-unreported",
        StepStand::Unplaced => "s-unplaced",
    }
}

/// Where a job stands, in words, with the colour and pattern of its work or wait.
pub(super) fn stands(line: &JobLine, now: Minute) -> Markup {
    let (zone, today) = (line.zone, line.zone.date(now));
    match &line.now {
        Now::At(index) => html! {
            @if let Some(step) = line.steps.get(*index) {
                p.stands.work.(words::class(step.step.kind)) {
                    b { (step.step.name) } " " span.kind { (kind_word(step.step.kind)) }
                    @if let Some((start, until)) = step.span {
                        span.aside {
                            "since " (words::soon(zone, start, today))
                            @if until > now { ", until about " } @else { ", expected until " } (words::soon(zone, until, today))
                            @if let Some(crew) = &step.crew { " · " (crew) }
                        }
                    }
                }
            }
        },
        Now::Waits(index) => html! {
            @if let Some(wait) = line.waits.get(*index) {
                p.stands.wait {
                    b { "Floor waits" } " after " (wait.after)
                    @if let Some((start, finish)) = wait.span {
                        span.aside { "since " (words::soon(zone, start, today)) " · " (wait.before) " " (words::soon(zone, finish, today)) }
                    }
                }
            }
        },
        Now::DriesOn(index) => html! {
            @if let Some(step) = line.steps.get(*index) {
                p.stands.wait {
                    b { "Floor dries on" } " until it is read again"
                    @if let Some((start, _)) = step.span { span.aside { (step.step.name) " " (words::soon(zone, start, today)) } }
                }
            }
        },
        Now::Ready => stand_word("Ready", "the floor is; a crew comes as promised"),
        Now::NotBegun => stand_word("Not begun", ""),
        Now::AllDone => stand_word("✓ All done", "close the job"),
        Now::Rests => stand_word(status_word(line.status), ""),
    }
}

fn stand_word(word: &str, more: &str) -> Markup {
    html! { p.stands.plain { b { (word) } @if !more.is_empty() { span.aside { (more) } } } }
}

pub(super) const fn status_word(status: JobStatusDto) -> &'static str {
    match status {
        JobStatusDto::Open => "Open",
        JobStatusDto::OnHold => "On hold",
        JobStatusDto::Cancelled => "Called off",
        JobStatusDto::Finished => "Finished",
    }
}

/// What stands out.
pub(super) fn marks(line: &JobLine) -> Markup {
    let unreported = line.steps.iter().filter(|step| step.stand == StepStand::Unreported).count();
    let unplaced = line.unplaced().count();
    html! {
        @if line.status == JobStatusDto::OnHold { span.flag.hold { "❚❚ On hold" } }
        @for check in line.failed_checks() {
            span.flag.late { "✕ " (check.step.name) " failed " @if check.failed > 1 { (check.failed) " times" } @else { "once" } }
        }
        @if line.status == JobStatusDto::Open && unplaced > 0 { span.flag.hold { "? " (count(unplaced, "step has", "steps have")) " no place" } }
        @if line.status == JobStatusDto::Open && unreported > 0 { span.flag.hold { "… " (count(unreported, "step", "steps")) " not reported" } }
    }
}
