//! Nothing is visible across companies, for a login role that could not see more if it wanted to.

use crate::common::store::{Small, TestStore, at, doc, fresh_store, plan, row, run, small, sqlstate, waits_for_lock};
use serde_json::json;
use sqlx::{AssertSqlSafe, Connection, PgConnection};
use std::time::Duration;
use tackfree::store::{
    AppLogin, Begun, CompanyId, DEFAULT_APP_ROLE, EventStanding, FeedKind, Holder, NewAirReading, NewBrowserSession,
    NewEvent, NewNotice, NewPerson, NewRecord, NewToken, NewWebhook, NoticeKind, Noun, RecordOutcome, RegionFetch,
    RepairOutcome, RepairRow, Store, StoreError, TokenRole, list_companies, migrate, new_id,
};

/// Every table but the migrations' own.
const TABLES: &str = "SELECT relname::text FROM pg_class
     WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p') AND relname <> '_sqlx_migrations' ORDER BY 1";

async fn tables(test: &TestStore) -> Vec<String> {
    let tables: Vec<String> = sqlx::query_scalar(TABLES).fetch_all(&mut test.owner().await).await.unwrap();
    assert!(tables.len() >= 16, "{tables:?}");
    tables
}

/// A company with at least one row in every table.
async fn full_company(test: &TestStore) -> Small {
    let small = small(test).await;
    let mut session = test.session(small.company).await;
    for other in [Noun::Equipment, Noun::Method] {
        session.insert_noun(other, &crate::common::store::noun("thing")).await.unwrap();
    }
    let reading = NewAirReading {
        house_id: small.house.id,
        taken_at: at(0),
        temp_centi_c: 2_000,
        rh_centi_percent: 5_000,
        note: None,
        recorded_at: at(1),
        recorded_by: "Anna".into(),
    };
    session.append_air_reading(&reading).await.unwrap();
    let region = session.insert_noun(Noun::Region, &crate::common::store::noun("coast")).await.unwrap();
    let fetch = RegionFetch { region_version: 1, etag: None, last_modified: None, fetched_at: at(0) };
    session.keep_region_fetch(region.id, &fetch).await.unwrap();
    session.append_record(&record(&small, "sand", 0)).await.unwrap();
    session.append_event(&event("crew/north")).await.unwrap();
    session.restate_step(small.job.id, "sand", new_id()).await.unwrap();
    session.append_record(&record(&small, "sand", 1)).await.unwrap();
    let draft = session.insert_plan(&plan(), &[row(small.job.id, "coat", small.crews[0].id, 60, 90)]).await.unwrap();
    session.publish_plan(draft.id, draft.version, at(0)).await.unwrap();
    let repair = RepairRow {
        id: new_id(),
        plan_id: draft.id,
        outcome: RepairOutcome::Published,
        changed_at: at(0),
        done_at: at(1),
        doc: doc(json!({})),
    };
    session.insert_repair(&repair).await.unwrap();
    let office = NewToken { name: "desk".into(), role: TokenRole::Office, crew_id: None, expires_at: None };
    let (token, _) = session.insert_token(&office).await.unwrap();
    session.insert_feed(FeedKind::Office).await.unwrap();
    let webhook = NewWebhook { address: "https://example.com/".into(), kinds: vec![], secret: vec![7; 32], at: at(0) };
    session.insert_webhook(&webhook).await.unwrap();
    session.tell(NewNotice {
        kind: NoticeKind::PlanPublished,
        job_id: None,
        crew_id: None,
        at: at(0),
        doc: doc(json!({})),
    });
    let person = session.insert_person(&person("anna", None)).await.unwrap();
    session.insert_crew_link(small.crews[0].id, "phone of Bert", at(0)).await.unwrap();
    session.insert_browser_session(&browser_session(Holder::Person(person.id))).await.unwrap();
    let begun = session.begin_request(token.id, "key", &[0; 32], Duration::from_secs(60)).await.unwrap();
    assert!(matches!(begun, Begun::New(_)));
    session.commit().await.unwrap();
    small
}

