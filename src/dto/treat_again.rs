//! A check that fails and is to be treated again: its job's chain grows by copies of the steps it names, and the check
//! itself stays, with its failed try, behind them. Nothing is judged here but what the copying itself needs.

use super::job::JobDto;
use super::meter::OnFailDto;
use super::step::StepDto;
use super::wait::{OnExceedDto, WaitDto, WaitKindDto};
use crate::domain::bounds::KEY_CHARS_MAX;
use crate::domain::fault::Fault;
use std::collections::{BTreeMap, BTreeSet};

/// Treatments after the first. A floor that does not come right by then wants a person to find out why.
pub const TREAT_AGAIN_MAX: usize = 3;

/// A job whose chain has grown.
#[derive(Debug, Clone, PartialEq)]
pub struct Grown {
    /// With the copies.
    pub job: JobDto,
    /// Keys of the copies, in the order of the chain.
    pub added: Vec<String>,
}

impl JobDto {
    /// The job after its check `check` has failed: copies of the steps to do again stand before the check, the waits
    /// among them and from them to the check as those of the originals, and the first after the last that was there. Steps
    /// between them that are not named are not done again; the order they made and the waits beside them stay.
    /// `None` when nothing is to be done again.
    ///
    /// # Errors
    /// When it has been treated again often enough, or no keys are left for the copies.
    pub fn treated_again(&self, check: &str) -> Result<Option<Grown>, Fault> {
        let steps = self.steps.as_deref().unwrap_or(&[]);
        let Some(failed) = steps.iter().find(|step| step.key == check) else { return Ok(None) };
        let OnFailDto::TreatAgain(named) = &failed.on_fail else { return Ok(None) };
        let waits = self.waits.as_deref().unwrap_or(&[]);
        let originals = with_extras(named, steps, waits);
        let earlier = rounds(&originals, steps);
        if earlier.len() >= TREAT_AGAIN_MAX {
            return Err(Fault::new(
                "treated-often-enough",
                format!("check {check} has failed after {} treatments", earlier.len() + 1),
                "find out why it stays wet, and change the job's steps by hand; put it on hold meanwhile",
            ));
        }
        let copies = names(&originals, steps)?;
        let last = earlier.last().unwrap_or(&copies.original);
        let copy = |step: &&StepDto| {
            let key = copies.new.get(&step.key)?;
            let number = key.strip_prefix(&format!("{}-", step.key)).unwrap_or_default();
            let name: String = format!("{} ({number})", step.name);
            let name = if name.chars().count() > NAME_ROOM { step.name.clone() } else { name };
            Some(StepDto { key: key.clone(), name, repeats: Some(step.key.clone()), ..(*step).clone() })
        };
        let added: Vec<StepDto> =
            steps.iter().filter(|step| originals.contains(&step.key)).filter_map(|step| copy(&step)).collect();
        let keys = added.iter().map(|step| step.key.clone()).collect();
        let place = steps.iter().position(|step| step.key == check).unwrap_or(steps.len());
        let mut grown_steps = steps.to_vec();
        grown_steps.splice(place..place, added);
        let mut grown_waits = waits.to_vec();
        // What has a maximum could not be kept any more by a check that comes so much later: it moves to the copy.
        grown_waits
            .retain(|wait| !(wait.to == check && wait.max.is_some() && last.values().any(|key| *key == wait.from)));
        grown_waits.extend(new_waits((check, named), (steps, waits), &copies.new, last));
        let job = JobDto { steps: Some(grown_steps), waits: Some(grown_waits), ..self.clone() };
        Ok(Some(Grown { job, added: keys }))
    }
}

/// A name with its number must still be one.
const NAME_ROOM: usize = crate::domain::bounds::NAME_CHARS_MAX;

/// From originals to what stands for them.
type Round = BTreeMap<String, String>;

struct Copies {
    original: Round,
    new: Round,
}

/// What is to be done again, with the extra steps of the waits in between.
fn with_extras(named: &[String], steps: &[StepDto], waits: &[WaitDto]) -> BTreeSet<String> {
    let mut all: BTreeSet<String> = named.iter().cloned().collect();
    let inside = |wait: &&WaitDto| named.contains(&wait.from) && named.contains(&wait.to);
    for wait in waits.iter().filter(inside) {
        if let Some(OnExceedDto::Lapse(extra)) = wait.max.as_ref().map(|max| &max.on_exceed) {
            all.insert(extra.clone());
        }
    }
    all.retain(|key| steps.iter().any(|step| step.key == *key));
    all
}

/// Earlier repetitions, oldest first.
fn rounds(originals: &BTreeSet<String>, steps: &[StepDto]) -> Vec<Round> {
    let mut rounds: Vec<Round> = Vec::new();
    for original in originals {
        let copies = steps.iter().filter(|step| step.repeats.as_ref() == Some(original));
        for (number, copy) in copies.enumerate() {
            if rounds.len() <= number {
                rounds.push(Round::new());
            }
            rounds[number].insert(original.clone(), copy.key.clone());
        }
    }
    rounds
}

