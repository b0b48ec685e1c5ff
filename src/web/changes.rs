//! The office's page of changes: who changed what, newest first, filtered by a form that works without scripts.

use super::reply;
use super::shell::{self, Place};
use super::visitor::{Visitor, escaped};
use super::words;
use crate::domain::time::Minute;
use crate::service::{ChangeKindDto, ChangeView, ChangedThing, ChangesAsked, ChangesPage, Service, WhoDto, WhoView};
use crate::store::{ChangePlace, TokenRole};
use actix_web::{HttpResponse, web};
use chrono::DateTime;
use maud::{Markup, html};
use serde::Deserialize;
use uuid::Uuid;

/// Lines on one page.
const LINES: u32 = 100;

/// As the form sends it: what is left open is empty.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(super) struct Query {
    kind: String,
    key: String,
    who: String,
    after: String,
}

impl Query {
    fn asked(&self) -> ChangesAsked {
        let kind = ChangeKindDto::ALL.iter().copied().find(|kind| kind.word() == self.kind);
        let key = Some(self.key.trim()).filter(|key| !key.is_empty()).map(str::to_owned);
        ChangesAsked { kind, key, who: self.who.parse().ok() }
    }

    fn place(&self) -> Option<ChangePlace> {
        let (micros, id) = self.after.split_once('_')?;
        Some(ChangePlace { at: DateTime::from_timestamp_micros(micros.parse().ok()?)?, id: Uuid::parse_str(id).ok()? })
    }

    fn filters(&self) -> bool {
        [&self.kind, &self.key, &self.who].iter().any(|value| !value.is_empty())
    }

    /// The address of the page with these.
    fn address(&self) -> String {
        let parts = [("kind", &self.kind), ("key", &self.key), ("who", &self.who), ("after", &self.after)];
        let given = parts.iter().filter(|(_, value)| !value.is_empty());
        let query: Vec<String> = given.map(|(name, value)| format!("{name}={}", escaped(value))).collect();
        if query.is_empty() { "/changes".to_owned() } else { format!("/changes?{}", query.join("&")) }
    }

    fn of_thing(thing: &ChangedThing) -> Query {
        Query { kind: thing.kind.word().to_owned(), key: thing.key.clone(), ..Query::default() }
    }

    fn after(&self, last: &ChangeView) -> Query {
        let place = last.place();
        Query { after: format!("{}_{}", place.at.timestamp_micros(), place.id), ..self.clone() }
    }
}

/// `GET /changes`.
pub(super) async fn look(
    service: web::Data<Service>,
    visitor: Visitor,
    query: Option<web::Query<Query>>,
) -> HttpResponse {
    if let Err(page) = visitor.only(&[TokenRole::Office]) {
        return page;
    }
    let query = query.map(web::Query::into_inner).unwrap_or_default();
    match service.changes_page(visitor.company, &query.asked(), query.place(), LINES).await {
        Ok(found) => reply::inside(&page(&visitor, &query, &found)),
        Err(error) => reply::failed(&error),
    }
}

fn page(visitor: &Visitor, query: &Query, found: &ChangesPage) -> Markup {
    let day = |change: &ChangeView| found.zone.date(Minute::floor_from(change.at));
    let body = html! {
        main.people.changes #content {
            h1 { "Changes" }
            p.aside { "Who changed what, newest first. The database writes each line with the change itself, and nobody can alter one." }
            (form(query))
            @if found.changes.is_empty() { p { @if query.filters() { "Nothing like that." } @else { "Nothing yet." } } }
            @for days in found.changes.chunk_by(|one, next| day(one) == day(next)) {
                section {
                    h2 { (words::day(day(&days[0]))) }
                    ol.lines { @for change in days { (line(found, change)) } }
                }
            }
            @if let Some(last) = found.changes.last().filter(|_| found.more) {
                p { a.button href=(query.after(last).address()) { "Older ones" } }
            }
        }
    };
    shell::inside(visitor, Place::Changes, "Changes", &[], &body)
}

