//! Pages of the real application: what each reader sees, what none may see, and what browsers are told.

use crate::common::app::{self, Answer, App, Caller, small_office};
use reqwest::Method;
use serde_json::{Value, json};

/// The address of a week page, and the identifier of its calendar.
async fn week(office: &Caller, feed: &Value) -> (String, String) {
    let made = office.post("/v1/feeds", feed).await.expect(201);
    let secret = made["address"].as_str().unwrap().strip_prefix("/feeds/").unwrap().strip_suffix(".ics").unwrap();
    (format!("/week/{secret}"), made["id"].as_str().unwrap().to_owned())
}

async fn look(app: &App, path: &str) -> Answer {
    app.caller("").get(path).await
}

/// What every page promises to browsers, and keeps.
fn check_page(page: &Answer, status: u16) {
    assert_eq!(page.status.as_u16(), status, "{}", page.text);
    assert_eq!(page.header("content-type"), "text/html; charset=utf-8");
    assert_eq!(page.header("cache-control"), "private, no-cache");
    assert_eq!(page.header("x-content-type-options"), "nosniff");
    assert_eq!(page.header("referrer-policy"), "no-referrer");
    let policy = page.header("content-security-policy");
    assert!(policy.starts_with("default-src 'none'; style-src 'self';"), "{policy}");
    assert!(!policy.contains("unsafe") && !policy.contains("script-src"), "{policy}");
    for forbidden in ["<script", "<style", " style=", " onclick=", " onload=", "javascript:", "http://", "https://"] {
        assert!(!page.text.contains(forbidden), "{forbidden} in {}", page.text);
    }
}

#[tokio::test]
async fn the_first_page_says_what_this_is_and_the_api_is_still_there() {
    let app = app::start().await;
    let page = look(&app, "/").await;
    check_page(&page, 200);
    for link in ["\"/docs/\"", "\"/openapi.json\"", "\"/healthz\"", "POST /v1/feeds", "/week/SECRET"] {
        assert!(page.text.contains(link), "{link}");
    }
    let style = page.text.split('"').find(|part| part.starts_with("/page.css?v=")).unwrap();
    let style = look(&app, style).await;
    assert_eq!((style.status.as_u16(), style.header("content-type")), (200, "text/css; charset=utf-8"));
    assert!(style.header("cache-control").contains("immutable") && !style.text.contains("url("));
    assert_eq!(look(&app, "/mark.svg").await.header("content-type"), "image/svg+xml");

    let nobody = app.caller("");
    assert_eq!(nobody.send(Method::HEAD, "/", &[], None).await.status, 200);
    let refused = nobody.send(Method::POST, "/", &[], None).await;
    check_page(&refused, 405);
    assert_eq!(refused.header("allow"), "GET, HEAD");
    nobody.get("/nowhere").await.problem(404, "unknown-path");
    nobody.get("/week").await.problem(404, "unknown-path");
    nobody.get("/feeds/cal_none.ics").await.problem(404, "not-found");
    assert_eq!(nobody.get("/healthz").await.status, 200);
}

#[tokio::test]
async fn the_office_sees_all_crews_and_what_is_published() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let (path, _) = week(&office, &json!({"kind": "office"})).await;
    let before = look(&app, &path).await;
    check_page(&before, 200);
    assert!(before.text.contains("Nothing has been published yet"), "{}", before.text);
    assert!(before.text.contains("Crew north") && before.text.contains("Crew south"));

    office.publish().await;
    let page = look(&app, &path).await;
    check_page(&page, 200);
    let works = office.get("/v1/week").await.expect(200)["works"].as_array().unwrap().clone();
    assert_eq!(works.len(), 3);
    for work in &works {
        let clock = |member: &str| work[member].as_str().unwrap()[11..16].to_owned();
        let time = format!("{}–{}", clock("start"), clock("finish"));
        assert!(page.text.contains(&time), "{time} is missing in {}", page.text);
        assert!(page.text.contains(work["step_name"].as_str().unwrap()));
    }
    for text in [
        "<h3>House linden-4</h3>",
        "Harrow Falls Floors",
        "9–15 March 2026",
        "America/New_York (EDT)",
        "Plan 1, published Mon 9 Mar 06:00",
        "Coating</span>",
        "k-coat",
        "href=\"?from=2026-03-02\"",
        "href=\"?from=2026-03-16\"",
    ] {
        assert!(page.text.contains(text), "{text} is missing in {}", page.text);
    }
    let calendar = page.text.split('"').find(|part| part.ends_with(".ics")).unwrap();
    assert!(look(&app, calendar).await.text.starts_with("BEGIN:VCALENDAR"));

    let later = look(&app, &format!("{path}?from=2026-03-16")).await;
    check_page(&later, 200);
    assert!(later.text.contains("Nothing is promised in these seven days") && later.text.contains("16–22 March 2026"));
    for bad in ["from=soon", "from=2026-02-30", "from=9999-12-31", "from=0001-01-01"] {
        check_page(&look(&app, &format!("{path}?{bad}")).await, 400);
    }
}

