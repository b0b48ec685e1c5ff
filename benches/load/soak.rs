//! Half an hour of the mix at one rate: what the server holds must not grow, and answers must not get slower.

use crate::arrivals::{arrive, quantile};
use crate::machine::{self, Meters};
use crate::report::ms;
use crate::{Load, Size, folder};
use std::fmt::Write as _;
use std::time::Instant;

/// Seconds of a line.
const EVERY: f64 = 10.0;
const MINUTES_MAX: u64 = 120;
/// Megabytes by which the server's memory may differ between the second and the last sixth of the time.
const GROWTH_MAX_MB: f64 = 40.0;

struct Sample {
    server_mb: f64,
    files: usize,
}

/// A line every ten seconds, and whether memory and files stayed as they were.
pub async fn measure(size: Size, minutes: u64, rate: f64, seed: u64) -> bool {
    let mut load = Load::start(size, seed).await;
    let (began, ends) = (Instant::now(), minutes.min(MINUTES_MAX) * 60);
    let mut text = String::from(
        "| s | answered /s | p50 ms | p99 ms | max ms | shed | server MB | PostgreSQL's own MB | shared MB | database MB \
         | files | connections in use | repairs /s | waiting |\n|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|\n",
    );
    print!("{text}");
    let (mut samples, mut number, mut repairs) = (Vec::new(), 0, 0.0);
    while began.elapsed().as_secs() < ends {
        number += 1;
        let tally = arrive(&load.wire, &load.world, rate, EVERY, seed + number).await;
        load.blame(tally.wrong_count, &tally.wrong);
        let (meters, times) = (Meters::read(&load.wire).await, tally.times(None));
        let [p50, p99, most] = [50.0, 99.0, 100.0].map(|percent| ms(quantile(&times, percent)));
        let server_mb = machine::resident_mb(load.server);
        let (own, shared) = machine::postgres_mb(load.postgres);
        let done = meters.sum("tackfree_repairs_total", &[]);
        let line = format!(
            "| {:.0} | {:.0} | {p50} | {p99} | {most} | {} | {server_mb:.0} | {own:.0} | {shared:.0} | {:.0} | {} | {:.0} | {:.1} | {:.0} |",
            began.elapsed().as_secs_f64(),
            tally.answered_a_second(),
            tally.shed,
            database_mb(&load).await,
            machine::open_files(load.server),
            meters.sum("tackfree_database_connections", &["requests", "in_use"]),
            (done - repairs) / EVERY,
            meters.sum("tackfree_repairs_waiting", &[]),
        );
        repairs = done;
        println!("{line}");
        let _ = writeln!(text, "{line}");
        samples.push(Sample { server_mb, files: machine::open_files(load.server) });
    }
    let tables = tables(&load).await;
    println!("{tables}");
    let _ = writeln!(text, "\n{tables}");
    judge(&mut load, &samples);
    load.judge_acknowledged().await;
    let path = folder().join(format!("soak-{size:?}.md").to_lowercase());
    std::fs::write(path, format!("{}, {rate} requests a second, seed {seed}\n\n{text}", size.words())).unwrap();
    load.end()
}

async fn database_mb(load: &Load) -> f64 {
    let mut owner = load.test.owner().await;
    let octets: i64 =
        sqlx::query_scalar("SELECT pg_database_size(current_database())").fetch_one(&mut owner).await.unwrap();
    octets as f64 / 1_048_576.0
}

/// Which tables take the room, their indexes counted with them, and in how many rows.
async fn tables(load: &Load) -> String {
    let mut owner = load.test.owner().await;
    sqlx::raw_sql("ANALYZE").execute(&mut owner).await.unwrap();
    let tables: Vec<(String, i64, f32)> = sqlx::query_as(
        "SELECT relname::text, pg_total_relation_size(oid), reltuples FROM pg_class
         WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' ORDER BY 2 DESC LIMIT 8",
    )
    .fetch_all(&mut owner)
    .await
    .unwrap();
    let line = |(name, octets, rows): &(String, i64, f32)| {
        format!("{name} {:.1} MB in {rows:.0} rows", *octets as f64 / 1_048_576.0)
    };
    format!("tables: {}", tables.iter().map(line).collect::<Vec<_>>().join(", "))
}

/// The median of the last sixth beside that of the second.
fn judge(load: &mut Load, samples: &[Sample]) {
    let sixth = samples.len() / 6;
    if sixth == 0 {
        return;
    }
    let median = |part: &[Sample]| {
        let mut memory: Vec<f64> = part.iter().map(|sample| sample.server_mb).collect();
        memory.sort_by(f64::total_cmp);
        memory[memory.len() / 2]
    };
    let (early, late) = (median(&samples[sixth..2 * sixth]), median(&samples[samples.len() - sixth..]));
    let files = samples[sixth..].iter().map(|sample| sample.files);
    let (least, most) = files.fold((usize::MAX, 0), |(least, most), count| (least.min(count), most.max(count)));
    println!("server's memory {early:.0} MB, later {late:.0} MB; open files {least} to {most}");
    if late - early > GROWTH_MAX_MB {
        load.fault(format!("the server's memory grew from {early:.0} to {late:.0} MB"));
    }
}
