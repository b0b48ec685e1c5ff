//! All about one step, and causes in words.

use super::basis::World;
use super::picture::find;
use super::shapes::{BoardSlack, BoardStepView};
use super::{BoardFound, Service, ServiceError, earlier, waits};
use crate::domain::chain::{Step, StepKind};
use crate::domain::climate::Gate;
use crate::domain::ids::{StepIx, StepRef};
use crate::domain::plan::{Cause, Placement};
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::dto::CauseDto;
use crate::planner::slack::slack;
use crate::service::bottlenecks::path_of;
use crate::store::{Session, StoreError};

impl Service {
    /// All about one step on the board that was found: why it does not start earlier, who could do it, what it needs.
    ///
    /// # Errors
    /// `NotFound` when no open job has such a step; `CannotPlan`.
    pub async fn board_step(
        &self,
        session: &mut Session,
        found: BoardFound,
        job: &str,
        step: &str,
    ) -> Result<BoardStepView, ServiceError> {
        let basis = super::Basis::load(session, found.head.as_ref(), found.now).await?;
        let (job, step) = (job.to_owned(), step.to_owned());
        let told = tokio::task::spawn_blocking(move || {
            let world = basis.read()?;
            let found = find(&world, &job, &step).ok_or(StoreError::NotFound { what: "step" })?;
            Ok(view(&world, found))
        });
        told.await?
    }
}

fn view(world: &World, step: StepRef) -> BoardStepView {
    let job = &world.situation.jobs[step.job.index()];
    let own = job.chain.step(step.step);
    let house = &world.situation.houses[job.house.index()];
    let document = world.file.jobs[step.job.index()].steps.iter().flatten().find(|one| one.key == own.key.as_str());
    let some = own.areas.len() < house.areas.len();
    let plan = world.plan();
    let able = |crew: &&crate::domain::resources::Crew| {
        crew.skills.covers(own.skills) && crew.head_count >= own.head_count_min
    };
    BoardStepView {
        job: job.key.to_string(),
        step: own.key.to_string(),
        notes: document.and_then(|one| one.notes.clone()),
        areas: some.then(|| own.areas.iter().map(|area| house.areas[area.index()].name.to_string()).collect()),
        gear: own
            .equipment
            .iter()
            .map(|(kind, units)| format!("{units} × {}", world.situation.equipment[kind.index()].name))
            .collect(),
        able_crews: world.situation.crews.iter().filter(able).map(|crew| crew.key.to_string()).collect(),
        air: own.gate.map(|gate| air(&gate)),
        earlier: earlier::earlier(world, step),
        slack: slack(&world.situation, &plan, step)
            .map(|slack| BoardSlack { in_place: slack.in_place.0, for_date: slack.for_date.map(|latest| latest.0) }),
        job_time: path_of(&world.situation, &plan, step.job).map_or_else(Vec::new, |path| path.reasons),
    }
}

fn air(gate: &Gate) -> String {
    let degrees = |centi: i32| f64::from(centi) / 100.0;
    let mut told = format!(
        "{} to {} °C, {} to {} % humidity",
        degrees(gate.temp_min_centi_c),
        degrees(gate.temp_max_centi_c),
        degrees(gate.rh_min_centi_percent),
        degrees(gate.rh_max_centi_percent)
    );
    if gate.dew_point_margin_min_centi_c > 0 {
        told.push_str(&format!(", {} °C above the dew point", degrees(gate.dew_point_margin_min_centi_c)));
    }
    if gate.hold_after_minutes > 0 {
        told.push_str(&format!(", for {} h after it too", (gate.hold_after_minutes + 59) / 60));
    }
    told
}

/// Day and time on a wall, such as "Mon 9 Mar 07:30".
fn local(zone: Zone, at: Minute) -> String {
    let minute = zone.minute_of_day(at);
    format!("{} {:02}:{:02}", zone.date(at).format("%a %-d %b"), minute / 60, minute % 60)
}

struct Words<'a> {
    world: &'a World,
    of: StepRef,
}

impl Words<'_> {
    fn spec(&self, step: StepRef) -> &Step {
        self.world.situation.jobs[step.job.index()].chain.step(step.step)
    }

    fn zone(&self) -> Zone {
        self.world.situation.houses[self.world.situation.house_of(self.of).index()].zone
    }

    fn at(&self, at: Minute) -> String {
        local(self.zone(), at)
    }

    fn sibling(&self, step: StepIx) -> String {
        self.spec(StepRef { job: self.of.job, step }).name.to_string()
    }

    /// With its house, where that is another.
    fn other(&self, step: StepRef) -> String {
        let name = &self.spec(step).name;
        let house = self.world.situation.house_of(step);
        if house == self.world.situation.house_of(self.of) {
            return name.to_string();
        }
        format!("{name} at {}", self.world.situation.houses[house.index()].name)
    }

    fn until(&self, step: StepRef) -> String {
        let finish = self.world.placement(step).map(Placement::finish);
        finish.map_or_else(String::new, |finish| format!(" until {}", self.at(finish)))
    }

    /// When what lies before the step lets it start.
    fn ready(&self, before: StepIx) -> Option<Minute> {
        let job = &self.world.situation.jobs[self.of.job.index()];
        let placed = self.world.placement(StepRef { job: self.of.job, step: before })?;
        let wait = job.chain.waits().iter().find(|wait| wait.from == before && wait.to == self.of.step)?;
        let start = match wait.kind {
            crate::domain::chain::WaitKind::Lag => placed.finish(),
            crate::domain::chain::WaitKind::Dwell => placed.start(),
        };
        waits::ready(self.world, job.house, wait, start)
    }
}

