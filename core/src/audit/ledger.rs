//! A plan as the checks see it: each step's stay in a form that cannot be out of range, the runs that dwell waits make,
//! and each crew's busy spans. What happened is taken from the input, whatever the plan says about it. Reading a plan
//! into a ledger is in `read`.

use crate::domain::chain::{Chain, OnExceed, Step, Wait, WaitKind, WaitMax};
use crate::domain::ids::{CrewIx, HouseIx, JobIx, StepIx, StepRef};
use crate::domain::plan::{Cause, Placement, UnitUse};
use crate::domain::situation::Situation;
use crate::domain::time::{Minute, Span};

/// How far back a stay is believed to reach; only absurd plans put open work there.
pub(super) const PAST_MINUTES_MAX: i64 = 400 * 24 * 60;
/// Minutes of an ordinary day, for margins only: no rule counts with it.
pub(super) const DAY: i64 = 24 * 60;

/// A step that somebody does at some time.
#[derive(Debug, Clone)]
pub(super) struct Stay<'a> {
    /// Dense number of the step, see [`Ledger::number`].
    pub number: usize,
    pub step: StepRef,
    pub house: HouseIx,
    pub crew: CrewIx,
    /// Never empty, sorted and disjoint.
    pub pieces: Vec<Span>,
    pub units: &'a [UnitUse],
    /// Not begun: the rules are about these.
    pub open: bool,
    pub cause: Option<Cause>,
}

impl Stay<'_> {
    pub fn start(&self) -> Minute {
        self.pieces[0].start()
    }

    pub fn finish(&self) -> Minute {
        self.pieces[self.pieces.len() - 1].end()
    }

    /// From start to finish, pauses included.
    pub fn hull(&self) -> Span {
        hull_of(&self.pieces)
    }
}

/// From the first piece's start to the last one's end; `pieces` must not be empty.
pub(super) fn hull_of(pieces: &[Span]) -> Span {
    Span::new(pieces[0].start(), pieces[pieces.len() - 1].end())
        .unwrap_or_else(|| unreachable!("pieces are sorted and never empty"))
}

/// Whether a step is in the plan.
#[derive(Debug, Clone)]
pub(super) enum Place<'a> {
    /// It is not.
    Absent,
    /// It is, but in a way that was reported and that no other rule can be asked about.
    Unusable,
    /// It is.
    At(Stay<'a>),
}

impl<'a> Place<'a> {
    pub fn stay(&self) -> Option<&Stay<'a>> {
        match self {
            Place::At(stay) => Some(stay),
            Place::Absent | Place::Unusable => None,
        }
    }
}

/// One thing that a crew is at without a break: a run, or a step (whose pieces it then has).
#[derive(Debug, Clone)]
pub(super) struct Busy {
    pub crew: CrewIx,
    pub house: HouseIx,
    pub hull: Span,
    /// Dense numbers of the steps, in order of start.
    pub members: Vec<usize>,
    /// Whether it is the hull of a run.
    pub is_run: bool,
    /// Whether a member is open.
    pub open: bool,
}

/// A plan in checked form.
pub(super) struct Ledger<'a> {
    pub situation: &'a Situation,
    /// The time that plans may use.
    pub horizon: Span,
    /// Dense number of each job's first step, and one more entry.
    first: Vec<usize>,
    refs: Vec<StepRef>,
    /// By dense number.
    pub places: Vec<Place<'a>>,
    /// By dense number: the dense number of the first step of its run, or its own.
    pub run: Vec<usize>,
    /// By dense number: whether a dwell touches it.
    pub in_run: Vec<bool>,
    /// By dense number: what was promised, for open steps.
    pub published: Vec<Option<&'a Placement>>,
    /// Sorted by crew, then start, end and step.
    pub busy: Vec<Busy>,
}

