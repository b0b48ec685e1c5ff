//! How the page of calendar addresses looks, and what is answered to a table.

use super::calendars::TableForm;
use super::people_view::sentence;
use super::shell::{self, Place, csrf};
use super::visitor::Visitor;
use super::words;
use crate::domain::time::Minute;
use crate::dto::FaultDto;
use crate::service::{CalendarAddresses, FeedKindDto, FeedView, ImportOutcome, ImportView};
use maud::{Markup, html};

/// Tables that can be taken along, and what is in them.
const TABLES: [(&str, &str); 9] = [
    ("houses", "Houses"),
    ("crews", "Crews"),
    ("equipment", "Equipment"),
    ("jobs", "Jobs"),
    ("steps", "Steps"),
    ("waits", "Waits"),
    ("plan", "The published plan"),
    ("history", "What was reported"),
    ("air-readings", "Air in houses"),
];
/// Rows of an answer that are shown; more are counted only.
const ROWS_SHOWN_MAX: usize = 500;

/// The whole page.
pub(super) fn page(visitor: &Visitor, all: &CalendarAddresses, news: Option<&Markup>) -> Markup {
    let body = html! {
        main.people.calendars #content {
            h1 { "Calendars" }
            @if let Some(news) = news { (news) }
            section aria-labelledby="make" {
                h2 #make { "A calendar for somebody" }
                p.aside { "An address that any calendar program subscribes to. Whoever has it sees that calendar and nothing else, and it \
                           follows the plan by itself. Take it back, and it shows nothing any more." }
                (make_form(visitor, all))
                (how())
            }
            section aria-labelledby="good" {
                h2 #good { "Addresses that are good" }
                @if all.feeds.is_empty() { p.aside { "None yet." } }
                ul.cards { @for feed in all.feeds.iter().rev() { (card(visitor, all, feed)) } }
            }
            section aria-labelledby="sheets" {
                h2 #sheets { "On paper" }
                p.aside { "A crew's day on one sheet: houses in order, gear, cautions, room for readings." }
                p.doing.left { @for (key, name) in &all.crews { a.button href={ "/day-sheet?crew=" (key) } { (name) } } }
            }
            (take_along())
            section aria-labelledby="bring" {
                h2 #bring { "Bring houses or crews from a spreadsheet" }
                (table_form(visitor, "houses", ""))
            }
        }
    };
    shell::inside(visitor, Place::Calendars, "Calendars", &["copy", "table"], &body)
}

fn make_form(visitor: &Visitor, all: &CalendarAddresses) -> Markup {
    let kinds = [
        ("crew", "A crew", "its own work, gear, notes and cautions"),
        ("house", "A house", "all work in it, with the crews' names"),
        ("customer", "A customer", "when to be out, and what is allowed when; no crews, no gear"),
        ("office", "The office", "everything"),
    ];
    html! {
        form.fields.make method="post" action="/calendars" {
            (csrf(visitor))
            fieldset {
                legend { "Whose" }
                @for (value, name, about) in kinds {
                    label.choice {
                        input type="radio" name="kind" value=(value) checked[value == "crew"];
                        span { b { (name) } " " span.aside { (about) } }
                    }
                }
            }
            div.which-one {
                @if !all.crews.is_empty() {
                    label { "Crew" select name="crew" { @for (key, name) in &all.crews { option value=(key) { (name) } } } }
                }
                @if !all.houses.is_empty() {
                    label { "House, for a house or a customer" select name="house" { @for (key, name) in &all.houses { option value=(key) { (name) } } } }
                }
                button.main { "Make an address" }
            }
        }
    }
}

fn how() -> Markup {
    html! {
        details.how {
            summary { "How to subscribe" }
            ol {
                li { "In the calendar program, look for “subscribe”, “add by address” or “from the internet”. Not “import”: that takes a copy which never changes." }
                li { "Paste the whole address and confirm. It asks for news by itself, most programs every few hours, some of them every half hour." }
                li { "Work that is called off stays in sight for 60 days, said to be cancelled." }
                li { "The floor's own waits can be shown between the steps as free time: take the second address." }
            }
        }
    }
}

