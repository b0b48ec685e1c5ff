//! Tokens, calendar addresses, the same request twice, and connections that are lost.

use crate::common::store::{Small, TestStore, at, doc, fresh_store, run, small};
use serde_json::{Value, json};
use std::time::Duration;
use tackfree::store::{
    Begun, FeedKind, NewToken, Noun, Secret, Store, StoreError, StoredResponse, Ticket, TokenRole, TokenRow, new_id,
};

fn new_token(name: &str) -> NewToken {
    NewToken { name: name.into(), role: TokenRole::Office, crew_id: None, expires_at: None }
}

async fn token(test: &TestStore, small: &Small, new: &NewToken) -> (TokenRow, Secret) {
    let mut session = test.session(small.company).await;
    let made = session.insert_token(new).await.unwrap();
    session.commit().await.unwrap();
    made
}

#[tokio::test]
async fn a_token_says_whose_it_is_until_it_is_revoked_or_expires() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let (desk, secret) = token(&test, &small, &new_token("desk")).await;
    assert!(secret.reveal().starts_with("tf_"));
    let found = test.store.find_token(secret.reveal()).await.unwrap().unwrap();
    assert_eq!((found.company, found.id, found.role, found.crew_id), (small.company, desk.id, TokenRole::Office, None));
    let north = small.crews[0].id;
    let of_crew = NewToken { role: TokenRole::Crew, crew_id: Some(north), ..new_token("phone") };
    let (_, phone) = token(&test, &small, &of_crew).await;
    assert_eq!(test.store.find_token(phone.reveal()).await.unwrap().unwrap().crew_id, Some(north));
    let (_, old) = token(&test, &small, &NewToken { expires_at: Some(at(0)), ..new_token("old") }).await;

    let mut session = test.session(small.company).await;
    session.touch_token(desk.id, at(0)).await.unwrap();
    session.touch_token(desk.id, at(5)).await.unwrap();
    assert_eq!(session.tokens().await.unwrap()[0].last_used_at, Some(at(0)), "written at most every ten minutes");
    session.touch_token(desk.id, at(11)).await.unwrap();
    assert_eq!(session.tokens().await.unwrap()[0].last_used_at, Some(at(11)));
    let revoked = session.revoke_token(desk.id).await.unwrap();
    assert_eq!(session.revoke_token(desk.id).await.unwrap().revoked_at, revoked.revoked_at);
    let missing = session.revoke_token(new_id()).await.unwrap_err();
    assert!(matches!(missing, StoreError::NotFound { .. }), "{missing:?}");
    session.commit().await.unwrap();
    // Revoked, expired, unknown, misspelt: all the same answer.
    let unknown = format!("tf_{}", "A".repeat(43));
    for text in [secret.reveal(), old.reveal(), &unknown, &phone.reveal()[..20], "", "tf_'; DROP TABLE token; --"] {
        assert_eq!(test.store.find_token(text).await.unwrap(), None, "{text}");
    }
}

#[tokio::test]
async fn secrets_are_not_stored() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let (_, secret) = token(&test, &small, &new_token("desk")).await;
    let stored: String = sqlx::query_scalar("SELECT string_agg(token::text, ' ') FROM token")
        .fetch_one(&mut test.owner().await)
        .await
        .unwrap();
    assert!(!stored.contains(&secret.reveal()[3..]));
    // `\x` and 64 hexadecimal digits.
    assert!(stored.split(',').any(|field| field.trim_matches('"').trim_start_matches('\\').len() == 65), "{stored}");
}

#[tokio::test]
async fn a_crews_token_names_its_crew_and_no_other_does() {
    let test = fresh_store().await;
    let small = small(&test).await;
    for (role, crew_id) in [(TokenRole::Crew, None), (TokenRole::Office, Some(small.crews[0].id))] {
        let odd = NewToken { role, crew_id, ..new_token("odd") };
        test.session(small.company).await.insert_token(&odd).await.unwrap_err();
    }
    let nobody = NewToken { role: TokenRole::Crew, crew_id: Some(new_id()), ..new_token("nobody") };
    let refused = test.session(small.company).await.insert_token(&nobody).await.unwrap_err();
    assert!(matches!(refused, StoreError::UnknownReference { what: "crew", .. }), "{refused:?}");
}

