//! Why steps moved, as a dispatcher reads it, held word by word: a small company in which everything that can go wrong
//! goes wrong once, each time from the same published week.
//!
//! `TACKFREE_BLESS=1 cargo nextest run golden_difference::` writes the file again; read what changed.

use crate::common::world::*;
use std::collections::BTreeSet;
use tackfree::audit::audit;
use tackfree::difference::{CostBefore, Root, change_text, difference, line_text};
use tackfree::domain::chain::{Attempt, Chain, Outcome, Pin, Step, Wait, Work};
use tackfree::domain::climate::{Gate, HouseAir};
use tackfree::domain::ids::{CrewIx, EquipmentIx, HouseIx, RegionIx, SkillSet};
use tackfree::domain::plan::Plan;
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;
use tackfree::planner::{Request, plan as planned};

fn mon(clock_text: &str) -> Minute {
    at(new_york(), "2026-03-02 00:00").plus(i64::from(clock(clock_text)))
}

fn tue(clock_text: &str) -> Minute {
    mon(clock_text).plus(1440)
}

fn named(key_text: &str, name_text: &str, minutes: i64) -> Step {
    Step { name: name(name_text), ..step(key_text, minutes) }
}

/// Linden Street 4 is sanded on Monday by Crew North, read and coated on Tuesday; Elm 9 is coated by Crew North after.
fn week() -> Situation {
    let mut week = situation(mon("6:00"));
    week.settings.freeze_minutes = 0;
    week.skills = vec![name("sand"), name("coat")];
    week.houses[0].name = name("Linden Street 4");
    week.houses[1].name = name("Elm 9");
    week.crews[0].name = name("Crew North");
    week.crews[1].name = name("Crew South");
    week.crews[0].skills = SkillSet::default().with(1);
    let coat = |key_text: &str, name_text: &str, minutes: i64| Step {
        skills: SkillSet::default().with(1),
        ..named(key_text, name_text, minutes)
    };
    let readings = Step { recheck_after_minutes: Some(60), ..named("readings", "Readings", 60) };
    let sand = Step { equipment: vec![(EquipmentIx(0), 1)], ..named("sand", "Sand", 180) };
    let linden = vec![sand, readings, coat("seal", "Seal", 120)];
    let overnight = Wait { overnight: true, ..lag(0, 1, 60) };
    week.jobs = vec![
        job("linden", 0, linden, vec![overnight, lag(1, 2, 0)]),
        job("elm", 1, vec![coat("coat-1", "Coat 1", 180)], vec![]),
    ];
    week.published = vec![
        place_pieces((0, 0), 0, &[(mon("8:00"), mon("11:00"))]),
        place_pieces((0, 1), 0, &[(tue("8:00"), tue("9:00"))]),
        place_pieces((0, 2), 0, &[(tue("9:00"), tue("11:00"))]),
        place_pieces((1, 0), 0, &[(tue("13:00"), tue("16:00"))]),
    ];
    week.published[0] = with_units(week.published[0].clone(), &[(0, 0)]);
    week
}

fn edit(world: &mut Situation, job: usize, change: impl FnOnce(&mut Vec<Step>)) {
    let mut steps = world.jobs[job].chain.steps().to_vec();
    let waits = world.jobs[job].chain.waits().to_vec();
    change(&mut steps);
    world.jobs[job].chain = Chain::new(steps, waits).unwrap();
}

/// The step has been tried and is no promise any more, unless it is open still.
fn tried(world: &mut Situation, job: usize, step: usize, attempt: Attempt) {
    edit(world, job, |steps| steps[step].attempts.push(attempt));
    if attempt.outcome == Outcome::Done || attempt.outcome == Outcome::Running {
        world.published.retain(|promise| promise.step != step_ref(job as u32, step as u16));
    }
}

fn sanded(world: &mut Situation) {
    tried(world, 0, 0, attempt(0, mon("8:00"), mon("11:00"), Outcome::Done));
}

