//! Random but realistic companies, the same for the same seed: zones with clock changes near, odd calendars, humid and
//! cold spells, half-finished houses, failed checks, pins. Everything passes the domain's constructors. Nothing here
//! plans; `published` stays empty.
//!
//! `company` draws sizes and circumstances; `fleet` gives exact sizes for measuring speed.

#![allow(dead_code, reason = "each test binary uses some of it")]

#[path = "generate_chains.rs"]
mod chains;
#[path = "generate_history.rs"]
mod history;
#[path = "generate_mishaps.rs"]
pub mod mishaps;
#[path = "generate_places.rs"]
mod places;

use super::world::{at, equipment, key, name, window, zone};
use chrono::{Days, NaiveDate};
use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;
use std::collections::BTreeMap;
use tackfree::domain::calendar::{Calendar, Pay, Window};
use tackfree::domain::ids::{HouseIx, SkillSet};
use tackfree::domain::resources::{Crew, Equipment, TravelModel};
use tackfree::domain::situation::{CostWeights, Job, Settings, Situation};
use tackfree::domain::time::{Minute, Span};
use tackfree::domain::zone::Zone;

/// Positions in the list of skills.
pub const SAND: usize = 0;
pub const COAT: usize = 1;
pub const TREAT: usize = 2;
pub const CHECK: usize = 3;

/// Upper limits of what is drawn.
#[derive(Debug, Clone, Copy)]
pub struct Size {
    pub houses_max: usize,
    pub crews_max: usize,
    /// At least one for each house.
    pub jobs_max: usize,
    /// Of all jobs together, extra steps included.
    pub steps_max: usize,
    pub areas_max: usize,
    pub horizon_days_max: i64,
}

impl Size {
    /// Small enough to try all plans: at most 6 steps, 2 crews, 2 houses.
    pub const fn tiny() -> Size {
        Size { houses_max: 2, crews_max: 2, jobs_max: 2, steps_max: 6, areas_max: 2, horizon_days_max: 8 }
    }

    /// A small company: a few houses, most of them one whole chain.
    pub const fn small() -> Size {
        Size { houses_max: 4, crews_max: 3, jobs_max: 5, steps_max: 60, areas_max: 3, horizon_days_max: 21 }
    }

    /// An ordinary company.
    pub const fn medium() -> Size {
        Size { houses_max: 10, crews_max: 6, jobs_max: 12, steps_max: 180, areas_max: 5, horizon_days_max: 45 }
    }
}

/// A source of chance.
pub struct Draw(Pcg64Mcg);

impl Draw {
    pub fn new(seed: u64) -> Draw {
        Draw(Pcg64Mcg::seed_from_u64(seed))
    }

    /// One of `0..count`; `count` at least 1.
    pub fn below(&mut self, count: usize) -> usize {
        ((u128::from(self.0.next_u64()) * count as u128) >> 64) as usize
    }

    /// Both ends included.
    pub fn between(&mut self, least: i64, most: i64) -> i64 {
        least + self.below((most - least + 1) as usize) as i64
    }

    pub fn chance(&mut self, percent: usize) -> bool {
        self.below(100) < percent
    }

    pub fn pick<T: Clone>(&mut self, from: &[T]) -> T {
        from[self.below(from.len())].clone()
    }

    /// A non-empty part of `0..count`, sorted.
    pub fn some_of(&mut self, count: usize) -> Vec<usize> {
        let sure = self.below(count);
        (0..count).filter(|&one| one == sure || self.chance(50)).collect()
    }
}

/// Where and when a company is: its zone, and a local day soon after which clocks may change there.
const SCENES: [(&str, &str); 18] = [
    ("America/New_York", "2026-03-05"),
    ("America/New_York", "2026-10-29"),
    ("America/Chicago", "2026-03-06"),
    ("America/Los_Angeles", "2026-10-30"),
    ("America/Phoenix", "2026-07-06"),
    ("America/Vancouver", "2026-10-28"),
    ("America/Havana", "2026-03-06"),
    ("America/Santiago", "2026-04-02"),
    ("Europe/Berlin", "2026-03-26"),
    ("Europe/Dublin", "2026-10-23"),
    ("Africa/Cairo", "2026-04-22"),
    ("Africa/Casablanca", "2026-02-12"),
    ("Asia/Kathmandu", "2026-05-04"),
    ("Australia/Sydney", "2026-04-02"),
    ("Australia/Sydney", "2026-10-01"),
    ("Australia/Lord_Howe", "2026-04-03"),
    ("Pacific/Auckland", "2026-09-24"),
    ("UTC", "2026-12-28"),
];