fn form(query: &Query) -> Markup {
    html! {
        form.fields.row method="get" action="/changes" {
            label { "What"
                select name="kind" {
                    option value="" { "Everything" }
                    @for kind in ChangeKindDto::ALL {
                        option value=(kind.word()) selected[kind.word() == query.kind] { (kind_words(*kind)) }
                    }
                }
            }
            label { "Its key, if you like" input name="key" maxlength="64" autocomplete="off" value=(query.key); }
            @if !query.who.is_empty() { input type="hidden" name="who" value=(query.who); }
            button.main { "Show" }
        }
        @if query.filters() { p { a href="/changes" { "Show everything" } } }
    }
}

fn line(found: &ChangesPage, change: &ChangeView) -> Markup {
    let versions = match (change.version_before, change.version_after) {
        (Some(before), Some(after)) => format!("version {before} to {after}"),
        (None, Some(after)) => format!("version {after}"),
        (Some(before), None) => format!("version {before}"),
        (None, None) => String::new(),
    };
    html! {
        li {
            span.at { (words::clock(found.zone, Minute::floor_from(change.at))) }
            span.who { (who(&change.who)) }
            span {
                (change_word(change)) " " (kind_words(change.thing.kind)) " "
                a href=(Query::of_thing(&change.thing).address()) { (thing(&change.thing)) }
            }
            span.aside { (change.operation) @if !versions.is_empty() { " · " (versions) } }
        }
    }
}

fn who(who: &WhoView) -> Markup {
    let words = match who.kind {
        WhoDto::Token => "token",
        WhoDto::Person => "somebody",
        WhoDto::CrewLink => "phone",
        WhoDto::Operator => "the operator",
        WhoDto::Command => "a command on the server",
        WhoDto::Server => "the server itself",
        WhoDto::Database => "somebody in the database",
    };
    let name = who.name.as_deref().unwrap_or(words);
    html! {
        @if let Some(id) = who.id {
            a href=(Query { who: id.to_string(), ..Query::default() }.address()) { (name) }
        } @else {
            (name)
        }
        @match (who.kind, &who.role) {
            (WhoDto::Token, _) => { " " span.aside { "token" } }
            (WhoDto::CrewLink, _) => { " " span.aside { "phone" } }
            (_, Some(role)) => { " " span.aside { (role) } }
            (_, None) => {}
        }
    }
}

fn thing(thing: &ChangedThing) -> String {
    match (&thing.name, thing.kind) {
        (Some(name), _) => name.clone(),
        (None, ChangeKindDto::Company) => "itself".to_owned(),
        // Of an identifier its last letters tell it from its neighbours.
        (None, _) if thing.key.len() == 36 => format!("…{}", &thing.key[28..]),
        (None, _) => thing.key.clone(),
    }
}

fn change_word(change: &ChangeView) -> &str {
    match (change.thing.kind, change.change.as_str()) {
        (ChangeKindDto::BrowserSession, "created") => "signed in",
        (ChangeKindDto::BrowserSession, _) => "signed out",
        (ChangeKindDto::Delivery, _) => "sent again",
        (ChangeKindDto::Record | ChangeKindDto::AirReading, "created") => "reported",
        (ChangeKindDto::Event, "created") => "told",
        (ChangeKindDto::Person, "removed") => "shut out",
        (ChangeKindDto::Token | ChangeKindDto::Feed | ChangeKindDto::CrewLink, "removed") => "took back",
        (ChangeKindDto::Plan, "created") => "drafted",
        (_, "created") => "added",
        (_, word) => word,
    }
}

const fn kind_words(kind: ChangeKindDto) -> &'static str {
    match kind {
        ChangeKindDto::Company => "company",
        ChangeKindDto::House => "house",
        ChangeKindDto::Crew => "crew",
        ChangeKindDto::Equipment => "equipment",
        ChangeKindDto::Method => "method",
        ChangeKindDto::Region => "region",
        ChangeKindDto::Job => "job",
        ChangeKindDto::Record => "work",
        ChangeKindDto::AirReading => "air in a house",
        ChangeKindDto::Event => "event",
        ChangeKindDto::Plan => "plan",
        ChangeKindDto::Token => "token",
        ChangeKindDto::Feed => "calendar",
        ChangeKindDto::Webhook => "webhook",
        ChangeKindDto::Delivery => "notice",
        ChangeKindDto::Person => "person",
        ChangeKindDto::CrewLink => "crew's link",
        ChangeKindDto::BrowserSession => "browser",
    }
}
