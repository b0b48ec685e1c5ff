//! Small situations and plans by hand: every builder gives something valid, and fields are public, so that a test says
//! only what it is about (`Step { dividable: true, ..step("sand", 300) }`).

#![allow(dead_code, reason = "each test binary uses some of the builders")]

use chrono::NaiveDateTime;
use std::collections::BTreeMap;
use std::sync::Arc;
use tackfree::audit::audit;
use tackfree::domain::calendar::{Calendar, Pay, Window};
use tackfree::domain::chain::{Attempt, Chain, OnExceed, Outcome, Pin, Step, StepKind, Wait, WaitKind, WaitMax, Work};
use tackfree::domain::climate::{Air, HouseAir, NormalHour, Normals, OutdoorHour};
use tackfree::domain::ids::{AreaIx, CrewIx, EquipmentIx, HouseIx, JobIx, SkillSet, StepIx, StepRef};
use tackfree::domain::plan::{Blocker, Cause, Cost, Placement, Plan, UnitUse, Unplaced};
use tackfree::domain::resources::{Area, Crew, Equipment, House, Region, TravelModel};
use tackfree::domain::situation::{CostWeights, Job, Settings, Situation};
use tackfree::domain::text::{Key, Name};
use tackfree::domain::time::{HOUR, Minute, Span};
use tackfree::domain::zone::Zone;
use tackfree::trade::climate::HourlyClimate;
use tackfree::trade::house::model_of;
use tackfree::trade::readings::HouseClimate;

/// Causes that the input alone proves.
pub const CAUSES_OF_THE_INPUT: [Cause; 8] = [
    Cause::StartPassed,
    Cause::NotYet,
    Cause::Pinned,
    Cause::CrewAway,
    Cause::CrewUnable,
    Cause::HouseClosed,
    Cause::Weather,
    Cause::EquipmentShort,
];

pub fn zone(name: &str) -> Zone {
    Zone::parse(name).unwrap()
}

pub fn new_york() -> Zone {
    zone("America/New_York")
}

/// A wall time such as "2026-03-02 08:00"; the first of two.
pub fn at(zone: Zone, text: &str) -> Minute {
    let wall = NaiveDateTime::parse_from_str(text, "%Y-%m-%d %H:%M").unwrap();
    let minute = wall.time().signed_duration_since(chrono::NaiveTime::MIN).num_minutes();
    zone.opening(wall.date(), minute as i32)
}

/// Minutes after midnight of "8:30".
pub fn clock(text: &str) -> i32 {
    let (hours, minutes) = text.split_once(':').unwrap();
    hours.parse::<i32>().unwrap() * 60 + minutes.parse::<i32>().unwrap()
}

pub fn span(start: Minute, end: Minute) -> Span {
    Span::new(start, end).unwrap()
}

pub fn key(text: &str) -> Key {
    Key::parse(text).unwrap()
}

pub fn name(text: &str) -> Name {
    Name::parse(text).unwrap()
}

pub fn window(from: &str, to: &str, pay: Pay) -> Window {
    Window::new(clock(from), clock(to), pay).unwrap()
}

/// The same regular hours on the given days from Monday (0).
pub fn hours(days: std::ops::Range<usize>, windows: &[(&str, &str)]) -> Calendar {
    let day: Vec<Window> = windows.iter().map(|(from, to)| window(from, to, Pay::Regular)).collect();
    let week = std::array::from_fn(|weekday| if days.contains(&weekday) { day.clone() } else { Vec::new() });
    Calendar::new(week, BTreeMap::new()).unwrap()
}

/// Monday to Friday, 8 to 12 and 13 to 17.
pub fn office_hours() -> Calendar {
    hours(0..5, &[("8:00", "12:00"), ("13:00", "17:00")])
}

