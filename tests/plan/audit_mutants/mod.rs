//! Plans of generated companies, each spoilt in one way that must break a rule: the audit catches every one, and by the
//! rule that was broken. A mutation says by itself, from the input, where it must break something; where no such place
//! is left in a plan, it passes.

mod claims;
mod meetings;
mod mishaps;
mod steps;
mod waits;
use crate::common::generate::{Draw, Size, company, troubled};
use tackfree::audit::audit;
use tackfree::domain::chain::{Attempt, Chain, Outcome, Step, Wait, WaitKind};
use tackfree::domain::ids::CrewIx;
use tackfree::domain::plan::{Placement, Plan};
use tackfree::domain::resources::{Crew, House};
use tackfree::domain::situation::{Job, Situation};
use tackfree::domain::time::{Minute, Span, joined, without};
use tackfree::planner::{Basis, Request, plan};

/// Companies that are planned and spoilt, unless `TACKFREE_COMPANIES` says otherwise.
const COMPANIES: u64 = 200;
/// Each kind of mutation has been at work at least so often.
const EXERCISED_MIN: usize = 20;

/// Spoils one place of the plan, drawn from all where this must break a rule; `None` when there is none.
type Mutate = fn(&Case<'_>, &mut Draw) -> Option<Plan>;

/// One way to spoil a plan.
struct Kind {
    name: &'static str,
    mutate: Mutate,
    /// One of these is found at least; any code will do when there are none.
    codes: &'static [&'static str],
    /// Whether the plan says its own cost again after the change, so that not the sum gives it away.
    priced: bool,
}

const fn kind(name: &'static str, mutate: Mutate, codes: &'static [&'static str]) -> Kind {
    Kind { name, mutate, codes, priced: true }
}

/// A kind that is about the claims themselves.
const fn claim(name: &'static str, mutate: Mutate, codes: &'static [&'static str]) -> Kind {
    Kind { name, mutate, codes, priced: false }
}

/// A clean plan.
struct Case<'a> {
    situation: &'a Situation,
    plan: &'a Plan,
}

impl Case<'_> {
    fn job(&self, at: usize) -> &Job {
        &self.situation.jobs[self.placement(at).step.job.index()]
    }

    fn chain(&self, at: usize) -> &Chain {
        &self.job(at).chain
    }

    fn spec(&self, at: usize) -> &Step {
        self.chain(at).step(self.placement(at).step.step)
    }

    fn house(&self, at: usize) -> &House {
        &self.situation.houses[self.job(at).house.index()]
    }

    fn crew(&self, at: usize) -> &Crew {
        &self.situation.crews[self.placement(at).crew.index()]
    }

    fn placement(&self, at: usize) -> &Placement {
        &self.plan.placements[at]
    }

    fn all(&self) -> Vec<usize> {
        (0..self.plan.placements.len()).collect()
    }

    /// Positions of placements that are not begun.
    fn open(&self) -> Vec<usize> {
        self.all().into_iter().filter(|&at| self.spec(at).fixed().is_none()).collect()
    }

    fn fixed(&self) -> Vec<usize> {
        self.all().into_iter().filter(|&at| self.spec(at).fixed().is_some()).collect()
    }

    /// Open ones of one piece that no dwell touches: they can be moved without anything else.
    fn lone(&self) -> Vec<usize> {
        self.open().into_iter().filter(|&at| !self.dwells(at) && self.placement(at).pieces.len() == 1).collect()
    }

    /// Whether a dwell touches the step.
    fn dwells(&self, at: usize) -> bool {
        let step = self.placement(at).step.step;
        let touches = |wait: &Wait| wait.kind == WaitKind::Dwell && (wait.from == step || wait.to == step);
        self.chain(at).waits().iter().any(touches)
    }

    /// Whether all of a time can be judged: from now to the horizon's end.
    fn inside(&self, start: Minute, minutes: i64) -> bool {
        start >= self.situation.now && start.plus(minutes) <= self.situation.horizon().end()
    }

    /// When a crew works, around a time.
    fn working(&self, crew: CrewIx, at: Minute) -> Vec<Span> {
        let crew = &self.situation.crews[crew.index()];
        let window = Span::new(at.plus(-1440), at.plus(1440)).unwrap();
        without(&crew.calendar.spans(crew.zone, window), &joined(crew.absences.clone()))
    }

    fn works_at(&self, crew: CrewIx, at: Minute) -> bool {
        self.working(crew, at).iter().any(|span| span.start() <= at && at < span.end())
    }

    fn is_open_at(&self, house: &House, at: Minute) -> bool {
        let window = Span::new(at.plus(-1440), at.plus(1440)).unwrap();
        house.access.spans(house.zone, window).iter().any(|span| span.start() <= at && at < span.end())
    }

    /// The plan with one placement replaced.
    fn with(&self, at: usize, placement: Placement) -> Plan {
        let mut plan = self.plan.clone();
        plan.placements[at] = placement;
        plan
    }

    fn changed(&self, at: usize, change: impl FnOnce(&mut Placement)) -> Plan {
        let mut placement = self.placement(at).clone();
        change(&mut placement);
        self.with(at, placement)
    }

    fn without(&self, at: usize) -> Plan {
        let mut plan = self.plan.clone();
        plan.placements.remove(at);
        plan
    }

    /// The plan with one placement put to another start, each piece as long as before.
    fn moved(&self, at: usize, start: Minute) -> Plan {
        self.changed(at, |placement| shift(placement, start))
    }
}

