//! `demo`: an invented company, loaded through the same use cases as the API, planned, published, shown as a readable
//! week, and served.

use super::beware;
use super::database::DatabaseArguments;
use super::documents::Documents;
use super::serve::{BrowserArguments, WebhookArguments, bind, until_stopped};
use super::week::{self, Shown};
use super::{Refusal, demo_people, plan};
use crate::api;
use crate::demo;
use crate::domain::time::Minute;
use crate::dto::{
    HouseDto, JobDto, PLAN_FORMAT, PlanDto, PlanningFile, RegionDto, assemble, parse_planning_file, plan_from_dto,
};
use crate::service::clock::{Clock, SystemClock};
use crate::service::{
    AirReadingBody, CompanyBody, DraftBody, FeedBody, FeedKindDto, RecordBody, Reporter, Service, ServiceError,
};
use crate::store::{CompanyId, Session};
use crate::worker::Kept;
use chrono::{DateTime, TimeDelta, Utc};
use std::fmt::Write;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Instant;
use uuid::Uuid;

/// Days shown in the terminal.
const DAYS_SHOWN: u64 = 7;
/// Plans made before the demo gives up.
const PUBLISH_TRIES: usize = 3;
/// Name of the invented company.
const COMPANY: &str = "Harrow Falls Floor Finishers (invented)";

/// Who reports what happened before the demo began.
const OFFICE: Reporter = Reporter { crew_id: None };

/// What the demo is asked for.
#[derive(Debug, Clone, clap::Args)]
pub struct DemoArguments {
    /// Address and port to listen on
    #[arg(long, env = "TACKFREE_LISTEN", default_value = "127.0.0.1:8080", value_name = "ADDRESS:PORT")]
    pub listen: SocketAddr,
    /// Pretend that it is this instant (RFC 3339) when the demo starts
    #[arg(long, value_name = "INSTANT")]
    pub at: Option<DateTime<Utc>>,
    /// Pretend that the town lies in this time zone (IANA name)
    #[arg(long, value_name = "ZONE")]
    pub time_zone: Option<String>,
    /// Give the company more houses and crews, up to a hundred houses
    #[arg(long, value_name = "COUNT", default_value_t = 14, value_parser = clap::value_parser!(u8).range(14..=demo::HOUSES_MAX as i64))]
    pub houses: u8,
    /// Print the week and stop, instead of serving on
    #[arg(long)]
    pub once: bool,
    #[command(flatten)]
    #[allow(missing_docs, reason = "a comment here would become the text of a flag")]
    pub webhooks: WebhookArguments,
    #[command(flatten)]
    #[allow(missing_docs, reason = "a comment here would become the text of a flag")]
    pub browsers: BrowserArguments,
}

/// The computer's clock, shifted so that the demo starts when it is told to.
#[derive(Debug)]
struct ShiftedClock(TimeDelta);

impl Clock for ShiftedClock {
    fn now(&self) -> DateTime<Utc> {
        SystemClock.now() + self.0
    }
}

/// What was founded, to be told.
struct Loaded {
    token: String,
    office: String,
    customer: String,
    calendars: Vec<(String, String)>,
    people: demo_people::People,
}

/// Loads, plans, publishes, shows, serves.
pub async fn demo(database: &DatabaseArguments, arguments: &DemoArguments) -> Result<(), Refusal> {
    let began = Instant::now();
    let listener = bind(arguments.listen)?;
    let database = database.open().await?;
    let shift = arguments.at.map_or(TimeDelta::zero(), |at| at - SystemClock.now());
    let service = Service::with_clock(database.store.clone(), Arc::new(ShiftedClock(shift)));
    let service = service.with_webhook_targets(arguments.webhooks.targets());
    let address = listener.local_addr().unwrap_or(arguments.listen);
    let base = format!("http://{address}");
    let outcome = load_and_show(&service, arguments, &base, began).await;
    match outcome {
        Ok(text) => print!("{text}"),
        Err(refusal) => {
            database.close().await;
            return Err(refusal);
        }
    }
    if arguments.once {
        database.close().await;
        return Ok(());
    }
    println!("\nServing; Ctrl-C stops it, and the private PostgreSQL with it.");
    let (browsers, settings) = (arguments.browsers.settings(address), api::Settings::default());
    until_stopped(database, service, listener, browsers, settings, Kept::default()).await
}

