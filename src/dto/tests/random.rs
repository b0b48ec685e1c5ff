//! Situations of every shape, from a seed: the judges of what is written and read back.

use super::random_plan::placements;
use crate::domain::calendar::{Calendar, Pay, Window};
use crate::domain::chain::{Attempt, Chain, OnExceed, Outcome, Pin, Step, StepKind, Wait, WaitKind, WaitMax, Work};
use crate::domain::climate::{Air, AirReading, Film, Gate, Gridpoint, HouseAir, NormalHour, Normals, OutdoorHour};
use crate::domain::ids::{AreaIx, CrewIx, EquipmentIx, HouseIx, RegionIx, SkillSet, StepIx};
use crate::domain::resources::{Area, Crew, Equipment, House, Location, Region, TravelModel};
use crate::domain::situation::{CostWeights, Job, Settings, Situation};
use crate::domain::text::{Key, Name};
use crate::domain::time::{Minute, Span};
use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;

const ZONES: [&str; 5] = ["America/New_York", "Asia/Kathmandu", "Europe/Berlin", "Australia/Lord_Howe", "UTC"];

pub(super) struct Dice(pub(super) Pcg64Mcg);

impl Dice {
    pub(super) fn new(seed: u64) -> Dice {
        Dice(Pcg64Mcg::seed_from_u64(seed))
    }

    pub(super) fn from(&mut self, low: i64, high: i64) -> i64 {
        low + (self.0.next_u64() % (high - low + 1) as u64) as i64
    }

    pub(super) fn index(&mut self, len: usize) -> usize {
        self.from(0, len as i64 - 1) as usize
    }

    pub(super) fn yes(&mut self) -> bool {
        self.from(0, 1) == 1
    }

    fn maybe<T>(&mut self, make: impl FnOnce(&mut Dice) -> T) -> Option<T> {
        self.yes().then(|| make(self))
    }

    pub(super) fn many<T>(&mut self, low: i64, high: i64, mut make: impl FnMut(&mut Dice, usize) -> T) -> Vec<T> {
        (0..self.from(low, high) as usize).map(|index| make(self, index)).collect()
    }

    fn zone(&mut self) -> crate::domain::zone::Zone {
        let name = ZONES[self.index(ZONES.len())];
        super::super::scalar::zone(name).unwrap()
    }

    /// Around the autumn change of clocks in New York, when a local time without offset is not an instant.
    fn instant(&mut self) -> Minute {
        let change = super::super::scalar::instant("2026-11-01T06:00:00Z").unwrap();
        change.plus(self.from(-3_000, 3_000))
    }

    pub(super) fn span(&mut self) -> Span {
        let start = self.instant();
        Span::new(start, start.plus(self.from(1, 900))).unwrap()
    }

    fn location(&mut self) -> Location {
        let latitude_e6 = self.from(-90_000_000, 90_000_000) as i32;
        Location { latitude_e6, longitude_e6: self.from(-180_000_000, 180_000_000) as i32 }
    }

    fn windows(&mut self, most: i64) -> Vec<Window> {
        let mut from = 0;
        let mut windows = Vec::new();
        for _ in 0..self.from(0, most) {
            let start = from + self.from(0, 300) as i32;
            let end = start + self.from(1, 400) as i32;
            let pay = if self.yes() { Pay::Overtime } else { Pay::Regular };
            windows.push(Window::new(start, end, pay).unwrap());
            from = end;
        }
        windows
    }

    fn calendar(&mut self) -> Calendar {
        let mut week: [Vec<Window>; 7] = std::array::from_fn(|_| self.windows(2));
        if self.yes() {
            week[2] = week[1].clone();
        }
        week[0] = vec![Window::new(0, 1_440, Pay::Regular).unwrap()];
        let day = chrono::NaiveDate::from_ymd_opt(2026, 10, 20).unwrap();
        let exceptions = self.many(0, 5, |dice, index| (day + chrono::Days::new(index as u64 * 3), dice.windows(2)));
        Calendar::new(week, exceptions.into_iter().collect()).unwrap()
    }