const fn kind_word(kind: FeedKindDto) -> &'static str {
    match kind {
        FeedKindDto::Crew => "Crew",
        FeedKindDto::House => "House",
        FeedKindDto::Customer => "Customer",
        FeedKindDto::Office => "Office",
    }
}

fn card(visitor: &Visitor, all: &CalendarAddresses, feed: &FeedView) -> Markup {
    let named = |list: &[(String, String)], key: &Option<String>| {
        let key = key.as_ref()?;
        Some(list.iter().find(|(known, _)| known == key).map_or_else(|| key.clone(), |(_, name)| name.clone()))
    };
    let of = named(&all.crews, &feed.crew).or_else(|| named(&all.houses, &feed.house));
    let of = of.unwrap_or_else(|| "Everything".to_owned());
    html! {
        li.card {
            div.about-them {
                h3 { (of) " " span.state { (kind_word(feed.kind)) } }
                p.aside { "Made " (words::day_clock(all.zone, Minute::floor_from(feed.created_at))) }
            }
            div.doing {
                @if let Some(house) = &feed.house { a.button href={ "/houses/" (house) } { "The house" } }
                form method="post" action={ "/calendars/" (feed.id) "/revoke" } {
                    (csrf(visitor)) button { "Take back" span.unseen { ": " (kind_word(feed.kind)) " " (of) } }
                }
            }
        }
    }
}

/// An address, this once. `base` is this server's own.
pub(super) fn address_once(feed: &FeedView, base: &str, secret: &str) -> Markup {
    let whose = feed.crew.as_ref().or(feed.house.as_ref());
    html! {
        div.once role="status" {
            p { b { "The " (kind_word(feed.kind).to_lowercase()) "'s calendar" @if let Some(key) = whose { " (" (key) ")" } } " is made. Its address is shown this once: send it now." }
            dl {
                div { dt { "Calendar" } dd { code data-copy { (base) "/feeds/" (secret) ".ics" } } }
                @if feed.kind != FeedKindDto::Customer {
                    div { dt { "With waits" } dd { code data-copy { (base) "/feeds/" (secret) ".ics?waits=1" } } }
                }
                div { dt { "As a page" } dd { code data-copy { (base) "/week/" (secret) } } }
                @if feed.kind == FeedKindDto::Crew {
                    div { dt { "On paper" } dd { code data-copy { (base) "/day-sheet/" (secret) } } }
                }
            }
        }
    }
}

fn take_along() -> Markup {
    html! {
        section aria-labelledby="take" {
            h2 #take { "Take everything along" }
            p.aside { "Tables for a spreadsheet, and the whole company in one document." }
            p.doing.left {
                @for (table, name) in TABLES { a.button href={ "/v1/export/" (table) ".csv" } download { (name) } }
                a.button href="/v1/export.json" download { b { "Everything (JSON)" } }
            }
        }
    }
}

fn table_form(visitor: &Visitor, of: &str, table: &str) -> Markup {
    html! {
        form.fields.table-form method="post" action="/calendars/import" {
            (csrf(visitor))
            fieldset {
                legend { "A table of" }
                @for (value, name) in [("houses", "Houses"), ("crews", "Crews")] {
                    label.choice { input type="radio" name="of" value=(value) checked[value == of]; span { (name) } }
                }
            }
            label { "The table, with its header"
                textarea name="table" rows="8" required spellcheck="false" autocomplete="off" data-file
                    placeholder="key;name;address;access;areas" { (table) }
            }
            p.aside { "Commas, semicolons or tabs. A row with a known key changes that one; with a fault in any row nothing is kept. \
                       Columns: key, name, address, access (mon-fri 07:00-15:30), areas (Living room: 320 red oak; Hall: 80) …" }
            div.doing.left {
                button.main name="act" value="look" { "Look at it, keep nothing" }
                button name="act" value="keep" { "Take it in" }
            }
        }
    }
}

