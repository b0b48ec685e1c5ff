//! A job's chain: drawn to scale by days, and as a list in which waits stand between the steps that they keep apart.

use super::houses::stand_class;
use super::words;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{OnExceedDto, WaitKindDto};
use crate::service::{JobLine, StepLine, StepStand, WaitLine, kind_word};
use maud::{Markup, html};

/// Width of the drawing in its own units.
const WIDTH: i64 = 1_200;
/// Works shorter than this could not be seen.
const BAR_MIN: i64 = 5;
/// So many days have their names below them; of more only each Monday.
const DAYS_NAMED_MAX: i64 = 16;
/// Longest time drawn: of what lasts longer only the beginning.
const DAYS_MAX: i64 = 130;
const DAY: i64 = 1_440;

struct Scale {
    zone: Zone,
    from: Minute,
    minutes: i64,
}

impl Scale {
    /// Whole days around all that is known.
    fn of(line: &JobLine, now: Minute) -> Option<Scale> {
        let spans = || line.steps.iter().filter_map(|step| step.span);
        let (first, last) = (spans().map(|span| span.0).min()?, spans().map(|span| span.1).max()?);
        let last = line.due.map_or(last, |due| last.max(due));
        let now_near = now.since(first).abs() < 60 * DAY;
        let (first, last) = if now_near { (first.min(now), last.max(now)) } else { (first, last) };
        let from = line.zone.day_start(line.zone.date(first));
        let until = line.zone.next_day_start(last);
        Some(Scale { zone: line.zone, from, minutes: until.since(from).clamp(DAY, DAYS_MAX * DAY) })
    }

    fn x(&self, at: Minute) -> i64 {
        (at.since(self.from) * WIDTH / self.minutes).clamp(0, WIDTH)
    }

    fn days(&self) -> Vec<Minute> {
        let mut days = vec![self.from];
        while let Some(next) = days.last().map(|day| self.zone.next_day_start(*day)) {
            if next.since(self.from) >= self.minutes {
                break;
            }
            days.push(next);
        }
        days
    }
}

/// The drawing; programs that read aloud skip it, because the list says the same.
pub(super) fn line(line: &JobLine, now: Minute) -> Markup {
    let Some(scale) = Scale::of(line, now) else { return html! {} };
    let all = scale.minutes / DAY;
    let bar = |(start, finish): (Minute, Minute)| (scale.x(start), (scale.x(finish) - scale.x(start)).max(BAR_MIN));
    html! {
        div.to-scale tabindex="0" role="group" aria-label="The chain drawn to scale; the list below says the same" {
            svg viewBox={ "0 0 " (WIDTH) " 112" } aria-hidden="true" {
                @for (index, day) in scale.days().into_iter().enumerate() {
                    @let date = scale.zone.date(day);
                    @let monday = date.format("%a").to_string() == "Mon";
                    @let (x, width) = bar((day, scale.zone.next_day_start(day)));
                    @if matches!(date.format("%a").to_string().as_str(), "Sat" | "Sun") { rect.weekend x=(x) y="0" width=(width) height="88" {} }
                    rect.edge x=(x) y="0" width="1" height=(if monday || all <= DAYS_NAMED_MAX { 94 } else { 88 }) {}
                    @if all <= DAYS_NAMED_MAX || monday || index == 0 && date.format("%u").to_string().as_str() < "5" {
                        text.day x=(x + 5) y="106" {
                            @if index == 0 || date.format("%d").to_string() == "01" || all > DAYS_NAMED_MAX { (words::day(date)) } @else { (date.format("%a %-d").to_string()) }
                        }
                    }
                }
                @for wait in line.waits.iter().filter(|wait| wait.wait.kind != WaitKindDto::Dwell) { (drawn_wait(wait, &bar)) }
                @for step in &line.steps { (drawn_step(step, &bar)) }
                @if now.since(scale.from) > 0 && now.since(scale.from) < scale.minutes {
                    rect.now x=(scale.x(now) - 1) y="0" width="3" height="94" {}
                }
                @if let Some(due) = line.due {
                    @let x = scale.x(due);
                    path.due d={ "M" (x) " 0 v88 m-7 -88 h14 l-7 10 z" } {}
                }
            }
        }
        ul.legend.chain-key aria-hidden="true" {
            li.drying { "floor waits" } li.until-work { "ready, waits for a crew" } li.key-now { "now" } li.key-due { "due" }
        }
    }
}

fn drawn_wait(wait: &WaitLine, bar: &impl Fn((Minute, Minute)) -> (i64, i64)) -> Markup {
    let Some((start, finish)) = wait.span else { return html! {} };
    let (idle, idle_width) = bar((start, finish));
    let needed = wait.is_needed().then(|| bar((start, wait.ready.unwrap_or(finish).min(finish))));
    html! {
        rect.ready-line x=(idle) y="47" width=(idle_width) height="2" {}
        @if let Some((x, width)) = needed { rect.drying x=(x) y="30" width=(width) height="36" fill="url(#p-wait)" {} }
    }
}