    /// At different instants, none after `now`.
    fn readings(&mut self, now: Minute) -> Vec<AirReading> {
        let mut readings = self.many(0, 3, |dice, index| AirReading {
            at: now.plus(-60 * index as i64 - dice.from(0, 59)),
            air: dice.air(),
        });
        readings.reverse();
        readings
    }

    fn air(&mut self) -> Air {
        let temp_centi_c = self.from(-6_000, 6_000) as i32;
        Air { temp_centi_c, rh_centi_percent: self.from(0, 10_000) as i32 }
    }

    fn gate(&mut self) -> Gate {
        let (temp, rh) = (self.from(-6_000, 7_000) as i32, self.from(0, 9_000) as i32);
        Gate {
            temp_min_centi_c: temp,
            temp_max_centi_c: temp + self.from(1, 1_000) as i32,
            rh_min_centi_percent: rh,
            rh_max_centi_percent: rh + self.from(1, 1_000) as i32,
            dew_point_margin_min_centi_c: self.from(0, 2_000) as i32,
            hold_after_minutes: self.from(0, 20_160),
        }
    }
}

fn key(prefix: &str, index: usize) -> Key {
    Key::parse(&format!("{prefix}-{index}")).unwrap()
}

fn name(prefix: &str, index: usize) -> Name {
    Name::parse(&format!("{prefix} \"{index}\" / ~ \u{e9}\u{1f3e0}")).unwrap()
}

pub(super) fn situation(seed: u64) -> Situation {
    let dice = &mut Dice::new(seed);
    let now = dice.instant();
    let regions = dice.many(1, 2, |dice, index| {
        let first = Minute(now.0 / 60 * 60);
        let hour = |dice: &mut Dice, index: usize| OutdoorHour {
            start: first.plus(index as i64 * 60),
            air: dice.air(),
            rain_centi_mm: dice.from(0, 50_000) as i32,
        };
        let hours = dice.many(24, 60, hour);
        let normals = dice.maybe(|dice| {
            let mut normal =
                || NormalHour { temp_centi_c: dice.air().temp_centi_c, vapour_deci_pa: dice.from(0, 200_000) as i32 };
            Normals { months: Box::new(std::array::from_fn(|_| std::array::from_fn(|_| normal()))) }
        });
        let gridpoint = dice.maybe(|dice| Gridpoint::parse(&format!("OKX/{},37", dice.from(0, 999))).unwrap());
        Region { key: key("region", index), name: name("Region", index), gridpoint, hours, normals }
    });
    let crews = dice.many(1, 3, |dice, index| {
        let head_count = dice.from(1, 50);
        let spells = if head_count > 1 { 3 } else { 0 };
        Crew {
            key: key("crew", index),
            name: name("Crew", index),
            skills: SkillSet(dice.from(0, 15) as u64),
            head_count: head_count as u32,
            zone: dice.zone(),
            calendar: dice.calendar(),
            absences: dice.many(0, 3, |dice, _| dice.span()),
            short_handed: dice.many(0, spells, |dice, _| (dice.span(), dice.from(1, head_count - 1) as u32)),
            home: dice.maybe(Dice::location),
        }
    });
    let houses = dice.many(1, 4, |dice, index| house(dice, now, index, regions.len()));
    let equipment = dice.many(1, 3, |dice, index| {
        let units = dice.from(0, 1_000);
        let outages = if units > 0 { 3 } else { 0 };
        Equipment {
            key: key("gear", index),
            name: name("Gear", index),
            units: units as u32,
            moves_with_crew: dice.yes(),
            outages: dice.many(0, outages, |dice, _| (dice.span(), dice.from(1, units) as u32)),
        }
    });
    let mut situation = Situation {
        now,
        settings: settings(dice),
        skills: (0..4).map(|index| name("skill", index)).collect(),
        regions,
        houses,
        crews,
        equipment,
        jobs: Vec::new(),
        known_ways: Default::default(),
        published: Vec::new(),
    };
    if situation.houses.len() > 1 {
        situation.known_ways.insert((HouseIx(0), HouseIx(1)), dice.from(0, 2_880));
    }
    situation.jobs = dice.many(0, 4, |dice, index| job(dice, index, &situation));
    let promised = placements(dice, &situation, |step| step.fixed().is_none(), false);
    situation.published = promised;
    situation
}

