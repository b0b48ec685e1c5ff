//! What is asked, how often, and what must come of it. Whatever is told about floors follows each house's chain in order, so
//! that every answer but a refusal for want of room has to be a good one. What was acknowledged is kept for the judge.

use crate::company::{Company, Draw, HISTORY_DAYS, STEPS, job, this_minute};
use crate::wire::{Reply, request};
use chrono::{DateTime, Duration, Utc};
use serde_json::{Value, json};
use tackfree::store::new_id;

/// Kinds of request.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    FeedKnown,
    FeedWhole,
    Board,
    Jobs,
    Job,
    Plan,
    CrewDay,
    Air,
    Moisture,
    Event,
    Draft,
}

/// Each with its words and how many of a thousand requests are such: as a working day of a house has them, but that people
/// and what they tell weigh more and programs that fetch calendars less. Most who fetch a calendar have it already.
pub const KINDS: [(Kind, &str, usize); 11] = [
    (Kind::FeedKnown, "calendar, asker has one", 300),
    (Kind::FeedWhole, "calendar, whole", 40),
    (Kind::Board, "board", 120),
    (Kind::Jobs, "jobs, a page", 60),
    (Kind::Job, "one job", 140),
    (Kind::Plan, "published plan", 40),
    (Kind::CrewDay, "crew's day", 170),
    (Kind::Air, "air reading told", 40),
    (Kind::Moisture, "moisture readings told", 27),
    (Kind::Event, "event told", 60),
    (Kind::Draft, "plan drafted", 3),
];

/// Minutes that a step told of took.
const STEP_MINUTES: i64 = 10;
/// Crews tried before something else is told.
const TRIES: usize = 8;
/// Days over which readings of the air of a house are spread, a minute each.
const AIR_DAYS: i64 = 28;

impl Kind {
    pub fn words(self) -> &'static str {
        KINDS[self as usize].1
    }

    /// Whether it is a good answer.
    fn good(self, status: u16) -> bool {
        match self {
            Kind::FeedKnown => matches!(status, 200 | 304),
            Kind::Air | Kind::Draft => status == 201,
            Kind::Moisture | Kind::Event => matches!(status, 200 | 201),
            _ => status == 200,
        }
    }

    pub fn drawn(draw: &mut Draw) -> Kind {
        let mut left = draw.below(KINDS.iter().map(|kind| kind.2).sum());
        for (kind, _, weight) in KINDS {
            if left < weight {
                return kind;
            }
            left -= weight;
        }
        Kind::FeedKnown
    }
}

/// How an answer is to be taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Judged {
    Good,
    /// Refused for want of room, with the time after which to come again.
    Shed,
    /// What should never be.
    Wrong(String),
}

/// A request, and what its answer changes here.
#[derive(Debug, Clone)]
pub struct Asked {
    pub kind: Kind,
    pub octets: Vec<u8>,
    company: usize,
    effect: Effect,
}

#[derive(Debug, Clone)]
enum Effect {
    None,
    Feed(usize),
    Air {
        id_at: (usize, i64),
    },
    Told {
        id: String,
    },
    /// What is told is over, or has begun, then.
    Step {
        site: usize,
        crew: usize,
        id: String,
        then: Then,
        when: DateTime<Utc>,
    },
}

/// How a house goes on after what was told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Then {
    Begun,
    Next,
    Anew,
}

/// One house.
#[derive(Debug, Clone)]
struct Site {
    turn: usize,
    /// The next step; past the last: the job is over, and is then followed by another.
    next: usize,
    busy: bool,
    /// What has been told of it was over then.
    until: DateTime<Utc>,
    /// Told, but nobody knows whether it arrived: told again.
    unsure: Option<Asked>,
}

struct Phone {
    /// Its crew's work up to here has been told.
    until: DateTime<Utc>,
    busy: bool,
    /// In this house, on a step that has begun.
    at: Option<(usize, DateTime<Utc>)>,
}

struct Held {
    known: Company,
    etags: Vec<Option<String>>,
    sites: Vec<Site>,
    phones: Vec<Phone>,
    /// Houses where part A dwells: part B is told next.
    dwelling: Vec<usize>,
    air: Vec<i64>,
}

