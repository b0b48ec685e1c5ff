//! Plans: stored with their rows, published as a difference, refused when a crew would be in two places, and what
//! calendars say about it afterwards.

use crate::common::store::{Small, TestStore, at, doc, fresh_store, job, plan, row, run, small, sqlstate};
use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use sqlx::Connection;
use std::collections::BTreeSet;
use tackfree::store::{
    BookedBy, BookingRow, CALLED_OFF_KEPT_DAYS, JobStatus, NewRecord, Noun, PlanRow, PlanStatus, Published,
    RecordOutcome, StoreError,
};
use uuid::Uuid;

async fn publish(test: &TestStore, small: &Small, rows: &[PlanRow], when: i64) -> Published {
    try_publish(test, small, rows, at(when)).await.unwrap()
}

async fn try_publish(
    test: &TestStore,
    small: &Small,
    rows: &[PlanRow],
    when: DateTime<Utc>,
) -> Result<Published, StoreError> {
    let mut session = test.session(small.company).await;
    let draft = session.insert_plan(&plan(), rows).await?;
    let published = session.publish_plan(draft.id, draft.version, when).await?;
    session.commit().await?;
    Ok(published)
}

async fn bookings(test: &TestStore, small: &Small, by: BookedBy) -> Vec<BookingRow> {
    test.session(small.company).await.bookings(by, at(-100_000), at(200_000)).await.unwrap()
}

/// Step, crew's initial, start, sequence, and `-` for what was called off, `.` for what is over.
fn said(small: &Small, rows: &[BookingRow]) -> Vec<String> {
    let line = |row: &BookingRow| {
        let crew = if row.crew_id == small.crews[0].id { "n" } else { "s" };
        let mark = match (row.left_at, row.cancelled) {
            (None, _) => "",
            (Some(_), true) => " -",
            (Some(_), false) => " .",
        };
        format!("{} {crew} {} #{}{mark}", row.step_key, (row.start - at(0)).num_minutes(), row.sequence)
    };
    rows.iter().map(line).collect()
}

fn done(small: &Small, step: &str) -> NewRecord {
    NewRecord {
        job_id: small.job.id,
        step_key: step.into(),
        seen: 0,
        crew_id: small.crews[0].id,
        outcome: RecordOutcome::Done,
        started_at: at(0),
        finished_at: Some(at(60)),
        expected_finish_at: None,
        doc: doc(json!({})),
        recorded_at: at(61),
        recorded_by: "Anna".into(),
    }
}

#[tokio::test]
async fn a_plan_comes_back_as_it_was_stored() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut session = test.session(small.company).await;
    let rows = [
        PlanRow {
            units: Some(doc(json!([{"gear": "edger", "unit": 1}]))),
            moved_because: Some("crew away — \"ill\"\n".into()),
            piece_no: 1,
            fixed: true,
            ..row(small.job.id, "sand", small.crews[0].id, 0, 60)
        },
        PlanRow { run_key: "treat-a".into(), ..row(small.job.id, "treat-b", small.crews[1].id, 61, 75) },
    ];
    let head = session.insert_plan(&plan(), &rows).await.unwrap();
    session.commit().await.unwrap();
    let mut session = test.session(small.company).await;
    let stored = session.plan_rows(head.id).await.unwrap();
    let shown = |rows: &[PlanRow]| -> Vec<String> {
        let units = |row: &PlanRow| row.units.as_ref().map(|units| units.parse::<Value>().unwrap());
        rows.iter().map(|row| format!("{:?} {:?}", PlanRow { units: None, ..row.clone() }, units(row))).collect()
    };
    assert_eq!(shown(&stored), shown(&rows));
    let head = session.plan(head.id).await.unwrap();
    assert_eq!((head.number, head.status, head.seed, head.row_count), (1, PlanStatus::Draft, u64::MAX, 2));
    // A plan of nothing is a plan; numbers count on.
    assert_eq!(session.insert_plan(&plan(), &[]).await.unwrap().number, 2);
    let numbers: Vec<i64> = session.plans(None, 10).await.unwrap().iter().map(|plan| plan.number).collect();
    assert_eq!(numbers, [2, 1]);
    assert_eq!(session.plans(Some(2), 10).await.unwrap().len(), 1);
}

