//! The part of compiling that says who can do a run of steps, how long each takes, and what air that needs: the modes.

use super::compile_jobs::{Builder, extend};
use super::model::{GateUse, Mode, NONE, Part};
use super::near::Nearest;
use super::runs::run_parts;
use super::spans::T;
use crate::domain::chain::Attempt;
use crate::domain::ids::{CrewIx, SkillSet, StepIx};
use crate::domain::situation::Job;
use std::ops::Range;
use std::rc::Rc;

/// How a run is done with certain numbers of people.
struct Way {
    /// Into `Model::parts`.
    parts: Range<u32>,
    /// Into `Model::gate_uses`.
    gates: Range<u32>,
    /// Minutes from the first part's start to the last one's end.
    length: T,
    people: Vec<u32>,
}

impl Builder<'_> {
    /// A mode for each able crew, and for each number of people it has at some time that makes a difference. Of a begun
    /// run (`resumed`) only with the people that are there when it goes on.
    pub(super) fn modes(
        &mut self,
        content: &Job,
        run: &[StepIx],
        only: Option<CrewIx>,
        resumed: Option<(Attempt, u32)>,
    ) -> Range<u32> {
        let situation = self.tables.situation;
        let from = self.tables.model.modes.len() as u32;
        // Crews with the same numbers of people do it in the same ways.
        let mut known: Vec<(Rc<[u32]>, Vec<Way>)> = Vec::new();
        let skills = run.iter().fold(SkillSet::default(), |all, step| all.and(content.chain.step(*step).skills));
        let able = |crew: u32| situation.crews[crew as usize].skills.covers(skills);
        let crews: Vec<u32> = match (only, self.nearest.as_mut()) {
            (Some(only), _) => {
                let agreed = run.iter().all(|step| content.chain.step(*step).pin.crew.is_none_or(|pin| pin == only));
                [only.0].into_iter().filter(|crew| agreed && able(*crew)).collect()
            }
            (None, Some(nearest)) => nearest.able(situation, skills).to_vec(),
            (None, None) => (0..situation.crews.len() as u32).filter(|crew| able(*crew)).collect(),
        };
        for crew in crews.into_iter().map(|crew| crew as usize) {
            let numbers = self.tables.strengths(crew);
            let number = known.iter().position(|(same, _)| Rc::ptr_eq(same, &numbers)).unwrap_or_else(|| {
                known.push((numbers.clone(), self.ways(content, run, &numbers)));
                known.len() - 1
            });
            for Way { parts, gates, length, people } in &known[number].1 {
                if let Some((attempt, there)) = resumed
                    && (!people.contains(&there) || !self.one_span(content, crew, attempt, *length))
                {
                    continue;
                }
                let calendar = self.tables.manned(crew, people);
                let hours = self.tables.hours(calendar, content.house);
                let (parts, gates) = (parts.clone(), gates.clone());
                self.tables.model.modes.push(Mode {
                    crew: crew as u32,
                    calendar,
                    hours,
                    length: *length,
                    parts,
                    gates,
                });
            }
        }
        from..self.tables.model.modes.len() as u32
    }

    /// The ways in which the best of all able crews would do a run, whenever anybody works; empty where all able crews are asked.
    pub(super) fn anybody_s_modes(&mut self, content: &Job, run: &[StepIx]) -> Range<u32> {
        let few = self.nearest.as_ref().is_some_and(Nearest::leaves_out);
        let known = self.anybody.clone().filter(|_| few);
        let Some((calendar, numbers)) = known else { return 0..0 };
        let hours = self.tables.hours(calendar, content.house);
        let ways = self.ways(content, run, &numbers).into_iter();
        let modes: Vec<Mode> = ways
            .map(|Way { parts, gates, length, .. }| Mode { crew: 0, calendar, hours, length, parts, gates })
            .collect();
        extend(&mut self.tables.model.modes, modes)
    }

    /// The different ways in which a skilled crew that has these numbers of people does a run.
    fn ways(&mut self, content: &Job, run: &[StepIx], numbers: &[u32]) -> Vec<Way> {
        let needed = run.iter().map(|step| content.chain.step(*step).head_count_min).max().unwrap_or(1);
        let mut ways: Vec<(Vec<Part>, Vec<u32>)> = Vec::new();
        for people in numbers.iter().copied().filter(|people| *people >= needed) {
            let Some(parts) = run_parts(&content.chain, run, people) else { continue };
            match ways.iter_mut().find(|(known, _)| *known == parts) {
                Some((_, same)) => same.push(people),
                None => ways.push((parts, vec![people])),
            }
        }
        let way = |(parts, people): (Vec<Part>, Vec<u32>)| Way {
            length: parts.iter().map(|part| part.offset + part.length).max().unwrap_or(0),
            gates: self.gate_uses(content, run, &parts),
            parts: extend(&mut self.tables.model.parts, parts),
            people,
        };
        ways.into_iter().map(way).collect()
    }

    /// Whether the rest of a begun run ends in the workable span in which the run began.
    fn one_span(&self, content: &Job, crew: usize, attempt: Attempt, length: T) -> bool {
        let situation = self.tables.situation;
        let (own, house) = (&situation.crews[crew], &situation.houses[content.house.index()]);
        let until = situation.now.max(attempt.finish).plus(i64::from(length) + 1440);
        let Some(within) = crate::domain::time::Span::new(attempt.start, until) else { return false };
        let away = crate::domain::time::joined(own.absences.clone());
        let working = crate::domain::time::without(&own.calendar.spans(own.zone, within), &away);
        let closures = crate::domain::time::joined(house.closures.clone());
        let access = crate::domain::time::without(&house.access.spans(house.zone, within), &closures);
        let open = |spans: &[crate::domain::time::Span]| {
            spans.first().filter(|span| span.start() == attempt.start).map_or(attempt.start, |span| span.end())
        };
        let start = attempt.start.max(situation.now);
        open(&working).min(open(&access)) >= start.plus(i64::from(length))
    }

    fn gate_uses(&mut self, content: &Job, run: &[StepIx], parts: &[Part]) -> Range<u32> {
        let mut uses = Vec::new();
        for (step, part) in run.iter().zip(parts) {
            let Some(gate) = content.chain.step(*step).gate else { continue };
            let number = self.tables.gate(content.house, gate);
            if number != NONE {
                uses.push(GateUse {
                    gate: number,
                    offset: part.offset,
                    length: part.length + gate.hold_after_minutes as T,
                });
            }
        }
        extend(&mut self.tables.model.gate_uses, uses)
    }
}