/// What was acknowledged: of which company, and what.
#[derive(Default)]
pub struct Acknowledged {
    pub events: Vec<(usize, String)>,
    /// House and minutes before the beginning.
    pub air: Vec<(usize, usize, i64)>,
}

/// All companies as their users know them.
pub struct World {
    companies: Vec<Held>,
    draw: Draw,
    began: DateTime<Utc>,
    pub acknowledged: Acknowledged,
}

fn bearer(secret: &str) -> String {
    format!("Authorization: Bearer {secret}\r\n")
}

impl World {
    pub fn of(companies: &[Company], seed: u64) -> World {
        let began = this_minute();
        let first = began - Duration::days(HISTORY_DAYS - 1);
        let site = Site { turn: 0, next: 0, busy: false, until: first, unsure: None };
        let held = companies.iter().map(|known| Held {
            known: known.clone(),
            etags: vec![None; known.feeds.len()],
            sites: vec![site.clone(); known.houses],
            phones: (0..known.crews).map(|_| Phone { until: first, busy: false, at: None }).collect(),
            dwelling: Vec::new(),
            air: vec![0; known.houses],
        });
        World { companies: held.collect(), draw: Draw::seeded(seed), began, acknowledged: Acknowledged::default() }
    }

    pub fn drawn(&mut self) -> Asked {
        let kind = Kind::drawn(&mut self.draw);
        self.next(kind)
    }

    /// The next request of this kind.
    pub fn next(&mut self, kind: Kind) -> Asked {
        let company = self.draw.below(self.companies.len());
        let known = &self.companies[company].known;
        let (screen, crew) = (self.draw.below(known.screens.len()), self.draw.below(known.crews));
        let (house, feed) = (self.draw.below(known.houses), self.draw.below(known.feeds.len()));
        let screen = bearer(&known.screens[screen]);
        let get = |path: &str, headers: &str| request("GET", path, headers, "");
        let zipped = format!("{screen}Accept-Encoding: gzip\r\n");
        let job = || format!("job-{house}-{}", self.companies[company].sites[house].turn);
        let (octets, effect) = match kind {
            Kind::FeedKnown => {
                let known_as = self.companies[company].etags[feed].as_ref();
                let known_as = known_as.map(|etag| format!("If-None-Match: {etag}\r\n")).unwrap_or_default();
                (get(&known.feeds[feed], &format!("{known_as}Accept-Encoding: gzip\r\n")), Effect::Feed(feed))
            }
            Kind::FeedWhole => (get(&known.feeds[feed], "Accept-Encoding: gzip\r\n"), Effect::None),
            Kind::Board => (get("/v1/board", &zipped), Effect::None),
            Kind::Jobs => (get("/v1/jobs?limit=50", &zipped), Effect::None),
            Kind::Job => (get(&format!("/v1/jobs/{}", job()), &screen), Effect::None),
            Kind::Plan => (get("/v1/plans/published", &zipped), Effect::None),
            Kind::CrewDay => {
                let phone = format!("{}Accept-Encoding: gzip\r\n", bearer(&known.phones[crew]));
                (get(&format!("/v1/crew-days/crew-{crew}"), &phone), Effect::None)
            }
            Kind::Air => self.air(company, house, crew),
            Kind::Moisture => return self.step(company, crew, true),
            Kind::Event if self.draw.below(4) > 0 => return self.step(company, crew, false),
            Kind::Event => return self.due(company, house, kind),
            Kind::Draft => (request("POST", "/v1/plans", &screen, "{\"move_budget\":200}"), Effect::None),
        };
        Asked { kind, octets, company, effect }
    }

    fn air(&mut self, company: usize, house: usize, crew: usize) -> (Vec<u8>, Effect) {
        let rh_percent = 40 + self.draw.below(20);
        let held = &mut self.companies[company];
        let minutes = held.air[house];
        held.air[house] = (minutes + 1) % (AIR_DAYS * 1440);
        let at = (self.began - Duration::minutes(minutes + 1)).format("%Y-%m-%dT%H:%M:00Z").to_string();
        let body = json!({"at": at, "temp_c": 19.5, "rh_percent": rh_percent}).to_string();
        let path = format!("/v1/houses/house-{house}/air-readings");
        (request("POST", &path, &bearer(&held.known.phones[crew]), &body), Effect::Air { id_at: (house, minutes) })
    }

