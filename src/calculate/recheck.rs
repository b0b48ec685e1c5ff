//! When a floor that has failed its check will pass, from two or more failed rounds.

use super::Calculation;
use crate::domain::bounds::{AREA_SQFT_MAX, AREAS_PER_HOUSE_MAX, ATTEMPTS_MAX, MC_CENTI_PERCENT, METER_READINGS_MAX};
use crate::domain::fault::Fault;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::{At, Faults, Located, PredictionDto, points_max};
use crate::trade::approach::{AreaRound, Round, predict};
use serde::Deserialize;
use utoipa::ToSchema;

/// Readings behind one mean.
const TAKEN_MAX: i64 = METER_READINGS_MAX as i64;
/// Spread of readings, hundredths of a point.
const SD_CENTI: std::ops::RangeInclusive<i32> = 0..=2_000;
/// The limit, hundredths of a point.
const POINTS_CENTI: std::ops::RangeInclusive<i32> = 1..=1_000;

/// Failed rounds of one floor.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RecheckQuestion {
    /// Square feet of each area, in the order in which every round gives its means.
    #[schema(example = json!([300, 100]))]
    pub areas_sqft: Vec<i64>,
    /// How far an area's mean may lie from the floor's, points; kept to the hundredth.
    #[serde(default = "points_max")]
    #[schema(minimum = 0.01, maximum = 10, default = 1.0)]
    pub points_max: f64,
    /// Oldest first, since the floor was last wetted.
    pub rounds: Vec<RoundRead>,
    /// IANA zone in which the answer is given; left out: UTC.
    #[serde(default)]
    #[schema(example = "America/New_York")]
    pub time_zone: Option<String>,
}

/// One failed round.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RoundRead {
    /// When the readings were taken, on a whole minute.
    #[schema(format = DateTime, example = "2026-03-10T08:00:00-04:00")]
    pub at: String,
    /// What each area's readings came to, all areas.
    pub areas: Vec<AreaMeanRead>,
}

/// What one area's readings came to.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AreaMeanRead {
    /// Mean of the readings; kept to the hundredth.
    #[schema(minimum = 0, maximum = 100, example = 9.8)]
    pub mean_percent: f64,
    /// How many readings.
    #[schema(minimum = 1, maximum = 10_000, example = 12)]
    pub taken: i64,
    /// Their standard deviation, points; left out: what meters usually scatter.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 20, example = 0.4)]
    pub sd_points: Option<f64>,
}

impl Calculation for RecheckQuestion {
    type Answer = PredictionDto;

    fn answer(&self) -> Result<PredictionDto, Vec<Located>> {
        let mut faults = Faults::default();
        let areas = self.areas(&mut faults);
        let points_at = At::Root.field("points_max");
        let points_centi = faults.parts(&points_at, self.points_max, 100, POINTS_CENTI, "points");
        let zone = faults.zone_or(&At::Root.field("time_zone"), self.time_zone.as_ref(), Zone::UTC);
        let rounds = self.rounds(&mut faults);
        let (Some(areas), Some(points_centi), Some(zone), Some(rounds), true) =
            (areas, points_centi, zone, rounds, faults.is_empty())
        else {
            return Err(faults.into_list());
        };
        let last = rounds.last().map_or_else(Minute::default, |round| round.at);
        Ok(PredictionDto::new(predict(&areas, &rounds, f64::from(points_centi) / 100.0), zone, last))
    }

    fn words(answer: &PredictionDto) -> String {
        format!("{}\n", answer.in_words)
    }
}

impl RecheckQuestion {
    fn areas(&self, faults: &mut Faults) -> Option<Vec<u32>> {
        let at = At::Root.field("areas_sqft");
        if !faults.count(&at, self.areas_sqft.len(), AREAS_PER_HOUSE_MAX, "areas") {
            return None;
        }
        let sqft = self.areas_sqft.iter().enumerate().map(|(index, sqft)| {
            let sqft = faults.whole(&at.item(index), *sqft, 1..=i64::from(AREA_SQFT_MAX), "square feet")?;
            u32::try_from(sqft).ok()
        });
        let sqft: Vec<Option<u32>> = sqft.collect();
        sqft.into_iter().collect()
    }

    fn rounds(&self, faults: &mut Faults) -> Option<Vec<Round>> {
        let at = At::Root.field("rounds");
        if !faults.count(&at, self.rounds.len(), ATTEMPTS_MAX, "rounds") {
            return None;
        }
        let mut rounds: Vec<Round> = Vec::with_capacity(self.rounds.len());
        for (index, round) in self.rounds.iter().enumerate() {
            let at = at.item(index);
            let Some(read) = round.read(&at, self.areas_sqft.len(), faults) else { continue };
            if rounds.last().is_some_and(|before| before.at >= read.at) {
                let what = "a round is not later than the one before it";
                faults.push(&at.field("at"), Fault::new("bad-order", what, "list the rounds oldest first"));
            }
            rounds.push(read);
        }
        Some(rounds)
    }
}

