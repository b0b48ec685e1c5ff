//! The outbox: numbers that nobody misses, deliveries that are leased in order, and news that is heard of at once.

use crate::common::postgres::server;
use crate::common::proxy::Proxy;
use crate::common::store::{TestStore, at, doc, fresh_store};
use chrono::{DateTime, Utc};
use serde_json::json;
use std::time::Duration;
use tackfree::store::{
    CompanyId, DeliveryStatus, Knock, Lease, NewNotice, NewWebhook, NoticeKind, NoticesFor, POOL_SIZE_DEFAULT, Settled,
    Store, StoreError, new_id,
};
use tokio::time::timeout;
use uuid::Uuid;

fn notice(kind: NoticeKind, job: Option<Uuid>, crew: Option<Uuid>) -> NewNotice {
    NewNotice { kind, job_id: job, crew_id: crew, at: at(0), doc: doc(json!({"about": kind.word()})) }
}

async fn told(store: &Store, company: CompanyId, notices: &[NewNotice]) {
    let mut session = store.session(company).await.unwrap();
    notices.iter().for_each(|notice| session.tell(notice.clone()));
    session.commit().await.unwrap();
}

async fn numbers(store: &Store, company: CompanyId, after: i64, readers: NoticesFor) -> Vec<i64> {
    let mut session = store.snapshot(company).await.unwrap();
    let rows = session.notices_after(after, readers, 1_000).await.unwrap();
    rows.iter().map(|row| row.number).collect()
}

#[tokio::test]
async fn what_is_told_is_known_with_the_transaction_or_not_at_all() {
    let test = fresh_store().await;
    let company = test.company("Plane & Sons").await;
    let crew = new_id();
    told(
        &test.store,
        company,
        &[
            notice(NoticeKind::EventRecorded, None, Some(crew)),
            notice(NoticeKind::CheckFailed, None, Some(new_id())),
            notice(NoticeKind::PlanPublished, None, None),
            notice(NoticeKind::PlanProposed, None, None),
        ],
    )
    .await;
    let mut undone = test.session(company).await;
    undone.tell(notice(NoticeKind::PlanRejected, None, None));
    drop(undone);
    told(&test.store, company, &[notice(NoticeKind::CrewDayChanged, None, Some(crew))]).await;
    assert_eq!(numbers(&test.store, company, 0, NoticesFor::Everybody).await, [1, 2, 3, 4, 5]);
    assert_eq!(numbers(&test.store, company, 3, NoticesFor::Everybody).await, [4, 5]);
    // Its own, and that something was published.
    assert_eq!(numbers(&test.store, company, 0, NoticesFor::Crew(crew)).await, [1, 3, 5]);
    let other = test.company("Rivals").await;
    assert_eq!(numbers(&test.store, other, 0, NoticesFor::Everybody).await, Vec::<i64>::new());
    let mut session = test.session(other).await;
    assert_eq!(session.notice_range().await.unwrap(), (0, 0));
}

#[test]
fn every_kind_is_known_by_its_word() {
    for kind in NoticeKind::ALL {
        assert_eq!(NoticeKind::parse(kind.word()), Some(kind));
    }
    assert_eq!(NoticeKind::parse("plan.publishe"), None);
}

/// Whoever has seen a number never misses a smaller one that is committed later, however many write at once.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_reader_who_goes_on_from_the_last_number_misses_nothing() {
    let test = fresh_store().await;
    let company = test.company("Plane & Sons").await;
    const WRITERS: i64 = 6;
    const EACH: i64 = 25;
    let writers: Vec<_> = (0..WRITERS)
        .map(|writer| {
            let store = test.store.clone();
            tokio::spawn(async move {
                for turn in 0..EACH {
                    let mut session = store.session(company).await.unwrap();
                    session.tell(notice(NoticeKind::EventRecorded, None, None));
                    if (writer + turn) % 5 == 0 {
                        session.tell(notice(NoticeKind::CheckFailed, None, None));
                    }
                    if turn % 7 == 3 {
                        drop(session);
                    } else {
                        session.commit().await.unwrap();
                    }
                }
            })
        })
        .collect();
    let mut last = 0;
    loop {
        let over = writers.iter().all(|writer| writer.is_finished());
        let seen = numbers(&test.store, company, last, NoticesFor::Everybody).await;
        for number in &seen {
            assert_eq!(*number, last + 1, "a number was skipped, or came late");
            last = *number;
        }
        if over && seen.is_empty() {
            break;
        }
    }
    assert!(last > WRITERS * EACH / 2);
    for writer in writers {
        writer.await.unwrap();
    }
}

async fn webhook(test: &TestStore, company: CompanyId, kinds: Vec<NoticeKind>) -> Uuid {
    let mut session = test.session(company).await;
    let new = NewWebhook { address: "https://example.com/in".into(), kinds, secret: vec![1; 32], at: at(0) };
    let row = session.insert_webhook(&new).await.unwrap();
    session.commit().await.unwrap();
    row.id
}

