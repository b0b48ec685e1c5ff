//! The way of a failed floor to passing, drawn: each area's mean round by round against the floor's average and its limit,
//! and when it will probably pass.

use super::words;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{OutlookDto, VerdictDto};
use crate::service::CheckView;
use chrono::DateTime;
use maud::{Markup, html};

/// Size of the drawing, and of what is drawn in within its axes, in its own units.
const SIZE: (f64, f64) = (480.0, 290.0);
const LEFT: f64 = 34.0;
const RIGHT: f64 = 350.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 250.0;
/// Areas that are drawn: of more, those furthest off in the last round.
const AREAS_MAX: usize = 8;
/// Between the names beside the lines.
const NAME_GAP: f64 = 15.0;
const NAME_CHARS: usize = 15;
/// Percents above and below what is drawn.
const ROOM: f64 = 0.4;

struct Round<'a> {
    at: Minute,
    verdict: &'a VerdictDto,
}

struct Axes {
    from: Minute,
    minutes: f64,
    low: f64,
    high: f64,
}

impl Axes {
    fn x(&self, at: Minute) -> f64 {
        let part = at.since(self.from) as f64 / self.minutes;
        (LEFT + 12.0 + part * (RIGHT - LEFT - 24.0)).clamp(LEFT, RIGHT)
    }

    fn y(&self, percent: f64) -> f64 {
        let part = (percent - self.low) / (self.high - self.low);
        (BOTTOM - part * (BOTTOM - TOP)).clamp(TOP, BOTTOM)
    }
}

fn minute(text: &str) -> Option<Minute> {
    DateTime::parse_from_rfc3339(text).ok().map(|at| Minute::floor_from(at.to_utc()))
}

/// The drawing, where there is something to draw.
pub(super) fn trend(check: &CheckView, zone: Zone) -> Markup {
    let judged = |round: &crate::service::CheckRound| minute(&round.finished_at).zip(round.verdict.clone());
    let found: Vec<(Minute, VerdictDto)> = check.rounds.iter().filter_map(judged).collect();
    let known = |(at, verdict): &(Minute, VerdictDto)| verdict.floor_percent.is_some().then_some(*at);
    let rounds: Vec<Round<'_>> =
        found.iter().filter_map(|one| Some(Round { at: known(one)?, verdict: &one.1 })).collect();
    let Some(last) = rounds.last() else { return html! {} };
    let passes = check.prediction.as_ref().filter(|told| told.outlook == OutlookDto::WillPass);
    let told = |text: Option<&String>| text.and_then(|text| minute(text));
    let median = passes.and_then(|told_of| told(told_of.median_at.as_ref()));
    let until = passes.and_then(|told_of| told(told_of.late_at.as_ref()));
    let early = passes.and_then(|told_of| told(told_of.early_at.as_ref()));
    let axes = axes(&rounds, until.or(median));
    let names = named(last.verdict);
    html! {
        figure.way {
            figcaption { b { "The way to passing" } p.aside { "Mean of each area against the floor's average, within ±" (format!("{:.1}", last.verdict.points_max)) " points" } }
            svg viewBox={ "0 0 " (SIZE.0) " " (SIZE.1) } role="img" aria-label={ "Means of " (check.name) " by round; the tables have the figures" } {
                (grid(&axes))
                (band(&axes, &rounds, median.or(until)))
                @if let Some(median) = median.filter(|at| *at > last.at) { (passing(&axes, (early, median, until), last.at)) }
                @for (index, area) in names.iter().enumerate() { (area_line(&axes, &rounds, area, index)) }
                (labels(&axes, last, &names))
                @for (index, round) in rounds.iter().enumerate() {
                    text.tick x=(at(axes.x(round.at))) y=(at(BOTTOM + 16.0)) text-anchor="middle" { (index + 1) }
                }
                text.tick x=(at(LEFT)) y=(at(BOTTOM + 34.0)) { "round 1: " (words::day(zone.date(axes.from))) }
                @if let Some(median) = median.filter(|at| *at > last.at) {
                    text.tick x=(at(SIZE.0)) y=(at(BOTTOM + 34.0)) text-anchor="end" { "probably passes " (words::day_clock(zone, median)) }
                }
            }
        }
    }
}

fn at(value: f64) -> String {
    format!("{value:.1}")
}

fn axes(rounds: &[Round<'_>], ahead: Option<Minute>) -> Axes {
    let mut values = Vec::new();
    for round in rounds {
        let floor = round.verdict.floor_percent.unwrap_or_default();
        values.extend([floor - round.verdict.points_max, floor + round.verdict.points_max]);
        values.extend(round.verdict.areas.iter().filter_map(|area| area.mean_percent));
    }
    let low = values.iter().copied().fold(f64::INFINITY, f64::min) - ROOM;
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max) + ROOM;
    let from = rounds.first().map_or_else(Minute::default, |round| round.at);
    let last = rounds.last().map_or(from, |round| round.at);
    let until = ahead.map_or(last, |ahead| ahead.max(last));
    Axes { from, minutes: until.since(from).max(60) as f64, low, high }
}

/// Of the last round: those drawn, in the order of the house.
fn named(verdict: &VerdictDto) -> Vec<String> {
    let mut off: Vec<(usize, f64)> = verdict
        .areas
        .iter()
        .enumerate()
        .filter_map(|(index, area)| area.off_points.map(|points| (index, points.abs())))
        .collect();
    off.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    off.truncate(AREAS_MAX);
    off.sort_by_key(|(index, _)| *index);
    off.into_iter().map(|(index, _)| verdict.areas[index].area.clone()).collect()
}

