//! Random chains of steps and waits, cut to a number of steps, in the order in which a floor is worked.

use super::super::world::{key, name};
use super::{CHECK, COAT, Draw, SAND, TREAT};
use tackfree::domain::chain::{Chain, OnExceed, Pin, Step, StepKind, Wait, WaitKind, WaitMax, Work};
use tackfree::domain::climate::{Film, Gate};
use tackfree::domain::ids::{AreaIx, EquipmentIx, SkillSet, StepIx};
use tackfree::trade::sections::{Applicators, EvenOut, PartWork, Room, Treatment, Window, booking, plan};

const DRUM: (EquipmentIx, u32) = (EquipmentIx(0), 1);
const EDGER: (EquipmentIx, u32) = (EquipmentIx(1), 1);
const METER: (EquipmentIx, u32) = (EquipmentIx(2), 1);

/// What a chain is put together from, and how many steps each takes.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Block {
    SetUp,
    Sand,
    Edge,
    Vacuum,
    TwoPart,
    Check,
    Stain,
    Seal,
    Coat,
    LapsingCoat,
    WalkThrough,
}

impl Block {
    const fn steps(self) -> usize {
        match self {
            Block::TwoPart | Block::LapsingCoat => 2,
            Block::SetUp
            | Block::Sand
            | Block::Edge
            | Block::Vacuum
            | Block::Check
            | Block::Stain
            | Block::Seal
            | Block::Coat
            | Block::WalkThrough => 1,
        }
    }
}

/// A whole floor: 16 steps.
const FULL: [Block; 13] = [
    Block::SetUp,
    Block::Sand,
    Block::Edge,
    Block::Vacuum,
    Block::TwoPart,
    Block::Check,
    Block::TwoPart,
    Block::Check,
    Block::Seal,
    Block::LapsingCoat,
    Block::LapsingCoat,
    Block::WalkThrough,
    // Never reached with 16 steps; short chains draw from it.
    Block::Stain,
];

/// A chain under construction.
struct Floor<'d> {
    draw: &'d mut Draw,
    areas: usize,
    has_gear: bool,
    steps: Vec<Step>,
    waits: Vec<Wait>,
    /// What the next step follows.
    ends: Vec<StepIx>,
    /// How it follows: `from` and `to` are filled in.
    wait: Wait,
}

/// A chain of 1 to `budget` steps in a house with that many areas.
pub fn chain(draw: &mut Draw, areas: usize, has_gear: bool, budget: usize) -> Chain {
    let mut blocks: Vec<Block> = FULL[..12].to_vec();
    if budget < 16 {
        // A part of the floor, in order, with a place for colour and for a coat that must not come late.
        blocks.splice(8..8, [Block::Stain]);
        blocks.splice(10..10, [Block::Coat]);
    }
    let mut total: usize = blocks.iter().map(|block| block.steps()).sum();
    while total > budget.max(1) && blocks.len() > 1 {
        total -= blocks.remove(draw.below(blocks.len())).steps();
    }
    if total > budget.max(1) {
        blocks = vec![Block::Sand];
    }
    let wait = plain(0);
    let mut floor = Floor { draw, areas, has_gear, steps: Vec::new(), waits: Vec::new(), ends: Vec::new(), wait };
    for pair in 0..blocks.len() {
        floor.add(blocks[pair], blocks.get(pair + 1).copied());
    }
    Chain::new(floor.steps, floor.waits).unwrap()
}

fn plain(min_minutes: i64) -> Wait {
    Wait {
        from: StepIx(0),
        to: StepIx(0),
        kind: WaitKind::Lag,
        min_minutes,
        film: None,
        overnight: false,
        max: None,
        keep_off: false,
    }
}

