//! Published benchmark instances of resource-constrained project scheduling with minimum and maximum time lags
//! (RCPSP/max), in the plain text format of the ProGen/max generator, read into the engine's own model. The engine
//! that plans floors solves them; nothing in it knows the difference.

use super::generate::Generator;
use super::improve::Search;
use super::model::{Activity, Anchor, Arc, Mode, Model, NONE, Part};
use super::score::{Fixed, JobWeights, Weights};
use super::spans::{NEVER, T};
use super::state::State;
use crate::domain::situation::CostWeights;
use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;

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
            model.activities.push(Activity {
                job: 0,
                place: NONE,
                release: 0,
                latest: NEVER,
                modes: part,
                areas: 0..0,
                needs: from..model.needs.len() as u32,
                gear: 0..0,
                dividable: false,
                extra: false,
                days: 0..0,
                pinned: false,
                steps: 1,
                joins: NONE,
                shared: 0..0,
                shared_until: 0,
            });
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

    /// Latest starts relative to the end, by longest paths over the minimum lags: a classical priority.
    fn tails(&self) -> Vec<T> {
        let mut tails = self.durations.clone();
        for _ in 0..tails.len() {
            let mut changed = false;
            for &(from, to, lag) in self.lags.iter().filter(|lag| lag.2 >= 0) {
                let longer = lag + tails[to as usize];
                if longer > tails[from as usize] {
                    tails[from as usize] = longer;
                    changed = true;
                }
            }
            if !changed {
                break;
            }
        }
        tails
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

/// Starts of all activities with the least makespan found, or `None` when no feasible plan was found: up to `tries`
/// generations in different orders until one is feasible, then up to `moves` moves of the search.
pub fn solve(instance: &Instance, model: &Model, seed: u64, tries: u32, moves: u64) -> Option<Vec<T>> {
    let count = model.activities.len();
    let fixed = Fixed { steps: vec![vec![0]; count], crew: vec![NONE; count], busy: Vec::new() };
    let jobs = vec![JobWeights { weight: 1, due: NEVER, release: 0 }];
    let weights = Weights::new(CostWeights::default(), jobs, Vec::new(), model, fixed);
    let mut random = Pcg64Mcg::seed_from_u64(seed);
    let tails = instance.tails();
    let all: Vec<u32> = (0..count as u32).collect();
    for attempt in 0..tries {
        let mut state = State::new(model, &vec![None; count]);
        let mut generator = Generator::new(count);
        for (bias, tail) in generator.bias.iter_mut().zip(&tails) {
            let noise = if attempt == 0 { 0 } else { (random.next_u32() % (8 * (1 + attempt % 16))) as T };
            *bias = noise - if attempt % 2 == 0 { *tail } else { 0 };
        }
        generator.complete(&mut state, &weights, &all);
        if all.iter().all(|activity| state.place(*activity).is_some()) {
            let mut search = Search::new(&weights, &state, seed, super::improve::Accept::NotMuchWorse);
            search.run(&mut state, &mut generator, &[0], moves, &mut |_, _| {});
            return all.iter().map(|activity| state.place(*activity).map(|place| place.start)).collect();
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three activities of 2, 3 and 2 on a resource of 1; the third at most 4 after the first starts, at least 2.
    const SMALL: &str = "3 1 0 0\n0 1 3 1 2 3 [0] [0] [0]\n1 1 1 3 [2]\n2 1 1 4 [3]\n3 1 2 4 1 [2] [-4]\n4 1 0\n\
                         0 1 0 0\n1 1 2 1\n2 1 3 1\n3 1 2 1\n4 1 0 0\n1\n";

    #[test]
    fn a_small_instance_is_read_and_solved_to_its_optimum() {
        let instance = parse(SMALL).unwrap();
        assert_eq!(instance.durations, [0, 2, 3, 2, 0]);
        assert_eq!(instance.capacities, [1]);
        let starts = solve(&instance, &instance.model(), 1, 10, 200).unwrap();
        assert_eq!(instance.check(&starts), Ok(7));
        let mut late = starts.clone();
        late[3] = late[1] + 5;
        assert!(instance.check(&late).is_err());
    }

    #[test]
    fn a_broken_instance_names_its_line() {
        assert_eq!(parse("2 1 0 0\n0 1 x").unwrap_err(), InstanceError::Numbers { line: 2 });
        assert_eq!(parse("2 1 0 0\n0 1 0\n").unwrap_err(), InstanceError::Short { line: 3 });
    }
}
