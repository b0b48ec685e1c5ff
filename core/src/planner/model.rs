//! What the engine plans: activities with alternative modes, generalized precedence, unary crews with calendars and
//! travel, areas, cumulative and travelling gear, climate gates. Nothing here knows about floors; `compile` makes a
//! model of a situation, and published scheduling benchmarks are read into the same types.
//!
//! Everything is index-addressed and stored in flat vectors with ranges, so that 50,000 activities are a few megabytes
//! and the inner loop allocates nothing.

use super::spans::{NEVER, Spans, T};
use crate::trade::ready::DryingTable;
use std::ops::Range;

/// "None" for indices kept as `u32`.
pub const NONE: u32 = u32::MAX;

/// Something to be placed once: a step, or a run of steps joined by dwells.
#[derive(Debug, Clone)]
pub struct Activity {
    /// Group of activities that are ordered, ruined and costed together.
    pub job: u32,
    /// Where; `NONE` needs no travel and has no access hours.
    pub place: u32,
    /// Earliest start.
    pub release: T,
    /// Latest start; `NEVER` when there is none.
    pub latest: T,
    /// Ways to do it, into `Model::modes`. Empty: nobody can.
    pub modes: Range<u32>,
    /// Where `modes` are those of the nearest crews only: one, into `Model::modes`, that begins and ends no later than that of
    /// any able crew, whoever that is. For bounds, never to be placed. Empty where `modes` are all there are.
    pub anybody: Range<u32>,
    /// Areas occupied, into `Model::area_lists`.
    pub areas: Range<u32>,
    /// Cumulative resources held, into `Model::needs`.
    pub needs: Range<u32>,
    /// Travelling gear held, into `Model::needs`.
    pub gear: Range<u32>,
    /// May pause at the end of a workable span and go on in the next.
    pub dividable: bool,
    /// Placed only when the arc that names it lapses.
    pub extra: bool,
    /// Days on which its steps must start, into `Model::day_pins`.
    pub days: Range<u32>,
    /// Must have this start and nothing else (pinned): placed before anything that could take its time.
    pub pinned: bool,
    /// How many steps it stands for; more than one in a run.
    pub steps: u16,
    /// The fixed step whose run this is the rest of: its bookings are no obstacle. `NONE` for all others.
    pub joins: u32,
    /// Cumulative resources that the joined step still holds and this one shares, into `Model::needs`.
    pub shared: Range<u32>,
    /// Until when the joined step holds them.
    pub shared_until: T,
}

impl Activity {
    /// One step of a job that can be done in `modes`, at any time, and needs nothing else.
    pub fn plain(job: u32, place: u32, modes: Range<u32>) -> Activity {
        Activity {
            job,
            place,
            release: 0,
            latest: NEVER,
            modes,
            anybody: 0..0,
            areas: 0..0,
            needs: 0..0,
            gear: 0..0,
            dividable: false,
            extra: false,
            days: 0..0,
            pinned: false,
            steps: 1,
            joins: NONE,
            shared: 0..0,
            shared_until: 0,
        }
    }
}

/// One way to do an activity.
#[derive(Debug, Clone)]
pub struct Mode {
    /// Who; `NONE` for benchmark activities that need no crew.
    pub crew: u32,
    /// When the crew works with the people this way takes, into `Model::calendars`; a crew that is short of people for a
    /// time has a mode, and hours, for each strength that makes a difference. `NONE` without a crew.
    pub calendar: u32,
    /// The part of `calendar` in which the place is open, into `Model::calendars`; `NONE` without a crew, and where there
    /// are too many such parts to keep (see `compile`).
    pub hours: u32,
    /// Minutes of work; for a run the whole hull.
    pub length: T,
    /// Offset and length of each step of the activity, into `Model::parts`; one entry for a single step.
    pub parts: Range<u32>,
    /// Into `Model::gate_uses`.
    pub gates: Range<u32>,
}

/// Where in an activity a step lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Part {
    /// Minutes after the activity's start.
    pub offset: T,
    /// Minutes of work.
    pub length: T,
}

