//! A job's treatment, second by second: before it is promised, and with times of day after.

use crate::common::app::{self, Caller, small_office};
use serde_json::{Value, json};

/// The house has 300 and 100 sq ft.
async fn treated(office: &Caller, change_over_seconds: i64) {
    let step = |key: &str, kind: &str, rate: i64| {
        let rolling =
            json!({"sqft_per_minute": rate, "even_out_seconds": 60, "change_over_seconds": change_over_seconds});
        json!({"key": key, "name": key, "kind": kind, "skills": ["treatment"], "rolling": rolling})
    };
    let max = json!({"minutes": 15, "on_exceed": "forbid"});
    let chain = json!({
        "steps": [step("a", "treat_a", 20), step("b", "treat_b", 15)],
        "waits": [{"from": "a", "to": "b", "kind": "dwell", "min_minutes": 10, "max": max}],
    });
    office.patch("/v1/jobs/linden-4-floors", &chain).await.expect(200);
}

fn seconds(text: &str) -> i64 {
    chrono::DateTime::parse_from_rfc3339(text).unwrap().timestamp()
}

#[tokio::test]
async fn a_promised_treatment_is_told_by_the_clock() {
    let app = app::start().await;
    let office = small_office(&app).await;
    treated(&office, 120).await;
    let path = "/v1/jobs/linden-4-floors/treatment-plan";
    let alone = office.get(path).await.expect(200);
    // By hand: one person, at most 168 sq ft (see trade::sections), so the living room falls into two.
    assert_eq!((&alone["people"], &alone["starts_at"]), (&json!(1), &Value::Null), "{alone}");
    assert_eq!(alone["largest_sqft"], 168);
    let sizes: Vec<i64> =
        alone["sections"].as_array().unwrap().iter().map(|section| section["sqft"].as_i64().unwrap()).collect();
    assert_eq!(sizes, [150, 150, 100]);
    assert!(
        alone["lines"].as_array().unwrap().iter().any(|line| line == "0:00:00  shake part A, section 1 (0:15 min)")
    );
    office.publish().await;
    let told = office.get(path).await.expect(200);
    assert_eq!((&told["people"], &told["applicators"]), (&json!(2), &json!(2)), "as many as the crew: {told}");
    let week = office.get("/v1/week?from=2026-03-01&days=62").await;
    let works = week.expect(200)["works"].as_array().unwrap().clone();
    let booked = |step: &str| works.iter().find(|work| work["step"] == step).unwrap().clone();
    let (a, b) = (booked("a"), booked("b"));
    assert_eq!((&told["starts_at"], &told["crew"]), (&a["start"], &a["crew"]), "{told}");
    let booked_minutes = (seconds(b["finish"].as_str().unwrap()) - seconds(a["start"].as_str().unwrap())) / 60;
    assert_eq!(booked_minutes, (told["total_seconds"].as_i64().unwrap() + 59) / 60, "booked as long as it is");
    let first = a["start"].as_str().unwrap()[11..19].to_owned();
    let shake = format!("{first}  with A: shake part A, section 1 (0:15 min)");
    assert!(told["lines"].as_array().unwrap().iter().any(|line| *line == json!(shake)), "{told}");
    let for_one = office.get(&format!("{path}?people=1&step=b")).await.expect(200);
    assert_eq!(for_one["applicators"], 1);
    assert!(for_one["total_seconds"].as_i64() > told["total_seconds"].as_i64());
}

#[tokio::test]
async fn what_cannot_be_shown_is_told() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let path = "/v1/jobs/linden-4-floors/treatment-plan";
    office.get(path).await.problem(404, "not-found");
    treated(&office, 900).await;
    // As few as can do it.
    assert_eq!(office.get(path).await.expect(200)["people"], 2);
    let refused = office.get(&format!("{path}?people=1")).await.fault("no-section", "");
    assert!(refused["errors"][0]["cure"].as_str().unwrap().contains("two applicators"), "{refused}");
    office.get(&format!("{path}?step=sand")).await.problem(404, "not-found");
    office.get(&format!("{path}?people=0")).await.problem(400, "bad-query");
    office.get(&format!("{path}?persons=1")).await.problem(400, "bad-query");
    office.get("/v1/jobs/linden-5/treatment-plan").await.problem(404, "not-found");
}

