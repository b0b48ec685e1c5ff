//! Goes through all orders, and keeps the best plan by finish times alone and the best by the whole cost.

use super::oracle::{Chosen, Oracle, Reach, Stay, lapse};
use tackfree::domain::chain::{Step, Wait, WaitKind};
use tackfree::domain::ids::{CrewIx, StepRef};
use tackfree::domain::plan::UnitUse;
use tackfree::domain::situation::Situation;

/// What was found.
pub struct Found {
    /// The most ordinary open steps that any plan places.
    pub placed_max: usize,
    /// The least that any plan costs when only what is left out and finish times count: proven.
    pub regular: i64,
    /// The least whole cost among the plans seen, which is not proven to be the least.
    pub whole: i64,
    /// Orders looked at.
    pub orders: usize,
}

struct Search<'a> {
    oracle: Oracle<'a>,
    /// Open steps that begin something: steps, and the first of each two that a dwell joins.
    open: Vec<StepRef>,
    placed_max: usize,
    regular: Option<i64>,
    whole: Option<i64>,
    orders: usize,
    orders_max: usize,
}

/// Looks at all plans; `None` when there are too many.
pub fn search(situation: &Situation, reach: Reach, orders_max: usize) -> Option<Found> {
    let oracle = Oracle::new(situation, reach);
    let begins = |step: &StepRef| {
        let second = oracle.first_part(*step).is_some_and(|(_, first)| oracle.happened(first).is_none());
        oracle.happened(*step).is_none() && !second
    };
    let open = situation.steps().filter(begins).collect();
    let mut search = Search { oracle, open, placed_max: 0, regular: None, whole: None, orders: 0, orders_max };
    search.extend(&mut Vec::new());
    let (regular, whole) = (search.regular?, search.whole?);
    let (placed_max, orders) = (search.placed_max, search.orders);
    (orders <= orders_max).then_some(Found { placed_max, regular, whole, orders })
}