#[tokio::test]
async fn a_plan_shares_the_rows_of_jobs_that_stay_as_they_are() {
    let test = fresh_store().await;
    let (stays, moves) = (small(&test).await, 60);
    let mut session = test.session(stays.company).await;
    let other = session.insert_job(&job("other", stays.house.id, &["sand"])).await.unwrap();
    let new = session.insert_job(&job("new", stays.house.id, &["sand"])).await.unwrap();
    let because = |row: PlanRow| PlanRow { moved_because: Some("crew away".into()), ..row };
    let kept = because(row(stays.job.id, "sand", stays.crews[0].id, 0, 60));
    let base = [kept.clone(), row(other.id, "sand", stays.crews[1].id, 0, 60)];
    let base = session.insert_plan(&plan(), &base).await.unwrap();
    session.publish_plan(base.id, 1, at(0)).await.unwrap();
    // Nothing is known to differ in a job that the other plan does not have: its rows are written all the same.
    let moved = because(row(other.id, "sand", stays.crews[1].id, moves, moves + 60));
    let rows = [kept.clone(), moved.clone(), row(new.id, "sand", stays.crews[1].id, 300, 360)];
    let touched = BTreeSet::from([other.id]);
    let repaired = session.insert_plan_beside(&plan(), &rows, (base.id, &touched)).await.unwrap();
    assert_eq!(repaired.row_count, 3);
    let shown = |rows: &[PlanRow]| rows.iter().map(|row| format!("{row:?}")).collect::<BTreeSet<_>>();
    let expected = [PlanRow { moved_because: None, ..kept.clone() }, moved, rows[2].clone()];
    assert_eq!(shown(&session.plan_rows(repaired.id).await.unwrap()), shown(&expected));
    assert_eq!(session.plan_rows(base.id).await.unwrap().len(), 2);
    // Published by somebody who knows what differs, or by somebody who does not: the same.
    let done = session.publish_touched(repaired.id, 1, at(1), &[other.id, new.id]).await.unwrap();
    assert_eq!((done.added, done.changed, done.left), (1, 1, 0));
    let again = session.insert_plan_beside(&plan(), &expected, (repaired.id, &BTreeSet::new())).await.unwrap();
    let done = session.publish_plan(again.id, 1, at(2)).await.unwrap();
    assert_eq!((done.added, done.changed, done.left), (0, 0, 0));
    // A plan that is thrown away takes nothing of others with it.
    let draft = session.insert_plan_beside(&plan(), &rows, (again.id, &touched)).await.unwrap();
    session.reject_plan(draft.id, 1).await.unwrap();
    assert!(session.plan_rows(draft.id).await.unwrap().is_empty());
    assert_eq!(session.plan_rows(again.id).await.unwrap().len(), 3);
}

#[tokio::test]
async fn only_drafts_are_published_or_rejected_and_one_plan_is_the_promise() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let work = [row(small.job.id, "sand", small.crews[0].id, 0, 60)];
    let first = publish(&test, &small, &work, 0).await.plan;
    assert_eq!(first.published_at, Some(at(0)));
    let mut session = test.session(small.company).await;
    let again = session.publish_plan(first.id, first.version, at(1)).await.unwrap_err();
    assert!(matches!(&again, StoreError::NotADraft { status } if status == "published"), "{again:?}");
    drop(session);
    let second = publish(&test, &small, &work, 1).await.plan;
    let mut session = test.session(small.company).await;
    assert_eq!(session.published_plan().await.unwrap().unwrap().id, second.id);
    assert_eq!(session.plan(first.id).await.unwrap().status, PlanStatus::Superseded);
    assert_eq!(session.plan_rows(first.id).await.unwrap().len(), 1, "old plans are kept");
    let draft = session.insert_plan(&plan(), &work).await.unwrap();
    let stale = session.reject_plan(draft.id, 7).await.unwrap_err();
    assert!(matches!(stale, StoreError::Stale { current: 1 }), "{stale:?}");
    session.reject_plan(draft.id, 1).await.unwrap();
    assert!(session.plan_rows(draft.id).await.unwrap().is_empty());
    let rejected = session.publish_plan(draft.id, 2, at(2)).await.unwrap_err();
    assert!(matches!(&rejected, StoreError::NotADraft { status } if status == "rejected"), "{rejected:?}");
}

