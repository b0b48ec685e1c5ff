//! `tackfree load-list`: the sheet of a day from a planning file alone, with and without a plan file.

use std::path::Path;
use std::process::{Command, Output};
use tackfree::demo;
use tackfree::domain::time::Minute;

fn program(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tackfree")).current_dir(folder).args(arguments).output().unwrap()
}

fn said(output: &Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout.clone()).unwrap()
}

#[test]
fn a_sheet_for_every_crew_from_a_file() {
    let folder = tempfile::tempdir().unwrap();
    let now = Minute::floor_from("2026-03-06T06:00:00-05:00".parse().unwrap());
    std::fs::write(folder.path().join("week.json"), demo::document(now, None).unwrap().to_string()).unwrap();
    said(&program(folder.path(), &["plan", "week.json", "--moves", "50", "--out", "plan.json", "--json"]));
    let plan: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(folder.path().join("plan.json")).unwrap()).unwrap();
    // A day after the first on which a floor is treated, whoever does it.
    let starts = plan["placements"].as_array().unwrap().iter().filter(|placement| placement["kind"] == "treat_a");
    let days = starts.map(|placement| &placement["start"].as_str().unwrap()[..10]);
    let date = days.filter(|day| *day > "2026-03-06").min().unwrap();
    let day = ["load-list", "week.json", "--plan", "plan.json", "--date", date];
    let sheet = said(&program(folder.path(), &day));
    for part in [
        "LOAD LIST  Crew",
        "March 2026",
        "treatment part A",
        "treatment part B",
        "only, marked A",
        "only, marked B",
        "ALL CREWS",
        "What to beware of",
        "BEWARE",
    ] {
        assert!(sheet.contains(part), "{part} is missing in {sheet}");
    }
    assert!(sheet.lines().all(|line| line.chars().count() <= 96), "{sheet}");
    let json: serde_json::Value =
        serde_json::from_str(&said(&program(folder.path(), &[&day[..], &["--json"]].concat()))).unwrap();
    let crews = json["crews"].as_array().unwrap();
    // What is printed for one crew is what the office's list says of it.
    let key = crews[0]["crew"].as_str().unwrap();
    let one = said(&program(folder.path(), &[&day[..], &["--crew", key, "--json"]].concat()));
    let one: serde_json::Value = serde_json::from_str(&one).unwrap();
    assert_eq!((one["crews"].as_array().unwrap().len(), &one["crews"][0]), (1, &crews[0]));
    let unknown = program(folder.path(), &[&day[..], &["--crew", "nobody"]].concat());
    assert!(!unknown.status.success() && String::from_utf8_lossy(&unknown.stderr).contains("unknown-crew"));
}
