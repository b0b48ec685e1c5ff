//! The two steps of a treatment that is rolled in sections: from how they are rolled to the minutes they are booked for,
//! by the section plan of their areas. The areas are worked in the order in which the steps name them, or else in the
//! house's own: the farthest from the door first.

use super::chain::Source;
use super::fault::{At, Faults, shown};
use super::house::HouseDto;
use super::job::JobDto;
use super::section_plan::RolledTreatment;
use super::sites::Site;
use super::step::StepDto;
use super::wait::{WaitDto, WaitKindDto};
use super::work::RollingDto;
use crate::domain::chain::{Step, Wait, WaitKind, Work};
use crate::domain::fault::Fault;
use crate::domain::ids::AreaIx;
use crate::trade::sections::{Applicators, Booking, Refusal, Room, Treatment, Window, booking, plan};

/// Gives every step that is rolled its minutes.
pub(super) fn settle(
    source: &Source<'_>,
    patches: &[Option<usize>],
    (steps, waits): (&mut [Step], &[Wait]),
    site: &Site,
    faults: &mut Faults,
) -> Option<()> {
    let written = |index: usize| source.with_step(index, patches[index], |step, _| step.clone());
    let mut good = Some(());
    let rolled = |index: usize| source.with_step(index, patches[index], |step, _| step.rolling);
    for index in (0..steps.len()).filter(|index| rolled(*index).is_some()) {
        let Some((first, second, wait)) = pair(waits, index).filter(|(a, b, _)| {
            let other = if *a == index { *b } else { *a };
            rolled(other).is_some()
        }) else {
            source.with_step(index, patches[index], |step, at| alone(step, at, faults));
            good = None;
            continue;
        };
        // Told once, at the first; what is wrong with the wait itself is the chain's matter.
        let Some(window) = window(wait).filter(|_| first == index) else { continue };
        let (a, b) = (written(first), written(second));
        let unlike = source.with_step(second, patches[second], |_, at| {
            unlike(&a, &b, (&steps[first].areas, &steps[second].areas), at, faults)
        });
        if unlike {
            good = None;
            continue;
        }
        let settled = source.with_step(first, patches[first], |step, at| {
            let rooms = rooms(step, site);
            let rolling_at = at.field("rolling");
            let treatment = treatment(rooms, (step.rolling?, b.rolling?), window, faults)?;
            faults.take(&rolling_at, both(&treatment).map_err(|refusal| refusal.fault()))
        });
        let Some((one, two)) = settled else {
            good = None;
            continue;
        };
        book(steps, (first, second), one, two);
    }
    good
}

/// The two steps joined by the one dwell of a step.
fn pair(waits: &[Wait], index: usize) -> Option<(usize, usize, &Wait)> {
    let mut own = waits
        .iter()
        .filter(|wait| wait.kind == WaitKind::Dwell && (wait.from.index() == index || wait.to.index() == index));
    let wait = own.next()?;
    own.next().is_none().then_some((wait.from.index(), wait.to.index(), wait))
}

fn window(wait: &Wait) -> Option<Window> {
    let max = wait.max.filter(|max| max.minutes >= wait.min_minutes && wait.min_minutes >= 0)?;
    Some(Window { min_seconds: wait.min_minutes * 60, max_seconds: max.minutes.checked_mul(60)? })
}

fn alone(step: &StepDto, at: &At, faults: &mut Faults) {
    let what =
        format!("step {} is rolled in sections, but no dwell joins it to one other step that is", shown(&step.key));
    let cure =
        "give `rolling` to both steps of a dwell, which stands alone; otherwise say how much work in another way";
    faults.push(&at.field("rolling"), Fault::new("rolling-alone", what, cure));
}

