//! Everything known at one instant: the whole input of the planner and of the audit.

use super::bounds::HORIZON_DAYS_MAX;
use super::chain::Chain;
use super::ids::{CrewIx, HouseIx, JobIx, RegionIx, StepRef};
use super::plan::{Placement, Plan};
use super::resources::{Crew, Equipment, House, Location, Region, SpherePoint, TravelModel};
use super::text::{Key, Name};
use super::time::{Minute, Span};
use super::zone::Zone;
use chrono::Days;
use std::collections::BTreeMap;

/// A method applied to a house.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Job {
    /// Unique in the company.
    pub key: Key,
    /// For people.
    pub name: Name,
    /// Where.
    pub house: HouseIx,
    /// Nothing of it starts earlier.
    pub release: Minute,
    /// When it should be finished.
    pub due: Option<Minute>,
    /// How much its lateness and its finish count; 0 to 1,000, ordinarily 1.
    pub weight: u32,
    /// Its own copy of the chain.
    pub chain: Chain,
}

/// What a plan is charged, in cost points. See `docs/cost.md` for the formula of each part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CostWeights {
    /// For each ordinary step that is not placed.
    pub unplaced_step: i64,
    /// For each minute after due, times the job's weight.
    pub late_minute: i64,
    /// For each minute from release to the job's finish, times the job's weight.
    pub finish_minute: i64,
    /// For each published step whose start moves at all.
    pub moved_step: i64,
    /// For each minute a published start moves, earlier or later.
    pub moved_minute: i64,
    /// For each published step that changes its crew.
    pub changed_crew: i64,
    /// For each minute on the road.
    pub travel_minute: i64,
    /// For each minute of work outside ordinary hours.
    pub overtime_minute: i64,
    /// For each change of crew between one step of a job and the next.
    pub hand_over: i64,
}

impl Default for CostWeights {
    /// A day late weighs as much as finishing ten days later; a broken promise as much as three hours late.
    fn default() -> CostWeights {
        CostWeights {
            unplaced_step: 10_000_000,
            late_minute: 10,
            finish_minute: 1,
            moved_step: 600,
            moved_minute: 2,
            changed_crew: 600,
            travel_minute: 3,
            overtime_minute: 4,
            hand_over: 300,
        }
    }
}

/// Settings of the company that planning heeds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settings {
    /// The office's zone.
    pub zone: Zone,
    /// Published steps that start within so many minutes from now stay unless they cannot.
    pub freeze_minutes: i64,
    /// How many calendar days, in the office's zone, a plan reaches.
    pub horizon_days: i64,
    /// How long ways take.
    pub travel: TravelModel,
    /// How plans are compared.
    pub cost: CostWeights,
}

/// Everything known at `now`. Built by the edge, which checks that every index points somewhere.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Situation {
    /// The instant of planning; nothing that is not begun starts earlier.
    pub now: Minute,
    /// The company's settings.
    pub settings: Settings,
    /// Skills by position.
    pub skills: Vec<Name>,
    /// By `RegionIx`.
    pub regions: Vec<Region>,
    /// By `HouseIx`.
    pub houses: Vec<House>,
    /// By `CrewIx`.
    pub crews: Vec<Crew>,
    /// By `EquipmentIx`.
    pub equipment: Vec<Equipment>,
    /// By `JobIx`.
    pub jobs: Vec<Job>,
    /// Known ways between two houses, minutes, lower index first; they replace the travel model's figure.
    pub known_ways: BTreeMap<(HouseIx, HouseIx), i64>,
    /// What was last promised: open steps only, sorted by step. Empty when nothing was.
    pub published: Vec<Placement>,
}

/// Ways are worked out for so many houses at a time.
const SQUARE: usize = 64;

impl Situation {
    /// The time plans may use: from now to the end of the horizon's last calendar day in the office's zone.
    pub fn horizon(&self) -> Span {
        let zone = self.settings.zone;
        let days = self.settings.horizon_days.clamp(1, HORIZON_DAYS_MAX) as u64;
        let last = zone.date(self.now).checked_add_days(Days::new(days));
        let end = last.map_or(self.now.plus(days as i64 * 1440), |date| zone.day_start(date));
        Span::new(self.now, end.max(self.now.plus(1))).unwrap_or_else(|| unreachable!("the end is after now"))
    }

