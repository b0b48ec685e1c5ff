//! A plan being made: where every activity is, what every resource does, and what stands in the way. The
//! state can be taken apart and put together again in any order; nothing here decides what comes first.

use super::hours::{gate_obstacle, not_workable, workable};
use super::model::{Activity, Anchor, Arc, Model, NONE, wide};
use super::spans::{NEVER, T, common_at_or_after};
use super::timeline::{Booking, FIXED, Profile, Timeline};

/// Ordinary least length of a dividable step's first piece: less is not worth the carrying in.
pub const FIRST_PIECE_MINUTES_MIN: T = 30;

/// Where an activity is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// First minute.
    pub start: T,
    /// First minute after.
    pub finish: T,
    /// Its areas are closed until then.
    pub closed_until: T,
    /// Into `Model::modes`.
    pub mode: u32,
}

/// What stands in the way of a wished time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Obstacle {
    /// The crew does not work then.
    Crew,
    /// The crew works then, but not all the time with the people it takes.
    People,
    /// The place is closed then.
    Access,
    /// The crew is busy with another activity (or a fixed step, from `FIXED` on).
    Busy(u32),
    /// The area is taken by another activity (or a fixed step).
    Area(u32),
    /// Not enough of a cumulative resource or of travelling gear.
    Gear(u32),
    /// A gate is shut.
    Gate,
}

/// Which gear is counted when a free time is looked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitedGear {
    /// All, as it is.
    All,
    /// None: there is enough of everything.
    Nothing,
    /// One cumulative resource.
    Resource(u32),
    /// One travelling kind.
    Kind(u32),
}

/// All activities and resources.
#[derive(Clone)]
pub struct State<'m> {
    /// The problem.
    pub model: &'m Model,
    placed: Vec<Option<Place>>,
    fixed: Vec<bool>,
    /// Gear units held, aligned with the activity's gear needs one after the other.
    held: Vec<Vec<u32>>,
    crews: Vec<Timeline>,
    areas: Vec<Timeline>,
    profiles: Vec<Profile>,
    gear: Vec<Vec<Timeline>>,
    /// A dividable step is not begun with fewer minutes than this left in the span, unless it ends there.
    pub first_piece_minutes_min: T,
    /// Only times inside the crew's regular hours are found.
    pub regular_only: bool,
    /// Times are found as if nobody else needed the crews.
    pub crews_unlimited: bool,
    /// Times are found as if of other gear there were enough.
    pub limited_gear: LimitedGear,
}

