//! A house's week drawn to scale: works as tall bars, waits as low ones. A picture for the eye only; the columns say
//! the same in words, so programs that read aloud skip it.

use super::days::is_told;
use super::words;
use crate::domain::time::Minute;
use crate::service::{FEED_WEEK_DAYS, FeedWeek};
use maud::{Markup, html};

/// Minutes drawn a day, also on days when clocks change.
const DAY: i64 = 1440;
const WIDTH: i64 = FEED_WEEK_DAYS as i64 * DAY;
/// Works shorter than this could not be seen.
const WIDTH_MIN: i64 = 24;

/// The drawing.
pub(super) fn line(week: &FeedWeek) -> Markup {
    let bar = |start: Minute, finish: Minute, y: i64, height: i64, class: &str| {
        let (from, until) = (x(week, start), x(week, finish));
        let width = (until - from).max(WIDTH_MIN);
        html! { rect class=(class) x=(from) y=(y) width=(width) height=(height) {} }
    };
    let now = x(week, week.now);
    html! {
        svg.line viewBox={ "0 0 " (WIDTH) " 100" } preserveAspectRatio="none" aria-hidden="true" {
            rect.ground x="0" y="46" width=(WIDTH) height="8" {}
            @for wait in week.waits.iter().filter(|wait| is_told(week, wait)) {
                (bar(wait.start, wait.finish, 34, 32, if wait.is_needed() { "drying" } else { "idle" }))
            }
            @for work in &week.works { (bar(work.start, work.finish, 8, 84, words::class(work.kind))) }
            @for day in 1..FEED_WEEK_DAYS as i64 { rect.edge x=(day * DAY - 4) y="0" width="8" height="100" {} }
            @if now > 0 && now < WIDTH { rect.now x=(now - 10) y="0" width="20" height="100" {} }
        }
    }
}

/// Across: the day, then the time on its wall clock.
fn x(week: &FeedWeek, at: Minute) -> i64 {
    let day = week.zone.date(at).signed_duration_since(week.from).num_days();
    (day * DAY + i64::from(week.zone.minute_of_day(at))).clamp(0, WIDTH)
}