/// Whether the second part is not rolled over the same floor right after the first.
fn unlike(a: &StepDto, b: &StepDto, areas: (&[AreaIx], &[AreaIx]), at: &At, faults: &mut Faults) -> bool {
    let (a_key, b_key) = (shown(&a.key), shown(&b.key));
    let other_areas = areas.0 != areas.1;
    if other_areas {
        let what = format!("steps {a_key} and {b_key} roll two parts over different areas");
        faults
            .push(&at.field("areas"), Fault::new("rolling-areas", what, "name the same areas in both, or in neither"));
    }
    let set_up = b.set_up_minutes != 0;
    if set_up {
        let what = format!("step {b_key} would be set up while its floor dwells");
        let cure = format!("set up in step {a_key}: its `set_up_minutes` come before the first section");
        faults.push(&at.field("set_up_minutes"), Fault::new("rolling-set-up", what, cure));
    }
    other_areas || set_up
}

/// The rooms of a step in working order.
fn rooms(step: &StepDto, site: &Site) -> Vec<Room> {
    let known = site.areas();
    let named = step.areas.iter().flatten().filter_map(|area| known.find(area.trim()));
    let order: Vec<usize> = if step.areas.is_some() { named.collect() } else { (0..site.all().len()).collect() };
    let room = |area: usize| Room {
        name: known.keys().get(area).cloned().unwrap_or_default(),
        sqft: site.sqft(&[AreaIx::from_index(area)]),
    };
    order.into_iter().map(room).collect()
}

/// What is rolled, for one; `None` when the rates are wrong, which is told where the steps are read.
fn treatment(
    rooms: Vec<Room>,
    (a, b): (RollingDto, RollingDto),
    window: Window,
    faults: &mut Faults,
) -> Option<Treatment> {
    let (a, b) = (a.to_trade(&At::Root, faults)?, b.to_trade(&At::Root, faults)?);
    Some(Treatment { rooms, a, b, window, applicators: Applicators::One, set_up_seconds: 0 })
}

/// What to book for one, if one can do it, and for two.
fn both(treatment: &Treatment) -> Result<(Option<Booking>, Booking), Refusal> {
    let of = |applicators: Applicators| {
        plan(&Treatment { applicators, ..treatment.clone() }).map(|plan| booking(&plan, treatment.window))
    };
    Ok((of(Applicators::One).ok(), of(Applicators::Two)?))
}

/// Set-up comes before the first section, and lengthens what the second step is part of.
fn book(steps: &mut [Step], (first, second): (usize, usize), one: Option<Booking>, two: Booking) {
    let set_up = steps[first].set_up_minutes;
    let alone = one.unwrap_or(two);
    steps[first].work = Work::ByApplicators { one_minutes: alone.a_minutes, two_minutes: two.a_minutes };
    steps[second].work =
        Work::ByApplicators { one_minutes: set_up + alone.b_minutes, two_minutes: set_up + two.b_minutes };
    if one.is_none() {
        for step in [first, second] {
            steps[step].head_count_min = steps[step].head_count_min.max(2);
        }
    }
}

/// The treatments of a job with a chain of its own. Chains that are stored have been judged, so what does not fit
/// together is no treatment.
pub(super) fn of_job(job: &JobDto, house: &HouseDto) -> Vec<RolledTreatment> {
    let (steps, site) = (job.steps.as_deref().unwrap_or(&[]), Site::of(house));
    let step = |key: &str| steps.iter().find(|step| step.key == key);
    let dwells = job.waits.iter().flatten().filter(|wait| wait.kind == WaitKindDto::Dwell);
    let treatment = |wait: &WaitDto| {
        let (a, b, max) = (step(&wait.from)?, step(&wait.to)?, wait.max.as_ref()?);
        let window = Window { min_seconds: wait.min_minutes * 60, max_seconds: max.minutes * 60 };
        let treatment = treatment(rooms(a, &site), (a.rolling?, b.rolling?), window, &mut Faults::default())?;
        Some(RolledTreatment {
            a: a.key.clone(),
            b: b.key.clone(),
            head_count_min: a.head_count_min.max(b.head_count_min),
            treatment: Treatment { set_up_seconds: a.set_up_minutes * 60, ..treatment },
        })
    };
    let mut found: Vec<RolledTreatment> = dwells.filter_map(treatment).collect();
    let place = |rolled: &RolledTreatment| steps.iter().position(|step| step.key == rolled.a);
    found.sort_by_key(place);
    found
}
