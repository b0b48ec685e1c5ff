//! Whether the cause that a plan names for breaking a promise inside the freeze time is true, judged from the input and
//! the plan alone. A run is promised and moved as one, so what holds for one of its steps holds for the others; and a
//! promise is tried twice, as it was published and as the same start would turn out today.

use super::air::Skies;
use super::hours::{access, around, first_common, manned, manned_hours, working};
use super::keep_off::{Wet, wet};
use super::ledger::{DAY, Ledger, Stay, forbidden_after, hull_of, lapse};
use super::order::{recheck_not_before, retries};
use crate::domain::chain::{Wait, WaitKind};
use crate::domain::ids::{CrewIx, EquipmentIx, StepIx, StepRef};
use crate::domain::plan::{Cause, Placement};
use crate::domain::time::{Minute, Span};

/// How far a step that may pause is laid out again from its promised start, minutes; longer ones count as not fitting.
const LAY_OUT_MINUTES: i64 = 60 * DAY;

/// A promised step, and the time it takes.
struct Promised<'a> {
    number: usize,
    promise: &'a Placement,
    /// As published.
    was: Vec<Span>,
    /// From the same start by the same crew as things are now; empty when it does not fit in working time.
    now: Vec<Span>,
}

/// Knows who has which part of the plan, so that causes can be looked up.
pub(super) struct Judge<'l, 'a> {
    ledger: &'l Ledger<'a>,
    skies: &'l Skies,
    /// By dense number: position in the ledger's busy spans.
    busy_of: Vec<Option<usize>>,
    /// By kind: steps that hold some of it and may not be pushed away.
    anchored: Vec<Vec<usize>>,
    /// By kind: the highest unit number that was promised, plus one.
    promised_units: Vec<u32>,
    /// Whether anybody may be in the way, not only those that may not be pushed away.
    anybody: bool,
}

impl<'l, 'a> Judge<'l, 'a> {
    /// For promises inside the freeze time: only who may not be pushed away can be in the way.
    pub fn new(ledger: &'l Ledger<'a>, skies: &'l Skies) -> Judge<'l, 'a> {
        Judge::with(ledger, skies, false)
    }

    /// For any promise: whoever is there in the plan is in the way.
    pub fn of_anybody(ledger: &'l Ledger<'a>, skies: &'l Skies) -> Judge<'l, 'a> {
        Judge::with(ledger, skies, true)
    }

    fn with(ledger: &'l Ledger<'a>, skies: &'l Skies, anybody: bool) -> Judge<'l, 'a> {
        let kinds = ledger.situation.equipment.len();
        let mut busy_of = vec![None; ledger.places.len()];
        for (position, busy) in ledger.busy.iter().enumerate() {
            busy.members.iter().for_each(|&member| busy_of[member] = Some(position));
        }
        let mut anchored = vec![Vec::new(); kinds];
        let holds = |stay: &&Stay<'_>| anybody || is_fixed_or_pinned(ledger, stay) || ledger.is_frozen(stay.number);
        for stay in ledger.stays().filter(holds) {
            for &(kind, _) in &ledger.spec(stay.number).equipment {
                anchored[kind.index()].push(stay.number);
            }
        }
        let mut promised_units = vec![0; kinds];
        for unit in ledger.published.iter().flatten().flat_map(|promise| &promise.units) {
            if let Some(most) = promised_units.get_mut(unit.equipment.index()) {
                *most = unit.unit.saturating_add(1).max(*most);
            }
        }
        Judge { ledger, skies, busy_of, anchored, promised_units, anybody }
    }

    /// Whether `cause` holds for the step at `stay`, which has moved from its promise.
    pub fn is_true(&self, stay: &Stay<'_>, cause: Cause) -> bool {
        let run = self.promised_run(stay);
        let now = self.ledger.situation.now;
        match cause {
            Cause::StartPassed => run.iter().any(|member| member.promise.start() < now),
            Cause::NotYet => run.iter().any(|member| self.not_yet(member)),
            Cause::Pinned => run.iter().any(|member| self.pinned_elsewhere(member)),
            Cause::CrewAway => self.tries(&run).any(|pieces| !self.crew_works(&run, pieces)),
            Cause::CrewUnable => run.iter().any(|member| self.crew_unable(&run, member)) || self.torn_apart(stay),
            Cause::HouseClosed => self.tries(&run).any(|pieces| !self.house_open(stay, pieces)),
            Cause::Weather => run.iter().any(|member| self.gate_shut(member)),
            Cause::EquipmentShort => run.iter().any(|member| self.too_few_units(member)),
            Cause::WaitsFor(before) => run.iter().any(|member| self.waits_for(member, before)),
            Cause::TooLateAfter(before) => run.iter().any(|member| self.too_late_after(member, before)),
            Cause::CrewBusyWith(by) => self.blocker(stay, by).is_some_and(|by| self.crew_busy(&run, by)),
            Cause::AreaTakenBy(by) => self
                .blocker(stay, by)
                .is_some_and(|by| self.whole_run(by).any(|by| run.iter().any(|member| self.area_taken(member, by)))),
            Cause::GearTakenBy(by) => self
                .blocker(stay, by)
                .is_some_and(|by| self.whole_run(by).any(|by| run.iter().any(|member| self.gear_taken(member, by)))),
        }
    }