/// In New York, always open, air unknown, two areas.
pub fn house(name_text: &str) -> House {
    let area = |text: &str| Area { name: name(text), area_sqft: 400, species: None };
    House {
        key: key(name_text),
        name: name(name_text),
        address: None,
        zone: new_york(),
        location: None,
        access: Calendar::always(),
        closures: Vec::new(),
        areas: vec![area("hall"), area("parlour")],
        air: HouseAir::Closed,
        region: None,
        air_readings: Vec::new(),
    }
}

/// Two people in New York with office hours, without skills or home base.
pub fn crew(name_text: &str) -> Crew {
    Crew {
        key: key(name_text),
        name: name(name_text),
        skills: SkillSet::default(),
        head_count: 2,
        zone: new_york(),
        calendar: office_hours(),
        absences: Vec::new(),
        short_handed: Vec::new(),
        home: None,
    }
}

pub fn equipment(name_text: &str, units: u32, moves_with_crew: bool) -> Equipment {
    Equipment { key: key(name_text), name: name(name_text), units, moves_with_crew, outages: Vec::new() }
}

/// Elm and Oak, 30 minutes apart; crews Ann and Ben; one drum sander that must be brought, two edgers that ride along;
/// skills "sand" and "coat", which nobody has yet. No jobs.
pub fn situation(now: Minute) -> Situation {
    Situation {
        now,
        settings: Settings {
            zone: new_york(),
            freeze_minutes: 24 * 60,
            horizon_days: 28,
            travel: TravelModel { fixed_minutes: 30, speed_kmh: 40, detour_percent: 130 },
            cost: CostWeights::default(),
        },
        skills: vec![name("sand"), name("coat")],
        regions: Vec::new(),
        houses: vec![house("Elm"), house("Oak")],
        crews: vec![crew("Ann"), crew("Ben")],
        equipment: vec![equipment("drum-sander", 1, false), equipment("edger", 2, true)],
        jobs: Vec::new(),
        known_ways: BTreeMap::new(),
        published: Vec::new(),
    }
}

/// Fixed work in the first area; anybody may do it.
pub fn step(key_text: &str, minutes: i64) -> Step {
    Step {
        key: key(key_text),
        name: name(key_text),
        kind: StepKind::Other,
        areas: vec![AreaIx(0)],
        skills: SkillSet::default(),
        head_count_min: 1,
        work: Work::Fixed { minutes },
        set_up_minutes: 0,
        dividable: false,
        equipment: Vec::new(),
        gate: None,
        recheck_after_minutes: None,
        only_on_lapse: false,
        attempts: Vec::new(),
        pin: Pin::default(),
    }
}

pub fn attempt(crew: u32, start: Minute, finish: Minute, outcome: Outcome) -> Attempt {
    Attempt { crew: CrewIx(crew), start, finish, outcome, retry_not_before: None }
}

pub fn lag(from: u16, to: u16, min_minutes: i64) -> Wait {
    Wait {
        from: StepIx(from),
        to: StepIx(to),
        kind: WaitKind::Lag,
        min_minutes,
        film: None,
        overnight: false,
        max: None,
        keep_off: false,
    }
}

pub fn dwell(from: u16, to: u16, min_minutes: i64, max_minutes: i64) -> Wait {
    let max = Some(WaitMax { minutes: max_minutes, on_exceed: OnExceed::Forbid });
    Wait { kind: WaitKind::Dwell, max, ..lag(from, to, min_minutes) }
}

pub fn at_most(minutes: i64) -> Option<WaitMax> {
    Some(WaitMax { minutes, on_exceed: OnExceed::Forbid })
}

pub fn lapses(minutes: i64, extra: u16) -> Option<WaitMax> {
    Some(WaitMax { minutes, on_exceed: OnExceed::Lapse(StepIx(extra)) })
}

/// Released long ago, without a due date, of weight 1.
pub fn job(key_text: &str, house: u32, steps: Vec<Step>, waits: Vec<Wait>) -> Job {
    Job {
        key: key(key_text),
        name: name(key_text),
        house: HouseIx(house),
        release: Minute(0),
        due: None,
        weight: 1,
        chain: Chain::new(steps, waits).unwrap(),
    }
}