async fn load_and_show(
    service: &Service,
    arguments: &DemoArguments,
    base: &str,
    began: Instant,
) -> Result<String, Refusal> {
    let document =
        demo::larger_document(service.now_minute(), arguments.time_zone.as_deref(), usize::from(arguments.houses));
    let document = document.map_err(defect)?;
    // Read as any planning file is, so that what is wrong with it would be told the same way.
    let text = document.to_string();
    parse_planning_file(&text).map_err(|faults| plan::unusable("the demo's company", &faults))?;
    let file: PlanningFile = serde_json::from_value(document).map_err(defect)?;
    // A company of its own at every start: a demo that was played with does not spoil the next one.
    let company = CompanyId(Uuid::new_v4());
    let loaded = load(service, company, &file, base).await?;
    let planned = plan_and_publish(service, company).await?;
    let mut out = show(service, company, planned).await?;
    tell(&mut out, &loaded, base, began);
    Ok(out)
}

fn defect(error: impl std::fmt::Display) -> Refusal {
    Refusal::new("bad-demo-data", error.to_string(), "this is a defect of the program")
}

async fn load(service: &Service, company: CompanyId, file: &PlanningFile, base: &str) -> Result<Loaded, Refusal> {
    let mut session = service.store().session(company).await?;
    let body = CompanyBody { name: COMPANY.to_owned(), settings: file.settings.clone() };
    let founded = service.found_company(&mut session, &body).await?;
    for region in &file.regions {
        service.create_noun::<RegionDto>(&mut session, region).await?;
    }
    for crew in &file.crews {
        service.create_noun(&mut session, crew).await?;
    }
    for equipment in &file.equipment {
        service.create_noun(&mut session, equipment).await?;
    }
    for house in &file.houses {
        load_house(service, &mut session, house).await?;
    }
    let readings = demo::readings().map_err(defect)?;
    for job in &file.jobs {
        load_job(service, &mut session, job, &readings).await?;
    }
    let office =
        feed(service, &mut session, base, FeedBody { kind: FeedKindDto::Office, crew: None, house: None }).await?;
    let mut calendars = Vec::new();
    for crew in &file.crews {
        let body = FeedBody { kind: FeedKindDto::Crew, crew: Some(crew.key.clone()), house: None };
        calendars.push((crew.name.clone(), feed(service, &mut session, base, body).await?));
    }
    let house = file.houses.first().map(|house| house.key.clone());
    let customer =
        feed(service, &mut session, base, FeedBody { kind: FeedKindDto::Customer, crew: None, house }).await?;
    session.commit().await?;
    let people = demo_people::load(service, company, file, base).await?;
    Ok(Loaded { token: founded.secret.reveal().to_owned(), office, customer, calendars, people })
}

/// The house, and then what was measured in it.
async fn load_house(service: &Service, session: &mut Session, house: &HouseDto) -> Result<(), Refusal> {
    service.create_noun(session, &HouseDto { air_readings: Vec::new(), ..house.clone() }).await?;
    for reading in &house.air_readings {
        let (temp_c, rh_percent) = (reading.temp_c, reading.rh_percent);
        let body = AirReadingBody { at: Some(reading.at.clone()), temp_c, rh_percent, note: None };
        service.report_air(session, &house.key, &OFFICE, &body).await?;
    }
    Ok(())
}

/// The job with what has happened; a check with readings is reported as from the floor, so that the readings decide.
async fn load_job(
    service: &Service,
    session: &mut Session,
    job: &JobDto,
    readings: &[demo::CheckReadings],
) -> Result<(), Refusal> {
    let (before, tried) = demo::divided(&job.history, &job.key, readings);
    service.create_job(session, JobDto { history: before.to_vec(), ..job.clone() }).await?;
    for (entry, readings) in tried {
        let outcome = readings.is_empty().then_some(entry.outcome);
        let body = RecordBody { outcome, readings, ..RecordBody::from(entry) };
        service.report(session, &job.key, &OFFICE, &body).await?;
    }
    Ok(())
}