#[tokio::test]
async fn each_calendar_address_is_its_own() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut session = test.session(small.company).await;
    let kinds = [
        FeedKind::Crew(small.crews[0].id),
        FeedKind::House(small.house.id),
        FeedKind::Office,
        FeedKind::Customer(small.house.id),
    ];
    let mut made = Vec::new();
    for kind in kinds {
        made.push(session.insert_feed(kind).await.unwrap());
    }
    session.commit().await.unwrap();
    for (kind, (row, secret)) in kinds.iter().zip(&made) {
        let found = test.store.find_feed(secret.reveal()).await.unwrap().unwrap();
        assert_eq!((found.company, found.id, found.kind), (small.company, row.id, *kind));
        assert_eq!(test.store.find_token(secret.reveal()).await.unwrap(), None, "an address is no token");
    }
    let mut session = test.session(small.company).await;
    session.revoke_feed(made[0].0.id).await.unwrap();
    assert_eq!(session.feeds().await.unwrap().len(), 4);
    session.commit().await.unwrap();
    assert_eq!(test.store.find_feed(made[0].1.reveal()).await.unwrap(), None);
    assert!(test.store.find_feed(made[1].1.reveal()).await.unwrap().is_some());
}

async fn begin(test: &TestStore, small: &Small, token: &TokenRow, body: u8, lease: u64) -> Begun {
    let mut session = test.session(small.company).await;
    let begun = session.begin_request(token.id, "key-1", &[body; 32], Duration::from_millis(lease)).await.unwrap();
    session.commit().await.unwrap();
    begun
}

fn ticket(begun: Begun) -> Ticket {
    match begun {
        Begun::New(ticket) => ticket,
        other => panic!("{other:?}"),
    }
}

fn answer() -> StoredResponse {
    StoredResponse { status: 201, headers: doc(json!({"etag": "\"1\""})), body: b"{}".to_vec() }
}

#[tokio::test]
async fn the_same_request_twice_is_done_once() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let (desk, _) = token(&test, &small, &new_token("desk")).await;
    let first = ticket(begin(&test, &small, &desk, 1, 60_000).await);
    assert!(matches!(begin(&test, &small, &desk, 1, 60_000).await, Begun::InProgress));
    assert!(matches!(begin(&test, &small, &desk, 2, 60_000).await, Begun::OtherBody));
    let mut session = test.session(small.company).await;
    session.insert_noun(Noun::House, &crate::common::store::noun("oak-3")).await.unwrap();
    session.finish_request(first, &answer()).await.unwrap();
    session.commit().await.unwrap();
    let Begun::Replay(stored) = begin(&test, &small, &desk, 1, 60_000).await else { panic!("not replayed") };
    assert_eq!((stored.status, stored.body.as_slice()), (201, &b"{}"[..]));
    assert_eq!(stored.headers.parse::<Value>().unwrap(), json!({"etag": "\"1\""}));
    assert!(matches!(begin(&test, &small, &desk, 2, 60_000).await, Begun::OtherBody));
    // Another token's key is another key.
    let (other, _) = token(&test, &small, &new_token("other")).await;
    assert!(matches!(begin(&test, &small, &other, 1, 60_000).await, Begun::New(_)));
}

#[tokio::test]
async fn a_failed_request_may_be_tried_again() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let (desk, _) = token(&test, &small, &new_token("desk")).await;
    let first = ticket(begin(&test, &small, &desk, 1, 60_000).await);
    let mut session = test.session(small.company).await;
    session.release_request(first).await.unwrap();
    session.commit().await.unwrap();
    let second = ticket(begin(&test, &small, &desk, 2, 60_000).await);
    let mut session = test.session(small.company).await;
    session.finish_request(second, &answer()).await.unwrap();
    session.commit().await.unwrap();
    // What is done is not given back.
    let mut session = test.session(small.company).await;
    session.release_request(second).await.unwrap();
    session.commit().await.unwrap();
    assert!(matches!(begin(&test, &small, &desk, 2, 60_000).await, Begun::Replay(_)));
}

#[tokio::test]
async fn when_a_lease_runs_out_the_next_one_does_it_and_the_first_cannot() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let (desk, _) = token(&test, &small, &new_token("desk")).await;
    let slow = ticket(begin(&test, &small, &desk, 1, 0).await);
    assert!(matches!(begin(&test, &small, &desk, 2, 60_000).await, Begun::OtherBody));
    let next = ticket(begin(&test, &small, &desk, 1, 60_000).await);
    let mut session = test.session(small.company).await;
    session.insert_noun(Noun::House, &crate::common::store::noun("oak-3")).await.unwrap();
    let lost = session.finish_request(slow, &answer()).await.unwrap_err();
    assert!(matches!(lost, StoreError::LeaseLost), "{lost:?}");
    drop(session);
    let mut session = test.session(small.company).await;
    session.insert_noun(Noun::House, &crate::common::store::noun("oak-3")).await.unwrap();
    session.finish_request(next, &answer()).await.unwrap();
    session.commit().await.unwrap();
}