/// A day on which a step of an activity must start.
#[derive(Debug, Clone, Copy)]
pub struct DayPin {
    /// Which part of the activity.
    pub part: u16,
    /// First minute of the day.
    pub from: T,
    /// First minute of the next.
    pub until: T,
}

/// A stretch of an activity during which a gate must be open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct GateUse {
    /// Into `Model::gates`.
    pub gate: u32,
    /// Minutes after the activity's start.
    pub offset: T,
    /// Work and hold together, minutes.
    pub length: T,
}

/// From where a lag is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// The predecessor part's finish.
    Finish,
    /// The predecessor part's start.
    Start,
}

/// A generalized precedence relation between a part of one activity and a part of another.
#[derive(Debug, Clone, Copy)]
pub struct Arc {
    /// Earlier activity.
    pub from: u32,
    /// Later activity.
    pub to: u32,
    /// Which part of `from`.
    pub from_part: u16,
    /// Which part of `to`; its start is what the lag reaches.
    pub to_part: u16,
    /// Where the lag begins.
    pub anchor: Anchor,
    /// Minimum lag, minutes; `-NEVER` when only a maximum is meant.
    pub min: T,
    /// Drying table that stretches the minimum, or `NONE`.
    pub dry: u32,
    /// Day table whose next day must have begun, or `NONE`.
    pub overnight: u32,
    /// Maximum lag, minutes; `NEVER` when there is none.
    pub max: T,
    /// The activity that exceeding the maximum makes necessary; `NONE` when it is forbidden.
    pub extra: u32,
    /// The predecessor's areas stay closed until the minimum is over.
    pub keep_off: bool,
}

impl Arc {
    /// Whether `from` has to be placed before `to` can be.
    pub fn orders(&self) -> bool {
        self.min >= 0
    }
}

/// A unary resource that moves between places.
#[derive(Debug, Clone)]
pub struct Crew {
    /// All its working time, with however many people, into `Model::calendars`.
    pub calendar: u32,
    /// Ordinary hours, into `Model::calendars`.
    pub regular: u32,
    /// Start of each calendar day in the crew's zone, into `Model::days`; `NONE`: travel is not counted by days.
    pub days: u32,
}

/// A place: its access hours.
#[derive(Debug, Clone)]
pub struct Place {
    /// Into `Model::calendars`.
    pub access: u32,
}

/// Time that is taken before planning starts: what is running or done.
#[derive(Debug, Clone, Copy)]
pub struct Taken {
    /// From.
    pub start: T,
    /// Until.
    pub end: T,
    /// Where.
    pub place: u32,
    /// By which fixed step, an opaque number of the compiler's.
    pub by: u32,
}

/// The whole problem.
#[derive(Debug, Default)]
pub struct Model {
    /// End of the horizon; everything must be finished by then. The origin 0 is the earliest start.
    pub end: T,
    /// To be placed.
    pub activities: Vec<Activity>,
    /// See `Activity::modes`.
    pub modes: Vec<Mode>,
    /// See `Mode::parts`.
    pub parts: Vec<Part>,
    /// See `Activity::days`.
    pub day_pins: Vec<DayPin>,
    /// See `Mode::gates`.
    pub gate_uses: Vec<GateUse>,
    /// See `Activity::areas`.
    pub area_lists: Vec<u32>,
    /// Resource or gear kind, and amount.
    pub needs: Vec<(u32, u32)>,
    /// All relations.
    pub arcs: Vec<Arc>,
    /// Arc numbers by successor, see [`Model::arcs_in`].
    pub arcs_in: Csr,
    /// Arc numbers by predecessor.
    pub arcs_out: Csr,
    /// For each extra activity the arc that names it; `NONE` for others.
    pub extra_of: Vec<u32>,
    /// Unary resources.
    pub crews: Vec<Crew>,
    /// Places.
    pub places: Vec<Place>,
    /// Minutes between places, row by row; the same there and back.
    pub ways: Vec<u16>,
    /// Known beforehand: no way is longer than one over a third place.
    pub ways_are_shortest: bool,
    /// Minutes between each place and the home base of each crew, place by place; 0 for a crew without one.
    pub home_ways: Vec<T>,
    /// Number of areas.
    pub area_count: usize,
    /// Capacity of each cumulative resource.
    pub capacities: Vec<u32>,
    /// Units of each kind of travelling gear.
    pub gear_units: Vec<u32>,
    /// Span sets.
    pub calendars: Vec<Spans>,
    /// Open times of gates.
    pub gates: Vec<Spans>,
    /// Drying tables with the instant of the origin taken off by the caller.
    pub drying: Vec<DryingTable>,
    /// The origin as minutes since 1970, for the drying tables.
    pub origin: i64,
    /// Starts of calendar days, by zone.
    pub days: Vec<Vec<T>>,
    /// Taken time by crew.
    pub crew_taken: Vec<Vec<Taken>>,
    /// Taken time by area.
    pub area_taken: Vec<Vec<Taken>>,
    /// Taken amounts of cumulative resources: (resource, amount, taken).
    pub cumulative_taken: Vec<(u32, u32, Taken)>,
    /// Taken units by gear kind: (kind, unit, taken).
    pub gear_taken: Vec<(u32, u32, Taken)>,
    /// Amounts of cumulative resources that are out of use: (resource, amount, from, until).
    pub capacity_out: Vec<(u32, u32, T, T)>,
    /// When units of travelling gear are out of use, by kind and unit.
    pub gear_out: Vec<Vec<Spans>>,
    /// Number of jobs.
    pub job_count: usize,
}

