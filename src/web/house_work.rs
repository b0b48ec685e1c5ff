//! What goes with the work in a house: treatments section by section, quantities and load lists, cautions, history.

use super::load;
use super::people_view::sentence;
use super::words;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{LoadListDto, OutcomeDto, SectionDto, StepKindDto};
use crate::service::{JobPage, RecordView, TreatmentPlanView};
use maud::{Markup, html};

/// Width of the drawing of the sections in its own units.
const WIDTH: i64 = 1_000;
/// Entries of the history that are shown at once.
const HISTORY_SHOWN: usize = 12;

/// Treatments that are rolled in sections.
pub(super) fn treatments(page: &JobPage) -> Markup {
    html! { @for view in &page.treatments { (treatment(page, view)) } }
}

fn treatment(page: &JobPage, view: &TreatmentPlanView) -> Markup {
    let name = |key: &str| {
        let found = page.line.steps.iter().find(|line| line.step.key == key);
        found.map_or_else(|| key.to_owned(), |line| line.step.name.clone())
    };
    let total: i64 = view.plan.sections.iter().map(|section| section.sqft).sum();
    html! {
        div.treatment {
            h3 { (name(&view.step_a)) " and " (name(&view.step_b)) }
            p {
                (super::houses::count(view.people as usize, "person", "people"))
                @if let Some(crew) = &view.crew { " (" (page.crews.get(crew).unwrap_or(crew)) ")" }
                @if let Some(at) = &view.starts_at { ", from " (words::told(at)) }
                " · " (super::houses::count(view.plan.sections.len(), "section", "sections")) " of " (total) " sq ft · "
                (words::length(view.plan.total_seconds / 60)) " in all"
                @if let Some(largest) = view.plan.largest_sqft { " · at most " (largest) " sq ft at a time: " (view.plan.largest_because) }
            }
            (sections(&view.plan.sections, total))
            table.sections {
                thead { tr { th scope="col" { "Section" } th scope="col" { "Floor" } th scope="col" { "Part A" } th scope="col" { "Part B" } th.number scope="col" { "Dwell" } } }
                tbody {
                    @for section in &view.plan.sections {
                        tr {
                            th scope="row" { (section.number) }
                            td {
                                @for floor in &section.floor { span { (floor.area) " " span.aside { (floor.from_sqft) "–" (floor.until_sqft) " sq ft" } } " " }
                                @if section.wet_again { span.flag.late { "wet again" } }
                            }
                            td.time { (clock(view, section.a_from_seconds)) "–" (clock(view, section.a_until_seconds)) }
                            td.time { (clock(view, section.b_from_seconds)) "–" (clock(view, section.b_until_seconds)) }
                            td.number { (dwell(section)) }
                        }
                    }
                }
            }
            details {
                summary { "Read it aloud: who does what when" }
                ul.lines { @for line in &view.plan.lines { li { (line) } } }
                @for note in &view.plan.notes { p.aside { (note) } }
            }
        }
    }
}

fn dwell(section: &SectionDto) -> String {
    let minutes = |seconds: i64| format!("{}:{:02}", seconds / 60, seconds % 60);
    let (first, last) = (section.dwell_first_seconds, section.dwell_last_seconds);
    if first == last { minutes(first) } else { format!("{}–{}", minutes(first.min(last)), minutes(first.max(last))) }
}

