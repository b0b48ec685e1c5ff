//! Who changed what: every change leaves a line that says so, in the same transaction, for the eyes of its own office, and
//! nothing else leaves one.

use crate::common::app::{self, OPERATOR, small_office};
use crate::common::browser::{after, browser, company_of, goes_to, person};
use crate::common::operations::{Stage, operations, send};
use crate::common::store::{fresh_store, run, small};
use reqwest::Method;
use serde_json::{Value, json};
use sqlx::AssertSqlSafe;
use sqlx::postgres::PgConnection;
use std::collections::BTreeSet;
use tackfree::service::RoleDto;
use tackfree::worker::{Kept, Outcome, Prune, Task as _};

/// Work something out and keep nothing of it.
const KEEP_NOTHING: &[&str] =
    &["POST /v1/jobs/{key}/treatment-plan", "POST /v1/promises", "POST /v1/what-ifs", "POST /v1/alternatives"];
/// Asks the network, and there is none here: `forecast_fetch` sees its line.
const ASKS_THE_NETWORK: &str = "POST /v1/regions/{key}/forecast/fetch";

async fn lines(owner: &mut PgConnection, which: &str) -> Vec<Value> {
    let all = format!("SELECT to_jsonb(l) FROM change_line l WHERE {which} ORDER BY at, id");
    sqlx::query_scalar(AssertSqlSafe(all)).fetch_all(owner).await.unwrap()
}

/// Whatever opens a door in an answer.
fn secrets(answer: &Value, found: &mut Vec<String>) {
    match answer {
        Value::Object(members) => members.iter().for_each(|(name, value)| match value.as_str() {
            Some(text) if ["secret", "address"].contains(&name.as_str()) => found.push(text.to_owned()),
            _ => secrets(value, found),
        }),
        Value::Array(items) => items.iter().for_each(|item| secrets(item, found)),
        _ => {}
    }
}

/// A new operation that changes something without a line fails here, and so does one that leaves a line without a change.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_operation_that_changes_something_leaves_its_lines() {
    let stage = Stage::set().await;
    let operator = stage.app.caller(OPERATOR);
    let mut owner = stage.app.test.owner().await;
    let token = stage.app.test.store.find_token(&stage.office.token).await.unwrap().unwrap().id.to_string();
    let mut kinds = BTreeSet::new();
    for operation in operations() {
        let name = operation.name();
        if name == ASKS_THE_NETWORK {
            continue;
        }
        let by_operator = operation.roles.iter().any(|role| role == "operator");
        let who = if by_operator { &operator } else { &stage.office };
        let good = stage.good(&operation).await;
        let headers: &[(&str, &str)] = if operation.conditional { &[("If-Match", "*")] } else { &[] };
        let answer = send(who, &operation, &good, headers, false).await;
        let changes = operation.method != Method::GET
            && !operation.path.starts_with("/v1/calculations/")
            && !KEEP_NOTHING.contains(&name.as_str());
        assert!(answer.status.is_success() || !changes, "{name} is no good request: {}", answer.text);
        let id = answer.header("x-request-id").to_owned();
        let left = lines(&mut owner, &format!("request_id = '{id}'")).await;
        assert_eq!(!left.is_empty(), changes, "{name} left {left:?}");
        let mut hidden = Vec::new();
        if !answer.text.is_empty() && changes {
            secrets(&answer.json(), &mut hidden);
        }
        for line in &left {
            let (doer, doer_id, role) = if by_operator {
                (json!("operator"), Value::Null, Value::Null)
            } else {
                (json!("token"), json!(token), json!("office"))
            };
            let said = (&line["who"], &line["who_id"], &line["role"], &line["operation"]);
            assert_eq!(said, (&doer, &doer_id, &role, &json!(operation.id)), "{name}");
            kinds.insert(line["kind"].as_str().unwrap().to_owned());
            let text = line.to_string();
            assert!(!hidden.iter().any(|secret| text.contains(secret)), "{name} tells a secret: {text}");
        }
        // As the thing is called in addresses, with the version that the reply has.
        if let (Some(etag), "PUT" | "PATCH") = (answer.headers.get("etag"), operation.method.as_str()) {
            let after = format!("\"{}\"", left[0]["version_after"]);
            assert!(etag.to_str().unwrap() == after || operation.path.contains("/pins/"), "{name}: {left:?}");
            assert_eq!(left[0]["version_before"].as_i64().unwrap() + 1, left[0]["version_after"].as_i64().unwrap());
        }
        if operation.path.contains("{key}") && !operation.path.contains("air-readings") && changes {
            let key = good.path.split('/').nth(3).unwrap();
            assert!(
                left.iter().any(|line| line["thing"] == key) || operation.path.ends_with("/records"),
                "{name}: {left:?}"
            );
        }
    }
    let seen: Vec<&str> = kinds.iter().map(String::as_str).collect();
    let all =
        "air_reading company crew delivery equipment event feed house job method plan record region token webhook";
    assert_eq!(seen.join(" "), all);
}