fn drawn_step(step: &StepLine, bar: &impl Fn((Minute, Minute)) -> (i64, i64)) -> Markup {
    let whole = step.span.into_iter().collect::<Vec<_>>();
    let spans = if step.pieces.len() > 1 && step.stand != StepStand::Done { &step.pieces } else { &whole };
    let class = words::class(step.step.kind);
    html! {
        @for span in spans {
            @let (x, width) = bar(*span);
            rect.act.(stand_class(step.stand)) x=(x) y="14" width=(width) height="68" fill={ "url(#p-" (class) ")" } {}
        }
    }
}

/// The list.
pub(super) fn list(line: &JobLine, now: Minute) -> Markup {
    html! {
        ol.chain {
            @for step in &line.steps {
                @for wait in line.waits.iter().filter(|wait| wait.wait.to == step.step.key) { (wait_item(line, wait, now)) }
                (step_item(line, step, now))
            }
        }
    }
}

const fn word(stand: StepStand) -> &'static str {
    match stand {
        StepStand::Done => "✓ done",
        StepStand::Running => "▶ under way",
        StepStand::Paused => "❚❚ paused",
        StepStand::Planned => "planned",
        StepStand::Unreported => "… not reported",
        StepStand::Unplaced => "? no place",
    }
}

fn step_item(line: &JobLine, step: &StepLine, now: Minute) -> Markup {
    let (zone, today) = (line.zone, line.zone.date(now));
    let next = line.next.and_then(|index| line.steps.get(index)).is_some_and(|next| next.step.key == step.step.key);
    html! {
        li.act.work.(words::class(step.step.kind)).(stand_class(step.stand)) {
            span.what {
                b { (step.step.name) } " " span.kind { (kind_word(step.step.kind)) }
                @if step.step.repeats.is_some() { " " span.state { "once more" } }
                @if step.failed > 0 { " " span.flag.late { "✕ failed " @if step.failed > 1 { (step.failed) " times" } @else { "once" } } }
                @if let Some(areas) = &step.step.areas { span.aside { (areas.join(", ")) } }
            }
            span.when {
                @if let Some((start, finish)) = step.span { (words::span_from(zone, start, finish, today)) }
                @if step.pieces.len() > 1 && step.stand != StepStand::Done { span.aside { "in " (step.pieces.len()) " parts" } }
            }
            span.by { @if let Some(crew) = &step.crew { (crew) } }
            span.stand { (word(step.stand)) @if next { " " span.mark { "next" } } }
        }
    }
}

fn wait_item(line: &JobLine, wait: &WaitLine, now: Minute) -> Markup {
    let (zone, today) = (line.zone, line.zone.date(now));
    if wait.wait.kind == WaitKindDto::Dwell {
        return html! { li.dwell { "Dwell " (dwell(wait)) ": the crew stays, nothing else meanwhile" } };
    }
    if !wait.is_needed() {
        return html! {};
    }
    let running = wait.span.is_some_and(|(start, finish)| start <= now && now < finish);
    html! {
        li.wait.running[running] {
            span.what {
                b { "Floor waits" }
                @if let Some(film) = wait.wait.film { " · " (film.word()) " dries" }
                @if wait.wait.keep_off { " · " b { "keep off" } }
                span.aside { (least(wait)) }
            }
            span.when {
                @if let Some((start, finish)) = wait.span {
                    (words::span_from(zone, start, wait.ready.unwrap_or(finish), today))
                    @if let Some(ready) = wait.ready.filter(|ready| *ready < finish) {
                        span.aside { "then ready, " (words::length(finish.since(ready))) " until " (wait.before) }
                    }
                }
            }
            span.by {}
            span.stand { @if running { @if wait.ready.is_some_and(|ready| ready <= now) { "✓ ready" } @else { "▶ waits" } } }
        }
    }
}

fn dwell(wait: &WaitLine) -> String {
    let least = wait.wait.min_minutes;
    wait.wait.max.as_ref().map_or_else(|| format!("at least {least} min"), |max| format!("{least}–{} min", max.minutes))
}

/// What the label asks for.
fn least(wait: &WaitLine) -> String {
    let mut parts = Vec::new();
    if wait.wait.min_minutes > 0 {
        let longer = if wait.wait.film.is_some() { ", longer when cool or damp" } else { "" };
        parts.push(format!("at least {}{longer}", words::length(wait.wait.min_minutes)));
    }
    if wait.wait.overnight {
        parts.push("a night between".to_owned());
    }
    if let Some(max) = &wait.wait.max {
        let then = match &max.on_exceed {
            OnExceedDto::Forbid => "never later".to_owned(),
            OnExceedDto::Lapse(_) => "later means one more step".to_owned(),
        };
        parts.push(format!("at most {}, {then}", words::length(max.minutes)));
    }
    parts.join("; ")
}
