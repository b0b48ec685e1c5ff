//! Nouns, jobs with their chains, and records: versions, keys, what is in use, and chains that must hold together.

use crate::common::store::{Small, at, doc, fresh_store, job, noun, plan, row, small, step, wait, waits_for_lock};
use serde_json::{Value, json};
use tackfree::store::{JobFilter, JobStatus, NewNoun, NewRecord, Noun, RecordOutcome, Reference, StoreError, new_id};

fn refers(noun: Noun, key: &str) -> Reference {
    Reference { noun, key: key.into() }
}

fn record(small: &Small, step: &str, seen: i32, outcome: RecordOutcome) -> NewRecord {
    let running = outcome == RecordOutcome::Running;
    NewRecord {
        job_id: small.job.id,
        step_key: step.into(),
        seen,
        crew_id: small.crews[0].id,
        outcome,
        started_at: at(0),
        finished_at: (!running).then(|| at(30)),
        expected_finish_at: running.then(|| at(40)),
        doc: doc(json!({"readings": [7.5]})),
        recorded_at: at(31),
        recorded_by: "Anna".into(),
    }
}

#[tokio::test]
async fn each_noun_is_stored_changed_listed_and_archived() {
    let test = fresh_store().await;
    let company = test.company("Plane & Sons").await;
    for kind in Noun::ALL {
        let mut session = test.session(company).await;
        let first = session.insert_noun(kind, &noun("a")).await.unwrap();
        let second = session.insert_noun(kind, &noun("b")).await.unwrap();
        assert_eq!((first.version, first.doc.parse::<Value>().unwrap()), (1, json!({"about": "a"})));
        let changed = NewNoun { name: "New name".into(), doc: doc(json!({"about": "c"})), ..noun("ignored") };
        let updated = session.update_noun(kind, first.id, 1, &changed).await.unwrap();
        assert_eq!((updated.version, updated.key.as_str(), updated.name.as_str()), (2, "a", "New name"));
        session.commit().await.unwrap();

        let mut session = test.session(company).await;
        let stale = session.update_noun(kind, first.id, 1, &changed).await.unwrap_err();
        assert!(matches!(stale, StoreError::Stale { current: 2 }), "{stale:?}");
        let taken = session.insert_noun(kind, &noun("a")).await.unwrap_err();
        assert!(matches!(&taken, StoreError::KeyTaken { key, .. } if key == "a"), "{taken:?}");
        let missing = session.noun(kind, new_id()).await.unwrap_err();
        assert!(matches!(missing, StoreError::NotFound { .. }), "{missing:?}");

        let page = session.nouns(kind, None, 1).await.unwrap();
        let next = session.nouns(kind, Some(page[0].id), 5).await.unwrap();
        assert_eq!(page.iter().chain(&next).map(|row| row.id).collect::<Vec<_>>(), [first.id, second.id]);
        session.archive_noun(kind, first.id, 2).await.unwrap();
        assert_eq!(session.nouns(kind, None, 5).await.unwrap().len(), 1);
        assert!(session.noun(kind, first.id).await.unwrap().archived_at.is_some());
        // The key is free again.
        session.insert_noun(kind, &noun("a")).await.unwrap();
        let twice = session.archive_noun(kind, first.id, 3).await.unwrap_err();
        assert!(matches!(twice, StoreError::NotFound { .. }), "{twice:?}");
        session.commit().await.unwrap();
    }
}