#[tokio::test]
async fn a_house_shows_its_waits_and_a_customer_no_more_than_the_calendar() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let mut job = office.get("/v1/jobs/linden-4-floors").await.expect(200);
    job["steps"][1]["notes"] = json!("mind the cat");
    office.patch("/v1/jobs/linden-4-floors", &json!({"steps": job["steps"]})).await.expect(200);
    office.publish().await;

    let (path, _) = week(&office, &json!({"kind": "house", "house": "linden-4"})).await;
    let house = look(&app, &path).await;
    check_page(&house, 200);
    for text in [
        "Floor waits <b>1 day",
        "Keep off",
        "Coat → Hand-over",
        "at least 1 day",
        "waterborne film",
        "Crew ",
        "Linden Street 4",
    ] {
        assert!(house.text.contains(text), "{text} is missing in {}", house.text);
    }
    assert!(house.text.contains("mind the cat") && house.text.contains("1 × big-machine"));

    let (path, _) = week(&office, &json!({"kind": "customer", "house": "linden-4"})).await;
    let customer = look(&app, &path).await;
    check_page(&customer, 200);
    for text in [
        "House linden-4",
        "Floors of linden-4",
        "Hand-over",
        "Walk-through",
        "<h2>After the last coat</h2>",
        "<li>The last coat is planned to be finished: ",
        "<li>On the floor in socks: from ",
        "<li>Furniture back, ",
        "<li>Rugs and mats: ",
        "<li>Fully cured: ",
    ] {
        assert!(!house.text.contains("After the last coat"), "the crews' page of a house is for crews");
        assert!(customer.text.contains(text), "{text} is missing in {}", customer.text);
    }
    for text in [
        "Load list",
        "Beware",
        "Crew",
        "crew",
        "mind the cat",
        "big-machine",
        "Plan 1",
        "Floor waits",
        "Keep off",
        "Harrow Falls Floors",
    ] {
        assert!(!customer.text.contains(text), "{text} in {}", customer.text);
    }

    let works = office.get("/v1/week").await.expect(200);
    let crew = works["works"][0]["crew"].as_str().unwrap().to_owned();
    let (path, _) = week(&office, &json!({"kind": "crew", "crew": crew})).await;
    let page = look(&app, &path).await;
    check_page(&page, 200);
    assert!(page.text.contains("House linden-4") && page.text.contains("<b>Bring </b>"), "{}", page.text);
    for text in ["Load list", "big-machine no. 1", "Edger disc", "Beware", "find out (lead)", "29 CFR 1926.1101"] {
        assert!(page.text.contains(text), "{text} is missing in {}", page.text);
    }
}

#[tokio::test]
async fn an_address_that_is_taken_back_shows_nothing() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let (path, id) = week(&office, &json!({"kind": "office"})).await;
    check_page(&look(&app, &path).await, 200);
    office.delete(&format!("/v1/feeds/{id}")).await.expect(204);
    let gone = look(&app, &path).await;
    check_page(&gone, 404);
    assert!(gone.text.contains("Ask the office for a new address"));
    let unknown = look(&app, "/week/cal_unknown").await;
    check_page(&unknown, 404);
    assert_eq!(gone.text, unknown.text);
}