fn person(sign_in_name: &str, crew_id: Option<uuid::Uuid>) -> NewPerson {
    NewPerson {
        name: "Anna".into(),
        sign_in_name: sign_in_name.into(),
        password_hash: "$argon2id$".into(),
        role: if crew_id.is_some() { TokenRole::Crew } else { TokenRole::Office },
        crew_id,
        at: at(0),
    }
}

fn browser_session(holder: Holder) -> NewBrowserSession {
    NewBrowserSession { holder, device: "a browser".into(), at: at(0), idle_until: at(60), expires_at: at(600) }
}

fn event(subject: &str) -> NewEvent {
    NewEvent {
        id: new_id(),
        kind: "crew_away".into(),
        subject: subject.into(),
        happened_at: at(0),
        recorded_at: at(1),
        recorded_by: "Anna".into(),
        doc: doc(json!({})),
        base: Some(doc(json!({}))),
        standing: EventStanding::Applied,
        reason: None,
        copied: false,
    }
}

fn record(small: &Small, step: &str, seen: i32) -> NewRecord {
    NewRecord {
        job_id: small.job.id,
        step_key: step.into(),
        seen,
        crew_id: small.crews[0].id,
        outcome: RecordOutcome::Done,
        started_at: at(0),
        finished_at: Some(at(30)),
        expected_finish_at: None,
        doc: doc(json!({})),
        recorded_at: at(31),
        recorded_by: "Anna".into(),
    }
}

#[tokio::test]
async fn the_login_role_is_nobody_special() {
    let test = fresh_store().await;
    let mut raw = test.raw().await;
    let role: (String, bool, bool, bool, bool) = sqlx::query_as(
        "SELECT rolname::text, rolsuper, rolbypassrls, rolcreaterole, rolcreatedb FROM pg_roles WHERE rolname = current_user",
    )
    .fetch_one(&mut raw)
    .await
    .unwrap();
    assert_eq!(role, (DEFAULT_APP_ROLE.to_owned(), false, false, false, false));
    let owned: i64 = sqlx::query_scalar(
        "SELECT (SELECT count(*) FROM pg_class WHERE pg_has_role(current_user, relowner, 'MEMBER'))
              + (SELECT count(*) FROM pg_proc WHERE pg_has_role(current_user, proowner, 'MEMBER'))
              + (SELECT count(*) FROM pg_auth_members WHERE member = current_user::regrole)",
    )
    .fetch_one(&mut raw)
    .await
    .unwrap();
    assert_eq!(owned, 0);
}