/// A random company of at most that size.
pub fn company(seed: u64, size: Size) -> Situation {
    let mut draw = Draw::new(seed);
    let (zone_name, day) = draw.pick(&SCENES);
    let office = zone(zone_name);
    let morning = at(office, &format!("{day} 06:00"));
    let now = morning.plus(draw.between(-2 * 1440, 3 * 1440));
    let horizon_days = draw.between(size.horizon_days_max / 2, size.horizon_days_max);
    let region_count = draw.below(3);
    let house_count = 1 + draw.below(size.houses_max);
    let crew_count = 1 + draw.below(size.crews_max);
    let mut situation = Situation {
        now,
        settings: settings(&mut draw, office, horizon_days),
        skills: skills(),
        regions: (0..region_count).map(|number| places::region(&mut draw, now, number)).collect(),
        houses: (0..house_count)
            .map(|number| places::house(&mut draw, office, size.areas_max, region_count, number))
            .collect(),
        crews: (0..crew_count).map(|number| crew(&mut draw, office, now, number)).collect(),
        equipment: gear(&mut draw),
        jobs: Vec::new(),
        known_ways: BTreeMap::new(),
        published: Vec::new(),
    };
    // Drawn apart, so that a seed stands for the same company with and without them.
    let mut meter = Draw::new(seed ^ 0x5eed);
    for house in &mut situation.houses {
        house.air_readings = places::readings(&mut meter, now);
    }
    for a in 0..house_count {
        for b in a + 1..house_count {
            if draw.chance(10) {
                let pair = (HouseIx::from_index(a), HouseIx::from_index(b));
                situation.known_ways.insert(pair, draw.between(0, 90));
            }
        }
    }
    let houses = job_houses(&mut draw, house_count, size.jobs_max);
    let mut steps_left = size.steps_max;
    for (number, &house) in houses.iter().enumerate() {
        // Every job gets a share, so that a tiny company may still have two.
        let share = steps_left / (houses.len() - number);
        let budget = if draw.chance(60) { share.min(16) } else { 1 + draw.below(share.clamp(1, 16)) };
        let job = draw_job(&mut draw, &situation, house, budget, number);
        steps_left -= job.chain.steps().len();
        situation.jobs.push(job);
    }
    history::happen(&mut draw, &mut situation, 50);
    history::pin(&mut draw, &mut situation, 6);
    situation
}

/// A random company of at most that size in which some things have gone wrong.
pub fn troubled(seed: u64, size: Size) -> Situation {
    let mut situation = company(seed, size);
    mishaps::trouble(&mut Draw::new(seed ^ 0x7f00), &mut situation);
    situation
}

/// Exactly that many houses, with one job of about 16 steps each, and crews; in New York before clocks change, and such
/// that nearly everything can be done.
pub fn fleet(seed: u64, houses: usize, crews: usize) -> Situation {
    let mut draw = Draw::new(seed);
    let office = zone("America/New_York");
    let now = at(office, "2026-03-04 06:00");
    let region_count = 1 + houses / 100;
    let mut situation = Situation {
        now,
        settings: Settings { cost: CostWeights::default(), ..settings(&mut draw, office, 75) },
        skills: skills(),
        regions: (0..region_count).map(|number| places::mild_region(&mut draw, now, number)).collect(),
        houses: (0..houses).map(|number| places::house(&mut draw, office, 4, region_count, number)).collect(),
        crews: (0..crews).map(|number| able_crew(&mut draw, office, number)).collect(),
        equipment: vec![
            equipment("drum-sander", (crews / 2).max(1) as u32, false),
            equipment("edger", crews as u32, true),
            equipment("meter", (crews / 3).max(1) as u32, true),
        ],
        jobs: Vec::new(),
        known_ways: BTreeMap::new(),
        published: Vec::new(),
    };
    for house in &mut situation.houses {
        house.access = places::ordinary_access(&mut draw);
    }
    for house in 0..houses {
        let job = draw_job(&mut draw, &situation, house, 16, house);
        situation.jobs.push(job);
    }
    history::happen(&mut draw, &mut situation, 30);
    situation
}

fn skills() -> Vec<tackfree::domain::text::Name> {
    ["sanding", "coating", "two-part treatment", "readings"].map(name).to_vec()
}

fn settings(draw: &mut Draw, office: Zone, horizon_days: i64) -> Settings {
    let mut cost = CostWeights::default();
    if draw.chance(30) {
        cost.finish_minute = draw.between(0, 5);
        cost.travel_minute = draw.between(0, 20);
        cost.overtime_minute = draw.between(0, 30);
        cost.hand_over = draw.between(0, 1_000);
    }
    let travel = TravelModel {
        fixed_minutes: draw.between(0, 15),
        speed_kmh: draw.between(20, 70) as u32,
        detour_percent: draw.between(100, 160) as u32,
    };
    Settings { zone: office, freeze_minutes: draw.pick(&[0, 720, 1_440, 2_880]), horizon_days, travel, cost }
}

fn gear(draw: &mut Draw) -> Vec<Equipment> {
    let drum = equipment("drum-sander", draw.between(1, 2) as u32, draw.chance(30));
    let edger = equipment("edger", draw.between(1, 3) as u32, true);
    let meter = equipment("meter", 1, draw.chance(60));
    if draw.chance(15) { Vec::new() } else { vec![drum, edger, meter] }
}

fn job_houses(draw: &mut Draw, houses: usize, jobs_max: usize) -> Vec<usize> {
    let mut out: Vec<usize> = (0..houses.min(jobs_max)).collect();
    while out.len() < jobs_max && draw.chance(20) {
        out.push(draw.below(houses));
    }
    out
}