#[tokio::test]
async fn a_crew_in_two_places_is_refused_by_the_database() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let [north, south] = [small.crews[0].id, small.crews[1].id];
    publish(&test, &small, &[row(small.job.id, "sand", north, 0, 60)], 0).await;
    let doubled = [row(small.job.id, "sand", north, 0, 60), row(small.job.id, "coat", north, 59, 90)];
    let refused = try_publish(&test, &small, &doubled, at(1)).await.unwrap_err();
    let StoreError::CrewDoubleBooked { crew_id, first, second } = &refused else { panic!("{refused:?}") };
    assert_eq!((*crew_id, first.step_key.as_str(), second.step_key.as_str()), (north, "sand", "coat"));
    assert_eq!(refused.code(), "crew-double-booked");
    assert_eq!(said(&small, &bookings(&test, &small, BookedBy::Company).await), ["sand n 0 #0"]);
    // One after the other, two crews at once, and what is over already are all right.
    let mut over = row(small.job.id, "treat-a", north, 10, 20);
    over.fixed = true;
    let fine = [
        row(small.job.id, "sand", north, 0, 60),
        row(small.job.id, "coat", north, 60, 90),
        row(small.job.id, "treat-b", south, 0, 60),
        over,
    ];
    publish(&test, &small, &fine, 2).await;
}

/// Not by the store's own look first: PostgreSQL says 23P01 to anybody, even the owner.
#[tokio::test]
async fn the_constraint_holds_behind_the_stores_back() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let work =
        [row(small.job.id, "sand", small.crews[0].id, 0, 60), row(small.job.id, "coat", small.crews[0].id, 60, 90)];
    publish(&test, &small, &work, 0).await;
    let mut owner = test.owner().await;
    let shift = "UPDATE booking SET during = tstzrange(lower(during) - interval '1 minute', upper(during)) WHERE step_key = 'coat'";
    let refused = run(&mut owner, shift.into()).await.unwrap_err();
    assert_eq!(sqlstate(&refused), "23P01");
    let dangling = "UPDATE booking SET step_key = 'nowhere' WHERE step_key = 'coat'";
    assert_eq!(sqlstate(&run(&mut owner, dangling.into()).await.unwrap_err()), "23503");
    owner.close().await.unwrap();
}

#[tokio::test]
async fn works_of_one_run_may_overlap_and_of_two_runs_may_not() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let north = small.crews[0].id;
    let run = |step: &str, from, until, run: &str| PlanRow {
        run_key: run.into(),
        ..row(small.job.id, step, north, from, until)
    };
    publish(&test, &small, &[run("treat-a", 0, 13, "treat-a"), run("treat-b", 10, 23, "treat-a")], 0).await;
    let two_runs = [run("treat-a", 0, 13, "treat-a"), run("treat-b", 10, 23, "treat-b")];
    let refused = try_publish(&test, &small, &two_runs, at(1)).await.unwrap_err();
    assert!(matches!(refused, StoreError::CrewDoubleBooked { .. }), "{refused:?}");
    // Runs of two jobs are two runs, though their steps have the same keys.
    let mut session = test.session(small.company).await;
    let other = session.insert_job(&job("other", small.house.id, &["treat-a"])).await.unwrap();
    session.commit().await.unwrap();
    let two_jobs = [row(small.job.id, "treat-a", north, 0, 13), row(other.id, "treat-a", north, 10, 23)];
    let refused = try_publish(&test, &small, &two_jobs, at(1)).await.unwrap_err();
    assert!(matches!(refused, StoreError::CrewDoubleBooked { .. }), "{refused:?}");
}

#[tokio::test]
async fn two_works_may_change_places() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let north = small.crews[0].id;
    let before = [row(small.job.id, "sand", north, 0, 60), row(small.job.id, "coat", north, 60, 120)];
    publish(&test, &small, &before, 0).await;
    let after = [row(small.job.id, "sand", north, 60, 120), row(small.job.id, "coat", north, 0, 60)];
    let published = publish(&test, &small, &after, 1).await;
    assert_eq!((published.added, published.changed, published.left), (0, 2, 0));
}

