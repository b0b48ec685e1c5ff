//! The database goes away and comes back: everybody is told so, nothing is half done, and the server needs no restart.

use crate::common::app::{self, OPERATOR, equipment, small_office};
use crate::common::postgres::server;
use crate::common::proxy::Proxy;
use reqwest::Method;
use serde_json::json;
use tackfree::api::Settings;

// More threads than one: the way to the database is one of this runtime's tasks.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_a_database_everybody_is_told_to_come_again() {
    let mut proxy = Proxy::new(server().socket_directory());
    let folder = proxy.folder().to_owned();
    let settings = Settings { operator_token: Some(OPERATOR.into()), workers: Some(2), ..Settings::default() };
    let app = app::start_behind(settings, |options| options.socket(&folder)).await;
    let office = small_office(&app).await;
    let feed = office.post("/v1/feeds", &json!({"kind": "office"})).await.expect(201);
    let nobody = app.caller("");
    nobody.get("/readyz").await.expect(200);

    proxy.cut().await;
    let calendar = feed["address"].as_str().unwrap();
    for answer in [
        nobody.get("/readyz").await,
        office.get("/v1/houses").await,
        nobody.get(calendar).await,
        office.send(Method::POST, "/v1/equipment", &[("Idempotency-Key", "e")], Some(&equipment("edger"))).await,
    ] {
        answer.problem(503, "database-unavailable");
        assert!(answer.header("retry-after").parse::<u32>().is_ok());
    }
    nobody.get("/healthz").await.expect(200);

    proxy.mend();
    nobody.get("/readyz").await.expect(200);
    let made = office.send(Method::POST, "/v1/equipment", &[("Idempotency-Key", "e")], Some(&equipment("edger"))).await;
    made.expect(201);
    assert!(made.headers.get("idempotency-replayed").is_none(), "the first try had no effect");
    assert_eq!(nobody.get(calendar).await.status, 200);
    office.publish().await;
}
