//! Pages of houses and calendars of the real application: what each role sees, that lists and pages say what the API says,
//! and that forms do what they say and nothing else.

use crate::common::app::{self, Answer, App, Caller, house, job, monday, small_office};
use chrono::Duration;
use reqwest::redirect::Policy;
use serde_json::{Value, json};
use tackfree::service::{PersonBody, RoleDto};
use tackfree::store::CompanyId;

/// A browser that is signed in.
struct Browser {
    base: String,
    http: reqwest::Client,
    cookie: String,
    csrf: String,
}

impl Browser {
    async fn of(app: &App, office: &Caller, role: RoleDto) -> Browser {
        let view = office.get("/v1/company").await.expect(200);
        let company = CompanyId(view["id"].as_str().unwrap().parse().unwrap());
        let crew = (role == RoleDto::Crew).then(|| "north".to_owned());
        let name = format!("{role:?}-{}", uuid::Uuid::new_v4());
        let body = PersonBody { name: name.clone(), sign_in_name: name.clone(), role, crew };
        let made = app.service().add_person(company, &body, None).await.unwrap();
        let http = reqwest::Client::builder().redirect(Policy::none()).build().unwrap();
        let fields = form(&[("name", &name), ("password", &made.password)]);
        let kind = "application/x-www-form-urlencoded";
        let sign_in = http.post(format!("{}/sign-in", app.base)).header("content-type", kind).body(fields);
        let set = sign_in.send().await.unwrap().headers().get("set-cookie").unwrap().to_str().unwrap().to_owned();
        let cookie = set.split(';').next().unwrap().to_owned();
        let mut browser = Browser { base: app.base.clone(), http, cookie, csrf: String::new() };
        let page = browser.get("/password").await.text;
        browser.csrf = between(&page, "name=\"csrf\" content=\"", "\"").to_owned();
        browser
    }

    async fn send(&self, request: reqwest::RequestBuilder) -> Answer {
        let response = request.header("cookie", &self.cookie).send().await.unwrap();
        let (status, headers) = (response.status(), response.headers().clone());
        Answer { status, headers, text: response.text().await.unwrap() }
    }

    async fn get(&self, path: &str) -> Answer {
        self.send(self.http.get(format!("{}{path}", self.base))).await
    }

    async fn post(&self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let mut all = vec![("csrf", self.csrf.as_str())];
        all.extend_from_slice(fields);
        let request = self.http.post(format!("{}{path}", self.base)).body(form(&all));
        self.send(request.header("content-type", "application/x-www-form-urlencoded")).await
    }
}

fn form(fields: &[(&str, &str)]) -> String {
    let plain = |text: &str| text.bytes().map(|byte| format!("%{byte:02X}")).collect::<String>();
    fields.iter().map(|(name, value)| format!("{name}={}", plain(value))).collect::<Vec<_>>().join("&")
}

fn between<'a>(page: &'a str, before: &str, end: &str) -> &'a str {
    page.split(before).nth(1).unwrap_or_else(|| panic!("no {before} in {page}")).split(end).next().unwrap()
}

/// What stands in a page, without its marks.
fn words(page: &str) -> String {
    let text = page.split('<').map(|part| part.split_once('>').map_or(part, |(_, text)| text));
    text.collect::<Vec<_>>().join(" ").split_whitespace().collect::<Vec<_>>().join(" ")
}

fn check_page(page: &Answer, status: u16) {
    assert_eq!(page.status.as_u16(), status, "{}", page.text);
    let policy = page.header("content-security-policy");
    assert!(policy.contains("default-src 'none'") && !policy.contains("unsafe"), "{policy}");
    for forbidden in ["<style", " style=", " onclick=", "javascript:"] {
        assert!(!page.text.contains(forbidden), "{forbidden} in {}", page.text);
    }
}

/// Readings of every square foot asked for: twelve of the living room and four of the hall.
fn readings(living: f64, hall: f64) -> Value {
    let area = |name: &'static str, mean: f64, count: usize| {
        (0..count).map(move |index| json!({"area": name, "mc_percent": mean + [-0.2, 0.2][index % 2]}))
    };
    area("Living room", living, 12).chain(area("Hall", hall, 4)).collect()
}

