//! How much work a step is: in minutes, in person-minutes, by the square feet, or rolled in sections.

use super::fault::{At, Faults};
use super::step::StepDto;
use crate::domain::bounds::{HEAD_COUNT_MAX, STEP_MINUTES_MAX};
use crate::domain::chain::Work;
use crate::domain::fault::Fault;
use crate::domain::time::HOUR;
use crate::trade::sections::{EvenOut, PAUSE_SECONDS_MAX, PartWork, RATE_CENTI_MAX};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Fastest rate taken as real, square feet an hour for one person.
pub const RATE_SQFT_PER_HOUR_MAX: i64 = 100_000;

/// How one part of a two-part treatment is put down. What is left out is common practice, no source; a label comes
/// first.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RollingDto {
    /// Rolling by one person, kept to the hundredth.
    #[schema(minimum = 0.01, maximum = 100, example = 20)]
    pub sqft_per_minute: f64,
    /// For one person: to put the other part's roller down in its tray and take this part's.
    #[serde(default = "two_minutes")]
    #[schema(minimum = 0, maximum = 3600, default = 120)]
    pub change_over_seconds: i64,
    /// Shaking before pouring, each section.
    #[serde(default = "quarter_minute")]
    #[schema(minimum = 0, maximum = 3600, default = 15)]
    pub shake_seconds: i64,
    /// Pouring and agitating, each section.
    #[serde(default = "half_minute")]
    #[schema(minimum = 0, maximum = 3600, default = 30)]
    pub pour_seconds: i64,
    /// Evening out after rolling, each section; instead of `even_out_sqft_per_minute`. With neither: none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 3600)]
    pub even_out_seconds: Option<i64>,
    /// Evening out after rolling, kept to the hundredth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0.01, maximum = 100)]
    pub even_out_sqft_per_minute: Option<f64>,
}

/// Minutes of one of two parts that are rolled in sections.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MinutesByApplicatorsDto {
    /// One person does both parts.
    #[schema(minimum = 1, maximum = 120_000)]
    pub one: i64,
    /// Two or more come.
    #[schema(minimum = 1, maximum = 120_000)]
    pub two: i64,
}

fn two_minutes() -> i64 {
    120
}

fn quarter_minute() -> i64 {
    15
}

fn half_minute() -> i64 {
    30
}

impl RollingDto {
    /// For the section plan.
    pub(crate) fn to_trade(self, at: &At, faults: &mut Faults) -> Option<PartWork> {
        let mut rate = |name: &str, value: f64| {
            faults.parts(&at.field(name), value, 100, 1..=RATE_CENTI_MAX as i32, "square feet a minute").map(i64::from)
        };
        let rolled = rate("sqft_per_minute", self.sqft_per_minute);
        let evened = self.even_out_sqft_per_minute.map(|value| rate("even_out_sqft_per_minute", value));
        let mut seconds =
            |name: &str, value: i64| faults.whole(&at.field(name), value, 0..=PAUSE_SECONDS_MAX, "seconds");
        let change_over = seconds("change_over_seconds", self.change_over_seconds);
        let shake = seconds("shake_seconds", self.shake_seconds);
        let pour = seconds("pour_seconds", self.pour_seconds);
        let evened_in = self.even_out_seconds.map(|value| seconds("even_out_seconds", value));
        let even_out = match (evened_in, evened) {
            (None, None) => EvenOut::Seconds(0),
            (Some(seconds), None) => EvenOut::Seconds(seconds?),
            (None, Some(rate)) => EvenOut::Rate(rate?),
            (Some(_), Some(_)) => {
                let what = "evening out is given in seconds and by the square feet";
                let cure = "give `even_out_seconds` or `even_out_sqft_per_minute`";
                faults.push(at, Fault::new("even-out-given-once", what, cure));
                return None;
            }
        };
        Some(PartWork {
            sqft_per_minute_centi: rolled?,
            change_over_seconds: change_over?,
            shake_seconds: shake?,
            pour_seconds: pour?,
            even_out,
        })
    }
}

impl StepDto {
    /// How much work it is on `sqft`. Of what is rolled in sections, that is known only with its other part: until then
    /// it is a minute.
    pub(super) fn work(&self, at: &At, sqft: i64, who: &str, faults: &mut Faults) -> Option<Work> {
        let most = i64::from(HEAD_COUNT_MAX);
        let people_at = at.field("people_max");
        let people = self.people_max.map_or(Some(most), |people| faults.whole(&people_at, people, 1..=most, "people"));
        let minutes = 1..=STEP_MINUTES_MAX;
        let shared = |person_minutes: i64| Some(Work::Shared { person_minutes, people_max: people? as u32 });
        let by_hand = (self.minutes, self.person_minutes, self.sqft_per_person_hour);
        match (by_hand, self.rolling, self.minutes_by_applicators) {
            ((Some(fixed), None, None), None, None) => {
                let fixed = faults.whole(&at.field("minutes"), fixed, minutes, "minutes")?;
                Some(Work::Fixed { minutes: fixed })
            }
            ((None, Some(person_minutes), None), None, None) => {
                shared(faults.whole(&at.field("person_minutes"), person_minutes, minutes, "person-minutes")?)
            }
            ((None, None, Some(rate)), None, None) => {
                let at = at.field("sqft_per_person_hour");
                let rate = faults.whole(&at, rate, 1..=RATE_SQFT_PER_HOUR_MAX, "square feet an hour")?;
                let person_minutes = (HOUR * sqft + rate - 1) / rate;
                if !minutes.contains(&person_minutes) {
                    let what = format!("{who}: {sqft} sq ft at {rate} an hour are {person_minutes} person-minutes");
                    let cure = format!("raise the rate or split the step: one has at most {STEP_MINUTES_MAX}");
                    faults.push(&at, Fault::new("out-of-range", what, cure));
                    return None;
                }
                shared(person_minutes)
            }
            ((None, None, None), Some(rolling), None) => {
                rolling.to_trade(&at.field("rolling"), faults)?;
                Some(Work::Fixed { minutes: 1 })
            }
            ((None, None, None), None, Some(MinutesByApplicatorsDto { one, two })) => {
                let at = at.field("minutes_by_applicators");
                let one = faults.whole(&at.field("one"), one, minutes.clone(), "minutes");
                let two = faults.whole(&at.field("two"), two, minutes, "minutes");
                Some(Work::ByApplicators { one_minutes: one?, two_minutes: two? })
            }
            _ => {
                let what = format!("{who} does not say how much work it is in exactly one way");
                let cure = "give one of `minutes`, `person_minutes`, `sqft_per_person_hour`, `rolling` and \
                            `minutes_by_applicators`";
                faults.push(at, Fault::new("work-given-once", what, cure));
                None
            }
        }
    }
}