#[tokio::test]
async fn what_is_in_use_is_not_archived() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut session = test.session(small.company).await;
    let region = session.insert_noun(Noun::Region, &noun("coast")).await.unwrap();
    let by_the_sea = NewNoun { refers: vec![refers(Noun::Region, "coast")], ..noun("pier-1") };
    let pier = session.insert_noun(Noun::House, &by_the_sea).await.unwrap();
    let gear = session.insert_noun(Noun::Equipment, &noun("edger")).await.unwrap();
    let mut needy = job("pier-floors", pier.id, &["sand"]);
    needy.steps[0].refers = vec![refers(Noun::Equipment, "edger"), refers(Noun::Crew, "south")];
    let needy = session.insert_job(&needy).await.unwrap();
    let draft = session.insert_plan(&plan(), &[row(small.job.id, "sand", small.crews[0].id, 0, 60)]).await.unwrap();
    session.publish_plan(draft.id, 1, at(0)).await.unwrap();
    session.commit().await.unwrap();

    let [north, south] = &small.crews;
    let used = [
        (Noun::Region, region.id, "house pier-1"),
        (Noun::House, pier.id, "job pier-floors"),
        (Noun::Equipment, gear.id, "job pier-floors"),
        (Noun::Crew, south.id, "job pier-floors"),
        (Noun::Crew, north.id, "published work on sand"),
    ];
    for (kind, id, user) in used {
        let refused = test.session(small.company).await.archive_noun(kind, id, 1).await.unwrap_err();
        assert!(matches!(&refused, StoreError::InUse { by, .. } if by == user), "{kind:?}: {refused:?}");
    }
    let mut session = test.session(small.company).await;
    session.set_job_status(needy.id, 1, JobStatus::Finished).await.unwrap();
    for (kind, id) in
        [(Noun::Equipment, gear.id), (Noun::House, pier.id), (Noun::Region, region.id), (Noun::Crew, south.id)]
    {
        session.archive_noun(kind, id, 1).await.unwrap();
    }
    // And a job that needs what is archived is not taken up again.
    let refused = session.set_job_status(needy.id, 2, JobStatus::Open).await.unwrap_err();
    assert!(matches!(refused, StoreError::UnknownReference { what: "house", .. }), "{refused:?}");
}

#[tokio::test]
async fn what_is_archived_or_unknown_is_not_referred_to() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut session = test.session(small.company).await;
    let to_nowhere = NewNoun { refers: vec![refers(Noun::Region, "nowhere")], ..noun("pier-1") };
    let refused = session.insert_noun(Noun::House, &to_nowhere).await.unwrap_err();
    assert!(
        matches!(&refused, StoreError::UnknownReference { what: "region", key } if key == "nowhere"),
        "{refused:?}"
    );
    let mut needy = job("needy", small.house.id, &["sand"]);
    needy.steps[0].refers = vec![refers(Noun::Equipment, "edger")];
    let refused = session.insert_job(&needy).await.unwrap_err();
    assert!(matches!(refused, StoreError::UnknownReference { what: "equipment", .. }), "{refused:?}");
    let refused = test.session(small.company).await.insert_job(&job("lost", new_id(), &["sand"])).await.unwrap_err();
    assert!(matches!(refused, StoreError::UnknownReference { what: "house", .. }), "{refused:?}");
}

/// One archives a house or gear while another gives it a job: the second is refused, though neither sees the other yet.
#[tokio::test]
async fn archiving_and_referring_exclude_each_other() {
    let test = fresh_store().await;
    let small = small(&test).await;
    for kind in [Noun::House, Noun::Equipment] {
        let mut session = test.session(small.company).await;
        let spare = session.insert_noun(kind, &noun("spare")).await.unwrap();
        session.commit().await.unwrap();

        let mut referring = test.session(small.company).await;
        let house = if kind == Noun::House { spare.id } else { small.house.id };
        let mut late = job(&format!("late-{}", kind.word()), house, &["sand"]);
        if kind == Noun::Equipment {
            late.steps[0].refers = vec![refers(kind, "spare")];
        }
        referring.insert_job(&late).await.unwrap();
        let (store, company) = (test.store.clone(), small.company);
        let archiving = tokio::spawn(async move {
            let mut session = store.session(company).await?;
            session.archive_noun(kind, spare.id, 1).await?;
            session.commit().await
        });
        waits_for_lock(&test.owner, &archiving).await;
        referring.commit().await.unwrap();
        let refused = archiving.await.unwrap().unwrap_err();
        assert!(matches!(&refused, StoreError::InUse { by, .. } if by.starts_with("job late")), "{refused:?}");
    }
}

