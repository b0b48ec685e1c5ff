//! The engine: a pure, deterministic function of (situation, request). No clock, no I/O, no global random state, no hash
//! order. Knows the domain and the trade, nothing else; the audit, which judges its plans, shares no code with it.
//!
//! | module | what |
//! |---|---|
//! | `model`, `spans` | the general problem: activities, modes, arcs, resources, calendars |
//! | `compile`, `compile_jobs`, `compile_modes`, `compile_waits`, `runs` | a situation becomes a model |
//! | `near` | which crews are asked, where there are very many |
//! | `cores` | halves of one piece of work on two cores |
//! | `timeline`, `hours`, `state`, `find` | what is taken when, and the search for the next free time |
//! | `generate` | serial schedule generation with bounded repair |
//! | `keep` | pinned and published steps stay; causes when they cannot |
//! | `improve` | ruin and recreate |
//! | `exact` | of few steps the cheapest plan, and the proof that it is |
//! | `repair` | search around what was broken, and nowhere else |
//! | `request`, `emphasis` | what is asked of the planner; what the search is to look at most, and the other plans worth seeing |
//! | `settle` | the last word: promises put back, nothing left to change for the next planning |
//! | `score`, `bound` | the cost, and what no plan can undercut |
//! | `pins` | the fewest pins to drop so that everything can be placed |
//! | `critical_path`, `slack` | where the time until a job is finished goes; how much later a step may be |
//! | `blockers`, `decode` | reasons for what is left out; back to the domain |
//! | `rcpsp_max` | published scheduling benchmarks, read into the same model |

pub mod blockers;
pub mod bound;
pub mod compile;
mod compile_jobs;
mod compile_modes;
mod compile_waits;
mod cores;
pub mod critical_path;
pub mod decode;
mod emphasis;
mod exact;
mod find;
pub mod generate;
mod hours;
pub mod improve;
pub mod keep;
pub mod model;
pub mod near;
mod pins;
pub mod rcpsp_max;
mod repair;
mod request;
mod runs;
pub mod score;
mod settle;
pub mod slack;
pub mod spans;
pub mod state;
pub mod timeline;

pub use emphasis::alternatives;
pub use pins::{PinsToDrop, TRIALS_MAX as PIN_TRIALS_MAX, pins_to_drop};
pub use request::{Basis, Emphasis, REPAIR_MOVES, Request, usual_moves};

use crate::domain::plan::Plan;
use crate::domain::situation::Situation;
use compile::Compiled;
use generate::Generator;
use keep::Published;
use model::NONE;
use near::Asked;
use score::{Fixed, JobWeights, Weights};
use spans::{NEVER, T};
use state::State;

/// Up to here every order is tried for the first plan.
const ACTIVITIES_FOR_ALL_ORDERS: usize = 5_000;

/// While the first plan is made, a minute on the road weighs as much as so many: it is lost for all houses that come later.
const WAY_FACTOR_AT_FIRST: i64 = 10;
/// With fewer jobs hardly any waits for a crew that is on the road.
const JOBS_THAT_WAIT: usize = 12;

/// Beginnings of plans that may be looked at for each move of the search, where steps are few: they take a twentieth of its time.
const NODES_A_MOVE: u64 = 25;
/// What was looked at is remembered: more could take hundreds of megabytes.
const NODES_MAX: u64 = 1_000_000;

/// Told on long work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Moves made.
    pub moves: u64,
    /// Moves allowed.
    pub move_budget: u64,
    /// Cost of the plan so far.
    pub cost: i64,
}

/// Plans. The same bytes for the same arguments, always.
pub fn plan(situation: &Situation, request: Request) -> Plan {
    plan_with_progress(situation, request, &mut |_| {})
}

/// As [`plan`]; `progress` is told after every move and cannot influence anything.
pub fn plan_with_progress(situation: &Situation, request: Request, progress: &mut dyn FnMut(Progress)) -> Plan {
    let nearest = plan_asking(situation, request, Asked::Nearest, progress);
    if nearest.unplaced.is_empty() || !near::asks_few(situation) {
        return nearest;
    }
    // Somebody farther away may have time or people for them.
    let wanting = nearest.unplaced.iter().map(|unplaced| unplaced.step.job).collect();
    plan_asking(situation, request, Asked::NearestBut(&wanting), progress)
}