    /// The customer's date moves.
    fn due(&mut self, company: usize, house: usize, kind: Kind) -> Asked {
        let days = 10 + self.draw.below(40) as i64;
        let held = &self.companies[company];
        let job = format!("job-{house}-{}", held.sites[house].turn);
        let due = (self.began + Duration::days(days)).to_rfc3339();
        let (id, body) = event(Utc::now(), json!({"kind": "due_moved", "job": job, "due": due}));
        let octets = request("POST", "/v1/events", &bearer(&held.known.screens[0]), &body);
        Asked { kind, octets, company, effect: Effect::Told { id } }
    }

    /// What a crew tells next of a house: readings, or that it has begun or finished a step.
    fn step(&mut self, company: usize, first: usize, readings: bool) -> Asked {
        let kind = if readings { Kind::Moisture } else { Kind::Event };
        let crews = self.companies[company].known.crews;
        for turn in 0..TRIES.min(crews) {
            let crew = (first + turn) % crews;
            let phone = &self.companies[company].phones[crew];
            if phone.busy || (readings && phone.at.is_some()) {
                continue;
            }
            let Some(site) = self.site(company, crew) else { continue };
            if let Some(asked) = self.companies[company].sites[site].unsure.take() {
                self.companies[company].sites[site].busy = true;
                if let Effect::Step { crew, .. } = asked.effect {
                    self.companies[company].phones[crew].busy = true;
                }
                return asked;
            }
            return self.told(company, (site, crew), kind);
        }
        let house = self.draw.below(self.companies[company].known.houses);
        self.due(company, house, kind)
    }

    /// Where this crew is, where part A dwells, or anywhere that nobody is telling of.
    fn site(&mut self, company: usize, crew: usize) -> Option<usize> {
        let held = &mut self.companies[company];
        let free = |site: &Site, held: &Held, number: usize| {
            let elsewhere = held.phones.iter().any(|phone| phone.at.is_some_and(|at| at.0 == number));
            // What is told again belongs to its crew, which may be elsewhere by now.
            let whose = site.unsure.as_ref().is_none_or(|asked| match asked.effect {
                Effect::Step { crew, .. } => !held.phones[crew].busy && held.phones[crew].at.is_none(),
                _ => true,
            });
            !site.busy && !elsewhere && whose
        };
        if let Some((site, _)) = held.phones[crew].at {
            return (!held.sites[site].busy).then_some(site);
        }
        if let Some(place) = held.dwelling.iter().position(|&number| free(&held.sites[number], held, number)) {
            return Some(held.dwelling.swap_remove(place));
        }
        for _ in 0..TRIES {
            let number = self.draw.below(held.sites.len());
            if free(&held.sites[number], held, number) {
                return Some(number);
            }
        }
        None
    }

    fn told(&mut self, company: usize, (site, crew): (usize, usize), kind: Kind) -> Asked {
        let begins = self.draw.below(3) == 0;
        let held = &mut self.companies[company];
        let (turn, next) = (held.sites[site].turn, held.sites[site].next);
        let key = format!("job-{site}-{turn}");
        let phone = &held.phones[crew];
        let from = phone.at.map_or(phone.until.max(held.sites[site].until), |at| at.1);
        let until = from + Duration::minutes(STEP_MINUTES);
        let (at, happened, then, office) = match STEPS.get(next) {
            None if next == STEPS.len() => (Utc::now(), json!({"kind": "job_finished", "job": key}), Then::Next, true),
            None => {
                let job = job(&mut self.draw, site, turn + 1, self.began);
                (Utc::now(), json!({"kind": "job_added", "job": job}), Then::Anew, true)
            }
            Some(step) if kind == Kind::Moisture || step.1 == "check" => {
                let readings: Vec<Value> = (0..12)
                    .map(|number| {
                        let area = if number < 8 { "Floor" } else { "Hall" };
                        json!({"area": area, "mc_percent": 7.5 + 0.1 * f64::from(number % 4)})
                    })
                    .collect();
                let told = json!({"kind": "readings_taken", "job": key, "step": step.0, "crew": format!("crew-{crew}"),
                    "started_at": from.to_rfc3339(), "readings": readings, "outcome": "done"});
                (until, told, Then::Next, false)
            }
            Some(step) if phone.at.is_none() && begins && step.1 != "treat_a" && step.1 != "treat_b" => {
                let told = json!({"kind": "step_started", "job": key, "step": step.0, "crew": format!("crew-{crew}")});
                (from, told, Then::Begun, false)
            }
            Some(step) => {
                let mut told =
                    json!({"kind": "step_finished", "job": key, "step": step.0, "crew": format!("crew-{crew}")});
                if phone.at.is_none() {
                    told["started_at"] = json!(from.to_rfc3339());
                }
                (until, told, Then::Next, false)
            }
        };
        let (id, body) = event(at, happened);
        let secret = if office { &held.known.screens[0] } else { &held.known.phones[crew] };
        let octets = request("POST", "/v1/events", &bearer(secret), &body);
        held.sites[site].busy = true;
        held.phones[crew].busy = true;
        let when = if then == Then::Begun { from } else { until };
        Asked { kind, octets, company, effect: Effect::Step { site, crew, id, then, when } }
    }