#[tokio::test]
async fn names_are_text_and_nothing_else() {
    let app = app::start().await;
    let office = app.company("<script>alert(1)</script> & Sons").await;
    let hostile = "\"><script>alert(2)</script><img src=x onerror=alert(3)>";
    let named = |mut document: Value| {
        document["name"] = json!(hostile);
        document
    };
    let mut job = named(app::job("floors", "house"));
    job["steps"][1]["name"] = json!(hostile);
    job["steps"][1]["notes"] = json!(hostile);
    let mut house = named(app::house("house"));
    house["address"] = json!(hostile);
    for (list, document) in [
        ("crews", named(app::crew("crew"))),
        ("equipment", app::equipment("big-machine")),
        ("houses", house),
        ("jobs", job),
    ] {
        office.post(&format!("/v1/{list}"), &document).await.expect(201);
    }
    office.publish().await;
    for feed in [
        json!({"kind": "office"}),
        json!({"kind": "crew", "crew": "crew"}),
        json!({"kind": "house", "house": "house"}),
        json!({"kind": "customer", "house": "house"}),
    ] {
        let (path, _) = week(&office, &feed).await;
        let page = look(&app, &path).await;
        check_page(&page, 200);
        assert!(!page.text.contains("<img") && page.text.contains("&lt;script&gt;alert(2)"), "{}", page.text);
    }
}

/// A crew's day on paper: what it needs and nobody else may see.
#[tokio::test]
async fn a_crew_has_its_day_on_one_sheet() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let steps = json!([
        {"key": "sand", "name": "Sand", "kind": "sand", "minutes": 60, "skills": ["sanding"], "equipment": {"big-machine": 1},
         "notes": "Mind the <stairs>"},
        {"key": "look", "name": "Take readings", "kind": "check", "minutes": 30, "skills": ["readings"]}
    ]);
    let waits = json!([{"from": "sand", "to": "look"}]);
    let pins = json!([{"step": "sand", "crew": "north"}, {"step": "look", "crew": "north"}]);
    office.patch("/v1/jobs/linden-4-floors", &json!({"steps": steps, "waits": waits, "pins": pins})).await.expect(200);
    office.publish().await;
    let (north, id) = week(&office, &json!({"kind": "crew", "crew": "north"})).await;
    let sheet_of = |path: &str| path.replace("/week/", "/day-sheet/");
    let page = look(&app, &sheet_of(&north)).await;
    check_page(&page, 200);
    for told in [
        "Monday, 9 March 2026",
        "Crew north",
        "House linden-4",
        "Linden Street 4, Harrow Falls",
        "07:00–08:00",
        "1 × big-machine",
        "Mind the &lt;stairs&gt;",
        "Beware:",
        "Living room",
        "Hall",
        "Whole floor",
        "What to load",
        "Crew lead",
        "percent of moisture",
    ] {
        assert!(page.text.contains(told), "{told} is missing in {}", page.text);
    }
    let style = page.text.split('"').find(|part| part.starts_with("/day-sheet.css?v=")).unwrap();
    let style = look(&app, style).await;
    assert_eq!((style.status.as_u16(), style.header("content-type")), (200, "text/css; charset=utf-8"));
    assert!(style.text.contains("size: A4 portrait"));

    let free = look(&app, &format!("{}?date=2026-03-20", sheet_of(&north))).await;
    check_page(&free, 200);
    assert!(free.text.contains("Nothing is promised on this day") && !free.text.contains("House linden-4"));
    check_page(&look(&app, &format!("{}?date=someday", sheet_of(&north))).await, 400);
    for other in [json!({"kind": "office"}), json!({"kind": "customer", "house": "linden-4"})] {
        let (path, _) = week(&office, &other).await;
        check_page(&look(&app, &sheet_of(&path)).await, 404);
    }
    office.delete(&format!("/v1/feeds/{id}")).await.expect(204);
    check_page(&look(&app, &sheet_of(&north)).await, 404);
}