impl Floor<'_> {
    fn add(&mut self, block: Block, next: Option<Block>) {
        match block {
            Block::SetUp => self.single(StepKind::SetUp, None, (20, 90)),
            Block::Sand if next == Some(Block::Edge) && self.draw.chance(50) => self.sand_beside_edge(),
            Block::Sand => self.sand(),
            Block::Edge if self.steps.last().is_some_and(|last| last.kind == StepKind::Edge) => {}
            Block::Edge => self.edge(),
            Block::Vacuum => self.single(StepKind::Vacuum, None, (15, 60)),
            Block::TwoPart => self.two_part(),
            Block::Check => self.check(),
            Block::Stain => self.film_step(StepKind::Stain, Film::OilModified, (480, 960)),
            Block::Seal => self.film_step(StepKind::Seal, Film::Waterborne, (90, 240)),
            Block::Coat => {
                let max = WaitMax { minutes: self.wait.min_minutes * 4 + 2_880, on_exceed: OnExceed::Forbid };
                self.wait.max = Some(max);
                self.film_step(StepKind::Coat, Film::Waterborne, (120, 300));
            }
            Block::LapsingCoat => self.lapsing_coat(),
            Block::WalkThrough => {
                self.wait.min_minutes += self.draw.between(0, 1_440);
                self.single(StepKind::WalkThrough, None, (15, 45));
            }
        }
    }

    fn step(&mut self, kind: StepKind, skill: Option<usize>, minutes: (i64, i64)) -> Step {
        let text = format!("{kind:?}-{}", self.steps.len());
        let minutes = self.draw.between(minutes.0, minutes.1);
        let work = if self.draw.chance(50) {
            Work::Fixed { minutes }
        } else {
            Work::Shared { person_minutes: 2 * minutes, people_max: self.draw.between(1, 4) as u32 }
        };
        let areas = if self.draw.chance(50) { (0..self.areas).collect() } else { self.draw.some_of(self.areas) };
        Step {
            key: key(&text),
            name: name(&text),
            kind,
            areas: areas.into_iter().map(AreaIx::from_index).collect(),
            skills: skill.map_or(SkillSet::default(), |skill| SkillSet::default().with(skill)),
            head_count_min: if self.draw.chance(15) { 2 } else { 1 },
            work,
            set_up_minutes: self.draw.pick(&[0, 0, 0, 10, 20]),
            dividable: false,
            equipment: Vec::new(),
            gate: None,
            recheck_after_minutes: None,
            only_on_lapse: false,
            attempts: Vec::new(),
            pin: Pin::default(),
        }
    }

    /// Appends a step that follows the ends by the pending wait.
    fn push(&mut self, step: Step) -> StepIx {
        let to = StepIx::from_index(self.steps.len());
        self.steps.push(step);
        self.waits.extend(self.ends.iter().map(|&from| Wait { from, to, ..self.wait }));
        self.ends = vec![to];
        self.wait = plain(0);
        to
    }

    fn single(&mut self, kind: StepKind, skill: Option<usize>, minutes: (i64, i64)) {
        let step = self.step(kind, skill, minutes);
        self.push(step);
    }

    fn gear(&self, unit: (EquipmentIx, u32)) -> Vec<(EquipmentIx, u32)> {
        if self.has_gear { vec![unit] } else { Vec::new() }
    }

    fn sand_step(&mut self) -> Step {
        let step = self.step(StepKind::Sand, Some(SAND), (60, 120));
        let work = Work::Shared { person_minutes: self.draw.between(200, 1_600), people_max: 4 };
        Step { work, dividable: self.draw.chance(80), equipment: self.gear(DRUM), ..step }
    }

    fn sand(&mut self) {
        let step = self.sand_step();
        self.push(step);
    }

    fn edge(&mut self) {
        let step = self.step(StepKind::Edge, Some(SAND), (40, 200));
        let dividable = self.draw.chance(40);
        let equipment = self.gear(EDGER);
        self.push(Step { dividable, equipment, ..step });
    }

    /// Sanding and edging at the same time, by the same or by two crews; they meet in the next step.
    fn sand_beside_edge(&mut self) {
        let (before, wait) = (self.ends.clone(), self.wait);
        self.sand();
        let sanded = self.ends[0];
        (self.ends, self.wait) = (before, wait);
        self.edge();
        self.ends.insert(0, sanded);
    }

    fn two_part(&mut self) {
        let first = self.step(StepKind::TreatA, Some(TREAT), (10, 60));
        let gate = self.draw.chance(50).then(|| limits(self.draw, 0));
        let first = Step { gate, ..first };
        let second_name = format!("TreatB-{}", self.steps.len() + 1);
        let second = Step {
            key: key(&second_name),
            name: name(&second_name),
            kind: StepKind::TreatB,
            gate: self.draw.chance(50).then(|| limits(self.draw, 60)),
            ..first.clone()
        };
        let minutes = self.draw.pick(&[15, 15, 20]);
        let (first, second) = if self.draw.chance(50) { self.rolled(first, second, minutes) } else { (first, second) };
        let from = self.push(first);
        self.ends.clear();
        let to = self.push(second);
        let max = WaitMax { minutes, on_exceed: OnExceed::Forbid };
        self.waits.push(Wait { from, to, kind: WaitKind::Dwell, max: Some(max), ..plain(10) });
        self.wait = Wait {
            film: self.draw.chance(80).then_some(Film::Treatment),
            overnight: self.draw.chance(80),
            keep_off: self.draw.chance(70),
            ..plain(self.draw.between(240, 720))
        };
    }

    /// Both parts rolled in sections; the second is not set up. One person can do it or, now and then, cannot.
    fn rolled(&mut self, mut first: Step, second: Step, dwell_max_minutes: i64) -> (Step, Step) {
        let mut part = || PartWork {
            sqft_per_minute_centi: self.draw.between(800, 2_500),
            change_over_seconds: self.draw.pick(&[0, 60, 120, 900]),
            shake_seconds: 15,
            pour_seconds: 30,
            even_out: EvenOut::Seconds(self.draw.pick(&[0, 30, 60])),
        };
        let (a, b) = (part(), part());
        let rooms = first.areas.iter().map(|area| Room { name: format!("{area:?}"), sqft: self.draw.between(60, 400) });
        let window = Window { min_seconds: 600, max_seconds: dwell_max_minutes * 60 };
        let applicators = Applicators::One;
        let treatment = Treatment { rooms: rooms.collect(), a, b, window, applicators, set_up_seconds: 0 };
        let of = |applicators| plan(&Treatment { applicators, ..treatment.clone() }).map(|plan| booking(&plan, window));
        let two = of(Applicators::Two).unwrap();
        let one = of(Applicators::One);
        let alone = *one.as_ref().unwrap_or(&two);
        if one.is_err() {
            first.head_count_min = 2;
        }
        let set_up = first.set_up_minutes;
        first.work = Work::ByApplicators { one_minutes: alone.a_minutes, two_minutes: two.a_minutes };
        let work = Work::ByApplicators { one_minutes: set_up + alone.b_minutes, two_minutes: set_up + two.b_minutes };
        let second = Step { work, set_up_minutes: 0, head_count_min: first.head_count_min, ..second };
        (first, second)
    }

    fn check(&mut self) {
        let step = self.step(StepKind::Check, Some(CHECK), (20, 60));
        let recheck_after_minutes = Some(self.draw.pick(&[240, 480, 1_440]));
        let equipment = self.gear(METER);
        self.push(Step { recheck_after_minutes, equipment, ..step });
    }

    /// A step that leaves a film to dry.
    fn film_step(&mut self, kind: StepKind, film: Film, dries: (i64, i64)) {
        let step = self.step(kind, Some(COAT), (30, 180));
        let gate = self.draw.chance(60).then(|| limits(self.draw, 120));
        self.push(Step { gate, ..step });
        let film = if self.draw.chance(10) { Film::MoistureCure } else { film };
        self.wait = Wait {
            film: self.draw.chance(85).then_some(film),
            overnight: self.draw.chance(25),
            keep_off: self.draw.chance(75),
            ..plain(self.draw.between(dries.0, dries.1))
        };
    }

    /// A coat before which the floor must be abraded when the coat before it has become too hard.
    fn lapsing_coat(&mut self) {
        let Some(&[before]) = self.ends.first_chunk::<1>().filter(|_| self.ends.len() == 1) else {
            return self.film_step(StepKind::Coat, Film::Waterborne, (120, 300));
        };
        let coat = StepIx::from_index(self.steps.len());
        let extra = StepIx::from_index(self.steps.len() + 1);
        let minutes = self.wait.min_minutes + self.draw.between(0, 2_880);
        self.wait.max = Some(WaitMax { minutes, on_exceed: OnExceed::Lapse(extra) });
        debug_assert!(before < coat);
        self.film_step(StepKind::Coat, Film::Waterborne, (120, 300));
        let abrade = self.step(StepKind::Abrade, Some(SAND), (20, 90));
        // Not through `push`: an extra step has no waits of its own.
        self.steps.push(Step { only_on_lapse: true, ..abrade });
    }
}

fn limits(draw: &mut Draw, hold_after_minutes: i64) -> Gate {
    Gate {
        temp_min_centi_c: draw.pick(&[500, 1_000, 1_300, 1_600]),
        temp_max_centi_c: draw.pick(&[2_700, 3_000, 3_500]),
        rh_min_centi_percent: draw.pick(&[0, 1_500, 2_500]),
        rh_max_centi_percent: draw.pick(&[6_500, 8_000, 9_000]),
        dew_point_margin_min_centi_c: draw.pick(&[0, 300]),
        hold_after_minutes,
    }
}