    /// What came of it.
    pub fn settle(&mut self, asked: Asked, outcome: &Result<Reply, String>) -> Judged {
        let judged = judge(asked.kind, outcome);
        let (company, held) = (asked.company, &mut self.companies[asked.company]);
        let good = judged == Judged::Good;
        match &asked.effect {
            Effect::None => {}
            Effect::Feed(feed) => {
                if let (true, Ok(Reply { etag: Some(etag), .. })) = (good, outcome) {
                    held.etags[*feed] = Some(etag.clone());
                }
            }
            Effect::Air { id_at: (house, minutes) } => {
                if good {
                    self.acknowledged.air.push((company, *house, *minutes));
                }
            }
            Effect::Told { id } => {
                if good {
                    self.acknowledged.events.push((company, id.clone()));
                }
            }
            Effect::Step { site, crew, id, then, when } => {
                held.phones[*crew].busy = false;
                held.sites[*site].busy = false;
                if good {
                    self.acknowledged.events.push((company, id.clone()));
                    held.go_on(*site, *crew, (*then, *when));
                } else {
                    held.sites[*site].unsure = Some(asked.clone());
                }
            }
        }
        judged
    }

    /// The instant that a reading of the air was told for.
    pub fn air_at(&self, minutes: i64) -> String {
        (self.began - Duration::minutes(minutes + 1)).format("%Y-%m-%dT%H:%M").to_string()
    }

    /// Secrets of a screen of each company.
    pub fn screens(&self) -> Vec<String> {
        self.companies.iter().map(|held| held.known.screens[0].clone()).collect()
    }
}

impl Held {
    fn go_on(&mut self, site: usize, crew: usize, (then, when): (Then, DateTime<Utc>)) {
        let phone = &mut self.phones[crew];
        match then {
            Then::Begun => phone.at = Some((site, when)),
            Then::Next => {
                if self.sites[site].next < STEPS.len() {
                    phone.until = when + Duration::minutes(1);
                    self.sites[site].until = phone.until;
                    phone.at = None;
                    if STEPS[self.sites[site].next].1 == "treat_a" {
                        self.dwelling.push(site);
                    }
                }
                self.sites[site].next += 1;
            }
            Then::Anew => {
                self.sites[site].turn += 1;
                self.sites[site].next = 0;
            }
        }
    }
}

fn event(at: DateTime<Utc>, happened: Value) -> (String, String) {
    let id = new_id().to_string();
    let body = json!({"id": id, "at": at.to_rfc3339(), "event": happened}).to_string();
    (id, body)
}

fn judge(kind: Kind, outcome: &Result<Reply, String>) -> Judged {
    let reply = match outcome {
        Ok(reply) => reply,
        Err(error) => return Judged::Wrong(format!("{}: {error}", kind.words())),
    };
    match reply.status {
        status if kind.good(status) => Judged::Good,
        429 | 503 if reply.retry_after.is_some() => Judged::Shed,
        status => {
            let text: String = String::from_utf8_lossy(&reply.body).chars().take(600).collect();
            Judged::Wrong(format!("{}: {status} {text}", kind.words()))
        }
    }
}
