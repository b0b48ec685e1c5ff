//! News as it comes: nothing is missed across two servers, breaks and restarts; nobody sees what is not for him; and
//! nobody who does not read keeps others waiting.

use crate::common::app::{self, App, Caller, OPERATOR, small_office};
use crate::common::store::doc;
use reqwest::{Method, Response};
use serde_json::{Value, json};
use std::time::Duration;
use tackfree::api::{Settings, StreamLimits};
use tackfree::service::Repaired;
use tackfree::store::{CompanyId, NewNotice, NoticeKind};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpSocket;
use tokio::time::timeout;

/// So long is waited for what must come at once; nothing waits that long when all is well.
const SOON: Duration = Duration::from_secs(20);

/// An open stream.
struct Stream {
    response: Response,
    text: String,
}

/// One event of it.
#[derive(Debug, Clone, PartialEq)]
struct Event {
    id: Option<i64>,
    kind: String,
    data: Value,
}

async fn open(app: &App, caller: &Caller, query: &str, last: Option<&str>) -> Stream {
    let mut request = app.http.get(format!("{}/v1/stream{query}", app.base)).bearer_auth(&caller.token);
    if let Some(last) = last {
        request = request.header("Last-Event-ID", last);
    }
    let response = request.header("Accept-Encoding", "gzip").send().await.unwrap();
    assert_eq!(response.status(), 200);
    assert_eq!(response.headers()["content-type"], "text/event-stream");
    assert_eq!(response.headers()["cache-control"], "no-store");
    assert!(response.headers().get("content-encoding").is_none(), "it is not held back to be compressed");
    Stream { response, text: String::new() }
}

impl Stream {
    /// The next block of lines; `None` when the stream has ended.
    async fn block(&mut self) -> Option<String> {
        loop {
            if let Some((block, rest)) = self.text.split_once("\n\n") {
                let (block, rest) = (block.to_owned(), rest.to_owned());
                self.text = rest;
                return Some(block);
            }
            let chunk = timeout(SOON, self.response.chunk()).await.expect("something comes").ok()??;
            self.text.push_str(std::str::from_utf8(&chunk).unwrap());
        }
    }

    /// The next event: comments and bare numbers are passed over.
    async fn next(&mut self) -> Option<Event> {
        loop {
            let block = self.block().await?;
            let field = |name: &str| block.lines().find_map(|line| line.strip_prefix(&format!("{name}: ")));
            let Some(data) = field("data") else { continue };
            let id = field("id").map(|id| id.parse().unwrap());
            let event = Event { id, kind: field("event").unwrap().into(), data: serde_json::from_str(data).unwrap() };
            return Some(event);
        }
    }

    async fn kinds(&mut self, count: usize) -> Vec<String> {
        let mut kinds = Vec::new();
        for _ in 0..count {
            kinds.push(self.next().await.unwrap().kind);
        }
        kinds
    }
}

fn report(step: &str, crew: &str) -> Value {
    json!({"step": step, "crew": crew, "outcome": "running", "started_at": "2026-03-09T05:30:00-04:00"})
}