/// What keeps a step from `start`, in a sentence.
pub(super) fn keeps(world: &World, placed: &Placement, cause: Cause, start: Minute) -> String {
    let words = Words { world, of: placed.step };
    let crew = world.situation.crews[placed.crew.index()].name.as_str();
    let house = world.situation.houses[world.situation.house_of(placed.step).index()].name.as_str();
    let job = &world.situation.jobs[placed.step.job.index()];
    match cause {
        Cause::StartPassed => "That is past".to_owned(),
        Cause::NotYet if start < job.release => format!("The job may not begin before {}", words.at(job.release)),
        Cause::NotYet => "It may not begin before its pin, or the pause after its last try, is over".to_owned(),
        Cause::Pinned => "It is pinned to another crew or time".to_owned(),
        Cause::CrewAway => format!("{crew} does not work all that time"),
        Cause::CrewUnable => format!("{crew} has not the people for it then"),
        Cause::HouseClosed => format!("{house} is not open all that time"),
        Cause::Weather => format!("The air at {house} is too cold, too damp or too near the dew point then"),
        Cause::EquipmentShort => "Its gear is out of use then".to_owned(),
        Cause::WaitsFor(before) => {
            let ready = words.ready(before).map_or_else(String::new, |ready| format!(": ready {}", words.at(ready)));
            format!("It waits for {}{ready}", words.sibling(before))
        }
        Cause::TooLateAfter(before) => format!("It would come too late after {}", words.sibling(before)),
        Cause::CrewBusyWith(other) => format!("{crew} is at {}{}", words.other(other), words.until(other)),
        Cause::AreaTakenBy(other) => match wet_kind(words.spec(other).kind) {
            true => format!("The floor is taken or still wet: {}", words.other(other)),
            false => format!("The floor is taken by {}{}", words.other(other), words.until(other)),
        },
        Cause::GearTakenBy(other) => format!("Its gear is with {}{}", words.other(other), words.until(other)),
    }
}

/// Work that leaves a wet floor.
const fn wet_kind(kind: StepKind) -> bool {
    match kind {
        StepKind::WaterPop
        | StepKind::TreatA
        | StepKind::TreatB
        | StepKind::Stain
        | StepKind::Seal
        | StepKind::Coat => true,
        StepKind::SetUp
        | StepKind::Sand
        | StepKind::Edge
        | StepKind::Vacuum
        | StepKind::Check
        | StepKind::Abrade
        | StepKind::WalkThrough
        | StepKind::Other => false,
    }
}

/// Why a promised step had to move, as the plan says.
pub(super) fn moved(world: &World, step: StepRef, cause: &CauseDto) -> String {
    let words = Words { world, of: step };
    let jobs = &world.situation.jobs;
    let own = |key: &str| {
        let found = jobs[step.job.index()].chain.find(key);
        found.map_or_else(|| key.to_owned(), |found| words.sibling(found))
    };
    let other = |other: &crate::dto::StepRefDto| {
        find(world, &other.job, &other.step).map_or_else(|| other.step.clone(), |found| words.other(found))
    };
    match cause {
        CauseDto::StartPassed => "its start passed and it was not begun".to_owned(),
        CauseDto::NotYet => "it may not begin so early any more".to_owned(),
        CauseDto::Pinned => "it is pinned".to_owned(),
        CauseDto::CrewAway => "the crew does not work then".to_owned(),
        CauseDto::CrewUnable => "the crew has not the people or skills".to_owned(),
        CauseDto::HouseClosed => "the house is closed then".to_owned(),
        CauseDto::Weather => "the air is not fit then".to_owned(),
        CauseDto::EquipmentShort => "its gear is out of use".to_owned(),
        CauseDto::WaitsFor(before) => format!("it waits for {}", own(before)),
        CauseDto::TooLateAfter(before) => format!("it would come too late after {}", own(before)),
        CauseDto::CrewBusyWith(by) => format!("the crew is at {}", other(by)),
        CauseDto::AreaTakenBy(by) => format!("the floor is taken by {}", other(by)),
        CauseDto::GearTakenBy(by) => format!("its gear is with {}", other(by)),
    }
}