/// Part A, part B, overnight, readings, seal, in a house of its own.
fn treated(key: &str) -> Value {
    json!({
        "key": format!("{key}-floors"), "name": format!("Treated floors of {key}"), "house": key,
        "release": "2026-03-01T00:00:00-05:00", "due": "2026-03-13T17:00:00-04:00",
        "steps": [
            {"key": "treat-a", "name": "Treat, part A", "kind": "treat_a", "minutes": 30, "skills": ["treatment"]},
            {"key": "treat-b", "name": "Treat, part B", "kind": "treat_b", "minutes": 30, "skills": ["treatment"]},
            {"key": "readings", "name": "Take readings", "kind": "check", "minutes": 30, "recheck_after_minutes": 240,
             "meter": {"kind": "pinless"}},
            {"key": "coat", "name": "Coat", "kind": "coat", "person_minutes": 120, "skills": ["finishing"]}
        ],
        "waits": [
            {"from": "treat-a", "to": "treat-b", "kind": "dwell", "min_minutes": 10,
             "max": {"minutes": 15, "on_exceed": "forbid"}},
            {"from": "treat-b", "to": "readings", "min_minutes": 720, "film": "treatment", "keep_off": true,
             "overnight": true},
            {"from": "readings", "to": "coat"}
        ]
    })
}

async fn report(office: &Caller, key: &str, step: &str, (from, until): (i64, i64), more: Value) {
    let at = |minutes: i64| (monday() + Duration::minutes(minutes)).to_rfc3339();
    let mut body = json!({"step": step, "crew": "north", "started_at": at(from), "finished_at": at(until)});
    body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    office.post(&format!("/v1/jobs/{key}-floors/records"), &body).await.expect(201);
}

/// A company with a fresh house, one on hold, and one whose floor has failed twice.
async fn three_houses(app: &App) -> Caller {
    let office = small_office(app).await;
    for key in ["elm-2", "oak-7"] {
        office.post("/v1/houses", &house(key)).await.expect(201);
    }
    office.post("/v1/jobs", &job("oak-7-floors", "oak-7")).await.expect(201);
    office.patch("/v1/jobs/oak-7-floors", &json!({"status": "on_hold"})).await.expect(200);
    office.post("/v1/jobs", &treated("elm-2")).await.expect(201);
    report(&office, "elm-2", "treat-a", (-1440, -1410), json!({"outcome": "done"})).await;
    report(&office, "elm-2", "treat-b", (-1428, -1398), json!({"outcome": "done", "note": "Windows <shut>"})).await;
    report(&office, "elm-2", "readings", (-480, -450), json!({"readings": readings(8.4, 12.2)})).await;
    report(&office, "elm-2", "readings", (-60, -30), json!({"readings": readings(8.2, 11.3)})).await;
    office.publish().await;
    office
}

