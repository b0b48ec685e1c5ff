//! `docs/calculations.md`: every calculation is on it with a question, and the program answers as the page says.

use std::process::Command;
use tackfree::calculate::CALCULATIONS;

const PAGE: &str = include_str!("../../docs/calculations.md");

/// What stands between the fence that opens with `kind` and its end.
fn block<'a>(section: &'a str, kind: &str) -> &'a str {
    let opened = section.split_once(&format!("```{kind}\n")).map(|(_, rest)| rest);
    opened.and_then(|rest| rest.split_once("```")).map(|(text, _)| text).unwrap()
}

#[test]
fn every_calculation_has_an_example_that_is_true() {
    let folder = tempfile::tempdir().unwrap();
    for (name, _) in CALCULATIONS {
        let heading = format!("\n## `{name}`\n");
        let found = PAGE.split_once(&heading).map(|(_, rest)| rest.split("\n## ").next().unwrap());
        let section = found.unwrap_or_else(|| panic!("docs/calculations.md has no section {name}"));
        assert!(PAGE.contains(&format!("| [`{name}`](#{name}) |")), "{name} is not in the table");
        let file = folder.path().join("question.json");
        std::fs::write(&file, block(section, "json")).unwrap();
        let program =
            Command::new(env!("CARGO_BIN_EXE_tackfree")).args(["calculate", name]).arg(&file).output().unwrap();
        assert!(program.status.success(), "{name}: {}", String::from_utf8_lossy(&program.stderr));
        assert_eq!(String::from_utf8_lossy(&program.stdout), block(section, "text"), "{name}");
    }
    assert_eq!(PAGE.matches("\n## `").count(), CALCULATIONS.len(), "the page has a section of no calculation");
}
