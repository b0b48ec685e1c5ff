//! The treatment's section plan: how much floor may be rolled with part A before part B must follow, so that every
//! point's dwell stays within its window from first to last, and who does what at which second.
//!
//! `docs/treatment-sections.md` derives the formulas. All times are whole seconds after the crew begins, rates are
//! hundredths of a square foot a minute. Shaking 10 to 20 seconds before pouring, agitating while it is poured, a roller
//! of its own for each part, light pressure, evening out after rolling and no fans in the dwell are common practice, no
//! source; a label comes before all of it.
//!
//! | module | what |
//! |---|---|
//! | `fit` | how large one section may be, and why |
//! | `cure` | what would make an impossible treatment possible |
//! | `split` | which floor goes into which section |
//! | `hands` | who is free when, and with which roller in hand |
//! | `timeline` | from sections to acts |
//! | `happened` | the rest of a plan from what really happened: what is late is wet with part A again |
//! | `booking` | how long the planner books the two steps |
//! | `words` | as a crew would read it |

mod booking;
mod cure;
mod fit;
mod hands;
mod happened;
mod split;
mod timeline;
mod words;

#[cfg(test)]
mod tests;

pub use booking::{Booking, booking};
pub use cure::Cure;
pub use fit::{Largest, Limit, largest};
pub use happened::{Report, replan};
pub use timeline::plan;
pub use words::{NOTES, clock, limit_words, lines};

use crate::domain::bounds::{AREA_SQFT_MAX, AREAS_PER_HOUSE_MAX};
use crate::domain::fault::Fault;

/// Fastest rolling taken as real: 100 sq ft a minute, five times what a roller does.
pub const RATE_CENTI_MAX: i64 = 10_000;
/// Longest change-over, pour or evening out taken as real: an hour.
pub const PAUSE_SECONDS_MAX: i64 = 3_600;
/// Longest dwell planned in sections: a day. What waits longer is a wait, not a dwell.
pub const DWELL_SECONDS_MAX: i64 = 86_400;
/// Longest set-up before the first section: a day.
pub const SET_UP_SECONDS_MAX: i64 = 86_400;
/// More sections than this are several jobs: a hundred and fifty hours of one person.
pub const SECTIONS_MAX: i64 = 500;
/// A section smaller than this is not worth a change of rollers: common practice, no source.
pub const SECTION_SQFT_MIN: i64 = 20;

/// Part A wets the floor, part B follows while it is damp.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// The first.
    A,
    /// The second.
    B,
}

/// The pass after rolling that evens out a section, with the same roller.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EvenOut {
    /// As long whatever the section; 0 for none.
    Seconds(i64),
    /// Hundredths of a square foot a minute.
    Rate(i64),
}

/// How one part is put down.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PartWork {
    /// Rolling, hundredths of a square foot a minute.
    pub sqft_per_minute_centi: i64,
    /// One applicator's change to this part's roller: the other is put down in its own tray, this one is taken.
    pub change_over_seconds: i64,
    /// Shaking before pouring, each section.
    pub shake_seconds: i64,
    /// Pouring and agitating, each section.
    pub pour_seconds: i64,
    /// After rolling.
    pub even_out: EvenOut,
}

impl PartWork {
    /// Rolling a section, rounded up to a second.
    pub fn roll_seconds(&self, sqft: i64) -> i64 {
        seconds_at(sqft, self.sqft_per_minute_centi)
    }

    /// Evening it out.
    pub fn even_out_seconds(&self, sqft: i64) -> i64 {
        match self.even_out {
            EvenOut::Seconds(seconds) => seconds,
            EvenOut::Rate(centi) => seconds_at(sqft, centi),
        }
    }

    /// Shaking and pouring.
    pub fn prepare_seconds(&self) -> i64 {
        self.shake_seconds + self.pour_seconds
    }
}

fn seconds_at(sqft: i64, per_minute_centi: i64) -> i64 {
    (sqft * 6_000 + per_minute_centi - 1) / per_minute_centi
}

/// How many roll. Whoever else is there fetches and keeps people off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Applicators {
    /// One rolls A, changes rollers, rolls B.
    One,
    /// One rolls A, the other follows with B.
    Two,
}