fn shift(placement: &mut Placement, start: Minute) {
    let by = start.since(placement.start());
    let shifted = |piece: &Span| Span::new(piece.start().plus(by), piece.end().plus(by)).unwrap();
    placement.pieces = placement.pieces.iter().map(shifted).collect();
}

/// One of them, if there are any.
fn one_of<T: Clone>(draw: &mut Draw, sites: &[T]) -> Option<T> {
    (!sites.is_empty()).then(|| draw.pick(sites))
}

/// What a generated company seldom has: steps pinned to where they are, and checks that have failed before.
fn season(situation: &mut Situation, plan: &Plan, draw: &mut Draw) {
    for placement in &plan.placements {
        let chain = &situation.jobs[placement.step.job.index()].chain;
        let mut steps = chain.steps().to_vec();
        let step = &mut steps[placement.step.step.index()];
        if !step.attempts.is_empty() || step.only_on_lapse {
            continue;
        }
        if let Some(pause) = step.recheck_after_minutes {
            let finish = placement.start().plus(-pause).min(situation.now);
            let (crew, start) = (placement.crew, finish.plus(-30));
            step.attempts = vec![Attempt { crew, start, finish, outcome: Outcome::Failed, retry_not_before: None }];
        } else if draw.chance(5) {
            step.pin.start = Some(placement.start());
        } else if draw.chance(10) {
            let house = situation.jobs[placement.step.job.index()].house;
            step.pin.day = Some(situation.houses[house.index()].zone.date(placement.start()));
        }
        let waits = chain.waits().to_vec();
        situation.jobs[placement.step.job.index()].chain = Chain::new(steps, waits).unwrap();
    }
}

fn priced(situation: &Situation, spoilt: Plan) -> Plan {
    let cost = audit(situation, &spoilt).cost;
    Plan { cost, lower_bound: spoilt.lower_bound.min(cost.total()), ..spoilt }
}

#[test]
fn every_mutant_is_caught() {
    let kinds: Vec<Kind> = [steps::kinds(), waits::kinds(), meetings::kinds(), claims::kinds(), mishaps::kinds()]
        .into_iter()
        .flatten()
        .collect();
    let mut exercised = vec![0; kinds.len()];
    let setting = |name: &str, otherwise: u64| std::env::var(name).map_or(otherwise, |text| text.parse().unwrap());
    let first = setting("TACKFREE_FIRST_SEED", 0);
    for seed in first..first + setting("TACKFREE_COMPANIES", COMPANIES) {
        let size = if seed % 10 == 0 { Size::medium() } else { Size::small() };
        let mut situation = if seed % 3 == 0 { company(seed, size) } else { troubled(seed, size) };
        let mut draw = Draw::new(seed ^ 0xbad);
        let request = Request { seed, move_budget: 0, basis: Basis::Published, ..Request::new() };
        let made = plan(&situation, request);
        // Half of the plans are judged as what was promised.
        if seed % 2 == 0 {
            situation = situation.with_published(&made);
        }
        season(&mut situation, &made, &mut draw);
        let report = audit(&situation, &made);
        assert!(report.is_clean(), "company {seed} before it is spoilt: {:?}", report.violations);
        let case = Case { situation: &situation, plan: &made };
        for (kind, count) in kinds.iter().zip(&mut exercised) {
            let Some(spoilt) = (kind.mutate)(&case, &mut draw) else { continue };
            let spoilt = if kind.priced { priced(&situation, spoilt) } else { spoilt };
            let found: Vec<&str> = audit(&situation, &spoilt).violations.iter().map(|found| found.code()).collect();
            let named = kind.codes.is_empty() || found.iter().any(|code| kind.codes.contains(code));
            assert!(
                !found.is_empty() && named,
                "company {seed}, {}: {:?} wanted, {found:?} found",
                kind.name,
                kind.codes
            );
            *count += 1;
        }
    }
    let told: Vec<String> =
        kinds.iter().zip(&exercised).map(|(kind, count)| format!("{count:4} {}", kind.name)).collect();
    println!("{} kinds, {} mutants\n{}", kinds.len(), exercised.iter().sum::<usize>(), told.join("\n"));
    let rare: Vec<&String> =
        told.iter().zip(&exercised).filter(|(_, count)| **count < EXERCISED_MIN).map(|(t, _)| t).collect();
    assert!(rare.is_empty(), "hardly ever at work: {rare:#?}");
}
