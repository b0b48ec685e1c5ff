//! From sections to acts: each person's shaking, pouring, rolling, evening out, changing rollers, and what is left is
//! waiting.

use super::cure::cures;
use super::fit::{fewest, largest};
use super::hands::Hands;
use super::split::{best, pieces};
use super::{Act, Applicators, Doing, Part, Plan, Refusal, SECTIONS_MAX, Seconds, Section, Treatment};

/// The plan with the fewest cuts inside rooms, and of those the one that is over first.
///
/// # Errors
/// What keeps a plan from being made, with its cures.
pub fn plan(treatment: &Treatment) -> Result<Plan, Refusal> {
    treatment.check()?;
    let largest = largest(treatment);
    let smallest_sqft = treatment.smallest_sqft();
    if largest.sqft < smallest_sqft {
        let cures = cures(treatment);
        return Err(Refusal::NoSection { largest_sqft: largest.sqft, smallest_sqft, cures });
    }
    let sections = fewest(&largest, treatment.sqft());
    if sections > SECTIONS_MAX {
        return Err(Refusal::TooManySections { sections });
    }
    let mut acts = Acts::new(treatment, Hands::at(treatment.set_up_seconds));
    for person in 0..treatment.applicators.people() as usize {
        acts.add(person, Doing::SetUp, None, 0, treatment.set_up_seconds);
    }
    let mut begin = 0;
    let mut sections = Vec::new();
    for end in best(treatment, &largest) {
        let (a, b) = acts.roll(sections.len(), end - begin);
        sections.push(Section { pieces: pieces(treatment, begin, end), sqft: end - begin, a, b, wet_again: false });
        begin = end;
    }
    Ok(acts.into_plan(largest, sections, 0))
}

/// Acts under construction.
pub(super) struct Acts<'t> {
    treatment: &'t Treatment,
    pub(super) hands: Hands,
    list: Vec<Act>,
}

impl<'t> Acts<'t> {
    pub(super) fn new(treatment: &'t Treatment, hands: Hands) -> Acts<'t> {
        Acts { treatment, hands, list: Vec::new() }
    }

    /// Who has this part.
    pub(super) fn person(&self, part: Part) -> usize {
        match (self.treatment.applicators, part) {
            (Applicators::One, _) | (Applicators::Two, Part::A) => 0,
            (Applicators::Two, Part::B) => 1,
        }
    }

    pub(super) fn add(&mut self, person: usize, doing: Doing, section: Option<usize>, from: i64, until: i64) {
        if from < until {
            self.list.push(Act { person, doing, section, span: Seconds { from, until } });
        }
    }

    /// Both parts on a section, as early as may be.
    pub(super) fn roll(&mut self, section: usize, sqft: i64) -> (Seconds, Seconds) {
        let before = self.hands;
        let times = self.hands.roll(self.treatment, sqft);
        self.prepare(Part::A, section, before, times.a.from);
        self.rolled(Part::A, section, sqft, times.a);
        let mut changed = before;
        changed.a_done(self.treatment, sqft, times.a);
        self.prepare(Part::B, section, changed, times.b.from);
        self.rolled(Part::B, section, sqft, times.b);
        (times.a, times.b)
    }

    /// Part B alone, no earlier than `from`, on a section that has A.
    pub(super) fn follow(&mut self, section: usize, sqft: i64, from: i64) -> Seconds {
        let before = self.hands;
        let b = self.hands.follow(self.treatment, sqft, from);
        self.prepare(Part::B, section, before, b.from);
        self.rolled(Part::B, section, sqft, b);
        b
    }

    /// What comes before rolling at `start`: rollers change as soon as hands are free, the container is shaken last.
    fn prepare(&mut self, part: Part, section: usize, before: Hands, start: i64) {
        let own = *self.treatment.part(part);
        let person = self.person(part);
        let free = if part == Part::A { before.a } else { before.b };
        let change = before.change_seconds(self.treatment, part);
        self.add(person, Doing::ChangeOver(part), Some(section), free, free + change);
        let pour = start - own.pour_seconds;
        self.add(person, Doing::Shake(part), Some(section), pour - own.shake_seconds, pour);
        self.add(person, Doing::Pour(part), Some(section), pour, start);
    }

    fn rolled(&mut self, part: Part, section: usize, sqft: i64, span: Seconds) {
        let person = self.person(part);
        self.add(person, Doing::Roll(part), Some(section), span.from, span.until);
        let even = self.treatment.part(part).even_out_seconds(sqft);
        self.add(person, Doing::EvenOut(part), Some(section), span.until, span.until + even);
    }

    /// The plan; what nobody does from `from` on is waiting.
    pub(super) fn into_plan(mut self, largest: super::Largest, sections: Vec<Section>, from: i64) -> Plan {
        self.list.sort_by_key(|act| (act.person, act.span.from));
        let mut waits = Vec::new();
        for person in 0..self.treatment.applicators.people() as usize {
            let mut free = from;
            for act in self.list.iter().filter(|act| act.person == person) {
                if free < act.span.from {
                    let span = Seconds { from: free, until: act.span.from };
                    waits.push(Act { person, doing: Doing::Wait, section: act.section, span });
                }
                free = free.max(act.span.until);
            }
        }
        self.list.extend(waits);
        self.list.sort_by_key(|act| (act.span.from, act.person));
        let a_done = |section: &Section| section.a.until + self.treatment.a.even_out_seconds(section.sqft);
        Plan {
            applicators: self.treatment.applicators,
            largest,
            a_done_seconds: sections.iter().map(a_done).max().unwrap_or(0),
            total_seconds: self.list.iter().map(|act| act.span.until).max().unwrap_or(0),
            sections,
            acts: self.list,
        }
    }
}
