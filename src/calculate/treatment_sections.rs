//! How a floor is treated in sections: how much may be rolled with part A before part B must follow, who does what at
//! which second, and what becomes of it when something happens otherwise.

use super::Calculation;
use crate::domain::bounds::AREAS_PER_HOUSE_MAX;
use crate::dto::{At, Faults, Located, RollingDto, SectionPlanDto, section_plan};
use crate::trade::sections::{
    Applicators, Refusal, Report, Room, SECTIONS_MAX, Treatment, Window, clock, plan, replan,
};
use serde::Deserialize;
use std::fmt::Write;
use utoipa::ToSchema;

/// A floor, two parts, and who rolls them.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TreatmentSectionsQuestion {
    /// In working order, the farthest from the door first; each is left by its own doorway.
    #[schema(min_items = 1, max_items = 60)]
    pub rooms: Vec<RoomQuestion>,
    /// How the first part is put down.
    pub a: RollingDto,
    /// How the second part is put down.
    pub b: RollingDto,
    /// Shortest time from A to B at any point.
    #[serde(default = "ten_minutes")]
    #[schema(minimum = 0, maximum = 86_400, default = 600)]
    pub dwell_min_seconds: i64,
    /// Longest time from A to B at any point.
    #[serde(default = "quarter_hour")]
    #[schema(minimum = 1, maximum = 86_400, default = 900)]
    pub dwell_max_seconds: i64,
    /// How many people there are; more than two fetch and keep people off.
    #[serde(default = "one")]
    #[schema(minimum = 1, maximum = 50, default = 1)]
    pub people: i64,
    /// Before the first section.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 1440, default = 0)]
    pub set_up_minutes: i64,
    /// What has happened, for the rest of the plan.
    #[serde(default)]
    pub happened: Option<HappenedQuestion>,
}

/// A room.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RoomQuestion {
    /// For people.
    #[schema(example = "Bedroom", min_length = 1, max_length = 120)]
    pub name: String,
    /// Square feet.
    #[schema(minimum = 1, maximum = 200_000, example = 180)]
    pub sqft: i64,
}

/// How far the crew is. Seconds are counted from the crew's beginning.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HappenedQuestion {
    /// By now.
    #[schema(minimum = 0, maximum = 604_800)]
    pub now_seconds: i64,
    /// The sections that have been begun, in order.
    pub sections: Vec<SectionReport>,
}

/// What happened in one section.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SectionReport {
    /// Part A was begun.
    pub a_from_seconds: i64,
    /// Part A was rolled; left out while it is.
    #[serde(default)]
    pub a_until_seconds: Option<i64>,
    /// Part B was begun.
    #[serde(default)]
    pub b_from_seconds: Option<i64>,
    /// Part B was rolled.
    #[serde(default)]
    pub b_until_seconds: Option<i64>,
}

fn one() -> i64 {
    1
}

fn ten_minutes() -> i64 {
    600
}

fn quarter_hour() -> i64 {
    900
}

impl Calculation for TreatmentSectionsQuestion {
    type Answer = SectionPlanDto;

    fn answer(&self) -> Result<SectionPlanDto, Vec<Located>> {
        let mut faults = Faults::default();
        let Some(treatment) = self.treatment(&mut faults) else { return Err(faults.into_list()) };
        let root = At::Root;
        let planned = plan(&treatment).map_err(|refusal| refusal.fault());
        let Some(planned) = faults.take(&root, planned) else { return Err(faults.into_list()) };
        let Some(happened) = &self.happened else { return Ok(section_plan(&treatment, &planned, clock)) };
        let reports: Vec<Report> = happened.sections.iter().map(|section| section.report()).collect();
        let rest = replan(&treatment, &planned, &reports, happened.now_seconds);
        rest.map(|rest| section_plan(&treatment, &rest, clock)).map_err(|refusal| told(&refusal, reports.len()))
    }

    fn words(answer: &SectionPlanDto) -> String {
        let mut out = String::new();
        for line in answer.notes.iter().chain(&answer.lines) {
            let _ = writeln!(out, "{line}");
        }
        out
    }
}

/// What is wrong with the reports, at the one that cannot be.
fn told(refusal: &Refusal, reports: usize) -> Vec<Located> {
    let mut faults = Faults::default();
    let happened = At::Root.field("happened");
    let sections = happened.field("sections");
    match refusal {
        Refusal::BadReport { section, .. } if (1..=reports).contains(section) => {
            faults.push(&sections.item(section - 1), refusal.fault());
        }
        Refusal::BadReport { .. } => faults.push(&sections, refusal.fault()),
        Refusal::OutOfRange { .. } | Refusal::NoSection { .. } | Refusal::TooManySections { .. } => {
            faults.push(&happened.field("now_seconds"), refusal.fault());
        }
    }
    faults.into_list()
}