/// One number for all copies, the lowest from 2 whose keys are free.
fn names(originals: &BTreeSet<String>, steps: &[StepDto]) -> Result<Copies, Fault> {
    let taken: BTreeSet<&str> = steps.iter().map(|step| step.key.as_str()).collect();
    let named = |number: usize| -> Round {
        originals.iter().map(|original| (original.clone(), format!("{original}-{number}"))).collect()
    };
    let free = |round: &Round| round.values().all(|key| !taken.contains(key.as_str()));
    // One more number than there are steps: one of them is free.
    let new = (2..=steps.len() + 2).map(named).find(free).unwrap_or_default();
    if let Some(long) = new.values().find(|key| key.len() > KEY_CHARS_MAX) {
        let cure = format!("give the steps keys of at most {} characters", KEY_CHARS_MAX - 4);
        return Err(Fault::new("long-key", format!("{long:?} is too long for the key of a copy"), cure));
    }
    Ok(Copies { original: originals.iter().map(|key| (key.clone(), key.clone())).collect(), new })
}

fn new_waits(
    (check, named): (&str, &[String]),
    (steps, waits): (&[StepDto], &[WaitDto]),
    new: &Round,
    last: &Round,
) -> Vec<WaitDto> {
    let to_new = |key: &str| new.get(key).cloned();
    let inside: Vec<&WaitDto> =
        waits.iter().filter(|wait| named.contains(&wait.from) && named.contains(&wait.to)).collect();
    let ends: BTreeSet<&str> = named.iter().map(String::as_str).chain([check]).collect();
    let around: Vec<WaitDto> = named.iter().flat_map(|key| around(key, &ends, steps, waits)).collect();
    let (to_check, between): (Vec<&WaitDto>, Vec<&WaitDto>) = around.iter().partition(|wait| wait.to == check);
    let known = |wait: &&&WaitDto| !inside.iter().any(|direct| direct.from == wait.from && direct.to == wait.to);
    let between: Vec<&WaitDto> = between.iter().filter(known).copied().collect();
    let order = || inside.iter().chain(&between);
    let mut added: Vec<WaitDto> = Vec::new();
    // The first copies follow the last ones that were there.
    let firsts = named.iter().filter(|key| !order().any(|wait| wait.to == **key));
    let lasts: Vec<&String> = named.iter().filter(|key| !order().any(|wait| wait.from == **key)).collect();
    for first in firsts {
        for ending in &lasts {
            let from = last.get(*ending).unwrap_or(ending).clone();
            added.extend(to_new(first).map(|to| plain(from, to)));
        }
    }
    for wait in order() {
        let (Some(from), Some(to)) = (to_new(&wait.from), to_new(&wait.to)) else { continue };
        let mut copy = WaitDto { from, to, ..(*wait).clone() };
        if let Some(max) = copy.max.as_mut()
            && let OnExceedDto::Lapse(extra) = &max.on_exceed
            && let Some(extra) = to_new(extra)
        {
            max.on_exceed = OnExceedDto::Lapse(extra);
        }
        added.push(copy);
    }
    for key in named {
        let ended = last.get(key).unwrap_or(key);
        let direct = waits.iter().find(|wait| wait.from == *ended && wait.to == check);
        let before_check = direct.or_else(|| to_check.iter().find(|wait| wait.from == *key).copied());
        let Some(from) = to_new(key) else { continue };
        match before_check {
            Some(wait) => added.push(WaitDto { from, ..wait.clone() }),
            None if lasts.contains(&key) => added.push(plain(from, check.to_owned())),
            None => {}
        }
    }
    added
}

/// Waits from `key` to those of `ends` that are reached by steps which are not done again: as long as the longest on the
/// way, and overnight or kept off where any on the way is. What dries on the way dries as long without those steps.
fn around(key: &str, ends: &BTreeSet<&str>, steps: &[StepDto], waits: &[WaitDto]) -> Vec<WaitDto> {
    let passed = |to: &str| {
        let once = |step: &StepDto| step.key == to && step.repeats.is_none() && !step.only_on_lapse;
        !ends.contains(to) && steps.iter().any(once)
    };
    let mut reached: BTreeMap<&str, WaitDto> = BTreeMap::new();
    let mut open: Vec<(&str, Option<WaitDto>)> = vec![(key, None)];
    while let Some((from, so_far)) = open.pop() {
        let onward = waits.iter().filter(|wait| wait.from == from);
        for wait in onward.filter(|wait| so_far.is_some() || passed(&wait.to)) {
            let own = joined(plain(key.to_owned(), wait.to.clone()), wait);
            let own = so_far.iter().fold(own, joined);
            let own = reached.get(wait.to.as_str()).into_iter().fold(own, joined);
            // What is reached only ever grows, so this ends.
            if reached.get(wait.to.as_str()) != Some(&own) {
                reached.insert(&wait.to, own.clone());
                if passed(&wait.to) {
                    open.push((&wait.to, Some(own)));
                }
            }
        }
    }
    reached.into_values().filter(|wait| ends.contains(wait.to.as_str())).collect()
}

/// `one` as long as the longer of the two.
fn joined(one: WaitDto, other: &WaitDto) -> WaitDto {
    let longer = (other.min_minutes, other.film.is_some()) > (one.min_minutes, one.film.is_some());
    WaitDto {
        min_minutes: one.min_minutes.max(other.min_minutes),
        film: if longer { other.film } else { one.film },
        overnight: one.overnight || other.overnight,
        keep_off: one.keep_off || other.keep_off,
        ..one
    }
}

fn plain(from: String, to: String) -> WaitDto {
    WaitDto {
        from,
        to,
        kind: WaitKindDto::Lag,
        min_minutes: 0,
        film: None,
        overnight: false,
        max: None,
        keep_off: false,
    }
}