/// One person, 150 sq ft at 20 and 15 sq ft a minute: A takes 7:30 and a minute to even out. The clock of the tests stands
/// at 10:00:00 UTC.
#[tokio::test]
async fn a_section_that_is_too_dry_is_wet_again() {
    let app = app::start().await;
    let office = small_office(&app).await;
    treated(&office, 120).await;
    let path = "/v1/jobs/linden-4-floors/treatment-plan";
    let crew = office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await;
    let begun = |from: &str, until: &str| {
        json!({"people": 1, "started_at": "2026-03-09T09:40:00Z",
            "sections": [{"a_from_at": from, "a_until_at": until}]})
    };
    // Just rolled: B follows after the change.
    let fresh = crew.post(path, &begun("2026-03-09T09:52:00Z", "2026-03-09T09:59:30Z")).await.expect(200);
    assert_eq!(
        (&fresh["sections"][0]["wet_again"], &fresh["starts_at"]),
        (&json!(false), &json!("2026-03-09T05:40:00-04:00"))
    );
    assert!(fresh["sections"][0]["dwell_first_seconds"].as_i64().unwrap() <= 900, "{fresh}");
    // B would come to its last point more than a quarter of an hour after A: too dry.
    let late = crew.post(path, &begun("2026-03-09T09:41:00Z", "2026-03-09T09:48:30Z")).await.expect(200);
    assert_eq!(late["sections"][0]["wet_again"], true, "{late}");
    assert!(late["sections"][0]["a_from_seconds"].as_i64().unwrap() >= 20 * 60, "{late}");
    for section in late["sections"].as_array().unwrap() {
        assert_eq!(section["dwell_kept"], true, "{late}");
    }
    let lines = late["lines"].as_array().unwrap();
    assert!(lines.iter().any(|line| line.as_str().unwrap().starts_with("06:0")), "{late}");
    let before = begun("2026-03-09T09:30:00Z", "2026-03-09T09:48:30Z");
    crew.post(path, &before).await.fault("bad-report", "/sections/0");
    crew.post(path, &begun("soon", "2026-03-09T09:48:30Z")).await.fault("bad-instant", "/sections/0/a_from_at");
    let nobody = json!({"people": 0, "started_at": "2026-03-09T09:40:00Z", "sections": []});
    crew.post(path, &nobody).await.fault("out-of-range", "/people");
}

/// The crew sees it on its own page, at the first part; the office, which has the plan, does not see it there.
#[tokio::test]
async fn the_crew_reads_it_on_its_page() {
    let app = app::start().await;
    let office = small_office(&app).await;
    treated(&office, 120).await;
    office.publish().await;
    let told = office.get("/v1/jobs/linden-4-floors/treatment-plan").await.expect(200);
    let crew = told["crew"].as_str().unwrap();
    let day = &told["starts_at"].as_str().unwrap()[..10];
    let mut pages = Vec::new();
    for feed in [json!({"kind": "crew", "crew": crew}), json!({"kind": "office"})] {
        let made = office.post("/v1/feeds", &feed).await.expect(201);
        let address = made["address"].as_str().unwrap().replace("/feeds/", "/week/").replace(".ics", "");
        let page = app.caller("").get(&format!("{address}?from={day}")).await;
        assert_eq!(page.status, 200, "{}", page.text);
        pages.push(page.text);
    }
    let lines = told["lines"].as_array().unwrap();
    let shown = |page: &str| lines.iter().filter(|line| page.contains(line.as_str().unwrap())).count();
    assert_eq!((shown(&pages[0]), shown(&pages[1])), (lines.len(), 0), "{}", pages[0]);
    assert_eq!(pages[0].matches("Section by section").count(), 1, "{}", pages[0]);
    assert!(pages[0].contains("safety data sheet"), "{}", pages[0]);
}