/// Numbers grouped by a dense key.
#[derive(Debug, Default, Clone)]
pub struct Csr {
    first: Vec<u32>,
    items: Vec<u32>,
}

impl Csr {
    /// Groups `0..keys.len()` by key, keeping their order.
    pub fn group(groups: usize, keys: impl Iterator<Item = u32> + Clone) -> Csr {
        let mut first = vec![0u32; groups + 1];
        keys.clone().for_each(|key| first[key as usize + 1] += 1);
        for group in 0..groups {
            first[group + 1] += first[group];
        }
        let mut next = first.clone();
        let mut items = vec![0; first[groups] as usize];
        for (number, key) in keys.enumerate() {
            items[next[key as usize] as usize] = number as u32;
            next[key as usize] += 1;
        }
        Csr { first, items }
    }

    /// The numbers of one group.
    #[inline]
    pub fn of(&self, group: u32) -> &[u32] {
        &self.items[self.first[group as usize] as usize..self.first[group as usize + 1] as usize]
    }
}

/// A range of `u32` as slice bounds.
#[inline]
pub fn wide(range: &Range<u32>) -> Range<usize> {
    range.start as usize..range.end as usize
}

impl Model {
    /// Builds the look-ups after all arcs and activities are in.
    pub fn index(&mut self) {
        let count = self.activities.len();
        self.arcs_in = Csr::group(count, self.arcs.iter().map(|arc| arc.to));
        self.arcs_out = Csr::group(count, self.arcs.iter().map(|arc| arc.from));
        self.extra_of = vec![NONE; count];
        for (number, arc) in self.arcs.iter().enumerate().filter(|(_, arc)| arc.extra != NONE) {
            self.extra_of[arc.extra as usize] = number as u32;
        }
    }

    /// The ways that bounds have to count with: all there are, or one that no other beats.
    pub fn best_modes(&self, activity: u32) -> Range<u32> {
        let own = &self.activities[activity as usize];
        if own.anybody.is_empty() { own.modes.clone() } else { own.anybody.clone() }
    }

    /// Relations that end at `activity`.
    #[inline]
    pub fn before(&self, activity: u32) -> impl Iterator<Item = &Arc> {
        self.arcs_in.of(activity).iter().map(|&arc| &self.arcs[arc as usize])
    }

    /// Relations that begin at `activity`.
    #[inline]
    pub fn after(&self, activity: u32) -> impl Iterator<Item = &Arc> {
        self.arcs_out.of(activity).iter().map(|&arc| &self.arcs[arc as usize])
    }

    /// Minutes on the road between two places. Who asks for several ways from or to one place names that first: they stand
    /// together.
    #[inline]
    pub fn way(&self, a: u32, b: u32) -> T {
        if a == b || a == NONE || b == NONE {
            0
        } else {
            T::from(self.ways[a as usize * self.places.len() + b as usize])
        }
    }

