//! Invented companies for the load: each house a chain of thirteen steps with a two-part treatment, its dwell, a night's
//! drying and readings; about half as many skills as crews could have. The numbers are drawn, and mean nothing beyond the
//! load. They are put into the database through the use cases, planned and published; the server is not running yet.

use crate::common::life::load;
use chrono::{DateTime, Duration, DurationRound, Utc};
use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;
use serde_json::{Value, json};
use tackfree::dto::PlanningFile;
use tackfree::service::{DraftBody, FeedBody, FeedKindDto, RoleDto, Service, TokenBody};
use tackfree::store::{CompanyId, new_id};

const WEEKDAYS: [&str; 5] = ["monday", "tuesday", "wednesday", "thursday", "friday"];
/// Moves of the first plan.
const MOVES: u64 = 200;
/// What happened is told as if it had begun so long ago: each step told takes its crew's next half hour from there.
pub const HISTORY_DAYS: i64 = 60;

/// The minute that has begun: plans know of no seconds.
pub fn this_minute() -> DateTime<Utc> {
    Utc::now().duration_trunc(Duration::minutes(1)).unwrap()
}

/// Steps of every job: key, kind, minutes, skill, hours to wait before it.
pub const STEPS: [(&str, &str, u64, Option<&str>, u64); 13] = [
    ("set-up", "set_up", 45, None, 0),
    ("sand-1", "sand", 120, Some("sanding"), 0),
    ("sand-2", "sand", 90, Some("sanding"), 0),
    ("vacuum", "vacuum", 30, None, 0),
    ("treat-a", "treat_a", 30, Some("treatment"), 0),
    ("treat-b", "treat_b", 30, Some("treatment"), 0),
    ("readings", "check", 25, None, 12),
    ("seal", "seal", 60, Some("finishing"), 0),
    ("screen-1", "abrade", 45, Some("finishing"), 4),
    ("coat-1", "coat", 60, Some("finishing"), 0),
    ("screen-2", "abrade", 45, Some("finishing"), 4),
    ("coat-2", "coat", 60, Some("finishing"), 0),
    ("hand-over", "walk_through", 30, None, 24),
];

/// A company as those who use it know it.
#[derive(Debug, Clone)]
pub struct Company {
    pub id: CompanyId,
    pub houses: usize,
    pub crews: usize,
    /// Secrets: of the office's screens, and of each crew's phone.
    pub screens: Vec<String>,
    pub phones: Vec<String>,
    /// Paths: of the office, of each crew, of each house.
    pub feeds: Vec<String>,
}

pub struct Draw(pub Pcg64Mcg);

impl Draw {
    pub fn seeded(seed: u64) -> Draw {
        Draw(Pcg64Mcg::seed_from_u64(seed))
    }

    pub fn below(&mut self, bound: usize) -> usize {
        usize::try_from(u64::from(self.0.next_u32()) % bound as u64).unwrap()
    }

    /// From 0 up to 1, both left out.
    pub fn share(&mut self) -> f64 {
        (f64::from(self.0.next_u32()) + 0.5) / 4_294_967_296.0
    }

    fn place(&mut self) -> Value {
        let [north, east] = [(); 2].map(|()| self.below(1_000) as f64 / 1_000.0);
        let round = |degrees: f64| (degrees * 1e4).round() / 1e4;
        json!({"latitude_deg": round(40.60 + 0.27 * north), "longitude_deg": round(-74.30 + 0.36 * east)})
    }
}

fn crew(draw: &mut Draw, number: usize) -> Value {
    let trades = ["sanding", "treatment", "finishing"];
    let skills: Vec<&str> = match number % 5 {
        3 => vec![trades[1], trades[2]],
        4 => vec![trades[0], trades[1]],
        _ => trades.to_vec(),
    };
    json!({
        "key": format!("crew-{number}"), "name": format!("Crew {number}"), "skills": skills, "head_count": 2,
        "calendar": {"week": [{"days": WEEKDAYS, "from": "07:00", "to": "16:00"}]}, "home": draw.place(),
    })
}

fn house(draw: &mut Draw, number: usize) -> Value {
    json!({
        "key": format!("house-{number}"), "name": format!("House {number}"), "location": draw.place(),
        "address": format!("Linden Street {number}, Harrow Falls"),
        "access": {"week": [{"days": WEEKDAYS, "from": "07:00", "to": "18:00"}]},
        "areas": [{"name": "Floor", "area_sqft": 300 + 50 * draw.below(16)}, {"name": "Hall", "area_sqft": 100}],
        "air": {"controlled": {"temp_c": 20.5, "rh_percent": 45}},
    })
}

