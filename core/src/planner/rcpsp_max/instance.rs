//! Instances in the plain text format of the ProGen/max generator, read into the engine's own model, and the check of an
//! answer from the instance alone.

use super::super::model::{Activity, Anchor, Arc, Mode, Model, NONE, Part};
use super::super::spans::{NEVER, T};

/// An instance as published.
#[derive(Debug, Clone)]
pub struct Instance {
    /// By activity; the first and the last are the source and the sink.
    pub durations: Vec<T>,
    /// By activity: amounts by resource.
    pub demands: Vec<Vec<u32>>,
    /// By resource.
    pub capacities: Vec<u32>,
    /// (from, to, start-to-start lag); a negative lag is a maximum the other way round.
    pub lags: Vec<(u32, u32, T)>,
}

/// What is wrong with an instance's text.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum InstanceError {
    /// The text ends too soon.
    #[error("the instance ends before its line {line}; the first line announces more activities")]
    Short {
        /// From 1.
        line: usize,
    },
    /// Something is no number, or too few of them.
    #[error("line {line} is not made of the whole numbers the format asks for")]
    Numbers {
        /// From 1.
        line: usize,
    },
}

/// Reads an instance.
pub fn parse(text: &str) -> Result<Instance, InstanceError> {
    let lines: Vec<Vec<i64>> = text
        .lines()
        .filter(|line| !line.trim().is_empty())
        .enumerate()
        .map(|(number, line)| {
            let words = line.split_whitespace().map(|word| word.trim_matches(['[', ']']).parse().ok());
            words.collect::<Option<Vec<i64>>>().ok_or(InstanceError::Numbers { line: number + 1 })
        })
        .collect::<Result<_, _>>()?;
    let at = |line: usize, word: usize| {
        let numbers = lines.get(line).ok_or(InstanceError::Short { line: line + 1 })?;
        numbers.get(word).copied().ok_or(InstanceError::Numbers { line: line + 1 })
    };
    let count = at(0, 0)? as usize + 2;
    let resources = at(0, 1)? as usize;
    let mut instance =
        Instance { durations: Vec::new(), demands: Vec::new(), capacities: Vec::new(), lags: Vec::new() };
    for activity in 0..count {
        let line = activity + 1;
        let successors = at(line, 2)? as usize;
        for successor in 0..successors {
            let (to, lag) = (at(line, 3 + successor)?, at(line, 3 + successors + successor)?);
            instance.lags.push((activity as u32, to as u32, lag as T));
        }
    }
    for activity in 0..count {
        let line = count + 1 + activity;
        instance.durations.push(at(line, 2)? as T);
        let demands = (0..resources).map(|resource| at(line, 3 + resource).map(|amount| amount as u32));
        instance.demands.push(demands.collect::<Result<_, _>>()?);
    }
    let capacities = (0..resources).map(|resource| at(2 * count + 1, resource).map(|amount| amount as u32));
    instance.capacities = capacities.collect::<Result<_, _>>()?;
    Ok(instance)
}

impl Instance {
    /// The instance as a model: one job, one mode for each activity, no crews, no calendars.
    pub fn model(&self) -> Model {
        let count = self.durations.len();
        let longest: T = self.lags.iter().map(|lag| lag.2.max(0)).sum::<T>() + self.durations.iter().sum::<T>();
        let mut model =
            Model { end: longest + 1, job_count: 1, capacities: self.capacities.clone(), ..Model::default() };
        for activity in 0..count {
            let length = self.durations[activity];
            model.parts.push(Part { offset: 0, length });
            let part = activity as u32..activity as u32 + 1;
            model.modes.push(Mode {
                crew: NONE,
                calendar: NONE,
                hours: NONE,
                length,
                parts: part.clone(),
                gates: 0..0,
            });
            let from = model.needs.len() as u32;
            // An activity without duration holds nothing.
            let held = self.demands[activity].iter().enumerate().filter(|(_, amount)| **amount > 0 && length > 0);
            model.needs.extend(held.map(|(resource, amount)| (resource as u32, *amount)));
            let needs = from..model.needs.len() as u32;
            model.activities.push(Activity { needs, ..Activity::plain(0, NONE, part) });
        }
        model.arcs = self.lags.iter().map(|&(from, to, lag)| arc(from, to, lag)).collect();
        model.index();
        model
    }

    /// Whether starts keep every lag and capacity; counted from the instance alone.
    pub fn check(&self, starts: &[T]) -> Result<T, String> {
        for &(from, to, lag) in &self.lags {
            if starts[to as usize] < starts[from as usize] + lag {
                return Err(format!("activity {to} starts less than {lag} after activity {from}"));
            }
        }
        let end = (0..starts.len()).map(|activity| starts[activity] + self.durations[activity]).max().unwrap_or(0);
        for (resource, &capacity) in self.capacities.iter().enumerate() {
            let mut use_by_time = vec![0u32; end as usize + 1];
            for ((&start, duration), demands) in starts.iter().zip(&self.durations).zip(&self.demands) {
                for t in start..start + duration {
                    use_by_time[t as usize] += demands[resource];
                }
            }
            if let Some(t) = use_by_time.iter().position(|amount| *amount > capacity) {
                return Err(format!("resource {resource} is over its capacity at {t}"));
            }
        }
        Ok(end)
    }
}

fn arc(from: u32, to: u32, lag: T) -> Arc {
    let (from, to, min, max) = if lag >= 0 { (from, to, lag, NEVER) } else { (to, from, -NEVER, -lag) };
    Arc {
        from,
        to,
        from_part: 0,
        to_part: 0,
        anchor: Anchor::Start,
        min,
        dry: NONE,
        overnight: NONE,
        max,
        extra: NONE,
        keep_off: false,
    }
}
