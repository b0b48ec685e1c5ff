//! People at the door of the real application: coming in, staying, being sent away, going out; and the API for browsers.

use crate::common::app::{self, monday, small_office};
use crate::common::browser::{Browser, after, browser, company_of, goes_to, person};
use chrono::Duration;
use reqwest::Method;
use serde_json::{Value, json};
use tackfree::api::{Settings, StreamLimits};
use tackfree::service::RoleDto;
use uuid::Uuid;

const COOKIE: &str = "__Host-tackfree=";

#[tokio::test]
async fn a_person_comes_in_and_goes_out() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let anna = person(&app, &office, "Anna@Example.com", RoleDto::Office).await;
    let mut own = browser(&app);
    goes_to(&own.get("/people").await, "/sign-in?to=/people");
    let page = own.get("/sign-in?to=/people").await;
    assert_eq!(page.status, 200);
    assert!(page.text.contains("name=\"to\" value=\"/people\"") && page.header("referrer-policy") == "same-origin");

    let fields = [("name", " anna@EXAMPLE.com "), ("password", anna.password.as_str()), ("to", "/people")];
    let came = own.post("/sign-in", &fields).await;
    goes_to(&came, "/people");
    let cookie = came.header("set-cookie").to_owned();
    assert!(
        cookie.starts_with(COOKIE) && cookie.ends_with("; Path=/; Max-Age=2592000; HttpOnly; SameSite=Lax; Secure"),
        "{cookie}"
    );
    let people = own.get("/people").await;
    assert_eq!(people.status, 200);
    assert!(people.text.contains("Person Anna@Example.com") && people.text.contains("<meta name=\"csrf\""));
    let policy = people.header("content-security-policy");
    assert!(
        policy.starts_with("default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self';"),
        "{policy}"
    );
    assert!(!policy.contains("unsafe") && people.header("cache-control") == "private, no-cache");

    // A new sign-in has a new secret, and the one before is over.
    let before = own.cookie.clone();
    goes_to(&own.sign_in(&anna).await, "/board");
    assert_ne!(own.cookie, before);
    let mut stolen = browser(&app);
    stolen.cookie = before;
    assert!(own.is_in().await && !stolen.is_in().await);

    let kept = own.cookie.clone();
    let csrf = own.csrf().await;
    let out = own.post("/sign-out", &[("csrf", &csrf)]).await;
    goes_to(&out, "/sign-in");
    assert!(out.header("set-cookie").starts_with("__Host-tackfree=; Path=/; Max-Age=0;"));
    own.cookie = kept;
    assert!(!own.is_in().await, "the cookie is worth nothing any more");
}

#[tokio::test]
async fn nobody_is_led_to_other_sites() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let anna = person(&app, &office, "anna", RoleDto::Office).await;
    for (to, lands) in [
        ("//evil.example/x", "/board"),
        ("https://evil.example", "/board"),
        ("/week?from=2026-03-09", "/week?from=2026-03-09"),
    ] {
        let fields = [("name", "anna"), ("password", anna.password.as_str()), ("to", to)];
        goes_to(&browser(&app).post("/sign-in", &fields).await, lands);
    }
}

#[tokio::test]
async fn an_unknown_name_and_a_wrong_password_are_answered_alike_and_slowed_down() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let anna = person(&app, &office, "anna", RoleDto::Office).await;
    let mut own = browser(&app);
    let wrong = own.post("/sign-in", &[("name", "anna"), ("password", "not the password")]).await;
    let unknown = own.post("/sign-in", &[("name", "annb"), ("password", "not the password")]).await;
    assert_eq!((wrong.status.as_u16(), unknown.status.as_u16()), (422, 422));
    assert_eq!(wrong.text.replace("anna", "annb"), unknown.text);
    assert!(wrong.headers.get("set-cookie").is_none() && wrong.text.contains("role=\"alert\""));
    for _ in 0..4 {
        assert_eq!(own.post("/sign-in", &[("name", "ANNA"), ("password", "guess")]).await.status, 422);
    }
    // The right one is not even looked at.
    let slow = own.sign_in(&anna).await;
    assert_eq!((slow.status.as_u16(), slow.header("retry-after")), (429, "30"), "{}", slow.text);
    assert!(slow.text.contains("Try again in <b>30 seconds</b>"), "{}", slow.text);
    app.clock.set(monday() + Duration::seconds(30));
    goes_to(&own.sign_in(&anna).await, "/board");
    // A person who was shut out is nobody.
    app.service().shut_out(company_of(&office).await, anna.person.id).await.unwrap();
    assert!(!own.is_in().await);
    assert_eq!(own.sign_in(&anna).await.status, 422);
}

