//! What every page has around it, and the style sheet that comes with the program. Pages for whoever is signed in have the
//! bar with the ways to the others.

use super::visitor::Visitor;
use crate::store::TokenRole;
use maud::{DOCTYPE, Markup, html};
use sha2::{Digest, Sha256};
use std::sync::LazyLock;

/// The look of all pages. Pages with a look of their own add a file, whose rules begin with the root element's class.
pub(super) const STYLE: &str = concat!(
    include_str!("page.css"),
    include_str!("inside.css"),
    include_str!("board_page.css"),
    include_str!("day/day.css"),
    include_str!("houses.css"),
    include_str!("house.css")
);
/// Three planks.
pub(super) const MARK: &str = include_str!("mark.svg");

/// Where the style is: browsers keep it until it changes.
static STYLE_ADDRESS: LazyLock<String> = LazyLock::new(|| address("/page.css", STYLE));
static MARK_ADDRESS: LazyLock<String> = LazyLock::new(|| address("/mark.svg", MARK));

/// An address that changes when the content does.
pub(super) fn address(path: &str, content: &str) -> String {
    let hash = Sha256::digest(content.as_bytes());
    let hex: String = hash.iter().take(8).map(|byte| format!("{byte:02x}")).collect();
    format!("{path}?v={hex}")
}

/// Pages that the bar leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    /// Who is where when.
    Board,
    /// Houses and their jobs.
    Houses,
    /// What one crew does today.
    Day,
    /// Calendar addresses.
    Calendars,
    /// Who may sign in.
    People,
    /// Who changed what.
    Changes,
    /// A page that the bar does not lead to.
    Elsewhere,
}

impl Place {
    /// Of the root element: a page's own style applies only there.
    const fn class(self) -> &'static str {
        match self {
            Place::Board => "at-board",
            Place::Houses => "at-houses",
            Place::Day => "at-day",
            Place::Calendars => "at-calendars",
            Place::People => "at-people",
            Place::Changes => "at-changes",
            Place::Elsewhere => "at-elsewhere",
        }
    }
}

struct Way {
    place: Place,
    name: &'static str,
    address: &'static str,
    roles: &'static [TokenRole],
}

const OFFICE: &[TokenRole] = &[TokenRole::Office];
const LOOKERS: &[TokenRole] = &[TokenRole::Office, TokenRole::Viewer];
const CREW: &[TokenRole] = &[TokenRole::Crew];

/// All of them, in the bar's order; the first that a role may see is where it begins.
const WAYS: &[Way] = &[
    Way { place: Place::Board, name: "Board", address: "/board", roles: LOOKERS },
    Way { place: Place::Houses, name: "Houses", address: "/houses", roles: LOOKERS },
    Way { place: Place::Day, name: "Crews' days", address: "/day", roles: OFFICE },
    Way { place: Place::Day, name: "My day", address: "/day", roles: CREW },
    Way { place: Place::Calendars, name: "Calendars", address: "/calendars", roles: OFFICE },
    Way { place: Place::People, name: "People", address: "/people", roles: OFFICE },
    Way { place: Place::Changes, name: "Changes", address: "/changes", roles: OFFICE },
];

/// Where a role begins.
pub(super) fn home(role: TokenRole) -> &'static str {
    WAYS.iter().find(|way| way.roles.contains(&role)).map_or("/", |way| way.address)
}

fn head(title: &str, csrf: Option<&str>, scripts: &[&str]) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="color-scheme" content="light dark";
            @if let Some(csrf) = csrf { meta name="csrf" content=(csrf); }
            title { (title) }
            link rel="stylesheet" href=(*STYLE_ADDRESS);
            link rel="icon" type="image/svg+xml" href=(*MARK_ADDRESS);
            @for name in scripts { script type="module" src={ "/script/" (name) ".js" } {} }
        }
    }
}

/// A whole page for whoever comes by.
pub(super) fn page(title: &str, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(title, None, &[]))
            body { (body) }
        }
    }
}

/// A whole page for whoever is signed in: the bar, then `body`, which has the one element `#content` that the skip link
/// leads to. `scripts` are names of files in `script/`.
pub(super) fn inside(visitor: &Visitor, here: Place, title: &str, scripts: &[&str], body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" class=(here.class()) {
            (head(&format!("{title} · tackfree"), Some(&visitor.csrf), scripts))
            body.inside {
                a.skip href="#content" { "Skip to the page" }
                (bar(visitor, here))
                (body)
            }
        }
    }
}

fn bar(visitor: &Visitor, here: Place) -> Markup {
    let ways = WAYS.iter().filter(|way| way.roles.contains(&visitor.role));
    html! {
        header.bar {
            a.home href=(home(visitor.role)) { span.planks aria-hidden="true" { i.k-sand {} i.k-treat-a {} i.k-coat {} } "tackfree" }
            nav aria-label="Pages" {
                @for way in ways {
                    a href=(way.address) aria-current=[(way.place == here).then_some("page")] { (way.name) }
                }
            }
            div.who {
                @if visitor.person().is_some() {
                    a.name href="/password" title="Change your password" { (visitor.name) }
                } @else {
                    span.name { (visitor.name) }
                }
                form method="post" action="/sign-out" { (csrf(visitor)) button { "Sign out" } }
            }
        }
    }
}

/// The hidden field of every form.
pub(super) fn csrf(visitor: &Visitor) -> Markup {
    html! { input type="hidden" name="csrf" value=(visitor.csrf); }
}
