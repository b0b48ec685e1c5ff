//! A company from its founding to a calendar that a phone reads.

use crate::common::app::{self, monday, small_office};
use reqwest::Method;
use serde_json::json;

#[tokio::test]
async fn an_office_goes_from_its_founding_to_a_calendar() {
    let app = app::start().await;
    let office = small_office(&app).await;

    let draft = office.post("/v1/plans", &json!({"move_budget": 100})).await;
    let plan = draft.expect(201);
    assert_eq!(plan["status"], "draft");
    assert_eq!(plan["unplaced"], json!([]));
    assert_eq!(plan["placements"].as_array().unwrap().len(), 3);
    assert!(plan["cost"]["total"].as_i64().unwrap() >= plan["lower_bound"].as_i64().unwrap());
    let path = draft.header("location").to_owned();
    assert_eq!(office.get(&path).await.expect(200), plan);
    office.get("/v1/plans/published").await.problem(404, "not-found");

    let comparison = office.get(&format!("{path}/comparison")).await.expect(200);
    assert_eq!(comparison["added"].as_array().unwrap().len(), 3);
    assert_eq!(comparison["moved"], json!([]));
    assert_eq!(comparison["houses"][0]["before"], json!(null));
    assert_eq!(comparison["houses_touched"], json!(["linden-4"]));

    let publication = format!("{path}/publication");
    office.send(Method::POST, &publication, &[], None).await.problem(428, "precondition-required");
    let published = office.send(Method::POST, &publication, &[("If-Match", draft.etag())], None).await;
    let body = published.expect(200);
    assert_eq!((body["added"].as_i64(), body["plan"]["status"].as_str()), (Some(3), Some("published")));
    assert_ne!(published.etag(), draft.etag());
    assert_eq!(office.get("/v1/plans/published").await.expect(200)["id"], plan["id"]);

    let week = office.get("/v1/week").await.expect(200);
    assert_eq!((week["from"].as_str(), week["time_zone"].as_str()), (Some("2026-03-09"), Some("America/New_York")));
    assert_eq!(week["works"].as_array().unwrap().len(), 3);
    let works = |key: &str| {
        let office = office.clone();
        let path = format!("/v1/{key}/week?from=2026-03-09&days=14");
        async move { office.get(&path).await.expect(200)["works"].as_array().unwrap().len() }
    };
    assert_eq!(works("houses/linden-4").await, 3);
    assert_eq!(works("crews/north").await + works("crews/south").await, 3);

    let feed = office.post("/v1/feeds", &json!({"kind": "house", "house": "linden-4"})).await.expect(201);
    let address = feed["address"].as_str().unwrap().to_owned();
    let nobody = app.caller("");
    let calendar = nobody.get(&address).await;
    assert_eq!(calendar.status, 200);
    assert_eq!(calendar.header("content-type"), "text/calendar; charset=utf-8");
    assert_eq!(calendar.text.matches("BEGIN:VEVENT").count(), 3);
    assert!(calendar.text.contains("SUMMARY:Coat (Crew "), "{}", calendar.text);
    let unchanged = nobody.send(Method::GET, &address, &[("If-None-Match", calendar.etag())], None).await;
    assert_eq!((unchanged.status.as_u16(), unchanged.text.as_str()), (304, ""));

    office.delete(&format!("/v1/feeds/{}", feed["id"].as_str().unwrap())).await.expect(204);
    nobody.get(&address).await.problem(404, "not-found");
}

#[tokio::test]
async fn a_changed_world_makes_a_draft_outdated_and_a_new_plan_good() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let calendar = office.post("/v1/feeds", &json!({"kind": "office"})).await.expect(201);
    let address = calendar["address"].as_str().unwrap().to_owned();
    let before = app.caller("").get(&address).await;

    // Planning an unchanged world again changes nothing.
    let again = office.post("/v1/plans", &json!({})).await.expect(201);
    let path = format!("/v1/plans/{}", again["id"].as_str().unwrap());
    let comparison = office.get(&format!("{path}/comparison")).await.expect(200);
    assert_eq!(
        (&comparison["moved"], &comparison["added"], &comparison["dropped"]),
        (&json!([]), &json!([]), &json!([]))
    );

    // Whoever works is ill for ten days from tomorrow on.
    for key in ["north", "south"] {
        let mut crew = office.get(&format!("/v1/crews/{key}")).await.expect(200);
        crew["absences"] = json!([{"from": "2026-03-10T00:00:00-04:00", "until": "2026-03-20T00:00:00-04:00"}]);
        office.put(&format!("/v1/crews/{key}"), &crew).await.expect(200);
    }
    let publication = format!("{path}/publication");
    let refused = office.send(Method::POST, &publication, &[("If-Match", "*")], None).await;
    let problem = refused.problem(409, "plan-outdated");
    assert!(problem["errors"].as_array().unwrap().iter().any(|error| error["code"] == "outside-workable-time"));

    let draft = office.post("/v1/plans", &json!({})).await.expect(201);
    let path = format!("/v1/plans/{}", draft["id"].as_str().unwrap());
    let comparison = office.get(&format!("{path}/comparison")).await.expect(200);
    assert!(!comparison["moved"].as_array().unwrap().is_empty());
    assert_ne!(comparison["houses"][0]["before"], comparison["houses"][0]["after"]);
    app.clock.set(monday() + chrono::Duration::minutes(1));
    let published = office.send(Method::POST, &format!("{path}/publication"), &[("If-Match", "*")], None).await;
    assert!(published.expect(200)["changed"].as_i64().unwrap() > 0);
    let after = app.caller("").get(&address).await;
    assert_ne!(before.etag(), after.etag());
    assert!(before.text.contains("SEQUENCE:0") && after.text.contains("SEQUENCE:1"), "{}", after.text);
}
