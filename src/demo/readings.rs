//! What the meter showed in the demo's checks. Planning files tell of a check only how it ended; the readings themselves go
//! in as crews report them.

use super::DemoError;
use crate::dto::{HistoryDto, ReadingDto};
use serde::Deserialize;
use std::collections::BTreeMap;

const READINGS: &str = include_str!("../../demo/readings.json");

/// The rounds of one check.
#[derive(Debug, Clone, Deserialize)]
pub struct CheckReadings {
    /// Key of the job.
    pub job: String,
    /// Key of the check.
    pub step: String,
    /// Oldest first: percent by area, in the order of taking.
    rounds: Vec<BTreeMap<String, Vec<f64>>>,
}

impl CheckReadings {
    /// What goes with the round of that index; nothing when it had no readings.
    pub fn of_round(&self, index: usize) -> Vec<ReadingDto> {
        let areas = self.rounds.get(index).into_iter().flatten();
        let reading = |area: &String, &mc_percent: &f64| ReadingDto { area: area.clone(), mc_percent };
        areas.flat_map(|(area, shown)| shown.iter().map(move |percent| reading(area, percent))).collect()
    }
}

/// All checks of the demo whose readings are known.
///
/// # Errors
/// A document that is no such list.
pub fn readings() -> Result<Vec<CheckReadings>, DemoError> {
    Ok(serde_json::from_str(READINGS)?)
}

/// A job's reports up to the first with readings, and those from there on, each with its readings.
pub fn divided<'h>(
    history: &'h [HistoryDto],
    job: &str,
    known: &[CheckReadings],
) -> (&'h [HistoryDto], Vec<(&'h HistoryDto, Vec<ReadingDto>)>) {
    let of = |entry: &HistoryDto| known.iter().find(|check| check.job == job && check.step == entry.step);
    let first = history.iter().position(|entry| of(entry).is_some()).unwrap_or(history.len());
    let (before, after) = history.split_at(first);
    let mut rounds: BTreeMap<&str, usize> = BTreeMap::new();
    let with = after.iter().map(|entry| {
        let round = rounds.entry(&entry.step).or_default();
        let own = of(entry).map_or_else(Vec::new, |check| check.of_round(*round));
        *round += 1;
        (entry, own)
    });
    (before, with.collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::document;
    use crate::domain::time::Minute;
    use crate::dto::{FILE_BYTES_MAX, PlanningFile, read_json};
    use crate::trade::approach::{AreaRound, Prediction, Round, predict};

    /// The planning file says from when on the failed floor is worth reading again; its own readings say so, to the
    /// minute, on whatever day the demo starts.
    #[test]
    fn what_the_demo_says_of_the_failed_floor_follows_from_its_readings() {
        let known = readings().unwrap();
        for now in ["2026-11-30T11:00:00Z", "2026-03-06T11:00:00Z", "2026-06-24T15:00:00Z"] {
            let document = document(Minute::floor_from(now.parse().unwrap()), None).unwrap();
            let file: PlanningFile = read_json(&document.to_string(), FILE_BYTES_MAX).unwrap();
            for check in &known {
                let job = file.jobs.iter().find(|job| job.key == check.job).unwrap();
                let house = file.houses.iter().find(|house| house.key == job.house).unwrap();
                let (before, tried) = divided(&job.history, &job.key, &known);
                assert!(before.iter().all(|entry| entry.step != check.step) && tried.len() == 2);
                let round = |(entry, readings): &(&HistoryDto, Vec<ReadingDto>)| {
                    let centi = |area: &str| {
                        let own = readings.iter().filter(|reading| reading.area == area);
                        own.map(|reading| (reading.mc_percent * 100.0).round() as i32).collect::<Vec<i32>>()
                    };
                    let areas = house.areas.iter().map(|area| AreaRound::of_readings(&centi(&area.name)).unwrap());
                    let at = Minute::floor_from(entry.finished_at.as_ref().unwrap().parse().unwrap());
                    Round { at, areas: areas.collect() }
                };
                let rounds: Vec<Round> = tried.iter().map(round).collect();
                let sqft: Vec<u32> = house.areas.iter().map(|area| area.area_sqft as u32).collect();
                let Prediction::Passes { median, .. } = predict(&sqft, &rounds, 1.0) else { panic!("no prediction") };
                let told = tried[1].0.retry_not_before_at.as_ref().unwrap();
                assert_eq!(median, Minute::floor_from(told.parse().unwrap()), "{told}");
            }
        }
    }
}