#[tokio::test]
async fn houses_are_listed_with_where_they_stand() {
    let app = app::start().await;
    let office = three_houses(&app).await;
    let browser = Browser::of(&app, &office, RoleDto::Viewer).await;
    let page = browser.get("/houses").await;
    check_page(&page, 200);
    let told = words(&page.text);
    for text in [
        "3 open jobs · plan 1",
        "House elm-2",
        "Take readings failed 2 times",
        "Floor dries on",
        "On hold",
        "Not begun",
        "Crew north",
    ] {
        assert!(told.contains(text), "{text} is missing in {told}");
    }
    // The promised finish is what the published plan says.
    let plan = office.get("/v1/plans/published").await.expect(200);
    let own = plan["placements"].as_array().unwrap().iter().filter(|placed| placed["job"] == "linden-4-floors");
    let finish = own.map(|placed| placed["finish"].as_str().unwrap()).max().unwrap();
    let day = chrono::DateTime::parse_from_rfc3339(finish).unwrap().format("%a %-d %b").to_string();
    let row = between(&page.text, "/houses/linden-4?", "</tr>");
    assert!(row.contains(&format!("<b>{day}</b>")), "{day} is missing in {row}");
    assert!(row.contains("to spare") && !row.contains(" late"));

    let names = |page: &str| {
        page.split("class=\"to\"").skip(1).map(|part| between(part, ">", "<").to_owned()).collect::<Vec<_>>()
    };
    for (query, expected) in [
        ("?show=failed", vec!["House elm-2"]),
        ("?show=on-hold", vec!["House oak-7"]),
        ("?show=not-begun", vec!["House linden-4"]),
        ("?show=late", vec![]),
        ("?q=ELM", vec!["House elm-2"]),
        ("?q=treated+floors", vec!["House elm-2"]),
        ("?sort=house", vec!["House elm-2", "House linden-4", "House oak-7"]),
        ("?sort=next&show=nonsense", vec!["House linden-4", "House elm-2", "House oak-7"]),
    ] {
        let page = browser.get(&format!("/houses{query}")).await;
        check_page(&page, 200);
        assert_eq!(names(&page.text), expected, "{query}");
    }
    let odd = browser.get("/houses?q=%3Cscript%3E").await;
    check_page(&odd, 200);
    assert!(odd.text.contains("&lt;script&gt;") && !odd.text.contains("<script>"));

    office.patch("/v1/jobs/linden-4-floors", &json!({"due": "2026-03-09T08:00:00-04:00"})).await.expect(200);
    let late = browser.get("/houses?show=late").await.text;
    assert!(names(&late) == ["House linden-4"] && words(&late).contains(" late"), "{late}");
}

/// A day of drying after the coat at 21 degrees and 45 percent, which do not hold it up: over in one house, not in the other.
#[tokio::test]
async fn a_floor_that_waits_is_told_from_one_that_is_ready() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.post("/v1/houses", &house("oak-7")).await.expect(201);
    office.post("/v1/jobs", &job("oak-7-floors", "oak-7")).await.expect(201);
    for (key, until) in [("linden-4", -1_380), ("oak-7", -1_500)] {
        let early = json!({"release": "2026-03-01T00:00:00-05:00"});
        office.patch(&format!("/v1/jobs/{key}-floors"), &early).await.expect(200);
        report(&office, key, "sand", (until - 300, until - 120), json!({"outcome": "done"})).await;
        report(&office, key, "coat", (until - 60, until), json!({"outcome": "done"})).await;
    }
    office.publish().await;
    let browser = Browser::of(&app, &office, RoleDto::Viewer).await;
    let page = browser.get("/houses").await;
    let row = |key: &str| words(between(&page.text, &format!("/houses/{key}?"), "</tr>"));
    assert!(row("linden-4").contains("Floor waits after Coat"), "{}", row("linden-4"));
    assert!(row("oak-7").contains("Ready the floor is"), "{}", row("oak-7"));
    let one = words(&browser.get("/houses/oak-7").await.text);
    assert!(one.contains("✓ ready") && one.contains("then ready,"), "{one}");
    assert!(words(&browser.get("/houses/linden-4").await.text).contains("▶ waits"));
}

