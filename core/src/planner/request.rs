//! What is asked of the planner.

/// How much of what was published a plan starts from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Basis {
    /// Every published step stays where it is if it can; only what must move, and what is new, is planned.
    #[default]
    Published,
    /// Only what is frozen, pinned, running or done stays; broken promises are still charged.
    Anew,
    /// As `Published`; then what is near the broken steps may give way where the plan gets cheaper by it, broken
    /// promises charged. Where nothing is broken, nothing moves.
    Repair,
}

/// What the search looks at most. The plan's cost is always counted with the company's own weights.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub enum Emphasis {
    /// As the company weighs.
    #[default]
    Balanced,
    /// As few published steps as possible get another start or another crew.
    FewestChanges,
    /// Jobs finish as early as possible, whatever has to move for it.
    EarliestFinish,
    /// No new work outside regular hours where it can be placed otherwise.
    NoOvertime,
}

/// Moves of a search when nobody counts jobs.
const MOVES: u64 = 3_000;
/// Fewest moves of a search over so many jobs as there are: a tenth of a second.
const MOVES_MIN: u64 = 10_000;
/// For each job, when nothing else is said.
const MOVES_A_JOB: u64 = 200;

/// Moves of a repair when nothing else is said: a blink.
pub const REPAIR_MOVES: u64 = 40;

/// What is asked of the planner. `Request::default()` is the ordinary plan of the office, [`Request::repair`] what follows
/// a failed check; the `with_` functions change one thing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Request {
    /// Seed of the search.
    pub seed: u64,
    /// Moves the search may make.
    pub move_budget: u64,
    /// From what it starts.
    pub basis: Basis,
    /// What it looks at most.
    pub emphasis: Emphasis,
}

impl Default for Request {
    fn default() -> Request {
        Request::new()
    }
}

impl Request {
    /// The ordinary plan of a small office: what was published stays, 3,000 moves, seed 1, as the company weighs.
    pub const fn new() -> Request {
        Request { seed: 1, move_budget: MOVES, basis: Basis::Published, emphasis: Emphasis::Balanced }
    }

    /// A repair of what was published.
    pub const fn repair() -> Request {
        Request { move_budget: REPAIR_MOVES, basis: Basis::Repair, ..Request::new() }
    }

    /// A plan from scratch, but for what is frozen.
    pub const fn anew() -> Request {
        Request { basis: Basis::Anew, ..Request::new() }
    }

    /// With another seed.
    pub const fn with_seed(self, seed: u64) -> Request {
        Request { seed, ..self }
    }

    /// With so many moves.
    pub const fn with_moves(self, move_budget: u64) -> Request {
        Request { move_budget, ..self }
    }

    /// With another basis.
    pub const fn with_basis(self, basis: Basis) -> Request {
        Request { basis, ..self }
    }

    /// With another emphasis.
    pub const fn with_emphasis(self, emphasis: Emphasis) -> Request {
        Request { emphasis, ..self }
    }
}

/// Moves of a search over so many open jobs when nothing else is said: a second or two for a hundred.
pub const fn usual_moves(jobs: usize) -> u64 {
    let moves = jobs as u64 * MOVES_A_JOB;
    if moves > MOVES_MIN { moves } else { MOVES_MIN }
}