#[tokio::test]
async fn a_job_is_stored_with_its_chain_in_order() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut session = test.session(small.company).await;
    let (row, chain) = session.job_with_chain(small.job.id).await.unwrap();
    assert_eq!((row.status, row.version), (JobStatus::Open, 1));
    let keys: Vec<&str> = chain.steps.iter().map(|step| step.step_key.as_str()).collect();
    assert_eq!(keys, ["sand", "treat-a", "treat-b", "coat"]);
    let pairs: Vec<_> = chain.waits.iter().map(|wait| (wait.from_key.as_str(), wait.to_key.as_str())).collect();
    assert_eq!(pairs, [("sand", "treat-a"), ("treat-a", "treat-b"), ("treat-b", "coat")]);
    let taken = session.insert_job(&job("elm-12-floors", small.house.id, &["sand"])).await.unwrap_err();
    assert!(matches!(taken, StoreError::KeyTaken { what: "job", .. }), "{taken:?}");
}

#[tokio::test]
async fn dangling_waits_records_and_work_are_refused() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut dangling = job("dangling", small.house.id, &["sand", "coat"]);
    dangling.waits.push(wait("coat", "nowhere"));
    let refused = test.session(small.company).await.insert_job(&dangling).await.unwrap_err();
    assert!(matches!(refused, StoreError::DanglingChain { .. }), "{refused:?}");
    let nowhere = record(&small, "nowhere", 0, RecordOutcome::Done);
    let refused = test.session(small.company).await.append_record(&nowhere).await.unwrap_err();
    assert!(matches!(refused, StoreError::DanglingChain { .. }), "{refused:?}");
    let work = [row(small.job.id, "nowhere", small.crews[0].id, 0, 60)];
    let refused = test.session(small.company).await.insert_plan(&plan(), &work).await.unwrap_err();
    assert!(matches!(refused, StoreError::DanglingChain { .. }), "{refused:?}");
    let work = [row(small.job.id, "sand", new_id(), 0, 60)];
    let refused = test.session(small.company).await.insert_plan(&plan(), &work).await.unwrap_err();
    assert!(matches!(refused, StoreError::UnknownReference { what: "crew", .. }), "{refused:?}");
    let mut twice = job("twice", small.house.id, &["sand"]);
    twice.steps.push(step("sand"));
    let refused = test.session(small.company).await.insert_job(&twice).await.unwrap_err();
    assert!(matches!(refused, StoreError::KeyTaken { what: "step", .. }), "{refused:?}");
}

#[tokio::test]
async fn a_chain_changes_as_a_whole_and_keeps_what_happened() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut session = test.session(small.company).await;
    let changed = job("ignored", small.house.id, &["sand", "stain", "coat"]);
    let row = session.update_job(small.job.id, 1, &changed).await.unwrap();
    assert_eq!((row.version, row.key.as_str()), (2, "elm-12-floors"));
    let chain = session.job_with_chain(small.job.id).await.unwrap().1;
    let keys: Vec<&str> = chain.steps.iter().map(|step| step.step_key.as_str()).collect();
    assert_eq!((keys, chain.waits.len()), (vec!["sand", "stain", "coat"], 2));
    // Old plans and calendars can still name those taken out.
    assert_eq!(session.steps_of_jobs(&[small.job.id]).await.unwrap().len(), 5);
    session.append_record(&record(&small, "stain", 0, RecordOutcome::Done)).await.unwrap();
    session.commit().await.unwrap();

    let mut session = test.session(small.company).await;
    let stale = session.update_job(small.job.id, 1, &changed).await.unwrap_err();
    assert!(matches!(stale, StoreError::Stale { current: 2 }), "{stale:?}");
    let without = job("ignored", small.house.id, &["sand", "coat"]);
    let refused = session.update_job(small.job.id, 2, &without).await.unwrap_err();
    assert!(matches!(refused, StoreError::InUse { what: "step", .. }), "{refused:?}");
    drop(session);
    // A step once taken out cannot be worked on, and can come back.
    let mut session = test.session(small.company).await;
    let refused = session.append_record(&record(&small, "treat-a", 0, RecordOutcome::Done)).await.unwrap_err();
    assert!(matches!(refused, StoreError::DanglingChain { .. }), "{refused:?}");
    drop(session);
    let mut session = test.session(small.company).await;
    let back = job("ignored", small.house.id, &["sand", "stain", "treat-a"]);
    session.update_job(small.job.id, 2, &back).await.unwrap();
    session.append_record(&record(&small, "treat-a", 0, RecordOutcome::Done)).await.unwrap();
}

