//! The load a server holds: a real `serve` process on a PostgreSQL of its own, asked over HTTP on loopback by a mix of
//! everything people and programs do, at rates that rise until it bends; then far too much, and how it recovers.
//!
//! ```text
//! target/debug/with-postgres --durable cargo bench --bench load -- costs SEED
//! target/debug/with-postgres --durable cargo bench --bench load -- ramp one|many SEED
//! target/debug/with-postgres --durable cargo bench --bench load -- soak one|many MINUTES REQUESTS_A_SECOND SEED
//! ```
//!
//! `TACKFREE_LOAD_PROGRAM=FILE` tries a program that has been built already. `TACKFREE_LOAD_BESIDE=FILE` lets `costs` ask another build of the program in turn with this one, on the same database, for ratios
//! that mean something on a machine that does other work.
//!
//! `one` is a company of 20 crews and 100 houses, `many` are 500 companies of 2 crews and 10 houses. Tables go to standard output
//! and to `target/load/`. It ends with an error if anything was answered wrongly, refused without `Retry-After`, or
//! acknowledged and lost. Client, server and PostgreSQL share the machine. Bounded: steps of seconds, rates and requests under
//! way have an upper end.
//!
//! | file | what |
//! |---|---|
//! | `main` | what is done in which order, and what must hold |
//! | `company` | invented companies |
//! | `mix` | what is asked, and what must come of it |
//! | `arrivals`, `wire` | when it is sent, and how |
//! | `ramp`, `costs`, `soak` | the three measurements |
//! | `ceiling`, `machine` | what could be had at most; what processes take |
//! | `report` | tables and plot |

#![allow(clippy::unwrap_used, missing_docs, reason = "a panic in a measurement is a failed measurement")]

#[path = "../../tests/common/mod.rs"]
mod common;

mod arrivals;
mod ceiling;
mod company;
mod costs;
mod machine;
mod mix;
mod ramp;
mod report;
mod soak;
mod wire;

use common::program::{Program, command_of};
use common::store::{TestStore, fresh_store};
use company::Company;
use machine::METRICS_TOKEN;
use mix::World;
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::{Arc, Mutex};
use tackfree::service::Service;
use wire::Wire;

/// The program's own: the driver shares the machine.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Companies founded at the same time.
const FOUNDED_AT_ONCE: usize = 2;

/// Which companies there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Size {
    One,
    Many,
}

impl Size {
    pub fn words(self) -> String {
        match self {
            Size::One => "one company, 20 crews, 100 houses".to_owned(),
            Size::Many => format!("{} companies, 2 crews and 10 houses each", companies_many()),
        }
    }

    fn companies(self) -> Vec<(usize, usize, usize)> {
        match self {
            // As many screens that it is the server which bends, not what one token may.
            Size::One => vec![(100, 20, 40)],
            Size::Many => vec![(10, 2, 1); companies_many()],
        }
    }
}

/// Fewer to try the driver itself out.
fn companies_many() -> usize {
    std::env::var("TACKFREE_LOAD_COMPANIES").ok().and_then(|text| text.parse().ok()).unwrap_or(500)
}

/// A server with its companies, and who asks it.
pub struct Load {
    pub test: TestStore,
    pub program: Program,
    /// Another build of it.
    pub beside: Option<(Program, Arc<Wire>)>,
    pub companies: Vec<Company>,
    pub wire: Arc<Wire>,
    pub world: Arc<Mutex<World>>,
    pub server: u32,
    pub postgres: u32,
    pub faults: Vec<String>,
}

impl Load {
    pub async fn start(size: Size, seed: u64) -> Load {
        let began = std::time::Instant::now();
        let test = fresh_store().await;
        let service = Service::new(test.store.clone());
        let turns = Arc::new(tokio::sync::Semaphore::new(FOUNDED_AT_ONCE));
        let founding: Vec<_> = (0..)
            .zip(size.companies())
            .map(|(number, (houses, crews, screens))| {
                let (service, turns) = (service.clone(), turns.clone());
                tokio::spawn(async move {
                    let _turn = turns.acquire().await.unwrap();
                    company::found(&service, houses, crews, screens, seed + number).await
                })
            })
            .collect();
        let mut companies = Vec::new();
        for one in founding {
            companies.push(one.await.unwrap());
        }
        // Statistics as a database that has run for a day has them.
        let mut owner = test.owner().await;
        sqlx::raw_sql("VACUUM ANALYZE").execute(&mut owner).await.unwrap();
        let backend: i32 = sqlx::query_scalar("SELECT pg_backend_pid()").fetch_one(&mut owner).await.unwrap();
        let postgres = machine::parent(u32::try_from(backend).unwrap()).unwrap();
        println!("{}: founded, planned and published in {:.0?}; seed {seed}", size.words(), began.elapsed());
        let settings = [("TACKFREE_METRICS_TOKEN", METRICS_TOKEN)];
        let program = match std::env::var_os("TACKFREE_LOAD_PROGRAM") {
            Some(other) => Program::serve_by(command_of(other, &test.owner), &settings).await,
            None => Program::serve(&test, &settings).await,
        };
        let beside = match std::env::var_os("TACKFREE_LOAD_BESIDE") {
            Some(other) => {
                let other = Program::serve_by(command_of(other, &test.owner), &settings).await;
                let wire = wire_to(&other);
                Some((other, wire))
            }
            None => None,
        };
        let world = Arc::new(Mutex::new(World::of(&companies, seed)));
        let (wire, server) = (wire_to(&program), program.id());
        Load { test, program, beside, companies, wire, world, server, postgres, faults: Vec::new() }
    }

