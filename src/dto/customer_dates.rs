//! A customer's dates on the wire and in words, and the letter they are sent in. The dates themselves are
//! `trade::customer_dates`' matter.

use super::load_list_text::wrapped;
use super::scalar::local;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::trade::customer_dates::CustomerDates;
use chrono::NaiveDate;
use serde::Serialize;
use std::fmt::Write;
use utoipa::ToSchema;

/// What a customer may do on the floor when. Instants are local to the house, days are calendar days there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct CustomerDatesDto {
    /// When the last coat is down.
    #[schema(example = "2026-03-12T15:00:00-04:00", format = DateTime)]
    pub coated_at: String,
    /// Whether that has happened; otherwise it is planned.
    pub is_done: bool,
    /// In socks from then on; before that nobody.
    #[schema(format = DateTime)]
    pub socks_at: String,
    /// Furniture, at the earliest.
    #[schema(format = DateTime)]
    pub furniture_earliest_at: String,
    /// Furniture, to be careful.
    #[schema(format = DateTime)]
    pub furniture_careful_at: String,
    /// Fully cured at the earliest; rugs not before.
    pub full_cure_earliest: NaiveDate,
    /// Fully cured, to be careful.
    pub full_cure_careful: NaiveDate,
    /// By how much the air in the house holds everything up.
    pub held_up_minutes: i64,
    /// Whether the air is too cold or damp to say when the floor dries: then the dates are the least it takes.
    pub is_open: bool,
    /// The same for people, a line each.
    pub words: Vec<String>,
}

/// A time in which nobody may be in some rooms.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct KeepOffDto {
    /// Names of the rooms; none: all of them.
    pub areas: Vec<String>,
    /// The work that leaves the floor wet.
    pub after: String,
    /// Its end.
    #[schema(format = DateTime)]
    pub from: String,
    /// First minute on which the floor may be walked on.
    #[schema(format = DateTime)]
    pub until: String,
}

/// What a customer is told about his floors.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct CustomerLetterDto {
    /// Whom to call.
    pub company: String,
    /// Key of the job.
    pub job: String,
    /// For people.
    pub job_name: String,
    /// For people.
    pub house_name: String,
    /// Street and town.
    pub address: Option<String>,
    /// Of the house.
    #[schema(example = "America/New_York")]
    pub time_zone: String,
    /// First work that is still promised.
    #[schema(format = DateTime)]
    pub work_from: Option<String>,
    /// End of the last work promised.
    #[schema(format = DateTime)]
    pub work_until: Option<String>,
    /// When to be out, by start.
    pub keep_offs: Vec<KeepOffDto>,
    /// After the last coat; nothing while none is promised.
    pub dates: Option<CustomerDatesDto>,
    /// What may change all of it.
    pub changes: Vec<String>,
}

/// What may change every date, in words.
pub const CHANGES: [&str; 3] = [
    "Weather: floors dry more slowly when it is cold or humid. Please leave heating and windows as the crew left them.",
    "Readings: the crew measures the wood before it goes on. If the meter says wait, we wait.",
    "The label of the finish: where it asks for more time than is said here, the label counts.",
];

/// Such as "Thursday 12 March, 15:00".
pub fn day_and_time(zone: Zone, at: Minute) -> String {
    let minute = zone.minute_of_day(at);
    format!("{}, {:02}:{:02}", day(zone.date(at)), minute / 60, minute % 60)
}

/// Such as "Thursday 12 March".
fn day(date: NaiveDate) -> String {
    date.format("%A %-d %B").to_string()
}

impl CustomerDatesDto {
    /// The dates as the house's wall clock shows them.
    pub fn of(dates: &CustomerDates, zone: Zone, is_done: bool) -> CustomerDatesDto {
        CustomerDatesDto {
            coated_at: local(zone, dates.coated_at),
            is_done,
            socks_at: local(zone, dates.socks_at),
            furniture_earliest_at: local(zone, dates.furniture.0),
            furniture_careful_at: local(zone, dates.furniture.1),
            full_cure_earliest: dates.full_cure.0,
            full_cure_careful: dates.full_cure.1,
            held_up_minutes: dates.held_up_minutes,
            is_open: dates.is_open,
            words: words(dates, zone, is_done),
        }
    }
}

fn words(dates: &CustomerDates, zone: Zone, is_done: bool) -> Vec<String> {
    let coat = if is_done { "The last coat was finished" } else { "The last coat is planned to be finished" };
    let range = |soon: String, careful: String| {
        if soon == careful {
            format!("not before {soon}")
        } else {
            format!("{soon} at the earliest, {careful} to be careful")
        }
    };
    let (furniture, cure) = (dates.furniture, dates.full_cure);
    let mut lines = vec![
        format!("{coat}: {}.", day_and_time(zone, dates.coated_at)),
        format!(
            "On the floor in socks: from {} on; nobody before that, pets neither.",
            day_and_time(zone, dates.socks_at)
        ),
        format!(
            "Furniture back, lifted and not pushed, felt under its feet: {}.",
            range(day_and_time(zone, furniture.0), day_and_time(zone, furniture.1))
        ),
        format!("Rugs and mats: only when the floor is cured, {}.", range(day(cure.0), day(cure.1))),
        format!("Fully cured: {}. Until then no water and no tape on it.", range(day(cure.0), day(cure.1))),
    ];
    if dates.is_open {
        lines.push(
            "The air expected in the house is too cold or damp to say when the floor dries: these dates are the least it \
             takes. We tell you when it is dry."
                .to_owned(),
        );
    }
    lines
}