fn plan_asking(situation: &Situation, request: Request, asked: Asked<'_>, progress: &mut dyn FnMut(Progress)) -> Plan {
    let compiled = compile::compile_asking(situation, asked);
    let (promises, published) = keep::promises(situation, &compiled);
    let weights = weights(situation, &compiled, promises);
    let alone = bound::alone(&compiled.model, &compiled.fixed);
    let hopeless: Vec<bool> = alone.iter().map(|times| times.1 >= NEVER).collect();
    let work = Work { compiled, weights, published, hopeless };
    let sought = work.weights.seeking(emphasis::sought(work.weights.cost, request.emphasis));
    let (mut state, mut generator) = first_plan(&work, &sought, request);
    let mut told = |moves, cost| progress(Progress { moves, move_budget: request.move_budget, cost });
    let least = search(&work, &sought, request, &mut state, &mut generator, &mut told);
    let last = settle::Settlement { compiled: &work.compiled, weights: &sought, published: &work.published };
    last.settle(&mut state, &mut generator);
    let causes = last.causes(situation, &mut state);
    let cost = work.weights.total(&state);
    // A repair is there in a blink; how near it is to the best is worked out with the next ordinary plan.
    let moves = if request.basis == Basis::Repair { 0 } else { request.move_budget };
    let found = (cost.total(), moves);
    // Where the optimum is known, every test sees whether the bound holds.
    let holds = |least: &i64| lower_bound(situation, &work, &alone, found) <= *least;
    debug_assert!(least.iter().all(holds), "a bound above the optimum");
    Plan {
        now: situation.now,
        seed: request.seed,
        move_budget: request.move_budget,
        placements: decode::placements(situation, &work.compiled, &state, &causes),
        unplaced: decode::unplaced(situation, &work.compiled, &state, &generator),
        cost,
        lower_bound: match least {
            Some(least) => least.min(cost.total()),
            None => lower_bound(situation, &work, &alone, found),
        },
    }
}

/// The bound; where not all crews were asked and there is time for a good one, of a model in which all are.
fn lower_bound(situation: &Situation, work: &Work, alone: &[(T, T)], found: (i64, u64)) -> i64 {
    let of = |compiled: &Compiled, alone: &[(T, T)]| {
        bound::lower_bound(&compiled.model, &compiled.fixed, &work.weights, alone, found)
    };
    if found.1 == 0 || !near::asks_few(situation) {
        return of(&work.compiled, alone);
    }
    let all = compile::compile_asking(situation, Asked::All);
    of(&all, &bound::alone(&all.model, &all.fixed))
}

/// What a plan is made from.
struct Work {
    compiled: Compiled,
    /// As the company weighs.
    weights: Weights,
    published: Vec<Published>,
    /// Activities that no plan can place.
    hopeless: Vec<bool>,
}

/// Makes the moves that were asked for, on what they may touch. What any plan costs at least, as the
/// company weighs, where that was found.
fn search(
    work: &Work,
    sought: &Weights,
    request: Request,
    state: &mut State<'_>,
    generator: &mut Generator,
    progress: &mut dyn FnMut(u64, i64),
) -> Option<i64> {
    if request.move_budget == 0 {
        return None;
    }
    match request.basis {
        Basis::Published | Basis::Anew => {
            let jobs = movable_jobs(&work.compiled, state, generator);
            if jobs.len() >= JOBS_THAT_WAIT {
                // No dearer than at first: the sum of an insertion must stay inside its integer.
                let lost = sought.lost_minute(&jobs, work.compiled.model.crews.len());
                generator.road_minute = lost.min(road_minute_at_first(sought));
            }
            let growing = growing_jobs(sought, generator, &jobs);
            let jobs = improve::Jobs { all: &jobs, growing: &growing };
            improve::improve(sought, (request.seed, request.move_budget), state, generator, jobs, progress);
            generator.road_minute = 0;
            let nodes = request.move_budget.saturating_mul(NODES_A_MOVE).min(NODES_MAX);
            exact::finish(sought, state, generator, nodes).filter(|_| sought.cost == work.weights.cost)
        }
        Basis::Repair => {
            repair::repair(work, sought, request, state, generator, progress);
            None
        }
    }
}

