//! Readings of a check: a plan of the floor with a box for each area, as large as its share, the single readings, and the
//! way to passing. What is seen in colour and pattern is said in words too.

use super::house_trend::trend;
use super::words;
use crate::domain::zone::Zone;
use crate::dto::{AreaVerdictDto, FindingDto, OutcomeDto, OutlookDto, ReadingDto, VerdictDto};
use crate::service::{CheckRound, CheckView, JobPage, RecordView};
use maud::{Markup, html};

/// Size of the plan in its own units.
const PLAN: (f64, f64) = (480.0, 290.0);
/// Smaller boxes show the number of their area only.
const BOX_WITH_WORDS: (f64, f64) = (84.0, 62.0);
/// Boxes with room for the words below the figure.
const BOX_WITH_ALL: (f64, f64) = (104.0, 84.0);
/// Room that a single reading takes.
const READING: (f64, f64) = (36.0, 18.0);
/// Width of a letter of the names.
const LETTER: f64 = 8.2;

/// A box: left, top, width, height.
type Place = (f64, f64, f64, f64);

/// All checks that have been tried.
pub(super) fn checks(page: &JobPage, zone: Zone) -> Markup {
    let tried: Vec<&CheckView> = page.checks.iter().filter(|check| !check.rounds.is_empty()).collect();
    html! {
        @if tried.is_empty() { p.aside { "No readings have been taken yet." } }
        @for check in tried { (one(page, check, zone)) }
    }
}

fn one(page: &JobPage, check: &CheckView, zone: Zone) -> Markup {
    let readings = |round: &CheckRound| record(page, check, round).map_or(&[][..], |record| &record.readings);
    let (last, earlier) = match check.rounds.split_last() {
        Some((last, earlier)) => (last, earlier),
        None => return html! {},
    };
    let number = check.rounds.len();
    html! {
        div.check {
            h3 { (check.name) }
            @if let Some(told) = check.prediction.as_ref().filter(|told| told.outlook != OutlookDto::TooLittle) {
                p.outlook { b { "Prediction: " } (told.in_words) "." span.aside { "The meter overrules it." } }
            }
            div.floor-and-way {
                (round(check, last, number, readings(last), page))
                (trend(check, zone))
            }
            @for (index, one) in earlier.iter().enumerate().rev() {
                details.round-before {
                    summary { "Round " (index + 1) ", " (words::told(&one.finished_at)) ": " (result(one)) }
                    (round(check, one, index + 1, readings(one), page))
                }
            }
        }
    }
}

fn record<'a>(page: &'a JobPage, check: &CheckView, round: &CheckRound) -> Option<&'a RecordView> {
    page.history.iter().find(|record| record.step == check.step && record.number == round.number)
}

/// How a round ended, in a word.
pub(super) fn result(round: &CheckRound) -> &'static str {
    match (round.outcome, round.overruled) {
        (OutcomeDto::Done, false) => "✓ passed",
        (OutcomeDto::Done, true) => "✓ passed, by the office's word",
        (OutcomeDto::Failed, false) => "✕ failed",
        (OutcomeDto::Failed, true) => "✕ failed, by the office's word",
        (OutcomeDto::Running | OutcomeDto::Paused, _) => "not over",
    }
}

fn round(check: &CheckView, round: &CheckRound, number: usize, readings: &[ReadingDto], page: &JobPage) -> Markup {
    let crew = page.crews.get(&round.crew).unwrap_or(&round.crew);
    let failed = round.outcome == OutcomeDto::Failed;
    html! {
        figure.round {
            figcaption {
                span.flag.late[failed].good[!failed] { (result(round)) } " "
                b { "Round " (number) } " · " (words::told(&round.finished_at)) " · " (crew)
                @if let Some(verdict) = &round.verdict { p { (super::people_view::sentence(&verdict.in_words)) } }
            }
            @if let Some(verdict) = &round.verdict {
                (floor(verdict, readings, &format!("{}, round {number}", check.name)))
                (table(verdict, readings))
                @for warning in &verdict.warnings { p.warning { (super::people_view::sentence(warning)) } }
            } @else { p.aside { "Without readings." } }
        }
    }
}

/// What an area comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Comes {
    In,
    Out,
    Missing,
}

fn comes(area: &AreaVerdictDto) -> Comes {
    match area.within {
        Some(false) => Comes::Out,
        Some(true) if area.wet_place => Comes::Out,
        Some(true) if area.missing == 0 => Comes::In,
        Some(true) | None => Comes::Missing,
    }
}