/// The `turn`th job in this house, from now on.
pub fn job(draw: &mut Draw, house: usize, turn: usize, now: DateTime<Utc>) -> Value {
    let steps = STEPS.map(|(key, kind, minutes, skill, _)| {
        let mut step = json!({"key": key, "name": key, "kind": kind, "minutes": minutes});
        if let Some(skill) = skill {
            step["skills"] = json!([skill]);
        }
        if kind == "check" {
            step["recheck_after_minutes"] = json!(240);
        }
        step
    });
    let waits: Vec<Value> = STEPS
        .windows(2)
        .map(|pair| {
            let (from, to, hours) = (pair[0].0, pair[1].0, pair[1].4);
            match to {
                "treat-b" => json!({"from": from, "to": to, "kind": "dwell", "min_minutes": 10,
                    "max": {"minutes": 15, "on_exceed": "forbid"}}),
                _ if hours > 0 => json!({"from": from, "to": to, "min_minutes": 60 * hours, "keep_off": true}),
                _ => json!({"from": from, "to": to}),
            }
        })
        .collect();
    let due = (now + Duration::days(14 + draw.below(30) as i64)).to_rfc3339();
    json!({
        "key": format!("job-{house}-{turn}"), "name": format!("House {house}, floors"), "house": format!("house-{house}"),
        "release": (now - Duration::days(HISTORY_DAYS)).to_rfc3339(), "due": due,
        "weight": 1 + draw.below(3), "steps": steps, "waits": waits,
    })
}

/// Drawn, stored, planned, published, with tokens and calendars.
pub async fn found(service: &Service, houses: usize, crews: usize, screens: usize, seed: u64) -> Company {
    let (draw, now) = (&mut Draw::seeded(seed), this_minute());
    let file = json!({
        "format": "tackfree-planning/1", "now": now.to_rfc3339(),
        "settings": {"time_zone": "America/New_York", "horizon_days": 120, "repairs": "automatic"},
        "crews": (0..crews).map(|number| crew(draw, number)).collect::<Vec<_>>(),
        "houses": (0..houses).map(|number| house(draw, number)).collect::<Vec<_>>(),
        "jobs": (0..houses).map(|number| job(draw, number, 0, now)).collect::<Vec<_>>(),
    });
    let file: PlanningFile = serde_json::from_value(file).unwrap();
    let company = CompanyId(new_id());
    load(service, company, &file).await;
    publish(service, company).await;
    let mut session = service.store().session(company).await.unwrap();
    let mut made = Company { id: company, houses, crews, screens: Vec::new(), phones: Vec::new(), feeds: Vec::new() };
    for number in 0..screens {
        let body = TokenBody { name: format!("screen {number}"), role: RoleDto::Office, crew: None, expires_at: None };
        made.screens.push(service.create_token(&mut session, &body).await.unwrap().secret.unwrap());
    }
    for number in 0..crews {
        let crew = Some(format!("crew-{number}"));
        let body = TokenBody { name: format!("phone {number}"), role: RoleDto::Crew, crew, expires_at: None };
        made.phones.push(service.create_token(&mut session, &body).await.unwrap().secret.unwrap());
    }
    let office = FeedBody { kind: FeedKindDto::Office, crew: None, house: None };
    let of_crew = |number| FeedBody { kind: FeedKindDto::Crew, crew: Some(format!("crew-{number}")), house: None };
    let of_house = |number| FeedBody { kind: FeedKindDto::House, crew: None, house: Some(format!("house-{number}")) };
    for body in [office].into_iter().chain((0..crews).map(of_crew)).chain((0..houses).map(of_house)) {
        let feed = service.create_feed(&mut session, &body, |secret| format!("/feeds/{}.ics", secret.reveal()));
        made.feeds.push(feed.await.unwrap().address.unwrap());
    }
    session.commit().await.unwrap();
    made
}

async fn publish(service: &Service, company: CompanyId) {
    let body = DraftBody { move_budget: Some(MOVES), ..DraftBody::default() };
    let draft = service.draft(company, &body).await.unwrap();
    let mut session = service.store().session(company).await.unwrap();
    let kept = service.keep_draft(&mut session, &draft).await.unwrap();
    session.commit().await.unwrap();
    let checked = service.check_draft(company, kept.plan.id, kept.version).await.unwrap();
    let mut session = service.store().session(company).await.unwrap();
    service.publish(&mut session, &checked).await.unwrap();
    session.commit().await.unwrap();
}