/// What a browser's forms change is said of the person, and no line has a password, a link or what they were called by.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_form_of_a_page_that_changes_something_leaves_its_lines() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let mut owner = app.test.owner().await;
    let anna = person(&app, &office, "anna", RoleDto::Office).await;
    let mut desk = browser(&app);
    goes_to(&desk.sign_in(&anna).await, "/board");
    let csrf = desk.csrf().await;
    let csrf = ("csrf", csrf.as_str());
    let bert = [csrf, ("name", "Bert"), ("sign_in_name", "bert"), ("role", "viewer"), ("crew", "")];
    assert_eq!(desk.post("/people", &bert).await.status, 200);
    let linked = desk.post("/people/links", &[csrf, ("crew", "north"), ("name", "phone")]).await;
    let link = after(&linked.text, "/crew/", '<').to_owned();
    let link_id = after(&linked.text, "/people/links/", '/').to_owned();
    let mut phone = browser(&app);
    phone.get(&format!("/crew/{link}")).await;
    goes_to(&phone.post(&format!("/crew/{link}"), &[]).await, "/day");
    let made = desk.post("/calendars", &[csrf, ("kind", "office"), ("crew", ""), ("house", "")]).await;
    assert_eq!(made.status, 200);
    let [bert_id, feed_id] =
        ["person WHERE sign_in_name = 'bert'", "feed"].map(|from| format!("SELECT id::text FROM {from}"));
    let bert_id: String = sqlx::query_scalar(AssertSqlSafe(bert_id)).fetch_one(&mut owner).await.unwrap();
    let feed_id: String = sqlx::query_scalar(AssertSqlSafe(feed_id)).fetch_one(&mut owner).await.unwrap();
    let table = "key,name,calendar,skills,head_count\nnine,Nine,mon-fri 07:00-15:30,sanding,2\n";
    for (path, fields) in [
        (format!("/calendars/{feed_id}/revoke"), vec![csrf]),
        ("/calendars/import".to_owned(), vec![csrf, ("of", "crews"), ("table", table), ("act", "keep")]),
        (format!("/people/links/{link_id}/revoke"), vec![csrf]),
        (format!("/people/{bert_id}/password"), vec![csrf]),
        (format!("/people/{bert_id}/shut-out"), vec![csrf]),
    ] {
        let answer = desk.post(&path, &fields).await;
        assert!(answer.status.is_success() || answer.status == 303, "{path}: {}", answer.text);
    }
    let own = [
        csrf,
        ("current", anna.password.as_str()),
        ("new", "a long enough password"),
        ("again", "a long enough password"),
    ];
    let changed = desk.post("/password", &own).await;
    assert!(changed.status.is_success() || changed.status == 303, "{}", changed.text);
    goes_to(&desk.post("/sign-out", &[csrf]).await, "/sign-in");

    let left = lines(&mut owner, "who IN ('person', 'crew_link')").await;
    let said: BTreeSet<String> = left
        .iter()
        .map(|line| {
            let word = |name: &str| line[name].as_str().unwrap().to_owned();
            let own = line["who_id"] == json!(anna.person.id);
            assert!(own || line["who_id"] == json!(link_id), "{line}");
            format!("{} {}: {} {}", word("who"), word("operation"), word("change"), word("kind"))
        })
        .collect();
    let expected = [
        "crew_link POST /crew/{secret}: created browser_session",
        "person POST /calendars/import: created crew",
        "person POST /calendars/{id}/revoke: removed feed",
        "person POST /calendars: created feed",
        "person POST /password: changed person",
        "person POST /people/links/{id}/revoke: removed browser_session",
        "person POST /people/links/{id}/revoke: removed crew_link",
        "person POST /people/links: created crew_link",
        "person POST /people/{id}/password: changed person",
        "person POST /people/{id}/shut-out: removed person",
        "person POST /people: created person",
        "person POST /sign-in: created browser_session",
        "person POST /sign-out: removed browser_session",
    ];
    assert_eq!(said.iter().map(String::as_str).collect::<Vec<_>>(), expected);
    let all = lines(&mut owner, "true").await.iter().map(Value::to_string).collect::<String>();
    for secret in [&link, &anna.password, "a long enough password", &office.token] {
        assert!(!all.contains(secret), "a line tells {secret}");
    }
}

