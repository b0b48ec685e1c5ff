//! A browser at the real application, and people who may sign in.

#![allow(dead_code, reason = "no test program needs everything here")]

use super::app::{Answer, App, Caller};
use reqwest::Method;
use reqwest::redirect::Policy;
use tackfree::service::{PersonBody, RoleDto, WithPassword};
use tackfree::store::CompanyId;

/// A browser that keeps one cookie and follows nothing.
pub struct Browser {
    base: String,
    pub http: reqwest::Client,
    pub cookie: String,
}

pub fn browser(app: &App) -> Browser {
    let http = reqwest::Client::builder().redirect(Policy::none()).build().unwrap();
    Browser { base: app.base.clone(), http, cookie: String::new() }
}

impl Browser {
    pub async fn send(&mut self, method: Method, path: &str, headers: &[(&str, &str)], body: Option<String>) -> Answer {
        let mut request = self.http.request(method, format!("{}{path}", self.base));
        if !self.cookie.is_empty() {
            request = request.header("cookie", &self.cookie);
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        if let Some(body) = body {
            request = request.body(body);
        }
        let response = request.send().await.unwrap();
        if let Some(set) = response.headers().get("set-cookie") {
            let pair = set.to_str().unwrap().split(';').next().unwrap();
            self.cookie = if pair.ends_with('=') { String::new() } else { pair.to_owned() };
        }
        let (status, headers) = (response.status(), response.headers().clone());
        Answer { status, headers, text: response.text().await.unwrap() }
    }

    pub async fn get(&mut self, path: &str) -> Answer {
        self.send(Method::GET, path, &[], None).await
    }

    pub async fn post(&mut self, path: &str, fields: &[(&str, &str)]) -> Answer {
        self.post_from(path, fields, &[]).await
    }

    pub async fn post_from(&mut self, path: &str, fields: &[(&str, &str)], headers: &[(&str, &str)]) -> Answer {
        let plain = |text: &str| text.bytes().map(|byte| format!("%{byte:02X}")).collect::<String>();
        let body = fields.iter().map(|(name, value)| format!("{name}={}", plain(value))).collect::<Vec<_>>().join("&");
        let mut all = vec![("content-type", "application/x-www-form-urlencoded")];
        all.extend_from_slice(headers);
        self.send(Method::POST, path, &all, Some(body)).await
    }

    pub async fn sign_in(&mut self, who: &WithPassword) -> Answer {
        self.post("/sign-in", &[("name", &who.person.sign_in_name), ("password", &who.password)]).await
    }

    /// What forms of this session send along.
    pub async fn csrf(&mut self) -> String {
        let page = self.get("/password").await.text;
        let meta = page.split("name=\"csrf\" content=\"").nth(1).unwrap();
        meta.split('"').next().unwrap().to_owned()
    }

    /// As a button of a page sends it.
    pub async fn press(&mut self, path: &str) -> Answer {
        let csrf = self.csrf().await;
        self.post(path, &[("csrf", &csrf)]).await
    }

    pub async fn is_in(&mut self) -> bool {
        self.get("/v1/crews").await.status == 200
    }
}

pub async fn company_of(office: &Caller) -> CompanyId {
    let view = office.get("/v1/company").await.expect(200);
    CompanyId(view["id"].as_str().unwrap().parse().unwrap())
}

pub async fn person(app: &App, office: &Caller, sign_in_name: &str, role: RoleDto) -> WithPassword {
    let crew = (role == RoleDto::Crew).then(|| "north".to_owned());
    let body = PersonBody { name: format!("Person {sign_in_name}"), sign_in_name: sign_in_name.into(), role, crew };
    app.service().add_person(company_of(office).await, &body, None).await.unwrap()
}

pub fn goes_to(answer: &Answer, to: &str) {
    assert_eq!((answer.status.as_u16(), answer.header("location")), (303, to), "{}", answer.text);
}

/// Between two marks of a page.
pub fn after<'a>(page: &'a str, before: &str, end: char) -> &'a str {
    page.split(before).nth(1).unwrap_or_else(|| panic!("no {before} in {page}")).split(end).next().unwrap()
}