#[tokio::test]
async fn a_house_shows_chain_readings_history_and_letter() {
    let app = app::start().await;
    let office = three_houses(&app).await;
    let browser = Browser::of(&app, &office, RoleDto::Viewer).await;
    let page = browser.get("/houses/elm-2").await;
    check_page(&page, 200);
    let told = words(&page.text);
    let checks = office.get("/v1/jobs/elm-2-floors/checks").await.expect(200);
    let rounds = checks["items"][0]["rounds"].as_array().unwrap();
    assert_eq!(rounds.len(), 2);
    for round in rounds {
        for area in round["verdict"]["areas"].as_array().unwrap() {
            let mean = format!("{:.1} %", area["mean_percent"].as_f64().unwrap());
            assert!(told.contains(&mean), "{mean} is missing in {told}");
        }
    }
    let predicted = checks["items"][0]["prediction"]["in_words"].as_str().unwrap();
    for text in [
        predicted,
        "✕ out +",
        "✓ within −",
        "Dwell 10–15 min",
        "Floor waits · treatment dries",
        "keep off",
        "a night between",
        "2 of 4",
        "“Windows &lt;shut&gt;”",
        "Label, safety data sheet, local codes",
        "We work in the house from",
        "What may change these dates",
        "Round 1,",
        "✕ failed 2 times",
    ] {
        assert!(told.contains(text), "{text} is missing in {told}");
    }
    assert_eq!(page.text.matches("class=\"floor\"").count(), 2);
    assert_eq!(page.text.matches("class=\"mean\" points").count(), 2, "a line for each area");
    assert!(!page.text.contains("action=\"/calendars\""), "viewers make no calendars");

    let letter = browser.get("/houses/elm-2/letter").await;
    check_page(&letter, 200);
    let plain = office.get("/v1/jobs/elm-2-floors/customer-letter").await.expect(200);
    for line in plain["changes"].as_array().unwrap() {
        assert!(letter.text.contains(line.as_str().unwrap()));
    }
    assert!(!letter.text.contains("Crew north"), "no crews in a customer's letter");

    let other = browser.get("/houses/linden-4?job=linden-4-floors").await;
    check_page(&other, 200);
    assert!(words(&other.text).contains("Please be out, pets too"), "its coat has to dry");
    for nowhere in ["/houses/none", "/houses/elm-2?job=linden-4-floors", "/houses/none/letter"] {
        check_page(&browser.get(nowhere).await, 404);
    }
    // Another company's houses are as good as none.
    let elsewhere = app.company("Elsewhere").await;
    let stranger = Browser::of(&app, &elsewhere, RoleDto::Office).await;
    check_page(&stranger.get("/houses/elm-2").await, 404);
    assert!(words(&stranger.get("/houses").await.text).contains("No house has an open job"));
    // Crews have pages of their own.
    let crew = Browser::of(&app, &office, RoleDto::Crew).await;
    for path in ["/houses", "/houses/elm-2", "/houses/elm-2/letter", "/calendars"] {
        check_page(&crew.get(path).await, 403);
    }
    check_page(&browser.get("/calendars").await, 403);
}

#[tokio::test]
async fn the_office_makes_calendars_and_takes_them_back() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let browser = Browser::of(&app, &office, RoleDto::Office).await;
    let nobody = app.caller("");
    for (kind, crew, house) in
        [("crew", "north", "linden-4"), ("house", "", "linden-4"), ("office", "north", "linden-4")]
    {
        let made = browser.post("/calendars", &[("kind", kind), ("crew", crew), ("house", house)]).await;
        check_page(&made, 200);
        assert_eq!(made.header("cache-control"), "no-store");
        let address = between(&made.text, "data-copy>", "<");
        let here = app.base.trim_start_matches("http");
        let path = address.trim_start_matches("https").trim_start_matches("http").strip_prefix(here);
        let path = path.unwrap_or_else(|| panic!("{address} is no address here"));
        assert!(nobody.get(path).await.text.starts_with("BEGIN:VCALENDAR"), "{path}");
        if kind == "crew" {
            assert!(made.text.contains("?waits=1") && made.text.contains("/day-sheet/cal_"));
        }
    }
    let page = browser.get("/calendars").await;
    check_page(&page, 200);
    assert!(!page.text.contains("cal_") && page.text.matches("/revoke\"").count() == 3);
    let back = between(&page.text, "action=\"/calendars/", "\"");
    let revoked = browser.post(&format!("/calendars/{back}"), &[]).await;
    assert_eq!((revoked.status.as_u16(), revoked.header("location")), (303, "/calendars"));
    assert_eq!(browser.get("/calendars").await.text.matches("/revoke\"").count(), 2);
    for bad in [[("kind", "crew"), ("crew", "nobody")], [("kind", "house"), ("crew", "north")]] {
        let refused = browser.post("/calendars", &bad).await;
        check_page(&refused, 422);
        assert!(refused.text.contains("Nothing was done"));
    }
    let viewer = Browser::of(&app, &office, RoleDto::Viewer).await;
    check_page(&viewer.post("/calendars", &[("kind", "office")]).await, 403);
    let forged = Browser { csrf: "guessed".to_owned(), ..browser };
    check_page(&forged.post("/calendars", &[("kind", "office")]).await, 403);
    assert_eq!(office.get("/v1/feeds").await.expect(200)["items"].as_array().unwrap().len(), 3);
}