impl Comes {
    const fn fill(self) -> &'static str {
        match self {
            Comes::In => "url(#p-in)",
            Comes::Out => "url(#p-out)",
            Comes::Missing => "url(#p-missing)",
        }
    }
}

fn said(area: &AreaVerdictDto) -> String {
    match comes(area) {
        Comes::In => "✓ within".to_owned(),
        Comes::Out if area.wet_place && area.within == Some(true) => "✕ wet place".to_owned(),
        Comes::Out => "✕ out".to_owned(),
        Comes::Missing => format!("{} short", area.missing),
    }
}

/// With its sign, as the difference from the floor's average.
fn points(points: f64) -> String {
    format!("{points:+.1}").replace('-', "−")
}

/// The readings of an area in the order of taking, and whether each is far off.
fn own(verdict: &VerdictDto, readings: &[ReadingDto], area: &AreaVerdictDto) -> Vec<(f64, bool)> {
    let own = readings.iter().filter(|reading| reading.area.trim() == area.area).enumerate();
    let spot = |place: usize| verdict.spots.iter().any(|spot| spot.area == area.area && spot.reading == place + 1);
    own.map(|(place, reading)| (reading.mc_percent, spot(place))).collect()
}

fn floor(verdict: &VerdictDto, readings: &[ReadingDto], name: &str) -> Markup {
    let weights: Vec<f64> = verdict.areas.iter().map(|area| f64::from(area.area_sqft.max(1))).collect();
    let mut places = vec![(0.0, 0.0, 0.0, 0.0); weights.len()];
    let all: Vec<usize> = (0..weights.len()).collect();
    divide(&all, &weights, (0.0, 0.0, PLAN.0, PLAN.1), &mut places);
    html! {
        svg.floor viewBox={ "-1 -1 " (PLAN.0 + 2.0) " " (PLAN.1 + 2.0) } role="img" aria-label={ (name) ": the areas of the floor, as the table says" } {
            @for (index, (area, place)) in verdict.areas.iter().zip(&places).enumerate() { (area_box(index + 1, area, *place, &own(verdict, readings, area))) }
        }
    }
}

fn area_box(number: usize, area: &AreaVerdictDto, (x, y, width, height): Place, readings: &[(f64, bool)]) -> Markup {
    let (x, y, width, height) = (x + 2.0, y + 2.0, (width - 4.0).max(4.0), (height - 4.0).max(4.0));
    let frame = 9.0_f64.min(width / 4.0).min(height / 4.0);
    let (left, top, inner) = (x + frame + 7.0, y + frame + 17.0, width - 2.0 * frame - 12.0);
    let words = width >= BOX_WITH_WORDS.0 && height >= BOX_WITH_WORDS.1;
    let all = width >= BOX_WITH_ALL.0 && height >= BOX_WITH_ALL.1;
    let coordinate = |value: f64| format!("{value:.1}");
    html! {
        rect.frame x=(coordinate(x)) y=(coordinate(y)) width=(coordinate(width)) height=(coordinate(height)) rx="3" fill=(comes(area).fill()) {}
        rect.inner x=(coordinate(x + frame)) y=(coordinate(y + frame)) width=(coordinate(width - 2.0 * frame)) height=(coordinate(height - 2.0 * frame)) {}
        @if words {
            text.name x=(coordinate(left)) y=(coordinate(top)) { (short(&format!("{number} {}", area.area), inner)) }
            text.mean x=(coordinate(left)) y=(coordinate(top + 24.0)) {
                @if let Some(mean) = area.mean_percent { (format!("{mean:.1} %")) } @else { "–" }
            }
            @if all {
                text.said x=(coordinate(left)) y=(coordinate(top + 44.0)) {
                    (short(&format!("{} {}", said(area), area.off_points.map(points).unwrap_or_default()), inner))
                }
                (singles(readings, (left, top + 66.0, inner, y + height - frame - 4.0)))
            }
        } @else {
            text.name x=(coordinate(x + width / 2.0)) y=(coordinate(y + height / 2.0 + 5.0)) text-anchor="middle" { (number) }
        }
    }
}

/// The single readings, row by row, as far as there is room; the table has all of them.
fn singles(readings: &[(f64, bool)], (left, top, width, bottom): (f64, f64, f64, f64)) -> Markup {
    let across = (width / READING.0).floor().max(1.0) as usize;
    let down = ((bottom - top) / READING.1).floor().max(-1.0) + 1.0;
    let shown = readings.len().min(across * down as usize);
    html! {
        @for (index, (percent, far)) in readings[..shown].iter().enumerate() {
            @let (column, row) = ((index % across) as f64, (index / across) as f64);
            text.one.far[*far] x=(format!("{:.1}", left + column * READING.0)) y=(format!("{:.1}", top + row * READING.1)) {
                (format!("{percent:.1}")) @if *far { "!" }
            }
        }
    }
}

