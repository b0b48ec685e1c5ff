//! Who may do what, and what becomes of a request that comes late or twice: every operation of the OpenAPI document with
//! every case that can befall it, asked of the running application. `docs/who-may.md` is the table of what came of it;
//! `TACKFREE_BLESS=1` writes it anew. An operation without a good request here fails the test.

use crate::common::app::{Answer, OPERATOR};
use crate::common::operations::{Stage, operations, send};
use reqwest::Method;
use serde_json::{Value, json};
use std::fmt::Write as _;

const TABLE: &str = "docs/who-may.md";
/// Asks the network, and there is none here: what it does when it comes twice is in `forecast_fetch`.
const NOT_TWICE: &[&str] = &["POST /v1/regions/{key}/forecast/fetch"];
/// Change something, take neither If-Match nor Idempotency-Key, and are the same done once or twice: events carry an
/// identifier of their own, what is taken back stays taken back, and the others only compute.
const SAME_TWICE: &[&str] = &[
    "POST /v1/events",
    "DELETE /v1/feeds/{id}",
    "DELETE /v1/tokens/{id}",
    "POST /v1/jobs/{key}/treatment-plan",
    "POST /v1/promises",
    "POST /v1/what-ifs",
];

/// Secrets are in the first answer only; all else is the same.
fn same_but_for_secrets(first: &Value, again: &Value, what: &str) {
    match (first, again) {
        (Value::Object(first), Value::Object(again)) => {
            for (name, value) in first {
                match again.get(name) {
                    Some(other) => same_but_for_secrets(value, other, what),
                    None => assert!(["secret", "address"].contains(&name.as_str()), "{what}: {name} is not said again"),
                }
            }
            assert!(again.keys().all(|name| first.contains_key(name)), "{what}");
        }
        _ => assert!(first == again || again.is_null(), "{what}: {first} and then {again}"),
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_operation_meets_every_case() {
    let stage = Stage::set().await;
    let office = &stage.office;
    let other = stage.app.company("Others").await;
    let crew = office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await;
    let viewer = office.token(&json!({"name": "screen", "role": "viewer"})).await;
    let expired = office.token(&json!({"name": "old", "role": "office", "expires_at": "2020-01-01T00:00:00Z"})).await;
    let made = office.post("/v1/tokens", &json!({"name": "lost", "role": "office"})).await.expect(201);
    office.delete(&format!("/v1/tokens/{}", made["id"].as_str().unwrap())).await.expect(204);
    let revoked = stage.app.caller(made["secret"].as_str().unwrap());
    let operator = stage.app.caller(OPERATOR);
    let mut table = String::from(HEAD);
    for operation in operations() {
        let name = operation.name();
        let good = stage.good(&operation).await;
        let mut row: Vec<String> = Vec::new();
        let mut cell = |answer: Option<&Answer>| row.push(answer.map_or("–".into(), |a| a.status.as_u16().to_string()));
        let headers = |given: &[(&'static str, &'static str)]| -> Vec<(&'static str, &'static str)> {
            let mut all = given.to_vec();
            if operation.conditional && !given.iter().any(|(name, _)| *name == "If-Match") {
                all.push(("If-Match", "*"));
            }
            all
        };
        let secured = !operation.roles.is_empty();
        for caller in [&stage.app.caller(""), &expired, &revoked] {
            let answer = send(caller, &operation, &good, &headers(&[]), false).await;
            if secured {
                answer.problem(401, "unauthenticated");
            } else {
                assert!(!matches!(answer.status.as_u16(), 401 | 403 | 500..), "{name}: {}", answer.text);
            }
            cell(secured.then_some(&answer));
        }
        // Somebody with another role, where there is one that may not.
        let may = |role: &str| operation.roles.iter().any(|own| own == role);
        let wrong = [("viewer", &viewer), ("crew", &crew), ("office", office)];
        let wrong = wrong.iter().find(|(role, _)| secured && !may(role)).map(|(_, caller)| *caller);
        let answer = match wrong {
            Some(caller) => Some(send(caller, &operation, &good, &headers(&[]), false).await),
            None => None,
        };
        if let Some(answer) = &answer {
            if may("operator") {
                answer.problem(401, "unauthenticated");
            } else {
                answer.problem(403, "role-needed");
            }
        }
        cell(answer.as_ref());
        // Of another company: what is named is not there.
        let named = operation.path.contains('{') && secured && !may("operator");
        let answer = match named {
            true => Some(send(&other, &operation, &good, &headers(&[]), false).await),
            false => None,
        };
        if let Some(answer) = &answer {
            answer.problem(404, "not-found");
        }
        cell(answer.as_ref());
        let who = if may("operator") { &operator } else { office };
        if operation.conditional {
            let missing = send(who, &operation, &good, &[], false).await;
            missing.problem(428, "precondition-required");
            cell(Some(&missing));
            let stale = send(who, &operation, &good, &[("If-Match", "\"999\"")], false).await;
            stale.problem(412, "stale");
            cell(Some(&stale));
        } else {
            cell(None);
            cell(None);
        }
        if operation.keyed && !NOT_TWICE.contains(&name.as_str()) {
            let key = tackfree::store::new_id().to_string();
            let mut with_key = headers(&[]);
            let key: &'static str = key.leak();
            with_key.push(("Idempotency-Key", key));
            let first = send(who, &operation, &good, &with_key, false).await;
            assert!(first.status.is_success(), "{name} is no good request: {} {}", first.status, first.text);
            let again = send(who, &operation, &good, &with_key, false).await;
            assert_eq!((again.status, again.header("idempotency-replayed")), (first.status, "true"), "{name}");
            if !first.text.is_empty() {
                same_but_for_secrets(&first.json(), &again.json(), &name);
            }
            cell(Some(&again));
            let changed = send(who, &operation, &good, &with_key, true).await;
            changed.problem(422, "idempotency-other-request");
            cell(Some(&changed));
        } else {
            cell(None);
            cell(None);
            let changes = operation.method != Method::GET && !operation.path.starts_with("/v1/calculations/");
            if changes && !NOT_TWICE.contains(&name.as_str()) {
                assert!(operation.conditional || SAME_TWICE.contains(&name.as_str()), "{name} may be done twice");
                // Nothing above was refused because the request is no good.
                let done = send(who, &operation, &good, &headers(&[]), false).await;
                let shown = operation.path.ends_with("/treatment-plan");
                assert!(done.status.is_success() || shown, "{name} is no good request: {}", done.text);
            }
        }
        let roles = if secured { operation.roles.join(", ") } else { "everybody".into() };
        writeln!(table, "| {name} | {roles} | {} |", row.join(" | ")).unwrap();
    }
    if std::env::var_os("TACKFREE_BLESS").is_some() {
        std::fs::write(TABLE, &table).unwrap();
    }
    let committed = std::fs::read_to_string(TABLE).unwrap_or_default();
    assert!(
        committed == table,
        "{TABLE} is not what happens: look at what changed, then write it with TACKFREE_BLESS=1"
    );
}

const HEAD: &str = "# Who may do what

Every operation of the API with every case that can befall it, as `tests/service/who_may.rs` has seen it of the running server; the figures
are HTTP statuses, a dash means that the case cannot happen there. The test fails when this table is not true any more, and when
an operation is added that it has no good request for.

- *no token*, *expired*, *revoked*: such a token, or none. *Other role*: a token of the company whose role may not. *Other
  company*: the office of another company, asking for this one's.
- *No If-Match*: a change that does not say of which version. *Stale*: of a version that is not there any more.
- *Again*: the same request with the same Idempotency-Key: answered as it was the first time, without secrets, and not done
  again. *Key for another*: the same key with another request.

| operation | who may | no token | expired | revoked | other role | other company | no If-Match | stale | again | key for another |
|---|---|---|---|---|---|---|---|---|---|---|
";