impl<'m> State<'m> {
    /// Only what is `fixed` is placed; what was taken before planning is taken.
    pub fn new(model: &'m Model, fixed: &[Option<Place>]) -> State<'m> {
        let taken = |list: &Vec<super::model::Taken>| {
            let book = |t: &super::model::Taken| Booking {
                start: t.start,
                end: t.end,
                place: t.place,
                by: FIXED | t.by,
                mixed: false,
                whole: false,
            };
            Timeline::with_taken(list.iter().map(book).collect())
        };
        let mut profiles: Vec<Profile> = model.capacities.iter().map(|&capacity| Profile::new(capacity)).collect();
        for &(resource, amount, taken) in &model.cumulative_taken {
            profiles[resource as usize].add(taken.start, taken.end, amount);
        }
        for &(resource, amount, from, until) in &model.capacity_out {
            profiles[resource as usize].add(from, until, amount);
        }
        let unit = |kind: usize, unit: u32| {
            let of_unit = model.gear_taken.iter().filter(|(k, u, _)| *k as usize == kind && *u == unit);
            taken(&of_unit.map(|(_, _, taken)| *taken).collect())
        };
        let gear = model.gear_units.iter().enumerate();
        State {
            placed: fixed.to_vec(),
            fixed: fixed.iter().map(Option::is_some).collect(),
            held: vec![Vec::new(); model.activities.len()],
            crews: (0..model.crews.len()).map(|crew| taken(&model.crew_taken[crew])).collect(),
            areas: (0..model.area_count).map(|area| taken(&model.area_taken[area])).collect(),
            profiles,
            first_piece_minutes_min: FIRST_PIECE_MINUTES_MIN,
            regular_only: false,
            crews_unlimited: false,
            limited_gear: LimitedGear::All,
            gear: gear.map(|(kind, &units)| (0..units).map(|u| unit(kind, u)).collect()).collect(),
            model,
        }
    }

    /// Where `activity` is, if it is placed.
    #[inline]
    pub fn place(&self, activity: u32) -> Option<Place> {
        self.placed[activity as usize]
    }

    /// Whether `activity` happened: it is running or done, and never moves.
    #[inline]
    pub fn is_fixed(&self, activity: u32) -> bool {
        self.fixed[activity as usize]
    }

    /// Units of travelling gear that `activity` holds, by its needs in order.
    pub fn held(&self, activity: u32) -> &[u32] {
        &self.held[activity as usize]
    }

    /// Whether `activity` holds these units and no others.
    #[inline]
    pub fn holds(&self, activity: u32, units: &[u32]) -> bool {
        let held = self.held(activity);
        // Most hold none, and comparing two empty slices is slow where it is done by masked loads from nowhere.
        held.len() == units.len() && held.iter().zip(units).all(|(one, other)| one == other)
    }

    /// What each unit of travelling gear does.
    pub fn gear_timelines(&self) -> impl Iterator<Item = &Timeline> {
        self.gear.iter().flatten()
    }

    /// What a crew does.
    pub fn crew(&self, crew: u32) -> &Timeline {
        &self.crews[crew as usize]
    }

    /// The crew of a mode.
    #[inline]
    pub fn crew_of(&self, mode: u32) -> u32 {
        self.model.modes[mode as usize].crew
    }

    /// From where `arc` is counted, its predecessor being placed.
    #[inline]
    pub fn anchor(&self, arc: &Arc, from: Place) -> T {
        let part = self.model.part(from.mode, arc.from_part);
        match arc.anchor {
            Anchor::Start => from.start + part.offset,
            // A dividable activity has one part and its finish is known; a run's parts have fixed offsets.
            Anchor::Finish if self.model.activities[arc.from as usize].dividable => from.finish,
            Anchor::Finish => from.start + part.offset + part.length,
        }
    }

    /// Earliest start of `activity` in `mode` that its placed neighbours allow, and the latest, by the arcs whose
    /// maximum forbids. Maxima that lapse are left to the caller.
    pub fn window(&self, activity: u32, mode: u32) -> (T, T) {
        let model = self.model;
        let own = &model.activities[activity as usize];
        let (mut earliest, mut latest) = (own.release, own.latest);
        for pin in &model.day_pins[wide(&own.days)] {
            let offset = model.part(mode, pin.part).offset;
            earliest = earliest.max(pin.from - offset);
            latest = latest.min(pin.until - 1 - offset);
        }
        for arc in model.before(activity) {
            let Some(from) = self.place(arc.from) else { continue };
            let anchor = self.anchor(arc, from);
            let offset = model.part(mode, arc.to_part).offset;
            if arc.min > -NEVER {
                earliest = earliest.max(model.ready(arc, anchor).saturating_sub(offset));
            }
            if arc.max < NEVER && arc.extra == NONE {
                latest = latest.min(anchor + arc.max - offset);
            } else if arc.extra != NONE
                && let Some(extra) = self.place(arc.extra)
            {
                earliest = earliest.max(extra.finish);
            }
        }
        for arc in model.after(activity).filter(|arc| arc.anchor == Anchor::Start) {
            let Some(to) = self.place(arc.to) else { continue };
            let reached = to.start + model.part(to.mode, arc.to_part).offset - model.part(mode, arc.from_part).offset;
            if arc.min > -NEVER {
                latest = latest.min(reached - arc.min);
            }
            if arc.max < NEVER {
                earliest = earliest.max(reached - arc.max);
            }
        }
        // An extra step lies after the minimum of the wait it belongs to.
        let named = model.extra_of[activity as usize];
        if named != NONE
            && let arc = &model.arcs[named as usize]
            && let Some(from) = self.place(arc.from)
        {
            earliest = earliest.max(model.ready(arc, self.anchor(arc, from)));
        }
        (earliest, latest)
    }

    /// Whether a start at `start` puts every step that is pinned to a day on that day.
    pub fn on_pinned_days(&self, activity: u32, mode: u32, start: T) -> bool {
        let pins = &self.model.day_pins[wide(&self.model.activities[activity as usize].days)];
        pins.iter().all(|pin| (pin.from..pin.until).contains(&(start + self.model.part(mode, pin.part).offset)))
    }

    /// Whether `activity` can be exactly at `start` in `mode`, and if not, why not.
    pub fn fits(&self, activity: u32, mode: u32, start: T) -> Result<Place, Obstacle> {
        let model = self.model;
        let at = workable(model, activity, mode, start, 1);
        let Some((_, finish)) = at.filter(|&(found, finish)| found == start && finish <= model.end) else {
            return Err(not_workable(self.model, activity, mode, start));
        };
        let closed_until = self.closed_until(activity, mode, start, finish);
        let obstacle = self.busy(activity, mode, start, finish);
        match obstacle.or_else(|| self.obstacle(activity, mode, start, finish, closed_until)) {
            None => Ok(Place { start, finish, closed_until, mode }),
            Some((_, obstacle)) => Err(obstacle),
        }
    }

    /// The pieces of a placed activity's work.
    pub fn pieces(&self, activity: u32, place: Place) -> Vec<(T, T)> {
        let model = self.model;
        let own = &model.activities[activity as usize];
        let crew = self.crew_of(place.mode);
        if !own.dividable || crew == NONE {
            return vec![(place.start, place.finish)];
        }
        let crew = &model.calendars[model.modes[place.mode as usize].calendar as usize];
        let access = &model.calendars[model.places[own.place as usize].access as usize];
        let mut pieces = Vec::new();
        let mut t = place.start;
        while let Some((from, until)) = common_at_or_after(crew, access, t)
            && from < place.finish
        {
            pieces.push((from.max(t), until.min(place.finish)));
            t = until;
        }
        pieces
    }

    #[inline]
    pub(super) fn closed_until(&self, activity: u32, mode: u32, start: T, finish: T) -> T {
        let place = Place { start, finish, closed_until: finish, mode };
        let keep_off = self.model.after(activity).filter(|arc| arc.keep_off);
        keep_off.map(|arc| self.model.ready(arc, self.anchor(arc, place))).fold(finish, T::max)
    }

    /// What else the mode's crew does then.
    #[inline]
    pub(super) fn busy(&self, activity: u32, mode: u32, start: T, finish: T) -> Option<(T, Obstacle)> {
        let own = &self.model.activities[activity as usize];
        let crew = self.crew_of(mode);
        if crew == NONE || self.crews_unlimited {
            return None;
        }
        let clear = self.crews[crew as usize].clear(self.model, own.place, start, finish, own.joins);
        clear.err().map(|(next, by)| (next, Obstacle::Busy(by)))
    }

    /// What is in the way but for the crew.
    #[inline]
    pub(super) fn obstacle(
        &self,
        activity: u32,
        mode: u32,
        start: T,
        finish: T,
        closed_until: T,
    ) -> Option<(T, Obstacle)> {
        let model = self.model;
        let own = &model.activities[activity as usize];
        for area in &model.area_lists[wide(&own.areas)] {
            if let Err((next, by)) = self.areas[*area as usize].clear(model, NONE, start, closed_until, own.joins) {
                return Some((next, Obstacle::Area(by)));
            }
        }
        if let Some(next) = gate_obstacle(model, mode, start) {
            return Some((next, Obstacle::Gate));
        }
        let (of_resources, of_kinds) = match self.limited_gear {
            LimitedGear::All => (None, None),
            LimitedGear::Nothing => (Some(NONE), Some(NONE)),
            LimitedGear::Resource(one) => (Some(one), Some(NONE)),
            LimitedGear::Kind(one) => (Some(NONE), Some(one)),
        };
        let counts = |only: Option<u32>, number: u32| only.is_none_or(|only| only == number);
        for &(resource, amount) in model.needs[wide(&own.needs)].iter().filter(|need| counts(of_resources, need.0)) {
            let (shared, until) = self.shared(activity, resource, start, finish);
            let profile = &self.profiles[resource as usize];
            let together = profile.clear(start, until, amount - shared);
            if let Err((next, by)) = together.and_then(|()| profile.clear(until, finish, amount)) {
                return Some((next, Obstacle::Gear(by)));
            }
        }
        for &(kind, amount) in model.needs[wide(&own.gear)].iter().filter(|need| counts(of_kinds, need.0)) {
            if let Some((next, by)) = self.gear_obstacle(kind, amount as usize, own, start, finish) {
                return Some((next, Obstacle::Gear(by)));
            }
        }
        None
    }

    /// How much of a resource the step that `activity` joins holds for both, and until when; (0, start) for others.
    #[inline]
    fn shared(&self, activity: u32, resource: u32, start: T, finish: T) -> (u32, T) {
        let own = &self.model.activities[activity as usize];
        if own.joins == NONE {
            return (0, start);
        }
        let shared = &self.model.needs[wide(&own.shared)];
        let amount = shared.iter().find(|need| need.0 == resource).map_or(0, |need| need.1);
        (amount, own.shared_until.clamp(start, finish))
    }

    /// As [`Timeline::clear`] for one unit of travelling gear, which may be out of use (then nobody is in the way).
    #[inline]
    fn unit_clear(&self, (kind, unit): (u32, u32), own: &Activity, start: T, finish: T) -> Result<(), (T, u32)> {
        match self.model.gear_out[kind as usize][unit as usize].at_or_after(start) {
            Some((out, until)) if out < finish => Err((until, NONE)),
            _ => {
                let timeline = &self.gear[kind as usize][unit as usize];
                timeline.clear(self.model, own.place, start, finish, own.joins)
            }
        }
    }

    /// `None` when `amount` units are free; else when the last missing one may be, and who has it (`NONE` only when all
    /// that are missing are out of use).
    fn gear_obstacle(&self, kind: u32, amount: usize, own: &Activity, start: T, finish: T) -> Option<(T, u32)> {
        let mut free = 0;
        let (mut soonest, mut holder) = (NEVER, (NEVER, NONE));
        for unit in 0..self.gear[kind as usize].len() as u32 {
            match self.unit_clear((kind, unit), own, start, finish) {
                Ok(()) if free + 1 == amount => return None,
                Ok(()) => free += 1,
                Err((next, by)) => {
                    soonest = soonest.min(next);
                    if by != NONE {
                        holder = holder.min((next, by));
                    }
                }
            }
        }
        // With several units missing the soonest may be too early; the caller asks again from there.
        Some((soonest, holder.1))
    }

    /// Puts an activity where [`State::find`] or [`State::fits`] said it can be. Of travelling gear the `wished`
    /// units are taken when they are free, else the lowest numbers.
    pub fn put(&mut self, activity: u32, place: Place, wished: &[u32]) {
        let model = self.model;
        let own = &model.activities[activity as usize];
        let booking = self.book(activity, place);
        let mut wished = wished.iter().copied();
        for &(kind, amount) in &model.needs[wide(&own.gear)] {
            let units = self.gear[kind as usize].len() as u32;
            let mut liked: Vec<u32> = wished.by_ref().take(amount as usize).collect();
            liked.extend(0..units);
            let mut left = amount;
            for unit in liked {
                let held = &self.held[activity as usize];
                let mine = held[held.len() - (amount - left) as usize..].contains(&unit);
                if mine || left == 0 || unit >= units {
                    continue;
                }
                if self.unit_clear((kind, unit), own, place.start, place.finish).is_ok() {
                    self.gear[kind as usize][unit as usize].add(booking);
                    self.held[activity as usize].push(unit);
                    left -= 1;
                }
            }
        }
        self.placed[activity as usize] = Some(place);
    }

    /// Puts an activity back where it was, with the gear it had. What lay beside it may not be back yet, so nothing is
    /// asked: where ways are longer than the way round, a stretch can look too short while its middle is missing.
    pub fn put_back(&mut self, activity: u32, place: Place, gear: &[u32]) {
        let model = self.model;
        let own = &model.activities[activity as usize];
        let booking = self.book(activity, place);
        let mut units = gear.iter();
        for &(kind, amount) in &model.needs[wide(&own.gear)] {
            for unit in units.by_ref().take(amount as usize) {
                self.gear[kind as usize][*unit as usize].add(booking);
            }
        }
        self.held[activity as usize] = gear.to_vec();
        self.placed[activity as usize] = Some(place);
    }

    /// Takes the time of crew and areas, and the amounts of cumulative resources.
    fn book(&mut self, activity: u32, place: Place) -> Booking {
        let model = self.model;
        let own = &model.activities[activity as usize];
        let crew = self.crew_of(place.mode);
        let whole = !own.dividable && own.joins == NONE;
        let (start, end, at) = (place.start, place.finish, own.place);
        let booking = Booking { start, end, place: at, by: activity, mixed: false, whole };
        if crew != NONE {
            self.crews[crew as usize].add(booking);
        }
        for area in &model.area_lists[wide(&own.areas)] {
            self.areas[*area as usize].add(Booking { end: place.closed_until, place: NONE, ..booking });
        }
        for &(resource, amount) in &model.needs[wide(&own.needs)] {
            let (shared, until) = self.shared(activity, resource, place.start, place.finish);
            self.profiles[resource as usize].add(place.start, until, amount - shared);
            self.profiles[resource as usize].add(until, place.finish, amount);
        }
        booking
    }

    /// Who holds a cumulative resource that `activity` needs at some time of `[start, finish)`: activities, and fixed
    /// steps (from `FIXED` on). For explanations; looks at everything.
    pub fn holders(&self, activity: u32, start: T, finish: T) -> Vec<u32> {
        let model = self.model;
        let needed = &model.needs[wide(&model.activities[activity as usize].needs)];
        let wanted = |resource: u32| needed.iter().any(|need| need.0 == resource);
        let fixed = model
            .cumulative_taken
            .iter()
            .filter(|(resource, _, taken)| wanted(*resource) && taken.start < finish && start < taken.end);
        let others = (0..model.activities.len() as u32).filter(|other| {
            let meets = self.place(*other).is_some_and(|place| place.start < finish && start < place.finish);
            meets && model.needs[wide(&model.activities[*other as usize].needs)].iter().any(|need| wanted(need.0))
        });
        fixed.map(|(_, _, taken)| FIXED | taken.by).chain(others.filter(|other| *other != activity)).collect()
    }

    /// Takes a placed activity out; gives back where it was.
    pub fn take(&mut self, activity: u32) -> Option<Place> {
        let place = self.placed[activity as usize].take()?;
        let model = self.model;
        let own = &model.activities[activity as usize];
        let crew = self.crew_of(place.mode);
        if crew != NONE {
            self.crews[crew as usize].remove(place.start, activity);
        }
        for area in &model.area_lists[wide(&own.areas)] {
            self.areas[*area as usize].remove(place.start, activity);
        }
        for &(resource, amount) in &model.needs[wide(&own.needs)] {
            let (shared, until) = self.shared(activity, resource, place.start, place.finish);
            self.profiles[resource as usize].remove(place.start, until, amount - shared);
            self.profiles[resource as usize].remove(until, place.finish, amount);
        }
        let held = std::mem::take(&mut self.held[activity as usize]);
        let mut units = held.into_iter();
        for &(kind, amount) in &model.needs[wide(&own.gear)] {
            for unit in units.by_ref().take(amount as usize) {
                self.gear[kind as usize][unit as usize].remove(place.start, activity);
            }
        }
        Some(place)
    }
}