/// On the house's clock where the beginning is known, or else after the beginning.
fn clock(view: &TreatmentPlanView, seconds: i64) -> String {
    let begins = view.starts_at.as_ref().and_then(|at| chrono::DateTime::parse_from_rfc3339(at).ok());
    match begins.and_then(|begins| begins.checked_add_signed(chrono::TimeDelta::seconds(seconds))) {
        Some(at) => at.format("%H:%M:%S").to_string(),
        None => format!("{}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60),
    }
}

/// The sections in their order, as large as their share.
fn sections(sections: &[SectionDto], total: i64) -> Markup {
    let mut placed = Vec::new();
    let mut before = 0;
    for section in sections {
        let (x, until) = (before * WIDTH / total.max(1), (before + section.sqft) * WIDTH / total.max(1));
        placed.push((section, x, (until - x).max(2)));
        before += section.sqft;
    }
    html! {
        svg.section-plan viewBox={ "0 0 " (WIDTH) " 64" } aria-hidden="true" {
            @for (section, x, width) in &placed {
                rect x=(x + 2) y="2" width=(width - 4) height="60" rx="3" {}
                text.name x=(x + width / 2) y="28" text-anchor="middle" { (section.number) }
                @if *width > 70 { text x=(x + width / 2) y="50" text-anchor="middle" { (section.sqft) " sq ft" } }
            }
        }
    }
}

/// What the work that is promised takes, step by step, and what crews load on which day.
pub(super) fn quantities(loads: &[LoadListDto]) -> Markup {
    let houses = || loads.iter().flat_map(|list| &list.crews).flat_map(|crew| &crew.houses);
    let works = || houses().flat_map(|house| &house.works).filter(|work| !work.goes_on && !work.products.is_empty());
    html! {
        @if loads.is_empty() { p.aside { "No work is promised from today on, so there is nothing to load." } }
        @if works().next().is_some() {
            table.quantities {
                thead { tr { th scope="col" { "Step" } th scope="col" { "Product" } th.number scope="col" { "Floor" } th.number scope="col" { "Cover" } th.number scope="col" { "Needed" } } }
                tbody {
                    @for work in works() {
                        @for (index, product) in work.products.iter().enumerate() {
                            tr {
                                th.work.(words::class(work.kind)) scope="row" { @if index == 0 { (work.step_name) } @else { span.unseen { (work.step_name) } } }
                                td {
                                    (product.name)
                                    @if let Some(mix) = &product.mix {
                                        span.aside { " with " (format!("{:.2}", mix.catalyst_gallons)) " gal " (mix.catalyst) ", in " (super::houses::count(mix.batches.max(0) as usize, "batch", "batches")) ", each used within " (words::length(mix.pot_life_minutes)) }
                                    }
                                }
                                td.number { (work.area_sqft) " sq ft" @if product.coats > 1 { " × " (product.coats) } }
                                td.number { (product.cover_sqft_per_gal) " sq ft/gal" @if !product.cover_given { span.aside { " usual" } } }
                                td.number { b { (format!("{:.2} gal", product.gallons)) } span.aside { " " (format!("{:.2} L", product.litres)) } }
                            }
                        }
                    }
                }
            }
            p.aside { "Waste is counted in. Where the label gives a cover, the label counts." }
        }
        div.loads {
            @for list in loads {
                @for crew in &list.crews {
                    div { h3 { (words::day(list.date)) " · " (crew.crew_name) } (load::list(list, false)) }
                }
            }
        }
    }
}

/// What to beware of, and at which steps.
pub(super) fn cautions(page: &JobPage) -> Markup {
    let at = |code: &str| {
        let steps = page.cautions.steps.iter().filter(|step| step.cautions.iter().any(|known| known == code));
        steps.map(|step| step.step_name.as_str()).collect::<Vec<_>>().join(", ")
    };
    html! {
        p.label-first { "Label, safety data sheet, local codes and licensed practice come before all of this." }
        @if page.cautions.cautions.is_empty() { p.aside { "Nothing more is known to beware of." } }
        ul.cautions {
            @for caution in &page.cautions.cautions {
                li { details { summary { b { (caution.short) } span.aside { (at(&caution.code)) } } p { (caution.text) } } }
            }
        }
    }
}

/// Who reported what when, the latest first.
pub(super) fn history(page: &JobPage, zone: Zone) -> Markup {
    let (first, more) = page.history.split_at(page.history.len().min(HISTORY_SHOWN));
    html! {
        @if first.is_empty() { p.aside { "Nothing has been reported yet." } }
        ol.history { @for record in first { (entry(page, record, zone)) } }
        @if !more.is_empty() {
            details.earlier { summary { (more.len()) " earlier" } ol.history { @for record in more { (entry(page, record, zone)) } } }
        }
    }
}

fn entry(page: &JobPage, record: &RecordView, zone: Zone) -> Markup {
    let step = page.line.steps.iter().find(|line| line.step.key == record.step).map(|line| &line.step);
    let kind = step.map_or(StepKindDto::Other, |step| step.kind);
    let crew = page.crews.get(&record.crew).unwrap_or(&record.crew);
    let outcome = match record.outcome {
        OutcomeDto::Running => "began",
        OutcomeDto::Done if kind == StepKindDto::Check => "✓ passed",
        OutcomeDto::Done => "✓ done",
        OutcomeDto::Failed => "✕ failed",
        OutcomeDto::Paused => "❚❚ paused",
    };
    let at = record.finished_at.as_ref().unwrap_or(&record.started_at);
    html! {
        li.work.(words::class(kind)) {
            span.when { time datetime=(at) { (words::told(at)) } }
            span.what {
                b { (step.map_or(record.step.as_str(), |step| step.name.as_str())) } " "
                span.state.bad[record.outcome == OutcomeDto::Failed] { (outcome) }
                @if record.re_wet { " " span.state { "wetted again" } }
                @if record.overruled { " " span.state { "by the office's word" } }
                @if let Some(verdict) = &record.verdict { p { (sentence(&verdict.in_words)) } }
                @if let Some(minutes) = record.remaining_minutes { p { (words::length(minutes)) " left" } }
                @if !record.added_steps.is_empty() { p { "Adds " (super::houses::count(record.added_steps.len(), "step", "steps")) " to the chain." } }
                @if let Some(at) = &record.retry_not_before_at { p { "To be read again from " (words::told(at)) " on." } }
                @for warning in &record.warnings { p.warning { (sentence(warning)) } }
                @if let Some(note) = &record.note { p.note { "“" (note) "”" } }
            }
            span.by { (crew) span.aside { "told by " (record.recorded_by) ", " (words::day_clock(zone, Minute::floor_from(record.recorded_at))) } }
        }
    }
}
