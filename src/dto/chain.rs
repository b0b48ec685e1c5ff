//! From written steps and waits, with or without a job's overrides, to a chain that hangs together; and which step or
//! wait is to blame when it does not. What "hangs together" means is `domain::chain`'s matter alone.

use super::fault::{At, Faults, shown};
use super::names::{Names, Table};
use super::rolling;
use super::sites::Site;
use super::step::{StepDto, StepOverrideDto};
use super::wait::{WaitDto, WaitOverrideDto};
use crate::domain::bounds::{STEPS_PER_CHAIN_MAX, WAITS_PER_CHAIN_MAX};
use crate::domain::chain::{Chain, OnExceed, Step, Wait, WaitMax};
use crate::domain::fault::Fault;
use crate::domain::ids::{AreaIx, StepIx};

/// A chain as written, and where each part of it is written.
#[derive(Clone, Copy)]
pub(super) struct Source<'a> {
    /// Steps in order.
    pub(super) steps: &'a [StepDto],
    /// The array of steps.
    pub(super) steps_at: &'a At<'a>,
    /// Waits.
    pub(super) waits: &'a [WaitDto],
    /// The array of waits.
    pub(super) waits_at: &'a At<'a>,
    /// What a job changes in steps.
    pub(super) overrides: &'a [StepOverrideDto],
    /// The array of overrides.
    pub(super) overrides_at: &'a At<'a>,
    /// What a job changes in waits.
    pub(super) wait_overrides: &'a [WaitOverrideDto],
    /// The array of wait overrides.
    pub(super) wait_overrides_at: &'a At<'a>,
    /// The array that tells what happened.
    pub(super) history_at: &'a At<'a>,
}

/// Steps and waits read one by one, not yet judged as a chain.
pub(super) struct Parts<'a> {
    source: Source<'a>,
    patches: Vec<Option<usize>>,
    wait_patches: Vec<Option<usize>>,
    /// Keys of the steps.
    pub(super) table: Table,
    /// As written; history and pins may still be added.
    pub(super) steps: Vec<Step>,
    waits: Vec<Wait>,
}

impl<'a> Source<'a> {
    /// Reads every step and wait on its own. `None` when one of them is no good.
    pub(super) fn read(self, names: &Names, site: &Site, faults: &mut Faults) -> Option<Parts<'a>> {
        let counted = faults.count(self.steps_at, self.steps.len(), STEPS_PER_CHAIN_MAX, "steps")
            & faults.count(self.waits_at, self.waits.len(), WAITS_PER_CHAIN_MAX, "waits")
            & faults.count(self.overrides_at, self.overrides.len(), STEPS_PER_CHAIN_MAX, "overrides")
            & faults.count(self.wait_overrides_at, self.wait_overrides.len(), WAITS_PER_CHAIN_MAX, "overrides");
        if !counted {
            return None;
        }
        let mut table = Table::steps();
        let mut distinct = true;
        for (index, step) in self.steps.iter().enumerate() {
            distinct &= table.find(&step.key).is_none();
            faults.declare(&self.steps_at.item(index).field("key"), &mut table, &step.key);
        }
        let patches = self.step_patches(&table, faults);
        let wait_patches = self.wait_patches(faults);
        let steps = (0..self.steps.len()).map(|index| self.step(index, patches[index], names, site, faults));
        let steps: Vec<Option<Step>> = steps.collect();
        let waits = (0..self.waits.len()).map(|index| self.wait(index, wait_patches[index], &table, faults));
        let waits: Vec<Option<Wait>> = waits.collect();
        let steps: Option<Vec<Step>> = steps.into_iter().collect();
        let waits: Option<Vec<Wait>> = waits.into_iter().collect();
        let (mut steps, waits) = (steps?, waits?);
        rolling::settle(&self, &patches, (&mut steps, &waits), site, faults)?;
        distinct.then_some(Parts { source: self, patches, wait_patches, table, steps, waits })
    }

    fn step(
        &self,
        index: usize,
        patch: Option<usize>,
        names: &Names,
        site: &Site,
        faults: &mut Faults,
    ) -> Option<Step> {
        self.with_step(index, patch, |step, at| step.to_domain(at, names, site, faults))
    }

    /// Does something with a step as it is with its override, and with the place of its members.
    pub(super) fn with_step<R>(&self, index: usize, patch: Option<usize>, with: impl FnOnce(&StepDto, &At) -> R) -> R {
        let step = &self.steps[index];
        let at = self.steps_at.item(index);
        let Some(number) = patch else { return with(step, &at) };
        let patch = &self.overrides[number];
        let (patch_at, fields) = (self.overrides_at.item(number), patch.fields());
        with(&patch.applied_to(step), &At::Patched { patch: &patch_at, fields: &fields, under: &at })
    }

    fn wait(&self, index: usize, patch: Option<usize>, steps: &Table, faults: &mut Faults) -> Option<Wait> {
        let wait = &self.waits[index];
        let at = self.waits_at.item(index);
        let Some(number) = patch else { return wait.to_domain(&at, steps, faults) };
        let patch = &self.wait_overrides[number];
        let (patch_at, fields) = (self.wait_overrides_at.item(number), patch.fields());
        let at = At::Patched { patch: &patch_at, fields: &fields, under: &at };
        patch.applied_to(wait).to_domain(&at, steps, faults)
    }

    /// For each step, the override that changes it.
    fn step_patches(&self, table: &Table, faults: &mut Faults) -> Vec<Option<usize>> {
        let mut patches = vec![None; self.steps.len()];
        for (number, patch) in self.overrides.iter().enumerate() {
            let at = self.overrides_at.item(number);
            let Some(step) = faults.find(&at.field("step"), table, &patch.step, "an override") else { continue };
            if patches[step].replace(number).is_some() {
                let what = format!("step {} is overridden twice", shown(&patch.step));
                faults.push(&at, Fault::new("duplicate-override", what, "put both into one override"));
            }
        }
        patches
    }

    /// For each wait, the override that changes it.
    fn wait_patches(&self, faults: &mut Faults) -> Vec<Option<usize>> {
        let mut patches = vec![None; self.waits.len()];
        for (number, patch) in self.wait_overrides.iter().enumerate() {
            let at = self.wait_overrides_at.item(number);
            let wait = format!("the wait from {} to {}", shown(&patch.from), shown(&patch.to));
            let found = self.waits.iter().position(|wait| wait.from == patch.from && wait.to == patch.to);
            let Some(found) = found else {
                let cure = "override a wait of the method, by the keys of its two steps";
                faults.push(&at, Fault::new("unknown-wait", format!("{wait} does not exist"), cure));
                continue;
            };
            if patches[found].replace(number).is_some() {
                let what = format!("{wait} is overridden twice");
                faults.push(&at, Fault::new("duplicate-override", what, "put both into one override"));
            }
        }
        patches
    }
}