    /// The promises to the same crew in the run of `stay`, itself included, in order of start.
    fn promised_run(&self, stay: &Stay<'_>) -> Vec<Promised<'a>> {
        let ledger = self.ledger;
        let Some(own) = ledger.published[stay.number] else { return Vec::new() };
        let members: Vec<usize> = if ledger.in_run[stay.number] {
            let first = ledger.number_in(stay.step.job, StepIx(0));
            let all = first..first + ledger.chain(stay.number).steps().len();
            all.filter(|&number| ledger.run[number] == ledger.run[stay.number]).collect()
        } else {
            vec![stay.number]
        };
        let promised = members.into_iter().filter_map(|number| {
            let promise = ledger.published[number].filter(|promise| promise.crew == own.crew)?;
            Some(Promised { number, promise, was: promise.pieces.clone(), now: self.laid_out(number, promise) })
        });
        let mut run: Vec<Promised<'a>> = promised.collect();
        run.sort_by_key(|member| member.promise.start());
        run
    }

    /// A stay and the others of its run: who may not push one of them away may push none.
    fn whole_run(&self, stay: &'l Stay<'a>) -> impl Iterator<Item = &'l Stay<'a>> {
        let ledger = self.ledger;
        let first = ledger.number_in(stay.step.job, StepIx(0));
        let all = first..first + ledger.chain(stay.number).steps().len();
        let number = stay.number;
        let same = move |other: &usize| {
            *other == number || (ledger.in_run[number] && ledger.run[*other] == ledger.run[number])
        };
        all.filter(same).filter_map(move |other| ledger.stay(other))
    }

    /// The pieces of a step that keeps its promised start and crew under today's hours.
    fn laid_out(&self, number: usize, promise: &Placement) -> Vec<Span> {
        let situation = self.ledger.situation;
        let spec = self.ledger.spec(number);
        let crew = &situation.crews[promise.crew.index()];
        let minutes = spec.duration_minutes(crew.people_at(promise.start()));
        let mut left = minutes;
        if !spec.dividable {
            return Span::new(promise.start(), promise.start().plus(left)).into_iter().collect();
        }
        let window = Span::new(promise.start().plus(-DAY), promise.start().plus(LAY_OUT_MINUTES));
        let Some(window) = window else { return Vec::new() };
        let hours = manned_hours(crew, spec, &working(crew, window), minutes);
        let open = access(&situation.houses[situation.house_of(promise.step).index()], window);
        let mut pieces = Vec::new();
        let first = Span::new(promise.start(), promise.start().plus(1));
        let mut next = first
            .and_then(|minute| Some((around(&hours, minute)?, around(&open, minute)?)))
            .and_then(|(shift, open)| Span::new(promise.start(), shift.end().min(open.end())));
        while let Some(span) = next.filter(|_| left > 0) {
            pieces.extend(Span::new(span.start(), span.end().min(span.start().plus(left))));
            left -= span.minutes();
            next = first_common(&hours, &open, span.end());
        }
        if left > 0 { Vec::new() } else { pieces }
    }

    /// What a run asks of its crew, as published and as of today: one span for a run, the pieces of a single step.
    fn tries(&self, run: &[Promised<'_>]) -> impl Iterator<Item = Vec<Span>> {
        let joined = |pieces: &mut dyn Iterator<Item = &Vec<Span>>| -> Vec<Span> {
            let all: Vec<Span> = pieces.flatten().copied().collect();
            let start = all.iter().map(|span| span.start()).min();
            let end = all.iter().map(|span| span.end()).max();
            start.zip(end).and_then(|(start, end)| Span::new(start, end)).into_iter().collect()
        };
        let in_run = run.iter().any(|member| self.ledger.in_run[member.number]);
        match run {
            [single] if !in_run => [single.was.clone(), single.now.clone()],
            _ => [joined(&mut run.iter().map(|member| &member.was)), joined(&mut run.iter().map(|member| &member.now))],
        }
        .into_iter()
    }

    fn crew_works(&self, run: &[Promised<'_>], pieces: Vec<Span>) -> bool {
        let Some(first) = run.first() else { return true };
        let crew = &self.ledger.situation.crews[first.promise.crew.index()];
        let minute = Span::new(first.promise.start(), first.promise.start().plus(1));
        // A step that does not fit any more begins outside working time, or is interrupted for too long.
        let asked = if pieces.is_empty() { minute.into_iter().collect() } else { pieces };
        inside_one_each(&asked, |window| working(crew, window))
    }

    fn house_open(&self, stay: &Stay<'_>, pieces: Vec<Span>) -> bool {
        let house = &self.ledger.situation.houses[stay.house.index()];
        let promise = self.ledger.published[stay.number];
        let minute = promise.and_then(|promise| Span::new(promise.start(), promise.start().plus(1)));
        let asked = if pieces.is_empty() { minute.into_iter().collect() } else { pieces };
        inside_one_each(&asked, |window| access(house, window))
    }

    fn not_yet(&self, member: &Promised<'_>) -> bool {
        let release = self.ledger.situation.jobs[member.promise.step.job.index()].release;
        let pin = self.ledger.spec(member.number).pin.not_before;
        let recheck = recheck_not_before(self.ledger, member.number);
        let earliest = Some(release).max(pin).max(recheck);
        earliest.is_some_and(|earliest| member.promise.start() < earliest)
    }

    fn pinned_elsewhere(&self, member: &Promised<'_>) -> bool {
        let pin = &self.ledger.spec(member.number).pin;
        pin.crew.is_some_and(|crew| crew != member.promise.crew)
            || pin.start.is_some_and(|start| start != member.promise.start())
            || pin.day.is_some_and(|day| {
                let house = self.ledger.situation.house_of(member.promise.step);
                self.ledger.situation.houses[house.index()].zone.date(member.promise.start()) != day
            })
    }

    /// Skills, people or length are not what they were: at some minute of the promise the crew has not the people for it,
    /// or not those with whom it takes the promised time.
    fn crew_unable(&self, run: &[Promised<'_>], member: &Promised<'_>) -> bool {
        let spec = self.ledger.spec(member.number);
        let crew = &self.ledger.situation.crews[member.promise.crew.index()];
        let promised: i64 = member.was.iter().map(|piece| piece.minutes()).sum();
        !crew.skills.covers(spec.skills)
            || self.tries(run).flatten().any(|span| !manned(crew, spec, span, promised))
            || (member.was.len() > 1 && !spec.dividable)
    }

    /// Whether a dwell that joins the step to its neighbours does not hold between the promises, or one crew was not
    /// promised for both: the dwell is new, or its minutes changed, or its other part was done by somebody else.
    fn torn_apart(&self, stay: &Stay<'_>) -> bool {
        let ledger = self.ledger;
        let dwells = ledger.chain(stay.number).waits().iter().filter(|wait| wait.kind == WaitKind::Dwell);
        let place = |step: StepIx| {
            let number = ledger.number_in(stay.step.job, step);
            let happened = ledger.stay(number).filter(|stay| !stay.open).map(|stay| (stay.crew, stay.hull()));
            happened.or(ledger.published[number].map(|promise| (promise.crew, hull_of(&promise.pieces))))
        };
        let in_run = |wait: &&Wait| ledger.run[ledger.number_in(stay.step.job, wait.from)] == ledger.run[stay.number];
        dwells.filter(in_run).any(|wait| match (place(wait.from), place(wait.to)) {
            (Some((crew, from)), Some((other, to))) => {
                let allowed = wait.min_minutes..=forbidden_after(wait).unwrap_or(i64::MAX);
                let holds = |later: Minute, earlier: Minute| allowed.contains(&later.since(earlier));
                crew != other || !holds(to.start(), from.start()) || !holds(to.end(), from.end())
            }
            _ => false,
        })
    }

    fn gate_shut(&self, member: &Promised<'_>) -> bool {
        let Some(gate) = &self.ledger.spec(member.number).gate else { return false };
        let house = self.ledger.situation.house_of(member.promise.step);
        let shut = |pieces: &Vec<Span>| !pieces.is_empty() && self.skies.shut(house, gate, hull_of(pieces)).is_some();
        shut(&member.was) || shut(&member.now)
    }

    fn too_few_units(&self, member: &Promised<'_>) -> bool {
        let short = |&(kind, needed): &(EquipmentIx, u32)| {
            let stock = &self.ledger.situation.equipment[kind.index()];
            let tries = [&member.was, &member.now].into_iter().filter(|pieces| !pieces.is_empty());
            let left = tries.map(|pieces| stock.units_throughout(hull_of(pieces))).min().unwrap_or(stock.units);
            left < needed || left < self.promised_units[kind.index()]
        };
        self.ledger.spec(member.number).equipment.iter().any(short)
    }

    /// The named predecessor (or the extra step that comes between, or a failed check further up) is too late.
    fn waits_for(&self, member: &Promised<'_>, before: StepIx) -> bool {
        let ledger = self.ledger;
        let step = member.promise.step;
        let (start, finish) = (member.promise.start(), member.now.last().or(member.was.last()).map(|s| s.end()));
        let Some(stay) = ledger.stay(ledger.number_in(step.job, before)) else { return false };
        let late = |wait: &Wait| {
            let extra = lapse(wait).map(|(extra, _)| extra);
            let follows = wait.from == before && (wait.to == step.step || extra == Some(step.step));
            if extra == Some(before) && wait.to == step.step {
                return stay.finish() > start;
            }
            if !follows {
                return false;
            }
            match wait.kind {
                WaitKind::Lag => self.skies.ready(ledger.situation, stay, wait).is_none_or(|ready| start < ready),
                WaitKind::Dwell => {
                    let min = wait.min_minutes;
                    start < stay.start().plus(min) || finish.is_some_and(|f| f < stay.finish().plus(min))
                }
            }
        };
        let held = || {
            let retry = retries(ledger, step.job)[step.step.index()].filter(|retry| retry.check == before);
            retry.is_some_and(|retry| retry.finish.is_none_or(|finish| start < finish))
        };
        ledger.chain(member.number).waits().iter().any(late) || held()
    }

    fn too_late_after(&self, member: &Promised<'_>, before: StepIx) -> bool {
        let step = member.promise.step;
        let Some(stay) = self.ledger.stay(self.ledger.number_in(step.job, before)) else { return false };
        let mut joins = self.ledger.chain(member.number).waits().iter();
        let joins = joins.find(|wait| wait.from == before && wait.to == step.step);
        let Some((wait, max)) = joins.and_then(|wait| Some((wait, wait.max?))) else { return false };
        let start = member.promise.start();
        match wait.kind {
            WaitKind::Lag => start.since(stay.finish()) > max.minutes,
            WaitKind::Dwell => {
                let finish = member.now.last().or(member.was.last()).map_or(start, |last| last.end());
                start.since(stay.start()) > max.minutes || finish.since(stay.finish()) > max.minutes
            }
        }
    }

    /// The step that is said to be in the way, if it may be: running, pinned, or itself promised inside the freeze time.
    fn blocker(&self, stay: &Stay<'_>, by: StepRef) -> Option<&'l Stay<'a>> {
        let ledger = self.ledger;
        let by = ledger.stay(ledger.number(by)?)?;
        let other_run = ledger.run[by.number] != ledger.run[stay.number];
        let may = self.anybody || is_fixed_or_pinned(ledger, by) || ledger.is_frozen(by.number);
        (other_run && may).then_some(by)
    }

    fn crew_busy(&self, run: &[Promised<'_>], by: &Stay<'_>) -> bool {
        let Some(first) = run.first() else { return false };
        let busy = self.busy_of[by.number].map(|position| &self.ledger.busy[position]);
        let same_crew = |crew: CrewIx| crew == first.promise.crew;
        busy.filter(|busy| same_crew(busy.crew)).is_some_and(|busy| {
            let house = self.ledger.situation.house_of(first.promise.step);
            let way = self.ledger.situation.way_minutes(house, busy.house);
            self.tries(run).any(|pieces| !pieces.is_empty() && too_close(hull_of(&pieces), busy.hull, way))
        })
    }

    fn area_taken(&self, member: &Promised<'_>, by: &Stay<'_>) -> bool {
        let ledger = self.ledger;
        let areas = &ledger.spec(member.number).areas;
        let shared = ledger.spec(by.number).areas.iter().any(|area| areas.contains(area));
        if !shared || ledger.situation.house_of(member.promise.step) != by.house {
            return false;
        }
        let waits = ledger.chain(by.number).waits().iter().filter(|wait| wait.from == by.step.step);
        let wets: Vec<Wet> = waits.filter_map(|wait| wet(ledger, self.skies, by, wait)).collect();
        [&member.was, &member.now].into_iter().filter(|pieces| !pieces.is_empty()).any(|pieces| {
            let stands_there = hull_of(pieces).overlaps(by.hull());
            let on_wet = pieces.iter().any(|&piece| wets.iter().any(|wet| wet.span.overlaps(piece)));
            stands_there || on_wet || self.would_keep_off(member, pieces, by)
        })
    }

    /// Whether the step, at its promised place, would leave a wet floor under the other one.
    fn would_keep_off(&self, member: &Promised<'_>, pieces: &[Span], by: &Stay<'_>) -> bool {
        let ledger = self.ledger;
        let step = member.promise.step;
        let as_promised = Stay {
            number: member.number,
            step,
            house: by.house,
            crew: member.promise.crew,
            pieces: pieces.to_vec(),
            units: &[],
            open: true,
            cause: None,
        };
        let waits = ledger.chain(member.number).waits().iter().filter(|wait| wait.from == step.step);
        let mut wets = waits.filter_map(|wait| wet(ledger, self.skies, &as_promised, wait));
        wets.any(|wet| by.pieces.iter().any(|&piece| wet.span.overlaps(piece)))
    }

    fn gear_taken(&self, member: &Promised<'_>, by: &Stay<'_>) -> bool {
        let spec = self.ledger.spec(member.number);
        let tries: Vec<Span> =
            [&member.was, &member.now].into_iter().filter(|p| !p.is_empty()).map(|p| hull_of(p)).collect();
        spec.equipment.iter().any(|&(kind, needed)| {
            let holds_some = by.units.iter().any(|unit| unit.equipment == kind);
            holds_some
                && tries.iter().any(|&span| {
                    self.in_the_way(member, span, by, kind) && self.too_few_left(member, span, kind, needed)
                })
        })
    }

    fn in_the_way(&self, member: &Promised<'_>, span: Span, by: &Stay<'_>, kind: EquipmentIx) -> bool {
        let situation = self.ledger.situation;
        let rides_along = situation.equipment[kind.index()].moves_with_crew;
        let house = situation.house_of(member.promise.step);
        let way = if rides_along { 0 } else { situation.way_minutes(house, by.house) };
        too_close(span, by.hull(), way)
    }

    /// Whether those that may not be pushed away leave fewer units than are needed.
    fn too_few_left(&self, member: &Promised<'_>, span: Span, kind: EquipmentIx, needed: u32) -> bool {
        let ledger = self.ledger;
        let mut left = i64::from(ledger.situation.equipment[kind.index()].units_throughout(span)) - i64::from(needed);
        for &number in &self.anchored[kind.index()] {
            let other = ledger.stay(number).filter(|_| ledger.run[number] != ledger.run[member.number]);
            if let Some(other) = other.filter(|other| self.in_the_way(member, span, other, kind)) {
                left -= other.units.iter().filter(|unit| unit.equipment == kind).count() as i64;
            }
            if left < 0 {
                return true;
            }
        }
        left < 0
    }
}

/// The rest of a begun run counts as fixed: the crew stands on the wet floor.
fn is_fixed_or_pinned(ledger: &Ledger<'_>, stay: &Stay<'_>) -> bool {
    let pin = &ledger.spec(stay.number).pin;
    let begun = || {
        let first = ledger.number_in(stay.step.job, StepIx(0));
        let mut all = first..first + ledger.chain(stay.number).steps().len();
        let same_run = |other: usize| ledger.run[other] == ledger.run[stay.number];
        ledger.in_run[stay.number]
            && all.any(|other| same_run(other) && ledger.stay(other).is_some_and(|stay| !stay.open))
    };
    !stay.open || pin.crew.is_some() || pin.start.is_some() || begun()
}

/// Whether two spans overlap or leave fewer than `way` minutes between them.
fn too_close(a: Span, b: Span, way: i64) -> bool {
    a.start() < b.end().plus(way) && b.start() < a.end().plus(way)
}

/// Whether each of `pieces` lies in one unbroken span of the hours that `expand` gives around them.
fn inside_one_each(pieces: &[Span], expand: impl Fn(Span) -> Vec<Span>) -> bool {
    if pieces.is_empty() {
        return true;
    }
    let hull = hull_of(pieces);
    let window = Span::new(hull.start().plus(-DAY), hull.end().plus(DAY)).unwrap_or(hull);
    let hours = expand(window);
    pieces.iter().all(|&piece| around(&hours, piece).is_some())
}
