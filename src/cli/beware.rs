//! What to beware of in the days a week's text shows: short where the work is, long once at the end. Pure.

use super::documents::{Documents, Geared};
use super::week::Shown;
use crate::domain::plan::Plan;
use crate::domain::situation::Situation;
use crate::dto::{wrapped, wrapped_after};
use crate::trade::cautions::Caution;
use chrono::NaiveDate;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

/// What to beware of, by day and house.
type Visits<'a> = BTreeMap<(NaiveDate, &'a str), BTreeSet<Caution>>;

/// By crew, day and house, then every caution whole.
pub fn text(documents: &Documents, situation: &Situation, plan: &Plan, shown: Shown) -> String {
    let geared = Geared::of(situation, plan);
    let mut found: BTreeMap<(usize, &str), Visits<'_>> = BTreeMap::new();
    for work in documents.works(&geared) {
        let Some(crew) = situation.crews.iter().position(|crew| crew.key.as_str() == work.crew.0) else { continue };
        let date = situation.crews[crew].zone.date(work.start);
        if shown.contains(date) {
            let days = found.entry((crew, work.crew.1)).or_default();
            days.entry((date, &work.house.name)).or_default().extend(work.step.cautions(work.film, work.house));
        }
    }
    let mut out = String::from("What to beware of\n\n");
    let mut all: BTreeSet<Caution> = BTreeSet::new();
    for ((_, crew), days) in &found {
        let _ = writeln!(out, "{crew}");
        for ((date, house), cautions) in days.iter().filter(|(_, cautions)| !cautions.is_empty()) {
            let short: Vec<&str> = cautions.iter().map(|caution| caution.short()).collect();
            let day = date.format("%a %e %b");
            out.push_str(&wrapped_after(&format!("  {day}  {house}: "), &short.join("; "), 14));
            all.extend(cautions);
        }
        out.push('\n');
    }
    if all.is_empty() {
        return String::new();
    }
    out.push_str("Labels, safety data sheets, local codes and licensed practice come before all of this:\n");
    for caution in all {
        out.push_str(&wrapped(&format!("{}. {}", caution.short(), caution.text()), 2, 4));
    }
    out.push('\n');
    out
}