impl Applicators {
    /// For so many people.
    pub fn of_people(people: u32) -> Applicators {
        if people >= 2 { Applicators::Two } else { Applicators::One }
    }

    /// How many they are.
    pub fn people(self) -> i64 {
        match self {
            Applicators::One => 1,
            Applicators::Two => 2,
        }
    }
}

/// Least and most seconds from part A to part B, at every point of the floor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// Least.
    pub min_seconds: i64,
    /// Most.
    pub max_seconds: i64,
}

/// A room, or another part of a floor that ends at a doorway.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Room {
    /// For people.
    pub name: String,
    /// Square feet.
    pub sqft: i64,
}

/// What is to be treated, with what, by whom.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Treatment {
    /// In working order: the farthest from the door first, each left by its own doorway.
    pub rooms: Vec<Room>,
    /// The first part.
    pub a: PartWork,
    /// The second part.
    pub b: PartWork,
    /// The dwell.
    pub window: Window,
    /// How many roll.
    pub applicators: Applicators,
    /// Before the first section.
    pub set_up_seconds: i64,
}

impl Treatment {
    /// One of its parts.
    pub fn part(&self, part: Part) -> &PartWork {
        match part {
            Part::A => &self.a,
            Part::B => &self.b,
        }
    }

    /// The whole floor, square feet.
    pub fn sqft(&self) -> i64 {
        self.rooms.iter().map(|room| room.sqft).sum()
    }

    /// The smallest section worth having: [`SECTION_SQFT_MIN`], or the whole of a smaller floor.
    pub fn smallest_sqft(&self) -> i64 {
        self.sqft().min(SECTION_SQFT_MIN)
    }

    /// Refuses what no crew means.
    pub(crate) fn check(&self) -> Result<(), Refusal> {
        let bounds = |what: &'static str, value: i64, least: i64, most: i64| {
            let good = (least..=most).contains(&value);
            if good { Ok(()) } else { Err(Refusal::OutOfRange { what, value, least, most }) }
        };
        bounds("rooms", self.rooms.len() as i64, 1, AREAS_PER_HOUSE_MAX as i64)?;
        for room in &self.rooms {
            bounds("square feet", room.sqft, 1, i64::from(AREA_SQFT_MAX))?;
        }
        for part in [&self.a, &self.b] {
            bounds("hundredths of a square foot a minute", part.sqft_per_minute_centi, 1, RATE_CENTI_MAX)?;
            bounds("seconds of change-over", part.change_over_seconds, 0, PAUSE_SECONDS_MAX)?;
            bounds("seconds of shaking", part.shake_seconds, 0, PAUSE_SECONDS_MAX)?;
            bounds("seconds of pouring", part.pour_seconds, 0, PAUSE_SECONDS_MAX)?;
            match part.even_out {
                EvenOut::Seconds(seconds) => bounds("seconds of evening out", seconds, 0, PAUSE_SECONDS_MAX)?,
                EvenOut::Rate(centi) => bounds("hundredths of a square foot a minute", centi, 1, RATE_CENTI_MAX)?,
            }
        }
        bounds("seconds of dwell", self.window.max_seconds, 1, DWELL_SECONDS_MAX)?;
        bounds("seconds of dwell", self.window.min_seconds, 0, self.window.max_seconds)?;
        bounds("seconds of set-up", self.set_up_seconds, 0, SET_UP_SECONDS_MAX)
    }
}

/// Why there is no plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// A value no crew means.
    OutOfRange {
        /// Of what.
        what: &'static str,
        /// As given.
        value: i64,
        /// Least.
        least: i64,
        /// Most.
        most: i64,
    },
    /// No section worth having keeps its dwell.
    NoSection {
        /// The largest that does, square feet.
        largest_sqft: i64,
        /// The smallest worth having.
        smallest_sqft: i64,
        /// Any one of them makes it possible.
        cures: Vec<Cure>,
    },
    /// The floor falls into too many sections.
    TooManySections {
        /// So many at least.
        sections: i64,
    },
    /// What is said to have happened cannot have happened.
    BadReport {
        /// Number of the section, from 1.
        section: usize,
        /// What is wrong.
        why: &'static str,
    },
}