    /// Remembers what should not have been.
    pub fn fault(&mut self, what: String) {
        eprintln!("WRONG: {what}");
        self.faults.push(what);
    }

    pub fn blame(&mut self, wrong: usize, words: &[String]) {
        if wrong > 0 {
            self.fault(format!("{wrong} answers: {}", words.join("; ")));
        }
    }

    /// Every event and reading that was acknowledged is there.
    pub async fn judge_acknowledged(&mut self) {
        let acknowledged = std::mem::take(&mut self.world.lock().unwrap().acknowledged);
        let mut events: BTreeMap<usize, BTreeSet<String>> = BTreeMap::new();
        for (company, id) in acknowledged.events {
            events.entry(company).or_default().insert(id);
        }
        let mut air: BTreeMap<(usize, usize), BTreeSet<String>> = BTreeMap::new();
        for (company, house, minutes) in acknowledged.air {
            let at = self.world.lock().unwrap().air_at(minutes);
            air.entry((company, house)).or_default().insert(at);
        }
        let counted = (events.values().map(BTreeSet::len).sum(), air.values().map(BTreeSet::len).sum());
        let lost = self.lost(events, air).await;
        let (events, readings): (usize, usize) = counted;
        println!("acknowledged: {events} events and {readings} readings of air; lost {lost}");
        if lost > 0 {
            self.fault(format!("{lost} acknowledged and lost"));
        }
    }

    async fn lost(
        &self,
        events: BTreeMap<usize, BTreeSet<String>>,
        air: BTreeMap<(usize, usize), BTreeSet<String>>,
    ) -> usize {
        // Read from the database by its owner: what one company's pages show is tried elsewhere.
        let mut owner = self.test.owner().await;
        let mut lost = 0;
        for (company, mut ids) in events {
            let id = self.companies[company].id.0;
            let there: Vec<String> = sqlx::query_scalar("SELECT id::text FROM event WHERE company_id = $1")
                .bind(id)
                .fetch_all(&mut owner)
                .await
                .unwrap();
            there.iter().for_each(|id| {
                ids.remove(id);
            });
            lost += ids.len();
        }
        for ((company, house), mut instants) in air {
            let there: Vec<String> = sqlx::query_scalar(
                "SELECT to_char(taken_at AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI')
                 FROM house_air_reading reading JOIN house USING (company_id)
                 WHERE company_id = $1 AND house.key = $2 AND house.id = reading.house_id",
            )
            .bind(self.companies[company].id.0)
            .bind(format!("house-{house}"))
            .fetch_all(&mut owner)
            .await
            .unwrap();
            there.iter().for_each(|at| {
                instants.remove(at);
            });
            lost += instants.len();
        }
        lost
    }

    /// Ends the server; whether everything was as it should be.
    pub fn end(mut self) -> bool {
        let faults = std::mem::take(&mut self.faults);
        let (well, log) = self.program.stop();
        if !well {
            eprintln!("the server did not end well: {}", &log[log.len().saturating_sub(2_000)..]);
        }
        for fault in &faults {
            eprintln!("WRONG: {fault}");
        }
        well && faults.is_empty()
    }
}

fn wire_to(program: &Program) -> Arc<Wire> {
    Arc::new(Wire::to(program.base.strip_prefix("http://").unwrap().parse().unwrap()))
}

/// Where tables and plot go.
pub fn folder() -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/load");
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    let number = |text: &str| text.parse::<u64>().ok();
    let size = |text: &str| match text {
        "one" => Some(Size::One),
        "many" => Some(Size::Many),
        _ => None,
    };
    let well = match words[..] {
        ["costs", seed] if number(seed).is_some() => costs::measure(number(seed).unwrap()).await,
        ["ramp", of, seed] if size(of).is_some() && number(seed).is_some() => {
            ramp::measure(&[size(of).unwrap()], number(seed).unwrap()).await
        }
        [] => ramp::measure(&[Size::One, Size::Many], 1).await,
        ["soak", of, minutes, rate, seed]
            if size(of).is_some() && [minutes, rate, seed].iter().all(|text| number(text).is_some()) =>
        {
            let [minutes, rate, seed] = [minutes, rate, seed].map(|text| number(text).unwrap());
            soak::measure(size(of).unwrap(), minutes, rate as f64, seed).await
        }
        _ => {
            eprintln!("usage: load costs SEED | ramp one|many SEED | soak one|many MINUTES REQUESTS_A_SECOND SEED");
            false
        }
    };
    if well { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