#[tokio::test]
async fn every_table_is_held_by_row_security() {
    let test = fresh_store().await;
    let mut owner = test.owner().await;
    for table in tables(&test).await {
        let (enabled, forced, all, for_public): (bool, bool, i64, i64) = sqlx::query_as(
            "SELECT relrowsecurity, relforcerowsecurity,
                    (SELECT count(*) FROM pg_policies WHERE schemaname = 'public' AND tablename = relname
                       AND cmd = 'ALL' AND roles = '{public}' AND permissive = 'PERMISSIVE'
                       AND qual = with_check
                       AND qual = format('(%I = (NULLIF(current_setting(''app.company''::text, true), ''''::text))::uuid)',
                                         CASE relname WHEN 'company' THEN 'id' ELSE 'company_id' END)),
                    (SELECT count(*) FROM pg_policies WHERE schemaname = 'public' AND tablename = relname
                       AND roles = '{public}')
             FROM pg_class WHERE oid = $1::regclass",
        )
        .bind(&table)
        .fetch_one(&mut owner)
        .await
        .unwrap();
        assert!(enabled && forced, "{table} has no forced row security");
        assert_eq!((all, for_public), (1, 1), "{table} has not exactly the one policy");
        let first_of_key: String = sqlx::query_scalar(
            "SELECT attname::text FROM pg_index i JOIN pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = i.indkey[0]
             WHERE i.indrelid = $1::regclass AND i.indisprimary AND a.attnotnull",
        )
        .bind(&table)
        .fetch_one(&mut owner)
        .await
        .unwrap();
        assert_eq!(first_of_key, if table == "company" { "id" } else { "company_id" }, "{table}");
    }
}

/// What is asked before the company is known: secrets and names to sign in by, and what is due, or old enough to go, of all companies. To spread
/// companies over several databases, these are what has to be answered by each, or by one for all (`docs/scale.md`).
const OVER_COMPANIES: [&str; 10] = [
    "browser_session_secret_unique",
    "change_line_by_age",
    "crew_link_secret_unique",
    "delivery_due",
    "feed_secret_unique",
    "notice_by_age",
    "person_sign_in_name_unique",
    "plan_by_end",
    "plan_undecided",
    "token_secret_unique",
];

#[tokio::test]
async fn every_index_begins_with_the_company_or_is_known_to_span_companies() {
    let test = fresh_store().await;
    // An exclusion need not begin with the company, but must hold it.
    let others: Vec<String> = sqlx::query_scalar(
        "SELECT index.relname::text FROM pg_index i JOIN pg_class index ON index.oid = i.indexrelid
         JOIN pg_class of ON of.oid = i.indrelid
         WHERE of.relnamespace = 'public'::regnamespace AND of.relkind IN ('r', 'p') AND of.relname <> '_sqlx_migrations'
           AND NOT EXISTS (
             SELECT FROM pg_attribute a WHERE a.attrelid = of.oid
               AND a.attname = CASE of.relname WHEN 'company' THEN 'id' ELSE 'company_id' END
               AND CASE WHEN i.indisexclusion THEN a.attnum = ANY(i.indkey::smallint[]) ELSE a.attnum = i.indkey[0] END)
         ORDER BY 1",
    )
    .fetch_all(&mut test.owner().await)
    .await
    .unwrap();
    assert_eq!(others, OVER_COMPANIES);
}

#[tokio::test]
async fn every_foreign_key_stays_inside_the_company() {
    let test = fresh_store().await;
    let crossing: Vec<String> = sqlx::query_scalar(
        "SELECT conname::text FROM pg_constraint c
         WHERE contype = 'f' AND connamespace = 'public'::regnamespace AND NOT EXISTS (
             SELECT FROM unnest(conkey, confkey) AS pair (own, other)
             JOIN pg_attribute a ON a.attrelid = conrelid AND a.attnum = own
             JOIN pg_attribute b ON b.attrelid = confrelid AND b.attnum = other
             WHERE a.attname = 'company_id' AND (b.attname = 'company_id' OR confrelid = 'company'::regclass))",
    )
    .fetch_all(&mut test.owner().await)
    .await
    .unwrap();
    assert_eq!(crossing, Vec::<String>::new());
}

#[tokio::test]
async fn two_companies_see_nothing_of_each_other() {
    let test = fresh_store().await;
    let one = full_company(&test).await;
    let other = test.company("Rivals").await;
    let mut raw = test.raw().await;
    for table in tables(&test).await {
        let own = if table == "company" { "id" } else { "company_id" };
        let rows = count(&mut test.owner().await, &format!("{table} WHERE {own} = '{}'", one.company)).await;
        assert!(rows > 0, "the test put nothing into {table}");
        let stolen: String =
            sqlx::query_scalar(AssertSqlSafe(format!("SELECT to_jsonb(t)::text FROM {table} t LIMIT 1")))
                .fetch_one(&mut test.owner().await)
                .await
                .unwrap();
        // Its own company sees it, or the rest would show nothing.
        assert_eq!(seen_as(&mut raw, Some(one.company), &table).await, rows, "{table}");
        // Every company has its one row there from the beginning.
        let foreign = i64::from(["company", "repair_turn", "feed_revision", "change_line"].contains(&table.as_str()));
        for (company, visible) in [(Some(other), foreign), (None, 0)] {
            assert_eq!(seen_as(&mut raw, company, &table).await, visible, "{table} as {company:?}");
            let insert = format!(
                "INSERT INTO {table} SELECT * FROM jsonb_populate_record(NULL::{table}, '{}')",
                stolen.replace('\'', "''")
            );
            let refused = as_company(&mut raw, company, insert).await.unwrap_err();
            // Lines of changes are written by the database alone, for nobody.
            let why = if table == "change_line" { "permission denied" } else { "row-level security" };
            assert!(refused.to_string().contains(why), "{table}: {refused}");
            for change in [
                format!("UPDATE {table} SET {own} = {own} WHERE {own} = '{}'", one.company),
                format!("DELETE FROM {table} WHERE {own} = '{}'", one.company),
            ] {
                match as_company(&mut raw, company, change.clone()).await {
                    Ok(changed) => assert_eq!(changed, 0, "{change}"),
                    // No right to do it with any row.
                    Err(error) => assert_eq!(sqlstate(&error), "42501", "{change}: {error}"),
                }
            }
        }
        assert_eq!(count(&mut test.owner().await, &format!("{table} WHERE {own} = '{}'", one.company)).await, rows);
    }
}

#[tokio::test]
async fn rows_are_not_given_to_another_company() {
    let test = fresh_store().await;
    let one = small(&test).await;
    let other = test.company("Rivals").await;
    let give = format!("UPDATE house SET company_id = '{other}'");
    let refused = as_company(&mut test.raw().await, Some(one.company), give).await.unwrap_err();
    assert!(refused.to_string().contains("row-level security"), "{refused}");
}

#[tokio::test]
async fn the_setting_ends_with_the_session() {
    let test = fresh_store().await;
    let one = small(&test).await;
    let mut raw = test.raw().await;
    assert_eq!(seen_as(&mut raw, Some(one.company), "crew").await, 2);
    assert_eq!(count(&mut raw, "crew").await, 0);
}

/// Who may sign in is one question for all companies, so a name is given once for all of them; and a person without a
/// crew, or a session of nobody or of two, is no row at all.
#[tokio::test]
async fn people_and_their_browsers_are_what_they_say() {
    let test = fresh_store().await;
    let (one, other) = (small(&test).await, test.company("Rivals").await);
    let mut session = test.session(one.company).await;
    session.insert_person(&person("anna", None)).await.unwrap();
    session.insert_person(&person("bert", Some(one.crews[0].id))).await.unwrap();
    session.commit().await.unwrap();
    let taken = test.session(other).await.insert_person(&person("anna", None)).await.unwrap_err();
    assert!(matches!(&taken, StoreError::KeyTaken { what: "person", key } if key == "anna"), "{taken:?}");
    let foreign = test.session(other).await.insert_person(&person("carl", Some(one.crews[0].id))).await.unwrap_err();
    assert!(matches!(foreign, StoreError::UnknownReference { what: "crew", .. }), "{foreign:?}");
    let mut raw = test.raw().await;
    for (change, code) in [
        ("UPDATE person SET role = 'crew' WHERE sign_in_name = 'anna'", "23514"),
        ("UPDATE person SET sign_in_name = 'Anna' WHERE sign_in_name = 'anna'", "23514"),
        ("DELETE FROM person", "42501"),
        ("DELETE FROM crew_link", "42501"),
        (
            "INSERT INTO browser_session (company_id, id, secret_sha256, device, created_at, seen_at, idle_until, expires_at)
             SELECT company_id, id, sha256('x'), '', now(), now(), now(), now() FROM person",
            "23514",
        ),
    ] {
        let refused = as_company(&mut raw, Some(one.company), change.into()).await.unwrap_err();
        assert_eq!(sqlstate(&refused), code, "{change}: {refused}");
    }
}

#[tokio::test]
async fn history_is_only_added_to_and_the_chain_is_not_deleted() {
    let test = fresh_store().await;
    let one = full_company(&test).await;
    let mut raw = test.raw().await;
    for forbidden in [
        "UPDATE step_record SET outcome = 'failed'",
        "DELETE FROM step_record",
        "UPDATE house_air_reading SET temp_centi_c = 0",
        "DELETE FROM house_air_reading",
        "UPDATE event SET doc = '{}'",
        "UPDATE event SET happened_at = recorded_at",
        "DELETE FROM event",
        "UPDATE step_restated SET from_no = 2",
        "DELETE FROM step_restated",
        "DELETE FROM job_step",
        "DELETE FROM plan",
        "UPDATE change_line SET who = 'server'",
        "DELETE FROM change_line",
        "INSERT INTO change_line SELECT * FROM change_line",
        "TRUNCATE change_line",
    ] {
        let refused = as_company(&mut raw, Some(one.company), forbidden.into()).await.unwrap_err();
        assert_eq!(sqlstate(&refused), "42501", "{forbidden}");
    }
}

#[tokio::test]
async fn a_store_does_not_open_for_a_role_that_row_security_does_not_hold() {
    let test = fresh_store().await;
    let refused = Store::open(test.owner.clone(), 1).await.unwrap_err();
    assert!(matches!(refused, StoreError::UnsafeRole { .. }), "{refused:?}");
    assert_eq!(refused.code(), "unsafe-role");
}

/// On servers of others the owner is no superuser: it is held by its own policies and still answers whose token it is.
#[tokio::test]
async fn the_owner_need_not_be_a_superuser() {
    let test = fresh_store().await;
    let mut superuser = test.owner().await;
    let name = format!("plain_{}", std::process::id());
    run(&mut superuser, format!("CREATE ROLE {name} LOGIN CREATEROLE")).await.unwrap();
    run(&mut superuser, format!("CREATE DATABASE test_{0}_plain OWNER {name}", std::process::id())).await.unwrap();
    let owner = test.owner.clone().username(&name).database(&format!("test_{}_plain", std::process::id()));
    let login = AppLogin { role: format!("{name}_app"), password: Some("it's a secret".into()) };
    let store = Store::connect(&owner, &login).await.unwrap();
    let company = CompanyId(new_id());
    let mut session = store.session(company).await.unwrap();
    session.insert_company("Plane & Sons", &doc(json!({}))).await.unwrap();
    session.insert_noun(Noun::House, &crate::common::store::noun("elm-12")).await.unwrap();
    let viewer = NewToken { name: "wall".into(), role: TokenRole::Viewer, crew_id: None, expires_at: None };
    let (token, secret) = session.insert_token(&viewer).await.unwrap();
    let (feed, address) = session.insert_feed(FeedKind::Office).await.unwrap();
    let crew = session.insert_noun(Noun::Crew, &crate::common::store::noun("north")).await.unwrap();
    let somebody = session.insert_person(&person("anna", None)).await.unwrap();
    let (link, phone) = session.insert_crew_link(crew.id, "phone", at(0)).await.unwrap();
    let (signed_in, cookie) =
        session.insert_browser_session(&browser_session(Holder::CrewLink(link.id))).await.unwrap();
    let webhook = NewWebhook { address: "https://example.com/".into(), kinds: vec![], secret: vec![7; 32], at: at(0) };
    session.insert_webhook(&webhook).await.unwrap();
    session.tell(NewNotice {
        kind: NoticeKind::PlanPublished,
        job_id: None,
        crew_id: None,
        at: at(0),
        doc: doc(json!({})),
    });
    session.commit().await.unwrap();
    assert_eq!(store.companies_to_prune(at(1), at(0), 5).await.unwrap(), [company]);
    assert_eq!(store.lease_deliveries(at(1), at(2), 5, 5).await.unwrap().len(), 1);
    assert_eq!(store.find_token(secret.reveal()).await.unwrap().unwrap().id, token.id);
    assert_eq!(store.find_feed(address.reveal()).await.unwrap().unwrap().id, feed.id);
    assert_eq!(store.find_person("anna").await.unwrap().unwrap().id, somebody.id);
    assert_eq!(store.find_crew_link(phone.reveal()).await.unwrap().unwrap().id, link.id);
    assert_eq!(store.find_browser(cookie.reveal(), at(59)).await.unwrap().unwrap().id, signed_in);
    assert_eq!(list_companies(&owner).await.unwrap(), [(company, "Plane & Sons".to_owned())]);
    let mut plain = sqlx::ConnectOptions::connect(&owner).await.unwrap();
    assert_eq!(count(&mut plain, "house").await, 0);
    plain.close().await.unwrap();
    store.close().await;
    run(&mut superuser, format!("DROP DATABASE test_{}_plain WITH (FORCE)", std::process::id())).await.unwrap();
    run(&mut superuser, format!("DROP ROLE {name}_app, {name}")).await.unwrap();
}

#[tokio::test]
async fn many_copies_migrate_at_once() {
    let test = fresh_store().await;
    let mut superuser = test.owner().await;
    let name = format!("test_{}_crowd", std::process::id());
    run(&mut superuser, format!("CREATE DATABASE {name} TEMPLATE template0")).await.unwrap();
    let owner = test.owner.clone().database(&name);
    let login = AppLogin { role: format!("crowd_{}", std::process::id()), password: None };
    let all: Vec<_> = (0..6)
        .map(|_| {
            let (owner, login) = (owner.clone(), login.clone());
            tokio::spawn(async move { migrate(&owner, &login).await })
        })
        .collect();
    for copy in all {
        copy.await.unwrap().unwrap();
    }
    let store = Store::connect(&owner, &login).await.unwrap();
    store.ping().await.unwrap();
    store.close().await;
    run(&mut superuser, format!("DROP DATABASE {name} WITH (FORCE)")).await.unwrap();
    run(&mut superuser, format!("DROP ROLE {}", login.role)).await.unwrap();
}

/// Roles belong to the server: another database's copy may be creating the same one at this moment.
#[tokio::test]
async fn two_databases_create_the_role_at_once() {
    let test = fresh_store().await;
    let login = AppLogin { role: format!("shared_{}", std::process::id()), password: None };
    let mut superuser = test.owner().await;
    let mut other = superuser.begin().await.unwrap();
    run(&mut other, format!("CREATE ROLE {} LOGIN", login.role)).await.unwrap();
    let (owner, same) = (test.owner.clone(), login.clone());
    let migrating = tokio::spawn(async move { migrate(&owner, &same).await });
    waits_for_lock(&test.owner, &migrating).await;
    other.commit().await.unwrap();
    migrating.await.unwrap().unwrap();
    run(&mut superuser, format!("DROP OWNED BY {}", login.role)).await.unwrap();
    run(&mut superuser, format!("DROP ROLE {}", login.role)).await.unwrap();
}

#[tokio::test]
async fn bad_role_names_are_refused() {
    let test = fresh_store().await;
    for name in ["", "Tackfree", "a; DROP TABLE company", "a\"b", &"x".repeat(64)] {
        let refused = migrate(&test.owner, &AppLogin { role: name.into(), password: None }).await.unwrap_err();
        assert_eq!(refused.code(), "bad-role-name");
    }
}

async fn count(connection: &mut PgConnection, what: &str) -> i64 {
    sqlx::query_scalar(AssertSqlSafe(format!("SELECT count(*) FROM {what}"))).fetch_one(connection).await.unwrap()
}

async fn set_company(connection: &mut PgConnection, company: Option<CompanyId>) {
    if let Some(company) = company {
        run(connection, format!("SET LOCAL app.company = '{company}'")).await.unwrap();
    }
}

async fn seen_as(connection: &mut PgConnection, company: Option<CompanyId>, table: &str) -> i64 {
    let mut tx = connection.begin().await.unwrap();
    set_company(&mut tx, company).await;
    let rows = count(&mut tx, table).await;
    tx.commit().await.unwrap();
    rows
}

async fn as_company(
    connection: &mut PgConnection,
    company: Option<CompanyId>,
    statement: String,
) -> Result<u64, sqlx::Error> {
    let mut tx = connection.begin().await.unwrap();
    set_company(&mut tx, company).await;
    let outcome = run(&mut tx, statement).await;
    tx.rollback().await.unwrap();
    outcome
}