impl Refusal {
    /// For whoever asked.
    pub fn fault(&self) -> Fault {
        match self {
            Refusal::OutOfRange { what, value, least, most } => {
                Fault::new("out-of-range", format!("{value} {what} is out of range"), format!("give {least} to {most}"))
            }
            Refusal::NoSection { largest_sqft, smallest_sqft, cures } => {
                let what = format!(
                    "the dwell leaves its window: the largest section that keeps it has {largest_sqft} sq ft, and less \
                     than {smallest_sqft} sq ft is no section"
                );
                let cures: Vec<String> = cures.iter().map(ToString::to_string).collect();
                let cure = if cures.is_empty() {
                    "widen the dwell if the label allows it, and bring change-over, pouring and evening out down".into()
                } else {
                    format!("any one of: {}", cures.join("; "))
                };
                Fault::new("no-section", what, cure)
            }
            Refusal::TooManySections { sections } => Fault::new(
                "too-many-sections",
                format!("the floor falls into {sections} sections"),
                format!("treat it in parts of at most {SECTIONS_MAX} sections, or with two applicators"),
            ),
            Refusal::BadReport { section, why } => Fault::new(
                "bad-report",
                format!("what is said of section {section} cannot have happened: {why}"),
                "report the sections in order, part A before part B, starts before finishes, and nothing after now",
            ),
        }
    }
}

/// Seconds, half-open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Seconds {
    /// First.
    pub from: i64,
    /// First after it.
    pub until: i64,
}

/// Part of a room in a section.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Piece {
    /// Which room, from 0.
    pub room: usize,
    /// Square feet of the room before it, counted from its far end.
    pub from_sqft: i64,
    /// Square feet of the room before it and in it.
    pub until_sqft: i64,
}

/// A section and its dwell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Section {
    /// In working order.
    pub pieces: Vec<Piece>,
    /// All of it.
    pub sqft: i64,
    /// Rolling A; the last time if it was wet again.
    pub a: Seconds,
    /// Rolling B.
    pub b: Seconds,
    /// Wet with part A again, because part B came too late.
    pub wet_again: bool,
}

impl Section {
    /// Seconds from A to B at the first and at the last point; in between it changes evenly.
    pub fn dwell_seconds(&self) -> (i64, i64) {
        (self.b.from - self.a.from, self.b.until - self.a.until)
    }
}

/// Whether the dwell of `section` lies in its window; only what has happened can lie outside.
pub fn keeps_dwell(section: &Section, window: Window) -> bool {
    let (first, last) = section.dwell_seconds();
    [first, last].iter().all(|seconds| (window.min_seconds..=window.max_seconds).contains(seconds))
}

/// What somebody does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doing {
    /// Before the first section.
    SetUp,
    /// This part's container.
    Shake(Part),
    /// Into this part's own tray, agitating.
    Pour(Part),
    /// With this part's own roller.
    Roll(Part),
    /// With the same roller, light pressure.
    EvenOut(Part),
    /// The other roller down into its tray, this one up.
    ChangeOver(Part),
    /// Nothing: the floor dwells, or whoever follows would come too late.
    Wait,
}

/// One thing that one person does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Act {
    /// 0: the only one, or the one with part A; 1: the one with part B.
    pub person: usize,
    /// What.
    pub doing: Doing,
    /// In which section, from 0.
    pub section: Option<usize>,
    /// When.
    pub span: Seconds,
}

/// Sections and who does what when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    /// How many roll.
    pub applicators: Applicators,
    /// The largest section there could be, and why.
    pub largest: Largest,
    /// In working order.
    pub sections: Vec<Section>,
    /// By start, then person.
    pub acts: Vec<Act>,
    /// When part A is evened out in its last section.
    pub a_done_seconds: i64,
    /// When all is done.
    pub total_seconds: i64,
}

impl Plan {
    /// Minutes of all who roll together, waiting included, rounded up.
    pub fn crew_minutes(&self) -> i64 {
        (self.total_seconds * self.applicators.people() + 59) / 60
    }
}