    /// Minutes on the road between two houses; 0 within one.
    pub fn way_minutes(&self, a: HouseIx, b: HouseIx) -> i64 {
        if a == b {
            return 0;
        }
        let known = self.known_ways.get(&(a.min(b), a.max(b)));
        known.copied().unwrap_or_else(|| self.settings.travel.minutes(self.location(a), self.location(b)))
    }

    /// Minutes on the road between all houses, row by row, as [`Situation::way_minutes`] has them; at most 65,535.
    pub fn all_way_minutes(&self) -> Vec<u16> {
        let count = self.houses.len();
        let narrow = |minutes: i64| minutes.clamp(0, i64::from(u16::MAX)) as u16;
        let points = self.houses_on_sphere();
        let mut ways = vec![0u16; count * count];
        let travel = self.settings.travel;
        // In squares that stay in the cache, there and back.
        let squares = (0..count).step_by(SQUARE);
        for (left, above) in
            squares.clone().flat_map(|left| squares.clone().take_while(move |&a| a <= left).map(move |a| (left, a)))
        {
            for a in above..(above + SQUARE).min(count) {
                for b in left.max(a + 1)..(left + SQUARE).min(count) {
                    let minutes = narrow(travel.minutes_apart(points[a], points[b]));
                    (ways[a * count + b], ways[b * count + a]) = (minutes, minutes);
                }
            }
        }
        for (&(a, b), &minutes) in self.known_ways.iter().filter(|((a, b), _)| a != b) {
            let (a, b) = (a.index(), b.index());
            (ways[a * count + b], ways[b * count + a]) = (narrow(minutes), narrow(minutes));
        }
        ways
    }

    /// All houses that have a location, on the sphere, in their order.
    pub fn houses_on_sphere(&self) -> Vec<Option<SpherePoint>> {
        self.houses.iter().map(|house| house.location.map(Location::on_sphere)).collect()
    }

    /// Minutes on the road between a crew's home base and a house; 0 for a crew without one.
    pub fn home_way_minutes(&self, crew: CrewIx, house: HouseIx) -> i64 {
        let home = self.crews[crew.index()].home;
        if home.is_none() { 0 } else { self.settings.travel.minutes(home, self.location(house)) }
    }

    /// The weather of a house's region.
    pub fn region(&self, region: Option<RegionIx>) -> Option<&Region> {
        region.map(|region| &self.regions[region.index()])
    }

    /// The house of a step.
    pub fn house_of(&self, step: StepRef) -> HouseIx {
        self.jobs[step.job.index()].house
    }

    /// Every step of every job, by job and then by position in its chain.
    pub fn steps(&self) -> impl Iterator<Item = StepRef> {
        self.jobs.iter().enumerate().flat_map(|(job, content)| {
            (0..content.chain.steps().len())
                .map(move |step| StepRef { job: JobIx::from_index(job), step: super::ids::StepIx::from_index(step) })
        })
    }

    /// The same situation without the pins of `steps`.
    #[must_use]
    pub fn without_pins(&self, steps: &[StepRef]) -> Situation {
        let mut out = self.clone();
        for (job, content) in out.jobs.iter_mut().enumerate() {
            let own = steps.iter().filter(|step| step.job.index() == job).map(|step| step.step);
            content.chain = content.chain.clone().without_pins(own);
        }
        out
    }

    /// The same situation with `plan` as what was last promised: its steps that are neither begun nor done.
    pub fn with_published(mut self, plan: &Plan) -> Situation {
        let open = |placement: &&Placement| {
            self.jobs[placement.step.job.index()].chain.step(placement.step.step).fixed().is_none()
        };
        let kept = plan.placements.iter().filter(open).cloned();
        self.published = kept.map(|placement| Placement { moved_because: None, ..placement }).collect();
        self
    }

    fn location(&self, house: HouseIx) -> Option<Location> {
        self.houses[house.index()].location
    }
}