/// No change without its line: where the line cannot be written, nothing is changed; where nothing is changed, no line is
/// written.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_change_and_its_line_are_one() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let mut owner = app.test.owner().await;
    let before = lines(&mut owner, "true").await.len();
    run(&mut owner, "ALTER TABLE change_line ADD CONSTRAINT no_crews CHECK (kind <> 'crew') NOT VALID".into())
        .await
        .unwrap();
    assert!(office.post("/v1/crews", &app::crew("third")).await.status.is_server_error());
    office.get("/v1/crews/third").await.problem(404, "not-found");
    assert_eq!(lines(&mut owner, "true").await.len(), before);
    run(&mut owner, "ALTER TABLE change_line DROP CONSTRAINT no_crews".into()).await.unwrap();

    let mut session = app.test.session(company_of(&office).await).await;
    session.insert_noun(tackfree::store::Noun::Crew, &crate::common::store::noun("third")).await.unwrap();
    drop(session);
    office.post("/v1/crews", &app::crew("north")).await.problem(409, "key-taken");
    office
        .send(Method::PUT, "/v1/crews/north", &[("If-Match", "\"9\"")], Some(&app::crew("north")))
        .await
        .problem(412, "stale");
    let token = office.post("/v1/tokens", &json!({"name": "x", "role": "viewer"})).await.expect(201);
    let path = format!("/v1/tokens/{}", token["id"].as_str().unwrap());
    office.delete(&path).await.expect(204);
    office.delete(&path).await.expect(204);
    let after = lines(&mut owner, "true").await;
    let said: Vec<&Value> = after[before..].iter().map(|line| &line["change"]).collect();
    assert_eq!(said, ["created", "removed"], "taken back once");
}