fn grid(axes: &Axes) -> Markup {
    let lines = (axes.low.ceil() as i64)..=(axes.high.floor() as i64);
    html! {
        @for percent in lines {
            @let y = axes.y(percent as f64);
            rect.grid x=(at(LEFT)) y=(at(y)) width=(at(RIGHT - LEFT)) height="1" {}
            text.tick x=(at(LEFT - 5.0)) y=(at(y + 4.5)) text-anchor="end" { (percent) }
        }
        text.tick x="2" y=(at(TOP - 2.0)) { "%" }
    }
}

/// The limit around the floor's average, which goes on as it was last.
fn band(axes: &Axes, rounds: &[Round<'_>], ahead: Option<Minute>) -> Markup {
    let mut points: Vec<(f64, f64, f64)> = rounds
        .iter()
        .map(|round| (axes.x(round.at), round.verdict.floor_percent.unwrap_or_default(), round.verdict.points_max))
        .collect();
    if let (Some(first), Some(last)) = (points.first().copied(), points.last().copied()) {
        points.insert(0, (LEFT, first.1, first.2));
        if ahead.is_some() || rounds.len() < 2 {
            points.push((RIGHT, last.1, last.2));
        }
    }
    let upper = points.iter().map(|(x, floor, most)| format!("{},{}", at(*x), at(axes.y(floor + most))));
    let lower = points.iter().rev().map(|(x, floor, most)| format!("{},{}", at(*x), at(axes.y(floor - most))));
    let middle: Vec<String> = points.iter().map(|(x, floor, _)| format!("{},{}", at(*x), at(axes.y(*floor)))).collect();
    let outline: Vec<String> = upper.chain(lower).collect();
    html! {
        polygon.band points=(outline.join(" ")) {}
        polyline.average points=(middle.join(" ")) {}
    }
}

fn passing(axes: &Axes, (early, median, late): (Option<Minute>, Minute, Option<Minute>), last: Minute) -> Markup {
    let from = axes.x(early.unwrap_or(median).max(last));
    let until = late.map_or(RIGHT, |late| axes.x(late));
    let x = axes.x(median);
    html! {
        rect.chance x=(at(from)) y=(at(TOP)) width=(at((until - from).max(2.0))) height=(at(BOTTOM - TOP)) {}
        rect.median x=(at(x - 1.0)) y=(at(TOP)) width="2" height=(at(BOTTOM - TOP)) {}
    }
}

fn area_line(axes: &Axes, rounds: &[Round<'_>], name: &str, index: usize) -> Markup {
    let mean = |round: &Round<'_>| {
        let area = round.verdict.areas.iter().find(|area| area.area == name)?;
        Some((axes.x(round.at), axes.y(area.mean_percent?)))
    };
    let points: Vec<(f64, f64)> = rounds.iter().filter_map(mean).collect();
    let line: Vec<String> = points.iter().map(|(x, y)| format!("{},{}", at(*x), at(*y))).collect();
    html! {
        g class={ "t-" (index % AREAS_MAX) } {
            polyline.mean points=(line.join(" ")) {}
            @for (x, y) in &points { (mark(index, *x, *y)) }
        }
    }
}

/// Each line has a shape of its own.
fn mark(index: usize, x: f64, y: f64) -> Markup {
    let path = match index % 4 {
        0 => format!("M{} {}h9v9h-9z", at(x - 4.5), at(y - 4.5)),
        1 => format!("M{} {}l5.5 9.5h-11z", at(x), at(y - 6.0)),
        2 => format!("M{} {}l6 6l-6 6l-6 -6z", at(x), at(y - 6.0)),
        _ => format!("M{} {}a5 5 0 1 0 10 0a5 5 0 1 0 -10 0z", at(x - 5.0), at(y)),
    };
    html! { path.mark-of d=(path) {} }
}

/// Names beside the ends of the lines, kept apart.
fn labels(axes: &Axes, last: &Round<'_>, names: &[String]) -> Markup {
    let area = |name: &String| last.verdict.areas.iter().find(|area| area.area == *name);
    let mean = |(index, name): (usize, &String)| Some((index, name.clone(), axes.y(area(name)?.mean_percent?)));
    let mut all: Vec<(usize, String, f64)> = names.iter().enumerate().filter_map(mean).collect();
    let average = last.verdict.floor_percent.unwrap_or_default();
    all.push((AREAS_MAX, "average".to_owned(), axes.y(average)));
    all.sort_by(|a, b| a.2.total_cmp(&b.2).then(a.0.cmp(&b.0)));
    let mut lowest = f64::NEG_INFINITY;
    for (.., y) in &mut all {
        *y = y.max(lowest + NAME_GAP);
        lowest = *y;
    }
    let over = (lowest - BOTTOM).max(0.0);
    let short = |name: &str| {
        if name.chars().count() <= NAME_CHARS {
            return name.to_owned();
        }
        name.chars().take(NAME_CHARS - 1).collect::<String>() + "…"
    };
    html! {
        @for (index, name, y) in &all {
            g class={ "t-" (index) } {
                @if *index < AREAS_MAX { (mark(*index, RIGHT + 12.0, y - over)) }
                text.line-name x=(at(RIGHT + 22.0)) y=(at(y - over + 4.5)) { (short(name)) }
            }
        }
    }
}