impl Parts<'_> {
    /// The chain, or what keeps it from being one, told at the step or wait to blame.
    pub(super) fn into_chain(self, faults: &mut Faults) -> Option<Chain> {
        match Chain::new(self.steps.clone(), self.waits.clone()) {
            Ok(chain) => Some(chain),
            Err(fault) => {
                self.blame(fault, faults);
                None
            }
        }
    }

    /// Judges each step alone, then each wait with its own steps alone; what is only wrong as a whole (a cycle) is told
    /// for the waits as a whole.
    fn blame(&self, whole: Fault, faults: &mut Faults) {
        let mut found = false;
        for (index, step) in self.steps.iter().enumerate() {
            let alone = Step { only_on_lapse: false, ..step.clone() };
            if let Err(fault) = Chain::new(vec![alone], Vec::new()) {
                found = true;
                let happened = matches!(fault.code, "bad-history" | "too-many-attempts");
                match self.patches[index] {
                    _ if happened => faults.push(self.source.history_at, fault),
                    Some(number) => faults.push(&self.source.overrides_at.item(number), fault),
                    None => faults.push(&self.source.steps_at.item(index), fault),
                }
            }
        }
        for (index, wait) in self.waits.iter().enumerate() {
            if let Err(fault) = self.alone(wait) {
                found = true;
                match self.wait_patches[index] {
                    Some(number) => faults.push(&self.source.wait_overrides_at.item(number), fault),
                    None => faults.push(&self.source.waits_at.item(index), fault),
                }
            }
        }
        if !found {
            let of_steps = whole.code == "bad-chain-size";
            faults.push(if of_steps { self.source.steps_at } else { self.source.waits_at }, whole);
        }
    }

    /// The smallest chain with this wait: its two steps and the extra step it names. Only the waits' own properties
    /// are judged here, so the steps come without what else may be wrong with them.
    fn alone(&self, wait: &Wait) -> Result<(), Fault> {
        let extra = match wait.max {
            Some(WaitMax { on_exceed: OnExceed::Lapse(extra), .. }) => Some(extra),
            Some(WaitMax { on_exceed: OnExceed::Forbid, .. }) | None => None,
        };
        let mut kept: Vec<StepIx> = vec![wait.from, wait.to];
        kept.extend(extra);
        kept.sort_unstable();
        kept.dedup();
        let renumbered = |step: StepIx| StepIx::from_index(kept.iter().filter(|other| **other < step).count());
        let on_exceed = extra.map_or(OnExceed::Forbid, |extra| OnExceed::Lapse(renumbered(extra)));
        let wait = Wait {
            from: renumbered(wait.from),
            to: renumbered(wait.to),
            max: wait.max.map(|max| WaitMax { on_exceed, ..max }),
            ..*wait
        };
        let plain = |step: &Step| Step { attempts: Vec::new(), gate: None, areas: vec![AreaIx(0)], ..step.clone() };
        let steps = kept.iter().map(|step| plain(&self.steps[step.index()]));
        Chain::new(steps.collect(), vec![wait]).map(drop)
    }
}