#[tokio::test]
async fn tables_are_looked_at_and_taken_in() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let browser = Browser::of(&app, &office, RoleDto::Office).await;
    let header = "key,name,access,areas\n";
    let good = format!("{header}elm-12,Elm Street 12,mon-fri 07:00-18:00,Hall: 80\n");
    let bad = format!("{good}elm-13,Elm <b>13</b>,sometimes,Hall: many\nelm-12,again,mon 07:00-18:00,Hall: 80\n");
    let send = async |table: &str, act: &str| {
        browser.post("/calendars/import", &[("of", "houses"), ("table", table), ("act", act)]).await
    };
    let refused = send(&bad, "keep").await;
    check_page(&refused, 422);
    let told = words(&refused.text);
    for text in ["Nothing was kept", "row 2", "access", "areas", "row 3"] {
        assert!(told.to_lowercase().contains(&text.to_lowercase()), "{text} is missing in {told}");
    }
    assert!(refused.text.contains("Elm &lt;b&gt;13"), "the table comes back to be mended");
    office.get("/v1/houses/elm-12").await.problem(404, "not-found");

    let looked = send(&good, "look").await;
    check_page(&looked, 200);
    assert!(words(&looked.text).contains("Nothing was kept yet"));
    office.get("/v1/houses/elm-12").await.problem(404, "not-found");
    let kept = send(&good, "keep").await;
    check_page(&kept, 200);
    assert!(words(&kept.text).contains("elm-12 added"));
    assert_eq!(office.get("/v1/houses/elm-12").await.expect(200)["name"], "Elm Street 12");
    assert!(words(&send(&good, "keep").await.text).contains("elm-12 unchanged"));

    // As large as tables may be is let in; ordinary forms are not.
    let long = format!("{header}{}", "x".repeat(300_000));
    check_page(&send(&long, "look").await, 422);
    let too_long = browser.post("/calendars", &[("kind", "office"), ("crew", &"x".repeat(20_000))]).await;
    assert_eq!(too_long.status, 400);
    let odd = browser.post("/calendars/import", &[("of", "methods"), ("table", &good)]).await;
    assert_eq!(odd.status, 400);
    let viewer = Browser::of(&app, &office, RoleDto::Viewer).await;
    let table = [("of", "houses"), ("table", good.as_str()), ("act", "keep")];
    check_page(&viewer.post("/calendars/import", &table).await, 403);
}

#[tokio::test]
async fn day_sheets_are_for_whoever_may_see_the_crew() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let pins = json!([{"step": "sand", "crew": "north"}, {"step": "coat", "crew": "south"}]);
    office.patch("/v1/jobs/linden-4-floors", &json!({"pins": pins})).await.expect(200);
    office.publish().await;
    let viewer = Browser::of(&app, &office, RoleDto::Viewer).await;
    let sheet = viewer.get("/day-sheet?crew=north&date=2026-03-09").await;
    check_page(&sheet, 200);
    let told = words(&sheet.text);
    for text in ["Monday, 9 March 2026", "Crew north", "House linden-4", "What to load", "Crew south"] {
        assert!(told.contains(text), "{text} is missing in {told}");
    }
    assert!(sheet.text.contains("?crew=north&amp;date=2026-03-10"));
    assert!(words(&viewer.get("/day-sheet").await.text).contains("Crew north"), "the first by name");
    check_page(&viewer.get("/day-sheet?crew=north&date=someday").await, 400);
    check_page(&viewer.get("/day-sheet?crew=nobody").await, 404);
    let crew = Browser::of(&app, &office, RoleDto::Crew).await;
    let own = crew.get("/day-sheet?date=2026-03-09").await;
    check_page(&own, 200);
    assert!(own.text.contains("Crew north") && !own.text.contains("Crew south"));
    check_page(&crew.get("/day-sheet?crew=south").await, 403);
    let nobody = app.caller("").get("/day-sheet?crew=north").await;
    assert!(nobody.status == 303 || nobody.text.contains("Sign in"), "{}", nobody.text);
}
