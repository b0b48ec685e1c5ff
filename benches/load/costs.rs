//! What each kind of request costs, beside the bare framework with a body of the same size and PostgreSQL's own pgbench, all in
//! the same run: one who asks at a time for the processor time, eight for the rate.

use crate::arrivals::in_turn;
use crate::ceiling::{Bare, database};
use crate::machine::{self, Meters};
use crate::mix::{KINDS, Kind};
use crate::{Load, Size, folder};
use std::fmt::Write as _;
use std::time::Duration;

const ASKERS: usize = 8;
const TIME: Duration = Duration::from_secs(2);
const BARE_TIME: Duration = Duration::from_millis(700);
const ROUNDS: usize = 7;
const PGBENCH_SECONDS: u32 = 4;

/// A table for each size.
pub async fn measure(seed: u64) -> bool {
    let (mut text, mut well) = (String::new(), true);
    for size in [Size::One, Size::Many] {
        let mut load = Load::start(size, seed).await;
        let _ = writeln!(text, "## {}\n\nSeed {seed}, {ASKERS} who ask in turn.\n", size.words());
        text += &table(&mut load).await;
        text += &ceilings(&mut load).await;
        text += &sizes(&load).await;
        load.judge_acknowledged().await;
        well &= load.end();
    }
    println!("{text}");
    std::fs::write(folder().join("costs.md"), &text).unwrap();
    well
}

async fn table(load: &mut Load) -> String {
    let mut text = String::from(
        "| kind | octets on the wire | answers /s | bare framework /s | share | server ms | PostgreSQL ms |\n\
         |---|---:|---:|---:|---:|---:|---:|\n",
    );
    let bare = Bare::start();
    for (kind, words, _) in KINDS {
        // Once before, so that nothing is met for the first time.
        in_turn(&load.wire, &load.world, kind, 2, TIME / 4).await;
        settled(load).await;
        let planned = |meters: &Meters| {
            let plannings = meters.sum("tackfree_planning_duration_seconds_sum", &["repair"]);
            (meters.sum("tackfree_repairs_total", &[]), plannings)
        };
        let before = planned(&Meters::read(&load.wire).await);
        let cpu = |load: &Load| (machine::cpu_seconds(load.server), machine::postgres_cpu_seconds(load.postgres));
        let began = cpu(load);
        let ours = in_turn(&load.wire, &load.world, kind, ASKERS, TIME).await;
        let ended = cpu(load);
        let after = planned(&Meters::read(&load.wire).await);
        load.blame(ours.wrong.len(), &ours.wrong[..ours.wrong.len().min(3)]);
        let (count, octets) = (ours.count.max(1) as f64, ours.octets / ours.count.max(1));
        let framework = bare.rate(octets, ASKERS, BARE_TIME).await;
        let rate = count / ours.seconds;
        let _ = write!(
            text,
            "| {words} | {octets} | {rate:.0} | {framework:.0} | {:.3} | {:.2} | {:.2} |",
            rate / framework,
            1e3 * (ended.0 - began.0) / count,
            1e3 * (ended.1 - began.1) / count,
        );
        if let Some(ratio) = beside(load, kind).await {
            let _ = write!(text, " {ratio:.2} times the other build |");
        }
        let repairs = after.0 - before.0;
        if repairs > 0.0 {
            let each = 1e3 * (after.1 - before.1) / repairs;
            let _ = write!(text, " with {repairs:.0} repairs meanwhile, {each:.1} ms of planning each");
        }
        text.push('\n');
        println!("{}", text.lines().last().unwrap_or_default());
    }
    bare.stop().await;
    text
}

/// How much faster this build answers than the other: the median of rounds that take turns.
async fn beside(load: &Load, kind: Kind) -> Option<f64> {
    let (_, other) = load.beside.as_ref()?;
    // What ours has met before.
    in_turn(other, &load.world, kind, ASKERS, TIME).await;
    let mut ratios = Vec::new();
    for _ in 0..ROUNDS {
        settled(load).await;
        let ours = in_turn(&load.wire, &load.world, kind, ASKERS, TIME / 4).await;
        settled(load).await;
        let theirs = in_turn(other, &load.world, kind, ASKERS, TIME / 4).await;
        ratios.push((ours.count as f64 / ours.seconds) / (theirs.count as f64 / theirs.seconds));
    }
    ratios.sort_by(f64::total_cmp);
    Some(ratios[ratios.len() / 2])
}

async fn settled(load: &Load) {
    while Meters::read(&load.wire).await.sum("tackfree_repairs_waiting", &[]) > 0.0 {
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

/// What PostgreSQL can do on this cluster.
async fn ceilings(load: &mut Load) -> String {
    settled(load).await;
    let company = &load.companies[0];
    let rates = database(&load.test, company.id, &company.screens[0], PGBENCH_SECONDS);
    let told = |rate: Option<f64>| rate.map_or("pgbench is missing".to_owned(), |rate| format!("{rate:.0}"));
    let (select, token, reading) = (told(rates.select), told(rates.token), told(rates.reading));
    format!(
        "\npgbench, 8 connections, prepared, a second: `-S` {select}; whose token it is {token}; a reading request's least (token, \
         begin, one job, commit) {reading}.\n"
    )
}

/// Octets in the database for each house, and by table.
async fn sizes(load: &Load) -> String {
    let mut owner = load.test.owner().await;
    let tables: Vec<(String, i64)> = sqlx::query_as(
        "SELECT relname::text, pg_total_relation_size(oid) FROM pg_class
         WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' ORDER BY 2 DESC LIMIT 12",
    )
    .fetch_all(&mut owner)
    .await
    .unwrap();
    let houses: usize = load.companies.iter().map(|company| company.houses).sum();
    let mut text = format!("\nTables, kB in all ({houses} houses): ");
    for (table, octets) in tables {
        let _ = write!(text, "{table} {}, ", octets / 1024);
    }
    text + "\n\n"
}