#[tokio::test]
async fn sessions_end_by_themselves() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let anna = person(&app, &office, "anna", RoleDto::Viewer).await;
    let (mut used, mut idle, mut forgotten) = (browser(&app), browser(&app), browser(&app));
    used.sign_in(&anna).await;
    forgotten.sign_in(&anna).await;
    idle.sign_in(&anna).await;
    for day in 1..=29 {
        app.clock.set(monday() + Duration::days(day));
        assert!(used.is_in().await, "day {day}");
        if day == 3 {
            assert!(!forgotten.is_in().await, "it was never used");
        }
        // Noted as used on the second day, it is still in on the fourth, and from then on left alone.
        if day == 2 || day == 4 {
            assert!(idle.is_in().await, "day {day}");
        }
        if day == 7 {
            assert!(!idle.is_in().await, "three days without a use are the end");
        }
    }
    app.clock.set(monday() + Duration::days(30));
    assert!(!used.is_in().await, "thirty days are the end");
}

#[tokio::test]
async fn forms_are_taken_from_pages_of_the_session_only() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let anna = person(&app, &office, "anna", RoleDto::Office).await;
    let (mut own, mut other) = (browser(&app), browser(&app));
    own.sign_in(&anna).await;
    other.sign_in(&anna).await;
    let (csrf, foreign) = (own.csrf().await, other.csrf().await);
    assert_ne!(csrf, foreign);
    let form = |csrf: &str| {
        [("name", "Eve"), ("sign_in_name", "eve"), ("role", "office"), ("csrf", csrf)]
            .map(|(k, v)| (k.to_owned(), v.to_owned()))
    };
    for (csrf, headers) in [
        ("", vec![]),
        (foreign.as_str(), vec![]),
        (csrf.as_str(), vec![("sec-fetch-site", "cross-site")]),
        (csrf.as_str(), vec![("origin", "https://evil.example")]),
        (csrf.as_str(), vec![("origin", "null")]),
    ] {
        let fields = form(csrf);
        let fields: Vec<(&str, &str)> = fields.iter().map(|(k, v)| (k.as_str(), v.as_str())).collect();
        let refused = own.post_from("/people", &fields, &headers).await;
        assert_eq!(refused.status, 403, "{headers:?}");
        assert!(refused.text.contains("nothing was done"));
    }
    assert!(!own.get("/people").await.text.contains("Eve"));
    assert_eq!(
        own.post_from("/sign-in", &[("name", "a"), ("password", "b")], &[("sec-fetch-site", "cross-site")])
            .await
            .status,
        403
    );
    let long = "x".repeat(20_000);
    assert_eq!(own.post("/people", &[("csrf", &csrf), ("name", &long)]).await.status, 400);
    assert_eq!(own.post("/people", &[("csrf", &csrf), ("name", "Eve")]).await.status, 400);
    assert_eq!(own.get("/people/links").await.status, 405);
    assert_eq!(own.send(Method::PUT, "/people", &[], None).await.header("allow"), "GET, HEAD, POST");
}