#[tokio::test]
async fn sequences_rise_exactly_for_what_changed_and_what_vanished_is_called_off() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let [north, south] = [small.crews[0].id, small.crews[1].id];
    let stays = row(small.job.id, "sand", north, 0, 60);
    let first = [
        stays.clone(),
        row(small.job.id, "treat-a", north, 100, 110),
        row(small.job.id, "treat-b", north, 200, 210),
        row(small.job.id, "coat", north, 300, 360),
    ];
    let published = publish(&test, &small, &first, 0).await;
    assert_eq!((published.added, published.changed, published.left), (4, 0, 0));

    // One stays (with other gear), one moves, one changes crews, one vanishes.
    let second = [
        PlanRow { units: Some(doc(json!(["edger 2"]))), ..stays.clone() },
        row(small.job.id, "treat-a", north, 130, 140),
        row(small.job.id, "treat-b", south, 200, 210),
    ];
    let published = publish(&test, &small, &second, 10).await;
    assert_eq!((published.added, published.changed, published.left), (1, 2, 2));
    let all = bookings(&test, &small, BookedBy::Company).await;
    let expected = ["sand n 0 #0", "treat-a n 130 #1", "treat-b n 200 #1 -", "treat-b s 200 #2", "coat n 300 #1 -"];
    assert_eq!(said(&small, &all), expected);
    let modified: Vec<i64> = all.iter().map(|row| (row.last_modified - at(0)).num_minutes()).collect();
    assert_eq!(modified, [0, 10, 10, 10, 10]);
    assert_eq!(all[0].units.as_ref().unwrap().parse::<Value>().unwrap(), json!(["edger 2"]));

    // The same again changes nothing at all.
    let published = publish(&test, &small, &second, 20).await;
    assert_eq!((published.added, published.changed, published.left), (0, 0, 0));
    assert_eq!(said(&small, &bookings(&test, &small, BookedBy::Company).await), expected);

    // What comes back goes on counting, with whichever crew.
    let third = [stays, row(small.job.id, "treat-b", north, 200, 210), row(small.job.id, "coat", north, 300, 360)];
    publish(&test, &small, &third, 30).await;
    let expected = ["sand n 0 #0", "treat-a n 130 #2 -", "treat-b s 200 #3 -", "treat-b n 200 #4", "coat n 300 #2"];
    assert_eq!(said(&small, &bookings(&test, &small, BookedBy::Company).await), expected);
    let of_south = bookings(&test, &small, BookedBy::Crew(south)).await;
    assert_eq!(said(&small, &of_south), ["treat-b s 200 #3 -"]);
    assert_eq!(bookings(&test, &small, BookedBy::House(small.house.id)).await.len(), 5);
    assert!(bookings(&test, &small, BookedBy::House(Uuid::nil())).await.is_empty());
    let window = test.session(small.company).await.bookings(BookedBy::Crew(north), at(210), at(301)).await.unwrap();
    assert_eq!(said(&small, &window), ["coat n 300 #2"]);
}

#[tokio::test]
async fn what_happened_is_not_called_off_when_its_job_is_over() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let north = small.crews[0].id;
    let in_pieces = PlanRow { piece_no: 1, ..row(small.job.id, "treat-a", north, 90, 95) };
    let work = [
        row(small.job.id, "sand", north, 0, 60),
        row(small.job.id, "treat-a", north, 70, 80),
        in_pieces,
        row(small.job.id, "coat", north, 100, 160),
    ];
    publish(&test, &small, &work, 0).await;
    let mut session = test.session(small.company).await;
    session.append_record(&done(&small, "sand")).await.unwrap();
    session.append_record(&done(&small, "treat-a")).await.unwrap();
    session.commit().await.unwrap();
    // The plan knows that the second step was done in one piece: the other piece is no event any more.
    let now = |step: &str| PlanRow { fixed: true, ..row(small.job.id, step, north, 0, 60) };
    publish(&test, &small, &[now("sand"), now("treat-a"), row(small.job.id, "coat", north, 100, 160)], 10).await;
    let expected = ["sand n 0 #0", "treat-a n 0 #1", "treat-a n 90 #1 -", "coat n 100 #0"];
    assert_eq!(said(&small, &bookings(&test, &small, BookedBy::Company).await), expected);
    let mut session = test.session(small.company).await;
    session.set_job_status(small.job.id, 1, JobStatus::Cancelled).await.unwrap();
    assert!(session.promised().await.unwrap().is_empty());
    session.commit().await.unwrap();
    publish(&test, &small, &[], 20).await;
    let expected = ["sand n 0 #0 .", "treat-a n 0 #1 .", "treat-a n 90 #1 -", "coat n 100 #1 -"];
    assert_eq!(said(&small, &bookings(&test, &small, BookedBy::Company).await), expected);
    // Both are forgotten in the end.
    let later = at(20) + chrono::Duration::days(i64::from(CALLED_OFF_KEPT_DAYS));
    try_publish(&test, &small, &[], later).await.unwrap();
    assert_eq!(bookings(&test, &small, BookedBy::Company).await.len(), 3, "one was called off earlier");
    try_publish(&test, &small, &[], later + chrono::Duration::seconds(1)).await.unwrap();
    assert!(bookings(&test, &small, BookedBy::Company).await.is_empty());
}

