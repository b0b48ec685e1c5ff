//! What things are called: from the keys and names of a document to the indices of a situation, and what to say about a
//! key that is not there.

use super::fault::{At, Faults, shown};
use crate::domain::bounds::{KEY_CHARS_MAX, NAME_CHARS_MAX};
use crate::domain::fault::Fault;
use crate::domain::situation::Situation;
use std::collections::BTreeMap;

/// How many known names are listed when none is near the unknown one.
const LISTED: usize = 5;

/// The keys of one kind of thing, by index.
#[derive(Debug, Clone)]
pub struct Table {
    noun: &'static str,
    unknown_code: &'static str,
    keys: Vec<String>,
    by_key: BTreeMap<String, usize>,
}

impl Table {
    fn new(noun: &'static str, unknown_code: &'static str) -> Table {
        Table { noun, unknown_code, keys: Vec::new(), by_key: BTreeMap::new() }
    }

    /// The skills of a company.
    pub fn skills() -> Table {
        Table::new("skill", "unknown-skill")
    }

    /// The areas of a house.
    pub fn areas() -> Table {
        Table::new("area", "unknown-area")
    }

    /// The steps of a chain.
    pub fn steps() -> Table {
        Table::new("step", "unknown-step")
    }

    /// Gives `key` the next index. A key that is already there keeps its first index, and uses up one more, so that
    /// indices follow the document.
    pub fn add(&mut self, key: &str) {
        self.by_key.entry(key.to_string()).or_insert(self.keys.len());
        self.keys.push(key.to_string());
    }

    /// The index of `key`.
    pub fn find(&self, key: &str) -> Option<usize> {
        self.by_key.get(key).copied()
    }

    /// By index.
    pub fn keys(&self) -> &[String] {
        &self.keys
    }

    fn unknown(&self, who: &str, key: &str, search: bool) -> Fault {
        let what = format!("{who} names {} {}, which does not exist", self.noun, shown(key));
        let meant = if search { self.nearest(key) } else { None };
        let cure = meant.map_or_else(|| self.listed(), |meant| format!("did you mean {meant:?}?"));
        Fault::new(self.unknown_code, what, cure)
    }

    /// The known key that was probably meant.
    fn nearest(&self, key: &str) -> Option<&String> {
        let tolerance = (key.chars().count() / 3).clamp(1, 3);
        let short = key.len() <= KEY_CHARS_MAX.max(NAME_CHARS_MAX);
        let wanted = key.to_lowercase();
        // Each edit changes the length by one character of up to four bytes.
        let reach = if key.is_ascii() { tolerance } else { 4 * tolerance };
        let near = |known: &&String| short && known.len().abs_diff(key.len()) <= reach;
        let edits = |known: &String| strsim::osa_distance(&known.to_lowercase(), &wanted);
        let nearest = self.keys.iter().filter(near).map(|known| (edits(known), known)).min();
        nearest.filter(|(distance, _)| *distance <= tolerance).map(|(_, known)| known)
    }

    fn listed(&self) -> String {
        match self.keys.len() {
            0 => format!("declare the {} first; there is none yet", self.noun),
            count => {
                let listed: Vec<String> = self.keys.iter().take(LISTED).map(|known| format!("{known:?}")).collect();
                let more = if count > LISTED { " ..." } else { "" };
                format!("declare it, or use one of {}{more}", listed.join(", "))
            }
        }
    }
}

impl Faults {
    /// The index of `key`, or a fault that says what `who` was looking for and what was probably meant.
    pub(super) fn find(&mut self, at: &At, table: &Table, key: &str, who: &str) -> Option<usize> {
        let found = table.find(key);
        if found.is_none() {
            let search = self.may_search();
            self.push(at, table.unknown(who, key, search));
        }
        found
    }

    /// Adds a key to a table, or tells that it is taken.
    pub(super) fn declare(&mut self, at: &At, table: &mut Table, key: &str) {
        let taken = table.find(key).is_some();
        table.add(key);
        if taken {
            let what = format!("two of the same kind, {}, are called {}", table.noun, shown(key));
            self.push(at, Fault::new("duplicate-key", what, "give each its own key"));
        }
    }
}

/// All keys of a company, in the order in which its situation numbers them.
#[derive(Debug, Clone)]
pub struct Names {
    /// By skill position.
    pub skills: Table,
    /// By `RegionIx`.
    pub regions: Table,
    /// By `CrewIx`.
    pub crews: Table,
    /// By `HouseIx`.
    pub houses: Table,
    /// By `EquipmentIx`.
    pub equipment: Table,
    /// By place in the document; a method's index is not part of a situation.
    pub methods: Table,
    /// By `JobIx`.
    pub jobs: Table,
}

impl Default for Names {
    /// Nothing has a name yet.
    fn default() -> Names {
        Names {
            skills: Table::skills(),
            regions: Table::new("region", "unknown-region"),
            crews: Table::new("crew", "unknown-crew"),
            houses: Table::new("house", "unknown-house"),
            equipment: Table::new("equipment", "unknown-equipment"),
            methods: Table::new("method", "unknown-method"),
            jobs: Table::new("job", "unknown-job"),
        }
    }
}

impl Names {
    /// As a situation numbers its nouns.
    pub fn of(situation: &Situation) -> Names {
        let mut names = Names::default();
        situation.skills.iter().for_each(|name| names.skills.add(name.as_str()));
        situation.regions.iter().for_each(|region| names.regions.add(region.key.as_str()));
        situation.crews.iter().for_each(|crew| names.crews.add(crew.key.as_str()));
        situation.houses.iter().for_each(|house| names.houses.add(house.key.as_str()));
        situation.equipment.iter().for_each(|kind| names.equipment.add(kind.key.as_str()));
        situation.jobs.iter().for_each(|job| names.jobs.add(job.key.as_str()));
        names
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unknown_key_is_answered_with_the_nearest_or_a_list() {
        let mut table = Table::skills();
        let cure = |table: &Table, key: &str| table.unknown("a step", key, true).cure;
        assert!(cure(&table, "x").contains("there is none yet"));
        for key in ["sanding", "staining", "finishing"] {
            table.add(key);
        }
        table.add("sanding");
        assert_eq!((table.find("sanding"), table.keys().len()), (Some(0), 4));
        assert_eq!(cure(&table, "Sandign"), "did you mean \"sanding\"?");
        assert!(cure(&table, "plumbing").starts_with("declare it, or use one of \"sanding\", \"staining\""));
        assert!(table.unknown("a step", "Sandign", false).cure.starts_with("declare it"));
        assert!(cure(&table, &"s".repeat(100_000)).starts_with("declare it"));
    }
}
