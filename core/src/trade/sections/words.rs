//! A plan as a crew would read it aloud: one line for each thing to do, at its time.

use super::{Act, Applicators, Doing, Limit, Part, Plan, Section, Treatment, keeps_dwell};

/// What goes with every plan. Common practice, no source, unless a label says more.
pub const NOTES: [&str; 7] = [
    "Read the label and the safety data sheet first; what they say comes before this plan.",
    "Gloves and eye protection with both parts, from the first shake to the last tray.",
    "Shake 10 to 20 seconds before pouring, and keep agitating while pouring.",
    "A roller and a tray of its own for each part: never the roller of one in the other.",
    "Light pressure; even out each section after rolling it.",
    "No fans and no forced drying in the dwell: part B goes on when no shine is left and the floor is still damp.",
    "Sections adjoin: begin part A of the next on the edge of the last while that edge is wet, and work toward the door.",
];

/// `H:MM:SS` after the crew begins.
pub fn clock(seconds: i64) -> String {
    format!("{}:{:02}:{:02}", seconds / 3_600, seconds / 60 % 60, seconds % 60)
}

fn minutes(seconds: i64) -> String {
    format!("{}:{:02} min", seconds / 60, seconds % 60)
}

/// The whole plan; `at` puts a second into words.
pub fn lines(treatment: &Treatment, plan: &Plan, at: impl Fn(i64) -> String) -> Vec<String> {
    let mut out = vec![largest(plan)];
    for (index, section) in plan.sections.iter().enumerate() {
        out.push(format!("Section {}: {}", index + 1, described(treatment, section)));
    }
    out.extend(plan.acts.iter().map(|act| format!("{}  {}", at(act.span.from), told(plan, act))));
    out.push(format!("{}  done: {} person-minutes", at(plan.total_seconds), plan.crew_minutes()));
    out
}

/// Why no section is larger.
pub fn limit_words(limit: Limit) -> &'static str {
    match limit {
        Limit::None => "a section may be as large as the floor",
        Limit::FirstPoint => "when part A is on it and part B is ready, its first point has waited as long as it may",
        Limit::LastPoint => "when part B reaches its last point, that has waited as long as it may",
        Limit::Rates => {
            "the two parts are rolled at different rates, and the dwell uses up its window from one end to the other; with \
             the quicker part rolled as slowly as the other it may be larger"
        }
    }
}

fn largest(plan: &Plan) -> String {
    let why = limit_words(plan.largest.limit);
    match plan.largest.limit {
        Limit::None => format!("Largest section: {why}."),
        Limit::FirstPoint | Limit::LastPoint | Limit::Rates => {
            format!("Largest section {} sq ft: {why}.", plan.largest.sqft)
        }
    }
}

fn described(treatment: &Treatment, section: &Section) -> String {
    let floor = section.pieces.iter().map(|piece| {
        let room = &treatment.rooms[piece.room];
        if piece.until_sqft - piece.from_sqft == room.sqft {
            room.name.clone()
        } else {
            format!("{} from {} to {} of {} sq ft", room.name, piece.from_sqft, piece.until_sqft, room.sqft)
        }
    });
    let (first, last) = section.dwell_seconds();
    let again = match (section.wet_again, keeps_dwell(section, treatment.window)) {
        (true, _) => "; too dry: wet it with part A again",
        (false, true) => "",
        (false, false) => "; outside the window: look at the floor, and ask what the label says",
    };
    let floor: Vec<String> = floor.collect();
    format!(
        "{}, {} sq ft; dwell {} at the first point, {} at the last{again}",
        floor.join(" and "),
        section.sqft,
        minutes(first),
        minutes(last)
    )
}

fn told(plan: &Plan, act: &Act) -> String {
    let who = match (plan.applicators, act.person) {
        (Applicators::One, _) => "",
        (Applicators::Two, 0) => "with A: ",
        (Applicators::Two, _) => "with B: ",
    };
    let what = match act.doing {
        Doing::SetUp => "set up".to_owned(),
        Doing::Shake(part) => format!("shake part {}", letter(part)),
        Doing::Pour(part) => format!("pour part {} into its own tray, agitating", letter(part)),
        Doing::Roll(part) => format!("roll part {} with its own roller, light pressure", letter(part)),
        Doing::EvenOut(part) => format!("even out part {}", letter(part)),
        Doing::ChangeOver(part) => format!("put the roller down in its tray, take the roller of part {}", letter(part)),
        Doing::Wait => "wait, no fans".to_owned(),
    };
    let section = act.section.map_or(String::new(), |section| format!(", section {}", section + 1));
    format!("{who}{what}{section} ({})", minutes(act.span.until - act.span.from))
}

fn letter(part: Part) -> char {
    match part {
        Part::A => 'A',
        Part::B => 'B',
    }
}
