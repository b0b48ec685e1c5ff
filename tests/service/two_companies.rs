//! Two companies on one server whose houses, crews and jobs have the same keys: calendars, streams of news and webhooks of each tell
//! of its own things only, whatever the other sends. (That no operation does is in `who_may`; no table, in `store_security`.)

use crate::common::app::{self, App, Caller, OPERATOR, furnish};
use crate::common::browser::{browser, company_of};
use crate::common::receiver::Receiver;
use reqwest::{Method, StatusCode};
use serde_json::{Value, json};
use std::time::Duration;
use tackfree::service::{PersonBody, RoleDto};
use tackfree::worker::{Deliver, Outcome, Task as _};

struct Firm {
    mark: &'static str,
    office: Caller,
    receiver: Receiver,
    hook: String,
    feeds: Vec<(String, String)>,
}

fn text(value: &Value) -> String {
    value.as_str().unwrap().to_owned()
}

impl Firm {
    /// The same keys as every other, and its mark in every name.
    async fn new(app: &App, mark: &'static str) -> Firm {
        let office = app.company(mark).await;
        furnish(&office).await;
        for (path, mut document) in [
            ("/v1/houses/linden-4", app::house("linden-4")),
            ("/v1/crews/north", app::crew("north")),
            ("/v1/crews/south", app::crew("south")),
        ] {
            document["name"] = json!(format!("{mark} {}", document["key"]));
            office.put(path, &document).await.expect(200);
        }
        office.patch("/v1/jobs/linden-4-floors", &json!({"name": format!("{mark} floors")})).await.expect(200);
        let receiver = Receiver::start().await;
        let hook = office.post("/v1/webhooks", &json!({"address": receiver.address, "types": []})).await.expect(201);
        let mut feeds = Vec::new();
        for body in [
            json!({"kind": "office"}),
            json!({"kind": "crew", "crew": "north"}),
            json!({"kind": "house", "house": "linden-4"}),
            json!({"kind": "customer", "house": "linden-4"}),
        ] {
            let made = office.post("/v1/feeds", &body).await.expect(201);
            feeds.push((text(&made["id"]), text(&made["address"])));
        }
        Firm { mark, office, receiver, hook: text(&hook["id"]), feeds }
    }

    async fn works(&self) {
        self.office.publish().await;
        let report = json!({"step": "sand", "crew": "north", "outcome": "running", "started_at": "2026-03-09T05:30:00-04:00",
                            "note": format!("{} was here", self.mark)});
        self.office.post("/v1/jobs/linden-4-floors/records", &report).await.expect(201);
    }

    async fn deliveries(&self) -> Vec<String> {
        let page = self.office.get(&format!("/v1/webhooks/{}/deliveries?limit=200", self.hook)).await.expect(200);
        page["items"].as_array().unwrap().iter().map(|item| text(&item["id"])).collect()
    }
}

async fn two(app: &App) -> (Firm, Firm) {
    let (one, other) = (Firm::new(app, "Alderwood").await, Firm::new(app, "Birchfield").await);
    one.works().await;
    other.works().await;
    (one, other)
}

