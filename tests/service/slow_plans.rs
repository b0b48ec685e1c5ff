//! A planning that was too slow is kept, and `tackfree plan` makes the same plan of it.

use crate::common::app::{crew, furnish};
use crate::common::program::{Program, command, run};
use crate::common::store::fresh_store;
use serde_json::{Value, json};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::time::Duration;

/// What was kept of this kind, not what is still being written.
fn kept(folder: &Path, kind: &str) -> Vec<String> {
    let names = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path().display().to_string());
    names.filter(|name| name.contains(&format!("-{kind}-slow-")) && name.ends_with(".json")).collect()
}

/// What the log says to run for this file. The log is read a moment after it is written.
async fn replay(program: &Program, file: &str) -> Vec<String> {
    let of_file = |log: String| {
        let lines = log.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
        lines.map(|line| line["fields"].clone()).find(|fields| fields["path"] == file)
    };
    let mut told = of_file(program.log());
    for _ in 0..100 {
        if told.is_some() {
            break;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
        told = of_file(program.log());
    }
    let told = told.unwrap_or_else(|| panic!("{file} is not in {}", program.log()));
    assert_eq!(told["message"], "a planning was captured");
    assert!(told["took_ms"].is_number(), "{told}");
    told["replay"].as_str().unwrap().split(' ').skip(1).map(ToOwned::to_owned).collect()
}

#[tokio::test]
async fn a_slow_planning_is_kept_and_replayed() {
    let (test, folder) = (fresh_store().await, tempfile::tempdir().unwrap());
    let captured = folder.path().join("captured");
    let settings = [("TACKFREE_CAPTURE_DIRECTORY", captured.to_str().unwrap()), ("TACKFREE_SLOW_PLAN_SECONDS", "0")];
    let program = Program::serve(&test, &settings).await;
    let office = program.company("Plane & Sons").await;
    furnish(&office).await;
    let draft = office.post("/v1/plans", &json!({"seed": 7, "move_budget": 200})).await.expect(201);
    let [file] = &kept(&captured, "draft")[..] else { panic!("{:?}", kept(&captured, "draft")) };
    assert_eq!(std::fs::metadata(file).unwrap().permissions().mode() & 0o777, 0o600);
    let arguments = replay(&program, file).await;
    assert!(arguments.ends_with(&["--seed", "7", "--moves", "200"].map(ToOwned::to_owned)), "{arguments:?}");
    let (done, plan, told) = run(command(&test.owner).args(&arguments).arg("--json"));
    assert!(done, "{told}");
    let plan: Value = serde_json::from_str(&plan).unwrap();
    assert_eq!((&plan["placements"], &plan["cost"]), (&draft["placements"], &draft["cost"]));
    assert!(plan["placements"].as_array().unwrap().len() >= 3, "{plan}");

    // A repair, and a question: planned otherwise, replayed as well.
    office.publish().await;
    office.put("/v1/crews/north", &crew("north")).await.expect(200);
    let closed =
        json!({"kind": "crew_away", "crew": "south", "from": draft["made_for"], "until": "2027-12-31T00:00:00Z"});
    let asked = office.post("/v1/what-ifs", &json!({"changes": [{"event": closed}]})).await;
    assert!(asked.status.is_success(), "{}", asked.text);
    for _ in 0..200 {
        if !kept(&captured, "repair").is_empty() {
            break;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    for kind in ["repair", "question"] {
        let files = kept(&captured, kind);
        assert!(!files.is_empty(), "no {kind}: {}", program.log());
        for file in files {
            let arguments = replay(&program, &file).await;
            let (done, _, told) = run(command(&test.owner).args(&arguments));
            assert!(done, "{arguments:?}: {told}");
        }
    }
}

#[tokio::test]
async fn nothing_is_kept_unless_a_folder_is_named_and_a_planning_is_slow() {
    let (test, folder) = (fresh_store().await, tempfile::tempdir().unwrap());
    let captured = folder.path().join("captured");
    let program = Program::serve(&test, &[("TACKFREE_CAPTURE_DIRECTORY", captured.to_str().unwrap())]).await;
    let office = program.company("Plane & Sons").await;
    furnish(&office).await;
    office.publish().await;
    assert_eq!(std::fs::read_dir(&captured).unwrap().count(), 0, "five seconds are enough");
    drop(program);
    let file = folder.path().join("file");
    std::fs::write(&file, "").unwrap();
    let refused =
        run(command(&test.owner).args(["serve", "--listen", "127.0.0.1:0", "--capture-directory"]).arg(&file));
    assert!(!refused.0 && refused.2.contains("code: capture-directory"), "{refused:?}");
}