fn short(text: &str, width: f64) -> String {
    let most = (width / LETTER).floor() as usize;
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let kept: String = text.chars().take(most.saturating_sub(1)).collect();
    format!("{}…", kept.trim_end())
}

/// Gives each of `parts` its share of `place`: halves along the longer side, again and again.
fn divide(parts: &[usize], weights: &[f64], place: Place, places: &mut [Place]) {
    if let [only] = parts {
        places[*only] = place;
    }
    if parts.len() < 2 {
        return;
    }
    let total: f64 = parts.iter().map(|part| weights[*part]).sum();
    let (mut cut, mut before) = (1, weights[parts[0]]);
    while cut < parts.len() - 1 {
        let with = before + weights[parts[cut]];
        if (with - total / 2.0).abs() >= (before - total / 2.0).abs() {
            break;
        }
        (before, cut) = (with, cut + 1);
    }
    let (share, (x, y, width, height)) = (before / total, place);
    let (one, other) = if width >= height {
        ((x, y, width * share, height), (x + width * share, y, width * (1.0 - share), height))
    } else {
        ((x, y, width, height * share), (x, y + height * share, width, height * (1.0 - share)))
    };
    divide(&parts[..cut], weights, one, places);
    divide(&parts[cut..], weights, other, places);
}

fn table(verdict: &VerdictDto, readings: &[ReadingDto]) -> Markup {
    let incomplete = verdict.finding == FindingDto::Incomplete;
    html! {
        table.readings-of {
            thead { tr { th scope="col" { "Area" } th.number scope="col" { "Mean" } th.number scope="col" { "Off" } th scope="col" { "Verdict" } th scope="col" { "Readings" } } }
            tbody {
                @for (index, area) in verdict.areas.iter().enumerate() {
                    tr.out[comes(area) == Comes::Out] {
                        th scope="row" { span.aside { (index + 1) } " " (area.area) " " span.aside { (area.area_sqft) " sq ft" } }
                        td.number { @if let Some(mean) = area.mean_percent { (format!("{mean:.1} %")) } }
                        td.number { @if let Some(off) = area.off_points { (points(off)) } }
                        td { (said(area)) }
                        td.single {
                            @for (place, reading) in readings.iter().filter(|reading| reading.area.trim() == area.area).enumerate() {
                                @let spot = verdict.spots.iter().find(|spot| spot.area == area.area && spot.reading == place + 1);
                                @if let Some(spot) = spot { b title=(if spot.wet { "far on the wet side" } else { "far on the dry side" }) { (format!("{:.1}", reading.mc_percent)) "!" } " " }
                                @else { span { (format!("{:.1}", reading.mc_percent)) } " " }
                            }
                            span.aside { (area.taken) " of " (area.needed) }
                        }
                    }
                }
            }
            tfoot {
                tr {
                    th scope="row" { "Floor" }
                    td.number { @if let Some(floor) = verdict.floor_percent { b { (format!("{floor:.1} %")) } } }
                    td.number { (format!("±{:.1}", verdict.points_max)) }
                    td colspan="2" {
                        @if incomplete { "too few readings to say" }
                        @else if let Some(emc) = verdict.emc_percent { "wood in this air comes to " (format!("{emc:.1} %")) }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Boxes fill the plan, each by its share.
    #[test]
    fn areas_share_the_plan() {
        let weights = [320.0, 80.0, 200.0, 1.0, 140.0, 60.0];
        let mut places = vec![(0.0, 0.0, 0.0, 0.0); weights.len()];
        divide(&[0, 1, 2, 3, 4, 5], &weights, (0.0, 0.0, PLAN.0, PLAN.1), &mut places);
        let total: f64 = weights.iter().sum();
        for (weight, (x, y, width, height)) in weights.iter().zip(&places) {
            assert!((width * height - PLAN.0 * PLAN.1 * weight / total).abs() < 1e-6);
            assert!(*x >= 0.0 && *y >= 0.0 && x + width <= PLAN.0 + 1e-6 && y + height <= PLAN.1 + 1e-6);
        }
        assert_eq!(short("1 Living room", 60.0), "1 Livi…");
        assert_eq!(points(-0.4), "−0.4");
    }
}