async fn leased(store: &Store, now: DateTime<Utc>) -> Vec<Lease> {
    store.lease_deliveries(now, now + chrono::Duration::minutes(1), 10, 5).await.unwrap()
}

async fn number_of(test: &TestStore, lease: &Lease) -> i64 {
    test.session(lease.company).await.leased_delivery(lease).await.unwrap().unwrap().number
}

async fn settle(test: &TestStore, lease: &Lease, status: DeliveryStatus, due: i64) -> bool {
    let mut session = test.session(lease.company).await;
    let settled = Settled { status, due_at: at(due), reply_status: Some(200), failure: None, at: at(due) };
    let held = session.settle_delivery(lease, &settled).await.unwrap();
    session.commit().await.unwrap();
    held
}

#[tokio::test]
async fn deliveries_of_a_job_go_out_one_after_the_other() {
    let test = fresh_store().await;
    let company = test.company("Plane & Sons").await;
    told(&test.store, company, &[notice(NoticeKind::CheckFailed, None, None)]).await;
    let hook = webhook(&test, company, vec![NoticeKind::CheckFailed, NoticeKind::EventRecorded]).await;
    let (one, other) = (Some(new_id()), Some(new_id()));
    let [event, failed] = [NoticeKind::EventRecorded, NoticeKind::CheckFailed];
    told(&test.store, company, &[notice(event, one, None), notice(NoticeKind::PlanProposed, None, None)]).await;
    told(&test.store, company, &[notice(failed, one, None), notice(event, other, None)]).await;
    let first = leased(&test.store, at(1)).await;
    assert_eq!(first.len(), 2);
    let mut sent = [number_of(&test, &first[0]).await, number_of(&test, &first[1]).await];
    sent.sort_unstable();
    assert_eq!(sent, [2, 5], "the first of each job; not what came before the webhook, nor what it does not want");
    assert_eq!(leased(&test.store, at(1)).await, [], "what is leased is nobody else's");
    let of_one = if number_of(&test, &first[0]).await == 2 { first[0] } else { first[1] };
    assert!(settle(&test, &of_one, DeliveryStatus::Waiting, 5).await);
    assert_eq!(leased(&test.store, at(1)).await, [], "neither before its time, nor the later one before it");
    let again = leased(&test.store, at(5)).await;
    let tries: Vec<i64> = vec![number_of(&test, &again[0]).await, number_of(&test, again.last().unwrap()).await];
    assert!(tries.contains(&2) && !tries.contains(&4), "{tries:?}");
    let again = *again.iter().find(|lease| lease.id == of_one.id).unwrap();
    assert!(!settle(&test, &of_one, DeliveryStatus::Done, 5).await, "the old lease is worth nothing");
    assert!(settle(&test, &again, DeliveryStatus::Dead, 5).await);
    let next = leased(&test.store, at(5)).await;
    assert_eq!((next.len(), number_of(&test, &next[0]).await), (1, 4), "a dead one holds nobody up");
    let mut session = test.session(company).await;
    let rows = session.deliveries(hook, None, None, 10).await.unwrap();
    let stand: Vec<_> = rows.iter().map(|row| (row.number, row.status, row.tries)).collect();
    let waiting = DeliveryStatus::Waiting;
    assert_eq!(stand, [(5, waiting, 2), (4, waiting, 1), (2, DeliveryStatus::Dead, 2)]);
    assert_eq!(session.deliveries(hook, Some(waiting), Some(5), 10).await.unwrap().len(), 1);
}

#[tokio::test]
async fn when_a_sender_dies_another_takes_over_and_two_never_send_the_same() {
    let test = fresh_store().await;
    let company = test.company("Plane & Sons").await;
    webhook(&test, company, vec![]).await;
    let of_jobs: Vec<NewNotice> = (0..12).map(|_| notice(NoticeKind::EventRecorded, Some(new_id()), None)).collect();
    told(&test.store, company, &of_jobs).await;
    let until = at(2);
    let lease = |most, each| test.store.lease_deliveries(at(1), until, most, each);
    assert_eq!(lease(10, 2).await.unwrap().len(), 2, "a webhook does not take all turns");
    let (one, other) = tokio::join!(lease(5, 5), lease(5, 5));
    let mut taken: Vec<Uuid> = one.unwrap().iter().chain(&other.unwrap()).map(|lease| lease.id).collect();
    taken.sort_unstable();
    taken.dedup();
    assert!(taken.len() >= 5, "{}", taken.len());
    while !lease(10, 10).await.unwrap().is_empty() {}
    let again = test.store.lease_deliveries(until, at(3), 20, 20).await.unwrap();
    assert_eq!(again.len(), 12, "all leases have run out");
}