/// Whoever adds a table says whether changes of it are noted.
#[tokio::test]
async fn every_table_is_noted_or_has_its_reason() {
    // With the thing they are part of.
    let parts = ["job_step", "job_wait", "plan_row", "plan_job", "step_restated", "booking"];
    // What the program needs for itself, or follows from what is noted.
    let own = [
        "feed_revision",
        "feed_touch",
        "region_fetch",
        "idempotency",
        "repair_change",
        "repair_turn",
        "repair",
        "notice_counter",
        "notice",
        "change_line",
    ];
    let test = fresh_store().await;
    let mut owner = test.owner().await;
    let tables: Vec<(String, Vec<String>)> = sqlx::query_as(
        "SELECT relname::text, ARRAY(SELECT tgname::text FROM pg_trigger t
                                     WHERE tgrelid = c.oid AND tgname LIKE 'line_of_%' AND tgenabled = 'O' ORDER BY 1)
         FROM pg_class c
         WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p') AND relname <> '_sqlx_migrations' ORDER BY 1",
    )
    .fetch_all(&mut owner)
    .await
    .unwrap();
    for (table, triggers) in tables {
        let expected: &[&str] = match table.as_str() {
            "webhook" => &["line_of_delete", "line_of_insert", "line_of_update"],
            other if parts.contains(&other) || own.contains(&other) => &[],
            _ => &["line_of_insert", "line_of_update"],
        };
        assert_eq!(triggers, expected, "{table}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_office_reads_page_by_page_what_its_own_people_did() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let other = app.company("Others").await;
    other.post("/v1/crews", &app::crew("secretive")).await.expect(201);
    let phone = office
        .post("/v1/tokens", &json!({"name": "phone of north", "role": "crew", "crew": "north"}))
        .await
        .expect(201);
    let north = app.caller(phone["secret"].as_str().unwrap());
    north.post("/v1/houses/linden-4/air-readings", &json!({"temp_c": 20, "rh_percent": 50})).await.expect(201);
    office.put("/v1/houses/linden-4", &app::house("linden-4")).await.expect(200);

    let mut path = "/v1/changes?limit=3".to_owned();
    let mut all: Vec<Value> = Vec::new();
    loop {
        let page = office.get(&path).await;
        all.extend(page.expect(200)["items"].as_array().unwrap().iter().cloned());
        let Some(link) = page.headers.get("link") else { break };
        path = link.to_str().unwrap().split(['<', '>']).nth(1).unwrap().to_owned();
    }
    let said: Vec<String> = all
        .iter()
        .map(|line| {
            let word = |value: &Value| value.as_str().unwrap_or("-").to_owned();
            let (who, thing) = (&line["who"], &line["thing"]);
            let thing = thing["name"].as_str().unwrap_or(thing["key"].as_str().unwrap());
            let thing = if thing.len() == 36 { "…" } else { thing };
            format!("{} {}: {} {thing}", word(&who["kind"]), word(&who["name"]), word(&line["operation"]))
        })
        .collect();
    assert_eq!(
        said,
        [
            "token office: change houses linden-4",
            "token phone of north: report air …",
            "token office: create token phone of north",
            "token office: create job linden-4-floors",
            "token office: create houses linden-4",
            "token office: create equipment big-machine",
            "token office: create crews south",
            "token office: create crews north",
            "operator -: create company office",
            "operator -: create company …",
        ]
    );
    let of = async |query: &str| {
        let page = office.get(&format!("/v1/changes?{query}")).await.expect(200);
        page["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|line| line["operation"].as_str().unwrap().to_owned())
            .collect::<Vec<_>>()
    };
    assert_eq!(of("kind=house&key=linden-4").await, ["change houses", "create houses"]);
    assert_eq!(of("kind=crew").await, ["create crews", "create crews"]);
    assert_eq!(of(&format!("who={}", phone["id"].as_str().unwrap())).await, ["report air"]);
    assert_eq!(of("kind=crew&key=secretive").await, Vec::<String>::new());
    let (newest, change) = (&all[0], app::house("linden-4"));
    let answer = office.put("/v1/houses/linden-4", &change).await;
    assert_eq!((newest["version_before"].as_i64(), newest["version_after"].as_i64()), (Some(1), Some(2)));
    let again = office.get("/v1/changes?limit=1").await.expect(200);
    assert_eq!(again["items"][0]["request_id"], answer.header("x-request-id"));
    for bad in
        ["key=linden-4", "kind=house&key=a/b", "kind=nothing", "who=me", "limit=0", "after=cAAAAAAAAAAB", "after=bQ"]
    {
        office.get(&format!("/v1/changes?{bad}")).await.problem(400, "bad-query");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_page_shows_who_did_what_to_the_office_alone() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let other = app.company("Others").await;
    other.post("/v1/crews", &app::crew("secretive")).await.expect(201);
    let anna = person(&app, &office, "anna", RoleDto::Office).await;
    let viewer = person(&app, &office, "viola", RoleDto::Viewer).await;
    let mut desk = browser(&app);
    desk.sign_in(&anna).await;
    let page = desk.get("/changes").await;
    assert_eq!(page.status, 200);
    for told in [
        "Person anna",
        "signed in",
        "linden-4-floors",
        "the operator",
        "create houses",
        "href=\"/changes\" aria-current=\"page\"",
    ] {
        assert!(page.text.contains(told), "{told} is not in {}", page.text);
    }
    assert!(!page.text.contains("secretive"));
    let house = desk.get("/changes?kind=house&key=linden-4&who=").await.text;
    assert!(house.contains("create houses") && !house.contains("create crews"), "{house}");
    let hostile = desk.get("/changes?kind=%3Cscript%3E&key=%3Cscript%3E&after=9_9&who=%27").await;
    assert!(hostile.status == 200 && !hostile.text.contains("<script>"));
    let mut session = app.test.session(company_of(&office).await).await;
    for number in 0..120 {
        session
            .insert_noun(tackfree::store::Noun::Crew, &crate::common::store::noun(&format!("n{number}")))
            .await
            .unwrap();
    }
    session.commit().await.unwrap();
    let first = desk.get("/changes").await.text;
    assert!(first.contains(">n119<") && !first.contains(">n19<") && first.contains("the server itself"), "{first}");
    let older = after(&first, "class=\"button\" href=\"", '"').replace("&amp;", "&");
    let second = desk.get(&older).await.text;
    assert!(second.contains(">n19<") && !second.contains(">n20<") && second.contains("create houses"), "{second}");
    let mut screen = browser(&app);
    screen.sign_in(&viewer).await;
    assert_eq!(screen.get("/changes").await.status, 403);
    goes_to(&browser(&app).get("/changes").await, "/sign-in?to=/changes");
}

/// The oldest go when the operator's time for them is over, and the youngest never do, whoever asks.
#[tokio::test]
async fn lines_are_kept_for_as_long_as_the_operator_says() {
    let test = fresh_store().await;
    small(&test).await;
    let mut owner = test.owner().await;
    let young = lines(&mut owner, "true").await.len();
    run(
        &mut owner,
        "INSERT INTO change_line (company_id, at, kind, thing, thing_id, change, who, operation)
         SELECT id, now() - days * interval '1 day', 'house', 'old', id, 'changed', 'server', ''
         FROM company, unnest(ARRAY[31, 89, 91, 1000]) AS days"
            .into(),
    )
    .await
    .unwrap();
    let service = tackfree::service::Service::new(test.store.clone());
    let prune = Prune::new(&service, Kept { changes_days: 90, ..Kept::default() });
    assert_eq!(prune.try_once().await.unwrap(), Outcome::Worked);
    assert_eq!(prune.try_once().await.unwrap(), Outcome::Idle);
    assert_eq!(lines(&mut owner, "thing = 'old'").await.len(), 2);
    assert_eq!(test.store.prune_changes(chrono::Utc::now() + chrono::Duration::days(9), 100).await.unwrap(), 2);
    assert_eq!(lines(&mut owner, "true").await.len(), young);
}