#[tokio::test]
async fn the_office_lets_people_in_and_shuts_them_out() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let anna = person(&app, &office, "anna", RoleDto::Office).await;
    let mut own = browser(&app);
    own.sign_in(&anna).await;
    let csrf = own.csrf().await;
    let fields =
        [("csrf", csrf.as_str()), ("name", "Bert <b>"), ("sign_in_name", "bert"), ("role", "crew"), ("crew", "north")];
    let added = own.post("/people", &fields).await;
    assert_eq!((added.status.as_u16(), added.header("cache-control")), (200, "no-store"));
    assert!(added.text.contains("Bert &lt;b&gt;"), "{}", added.text);
    let password = after(&added.text, "<dd><code data-copy>", '<').to_owned();
    let taken = own.post("/people", &fields).await;
    assert_eq!(taken.status, 422);
    assert!(taken.text.contains("The sign-in name bert is in use.") && taken.text.contains("value=\"bert\""));
    assert_eq!(
        own.post("/people", &[("csrf", &csrf), ("name", "C"), ("sign_in_name", "c d"), ("role", "viewer")])
            .await
            .status,
        422
    );
    assert!(!own.get("/people").await.text.contains(&password), "it is shown once");

    let mut bert = browser(&app);
    goes_to(&bert.post("/sign-in", &[("name", "bert"), ("password", &password)]).await, "/day");
    let refused = bert.get("/people").await;
    assert_eq!(refused.status, 403);
    assert!(
        refused.text.contains("This page is for others")
            && refused.text.contains("href=\"/day\"")
            && !refused.text.contains("/board")
    );
    let his = bert.csrf().await;
    assert_eq!(
        bert.post("/people", &[("csrf", &his), ("name", "E"), ("sign_in_name", "eve"), ("role", "office")])
            .await
            .status,
        403
    );

    // A new password signs him out; shut out, he does not come in with it; let in again, with another.
    let page = own.get("/people").await.text;
    let id: Uuid = page
        .split("/people/")
        .filter_map(|part| part.get(..36)?.parse().ok())
        .find(|id| *id != anna.person.id)
        .unwrap();
    let set = own.press(&format!("/people/{id}/password")).await;
    let second = after(&set.text, "<dd><code data-copy>", '<').to_owned();
    assert!(!bert.is_in().await && second != password);
    goes_to(&bert.post("/sign-in", &[("name", "bert"), ("password", &second)]).await, "/day");
    goes_to(&own.press(&format!("/people/{id}/shut-out")).await, "/people");
    assert!(!bert.is_in().await && own.get("/people").await.text.contains("shut out"));
    assert_eq!(bert.post("/sign-in", &[("name", "bert"), ("password", &second)]).await.status, 422);
    let third = own.press(&format!("/people/{id}/password")).await;
    let third = after(&third.text, "<dd><code data-copy>", '<').to_owned();
    goes_to(&bert.post("/sign-in", &[("name", "bert"), ("password", &third)]).await, "/day");
    let himself = own.press(&format!("/people/{}/shut-out", anna.person.id)).await;
    assert!(himself.status == 422 && himself.text.contains("Nobody shuts out themselves."));

    // One browser of his, and no other.
    let mut phone = browser(&app);
    phone.post("/sign-in", &[("name", "bert"), ("password", &third)]).await;
    let page = own.get("/people").await.text;
    let sessions: Vec<&str> = page.split("/people/browsers/").skip(1).map(|part| &part[..36]).collect();
    assert_eq!(sessions.len(), 3);
    let mut gone = 0;
    for session in sessions {
        let (one, two) = (bert.is_in().await, phone.is_in().await);
        if own.press(&format!("/people/browsers/{session}/sign-out")).await.status == 303 && own.is_in().await {
            gone += usize::from((one, two) != (bert.is_in().await, phone.is_in().await));
        } else {
            own.sign_in(&anna).await;
        }
    }
    assert_eq!(gone, 2);
}

#[tokio::test]
async fn another_company_sees_and_changes_nobody() {
    let app = app::start().await;
    let (office, rivals) = (small_office(&app).await, app.company("Rivals").await);
    let anna = person(&app, &office, "anna", RoleDto::Office).await;
    let eve = person(&app, &rivals, "eve", RoleDto::Office).await;
    let (mut own, mut other) = (browser(&app), browser(&app));
    own.sign_in(&anna).await;
    other.sign_in(&eve).await;
    assert!(!other.get("/people").await.text.contains("Person anna"));
    for action in ["password", "shut-out"] {
        goes_to(&other.press(&format!("/people/{}/{action}", anna.person.id)).await, "/people");
    }
    let page = own.get("/people").await.text;
    let session = &page.split("/people/browsers/").nth(1).unwrap()[..36];
    other.press(&format!("/people/browsers/{session}/sign-out")).await;
    assert!(own.is_in().await);
}

