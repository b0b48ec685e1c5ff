//! The page for operators names every setting that the program takes, with its flag and its default, and no other.

use std::collections::BTreeMap;
use std::process::Command;

const PAGE: &str = include_str!("../../docs/running.md");

/// Variable to flag and default, as the program's help has them.
fn taken() -> BTreeMap<String, (String, Option<String>)> {
    let mut taken = BTreeMap::new();
    for command in ["serve", "demo", "fetch-forecasts", "backup", "restore", "migrate"] {
        let help = Command::new(env!("CARGO_BIN_EXE_tackfree")).args(["help", command]).output().unwrap();
        let help = String::from_utf8(help.stdout).unwrap();
        let mut flag = String::new();
        for line in help.lines() {
            if let Some(rest) = line.trim_start().strip_prefix("--") {
                flag = format!("--{}", rest.split([' ', '=']).next().unwrap());
            }
            let within = |mark: &str| Some(line.split(mark).nth(1)?.split(']').next()?.to_owned());
            if let Some(name) = within("[env: ") {
                let name = name.trim_end_matches('=').split('=').next().unwrap().to_owned();
                taken.insert(name, (flag.clone(), None));
            }
            if let Some(default) = within("[default: ") {
                let named = taken.values_mut().filter(|(known, _)| *known == flag);
                named.for_each(|(_, of)| *of = Some(default.clone()));
            }
        }
    }
    assert!(taken.len() >= 16, "{taken:?}");
    taken
}

#[test]
fn every_setting_is_on_the_page_and_no_other() {
    let taken = taken();
    for (name, (flag, default)) in &taken {
        let row = PAGE.lines().find(|line| line.starts_with(&format!("| `{name}` | `{flag}` |")));
        let row = row.unwrap_or_else(|| panic!("docs/running.md has no row for {name} with {flag}"));
        if let Some(default) = default {
            assert!(row.contains(&format!("| `{default}` |")), "{name} is {default} when nothing is said: {row}");
        }
    }
    for row in PAGE.lines().filter(|line| line.starts_with("| `TACKFREE_")) {
        let name = row.split('`').nth(1).unwrap();
        assert!(taken.contains_key(name), "the program knows no {name}");
    }
}
