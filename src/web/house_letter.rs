//! What the customer is told, on the page of the house and as a letter to print. What is said is `service`'s matter.

use super::shell::{self, Place};
use super::visitor::Visitor;
use super::words::told_in_full;
use crate::dto::CustomerLetterDto;
use maud::{Markup, html};

/// The letter on a sheet of its own.
pub(super) fn page(visitor: &Visitor, house: &str, letter: &CustomerLetterDto) -> Markup {
    let back = format!("/houses/{house}?job={}", letter.job);
    let body = html! {
        main.letter-page #content {
            nav.ways-on aria-label="The house" { a href=(back) { "← " (letter.house_name) } }
            p.aside.not-printed { "Print this page: the bar and this line stay out." }
            article.letter {
                p.from { (letter.company) }
                h1 { "Your floors" }
                p.place { (letter.address.as_ref().unwrap_or(&letter.house_name)) span.aside { (letter.job_name) " · times in " (letter.time_zone) } }
                (text(letter))
                p.ask { "Questions? Call " (letter.company) "." }
            }
        }
    };
    shell::inside(visitor, Place::Houses, &format!("Letter, {}", letter.house_name), &[], &body)
}

/// What the letter says.
pub(super) fn text(letter: &CustomerLetterDto) -> Markup {
    html! {
        @match (&letter.work_from, &letter.work_until) {
            (Some(from), Some(until)) => p { "We work in the house from " b { (told_in_full(from)) } " to " b { (told_in_full(until)) } ", not all of the time." },
            _ => p { "No more work is planned in the house." },
        }
        @if !letter.keep_offs.is_empty() {
            h3 { "Please be out, pets too" }
            ul.keep-offs {
                @for time in &letter.keep_offs {
                    li {
                        b { (told_in_full(&time.from)) " to " @if time.from.get(..10) == time.until.get(..10) { (time.until.get(11..16).unwrap_or("")) } @else { (told_in_full(&time.until)) } }
                        span.aside { @if time.areas.is_empty() { "all floors" } @else { (time.areas.join(", ")) } " · " (time.after) " dries" }
                    }
                }
            }
        }
        h3 { "After the last coat" }
        @match &letter.dates {
            Some(dates) => ul { @for line in &dates.words { li { (line) } } },
            None => p { "No day for the last coat has been promised yet." },
        }
        h3 { "What may change these dates" }
        ul { @for line in &letter.changes { li { (line) } } }
    }
}