/// The same usual air all year: hundredths of a degree, tenths of a pascal of vapour.
pub fn usual(temp_centi_c: i32, vapour_deci_pa: i32) -> Normals {
    Normals { months: Box::new([[NormalHour { temp_centi_c, vapour_deci_pa }; 24]; 12]) }
}

/// The same air for `count` hours from the hour of `start` on.
pub fn weather(start: Minute, count: i64, air: impl Fn(i64) -> (i32, i32)) -> Region {
    let first = start.0.div_euclid(HOUR) * HOUR;
    let hour = |i: i64| {
        let (temp_centi_c, rh_centi_percent) = air(i);
        let start = Minute(first + i * HOUR);
        OutdoorHour { start, air: Air { temp_centi_c, rh_centi_percent }, rain_centi_mm: 0 }
    };
    let hours = (0..count).map(hour).collect();
    Region { key: key("coast"), name: name("Coast"), gridpoint: None, hours, normals: None }
}

/// The air in a house by the trade's own tables.
pub fn air_of(situation: &Situation, house: &House) -> Option<HouseClimate> {
    let outdoor = house.region.map(|region| &situation.regions[region.index()]);
    let outdoor = outdoor.map(|region| HourlyClimate::of_region(region).unwrap());
    HouseClimate::new(model_of(house.air, outdoor.as_ref()).map(Arc::new), &house.air_readings)
}

pub fn step_ref(job: u32, step: u16) -> StepRef {
    StepRef { job: JobIx(job), step: StepIx(step) }
}

/// One piece, as long as the crew needs.
pub fn place(situation: &Situation, step: (u32, u16), crew: u32, start: Minute) -> Placement {
    let spec = situation.jobs[step.0 as usize].chain.step(StepIx(step.1));
    let minutes = spec.duration_minutes(situation.crews[crew as usize].head_count);
    place_pieces(step, crew, &[(start, start.plus(minutes))])
}

pub fn place_pieces(step: (u32, u16), crew: u32, pieces: &[(Minute, Minute)]) -> Placement {
    Placement {
        step: step_ref(step.0, step.1),
        crew: CrewIx(crew),
        pieces: pieces.iter().map(|&(start, end)| span(start, end)).collect(),
        units: Vec::new(),
        moved_because: None,
    }
}

/// The placement with the given units: kind and number.
pub fn with_units(placement: Placement, units: &[(u16, u32)]) -> Placement {
    let units = units.iter().map(|&(kind, unit)| UnitUse { equipment: EquipmentIx(kind), unit }).collect();
    Placement { units, ..placement }
}

pub fn unplaced(step: (u32, u16)) -> Unplaced {
    Unplaced { step: step_ref(step.0, step.1), blocker: Blocker::BeyondHorizon }
}

/// A plan of these placements and of what happened, with everything else listed as unplaced, sorted, and with the cost
/// that the audit counts.
pub fn plan(situation: &Situation, placements: Vec<Placement>) -> Plan {
    let mut placements = placements;
    let mut rest = Vec::new();
    for step in situation.steps() {
        let spec = situation.jobs[step.job.index()].chain.step(step.step);
        if placements.iter().any(|placement| placement.step == step) {
            continue;
        }
        match spec.fixed() {
            Some(attempt) => placements.push(Placement {
                step,
                crew: attempt.crew,
                pieces: vec![span(attempt.start, attempt.finish)],
                units: Vec::new(),
                moved_because: None,
            }),
            None if spec.only_on_lapse => {}
            None => rest.push(Unplaced { step, blocker: Blocker::BeyondHorizon }),
        }
    }
    placements.sort_by_key(|placement| placement.step);
    let plan = Plan {
        now: situation.now,
        seed: 0,
        move_budget: 0,
        placements,
        unplaced: rest,
        cost: Cost::default(),
        lower_bound: 0,
    };
    priced(situation, plan)
}

/// The plan with the cost that the audit counts.
pub fn priced(situation: &Situation, plan: Plan) -> Plan {
    Plan { cost: audit(situation, &plan).cost, ..plan }
}