impl CustomerLetterDto {
    /// The letter.
    pub fn to_text(&self) -> String {
        let mut out = format!("{}\n\nYour floors: {}\n", self.company, self.job_name);
        let place = self.address.as_ref().unwrap_or(&self.house_name);
        let _ = writeln!(out, "{place}  (times in {})\n", self.time_zone);
        match (&self.work_from, &self.work_until) {
            (Some(from), Some(until)) => {
                let line = format!("We work in the house from {} to {}, not all of the time.", said(from), said(until));
                out.push_str(&wrapped(&line, 0, 0));
            }
            _ => out.push_str("No more work is planned in the house.\n"),
        }
        if !self.keep_offs.is_empty() {
            out.push_str("\nPlease be out, pets too:\n");
        }
        for time in &self.keep_offs {
            let rooms = if time.areas.is_empty() { "all floors".to_owned() } else { time.areas.join(", ") };
            let same_day = time.from.get(..10) == time.until.get(..10);
            let until = if same_day { time.until.get(11..16).unwrap_or("").to_owned() } else { said(&time.until) };
            let line = format!("{} to {until}: {rooms} ({} dries)", said(&time.from), time.after);
            out.push_str(&wrapped(&format!("- {line}"), 2, 4));
        }
        match &self.dates {
            Some(dates) => {
                out.push_str("\nAfter the last coat:\n");
                dates.words.iter().for_each(|line| out.push_str(&wrapped(&format!("- {line}"), 2, 4)));
            }
            None => out.push_str("\nNo day for the last coat has been promised yet.\n"),
        }
        out.push_str("\nWhat may change these dates:\n");
        self.changes.iter().for_each(|line| out.push_str(&wrapped(&format!("- {line}"), 2, 4)));
        let _ = write!(out, "\nQuestions? Call {}.\n", self.company);
        out
    }
}

/// "2026-03-12T15:00:00-04:00" as "Thursday 12 March, 15:00": the wall clock that the text shows.
fn said(instant: &str) -> String {
    let date = instant.get(..10).and_then(|date| date.parse::<NaiveDate>().ok());
    match (date, instant.get(11..16)) {
        (Some(date), Some(time)) => format!("{}, {time}", day(date)),
        _ => instant.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trade::customer_dates::{Care, LastCoat, customer_dates};
    use crate::trade::supplies::ProductBase;

    fn dates() -> CustomerDatesDto {
        let zone = Zone::parse("America/New_York").unwrap();
        let finish = Minute::floor_from("2026-03-12T19:00:00Z".parse().unwrap());
        let coat = LastCoat {
            finish,
            base: ProductBase::Waterborne,
            drying: None,
            keep_off_until: None,
            care: Care { furniture_hours: Some(48), ..Care::default() },
        };
        CustomerDatesDto::of(&customer_dates(&coat, zone), zone, false)
    }

    #[test]
    fn dates_are_said_in_words() {
        let words = dates().words.join("\n");
        for part in [
            "planned to be finished: Thursday 12 March, 15:00",
            "in socks: from Friday 13 March, 15:00",
            "not before Saturday 14 March, 15:00",
            "Thursday 19 March at the earliest, Thursday 26 March to be careful",
        ] {
            assert!(words.contains(part), "{part} is missing in {words}");
        }
    }

    #[test]
    fn a_letter_is_plain_and_short() {
        let letter = CustomerLetterDto {
            company: "Harrow Falls Floors".into(),
            job: "floors".into(),
            job_name: "Linden Street 4".into(),
            house_name: "Linden Street 4".into(),
            address: None,
            time_zone: "America/New_York".into(),
            work_from: Some("2026-03-09T07:00:00-04:00".into()),
            work_until: Some("2026-03-13T16:00:00-04:00".into()),
            keep_offs: vec![KeepOffDto {
                areas: vec!["Hall".into()],
                after: "Coat".into(),
                from: "2026-03-12T15:00:00-04:00".into(),
                until: "2026-03-13T15:00:00-04:00".into(),
            }],
            dates: Some(dates()),
            changes: CHANGES.map(String::from).to_vec(),
        };
        let text = letter.to_text();
        assert!(text.contains("from Monday 9 March, 07:00 to Friday 13 March, 16:00"), "{text}");
        assert!(text.contains("Thursday 12 March, 15:00 to Friday 13 March, 15:00: Hall (Coat dries)"), "{text}");
        assert!(text.ends_with("Questions? Call Harrow Falls Floors.\n"), "{text}");
        assert!(text.lines().all(|line| line.chars().count() <= 96) && text.lines().count() < 45, "{text}");
        let none = CustomerLetterDto { dates: None, work_from: None, ..letter };
        assert!(none.to_text().contains("No day for the last coat has been promised yet"));
    }
}