async fn feed(service: &Service, session: &mut Session, base: &str, body: FeedBody) -> Result<String, Refusal> {
    let view = service.create_feed(session, &body, |secret| format!("{base}/feeds/{}.ics", secret.reveal())).await?;
    Ok(view.address.unwrap_or_default())
}

/// The published plan's identifier. A minute that ends between planning and publishing can make the plan out of date: what
/// runs then has its end later.
async fn plan_and_publish(service: &Service, company: CompanyId) -> Result<Uuid, Refusal> {
    for _ in 1..PUBLISH_TRIES {
        match try_to_publish(service, company).await {
            Err(ServiceError::PlanOutdated(_)) => {}
            done => return Ok(done?),
        }
    }
    Ok(try_to_publish(service, company).await?)
}

async fn try_to_publish(service: &Service, company: CompanyId) -> Result<Uuid, ServiceError> {
    let draft = service.draft(company, &DraftBody::default()).await?;
    let mut session = service.store().session(company).await?;
    let kept = service.keep_draft(&mut session, &draft).await?;
    session.commit().await?;
    let checked = service.check_draft(company, kept.plan.id, kept.version).await?;
    let mut session = service.store().session(company).await?;
    service.publish(&mut session, &checked).await?;
    session.commit().await?;
    Ok(kept.plan.id)
}

/// What was published, read back from the database.
async fn show(service: &Service, company: CompanyId, plan: Uuid) -> Result<String, Refusal> {
    let file = service.capture(company).await?;
    let documents = Documents::of(&file);
    let parsed = assemble(file).map_err(|faults| plan::unusable("the demo's company", &faults))?;
    let mut session = service.store().snapshot(company).await?;
    let view = service.plan(&mut session, plan).await?;
    let situation = parsed.situation;
    let read_back = PlanDto {
        format: PLAN_FORMAT.to_owned(),
        now: view.plan.made_for.to_rfc3339(),
        seed: view.plan.seed,
        move_budget: view.plan.move_budget,
        placements: view.placements,
        unplaced: view.unplaced,
        cost: view.plan.cost,
        lower_bound: view.plan.lower_bound,
        gap_percent: None,
        guesses: Vec::new(),
    };
    let published =
        plan_from_dto(&situation, &read_back).map_err(|faults| plan::unusable("the published plan", &faults))?;
    let from = situation.settings.zone.date(Minute::floor_from(service.now()));
    let shown = Shown { from, days: DAYS_SHOWN };
    let crews = week::crews(&situation, &published, shown);
    let houses = week::houses(&situation, &published, shown);
    let beware = beware::text(&documents, &situation, &published, shown);
    Ok(format!("{COMPANY}: the next {DAYS_SHOWN} days\n\nBy crew\n\n{crews}By house\n\n{houses}{beware}"))
}

fn tell(out: &mut String, loaded: &Loaded, base: &str, began: Instant) {
    let page = |calendar: &str| calendar.replace("/feeds/", "/week/").trim_end_matches(".ics").to_owned();
    let _ = writeln!(out, "Loaded, planned, audited and published in {:.1} s.\n", began.elapsed().as_secs_f64());
    let mut line = |what: &str, address: &str| {
        let _ = writeln!(out, "{what:<22} {address}");
    };
    line("Sign in at", &format!("{base}/sign-in"));
    line("Sign-in name", &loaded.people.sign_in_name);
    line("Password", &loaded.people.password);
    if let Some((crew, link)) = &loaded.people.link {
        line(&format!("Link for {crew}"), link);
    }
    line("The week to look at", &page(&loaded.office));
    for (crew, address) in &loaded.calendars {
        line(&format!("On a phone, {}", crew.trim_start_matches("Crew ")), &page(address));
    }
    line("For a customer", &page(&loaded.customer));
    line("Calendar, office", &loaded.office);
    line("The API to browse", &format!("{base}/docs/"));
    line("Token for the API", &loaded.token);
    let _ = writeln!(
        out,
        "\nEvery page has its calendar at its foot. A floor that failed its check twice, with its readings and when it \
         will\nprobably pass, is on the page of the crew that reads it next, and at:\n\n  \
         curl -H 'Authorization: Bearer {}' {base}/v1/jobs/linden-27-floors/checks\n\n\
         Crew and customers are invented; the air is what was recorded at Newark in 2013 (see demo/).",
        loaded.token
    );
}
