//! How the page of people looks.

use super::people::{PersonForm, Said, is_own};
use super::shell::{self, Place, csrf};
use super::visitor::Visitor;
use super::words;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::service::{BrowserView, CrewLinkView, PeopleView, PersonView, SIGN_IN_NAME_CHARS_MAX, WithPassword};
use crate::store::{Holder, TokenRole};
use chrono::{DateTime, Utc};
use maud::{Markup, html};
use uuid::Uuid;

/// Words for kinds of browsers: what is sent of them begins the search, most particular first.
const BROWSERS: &[(&str, &str)] =
    &[("Firefox/", "Firefox"), ("Edg/", "Edge"), ("OPR/", "Opera"), ("Chrome/", "Chrome"), ("Safari/", "Safari")];
const SYSTEMS: &[(&str, &str)] = &[
    ("Android", "Android"),
    ("iPhone", "iPhone"),
    ("iPad", "iPad"),
    ("Windows", "Windows"),
    ("Mac OS X", "Mac"),
    ("CrOS", "Chromebook"),
    ("Linux", "Linux"),
];

/// Browsers of one person or link that are shown at once; the others at a touch.
const BROWSERS_SHOWN: usize = 3;

/// The whole page.
pub(super) fn page(visitor: &Visitor, people: &PeopleView, now: Minute, said: &Said) -> Markup {
    let none = PersonForm::default();
    let filled = said.filled.as_ref().unwrap_or(&none);
    let body = html! {
        main.people #content {
            h1 { "People" }
            @if let Some(news) = &said.news { (news) }
            section aria-labelledby="who" {
                h2 #who { "Who may sign in" }
                details.add open[said.filled.is_some()] {
                    summary { "Add somebody" }
                    (add_form(visitor, people, filled))
                }
                ul.cards { @for person in &people.people { (card(visitor, people.zone, now, person)) } }
            }
            section aria-labelledby="phones" {
                h2 #phones { "Crews' phones" }
                p.aside { "A crew needs no password: send its lead a link. Whoever opens it and taps the button has that phone signed in \
                           as the crew, for a year. Take the link back, and the phone is signed out." }
                @if people.crews.is_empty() {
                    p { "There are no crews yet." }
                } @else {
                    (link_form(visitor, people))
                }
                ul.cards { @for link in &people.links { (link_card(visitor, people.zone, now, link)) } }
            }
        }
    };
    shell::inside(visitor, Place::People, "People", &["copy"], &body)
}

/// The first letter large, a full stop at the end.
pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first: String = letters.next().map(|letter| letter.to_uppercase().collect()).unwrap_or_default();
    format!("{first}{}.", letters.as_str())
}

fn add_form(visitor: &Visitor, people: &PeopleView, filled: &PersonForm) -> Markup {
    let roles = [
        ("office", "Office", "everything, people too"),
        ("viewer", "Viewer", "looks at everything, changes nothing"),
        ("crew", "Crew", "one crew's work, and reports it"),
    ];
    let chosen = if filled.role.is_empty() { "office" } else { filled.role.as_str() };
    html! {
        form.fields method="post" action="/people" {
            (csrf(visitor))
            label { "Name" input name="name" required maxlength="120" autocomplete="off" value=(filled.name); }
            label { "Sign-in name"
                input name="sign_in_name" required minlength="2" maxlength=(SIGN_IN_NAME_CHARS_MAX) autocomplete="off"
                    autocapitalize="none" spellcheck="false" value=(filled.sign_in_name) aria-describedby="name-rule";
            }
            p.aside #name-rule { "A mail address, for instance. Small and capital letters are the same." }
            fieldset {
                legend { "Role" }
                @for (value, name, about) in roles {
                    label.choice {
                        input type="radio" name="role" value=(value) checked[value == chosen];
                        span { b { (name) } " " span.aside { (about) } }
                    }
                }
            }
            @if !people.crews.is_empty() {
                label { "Crew, for the role crew" (crew_list(people, &filled.crew)) }
            }
            button.main { "Add" }
        }
    }
}

fn crew_list(people: &PeopleView, chosen: &str) -> Markup {
    html! {
        select name="crew" {
            @for (key, name) in &people.crews { option value=(key) selected[key == chosen] { (name) } }
        }
    }
}

fn link_form(visitor: &Visitor, people: &PeopleView) -> Markup {
    html! {
        form.fields.row method="post" action="/people/links" {
            (csrf(visitor))
            label { "Crew" (crew_list(people, "")) }
            label { "Whose phone (if you like)" input name="name" maxlength="120" autocomplete="off"; }
            button.main { "Make a link" }
        }
    }
}

const fn role_word(role: TokenRole) -> &'static str {
    match role {
        TokenRole::Office => "Office",
        TokenRole::Crew => "Crew",
        TokenRole::Viewer => "Viewer",
    }
}

/// A form that is one button; `about` completes its name for those who do not see what it stands beside.
fn button(visitor: &Visitor, action: &str, word: &str, about: &str) -> Markup {
    html! {
        form method="post" action=(action) { (csrf(visitor)) button { (word) span.unseen { ": " (about) } } }
    }
}