impl RoundRead {
    fn read(&self, at: &At, areas: usize, faults: &mut Faults) -> Option<Round> {
        let taken_at = faults.instant(&at.field("at"), &self.at);
        let at = at.field("areas");
        if self.areas.len() != areas {
            let what = format!("a round of {} areas on a floor of {areas}", self.areas.len());
            faults.push(&at, Fault::new("areas-differ", what, "give every area of the floor in every round, in order"));
            return None;
        }
        let means = self.areas.iter().enumerate().map(|(index, area)| area.read(&at.item(index), faults));
        let means: Vec<Option<AreaRound>> = means.collect();
        Some(Round { at: taken_at?, areas: means.into_iter().collect::<Option<_>>()? })
    }
}

impl AreaMeanRead {
    fn read(self, at: &At, faults: &mut Faults) -> Option<AreaRound> {
        let mean =
            faults.parts(&at.field("mean_percent"), self.mean_percent, 100, MC_CENTI_PERCENT, "percent of moisture");
        let taken = faults.whole(&at.field("taken"), self.taken, 1..=TAKEN_MAX, "readings");
        let sd_at = at.field("sd_points");
        let sd = self.sd_points.map_or(Some(0), |sd| faults.parts(&sd_at, sd, 100, SD_CENTI, "points"))?;
        let (mean, taken) = (mean?, taken?);
        let sum_squares = (f64::from(sd) / 100.0).powi(2) * (taken - 1) as f64;
        Some(AreaRound { mean_percent: f64::from(mean) / 100.0, count: usize::try_from(taken).ok()?, sum_squares })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calculate::{CALCULATIONS, Form};

    fn ask(text: &str) -> Result<String, Vec<Located>> {
        let (_, tell) = CALCULATIONS.iter().find(|(name, _)| *name == "recheck").unwrap();
        tell(text, Form::Words)
    }

    /// One area of four equal ones 4 points over, then 2: 3 and 1.5 off the floor; half in twelve hours, so one point is
    /// reached 12 log2 3 = 19 h after the first.
    #[test]
    fn two_rounds_tell_the_next_morning() {
        let round = |at: &str, wet: f64| {
            let dry = r#"{"mean_percent": 8, "taken": 100, "sd_points": 0.3}"#;
            format!(
                r#"{{"at": "{at}", "areas": [{{"mean_percent": {wet}, "taken": 100, "sd_points": 0.3}}, {dry}, {dry}, {dry}]}}"#
            )
        };
        let question = format!(
            r#"{{"areas_sqft": [200, 200, 200, 200], "time_zone": "America/New_York", "rounds": [{}, {}]}}"#,
            round("2026-03-09T08:00:00-04:00", 12.0),
            round("2026-03-09T20:00:00-04:00", 10.0)
        );
        let told = ask(&question).unwrap();
        assert!(told.starts_with("within the limit from about Tue 10 Mar 0"), "{told}");
        assert!(told.contains("four chances in five: from Tue 10 Mar"), "{told}");
    }

    #[test]
    fn every_fault_is_told() {
        let question = r#"{"areas_sqft": [200, 0], "points_max": 0, "time_zone": "Moon/Sea", "rounds": [
            {"at": "2026-03-09T08:00:00Z", "areas": [{"mean_percent": 800, "taken": 0}, {"mean_percent": 8, "taken": 4}]},
            {"at": "2026-03-09T09:00:00Z", "areas": []}]}"#;
        let faults = ask(question).unwrap_err();
        let places: Vec<&str> = faults.iter().map(|located| located.pointer.as_str()).collect();
        let expected = [
            "/areas_sqft/1",
            "/points_max",
            "/time_zone",
            "/rounds/0/areas/0/mean_percent",
            "/rounds/0/areas/0/taken",
            "/rounds/1/areas",
        ];
        assert_eq!(places, expected);
        let one = r#"{"mean_percent": 8, "taken": 4}"#;
        let turned = format!(
            r#"{{"areas_sqft": [200], "rounds": [{{"at": "2026-03-09T08:00:00Z", "areas": [{one}]}},
                {{"at": "2026-03-09T08:00:00Z", "areas": [{one}]}}]}}"#
        );
        assert_eq!(ask(&turned).unwrap_err()[0].fault.code, "bad-order");
    }
}
