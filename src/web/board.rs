//! The office's week: crews down, days across.

use super::visit::{days, shown_on, visits, work};
use super::words;
use crate::domain::time::{Span, joined};
use crate::dto::PlacedStateDto;
use crate::service::{FeedWeek, FeedWork};
use chrono::NaiveDate;
use maud::{Markup, html};
use uuid::Uuid;

/// The board. Roles are spelt out because narrow screens show it as a list, and then browsers forget the table.
pub(super) fn board(week: &FeedWeek) -> Markup {
    let days = days(week);
    let today = week.zone.date(week.now);
    let idle = |date: &NaiveDate| !week.works.iter().any(|work| shown_on(week, work) == *date);
    html! {
        table.board role="table" aria-label="Crews and days" {
            colgroup {
                col.who;
                @for date in &days { col.idle[idle(date)]; }
            }
            thead role="rowgroup" {
                tr role="row" {
                    th role="columnheader" scope="col" { "Crew" }
                    @for &date in &days {
                        th.today[date == today] role="columnheader" scope="col" {
                            (date.format("%a").to_string()) " "
                            span.whole { (date.format("%-d %b").to_string()) }
                            @if date == today { " " span.mark { "today" } }
                        }
                    }
                }
            }
            tbody role="rowgroup" {
                @for (crew, name) in &week.crews { (row(week, &days, today, *crew, name)) }
            }
        }
        @if week.crews.is_empty() { p.empty { "There are no crews yet." } }
    }
}

fn row(week: &FeedWeek, days: &[NaiveDate], today: NaiveDate, crew: Uuid, name: &str) -> Markup {
    let own = |work: &&FeedWork| work.crew.as_ref().is_some_and(|(id, _)| *id == crew);
    let works: Vec<&FeedWork> = week.works.iter().filter(own).collect();
    // What is in hand may pause overnight, so its length says little; the two parts of a treatment overlap.
    let planned = works.iter().filter(|work| work.state == Some(PlacedStateDto::Planned));
    let busy = joined(planned.filter_map(|work| Span::new(work.start, work.finish)).collect());
    let minutes: i64 = busy.into_iter().map(Span::minutes).sum();
    html! {
        tr role="row" {
            th role="rowheader" scope="row" {
                span.crew { (name) }
                span.sum { @if minutes > 0 { (minutes / 60) " h planned" } @else { "nothing planned" } }
            }
            @for &date in days {
                @let here = works.iter().copied().filter(|work| shown_on(week, work) == date);
                (cell(week, date, date == today, here))
            }
        }
    }
}

fn cell<'a>(week: &FeedWeek, date: NaiveDate, today: bool, works: impl Iterator<Item = &'a FeedWork>) -> Markup {
    let visits = visits(works);
    html! {
        td.today[today].free[visits.is_empty()] role="cell" {
            @if visits.is_empty() {
                span.unseen { "nothing" }
            } @else {
                span.on-narrow { (words::day(date)) @if today { " " span.mark { "today" } } }
            }
            @for visit in &visits {
                div.visit {
                    h3 { (visit[0].house) }
                    ul { @for one in visit { (work(one, week.zone, date)) } }
                }
            }
        }
    }
}