fn weights(situation: &Situation, compiled: &Compiled, promises: Vec<score::Promise>) -> Weights {
    let jobs = situation.jobs.iter().map(|job| JobWeights {
        weight: i64::from(job.weight),
        due: job.due.map_or(NEVER, |due| compiled.time(due)),
        release: compiled.time(job.release),
    });
    let mut crew = vec![NONE; compiled.steps.len()];
    let mut busy: Vec<Vec<score::FixedBusy>> = vec![Vec::new(); situation.crews.len()];
    for (activity, steps) in compiled.steps.iter().enumerate() {
        let step = steps[0];
        let Some(attempt) = situation.jobs[step.job.index()].chain.step(step.step).fixed() else { continue };
        let Some(place) = compiled.fixed[activity] else { continue };
        crew[activity] = attempt.crew.0;
        let run = compiled.run_of[activity];
        let own = &mut busy[attempt.crew.index()];
        match own.iter_mut().find(|known| run != NONE && known.run == run) {
            Some(known) => (known.start, known.end) = (known.start.min(place.start), known.end.max(place.finish)),
            None => own.push(score::FixedBusy {
                start: place.start,
                end: place.finish,
                place: situation.house_of(step).0,
                run,
                rest: compiled.rest_of[activity],
            }),
        }
    }
    let steps = compiled.steps.iter().map(|steps| steps.iter().map(|step| step.step.0).collect()).collect();
    let fixed = Fixed { steps, crew, busy };
    Weights::new(situation.settings.cost, jobs.collect(), promises, &compiled.model, fixed)
}

/// The best of a few generations with different orders; a repair has little to order.
fn first_plan<'m>(work: &'m Work, weights: &Weights, request: Request) -> (State<'m>, Generator) {
    let mut best: Option<(i64, State<'m>, Generator)> = None;
    let orders = match request.basis {
        Basis::Repair => vec![vec![0; weights.jobs.len()]],
        Basis::Published | Basis::Anew => orders(&work.compiled, weights),
    };
    // Who does not search wants an answer now; a region's worth of houses is planned in one pass.
    let hurried = request.move_budget == 0 || work.compiled.steps.len() > ACTIVITIES_FOR_ALL_ORDERS;
    let orders = orders.into_iter().take(if hurried { 1 } else { usize::MAX });
    for bias in orders {
        let (state, generator, nothing_open) = generate_once(work, weights, request, &bias);
        let cost = weights.total(&state).total();
        if best.as_ref().is_none_or(|(least, _, _)| cost < *least) {
            best = Some((cost, state, generator));
        }
        if nothing_open {
            break;
        }
    }
    match best {
        Some((_, state, generator)) => (state, generator),
        None => unreachable!("there is always at least one order"),
    }
}

/// Keeps and completes once with the given order. A pin that was given its time and then could not be used has taken it
/// from others for nothing: then it is all done again without that preference.
fn generate_once<'m>(work: &'m Work, weights: &Weights, request: Request, bias: &[T]) -> (State<'m>, Generator, bool) {
    let compiled = &work.compiled;
    let mut vain: Vec<u32> = Vec::new();
    loop {
        let mut state = State::new(&compiled.model, &compiled.fixed);
        let mut generator = Generator::new(compiled.steps.len());
        generator.hopeless.copy_from_slice(&work.hopeless);
        generator.minds_promises = request.basis == Basis::Repair;
        generator.regular_first = request.emphasis == Emphasis::NoOvertime;
        for (activity, fixed) in compiled.fixed.iter().enumerate() {
            generator.held[activity] = fixed.is_some();
        }
        let pins = keep::keep(&mut state, &mut generator, &work.published, request.basis == Basis::Anew, &vain);
        let open = open_activities(compiled, &state);
        for (activity, own) in compiled.model.activities.iter().enumerate() {
            generator.bias[activity] = bias[own.job as usize];
        }
        // A repair weighs ways against broken promises, as they cost.
        let repairs = request.basis == Basis::Repair;
        generator.road_minute = if repairs { 0 } else { road_minute_at_first(weights) };
        // Who is near does it: dearer as it stands, but a better plan to search from.
        let coarse = !repairs && request.move_budget > 0;
        generator.ways_first = if coarse { near::ways_first(compiled.model.crews.len()) } else { 0 };
        generator.complete(&mut state, weights, &open);
        (generator.road_minute, generator.ways_first) = (0, 0);
        generator.bias.fill(0);
        let before = vain.len();
        vain.extend(pins.into_iter().filter(|pin| state.place(*pin).is_none()));
        if vain.len() == before {
            return (state, generator, open.is_empty());
        }
    }
}