    /// Minutes on the road between a place and a crew's home base.
    #[inline]
    pub fn home_way(&self, place: u32, crew: u32) -> T {
        let way = || self.home_ways.get(place as usize * self.crews.len() + crew as usize).copied();
        if place == NONE { 0 } else { way().unwrap_or(0) }
    }

    /// By place, the farthest way from it to another or to a home base.
    pub fn farthest_ways(&self) -> Vec<T> {
        let crews = 0..self.crews.len() as u32;
        let places = 0..self.places.len() as u32;
        let farthest = |place: u32| {
            let others = places.clone().map(|other| self.way(place, other));
            others.chain(crews.clone().map(|crew| self.home_way(place, crew))).max().unwrap_or(0)
        };
        places.clone().map(farthest).collect()
    }

    /// The part of an activity in one mode.
    #[inline]
    pub fn part(&self, mode: u32, part: u16) -> Part {
        self.parts[self.modes[mode as usize].parts.start as usize + part as usize]
    }

    /// When the minimum of `arc` is over, if it is counted from `from` (a finish, or a start by the arc's anchor).
    /// `NEVER` when it does not end within the horizon.
    #[inline]
    pub fn ready(&self, arc: &Arc, from: T) -> T {
        let mut ready = if arc.dry == NONE {
            from + arc.min
        } else {
            let at = crate::domain::time::Minute(self.origin + i64::from(from));
            match self.drying[arc.dry as usize].ready_at(at, i64::from(arc.min)) {
                Some(minute) => (minute.0 - self.origin).min(i64::from(NEVER)) as T,
                None => NEVER,
            }
        };
        if arc.overnight != NONE {
            let days = &self.days[arc.overnight as usize];
            let next = days.partition_point(|&start| start <= from);
            ready = ready.max(days.get(next).copied().unwrap_or(NEVER));
        }
        ready
    }

    /// The calendar day a crew's minute belongs to: all of time, where ways are not counted by days.
    #[inline]
    pub fn crew_day(&self, crew: u32, t: T) -> Range<T> {
        let days = self.crews[crew as usize].days;
        if days == NONE {
            return T::MIN..T::MAX;
        }
        let days = &self.days[days as usize];
        // Days have 1,440 minutes, but for the two on which clocks are changed.
        let first = days.first().copied().unwrap_or(0);
        let mut next = (((t - first).max(0) / 1440) as usize).min(days.len());
        while next > 0 && days[next - 1] > t {
            next -= 1;
        }
        while days.get(next).is_some_and(|&start| start <= t) {
            next += 1;
        }
        let start = next.checked_sub(1).map_or(T::MIN, |own| days[own]);
        start..days.get(next).copied().unwrap_or(T::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: a day of 23 hours and one of 25, as where clocks are changed.
    #[test]
    fn a_crew_s_day_is_the_one_its_minute_lies_in_though_clocks_are_changed() {
        let starts = vec![-300, 1140, 2520, 3960, 5460, 6900];
        let crew = |days| Crew { calendar: 0, regular: 0, days };
        let model = Model { days: vec![starts], crews: vec![crew(0), crew(NONE)], ..Model::default() };
        assert_eq!(model.crew_day(0, -301), T::MIN..-300);
        assert_eq!(model.crew_day(0, -300), -300..1140);
        assert_eq!(model.crew_day(0, 2519), 1140..2520);
        assert_eq!(model.crew_day(0, 2520), 2520..3960);
        assert_eq!(model.crew_day(0, 3959), 2520..3960);
        assert_eq!(model.crew_day(0, 5459), 3960..5460);
        assert_eq!(model.crew_day(0, 5460), 5460..6900);
        assert_eq!(model.crew_day(0, 6900), 6900..T::MAX);
        assert_eq!(model.crew_day(1, 77), T::MIN..T::MAX);
        // Days left out of a list, as where a zone changed sides of the date line: the guess is too late then.
        let model = Model { days: vec![vec![0, 4320, 5760]], crews: vec![crew(0)], ..Model::default() };
        assert_eq!(model.crew_day(0, 4319), 0..4320);
        assert_eq!(model.crew_day(0, 4320), 4320..5760);
    }
}