fn draw_job(draw: &mut Draw, situation: &Situation, house: usize, budget: usize, number: usize) -> Job {
    let areas = situation.houses[house].areas.len();
    let chain = chains::chain(draw, areas, !situation.equipment.is_empty(), budget);
    let now = situation.now;
    let release = now.plus(if draw.chance(70) { -draw.between(0, 20_000) } else { draw.between(0, 5 * 1440) });
    Job {
        key: key(&format!("job-{number}")),
        name: name(&format!("Job {number}")),
        house: HouseIx::from_index(house),
        release,
        due: draw.chance(70).then(|| now.plus(draw.between(-2 * 1440, 30 * 1440))),
        weight: draw.pick(&[1, 1, 1, 1, 2, 5, 0]),
        chain,
    }
}

fn days(weekdays: std::ops::Range<usize>, windows: &[Window], week: &mut [Vec<Window>; 7]) {
    week[weekdays].iter_mut().for_each(|day| day.extend_from_slice(windows));
}

fn regular(from: &str, to: &str) -> Window {
    window(from, to, Pay::Regular)
}

/// One of several ordinary or odd working weeks.
fn working_week(draw: &mut Draw, odd: bool) -> [Vec<Window>; 7] {
    let mut week: [Vec<Window>; 7] = Default::default();
    let over = |from, to| window(from, to, Pay::Overtime);
    match draw.below(if odd { 7 } else { 3 }) {
        0 => days(0..5, &[regular("8:00", "12:00"), regular("13:00", "17:00")], &mut week),
        1 => days(0..6, &[regular("7:00", "15:30")], &mut week),
        2 => {
            days(0..5, &[regular("8:00", "16:00"), over("16:00", "18:00")], &mut week);
            days(5..6, &[over("8:00", "12:00")], &mut week);
        }
        3 => days(0..4, &[regular("6:00", "16:00")], &mut week),
        // Two windows that meet at midnight: one unbroken night.
        4 => days(0..7, &[regular("0:00", "4:00"), regular("20:00", "24:00")], &mut week),
        5 => days(0..7, &[over("5:00", "6:00"), regular("6:00", "14:00"), over("14:00", "15:00")], &mut week),
        _ => {
            days(0..5, &[regular("9:00", "13:00")], &mut week);
            days(6..7, &[regular("1:30", "2:30"), regular("2:30", "3:30")], &mut week);
        }
    }
    week
}

/// Holidays and days with other hours, in the weeks around `now`.
fn exceptions(draw: &mut Draw, zone: Zone, now: Minute) -> BTreeMap<NaiveDate, Vec<Window>> {
    let today = zone.date(now);
    let mut out = BTreeMap::new();
    for _ in 0..draw.below(4) {
        let date = today.checked_add_days(Days::new(draw.below(30) as u64)).unwrap();
        let hours = if draw.chance(60) { Vec::new() } else { vec![regular("10:00", "15:00")] };
        out.insert(date, hours);
    }
    out
}

/// Often the company's zone, now and then one beside it.
fn zone_near(draw: &mut Draw, office: Zone) -> Zone {
    if draw.chance(90) { office } else { zone(draw.pick(&["America/Denver", "Europe/London", "Australia/Adelaide"])) }
}

fn crew(draw: &mut Draw, office: Zone, now: Minute, number: usize) -> Crew {
    let zone = zone_near(draw, office);
    let calendar = Calendar::new(working_week(draw, true), exceptions(draw, zone, now)).unwrap();
    let mut absences = Vec::new();
    for _ in 0..draw.below(3) {
        let start = now.plus(draw.between(-1440, 20 * 1440));
        absences.extend(Span::new(start, start.plus(draw.between(30, 3 * 1440))));
    }
    let all_skills = (SAND..=CHECK).fold(SkillSet::default(), SkillSet::with);
    let some = draw.some_of(4).into_iter().fold(SkillSet::default(), SkillSet::with);
    Crew {
        key: key(&format!("crew-{number}")),
        name: name(&format!("Crew {number}")),
        skills: if draw.chance(if number == 0 { 75 } else { 35 }) { all_skills } else { some },
        head_count: draw.between(1, 4) as u32,
        zone,
        calendar,
        absences,
        short_handed: Vec::new(),
        home: places::location(draw),
    }
}

fn able_crew(draw: &mut Draw, office: Zone, number: usize) -> Crew {
    let all = (SAND..=CHECK).fold(SkillSet::default(), SkillSet::with);
    let most = all.minus(SkillSet::default().with(draw.below(4)));
    Crew {
        key: key(&format!("crew-{number}")),
        name: name(&format!("Crew {number}")),
        skills: if draw.chance(70) { all } else { most },
        head_count: draw.between(2, 4) as u32,
        zone: office,
        calendar: Calendar::new(working_week(draw, false), BTreeMap::new()).unwrap(),
        absences: Vec::new(),
        short_handed: Vec::new(),
        home: places::location(draw),
    }
}