/// Many drafts, each with the same step at another time and by another crew, are published at once: in the end one is
/// the promise, and exactly its work is promised.
#[tokio::test]
async fn publications_happen_one_after_the_other() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut session = test.session(small.company).await;
    let mut drafts = Vec::new();
    for number in 0..8 {
        let work = [row(small.job.id, "sand", small.crews[number % 2].id, number as i64, 60)];
        drafts.push(session.insert_plan(&plan(), &work).await.unwrap().id);
    }
    session.commit().await.unwrap();
    let all: Vec<_> = drafts
        .into_iter()
        .map(|draft| {
            let (store, company) = (test.store.clone(), small.company);
            tokio::spawn(async move {
                let mut session = store.session(company).await?;
                session.publish_plan(draft, 1, at(0)).await?;
                session.commit().await
            })
        })
        .collect();
    for one in all {
        one.await.unwrap().unwrap();
    }
    let mut session = test.session(small.company).await;
    let plans = session.plans(None, 10).await.unwrap();
    let published: Vec<_> = plans.iter().filter(|plan| plan.status == PlanStatus::Published).collect();
    assert_eq!(published.len(), 1);
    let promised = session.promised().await.unwrap();
    let rows = session.plan_rows(published[0].id).await.unwrap();
    assert_eq!((promised.len(), promised[0].crew_id, promised[0].start), (1, rows[0].crew_id, rows[0].start));
}

#[tokio::test]
async fn the_planning_input_is_loaded_whole() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let [north, south] = [small.crews[0].id, small.crews[1].id];
    let mut session = test.session(small.company).await;
    session.insert_job(&job("second", small.house.id, &["sand", "coat"])).await.unwrap();
    let held = session.insert_job(&job("held", small.house.id, &["sand"])).await.unwrap();
    session.set_job_status(held.id, 1, JobStatus::OnHold).await.unwrap();
    let east = session.insert_noun(Noun::Crew, &crate::common::store::noun("east")).await.unwrap().id;
    session.append_record(&NewRecord { crew_id: east, ..done(&small, "sand") }).await.unwrap();
    for gone in [south, east] {
        session.archive_noun(Noun::Crew, gone, 1).await.unwrap();
    }
    session.commit().await.unwrap();
    publish(&test, &small, &[row(small.job.id, "coat", north, 100, 160)], 0).await;
    let rows = test.store.snapshot(small.company).await.unwrap().planning_rows().await.unwrap();
    assert_eq!(rows.company.name, "Plane & Sons");
    let keys: Vec<(&str, usize, usize)> =
        rows.jobs.iter().map(|job| (job.job.key.as_str(), job.chain.steps.len(), job.chain.waits.len())).collect();
    assert_eq!(keys, [("elm-12-floors", 4, 3), ("second", 2, 1)]);
    assert_eq!((rows.houses.len(), rows.records.len(), rows.promised.len()), (1, 1, 1));
    assert_eq!(rows.crews.iter().map(|crew| crew.id).collect::<Vec<_>>(), [north, east], "south has done nothing");
}

/// A snapshot sees one moment, and cannot write.
#[tokio::test]
async fn a_snapshot_stands_still() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut snapshot = test.store.snapshot(small.company).await.unwrap();
    assert_eq!(snapshot.nouns(Noun::House, None, 10).await.unwrap().len(), 1);
    let mut session = test.session(small.company).await;
    session.insert_noun(Noun::House, &crate::common::store::noun("oak-3")).await.unwrap();
    session.commit().await.unwrap();
    assert_eq!(snapshot.nouns(Noun::House, None, 10).await.unwrap().len(), 1);
    snapshot.insert_noun(Noun::House, &crate::common::store::noun("ash-4")).await.unwrap_err();
}