/// One scene: what happened, and the plan that follows, made by a repair where none is given.
struct Book {
    text: String,
    roots: BTreeSet<String>,
}

impl Book {
    fn scene(&mut self, title: &str, world: &Situation) {
        let made = planned(world, Request::repair());
        assert!(audit(world, &made).is_clean(), "{title}: {:?}", audit(world, &made).violations);
        self.tell(title, world, &made);
    }

    fn tell(&mut self, title: &str, world: &Situation, made: &Plan) {
        let told = difference(world, made);
        self.text.push_str(&format!("{title}\n"));
        for change in &told.steps {
            self.text.push_str(&format!("  {}\n", change_text(world, change)));
            let root = format!("{:?}", change.because.root);
            self.roots.insert(root.split('(').next().unwrap().to_owned());
        }
        self.text.push('\n');
    }
}

fn checks(book: &mut Book) {
    let mut world = week();
    sanded(&mut world);
    world.now = tue("9:00");
    let failed = attempt(0, tue("8:00"), tue("9:00"), Outcome::Failed);
    tried(&mut world, 0, 1, Attempt { retry_not_before: Some(tue("14:00").plus(1440)), ..failed });
    book.scene("The readings fail, with a time from which they will pass.", &world);

    let mut world = week();
    sanded(&mut world);
    world.now = tue("9:00");
    tried(&mut world, 0, 1, failed);
    book.scene("The readings fail, and nothing more is known.", &world);

    let mut world = week();
    edit(&mut world, 0, |steps| steps[0].dividable = true);
    world.now = mon("10:00");
    let paused = Outcome::Paused { remaining_minutes: 120, people: 2 };
    tried(&mut world, 0, 0, attempt(0, mon("8:00"), mon("10:00"), paused));
    book.scene("The crew leaves the sanding.", &world);

    let mut world = week();
    world.now = tue("10:59");
    sanded(&mut world);
    tried(&mut world, 0, 1, attempt(0, tue("8:00"), tue("9:00"), Outcome::Done));
    tried(&mut world, 0, 2, attempt(0, tue("9:00"), tue("14:30"), Outcome::Running));
    book.scene("The sealing takes longer.", &world);

    let mut world = week();
    world.now = mon("8:30");
    book.scene("The sanding has not been begun.", &world);
}

fn people(book: &mut Book) {
    let mut world = week();
    world.crews[0].absences = vec![span(tue("7:00"), tue("12:00"))];
    book.scene("Crew North is away on Tuesday morning.", &world);

    let mut world = week();
    edit(&mut world, 0, |steps| steps[2].work = Work::Shared { person_minutes: 240, people_max: 2 });
    world.crews[0].short_handed = vec![(span(tue("7:00"), tue("18:00")), 1)];
    book.scene("Crew North is short of people on Tuesday.", &world);

    let mut world = week();
    world.crews[0].skills = SkillSet::default();
    world.crews[1].skills = SkillSet::default().with(1);
    book.scene("Crew North may not coat any more.", &world);

    let mut world = week();
    world.crews[0].skills = SkillSet::default();
    book.scene("Nobody may coat any more.", &world);

    let mut world = week();
    edit(&mut world, 1, |steps| steps[0].pin = Pin { start: Some(tue("8:00")), ..Pin::default() });
    book.scene("Elm 9 is pinned to Tuesday at eight.", &world);

    let mut world = week();
    edit(&mut world, 0, |steps| steps[1].pin = Pin { not_before: Some(tue("13:00")), ..Pin::default() });
    book.scene("The readings are pinned to the afternoon at the earliest.", &world);
}

