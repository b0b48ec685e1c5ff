//! What was read before is not read again, and is never old.

use crate::common::store::{Small, TestStore, doc, fresh_store, job, noun, small};
use serde_json::{Value, json};
use tackfree::store::{NewNoun, Noun, PlanningRows};

async fn rows(test: &TestStore, small: &Small) -> PlanningRows {
    test.store.snapshot(small.company).await.unwrap().planning_rows().await.unwrap()
}

/// Two readings share the text of what has not changed, and only that.
#[tokio::test]
async fn only_what_has_another_version_is_read_again() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let before = rows(&test, &small).await;
    let changed = NewNoun { doc: doc(json!({"changed": true})), ..noun("north") };
    let mut session = test.session(small.company).await;
    session.update_noun(Noun::Crew, small.crews[0].id, 1, &changed).await.unwrap();
    let longer = job("elm-12-floors", small.house.id, &["sand", "treat-a", "treat-b", "coat", "coat-2"]);
    session.update_job(small.job.id, 1, &longer).await.unwrap();
    let added = session.insert_job(&job("added", small.house.id, &["sand"])).await.unwrap();
    session.commit().await.unwrap();
    let after = rows(&test, &small).await;
    let text = |rows: &PlanningRows, crew: usize| rows.crews[crew].doc.as_str().as_ptr();
    assert_eq!(text(&after, 1), text(&before, 1), "the same text, not a copy");
    assert_eq!(after.crews[0].doc.parse::<Value>().unwrap(), json!({"changed": true}));
    assert_eq!((after.crews[0].version, after.jobs[0].chain.steps.len()), (2, 5));
    assert_eq!((after.jobs[1].job.id, after.jobs[1].chain.steps.len()), (added.id, 1));
    // What is put away is not there any more, known or not.
    let mut session = test.session(small.company).await;
    session.archive_noun(Noun::Crew, small.crews[1].id, 1).await.unwrap();
    session.commit().await.unwrap();
    assert_eq!(rows(&test, &small).await.crews.len(), 1);
}

/// What somebody sees who has not committed is no version of anything.
#[tokio::test]
async fn what_was_never_committed_is_not_remembered() {
    let test = fresh_store().await;
    let small = small(&test).await;
    rows(&test, &small).await;
    for (what, committed) in [("rolled back", false), ("committed", true)] {
        let changed = NewNoun { doc: doc(json!({ "is": what })), ..noun("north") };
        let mut session = test.session(small.company).await;
        session.update_noun(Noun::Crew, small.crews[0].id, 1, &changed).await.unwrap();
        let seen = session.planning_rows().await.unwrap();
        assert_eq!(seen.crews[0].doc.parse::<Value>().unwrap()["is"], what);
        if committed {
            session.commit().await.unwrap();
        }
    }
    assert_eq!(rows(&test, &small).await.crews[0].doc.parse::<Value>().unwrap()["is"], "committed");
}
