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
/// Fewest moves of a search when nothing else is said: a fifth of a second, with the bound.
const MOVES_MIN: u64 = 20_000;
/// For each job of the first so many: three seconds for a hundred.
const MOVES_A_JOB: u64 = 2_000;
const JOBS_WITH_TIME: u64 = 100;
/// With so many jobs that this is more, so many moves for each.
const MOVES_A_JOB_OF_MANY: u64 = 200;

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

/// Moves of a search over so many open jobs when nothing else is said: three seconds for a hundred, not much longer for
/// some hundreds.
pub fn usual_moves(jobs: usize) -> u64 {
    let jobs = jobs as u64;
    MOVES_MIN.max(jobs.min(JOBS_WITH_TIME) * MOVES_A_JOB).max(jobs * MOVES_A_JOB_OF_MANY)
}

#[cfg(test)]
mod tests {
    use super::usual_moves;

    #[test]
    fn more_jobs_never_get_fewer_moves() {
        let moves = [0, 10, 11, 100, 1_000, 1_001, 5_000].map(usual_moves);
        assert_eq!(moves, [20_000, 20_000, 22_000, 200_000, 200_000, 200_200, 1_000_000]);
    }
}