#[tokio::test]
async fn of_many_who_ask_at_once_one_does_it() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let (desk, _) = token(&test, &small, &new_token("desk")).await;
    let all: Vec<_> = (0..8)
        .map(|_| {
            let (store, company, token_id) = (test.store.clone(), small.company, desk.id);
            tokio::spawn(async move {
                let mut session = store.session(company).await.unwrap();
                let begun = session.begin_request(token_id, "k", &[1; 32], Duration::from_secs(60)).await.unwrap();
                session.commit().await.unwrap();
                matches!(begun, Begun::New(_))
            })
        })
        .collect();
    let mut winners = 0;
    for one in all {
        winners += usize::from(one.await.unwrap());
    }
    assert_eq!(winners, 1);
}

#[tokio::test]
async fn answers_are_forgotten_after_a_day() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let (desk, _) = token(&test, &small, &new_token("desk")).await;
    begin(&test, &small, &desk, 1, 60_000).await;
    run(&mut test.owner().await, "UPDATE idempotency SET created_at = now() - interval '25 hours'".into())
        .await
        .unwrap();
    assert!(matches!(begin(&test, &small, &desk, 2, 60_000).await, Begun::New(_)));
}

/// A restart of PostgreSQL, or a network that forgets idle connections: nobody notices.
#[tokio::test]
async fn idle_connections_that_died_are_replaced() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let (_, secret) = token(&test, &small, &new_token("desk")).await;
    // Several idle connections.
    let mut open = Vec::new();
    for _ in 0..5 {
        open.push(test.session(small.company).await);
    }
    drop(open);
    let end_all = "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity
         WHERE datname = current_database() AND usename = 'tackfree_app'";
    let mut owner = test.owner().await;
    for ask in 0..3 {
        assert!(run(&mut owner, end_all.into()).await.unwrap() > 0);
        match ask {
            0 => drop(test.session(small.company).await),
            1 => test.store.ping().await.unwrap(),
            _ => assert!(test.store.find_token(secret.reveal()).await.unwrap().is_some()),
        }
    }
}

/// Within a transaction a lost connection is an error, and never a half of it.
#[tokio::test]
async fn a_connection_lost_in_a_session_undoes_it() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let mut session = test.session(small.company).await;
    session.insert_noun(Noun::House, &crate::common::store::noun("oak-3")).await.unwrap();
    let end_all = "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity
         WHERE datname = current_database() AND usename = 'tackfree_app'";
    run(&mut test.owner().await, end_all.into()).await.unwrap();
    let lost = session.insert_noun(Noun::House, &crate::common::store::noun("ash-4")).await.unwrap_err();
    assert_eq!(lost.code(), "database-unavailable", "{lost:?}");
    drop(session);
    assert_eq!(test.session(small.company).await.nouns(Noun::House, None, 10).await.unwrap().len(), 1);
}

#[tokio::test]
async fn a_database_that_is_not_there_is_said_to_be_unavailable() {
    let test = fresh_store().await;
    let folder = tempfile::tempdir().unwrap();
    let nowhere = test.app.clone().socket(folder.path());
    let refused = Store::open(nowhere, 1).await.unwrap_err();
    assert_eq!(refused.code(), "database-unavailable", "{refused:?}");
    assert!(refused.cure().contains("start PostgreSQL"));
    // All connections in use is the same to the one who waits.
    let store = Store::open(test.app.clone(), 1).await.unwrap();
    let company = test.company("Plane & Sons").await;
    let _held = store.session(company).await.unwrap();
    assert_eq!(store.ping().await.unwrap_err().code(), "database-unavailable");
}

/// Browsers go away at any moment. What they had begun must not be found open by whoever comes next: within somebody
/// else's read-only snapshot nothing could be written.
#[tokio::test]
async fn whoever_goes_away_while_a_transaction_begins_leaves_nothing_open() {
    let test = fresh_store().await;
    let small = small(&test).await;
    for round in 0..50u32 {
        for _ in 0..10 {
            let mut beginning = Box::pin(test.store.snapshot(small.company));
            for _ in 0..round % 5 {
                let nothing_yet = std::future::poll_fn(|context| {
                    std::task::Poll::Ready(beginning.as_mut().poll(context).is_pending())
                });
                if !nothing_yet.await {
                    break;
                }
                tokio::task::yield_now().await;
            }
        }
        let mut session = test.session(small.company).await;
        session.insert_noun(Noun::Crew, &crate::common::store::noun(&format!("crew-{round}"))).await.unwrap();
        session.commit().await.unwrap();
    }
}

/// Nothing is wrong with the database while others have all connections: whoever waited in vain may just try again.
#[tokio::test]
async fn a_full_pool_is_no_lost_database() {
    let test = fresh_store().await;
    let small = small(&test).await;
    let store = Store::open(test.app.clone(), 1).await.unwrap();
    let held = store.session(small.company).await.unwrap();
    let refused = store.session(small.company).await.unwrap_err();
    assert_eq!(refused.code(), "database-busy", "{refused:?}");
    drop(held);
    store.session(small.company).await.unwrap();
}
