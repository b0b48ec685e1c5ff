//! One work: when, what, where; the buttons; what to load and to beware of. What the script needs to know stands in data
//! attributes.

use super::super::words;
use crate::dto::{CautionDto, LocationDto};
use crate::service::{CrewWorkDto, RunningWaitDto, StepStandingDto, kind_word};
use chrono::NaiveDate;
use maud::{Markup, html};
use serde::Serialize;

/// The wall clock of an instant as it stands on the wire, such as "07:30".
pub(super) fn clock(instant: &str) -> &str {
    instant.get(11..16).unwrap_or(instant)
}

/// Such as "Mon 9 Mar 07:30".
pub(super) fn day_clock(instant: &str) -> String {
    let date = instant.get(..10).and_then(|text| text.parse().ok());
    match date {
        Some(date) => format!("{} {}", words::day(date), clock(instant)),
        None => instant.to_owned(),
    }
}

/// Such as "Mon 07:30": a piece of work is never longer than a few days.
fn weekday_clock(instant: &str) -> String {
    let date = instant.get(..10).and_then(|text| text.parse::<NaiveDate>().ok());
    let weekday = date.map(|date| date.format("%a ").to_string()).unwrap_or_default();
    format!("{weekday}{}", clock(instant))
}

fn span(work: &CrewWorkDto) -> String {
    if work.start.get(..10) == work.finish.get(..10) {
        format!("{}–{}", clock(&work.start), clock(&work.finish))
    } else {
        format!("{}–{}", weekday_clock(&work.start), weekday_clock(&work.finish))
    }
}

fn json<T: Serialize>(value: Option<&T>) -> Option<String> {
    value.and_then(|value| serde_json::to_string(value).ok())
}

const fn standing_word(standing: StepStandingDto) -> &'static str {
    match standing {
        StepStandingDto::Open => "open",
        StepStandingDto::Running => "running",
        StepStandingDto::Paused => "paused",
        StepStandingDto::Failed => "failed",
        StepStandingDto::Done => "done",
    }
}

/// The card; `is_open` for what comes next.
pub(super) fn work(work: &CrewWorkDto, waits: &[RunningWaitDto], is_open: bool) -> Markup {
    let word = standing_word(work.standing);
    html! {
        details.task.(words::class(work.kind)) open[is_open] id={ "w." (work.job) "." (work.step) "." (work.piece) }
            data-job=(work.job) data-step=(work.step) data-step-name=(work.step_name) data-house=(work.house_name)
            data-standing=(word) data-told=(word) data-start=(work.start) data-finish=(work.finish)
            data-started=[work.started_at.as_deref()] data-dividable[work.dividable]
            data-is-check[work.kind == crate::dto::StepKindDto::Check]
            data-check=[json(work.check.as_ref())] data-dwell=[json(work.dwell.as_ref())]
            data-sections=[json(work.sections.as_ref())] {
            summary {
                span.when { (span(work)) }
                span.kind { (kind_word(work.kind)) }
                span.name { (work.step_name) }
                span.place { (work.house_name) }
                span.standing data-standing-words { (standing_words(work)) }
            }
            div.inner { (inner(work, waits)) }
        }
    }
}

fn inner(work: &CrewWorkDto, waits: &[RunningWaitDto]) -> Markup {
    let own = waits.iter().filter(|wait| wait.job == work.job && wait.before_step == work.step);
    html! {
        @if let Some(address) = &work.address { p.address { (way(address, work.location.as_ref())) } }
        @if !work.follows_open.is_empty() {
            p.fault { "Not reported done yet: " (work.follows_open.join(", ")) "." }
        }
        @for wait in own {
            p.not-yet data-until=(wait.ready_at) {
                b { "Not before " time datetime=(wait.ready_at) { (day_clock(&wait.ready_at)) } } " " span.left {}
                @if wait.keep_off { " Keep off." }
            }
        }
        @for line in &work.tried { p.tried { (line) } }
        div.acts {}
        @if let Some(notes) = &work.notes { p.notes { (notes) } }
        (beware(&work.cautions))
        (needs(work))
    }
}

/// An address that a phone's own maps open; nothing is fetched from anywhere.
fn way(address: &str, location: Option<&LocationDto>) -> Markup {
    html! {
        @match location {
            Some(place) => a href=(format!("geo:{},{}", place.latitude_deg, place.longitude_deg)) { (address) },
            None => (address),
        }
    }
}

fn standing_words(work: &CrewWorkDto) -> String {
    match (work.standing, work.started_at.as_deref(), work.finished_at.as_deref()) {
        (StepStandingDto::Open, _, _) => String::new(),
        (StepStandingDto::Running, Some(since), _) => format!("running since {}", clock(since)),
        (StepStandingDto::Running, None, _) => "running".to_owned(),
        (StepStandingDto::Paused, _, _) => "paused".to_owned(),
        (StepStandingDto::Failed, _, Some(at)) => format!("did not pass, {}", clock(at)),
        (StepStandingDto::Failed, _, None) => "did not pass".to_owned(),
        (StepStandingDto::Done, _, Some(at)) => format!("✓ done {}", clock(at)),
        (StepStandingDto::Done, _, None) => "✓ done".to_owned(),
    }
}

fn beware(cautions: &[CautionDto]) -> Markup {
    html! {
        @if !cautions.is_empty() {
            div.beware {
                p { b { "Beware" } " " span.aside { "Label and safety data sheet come first." } }
                ul { @for caution in cautions { li { (caution.short) } } }
                details {
                    summary { "All of it" }
                    @for caution in cautions { p { b { (caution.short) ". " } (caution.text) } }
                }
            }
        }
    }
}

fn needs(work: &CrewWorkDto) -> Markup {
    let is_empty = work.products.is_empty() && work.gear.is_empty() && work.items.is_empty();
    html! {
        @if !is_empty {
            details.load open[matches!(work.standing, StepStandingDto::Open)] {
                summary { "To load for it" }
                ul {
                    @for product in &work.products {
                        li { (product.name) " " b { (format!("{:.2} gal", product.gallons)) } span.aside { (format!(" ({:.2} L)", product.litres)) } }
                    }
                    @for gear in &work.gear { li { (gear.equipment) " no. " (gear.unit + 1) } }
                    @for item in &work.items { li { (item.count) " × " (item.name) } }
                }
            }
        }
    }
}
