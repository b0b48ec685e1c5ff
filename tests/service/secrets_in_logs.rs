//! The log of a server that logs as much as it can while people sign in and programs send tokens: each line is JSON, and
//! no secret is in it.

use crate::common::app::{Caller, OPERATOR, furnish};
use crate::common::postgres::execute;
use crate::common::program::{Program, command, run};
use crate::common::receiver::Receiver;
use crate::common::store::fresh_store;
use reqwest::Method;
use reqwest::redirect::Policy;
use serde_json::{Value, json};

const METRICS: &str = "a-token-for-watchers-only";
const APP_PASSWORD: &str = "password-of-the-login-role";

/// The address and the secret behind its last slash.
fn address(made: &Value) -> (String, String) {
    let address = made["address"].as_str().unwrap().to_owned();
    let secret = address.rsplit('/').next().unwrap().trim_end_matches(".ics").to_owned();
    (address, secret)
}

/// Signs in with a form, makes a link for a phone, and uses that; what opened the doors.
async fn browse(base: &str, name: &str, password: &str) -> Vec<(&'static str, String)> {
    let http = reqwest::Client::builder().redirect(Policy::none()).build().unwrap();
    let post = async |path: &str, cookie: &str, body: String| {
        let request = http.post(format!("{base}{path}")).header("cookie", cookie);
        request.header("content-type", "application/x-www-form-urlencoded").body(body).send().await.unwrap()
    };
    let cookie_of = |response: &reqwest::Response| {
        let set = response.headers().get("set-cookie").unwrap().to_str().unwrap();
        set.split(';').next().unwrap().to_owned()
    };
    let wrong = post("/sign-in", "", format!("name={name}&password=wrong-and-still-secret")).await;
    assert!(wrong.headers().get("set-cookie").is_none(), "{}", wrong.status());
    let signed_in = post("/sign-in", "", format!("name={name}&password={password}")).await;
    assert_eq!(signed_in.status(), 303);
    let cookie = cookie_of(&signed_in);
    let page = http.get(format!("{base}/people")).header("cookie", &cookie).send().await.unwrap().text().await.unwrap();
    let csrf = page.split("name=\"csrf\" content=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    let secret = |cookie: &str| cookie.split_once('=').unwrap().1.to_owned();
    vec![
        ("password", password.to_owned()),
        ("wrong password", "wrong-and-still-secret".to_owned()),
        ("cookie", secret(&cookie)),
        ("csrf token", csrf),
    ]
}

#[tokio::test]
async fn no_secret_is_logged() {
    let (test, receiver) = (fresh_store().await, Receiver::start().await);
    let role = format!("logged_{}", std::process::id());
    let settings = [
        ("RUST_LOG", "debug"),
        ("TACKFREE_METRICS_TOKEN", METRICS),
        ("TACKFREE_APP_ROLE", &role),
        ("TACKFREE_APP_PASSWORD", APP_PASSWORD),
        ("TACKFREE_WEBHOOK_TARGETS", "private"),
    ];
    let program = Program::serve(&test, &settings).await;
    let office = program.company("Plane & Sons").await;
    furnish(&office).await;
    let mut secrets: Vec<(&str, String)> = vec![
        ("operator's token", OPERATOR.into()),
        ("metrics token", METRICS.into()),
        ("role's password", APP_PASSWORD.into()),
        ("office's token", office.token.clone()),
    ];
    let phone = office.token(&json!({"name": "phone", "role": "crew", "crew": "north"})).await;
    phone.get("/v1/crews").await;
    secrets.push(("crew's token", phone.token));
    // Where a token does not belong, and one that is none.
    let lost = format!("tf_{}", "lostlostlost0123456789".repeat(2).split_at(43).0);
    program.caller(&lost).get("/v1/crews").await.problem(401, "unauthenticated");
    office.get(&format!("/v1/crews?token={lost}")).await;
    office.get(&format!("/v1/houses/{lost}")).await;
    secrets.push(("a token that is lost", lost));
    let hook = json!({"address": receiver.address, "types": []});
    let hook = office.post("/v1/webhooks", &hook).await.expect(201);
    secrets.push(("webhook's secret", hook["secret"].as_str().unwrap().to_owned()));
    let feed = office.post("/v1/feeds", &json!({"kind": "office"})).await.expect(201);
    let (feed, secret) = address(&feed);
    let anybody: Caller = program.caller("");
    assert_eq!(anybody.get(&feed).await.status, 200);
    assert_eq!(anybody.get(&format!("/week/{secret}")).await.status, 200);
    secrets.push(("calendar's address", secret));
    program.caller(METRICS).get("/metrics").await;
    office.publish().await;
    let head = [("Idempotency-Key", "a-key-of-the-sender")];
    office.send(Method::POST, "/v1/equipment", &head, Some(&crate::common::app::equipment("edger"))).await.expect(201);
    let mut add = command(&test.owner);
    add.envs(settings).args(["person", "add", "Anna", "anna@example.com"]);
    let (done, said, told) = run(&mut add);
    assert!(done, "{told}");
    let password = said.split_whitespace().find(|word| word.len() >= 12 && !word.contains('@')).unwrap().to_owned();
    secrets.extend(browse(&program.base, "anna%40example.com", &password).await);
    // The deliveries, too.
    let begin = std::time::Instant::now();
    while receiver.came().is_empty() {
        assert!(begin.elapsed().as_secs() < 20, "no delivery came, so nobody can say what is logged of one");
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    let (ended, log) = program.stop();
    assert!(ended);

    let log = format!("{log}{told}");
    let lines: Vec<&str> = log.lines().filter(|line| !line.starts_with("tackfree")).collect();
    for line in &lines {
        let entry: Value = serde_json::from_str(line).unwrap_or_else(|_| panic!("not JSON: {line}"));
        assert!(entry["timestamp"].is_string() && entry["level"].is_string(), "{line}");
    }
    // It does log: requests with their addresses, and what is asked of the database.
    assert!(lines.len() > 100, "{} lines", lines.len());
    for said in ["\"path\":\"/v1/crews\"", "\"path\":\"/feeds/...\"", "sqlx", "\"path\":\"/sign-in\""] {
        assert!(log.contains(said), "{said} is not in the log");
    }
    for (what, secret) in secrets {
        assert!(secret.len() >= 8, "{what}: {secret}");
        let line = lines.iter().find(|line| line.contains(&secret));
        assert_eq!(line, None, "{what} is in the log");
    }
    execute(&test.owner, &format!("DROP OWNED BY {role}; ")).await;
    execute(&test.owner, &format!("DROP ROLE {role}")).await;
}

#[tokio::test]
async fn settings_that_are_wrong_are_told_at_the_start() {
    let test = fresh_store().await;
    let serve = |settings: &[(&str, &str)]| {
        run(command(&test.owner).args(["serve", "--listen", "127.0.0.1:0"]).envs(settings.iter().copied()))
    };
    for (setting, code) in [
        (vec![("RUST_LOG", "tackfree=loud")], "bad-log-filter"),
        (vec![("TACKFREE_OPERATOR_TOKEN", "short")], "weak-token"),
        (vec![("TACKFREE_METRICS_TOKEN", "short")], "weak-token"),
        (vec![("TACKFREE_METRICS_TOKEN", METRICS), ("TACKFREE_OPERATOR_TOKEN", METRICS)], "one-token-for-two"),
        (vec![("DATABASE_URL", "nonsense")], "bad-database-url"),
        (vec![("DATABASE_URL", "postgres://nobody@127.0.0.1:1/none")], "database-unavailable"),
        (vec![("TACKFREE_APP_ROLE", "Not A Role")], "bad-role-name"),
    ] {
        let (done, _, told) = serve(&setting);
        assert!(!done && told.contains(&format!("code: {code}")), "{setting:?}: {told}");
        assert!(told.contains("what to do: "), "{told}");
    }
    for (name, value) in
        [("TACKFREE_LISTEN", "8080"), ("TACKFREE_SLOW_PLAN_SECONDS", "-1"), ("TACKFREE_BEHIND_PROXY", "perhaps")]
    {
        let mut command = command(&test.owner);
        let (done, _, told) = run(command.arg("serve").env(name, value));
        assert!(!done && told.contains("invalid value") && told.contains(value), "{name}: {told}");
    }
    // A word about what nobody reads.
    let settings = [("TACKFREE_BEHIND_PROXI", "true"), ("TACKFREE_DATA_DIRECTORY", "/nowhere")];
    let (_, log) = Program::serve(&test, &settings).await.stop();
    assert!(
        log.contains("note: TACKFREE_BEHIND_PROXI is no setting of this program; is TACKFREE_BEHIND_PROXY meant?"),
        "{log}"
    );
    assert!(log.contains("note: the data directory is not used"), "{log}");
}