fn places(book: &mut Book) {
    let mut world = week();
    world.houses[0].closures = vec![span(tue("8:00"), tue("10:00"))];
    book.scene("Linden Street 4 is closed for two hours.", &world);

    let mut world = week();
    world.equipment[0].outages = vec![(span(mon("7:00"), mon("12:00")), 1)];
    book.scene("The drum sander is broken until noon.", &world);

    let mut world = week();
    world.jobs[1].release = tue("14:00");
    book.scene("Elm 9 may begin later only.", &world);

    let mut world = week();
    world.regions =
        vec![weather(mon("0:00").plus(-1440), 96, |hour| (2_000, if hour < 24 + 40 { 9_500 } else { 5_000 }))];
    for house in &mut world.houses {
        (house.region, house.air) = (Some(RegionIx(0)), HouseAir::Open { heated_to_centi_c: None });
    }
    let gate = Gate {
        temp_min_centi_c: 1_000,
        temp_max_centi_c: 3_000,
        rh_min_centi_percent: 2_000,
        rh_max_centi_percent: 8_000,
        dew_point_margin_min_centi_c: 0,
        hold_after_minutes: 0,
    };
    edit(&mut world, 1, |steps| steps[0].gate = Some(gate));
    book.scene("It gets damp.", &world);

    let mut world = week();
    let steps = world.jobs[0].chain.steps().to_vec();
    let overnight = Wait { overnight: true, ..lag(0, 1, 60) };
    world.jobs[0].chain = Chain::new(steps, vec![overnight, lag(1, 2, 90)]).unwrap();
    book.scene("The wait after the readings is longer.", &world);
}

fn plans(book: &mut Book) {
    let mut world = week();
    let urgent = Step { pin: Pin { start: Some(tue("13:00")), ..Pin::default() }, ..named("repair", "Repair", 120) };
    world.jobs.push(job("urgent", 1, vec![Step { skills: SkillSet::default().with(1), ..urgent }], vec![]));
    book.scene("A repair at Elm 9 comes in.", &world);

    let mut world = week();
    let waits = world.jobs[0].chain.waits().to_vec();
    let mut steps = world.jobs[0].chain.steps().to_vec();
    steps.push(Step { only_on_lapse: true, ..named("abrade", "Abrade", 60) });
    let wait = Wait { max: lapses(1_440, 3), ..waits[1] };
    world.jobs[0].chain = Chain::new(steps, vec![waits[0], wait]).unwrap();
    world.published.insert(3, place_pieces((0, 3), 1, &[(tue("9:00"), tue("10:00"))]));
    world.published[2] = place_pieces((0, 2), 0, &[(tue("10:00"), tue("12:00"))]);
    book.scene("The abrading is not needed.", &world);

    let world = week();
    let mut earlier = world.published.clone();
    earlier[3] = place_pieces((1, 0), 0, &[(mon("13:00"), mon("16:00"))]);
    book.tell("A plan that finishes Elm 9 earlier.", &world, &plan(&world, earlier));

    let mut swapped = world.published.clone();
    swapped[2] = place_pieces((0, 2), 0, &[(tue("14:00"), tue("16:00"))]);
    swapped[3] = place_pieces((1, 0), 0, &[(tue("9:30"), tue("12:00"))]);
    book.tell("A plan in which two steps change places.", &world, &plan(&world, swapped));

    let mut world = week();
    edit(&mut world, 0, |steps| steps[2].work = Work::Fixed { minutes: 180 });
    let mut later = world.published.clone();
    later[2] = place_pieces((0, 2), 0, &[(tue("9:00"), tue("12:00"))]);
    later[3] = place_pieces((1, 0), 0, &[(tue("14:00"), tue("17:00"))]);
    book.tell("The sealing got longer in the method.", &world, &plan(&world, later));

    let mut world = week();
    world.known_ways.insert((HouseIx(0), HouseIx(1)), 180);
    let mut later = world.published.clone();
    later[3] = place_pieces((1, 0), 0, &[(tue("14:00"), tue("17:00"))]);
    book.tell("The way between the two houses takes longer.", &world, &plan(&world, later));
}

