//! Rows of a plan in numbers: COPY stores what INSERT would. What it saves is measured by `benches/publish.rs`.

use crate::common::rows::{by_copy, by_insert, large};
use crate::common::store::{fresh_store, plan, row, small};

/// All three ways store the same; otherwise comparing them would mean nothing.
#[tokio::test]
async fn copy_stores_what_inserts_store() {
    let test = fresh_store().await;
    // More rows than fit into one chunk.
    let (small, rows) = large(&test, 60).await;
    let mut raw = test.raw().await;
    let copied = by_copy(&test, &small, &rows).await;
    let one = by_insert(&mut raw, &test, &small, &rows, true).await;
    let two = by_insert(&mut raw, &test, &small, &rows, false).await;
    let mut session = test.session(small.company).await;
    let shown =
        async |session: &mut tackfree::store::Session, id| format!("{:?}", session.plan_rows(id).await.unwrap());
    let expected = shown(&mut session, copied).await;
    assert_eq!(session.plan_rows(copied).await.unwrap().len(), 1_500);
    assert_eq!(shown(&mut session, one).await, expected);
    assert_eq!(shown(&mut session, two).await, expected);
}

/// Two plans in one session do not mix in the temporary table that COPY fills.
#[tokio::test]
async fn two_plans_in_one_session_keep_their_own_rows() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut session = test.session(small.company).await;
    let one = session.insert_plan(&plan(), &[row(small.job.id, "sand", small.crews[0].id, 0, 60)]).await.unwrap();
    let two = session.insert_plan(&plan(), &[row(small.job.id, "coat", small.crews[0].id, 0, 60)]).await.unwrap();
    for (id, step) in [(one.id, "sand"), (two.id, "coat")] {
        let rows = session.plan_rows(id).await.unwrap();
        assert_eq!(rows.iter().map(|row| row.step_key.as_str()).collect::<Vec<_>>(), [step]);
    }
}