fn card(visitor: &Visitor, zone: Zone, now: Minute, person: &PersonView) -> Markup {
    let row = &person.row;
    let own = visitor.person() == Some(row.id);
    let gone = row.revoked_at.is_some();
    html! {
        li.card.gone[gone] {
            div.about-them {
                h3 { (row.name) @if own { " " span.mark { "you" } } @if gone { " " span.state { "shut out" } } }
                p { code { (row.sign_in_name) } " · " (role_word(row.role)) @if let Some(crew) = &person.crew { " · " (crew) } }
                p.aside { "Added " (when(zone, row.created_at)) ", password of " (when(zone, row.password_set_at)) }
            }
            div.doing {
                @let path = format!("/people/{}", row.id);
                @if gone {
                    (button(visitor, &format!("{path}/password"), "Let in again", &row.name))
                } @else {
                    @if own {
                        a.button href="/password" { "Change your password" }
                    } @else {
                        (button(visitor, &format!("{path}/password"), "New password", &row.name))
                        (button(visitor, &format!("{path}/shut-out"), "Shut out", &row.name))
                    }
                }
            }
            (browsers(visitor, zone, now, Holder::Person(row.id), &person.browsers, "Signed in nowhere."))
        }
    }
}

fn link_card(visitor: &Visitor, zone: Zone, now: Minute, link: &CrewLinkView) -> Markup {
    let row = &link.row;
    html! {
        li.card {
            div.about-them {
                h3 { (row.name) }
                p { (link.crew) }
                p.aside {
                    "Made " (when(zone, row.created_at))
                    @if let Some(at) = row.last_used_at { ", last opened " (when(zone, at)) } @else { ", not opened yet" }
                }
            }
            div.doing { (button(visitor, &format!("/people/links/{}/revoke", row.id), "Take back", &row.name)) }
            (browsers(visitor, zone, now, Holder::CrewLink(row.id), &link.browsers, "No phone is signed in with it."))
        }
    }
}

fn browsers(visitor: &Visitor, zone: Zone, now: Minute, holder: Holder, all: &[BrowserView], none: &str) -> Markup {
    let (first, more) = all.split_at(all.len().min(BROWSERS_SHOWN));
    let one = |browser: &BrowserView| {
        let device = device(&browser.device);
        html! {
            li {
                span { (device) @if is_own(visitor, holder, browser.id) { " " span.mark { "this one" } } }
                span.aside { "last used " (ago(zone, now, browser.seen_at)) }
                (sign_out(visitor, browser.id, &device))
            }
        }
    };
    html! {
        @if all.is_empty() { p.aside.where { (none) } } @else { ul.where { @for browser in first { (one(browser)) } } }
        @if !more.is_empty() {
            details.more {
                summary { (more.len()) " more" }
                ul.where { @for browser in more { (one(browser)) } }
            }
        }
    }
}

fn sign_out(visitor: &Visitor, id: Uuid, device: &str) -> Markup {
    button(visitor, &format!("/people/browsers/{id}/sign-out"), "Sign out", device)
}

fn when(zone: Zone, at: DateTime<Utc>) -> String {
    words::day_clock(zone, Minute::floor_from(at))
}

fn ago(zone: Zone, now: Minute, at: DateTime<Utc>) -> String {
    let minutes = now.since(Minute::floor_from(at));
    match minutes {
        ..=9 => "just now".to_owned(),
        10..=1439 => format!("{} ago", words::length(minutes)),
        _ => when(zone, at),
    }
}

/// In words, of what a browser says it is.
fn device(text: &str) -> String {
    let word = |list: &[(&str, &'static str)]| list.iter().find(|(part, _)| text.contains(part)).map(|(_, word)| *word);
    match (word(BROWSERS), word(SYSTEMS)) {
        (Some(browser), Some(system)) => format!("{browser} on {system}"),
        (Some(one), None) | (None, Some(one)) => one.to_owned(),
        (None, None) => "An unknown browser".to_owned(),
    }
}

/// A password, this once.
pub(super) fn password_once(set: &WithPassword, what: &str) -> Markup {
    html! {
        div.once role="status" {
            p { b { (set.person.name) } " " (what) ". The password is shown this once: tell it to them now." }
            dl {
                div { dt { "Sign-in name" } dd { code { (set.person.sign_in_name) } } }
                div { dt { "Password" } dd { code data-copy { (set.password) } } }
            }
        }
    }
}

/// A link, this once.
pub(super) fn link_once(name: &str, address: &str) -> Markup {
    html! {
        div.once role="status" {
            p { "The link for " b { (name) } ". It is shown once: send it to that phone now." }
            p { code data-copy { (address) } }
        }
    }
}

/// When somebody of the office has given themselves a new password.
pub(super) fn own_password(visitor: &Visitor, news: &Markup) -> Markup {
    let body = html! {
        main.people #content {
            h1 { "Your new password" }
            (news)
            p { a href="/sign-in" { "Sign in with it" } }
        }
    };
    shell::inside(visitor, Place::Elsewhere, "Your new password", &["copy"], &body)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn browsers_are_named_shortly() {
        let phone = "Mozilla/5.0 (Linux; Android 16; K) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/142.0.0.0 Mobile Safari/537.36";
        assert_eq!(device(phone), "Chrome on Android");
        assert_eq!(
            device("Mozilla/5.0 (iPhone; CPU iPhone OS 18_0 like Mac OS X) Version/18.0 Safari/604.1"),
            "Safari on iPhone"
        );
        assert_eq!(device("curl/8"), "An unknown browser");
        assert_eq!(sentence("the name is taken"), "The name is taken.");
    }
}
