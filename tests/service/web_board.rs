//! The board's page: whom it is for, what browsers are told, and the first picture, which needs no script.

use crate::common::app::{self, Answer, App, Caller, small_office};
use reqwest::redirect::Policy;
use tackfree::service::{PersonBody, RoleDto};
use tackfree::store::CompanyId;

/// The page for somebody of this role, signed in.
async fn page(app: &App, office: &Caller, role: RoleDto) -> Answer {
    let service = app.service();
    let company = CompanyId(office.get("/v1/company").await.expect(200)["id"].as_str().unwrap().parse().unwrap());
    let body = PersonBody {
        name: "Dana".to_owned(),
        sign_in_name: format!("{role:?}-dana").to_lowercase(),
        role,
        crew: (role == RoleDto::Crew).then(|| "north".to_owned()),
    };
    let who = service.add_person(company, &body, None).await.unwrap();
    let http = reqwest::Client::builder().redirect(Policy::none()).build().unwrap();
    let form = format!("name={}&password={}", who.person.sign_in_name, who.password);
    let signing =
        http.post(format!("{}/sign-in", app.base)).header("content-type", "application/x-www-form-urlencoded");
    let signed_in = signing.body(form).send().await.unwrap();
    let cookie = signed_in.headers()["set-cookie"].to_str().unwrap().split(';').next().unwrap().to_owned();
    let response = http.get(format!("{}/board", app.base)).header("cookie", cookie).send().await.unwrap();
    let (status, headers) = (response.status(), response.headers().clone());
    Answer { status, headers, text: response.text().await.unwrap() }
}

#[tokio::test]
async fn the_board_is_there_without_script_and_only_for_those_who_may_look() {
    let app = app::start().await;
    let office = small_office(&app).await;
    let before = page(&app, &office, RoleDto::Office).await;
    assert_eq!(before.status, 200);
    assert!(before.text.contains("no plan yet") && before.text.contains("not all of it is planned"), "{}", before.text);
    let plan = office.publish().await;
    let crew = plan["placements"][0]["crew_name"].as_str().unwrap();
    let shown = page(&app, &office, RoleDto::Viewer).await;
    assert_eq!(shown.status, 200);
    for text in ["Plan 1, since Mon 9 Mar", "House linden-4: Sand", crew, "data-role=\"viewer\"", "Fri 27 Mar 17:00"] {
        assert!(shown.text.contains(text), "{text} is not in {}", shown.text);
    }
    let policy = shown.header("content-security-policy");
    assert!(policy.contains("script-src 'self'") && !policy.contains("unsafe"), "{policy}");
    for forbidden in [" style=", " onclick=", "<style", "https://"] {
        assert!(!shown.text.contains(forbidden), "{forbidden}");
    }
    // Scripts that the page's script imports are all served.
    let mut wanted = vec!["/script/board.js".to_owned()];
    let mut seen = Vec::new();
    while let Some(path) = wanted.pop() {
        let script = app.caller("").get(&path).await;
        assert_eq!(
            (script.status.as_u16(), script.header("content-type")),
            (200, "text/javascript; charset=utf-8"),
            "{path}"
        );
        let base = path.rsplit_once('/').unwrap().0;
        for import in
            script.text.lines().filter(|line| line.starts_with("import ")).filter_map(|line| line.split('"').nth(1))
        {
            let full = match import.strip_prefix("../") {
                Some(above) => format!("{}/{above}", base.rsplit_once('/').unwrap().0),
                None => format!("{base}/{}", import.trim_start_matches("./")),
            };
            if !seen.contains(&full) && !wanted.contains(&full) {
                wanted.push(full);
            }
        }
        seen.push(path);
    }
    assert!(seen.len() > 12, "{seen:?}");
    app.caller("").get("/script/board/none.js").await;
    assert_eq!(page(&app, &office, RoleDto::Crew).await.status, 403);
    let stranger = reqwest::Client::builder().redirect(Policy::none()).build().unwrap();
    let turned_away = stranger.get(format!("{}/board", app.base)).send().await.unwrap();
    assert_eq!(
        (turned_away.status().as_u16(), &turned_away.headers()["location"]),
        (303, &"/sign-in?to=/board".parse().unwrap())
    );
}

/// What the office accepts is what it was shown only if questions are worked out as repairs are.
#[test]
fn questions_are_worked_out_as_repairs_are() {
    let script = include_str!("../../src/web/script/board/question.js");
    let (repair, moves) = (tackfree::planner::Request::repair(), tackfree::planner::REPAIR_MOVES);
    assert_eq!(repair.move_budget, moves);
    let said = format!("{{ basis: \"repair\", seed: {}, move_budget: {moves} }}", repair.seed);
    assert!(script.contains(&said), "question.js should say {said}");
}