/// Compares with the file, or writes it when asked to.
fn assert_reads_as(text: &str) {
    let path = format!("{}/tests/golden/difference.txt", env!("CARGO_MANIFEST_DIR"));
    if std::env::var_os("TACKFREE_BLESS").is_some() {
        std::fs::write(&path, text).unwrap();
    }
    let golden = std::fs::read_to_string(&path).unwrap();
    for (number, (told, line)) in text.lines().zip(golden.lines()).enumerate() {
        assert_eq!(told, line, "tests/golden/difference.txt, line {}", number + 1);
    }
    assert_eq!(text.lines().count(), golden.lines().count(), "tests/golden/difference.txt has as many lines");
}

/// Every kind of root, so that none is without words that somebody has read.
fn all_roots() -> BTreeSet<String> {
    let kinds = [
        "FailedCheck",
        "Paused",
        "Happened",
        "Released",
        "NotBefore",
        "Pinned",
        "StartPassed",
        "CrewAway",
        "CrewUnable",
        "HouseClosed",
        "Weather",
        "EquipmentShort",
        "NotReady",
        "NewStep",
        "Stays",
        "LeftOut",
        "NotNeeded",
        "ByChoice",
        "GaveWay",
    ];
    let last = |root: Root| match root {
        // A new kind of root does not compile until it stands in the list above.
        Root::FailedCheck(_) | Root::Paused(_) | Root::Happened(_) | Root::Released(_) | Root::NotBefore(_) => {}
        Root::Pinned(_) | Root::StartPassed(_) | Root::CrewAway(..) | Root::CrewUnable(..) => {}
        Root::HouseClosed(..) | Root::Weather(_) | Root::EquipmentShort(..) | Root::NotReady(_) => {}
        Root::NewStep(_) | Root::Stays(_) | Root::LeftOut(_) | Root::NotNeeded(_) => {}
        Root::ByChoice(_) | Root::GaveWay(..) => {}
    };
    last(Root::NewStep(step_ref(0, 0)));
    kinds.into_iter().map(str::to_owned).collect()
}

#[test]
fn every_root_once_in_words() {
    let mut book = Book { text: String::new(), roots: BTreeSet::new() };
    checks(&mut book);
    people(&mut book);
    places(&mut book);
    plans(&mut book);
    assert_reads_as(&book.text);
    let missing: Vec<String> = all_roots().difference(&book.roots).cloned().collect();
    assert!(missing.is_empty(), "no scene for {missing:?}");
}

/// What else a difference tells, on the failed readings.
#[test]
fn crews_jobs_customers_and_cost_are_told() {
    let mut world = week();
    sanded(&mut world);
    world.jobs[0].due = Some(tue("12:00"));
    world.now = tue("9:00");
    let failed = attempt(0, tue("8:00"), tue("9:00"), Outcome::Failed);
    tried(&mut world, 0, 1, Attempt { retry_not_before: Some(tue("13:00")), ..failed });
    let made = planned(&world, Request::repair());
    let told = difference(&world, &made);
    let linden = told.jobs.iter().find(|job| job.job.0 == 0).unwrap();
    assert_eq!(linden.finish_before, Some(tue("11:00")));
    assert_eq!(linden.late_before_minutes, 0);
    assert_eq!(linden.late_after_minutes, linden.finish_after.unwrap().since(tue("12:00")));
    assert!(linden.late_after_minutes > 0);
    let news = told.customers.iter().find(|news| news.house.0 == 0).unwrap();
    assert!(news.finish_moves);
    assert_eq!(news.visits, [step_ref(0, 1), step_ref(0, 2)]);
    let day = told.crew_days.iter().find(|day| day.crew == CrewIx(0)).unwrap();
    let before: Vec<String> = day.before.iter().map(|line| line_text(&world, day.crew, line)).collect();
    assert_eq!(
        before,
        [
            "08:00 to 09:00  Readings at Linden Street 4",
            "09:00 to 11:00  Seal at Linden Street 4",
            "13:00 to 16:00  Coat 1 at Elm 9"
        ]
    );
    let CostBefore::NotKept(why) = told.cost.before else { panic!("what failed cannot be kept") };
    assert!(why.contains("Readings"), "{why}");
    assert_eq!(told.cost.after, made.cost);
}