/// What is wrong with what was asked.
pub(super) fn faults(faults: &[FaultDto]) -> Markup {
    html! {
        div.fault role="alert" {
            p { b { "Nothing was done." } }
            @for fault in faults { p { (sentence(&fault.what)) " " (sentence(&fault.cure)) } }
        }
    }
}

fn answer(visitor: &Visitor, title: &str, body: &Markup) -> Markup {
    let whole = html! {
        main.people.calendars #content {
            p.about { a href="/calendars" { "Calendars and tables" } }
            h1 { (title) }
            (body)
        }
    };
    shell::inside(visitor, Place::Calendars, title, &["table"], &whole)
}

/// What became, or would become, of each row.
pub(super) fn imported(visitor: &Visitor, form: &TableForm, found: &ImportView) -> Markup {
    let count = |word: &str, many: usize| html! { li { b { (many) } " " (word) } };
    let word = |outcome| match outcome {
        ImportOutcome::Added => "added",
        ImportOutcome::Changed => "changed",
        ImportOutcome::Unchanged => "unchanged",
    };
    let body = html! {
        div.good role="status" {
            @if found.dry_run { p { b { "The table is good. Nothing was kept yet." } " It would come to:" } }
            @else { p { b { "The table is taken in." } } }
            ul.counts { (count("added", found.added)) (count("changed", found.changed)) (count("unchanged", found.unchanged)) }
            @if found.dry_run {
                form method="post" action="/calendars/import" {
                    (csrf(visitor))
                    input type="hidden" name="of" value=(form.of);
                    textarea.unseen name="table" readonly tabindex="-1" aria-label="The table" { (form.table) }
                    button.main name="act" value="keep" { "Take it in" }
                }
            }
        }
        table.rows {
            thead { tr { th.number scope="col" { "Row" } th scope="col" { "Key" } th scope="col" { @if found.dry_run { "Would be" } @else { "Was" } } } }
            tbody {
                @for row in found.rows.iter().take(ROWS_SHOWN_MAX) {
                    tr { td.number { (row.row) } td { code { (row.key) } } td { (word(row.outcome)) } }
                }
            }
        }
        @if found.rows.len() > ROWS_SHOWN_MAX { p.aside { (found.rows.len() - ROWS_SHOWN_MAX) " more rows." } }
    };
    let title = if found.dry_run { "The table is good" } else { "The table is taken in" };
    answer(visitor, title, &body)
}

/// What is wrong, row by row, and the table again to be mended.
pub(super) fn not_imported(visitor: &Visitor, form: &TableForm, faults: &[FaultDto]) -> Markup {
    let place = |fault: &FaultDto| {
        let mut parts = fault.pointer.split('/').skip(1).map(str::to_owned);
        (parts.next().unwrap_or_default(), parts.collect::<Vec<_>>().join("/"))
    };
    let body = html! {
        div.fault role="alert" {
            p { b { "Nothing was kept: " (super::houses::count(faults.len(), "fault", "faults")) "." } " Rows are counted under the header; row 0 is the header itself." }
        }
        table.rows {
            thead { tr { th.number scope="col" { "Row" } th scope="col" { "Column" } th scope="col" { "What is wrong" } th scope="col" { "What makes it right" } } }
            tbody {
                @for fault in faults {
                    @let (row, column) = place(fault);
                    tr { td.number { (row) } td { code { (column) } } td { (sentence(&fault.what)) } td { (sentence(&fault.cure)) } }
                }
            }
        }
        section aria-labelledby="mend" { h2 #mend { "Mend it here, or in your file" } (table_form(visitor, &form.of, &form.table)) }
    };
    answer(visitor, "The table has faults", &body)
}