impl<'a> Ledger<'a> {
    /// Everything but the places, which come from a plan.
    pub fn empty(situation: &'a Situation) -> Ledger<'a> {
        let mut first = Vec::with_capacity(situation.jobs.len() + 1);
        let mut count = 0;
        for job in &situation.jobs {
            first.push(count);
            count += job.chain.steps().len();
        }
        first.push(count);
        let mut ledger = Ledger {
            situation,
            horizon: situation.horizon(),
            first,
            refs: situation.steps().collect(),
            places: vec![Place::Absent; count],
            run: (0..count).collect(),
            in_run: vec![false; count],
            published: vec![None; count],
            busy: Vec::new(),
        };
        ledger.find_runs();
        ledger.find_published();
        ledger
    }

    fn find_runs(&mut self) {
        for (job, content) in self.situation.jobs.iter().enumerate() {
            let first = self.first[job];
            let mut before: Vec<Option<usize>> = vec![None; content.chain.steps().len()];
            for wait in content.chain.waits().iter().filter(|wait| wait.kind == WaitKind::Dwell) {
                before[wait.to.index()] = Some(first + wait.from.index());
                self.in_run[first + wait.from.index()] = true;
                self.in_run[first + wait.to.index()] = true;
            }
            // Predecessors come first, so that a run's number reaches all of it.
            for step in content.chain.order() {
                if let Some(previous) = before[step.index()] {
                    self.run[first + step.index()] = self.run[previous];
                }
            }
        }
    }

    fn find_published(&mut self) {
        for placement in &self.situation.published {
            let Some(number) = self.number(placement.step) else { continue };
            let usable = !placement.pieces.is_empty() && self.spec(number).fixed().is_none();
            self.published[number] = usable.then_some(placement);
        }
    }

    /// Collects each crew's busy spans from the places.
    pub fn find_busy(&mut self) {
        let mut busy = Vec::new();
        let mut in_runs = Vec::new();
        for stay in self.stays() {
            if self.in_run[stay.number] {
                in_runs.push((self.run[stay.number], stay.crew, stay.start(), stay.number));
            } else {
                busy.push(self.busy_of(stay.crew, vec![stay.number], false));
            }
        }
        in_runs.sort_unstable();
        for group in in_runs.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)) {
            busy.push(self.busy_of(group[0].1, group.iter().map(|member| member.3).collect(), true));
        }
        busy.sort_by_key(|busy| (busy.crew, busy.hull.start(), busy.hull.end(), busy.members[0]));
        self.busy = busy;
    }

    fn busy_of(&self, crew: CrewIx, members: Vec<usize>, is_run: bool) -> Busy {
        let stays = || members.iter().filter_map(|&member| self.places[member].stay());
        let house = self.situation.house_of(self.refs[members[0]]);
        let start = stays().map(Stay::start).min().unwrap_or_default();
        let end = stays().map(Stay::finish).max().unwrap_or_default();
        let hull = Span::new(start, end).unwrap_or_else(|| unreachable!("a stay is never empty"));
        let open = stays().any(|stay| stay.open);
        Busy { crew, house, hull, members, is_run, open }
    }

    /// Dense number of a step; `None` when there is no such step.
    pub fn number(&self, step: StepRef) -> Option<usize> {
        let job = self.situation.jobs.get(step.job.index())?;
        (step.step.index() < job.chain.steps().len()).then(|| self.first[step.job.index()] + step.step.index())
    }

    /// Dense number of a step of a job that is there.
    pub fn number_in(&self, job: JobIx, step: StepIx) -> usize {
        self.first[job.index()] + step.index()
    }

    /// The step of a dense number.
    pub fn step_ref(&self, number: usize) -> StepRef {
        self.refs[number]
    }

    /// What a step is.
    pub fn spec(&self, number: usize) -> &'a Step {
        let step = self.refs[number];
        self.situation.jobs[step.job.index()].chain.step(step.step)
    }

    /// The chain of a step.
    pub fn chain(&self, number: usize) -> &'a Chain {
        &self.situation.jobs[self.refs[number].job.index()].chain
    }

    /// All that can be judged, by step.
    pub fn stays(&self) -> impl Iterator<Item = &Stay<'a>> {
        self.places.iter().filter_map(Place::stay)
    }

    /// The judgeable place of one step.
    pub fn stay(&self, number: usize) -> Option<&Stay<'a>> {
        self.places[number].stay()
    }

    /// When a crew works on a busy span: its whole hull for a run, the pieces for a step.
    pub fn pieces<'b>(&'b self, busy: &'b Busy) -> &'b [Span] {
        match self.stay(busy.members[0]) {
            Some(stay) if !busy.is_run => &stay.pieces,
            _ => std::slice::from_ref(&busy.hull),
        }
    }

    /// The step that a report about a busy span names: its first open one.
    pub fn named(&self, busy: &Busy) -> StepRef {
        let open = |member: &&usize| self.stay(**member).is_some_and(|stay| stay.open);
        self.refs[*busy.members.iter().find(open).unwrap_or(&busy.members[0])]
    }

    /// Whether a promise is so near that it may be broken for a cause only.
    pub fn is_frozen(&self, number: usize) -> bool {
        let freeze_end = self.situation.now.plus(self.situation.settings.freeze_minutes.max(0));
        self.published[number].is_some_and(|promise| promise.start() < freeze_end)
    }

    /// Whether a step is promised and placed, but not by that crew from that start.
    pub fn has_moved(&self, number: usize) -> bool {
        match (self.published[number], self.stay(number)) {
            (Some(promise), Some(stay)) => promise.start() != stay.start() || promise.crew != stay.crew,
            _ => false,
        }
    }
}

/// The extra step that a wait's lapse makes necessary, and the minutes after which it lapses.
pub(super) fn lapse(wait: &Wait) -> Option<(StepIx, i64)> {
    match wait.max {
        Some(WaitMax { minutes, on_exceed: OnExceed::Lapse(extra) }) => Some((extra, minutes)),
        Some(WaitMax { on_exceed: OnExceed::Forbid, .. }) | None => None,
    }
}

/// The minutes that a wait may never exceed.
pub(super) fn forbidden_after(wait: &Wait) -> Option<i64> {
    match wait.max {
        Some(WaitMax { minutes, on_exceed: OnExceed::Forbid }) => Some(minutes),
        Some(WaitMax { on_exceed: OnExceed::Lapse(_), .. }) | None => None,
    }
}
