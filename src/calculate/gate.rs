//! When a coat may go on: the spans in which the house's air is within a step's limits for the work and its hold time.

use super::Calculation;
use super::drying::hours_and_minutes;
use super::house_air::{KnownAir, Members};
use crate::domain::bounds::STEP_MINUTES_MAX;
use crate::domain::climate::Gate;
use crate::domain::fault::Fault;
use crate::domain::time::{Minute, Span};
use crate::domain::zone::Zone;
use crate::dto::{AirReadingDto, At, BeyondDto, Faults, ForecastDto, GateDto, HouseAirDto, Located, NormalsDto, local};
use crate::trade::gate::GateTable;
use serde::{Deserialize, Serialize};
use std::fmt::Write;
use utoipa::ToSchema;

/// Longest time looked at: a planning horizon and a little more.
pub const LOOKED_AT_DAYS_MAX: i64 = 400;

/// Work, the limits of its air, and the air.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GateQuestion {
    /// The limits, which hold from the work's start until its hold time is over.
    pub gate: GateDto,
    /// How long the work is.
    #[schema(minimum = 1, maximum = 120_000, example = 180)]
    pub work_minutes: i64,
    /// Work begins no sooner: RFC 3339, on a whole minute.
    #[schema(example = "2026-03-09T08:00:00-04:00", format = DateTime)]
    pub from: String,
    /// Work ends no later; its hold time may.
    #[schema(example = "2026-03-14T18:00:00-04:00", format = DateTime)]
    pub until: String,
    /// How the air in the house comes about; left out: closed.
    #[serde(default)]
    pub air: HouseAirDto,
    /// The air outdoors; not needed where the house's air is controlled.
    #[serde(default)]
    pub forecast: Option<ForecastDto>,
    /// The usual air outdoors, past the forecast's end.
    #[serde(default)]
    pub normals: Option<NormalsDto>,
    /// What was measured in the house: overrules the computed air for a day each.
    #[serde(default)]
    pub air_readings: Vec<AirReadingDto>,
    /// IANA zone in which instants are answered; left out: UTC.
    #[serde(default)]
    #[schema(example = "America/New_York")]
    pub time_zone: Option<String>,
}

/// When the work may be done.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct GateAnswer {
    /// In order, apart from each other; none: not at all in that time.
    pub spans: Vec<AllowedSpan>,
    /// Where the forecast ends; `null`: the air is held.
    #[schema(format = DateTime)]
    pub guessed_from: Option<String>,
    /// What stands in for it from there on.
    pub beyond: Option<BeyondDto>,
}

/// A span in which the work may lie whole.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct AllowedSpan {
    /// The first minute at which the work may begin.
    #[schema(format = DateTime)]
    pub from: String,
    /// The last minute at which it may begin and still be done in time.
    #[schema(format = DateTime)]
    pub last_start: String,
    /// By when it must be done, so that the air lasts for its hold time.
    #[schema(format = DateTime)]
    pub until: String,
    /// Minutes from `from` to `until`.
    pub minutes: i64,
    /// Whether some of this span or its hold time is in air that the forecast did not tell.
    pub rests_on_guess: bool,
}

/// A question that has been read.
struct Asked {
    gate: Gate,
    work_minutes: i64,
    within: Span,
    climate: KnownAir,
    zone: Zone,
}

impl Calculation for GateQuestion {
    type Answer = GateAnswer;

    fn answer(&self) -> Result<GateAnswer, Vec<Located>> {
        let mut faults = Faults::default();
        let at = |name| At::Root.field(name);
        let gate = self.gate.to_domain(&at("gate"), &mut faults);
        let work = faults.whole(&at("work_minutes"), self.work_minutes, 1..=STEP_MINUTES_MAX, "minutes");
        let from = faults.instant(&at("from"), &self.from);
        let until = faults.instant(&at("until"), &self.until);
        let within = from.zip(until).and_then(|(from, until)| faults.take(&at("until"), within(from, until)));
        let zone = faults.zone_or(&at("time_zone"), self.time_zone.as_ref(), Zone::UTC);
        let climate = Members {
            air: self.air,
            forecast: self.forecast.as_ref(),
            normals: self.normals.as_ref(),
            readings: &self.air_readings,
        };
        let climate = climate.read(&mut faults);
        match (gate, work, within, zone, climate) {
            (Some(gate), Some(work_minutes), Some(within), Some(zone), Some(climate)) => {
                Ok(Asked { gate, work_minutes, within, climate, zone }.told())
            }
            _ => Err(faults.into_list()),
        }
    }

    fn words(answer: &GateAnswer) -> String {
        let mut out = String::new();
        if answer.spans.is_empty() {
            out.push_str(
                "not in that time: its air is never within the limits for as long as the work and its hold time\n",
            );
        }
        for AllowedSpan { from, last_start, until, minutes, rests_on_guess } in &answer.spans {
            let (length, guess) = (hours_and_minutes(*minutes), if *rests_on_guess { ", a guess" } else { "" });
            let _ = writeln!(out, "begin {from} to {last_start}, be done by {until} ({length}{guess})");
        }
        let guessed = answer.spans.iter().any(|span| span.rests_on_guess);
        if let (true, Some(from), Some(beyond)) = (guessed, &answer.guessed_from, answer.beyond) {
            let _ = writeln!(out, "guesses: the forecast ends {from}, then {}", beyond.words());
        }
        out.push_str("the label decides what air is allowed; measure at the floor before you begin\n");
        out
    }
}