#[tokio::test]
async fn jobs_are_filtered_and_paged() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut session = test.session(small.company).await;
    let other = session.insert_noun(Noun::House, &noun("oak-3")).await.unwrap();
    let second = session.insert_job(&job("second", other.id, &["sand"])).await.unwrap();
    let third = session.insert_job(&job("third", other.id, &["sand"])).await.unwrap();
    session.set_job_status(second.id, 1, JobStatus::OnHold).await.unwrap();
    let stale = session.set_job_status(second.id, 1, JobStatus::Open).await.unwrap_err();
    assert!(matches!(stale, StoreError::Stale { current: 2 }), "{stale:?}");
    let mut ids = async |filter, after| -> Vec<_> {
        session.jobs(filter, after, 10).await.unwrap().into_iter().map(|job| job.id).collect()
    };
    assert_eq!(ids(JobFilter::default(), None).await, [small.job.id, second.id, third.id]);
    assert_eq!(ids(JobFilter::default(), Some(second.id)).await, [third.id]);
    let open = JobFilter { status: Some(JobStatus::Open), house_id: Some(other.id) };
    assert_eq!(ids(open, None).await, [third.id]);
}

#[tokio::test]
async fn of_two_who_report_the_same_one_is_told() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut session = test.session(small.company).await;
    let begun = session.append_record(&record(&small, "sand", 0, RecordOutcome::Running)).await.unwrap();
    assert_eq!(begun.record_no, 1);
    session.commit().await.unwrap();
    let both: Vec<_> = (0..8)
        .map(|_| {
            let (store, company) = (test.store.clone(), small.company);
            let report = record(&small, "sand", 1, RecordOutcome::Done);
            tokio::spawn(async move {
                let mut session = store.session(company).await?;
                let outcome = session.append_record(&report).await?;
                session.commit().await.map(|()| outcome.record_no)
            })
        })
        .collect();
    let mut outcomes = Vec::new();
    for one in both {
        outcomes.push(one.await.unwrap());
    }
    assert_eq!(outcomes.iter().filter(|outcome| matches!(outcome, Ok(2))).count(), 1, "{outcomes:?}");
    assert_eq!(
        outcomes.iter().filter(|o| matches!(o, Err(StoreError::Stale { current: 2 }))).count(),
        7,
        "{outcomes:?}"
    );
    let mut session = test.session(small.company).await;
    let ahead = session.append_record(&record(&small, "sand", 5, RecordOutcome::Done)).await.unwrap_err();
    assert!(matches!(ahead, StoreError::Stale { current: 2 }), "{ahead:?}");
    assert_eq!(session.records_of_job(small.job.id).await.unwrap().len(), 2);
}

#[tokio::test]
async fn the_company_has_settings_with_a_version() {
    let test = fresh_store().await;
    let company = test.company("Plane & Sons").await;
    let mut session = test.session(company).await;
    assert_eq!(session.update_company(1, "Plane & Daughters", &doc(json!({"freeze": 1}))).await.unwrap(), 2);
    let stale = session.update_company(1, "Nobody", &doc(json!({}))).await.unwrap_err();
    assert!(matches!(stale, StoreError::Stale { current: 2 }), "{stale:?}");
    assert_eq!(session.company_row().await.unwrap().name, "Plane & Daughters");
    let twice = session.insert_company("Again", &doc(json!({}))).await.unwrap_err();
    assert!(matches!(twice, StoreError::KeyTaken { what: "company", .. }), "{twice:?}");
}