#[tokio::test]
async fn a_webhook_is_switched_off_rotated_and_removed() {
    let test = fresh_store().await;
    let company = test.company("Plane & Sons").await;
    let [off, gone] = [webhook(&test, company, vec![]).await, webhook(&test, company, vec![]).await];
    told(&test.store, company, &[notice(NoticeKind::PlanPublished, None, None)]).await;
    let leases = leased(&test.store, at(1)).await;
    assert_eq!(leases.len(), 2);
    let mut session = test.session(company).await;
    session.switch_webhook_off(off, at(1), "the receiver answers 410").await.unwrap();
    let stale = session.delete_webhook(gone, 7).await.unwrap_err();
    assert!(matches!(stale, StoreError::Stale { current: 1 }), "{stale:?}");
    let rotated = session.rotate_webhook(gone, 1, &[2; 32], at(10)).await.unwrap();
    assert_eq!((rotated.version, rotated.old_secret_until), (2, Some(at(10))));
    assert!(matches!(session.rotate_webhook(gone, 1, &[3; 32], at(10)).await, Err(StoreError::Stale { current: 2 })));
    session.commit().await.unwrap();
    let mut session = test.session(company).await;
    let mut open = Vec::new();
    for lease in &leases {
        open.extend(session.leased_delivery(lease).await.unwrap());
    }
    assert_eq!(open.len(), 1, "nothing goes to the one that is off");
    assert_eq!((open[0].secret.as_slice(), open[0].old_secret.as_deref()), (&[2; 32][..], Some(&[1; 32][..])));
    let dead = session.deliveries(off, Some(DeliveryStatus::Dead), None, 10).await.unwrap();
    assert_eq!(dead.len(), 1);
    session.delete_webhook(gone, 2).await.unwrap();
    session.commit().await.unwrap();
    told(&test.store, company, &[notice(NoticeKind::PlanPublished, None, None)]).await;
    assert_eq!(leased(&test.store, at(100)).await, []);
    let mut session = test.session(company).await;
    let left: Vec<Uuid> = session.webhooks().await.unwrap().iter().map(|row| row.id).collect();
    assert_eq!(left, [off]);
    assert!(matches!(session.webhook(gone).await, Err(StoreError::NotFound { what: "webhook" })));
    let replayed = session.replay_delivery(off, dead[0].id, at(50)).await.unwrap();
    assert_eq!((replayed.status, replayed.tries, replayed.due_at), (DeliveryStatus::Waiting, 0, at(50)));
    let foreign = session.replay_delivery(gone, dead[0].id, at(50)).await.unwrap_err();
    assert!(matches!(foreign, StoreError::NotFound { what: "delivery" }));
}

#[tokio::test]
async fn what_is_old_is_thrown_away_and_nothing_else() {
    let test = fresh_store().await;
    let company = test.company("Plane & Sons").await;
    webhook(&test, company, vec![]).await;
    let late = NewNotice { at: at(60), ..notice(NoticeKind::PlanProposed, None, None) };
    let early = notice(NoticeKind::PlanProposed, None, None);
    told(&test.store, company, &[early.clone(), early.clone(), early, late]).await;
    assert_eq!(test.store.companies_to_prune(at(0), at(0), 5).await.unwrap(), []);
    assert_eq!(test.store.companies_to_prune(at(30), at(0), 5).await.unwrap(), [company]);
    let mut session = test.session(company).await;
    assert_eq!(session.prune_notices(at(30), 2).await.unwrap(), 2);
    assert_eq!(session.notice_range().await.unwrap(), (3, 4));
    assert_eq!(session.prune_notices(at(30), 2).await.unwrap(), 1);
    session.commit().await.unwrap();
    assert_eq!(numbers(&test.store, company, 0, NoticesFor::Everybody).await, [4]);
    assert_eq!(test.store.companies_to_prune(at(30), at(0), 5).await.unwrap(), []);
    let mut session = test.session(company).await;
    assert_eq!(session.prune_notices(at(90), 2).await.unwrap(), 1);
    assert_eq!(session.notice_range().await.unwrap(), (5, 4), "numbers are never given twice");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn news_is_heard_of_at_once_and_a_lost_connection_too() {
    let test = fresh_store().await;
    let mut proxy = Proxy::new(server().socket_directory());
    let store = Store::open(test.app.clone().socket(proxy.folder()), POOL_SIZE_DEFAULT).await.unwrap();
    let company = test.company("Plane & Sons").await;
    let mut knocks = store.listen().await.unwrap();
    let mut undone = test.session(company).await;
    undone.tell(notice(NoticeKind::PlanRejected, None, None));
    drop(undone);
    told(&test.store, company, &[notice(NoticeKind::PlanProposed, None, None)]).await;
    let heard = |knock: Result<Result<Knock, StoreError>, _>| knock.unwrap();
    let soon = Duration::from_secs(10);
    assert_eq!(heard(timeout(soon, knocks.next()).await).unwrap(), Knock::Company(company));
    proxy.cut().await;
    proxy.mend();
    assert_eq!(heard(timeout(soon, knocks.next()).await).unwrap(), Knock::Anybody);
    told(&test.store, company, &[notice(NoticeKind::PlanProposed, None, None)]).await;
    assert_eq!(heard(timeout(soon, knocks.next()).await).unwrap(), Knock::Company(company));
}