fn within(from: Minute, until: Minute) -> Result<Span, Fault> {
    let longest = LOOKED_AT_DAYS_MAX * 24 * 60;
    Span::new(from, until).filter(|span| span.minutes() <= longest).ok_or_else(|| {
        let cure = format!("let until lie after from, by {LOOKED_AT_DAYS_MAX} days at most");
        Fault::new("bad-span", format!("{until:?} is not within {LOOKED_AT_DAYS_MAX} days after {from:?}"), cure)
    })
}

impl Asked {
    fn told(&self) -> GateAnswer {
        let table = GateTable::new(self.climate.over_time(), &self.gate, self.within.start(), self.within.end());
        let long_enough = table.work_spans().filter(|span| span.minutes() >= self.work_minutes);
        let guesses = self.climate.guesses();
        GateAnswer {
            spans: long_enough.map(|span| self.span(span)).collect(),
            guessed_from: guesses.map(|(from, _)| local(self.zone, from)),
            beyond: guesses.map(|(_, beyond)| beyond),
        }
    }

    fn span(&self, span: Span) -> AllowedSpan {
        let held = Span::new(span.start(), span.end().plus(self.gate.hold_after_minutes));
        AllowedSpan {
            from: local(self.zone, span.start()),
            last_start: local(self.zone, span.end().plus(-self.work_minutes)),
            until: local(self.zone, span.end()),
            minutes: span.minutes(),
            rests_on_guess: self.climate.is_guess(held.unwrap_or(span)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calculate::drying::tests::forecast;
    use serde_json::{Value, json};

    /// Warm and dry from 08:00 to 16:00 UTC on both days, too humid else; two hours to hold.
    fn ask(more: Value) -> Result<GateAnswer, Vec<Located>> {
        let mut question = json!({
            "gate": {
                "temp_min_c": 13, "temp_max_c": 29, "rh_min_percent": 20, "rh_max_percent": 75,
                "dew_point_margin_min_c": 3, "hold_after_minutes": 120
            },
            "work_minutes": 90, "from": "2026-03-09T10:00:00Z", "until": "2026-03-10T23:00:00Z", "air": {"open": {}},
            "forecast": forecast(|hour| (20.0, if (8..16).contains(&(hour % 24)) { 50.0 } else { 80.0 }))
        });
        for (name, value) in more.as_object().unwrap() {
            question[name] = value.clone();
        }
        serde_json::from_value::<GateQuestion>(question).unwrap().answer()
    }

    fn spans(answer: &GateAnswer) -> Vec<(&str, &str, &str)> {
        answer.spans.iter().map(|span| (&span.from[8..16], &span.last_start[8..16], &span.until[8..16])).collect()
    }

    #[test]
    fn work_and_its_hold_time_lie_in_allowed_air() {
        let told = ask(json!({})).unwrap();
        assert_eq!(spans(&told), [("09T10:00", "09T12:30", "09T14:00"), ("10T08:00", "10T12:30", "10T14:00")]);
        assert!(told.spans.iter().all(|span| !span.rests_on_guess));
        assert_eq!(told.spans[0].minutes, 240);
        // Four hours fit the first day to the minute; one more only the second.
        assert_eq!(spans(&ask(json!({"work_minutes": 240})).unwrap()).len(), 2);
        assert_eq!(spans(&ask(json!({"work_minutes": 241})).unwrap()), [("10T08:00", "10T09:59", "10T14:00")]);
        let none = ask(json!({"work_minutes": 361})).unwrap();
        assert_eq!(none.spans, []);
        assert!(GateQuestion::words(&none).contains("not in that time"));
    }

    #[test]
    fn work_ends_by_the_time_asked_for_and_its_hold_time_may_not() {
        let told = ask(json!({"until": "2026-03-09T13:00:00Z"})).unwrap();
        assert_eq!(spans(&told), [("09T10:00", "09T11:30", "09T13:00")]);
    }

    #[test]
    fn guesses_are_told() {
        let told = ask(json!({"until": "2026-03-11T23:00:00Z", "time_zone": "America/New_York"})).unwrap();
        let guessed: Vec<bool> = told.spans.iter().map(|span| span.rests_on_guess).collect();
        assert_eq!(guessed, [false, false, true]);
        let words = GateQuestion::words(&told);
        assert!(words.contains("begin 2026-03-11T04:00:00-04:00 to 2026-03-11T08:30:00-04:00"), "{words}");
        assert!(words.contains("(6 h, a guess)") && words.contains("the forecast's last day repeated"), "{words}");
        let held = ask(json!({"air": {"controlled": {"temp_c": 20, "rh_percent": 50}}})).unwrap();
        assert_eq!(spans(&held), [("09T10:00", "10T21:30", "10T23:00")]);
        assert_eq!((held.guessed_from, held.beyond), (None, None));
    }

    #[test]
    fn every_fault_is_told_with_its_place() {
        let places = |more: Value| -> Vec<(String, &'static str)> {
            ask(more).unwrap_err().into_iter().map(|located| (located.pointer, located.fault.code)).collect()
        };
        let one = |place: &str, code: &'static str| vec![(place.to_owned(), code)];
        assert_eq!(places(json!({"work_minutes": 0})), one("/work_minutes", "out-of-range"));
        assert_eq!(places(json!({"until": "2026-03-09T10:00:00Z"})), one("/until", "bad-span"));
        assert_eq!(places(json!({"until": "2027-05-09T10:00:00Z"})), one("/until", "bad-span"));
        assert_eq!(places(json!({"forecast": null})), one("/forecast", "no-forecast"));
        let shut = json!({"temp_min_c": 30, "temp_max_c": 20, "rh_min_percent": 20, "rh_max_percent": 75});
        assert_eq!(places(json!({"gate": shut})), one("/gate", "bad-gate"));
    }
}