impl TreatmentSectionsQuestion {
    fn treatment(&self, faults: &mut Faults) -> Option<Treatment> {
        use crate::domain::bounds::{AREA_SQFT_MAX, HEAD_COUNT_MAX};
        use crate::trade::sections::{DWELL_SECONDS_MAX, SET_UP_SECONDS_MAX};
        let root = At::Root;
        let rooms_at = root.field("rooms");
        let counted = faults.whole(&rooms_at, self.rooms.len() as i64, 1..=AREAS_PER_HOUSE_MAX as i64, "rooms")?;
        let mut rooms = Vec::with_capacity(counted as usize);
        for (index, room) in self.rooms.iter().enumerate() {
            let at = rooms_at.item(index);
            let name = faults.name(&at.field("name"), &room.name);
            let sqft = faults.whole(&at.field("sqft"), room.sqft, 1..=i64::from(AREA_SQFT_MAX), "square feet");
            rooms.push(name.zip(sqft).map(|(name, sqft)| Room { name: name.to_string(), sqft }));
        }
        let a = self.a.to_trade(&root.field("a"), faults);
        let b = self.b.to_trade(&root.field("b"), faults);
        let longest_at = root.field("dwell_max_seconds");
        let longest = faults.whole(&longest_at, self.dwell_max_seconds, 1..=DWELL_SECONDS_MAX, "seconds of dwell");
        let shortest_at = root.field("dwell_min_seconds");
        let bounds = 0..=longest.unwrap_or(DWELL_SECONDS_MAX);
        let shortest = faults.whole(&shortest_at, self.dwell_min_seconds, bounds, "seconds of dwell");
        let people = faults.whole(&root.field("people"), self.people, 1..=i64::from(HEAD_COUNT_MAX), "people");
        let set_up_at = root.field("set_up_minutes");
        let set_up = faults.whole(&set_up_at, self.set_up_minutes, 0..=SET_UP_SECONDS_MAX / 60, "minutes");
        if let Some(happened) = &self.happened {
            let (happened_at, most) = (root.field("happened"), SECTIONS_MAX as usize);
            faults.count(&happened_at.field("sections"), happened.sections.len(), most, "sections").then_some(())?;
        }
        Some(Treatment {
            rooms: rooms.into_iter().collect::<Option<_>>()?,
            a: a?,
            b: b?,
            window: Window { min_seconds: shortest?, max_seconds: longest? },
            applicators: Applicators::of_people(people? as u32),
            set_up_seconds: set_up? * 60,
        })
    }
}

impl SectionReport {
    fn report(&self) -> Report {
        Report {
            a_from: self.a_from_seconds,
            a_until: self.a_until_seconds,
            b_from: self.b_from_seconds,
            b_until: self.b_until_seconds,
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::calculate::{CALCULATIONS, Form};
    use crate::dto::Located;
    use serde_json::{Value, json};

    fn ask(question: &Value, form: Form) -> Result<String, Vec<Located>> {
        let (_, tell) = CALCULATIONS.iter().find(|(name, _)| *name == "treatment-sections").unwrap();
        tell(&question.to_string(), form)
    }

    fn question() -> Value {
        let plain = |rate: i64| json!({ "sqft_per_minute": rate, "shake_seconds": 0, "pour_seconds": 0 });
        json!({ "rooms": [{ "name": "Bedroom", "sqft": 200 }], "a": plain(20), "b": plain(20) })
    }

    /// By hand: 10 minutes with A, 2 to change, 10 with B.
    #[test]
    fn one_room_by_hand() {
        let told: Value = serde_json::from_str(&ask(&question(), Form::Json).unwrap()).unwrap();
        assert_eq!(told["largest_sqft"], 260);
        assert_eq!(told["total_seconds"], 1_320);
        assert_eq!(told["sections"][0]["dwell_first_seconds"], 720);
        let words = ask(&question(), Form::Words).unwrap();
        assert!(words.contains("0:12:00  roll part B with its own roller"), "{words}");
        assert!(words.contains("safety data sheet"), "{words}");
        let mut alone = question();
        alone["people"] = json!(3);
        let told: Value = serde_json::from_str(&ask(&alone, Form::Json).unwrap()).unwrap();
        assert_eq!((&told["applicators"], &told["largest_sqft"]), (&json!(2), &Value::Null));
    }

    #[test]
    fn what_happened_is_heeded() {
        let mut late = question();
        late["happened"] = json!({ "now_seconds": 900, "sections": [{ "a_from_seconds": 0, "a_until_seconds": 600 }] });
        let told: Value = serde_json::from_str(&ask(&late, Form::Json).unwrap()).unwrap();
        assert_eq!(told["sections"][0]["wet_again"], true);
        assert_eq!(told["sections"][0]["a_from_seconds"], 900);
        late["happened"]["sections"][0]["b_from_seconds"] = json!(300);
        let told: Value = serde_json::from_str(&ask(&question(), Form::Json).unwrap()).unwrap();
        assert_eq!(told["sections"][0]["dwell_kept"], true);
        let faults = ask(&late, Form::Json).unwrap_err();
        assert_eq!((faults[0].pointer.as_str(), faults[0].fault.code), ("/happened/sections/0", "bad-report"));
        late["happened"]["now_seconds"] = json!(-1);
        assert_eq!(ask(&late, Form::Json).unwrap_err()[0].pointer, "/happened/now_seconds");
    }

    #[test]
    fn every_fault_is_told() {
        let mut bad = question();
        bad["rooms"][0]["sqft"] = json!(0);
        bad["a"]["sqft_per_minute"] = json!(101);
        bad["people"] = json!(0);
        bad["dwell_min_seconds"] = json!(901);
        let faults = ask(&bad, Form::Json).unwrap_err();
        let places: Vec<&str> = faults.iter().map(|located| located.pointer.as_str()).collect();
        assert_eq!(places, ["/rooms/0/sqft", "/a/sqft_per_minute", "/dwell_min_seconds", "/people"]);
        let mut slow = question();
        slow["b"]["change_over_seconds"] = json!(900);
        let faults = ask(&slow, Form::Json).unwrap_err();
        assert_eq!(faults[0].fault.code, "no-section");
        assert!(faults[0].fault.cure.contains("two applicators"), "{faults:?}");
    }
}
