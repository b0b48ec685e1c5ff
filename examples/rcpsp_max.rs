//! Solves every RCPSP/max instance (`*.sch`) of a directory with the planner's search for such models and checks each answer
//! from the instance alone: `cargo run --release --example rcpsp_max -- DIRECTORY [--seconds S] [--clashes N] [--seed N]
//! [--cpu]`. Without `--seconds` the answers depend on nothing but the seed and the clashes. With `--cpu` seconds are of the
//! processor's time and not of the clock's, for machines that do other work as well (Linux).

use std::path::PathBuf;
use std::time::Instant;
use tackfree::planner::rcpsp_max::{parse, solve};

struct Options {
    directory: PathBuf,
    seconds: f64,
    clashes: u64,
    seed: u64,
    cpu: bool,
}

fn options() -> Option<Options> {
    let mut arguments = std::env::args().skip(1);
    let directory = PathBuf::from(arguments.next()?);
    let mut options = Options { directory, seconds: f64::INFINITY, clashes: u64::MAX, seed: 1, cpu: false };
    while let Some(name) = arguments.next() {
        match name.as_str() {
            "--seconds" => options.seconds = arguments.next()?.parse().ok()?,
            "--clashes" => options.clashes = arguments.next()?.parse().ok()?,
            "--seed" => options.seed = arguments.next()?.parse().ok()?,
            "--cpu" => options.cpu = true,
            _ => return None,
        }
    }
    (options.seconds.is_finite() || options.clashes < u64::MAX).then_some(options)
}

/// Seconds this thread has been at work.
fn cpu_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let nanoseconds = text.split_whitespace().next().and_then(|word| word.parse::<f64>().ok());
    nanoseconds.expect("the time of a thread is told") / 1e9
}

fn main() {
    let Some(options) = options() else {
        eprintln!(
            "usage: rcpsp_max DIRECTORY [--seconds S] [--clashes N] [--seed N] [--cpu]; seconds or clashes are needed"
        );
        std::process::exit(2);
    };
    let mut files: Vec<PathBuf> = std::fs::read_dir(&options.directory)
        .expect("the directory can be read")
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|path| path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("sch")))
        .collect();
    files.sort();
    let (mut feasible, mut proven) = (0, 0);
    println!("{:<16} {:>9} {:>9} {:>9} {:>9}  proven", "instance", "size", "makespan", "ms", "clashes");
    for file in &files {
        let name = file.file_name().unwrap_or_default().to_string_lossy();
        let text = std::fs::read_to_string(file).expect("the instance can be read");
        let instance = match parse(&text) {
            Ok(instance) => instance,
            Err(error) => {
                println!("{name:<16} {error}");
                continue;
            }
        };
        let began = Instant::now();
        let cpu_began = if options.cpu { cpu_seconds() } else { 0.0 };
        let spent = || if options.cpu { cpu_seconds() - cpu_began } else { began.elapsed().as_secs_f64() };
        let mut asked = 0u32;
        let mut over = false;
        let mut stop = || {
            asked += 1;
            over |= asked.is_multiple_of(64) && spent() > options.seconds;
            over
        };
        let answer = solve(&instance.model(), options.seed, options.clashes, &mut stop);
        let ms = (spent() * 1e3) as u64;
        let size = instance.durations.len() - 2;
        let makespan = match answer.starts.map(|starts| instance.check(&starts)) {
            None => "-".to_owned(),
            Some(Ok(makespan)) => {
                feasible += 1;
                makespan.to_string()
            }
            Some(Err(why)) => {
                println!("{name:<16} WRONG: {why}");
                std::process::exit(1);
            }
        };
        proven += u32::from(answer.proven);
        let told = if answer.proven { "yes" } else { "" };
        println!("{name:<16} {size:>9} {makespan:>9} {ms:>9} {:>9}  {told}", answer.clashes);
    }
    println!("{feasible} of {} feasible; of {proven} it is proven that nothing is better", files.len());
}