fn tells_of(told: &str, own: &Firm, other: &Firm) {
    assert!(!told.contains(other.mark), "{} is told of {}: {told}", own.mark, other.mark);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_calendar_shows_its_own_company_whoever_asks_and_however() {
    let app = app::start().await;
    let (one, other) = two(&app).await;
    for (own, foreign) in [(&one, &other), (&other, &one)] {
        for (place, (id, address)) in own.feeds.iter().enumerate() {
            // The other's token, a tag of the other's calendar of the same kind: neither opens or closes anything.
            let theirs = app.caller("").get(&foreign.feeds[place].1).await;
            let headers = [("If-None-Match", theirs.etag())];
            let shown = foreign.office.send(Method::GET, address, &headers, None).await;
            assert_eq!(shown.status, 200, "the other's tag is not ours");
            assert!(shown.text.contains(own.mark) && shown.text.contains("BEGIN:VEVENT"), "{}", shown.text);
            tells_of(&shown.text, own, foreign);
            let uids = |text: &str| -> Vec<String> {
                text.lines().filter(|line| line.starts_with("UID:")).map(str::to_owned).collect()
            };
            let both = uids(&theirs.text);
            assert!(uids(&shown.text).iter().all(|uid| !both.contains(uid)), "two companies' events have one UID");
            foreign.office.delete(&format!("/v1/feeds/{id}")).await.problem(404, "not-found");
            assert_eq!(app.caller("").get(address).await.status, 200, "only its own office takes it back");
        }
    }
    // Taken back by its office, it is nobody's, though the other's of the same kind is good.
    one.office.delete(&format!("/v1/feeds/{}", one.feeds[0].0)).await.expect(204);
    for caller in [&one.office, &other.office, &app.caller(OPERATOR), &app.caller("")] {
        assert_eq!(caller.get(&one.feeds[0].1).await.status, StatusCode::NOT_FOUND);
        assert_eq!(caller.get(&other.feeds[0].1).await.status, StatusCode::OK);
    }
}

/// What a stream says up to the last of all the news of `of`; whatever came after it would be somebody else's.
async fn news(app: &App, of: &Firm, token: &str, query: &str, headers: &[(&str, &str)]) -> String {
    let (_, last) = app.test.session(company_of(&of.office).await).await.notice_range().await.unwrap();
    let mut request = app.http.get(format!("{}/v1/stream{query}", app.base));
    if !token.is_empty() {
        request = request.bearer_auth(token);
    }
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    let mut response = request.send().await.unwrap();
    assert_eq!(response.status(), 200);
    let mut told = String::new();
    let end = format!("\nid: {last}\n");
    while !told.split_once(&end).is_some_and(|(_, rest)| rest.contains("\n\n")) {
        let chunk = tokio::time::timeout(Duration::from_secs(20), response.chunk()).await.expect("something comes");
        told.push_str(std::str::from_utf8(&chunk.unwrap().unwrap()).unwrap());
    }
    told
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stream_tells_whoever_has_the_token_of_his_own_company() {
    let app = app::start().await;
    let (one, other) = two(&app).await;
    let company = company_of(&other.office).await;
    let body = PersonBody { name: "Anna".into(), sign_in_name: "anna".into(), role: RoleDto::Office, crew: None };
    let anna = app.service().add_person(company, &body, None).await.unwrap();
    let mut desk = browser(&app);
    desk.sign_in(&anna).await;
    // Everything from the first number on, the other's last number, and the other's browser beside one's own token.
    let (own, theirs) = (one.office.token.as_str(), desk.cookie.as_str());
    for (query, headers) in
        [("?after=0", vec![]), ("", vec![("Last-Event-ID", "0")]), ("?after=0", vec![("cookie", theirs)])]
    {
        let told = news(&app, &one, own, query, &headers).await;
        assert!(told.contains("event.recorded") && told.contains("plan.published"), "{told}");
        tells_of(&told, &one, &other);
        let ids: Vec<String> = other.office.get("/v1/plans").await.expect(200)["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|plan| text(&plan["id"]))
            .collect();
        assert!(!ids.is_empty() && ids.iter().all(|id| !told.contains(id)), "a plan of the other: {told}");
    }
    // The browser alone is the other company's.
    let told = news(&app, &other, "", "?after=0", &[("cookie", theirs)]).await;
    assert!(told.contains(other.mark));
    tells_of(&told, &other, &one);
}

/// One sender serves all companies: each receiver gets what its own company was told, and all of it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_webhook_is_sent_its_own_company_s_things() {
    let app = app::start().await;
    let (one, other) = two(&app).await;
    let deliver = Deliver::patient(&app.service(), Duration::from_secs(5));
    while deliver.try_once().await.unwrap() == Outcome::Worked {}
    for (own, foreign) in [(&one, &other), (&other, &one)] {
        let came = own.receiver.came();
        assert_eq!(came.len(), own.deliveries().await.len());
        let told: String = came.iter().map(|request| request.json().to_string()).collect();
        assert!(told.contains("event.recorded") && told.contains(own.mark), "{told}");
        tells_of(&told, own, foreign);
        // Neither the other's deliveries under one's own webhook, nor under the other's.
        let delivery = &foreign.deliveries().await[0];
        for hook in [&own.hook, &foreign.hook] {
            let path = format!("/v1/webhooks/{hook}/deliveries/{delivery}/replay");
            own.office.send(Method::POST, &path, &[], None).await.problem(404, "not-found");
        }
        own.office.delete(&format!("/v1/webhooks/{}", foreign.hook)).await.problem(404, "not-found");
    }
    assert_eq!(deliver.try_once().await.unwrap(), Outcome::Idle, "nothing is sent again");
}