#[tokio::test]
async fn a_changed_password_ends_the_other_sessions() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let anna = person(&app, &office, "anna", RoleDto::Office).await;
    let (mut own, mut other) = (browser(&app), browser(&app));
    own.sign_in(&anna).await;
    other.sign_in(&anna).await;
    let csrf = own.csrf().await;
    let new = "five planks of white oak";
    let change = async |own: &mut Browser, current: &str, new: &str| {
        own.post("/password", &[("csrf", &csrf), ("current", current), ("new", new)]).await
    };
    assert_eq!(change(&mut own, "another one", new).await.status, 422);
    let short = change(&mut own, &anna.password, "short").await;
    assert!(short.status == 422 && short.text.contains("fewer than 15"), "{}", short.text);
    assert!(other.is_in().await);
    assert_eq!(change(&mut own, &anna.password, new).await.status, 200);
    assert!(own.is_in().await && !other.is_in().await);
    assert_eq!(other.sign_in(&anna).await.status, 422);
    goes_to(&other.post("/sign-in", &[("name", "anna"), ("password", new)]).await, "/board");
}

#[tokio::test]
async fn a_crews_phone_comes_in_by_its_link_until_that_is_taken_back() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let anna = person(&app, &office, "anna", RoleDto::Office).await;
    let mut own = browser(&app);
    own.sign_in(&anna).await;
    let csrf = own.csrf().await;
    let made = own.post("/people/links", &[("csrf", &csrf), ("crew", "north"), ("name", "Bert's phone")]).await;
    let address = after(&made.text, "<code data-copy>", '<');
    let path = address.strip_prefix(&app.base.replace("http:", "https:")).unwrap().to_owned();
    assert_eq!(made.header("cache-control"), "no-store");
    assert!(path.starts_with("/crew/link_") && !own.get("/people").await.text.contains(&path));
    assert_eq!(own.post("/people/links", &[("csrf", &csrf), ("crew", "west")]).await.status, 422);

    let mut phone = browser(&app);
    let preview = phone.get(&path).await;
    assert!(preview.status == 200 && preview.headers.get("set-cookie").is_none(), "{}", preview.text);
    assert!(preview.text.contains("Use this phone for Crew north") && preview.text.contains("Bert's phone"));
    assert_eq!(phone.post_from(&path, &[], &[("sec-fetch-site", "cross-site")]).await.status, 403);
    let came = phone.post(&path, &[]).await;
    goes_to(&came, "/day");
    assert!(came.header("set-cookie").contains("Max-Age=31536000"));
    assert_eq!(phone.get("/password").await.status, 403, "a phone has no password");
    app.clock.set(monday() + Duration::days(80));
    assert!(phone.is_in().await, "through the winter");
    own.sign_in(&anna).await;
    let page = own.get("/people").await.text;
    let id = page.split("/people/links/").find_map(|part| part.get(..36)?.parse::<Uuid>().ok()).unwrap();
    goes_to(&own.press(&format!("/people/links/{id}/revoke")).await, "/people");
    assert!(!phone.is_in().await);
    let gone = phone.get(&path).await;
    assert_eq!((gone.status.as_u16(), phone.post(&path, &[]).await.status.as_u16()), (404, 404));
    assert_eq!(gone.text, phone.get("/crew/link_unknown").await.text);
}