fn settings(dice: &mut Dice) -> Settings {
    let mut points = || dice.from(0, 100_000);
    let cost = CostWeights {
        unplaced_step: points(),
        late_minute: points(),
        finish_minute: points(),
        moved_step: points(),
        moved_minute: points(),
        changed_crew: points(),
        travel_minute: points(),
        overtime_minute: points(),
        hand_over: points(),
    };
    Settings {
        zone: dice.zone(),
        freeze_minutes: dice.from(0, 10_000),
        horizon_days: dice.from(1, 400),
        travel: TravelModel {
            fixed_minutes: dice.from(0, 60),
            speed_kmh: dice.from(1, 200) as u32,
            detour_percent: dice.from(100, 1_000) as u32,
        },
        cost,
    }
}

fn house(dice: &mut Dice, now: Minute, index: usize, regions: usize) -> House {
    let air = match dice.from(0, 2) {
        0 => HouseAir::Controlled(dice.air()),
        1 => HouseAir::Closed,
        _ => HouseAir::Open { heated_to_centi_c: dice.maybe(|dice| dice.from(-6_000, 6_000) as i32) },
    };
    House {
        key: key("house", index),
        name: name("House", index),
        address: dice.maybe(|_| name("Street", index)),
        zone: dice.zone(),
        location: dice.maybe(Dice::location),
        access: dice.calendar(),
        closures: dice.many(0, 2, |dice, _| dice.span()),
        areas: dice.many(1, 3, |dice, index| Area {
            name: name("Area", index),
            area_sqft: dice.from(1, 200_000) as u32,
            species: dice.maybe(|_| name("Oak", index)),
        }),
        air,
        region: dice.maybe(|dice| RegionIx::from_index(dice.index(regions))),
        air_readings: dice.readings(now),
    }
}

fn job(dice: &mut Dice, index: usize, situation: &Situation) -> Job {
    let house = HouseIx::from_index(dice.index(situation.houses.len()));
    let areas = situation.houses[house.index()].areas.len();
    let count = dice.from(1, 5) as usize;
    let mut steps: Vec<Step> = (0..count).map(|index| step(dice, index, areas, situation)).collect();
    let mut waits = Vec::new();
    for to in 1..count {
        let lapse = dice.yes().then_some(steps.len());
        if lapse.is_some() {
            let extra = step(dice, steps.len(), areas, situation);
            steps.push(Step { only_on_lapse: true, attempts: Vec::new(), ..extra });
        }
        waits.push(wait(dice, to, lapse, &mut steps));
    }
    Job {
        key: key("job", index),
        name: name("Job", index),
        house,
        release: dice.instant(),
        due: dice.maybe(Dice::instant),
        weight: dice.from(0, 1_000) as u32,
        chain: Chain::new(steps, waits).unwrap(),
    }
}

fn wait(dice: &mut Dice, to: usize, lapse: Option<usize>, steps: &mut [Step]) -> Wait {
    let (from, to) = (StepIx::from_index(to - 1), StepIx::from_index(to));
    let min_minutes = dice.from(0, 2_000);
    let minutes = min_minutes + dice.from(0, 5_000);
    let max = match lapse {
        Some(extra) => Some(WaitMax { minutes, on_exceed: OnExceed::Lapse(StepIx::from_index(extra)) }),
        None => dice.maybe(|_| WaitMax { minutes, on_exceed: OnExceed::Forbid }),
    };
    let dwell = lapse.is_none() && max.is_some() && dice.yes();
    if dwell {
        for step in [from, to] {
            let step = &mut steps[step.index()];
            (step.dividable, step.recheck_after_minutes) = (false, None);
            step.attempts.retain(|attempt| !matches!(attempt.outcome, Outcome::Failed | Outcome::Paused { .. }));
        }
        // The floor had dried, and was wetted again.
        let first = &mut steps[from.index()].attempts;
        if let Some(again) = first.first().copied().filter(|_| first.len() == 1 && dice.yes()) {
            let (start, finish) = (again.start.plus(-90), again.start.plus(-30));
            first.insert(0, Attempt { start, finish, outcome: Outcome::Done, ..again });
        }
        return Wait {
            from,
            to,
            kind: WaitKind::Dwell,
            min_minutes,
            film: None,
            overnight: false,
            max,
            keep_off: false,
        };
    }
    const FILMS: [Film; 4] = [Film::Treatment, Film::Waterborne, Film::OilModified, Film::MoistureCure];
    let film = dice.maybe(|dice| FILMS[dice.index(FILMS.len())]);
    Wait { from, to, kind: WaitKind::Lag, min_minutes, film, overnight: dice.yes(), max, keep_off: dice.yes() }
}