impl Search<'_> {
    fn extend(&mut self, order: &mut Vec<Chosen>) {
        self.orders += 1;
        if self.orders > self.orders_max {
            return;
        }
        let Some(stays) = self.oracle.least_times(order) else { return };
        self.judge(order, &stays);
        for step in self.open.clone() {
            if !order.iter().any(|chosen| chosen.step == step) && self.may_follow(order, step) {
                for more in self.ways(order, step) {
                    if swaps_needlessly(&self.oracle, order, &more) {
                        continue;
                    }
                    let length = order.len();
                    order.extend(more);
                    self.extend(order);
                    order.truncate(length);
                }
            }
        }
    }

    /// Whether all that must come before the step is placed; an extra step comes before the one that needs it.
    fn may_follow(&self, order: &[Chosen], step: StepRef) -> bool {
        let there =
            |other: StepRef| self.oracle.happened(other).is_some() || order.iter().any(|chosen| chosen.step == other);
        let sibling = |sibling| StepRef { step: sibling, ..step };
        if !self.oracle.spec(step).only_on_lapse {
            let parts = [Some(step), self.second_part(step)].into_iter().flatten();
            let mut waits = parts.flat_map(|part| self.oracle.waits_into(part));
            return waits.all(|wait| wait.from == step.step || there(sibling(wait.from)));
        }
        let names = |wait: &&Wait| lapse(wait).is_some_and(|(extra, _)| extra == step.step);
        let wait = self.oracle.chain(step).waits().iter().find(names).unwrap();
        there(sibling(wait.from)) && !there(sibling(wait.to))
    }

    fn second_part(&self, step: StepRef) -> Option<StepRef> {
        let dwell = |wait: &&Wait| wait.kind == WaitKind::Dwell && wait.from == step.step;
        let wait = self.oracle.chain(step).waits().iter().find(dwell)?;
        let second = StepRef { step: wait.to, ..step };
        self.oracle.happened(second).is_none().then_some(second)
    }

    /// All ways to do a step next, with its second part where there is one.
    fn ways(&self, order: &[Chosen], step: StepRef) -> Vec<Vec<Chosen>> {
        let situation = self.oracle.situation;
        let parts: Vec<StepRef> = [Some(step), self.second_part(step)].into_iter().flatten().collect();
        let begun = self.oracle.first_part(step).and_then(|(_, first)| self.oracle.spec(first).fixed());
        let able = |spec: &Step, crew: CrewIx| {
            let people = &situation.crews[crew.index()];
            people.skills.covers(spec.skills)
                && people.head_count >= spec.head_count_min
                && spec.pin.crew.is_none_or(|pinned| pinned == crew)
        };
        let crews = (0..situation.crews.len()).map(CrewIx::from_index).filter(|&crew| {
            parts.iter().all(|&part| able(self.oracle.spec(part), crew)) && begun.is_none_or(|begun| begun.crew == crew)
        });
        let mut ways = Vec::new();
        for crew in crews {
            for units in self.units(order, step) {
                let chosen = |step, units, after_extra| Chosen { step, crew, units, after_extra };
                let second = parts.get(1).map(|&part| chosen(part, Vec::new(), false));
                let first = chosen(step, units, false);
                if self.has_extra_done(step) {
                    ways.push(vec![Chosen { after_extra: true, ..first.clone() }]);
                }
                ways.push([first].into_iter().chain(second).collect());
            }
        }
        ways
    }

    fn has_extra_done(&self, step: StepRef) -> bool {
        let mut lapses = self.oracle.waits_into(step).filter_map(lapse);
        lapses.any(|(extra, _)| self.oracle.happened(StepRef { step: extra, ..step }).is_some())
    }

    /// All choices of gear: of each kind one that was in use, or the next that was not; those are all alike.
    fn units(&self, order: &[Chosen], step: StepRef) -> Vec<Vec<UnitUse>> {
        let running = self.oracle.running_units();
        let mut choices = vec![Vec::new()];
        for &(equipment, needed) in &self.oracle.spec(step).equipment {
            assert_eq!(needed, 1, "the generator takes one of a kind");
            let used = order.iter().map(|chosen| &chosen.units).chain(running.iter().map(|(_, units)| units));
            let next = used.flatten().filter(|unit| unit.equipment == equipment).map(|unit| unit.unit + 1).max();
            let units = (next.unwrap_or(0) + 1).min(self.oracle.situation.equipment[equipment.index()].units);
            let with = |choice: &Vec<UnitUse>, unit| [&choice[..], &[UnitUse { equipment, unit }]].concat();
            choices = choices.iter().flat_map(|choice| (0..units).map(move |unit| with(choice, unit))).collect();
        }
        choices
    }

    fn judge(&mut self, order: &[Chosen], stays: &[Stay]) {
        let oracle = &self.oracle;
        let placed = |step: StepRef| order.iter().any(|chosen| chosen.step == step);
        let needless = order.iter().filter(|chosen| oracle.spec(chosen.step).only_on_lapse).any(|chosen| {
            let mut waits = oracle.chain(chosen.step).waits().iter();
            let names = |wait: &&Wait| lapse(wait).is_some_and(|(extra, _)| extra == chosen.step.step);
            waits.find(names).is_none_or(|wait| !placed(StepRef { step: wait.to, ..chosen.step }))
        });
        if needless {
            return;
        }
        let ordinary = order.iter().filter(|chosen| !oracle.spec(chosen.step).only_on_lapse).count();
        self.placed_max = self.placed_max.max(ordinary);
        let regular = self.regular_cost(order, stays);
        if self.regular.is_none_or(|least| regular < least) {
            let plan = self.oracle.plan(order, stays);
            let counted = plan.cost.unplaced + plan.cost.lateness + plan.cost.finish;
            assert_eq!(counted, regular, "{order:#?}");
            self.regular = Some(regular);
        }
        // The other parts are never negative.
        if self.whole.is_none_or(|least| regular < least) {
            let plan = self.oracle.plan(order, stays);
            let whole = plan.cost.total();
            if self.whole.is_none_or(|least| whole < least) {
                self.whole = Some(whole);
            }
        }
    }

    fn regular_cost(&self, order: &[Chosen], stays: &[Stay]) -> i64 {
        let (situation, times) = (self.oracle.situation, &self.oracle.times);
        let weights = &situation.settings.cost;
        let finish = |step: StepRef| {
            let placed = order.iter().position(|chosen| chosen.step == step).map(|at| stays[at].finish);
            placed.or(self.oracle.happened(step).map(|stay| stay.finish))
        };
        let mut cost = 0;
        for (number, job) in situation.jobs.iter().enumerate() {
            let steps: Vec<StepRef> = situation.steps().filter(|step| step.job.index() == number).collect();
            let out = steps.iter().filter(|&&step| !self.oracle.spec(step).only_on_lapse && finish(step).is_none());
            let out = out.count() as i64;
            cost += weights.unplaced_step * out;
            let Some(last) = steps.iter().filter_map(|&step| finish(step)).max().filter(|_| out == 0) else { continue };
            let after = |at| (last - times.since_now(at)).max(0) * i64::from(job.weight);
            cost += weights.late_minute * job.due.map_or(0, after) + weights.finish_minute * after(job.release);
        }
        cost
    }
}

/// Whether the last step and the next one have nothing to do with each other and stand in the wrong order: the other way
/// round gives the same times, and is looked at as well.
fn swaps_needlessly(oracle: &Oracle<'_>, order: &[Chosen], more: &[Chosen]) -> bool {
    let Some(last) = order.last() else { return false };
    let next = &more[0];
    let house = |chosen: &Chosen| oracle.situation.house_of(chosen.step);
    let apart = last.step.job != next.step.job && house(last) != house(next) && last.crew != next.crew;
    apart && !last.units.iter().any(|unit| next.units.contains(unit)) && next.step < last.step
}