#[tokio::test]
async fn the_api_takes_the_cookie_and_for_changes_the_sessions_word() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let (anna, victor) =
        (person(&app, &office, "anna", RoleDto::Office).await, person(&app, &office, "victor", RoleDto::Viewer).await);
    let bert = person(&app, &office, "bert", RoleDto::Crew).await;
    let mut own = browser(&app);
    own.sign_in(&anna).await;
    let csrf = own.csrf().await;
    let crew = app::crew("west").to_string();
    let json_body = ("content-type", "application/json");
    let post = async |own: &mut Browser, headers: &[(&str, &str)]| {
        let mut all = vec![json_body];
        all.extend_from_slice(headers);
        own.send(Method::POST, "/v1/crews", &all, Some(crew.clone())).await
    };
    post(&mut own, &[]).await.problem(403, "csrf-token-needed");
    post(&mut own, &[("x-csrf-token", "x")]).await.problem(403, "csrf-token-needed");
    post(&mut own, &[("x-csrf-token", &csrf), ("sec-fetch-site", "same-site")]).await.problem(403, "csrf-token-needed");
    // A repeated request is one of this person's, whichever browser sends it.
    let once = [("x-csrf-token", csrf.as_str()), ("idempotency-key", "k-1")];
    post(&mut own, &once).await.expect(201);
    own.sign_in(&anna).await;
    let csrf = own.csrf().await;
    let again = post(&mut own, &[("x-csrf-token", csrf.as_str()), ("idempotency-key", "k-1")]).await;
    again.expect(201);
    assert_eq!(again.header("idempotency-replayed"), "true");
    // A token goes before the cookie, a bad one too.
    let bad = own.send(Method::GET, "/v1/crews", &[("authorization", "Bearer tf_x")], None).await;
    bad.problem(401, "unauthenticated");
    browser(&app).get("/v1/crews").await.problem(401, "unauthenticated");

    let mut looker = browser(&app);
    looker.sign_in(&victor).await;
    let csrf = looker.csrf().await;
    post(&mut looker, &[("x-csrf-token", &csrf)]).await.problem(403, "role-needed");
    let mut phone = browser(&app);
    phone.sign_in(&bert).await;
    let csrf = phone.csrf().await;
    let token = office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await;
    let away = |crew: &str| json!({"id": Uuid::new_v4(), "kind": "crew_away", "happened_at": "2026-03-09T09:00:00Z", "crew": crew, "from": "2026-03-10T00:00:00Z", "to": "2026-03-11T00:00:00Z"});
    for crew in ["north", "south"] {
        let body: Value = away(crew);
        let by_token = token.post("/v1/events", &body).await;
        let by_phone = phone
            .send(Method::POST, "/v1/events", &[json_body, ("x-csrf-token", &csrf)], Some(away(crew).to_string()))
            .await;
        assert_eq!(by_phone.status, by_token.status, "{crew}: {} {}", by_phone.text, by_token.text);
    }
}

#[tokio::test]
async fn scripts_are_asked_for_again_only_when_they_have_changed() {
    let app = app::start().await;
    let mut own = browser(&app);
    let script = own.get("/script/request.js").await;
    assert_eq!((script.status.as_u16(), script.header("content-type")), (200, "text/javascript; charset=utf-8"));
    assert!(script.header("cache-control") == "no-cache" && script.text.contains("X-CSRF-Token"));
    let tag = script.etag().to_owned();
    assert!(tag.starts_with('"'));
    assert_eq!(own.send(Method::GET, "/script/request.js", &[("if-none-match", &tag)], None).await.status, 304);
    assert_eq!(own.send(Method::GET, "/script/request.js", &[("if-none-match", "\"x\"")], None).await.status, 200);
    assert_eq!(own.get("/script/nothing.js").await.status, 404);
}

#[tokio::test]
async fn a_stream_ends_when_its_browser_is_signed_out() {
    let streams = StreamLimits { heartbeat: std::time::Duration::from_millis(100), ..StreamLimits::default() };
    let settings =
        Settings { operator_token: Some(app::OPERATOR.into()), workers: Some(2), streams, ..Settings::default() };
    let app = app::start_with(settings).await;
    let office = small_office(&app).await;
    let anna = person(&app, &office, "anna", RoleDto::Office).await;
    let mut own = browser(&app);
    own.sign_in(&anna).await;
    let stream = own.http.get(format!("{}/v1/stream", app.base)).header("cookie", &own.cookie);
    let mut stream = stream.send().await.unwrap();
    assert_eq!(stream.status(), 200);
    // It goes on over some heartbeats, and then no further.
    for _ in 0..5 {
        assert!(stream.chunk().await.unwrap().is_some());
    }
    own.press("/sign-out").await;
    let ended = async { while let Ok(Some(_)) = stream.chunk().await {} };
    tokio::time::timeout(std::time::Duration::from_secs(20), ended).await.expect("it ends");
}