fn step(dice: &mut Dice, index: usize, areas: usize, situation: &Situation) -> Step {
    const KINDS: [StepKind; 14] = [
        StepKind::SetUp,
        StepKind::Sand,
        StepKind::Edge,
        StepKind::Vacuum,
        StepKind::WaterPop,
        StepKind::TreatA,
        StepKind::TreatB,
        StepKind::Check,
        StepKind::Stain,
        StepKind::Seal,
        StepKind::Abrade,
        StepKind::Coat,
        StepKind::WalkThrough,
        StepKind::Other,
    ];
    let first = dice.index(areas);
    let recheck_after_minutes = dice.maybe(|dice| dice.from(0, 2_000));
    let gate = dice.maybe(Dice::gate);
    let people_max = dice.from(1, 50) as u32;
    let minutes = dice.from(1, 120_000);
    let work = match dice.from(0, 2) {
        0 => Work::Shared { person_minutes: minutes, people_max },
        1 => Work::Fixed { minutes },
        _ => Work::ByApplicators { one_minutes: minutes, two_minutes: dice.from(1, 120_000) },
    };
    let dividable = gate.is_none() && dice.yes();
    Step {
        key: key("step", index),
        name: name("Step", index),
        kind: KINDS[dice.index(KINDS.len())],
        areas: (first..areas).map(AreaIx::from_index).collect(),
        skills: SkillSet(dice.from(0, 15) as u64),
        head_count_min: dice.from(1, 50) as u32,
        work,
        set_up_minutes: dice.from(0, 100),
        dividable,
        equipment: (0..situation.equipment.len())
            .filter(|_| dice.yes())
            .map(|kind| (EquipmentIx::from_index(kind), 1 + kind as u32))
            .collect(),
        gate,
        recheck_after_minutes,
        only_on_lapse: false,
        attempts: attempts(dice, situation, recheck_after_minutes.is_some(), dividable),
        pin: Pin {
            crew: dice.maybe(|dice| CrewIx::from_index(dice.index(situation.crews.len()))),
            start: dice.maybe(Dice::instant),
            not_before: dice.maybe(Dice::instant),
            day: dice.maybe(|dice| crate::domain::zone::Zone::UTC.date(dice.instant())),
        },
    }
}

fn attempts(dice: &mut Dice, situation: &Situation, may_fail: bool, dividable: bool) -> Vec<Attempt> {
    let crew = CrewIx::from_index(dice.index(situation.crews.len()));
    let now = situation.now;
    let mut attempts = Vec::new();
    if may_fail && dice.yes() {
        attempts.push(Attempt {
            crew,
            start: now.plus(-900),
            finish: now.plus(-800),
            outcome: Outcome::Failed,
            retry_not_before: dice.maybe(|dice| now.plus(dice.from(-800, 3_000))),
        });
    }
    if dividable && dice.yes() {
        let people = situation.crews[crew.index()].head_count;
        attempts.push(Attempt {
            crew,
            start: now.plus(-2_000),
            finish: now.plus(-1_900),
            outcome: Outcome::Paused { remaining_minutes: dice.from(1, 120_000), people },
            retry_not_before: None,
        });
        attempts.sort_unstable_by_key(|attempt| attempt.start);
    }
    match dice.from(0, 3) {
        0 => attempts.push(Attempt {
            crew,
            start: now.plus(-800),
            finish: now,
            outcome: Outcome::Done,
            retry_not_before: None,
        }),
        1 => attempts.push(Attempt {
            crew,
            start: now.plus(-5),
            finish: now.plus(dice.from(1, 300)),
            outcome: Outcome::Running,
            retry_not_before: None,
        }),
        _ => (),
    }
    attempts
}