fn road_minute_at_first(weights: &Weights) -> i64 {
    weights.cost.travel_minute * (WAY_FACTOR_AT_FIRST - 1)
}

/// Orders worth trying, the one that is best most often first: house by house, the most urgent first; house by house, by weight
/// over work; everything as it gets ready.
fn orders(compiled: &Compiled, weights: &Weights) -> Vec<Vec<T>> {
    let jobs = weights.jobs.len();
    let mut work = vec![1i64; jobs];
    for activity in &compiled.model.activities {
        let shortest = activity.modes.clone().map(|mode| i64::from(compiled.model.modes[mode as usize].length)).min();
        work[activity.job as usize] += shortest.unwrap_or(0);
    }
    let ratio = |job: usize| work[job] * 1_000 / weights.jobs[job].weight.max(1);
    let urgency = |job: usize| urgency(weights, job as u32);
    let ranked = |key: &dyn Fn(usize) -> i64| {
        let mut order: Vec<usize> = (0..jobs).collect();
        order.sort_by_key(|&job| (key(job), ratio(job), job));
        let mut bias = vec![0; jobs];
        let step = (compiled.model.end / 8).max(1);
        order.iter().enumerate().for_each(|(rank, &job)| bias[job] = (rank as T).saturating_mul(step).min(NEVER / 4));
        bias
    };
    vec![ranked(&urgency), ranked(&ratio), vec![0; jobs]]
}

/// What jobs are put in order by, least first, minutes: when they are due, one of more weight as if a day earlier for each unit.
fn urgency(weights: &Weights, job: u32) -> i64 {
    let own = &weights.jobs[job as usize];
    i64::from(own.due) - 1_440 * own.weight
}

/// Those of `jobs` of which nothing that is open is held, the most urgent first.
fn growing_jobs(weights: &Weights, generator: &Generator, jobs: &[u32]) -> Vec<(i64, u32)> {
    let held = |activity: &u32| generator.held[*activity as usize] && weights.fixed_crew[*activity as usize] == NONE;
    let free = jobs.iter().filter(|job| !weights.activities.of(**job).iter().any(held));
    let mut growing: Vec<(i64, u32)> = free.map(|job| (urgency(weights, *job), *job)).collect();
    growing.sort_unstable();
    growing
}

/// Ordinary activities without a place.
fn open_activities(compiled: &Compiled, state: &State<'_>) -> Vec<u32> {
    let out = |activity: &u32| state.place(*activity).is_none() && !compiled.model.activities[*activity as usize].extra;
    (0..compiled.steps.len() as u32).filter(out).collect()
}

fn movable_jobs(compiled: &Compiled, state: &State<'_>, generator: &Generator) -> Vec<u32> {
    // What is out is worth a try as well: others may make room for it.
    let movable = |activity: &usize| {
        let out =
            || !compiled.model.activities[*activity].extra && !compiled.model.activities[*activity].modes.is_empty();
        !generator.held[*activity] && (state.place(*activity as u32).is_some() || out())
    };
    let mut jobs: Vec<u32> =
        (0..compiled.steps.len()).filter(movable).map(|activity| compiled.model.activities[activity].job).collect();
    // Activities are listed job by job.
    jobs.dedup();
    jobs
}