async fn reports(office: &Caller) {
    office.post("/v1/jobs/linden-4-floors/records", &report("sand", "north")).await.expect(201);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_happens_through_one_server_is_seen_on_the_other() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let twin = app.twin().await;
    let mut stream = open(&twin, &office, "", None).await;
    let begun = stream.block().await.unwrap();
    assert!(begun.starts_with("retry: ") && begun.ends_with("\nid: 0"), "{begun}");
    let draft = office.publish().await;
    reports(&office).await;
    let proposed = stream.next().await.unwrap();
    assert_eq!((proposed.id, proposed.kind.as_str()), (Some(1), "plan.proposed"));
    assert_eq!(proposed.data["type"], "plan.proposed");
    assert_eq!((&proposed.data["number"], &proposed.data["data"]["plan"]), (&json!(1), &draft["id"]));
    let published = stream.next().await.unwrap();
    assert_eq!((published.id, published.kind.as_str()), (Some(2), "plan.published"));
    assert_eq!((&published.data["data"]["number"], &published.data["data"]["unplaced_steps"]), (&json!(1), &json!(0)));
    let mut seen = vec![published];
    while seen.last().unwrap().kind != "event.recorded" {
        seen.push(stream.next().await.unwrap());
    }
    let numbers: Vec<i64> = seen.iter().map(|event| event.id.unwrap()).collect();
    assert_eq!(numbers, (2..2 + seen.len() as i64).collect::<Vec<_>>(), "in order, without a gap");
    let recorded = &seen.last().unwrap().data["data"];
    assert_eq!(
        (&recorded["job"], &recorded["step"], &recorded["outcome"]),
        (&json!("linden-4-floors"), &json!("sand"), &json!("running"))
    );
    // Whoever goes on from any number gets exactly what he has not seen.
    for (query, last) in [("?after=2", None), ("", Some("2")), ("?after=0", Some("2"))] {
        let mut again = open(&app, &office, query, last).await;
        for event in &seen[1..] {
            assert_eq!(again.next().await.as_ref(), Some(event));
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_publication_tells_crews_their_days_and_houses_their_dates() {
    let app = app::start().await;
    let office = small_office(&app).await;
    office.publish().await;
    let mut stream = open(&app, &office, "?after=0", None).await;
    assert_eq!(stream.kinds(2).await, ["plan.proposed", "plan.published"]);
    let mut days = Vec::new();
    let dated = loop {
        let event = stream.next().await.unwrap();
        match event.kind.as_str() {
            "crew.day_changed" => days.push(event.data["data"].clone()),
            _ => break event,
        }
    };
    assert!(!days.is_empty());
    let first = &days[0]["changes"][0];
    assert_eq!((&first["before"], &first["step"]), (&Value::Null, &json!("sand")), "{first}");
    assert_eq!(first["after"]["crew"], days[0]["crew"]);
    assert!(first["after"]["start"].as_str().unwrap().starts_with(days[0]["day"].as_str().unwrap()), "{}", days[0]);
    assert_eq!(dated.kind, "house.date_changed");
    let date = &dated.data["data"];
    assert_eq!((&date["job"], &date["before"]), (&json!("linden-4-floors"), &Value::Null));
    assert!(date["after_at"].as_str().unwrap().starts_with(date["after"].as_str().unwrap()));
    // The same plan again changes nobody's day and no date.
    let last = dated.id.unwrap();
    office.publish().await;
    let mut stream = open(&app, &office, &format!("?after={last}"), None).await;
    assert_eq!(stream.kinds(2).await, ["plan.proposed", "plan.published"]);
    office.post("/v1/jobs/linden-4-floors/records", &report("sand", "north")).await.expect(201);
    assert_eq!(stream.next().await.unwrap().kind, "event.recorded", "nothing else was told");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_step_without_a_place_and_a_failed_check_are_told() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let mut job = app::job("big", "linden-4");
    job["steps"] = json!([{"key": "check", "name": "Check", "kind": "check", "minutes": 20, "recheck_after_minutes": 240, "skills": ["readings"]},
                          {"key": "coat", "name": "Coat", "kind": "coat", "person_minutes": 100, "skills": ["nobody-has-it"]}]);
    job["waits"] = json!([{"from": "check", "to": "coat"}]);
    office.post("/v1/jobs", &job).await.expect(201);
    office.publish().await;
    let mut stream = open(&app, &office, "?after=0", None).await;
    let unplaced = loop {
        let event = stream.next().await.unwrap();
        if event.kind == "step.unplaced" {
            break event.data;
        }
        assert!(
            event.kind != "house.date_changed" || event.data["data"]["job"] != "big",
            "it has no last day: {event:?}"
        );
    };
    assert_eq!((&unplaced["data"]["job"], &unplaced["data"]["step"]), (&json!("big"), &json!("coat")));
    let failed = json!({"step": "check", "crew": "north", "outcome": "failed", "started_at": "2026-03-09T05:00:00-04:00",
                        "finished_at": "2026-03-09T05:30:00-04:00"});
    office.post("/v1/jobs/big/records", &failed).await.expect(201);
    assert_eq!(stream.kinds(2).await, ["event.recorded", "check.failed"]);
    let draft = office.post("/v1/plans", &json!({"move_budget": 0})).await.expect(201);
    let path = format!("/v1/plans/{}/rejection", draft["id"].as_str().unwrap());
    office.send(Method::POST, &path, &[("If-Match", "*")], None).await.expect(200);
    assert_eq!(stream.kinds(2).await, ["plan.proposed", "plan.rejected"]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_crew_sees_what_touches_it_and_nobody_sees_another_company() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let north = office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await;
    let south = office.token(&json!({"name": "phone", "role": "crew", "crew": "south"})).await;
    let viewer = office.token(&json!({"name": "screen", "role": "viewer"})).await;
    let other = app.company("Others").await;
    let mut of_south = open(&app, &south, "", None).await;
    let mut of_north = open(&app, &north, "", None).await;
    let mut of_viewer = open(&app, &viewer, "", None).await;
    let mut of_other = open(&app, &other, "", None).await;
    reports(&office).await;
    office.publish().await;
    for (own, stream) in [("north", &mut of_north), ("south", &mut of_south)] {
        let mut event = stream.next().await.unwrap();
        if own == "north" {
            assert_eq!((event.kind.as_str(), &event.data["data"]["crew"]), ("event.recorded", &json!("north")));
            event = stream.next().await.unwrap();
        }
        assert_eq!((event.kind.as_str(), &event.data["data"]), ("plan.published", &json!({})), "{own}");
    }
    assert_eq!(of_viewer.kinds(3).await, ["event.recorded", "plan.proposed", "plan.published"]);
    other.post("/v1/plans", &json!({"move_budget": 0})).await.expect(201);
    let own = of_other.next().await.unwrap();
    assert_eq!((own.id, own.kind.as_str()), (Some(1), "plan.proposed"));
    assert_eq!(own.data["data"]["unplaced_steps"], 0);
}

/// All repairs there are.
async fn repair(app: &App) {
    let service = app.service();
    while service.repair_next().await.unwrap() != Repaired::Idle {}
}

/// When a crew falls ill, the office, the ill crew and the one that steps in hear of it, each what concerns it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_repair_is_told_to_all_whom_it_concerns() {
    for (repairs, said) in [("automatic", "plan.published"), ("proposed", "plan.proposed")] {
        let app = app::start().await;
        let office = small_office(&app).await;
        let mut company = office.get("/v1/company").await.expect(200);
        company["settings"]["repairs"] = repairs.into();
        let body = json!({"name": company["name"], "settings": company["settings"]});
        office.put("/v1/company", &body).await.expect(200);
        office.publish().await;
        repair(&app).await;
        let plan = office.get("/v1/plans/published").await.expect(200);
        let placements = plan["placements"].as_array().unwrap();
        let ill = placements.iter().find(|placed| placed["step"] == "sand").unwrap()["crew"].as_str().unwrap();
        let well = if ill == "north" { "south" } else { "north" };
        let phone = |crew: &'static str| json!({"name": "phone", "role": "crew", "crew": crew});
        let phones = [office.token(&phone("north")).await, office.token(&phone("south")).await];
        let of_well = &phones[usize::from(well == "south")];
        let mut of_well = open(&app, of_well, "", None).await;
        let mut of_office = open(&app, &office, "", None).await;
        of_office.block().await.unwrap();
        of_well.block().await.unwrap();
        let mut away = app::crew(ill);
        let (from, until) = ("2026-03-09T06:00:00-04:00", "2026-03-12T00:00:00-04:00");
        away["absences"] = json!([{"from": from, "until": until, "note": "ill"}]);
        office.put(&format!("/v1/crews/{ill}"), &away).await.expect(200);
        repair(&app).await;
        let first = of_office.next().await.unwrap();
        assert_eq!(first.kind, said);
        if repairs == "automatic" {
            let mut crews = std::collections::BTreeSet::new();
            while crews.len() < 2 {
                let event = of_office.next().await.unwrap();
                assert_eq!(event.kind, "crew.day_changed");
                crews.insert(event.data["data"]["crew"].as_str().unwrap().to_owned());
            }
            assert_eq!(of_well.kinds(2).await, ["plan.published", "crew.day_changed"]);
        } else {
            office.put(&format!("/v1/crews/{ill}"), &app::crew(ill)).await.expect(200);
            repair(&app).await;
            assert_eq!(of_office.next().await.unwrap().kind, "plan.rejected", "its reason has gone");
        }
    }
}

/// Puts notices into the outbox, each with so many characters.
async fn tell(app: &App, company: CompanyId, count: usize, characters: usize) {
    let mut session = app.test.session(company).await;
    for _ in 0..count {
        let doc = doc(json!({"text": "x".repeat(characters)}));
        session.tell(NewNotice { kind: NoticeKind::PlanProposed, job_id: None, crew_id: None, at: app::monday(), doc });
    }
    session.commit().await.unwrap();
}

async fn company_of(app: &App, caller: &Caller) -> CompanyId {
    let token = app.test.store.find_token(&caller.token).await.unwrap().unwrap();
    token.company
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_not_kept_any_more_is_said_to_be_missed() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    let company = company_of(&app, &office).await;
    tell(&app, company, 250, 10).await;
    let mut session = app.test.session(company).await;
    session.prune_notices(app::monday() + chrono::Duration::days(1), 3).await.unwrap();
    session.commit().await.unwrap();
    let mut stream = open(&app, &office, "?after=1", None).await;
    let missed = stream.next().await.unwrap();
    assert_eq!((missed.id, missed.kind.as_str(), &missed.data["oldest_number"]), (None, "stream.missed", &json!(4)));
    for number in 4..=250 {
        assert_eq!(stream.next().await.unwrap().id, Some(number));
    }
    assert_eq!(open(&app, &office, "?after=3", None).await.next().await.unwrap().id, Some(4), "nothing is missed");
    let mut from_elsewhere = open(&app, &office, "?after=9999", None).await;
    assert_eq!(from_elsewhere.next().await.unwrap().kind, "stream.missed");
    tell(&app, company, 1, 10).await;
    assert_eq!(from_elsewhere.next().await.unwrap().id, Some(251));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn bad_numbers_are_refused_and_a_head_ends() {
    let app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    for query in ["?after=-1", "?after=x", "?after=", "?since=1", "?after=99999999999999999999"] {
        office.get(&format!("/v1/stream{query}")).await.problem(400, "bad-query");
    }
    for last in ["x", "-1", "1.5", "99999999999999999999"] {
        office.send(Method::GET, "/v1/stream", &[("Last-Event-ID", last)], None).await.problem(400, "bad-header");
    }
    app.caller("").get("/v1/stream").await.problem(401, "unauthenticated");
    let head = office.send(Method::HEAD, "/v1/stream", &[], None);
    assert_eq!(timeout(SOON, head).await.expect("it ends").status, 200);
}

fn limited(streams: StreamLimits) -> Settings {
    Settings { operator_token: Some(OPERATOR.into()), workers: Some(2), streams, ..Settings::default() }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn streams_are_counted_and_places_given_back() {
    // How soon the server hears that the other end has gone.
    let heartbeat = Duration::from_millis(50);
    let limits = StreamLimits { of_company: 2, of_server: 3, heartbeat, ..StreamLimits::default() };
    let app = app::start_with(limited(limits)).await;
    let (office, other) = (app.company("Harrow Falls Floors").await, app.company("Others").await);
    let mut held = Vec::new();
    for caller in [&office, &office, &other] {
        let mut stream = open(&app, caller, "", None).await;
        stream.block().await.unwrap();
        held.push(stream);
    }
    let many = office.get("/v1/stream").await;
    many.problem(429, "too-many-streams");
    assert!(many.header("retry-after").parse::<u32>().is_ok());
    other.get("/v1/stream").await.problem(503, "streams-full");
    drop(held.pop());
    let again = async {
        while other.get("/v1/stream").await.status != 200 {
            tokio::task::yield_now().await;
        }
    };
    timeout(SOON, again).await.expect("the place is free again");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn heartbeats_come_and_a_token_taken_back_reads_no_further() {
    let limits = StreamLimits { heartbeat: Duration::from_millis(50), ..StreamLimits::default() };
    let app = app::start_with(limited(limits)).await;
    let office = app.company("Harrow Falls Floors").await;
    let made = office.post("/v1/tokens", &json!({"name": "screen", "role": "viewer"})).await.expect(201);
    let mut stream = open(&app, &app.caller(made["secret"].as_str().unwrap()), "", None).await;
    assert_eq!(stream.block().await.unwrap(), "retry: 2000\nid: 0");
    for _ in 0..3 {
        assert_eq!(stream.block().await.unwrap(), ": the line is good\nid: 0");
    }
    office.delete(&format!("/v1/tokens/{}", made["id"].as_str().unwrap())).await.expect(204);
    let ended = async { while stream.block().await.is_some() {} };
    timeout(SOON, ended).await.expect("it ends");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_does_not_read_is_cut_and_goes_on_where_he_was() {
    let (patience, heartbeat) = (Duration::from_millis(200), Duration::from_millis(50));
    let limits = StreamLimits { of_company: 1, patience, heartbeat, ..StreamLimits::default() };
    let app = app::start_with(limited(limits)).await;
    let office = app.company("Harrow Falls Floors").await;
    let company = company_of(&app, &office).await;
    let socket = TcpSocket::new_v4().unwrap();
    socket.set_recv_buffer_size(4_096).unwrap();
    let mut slow = socket.connect(app.base.trim_start_matches("http://").parse().unwrap()).await.unwrap();
    let head = format!("GET /v1/stream?after=0 HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {}\r\n\r\n", office.token);
    slow.write_all(head.as_bytes()).await.unwrap();
    let mut begun = [0u8; 64];
    slow.read_exact(&mut begun).await.unwrap();
    assert!(begun.starts_with(b"HTTP/1.1 200"));
    // More than all buffers in between hold.
    for _ in 0..5 {
        tell(&app, company, 100, 20_000).await;
    }
    let free = async {
        while office.get("/v1/stream").await.status != 200 {
            tokio::task::yield_now().await;
        }
    };
    timeout(SOON, free).await.expect("his place is free");
    drop(slow);
    // The one that was asked just now has to be missed first.
    let mut again = timeout(SOON, async {
        loop {
            let request = app.http.get(format!("{}/v1/stream?after=0", app.base)).bearer_auth(&office.token);
            let response = request.send().await.unwrap();
            if response.status() == 200 {
                break Stream { response, text: String::new() };
            }
        }
    })
    .await
    .expect("he may come again");
    for number in 1..=500 {
        assert_eq!(again.next().await.unwrap().id, Some(number));
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn streams_end_when_the_server_is_told_to_stop() {
    let mut app = app::start().await;
    let office = app.company("Harrow Falls Floors").await;
    let mut stream = open(&app, &office, "", None).await;
    stream.block().await.unwrap();
    assert!(app.ends_within(Duration::from_secs(10)).await, "an open stream does not hold it up");
    assert_eq!(stream.block().await, None);
}
