//! Solves every RCPSP/max instance (`*.sch`) of a directory through the planner's own engine and checks each answer
//! from the instance alone: `cargo run --release --example rcpsp_max -- DIRECTORY [MOVES [TRIES]]`.

use std::path::PathBuf;
use std::time::Instant;
use tackfree::planner::rcpsp_max::{parse, solve};

fn main() {
    let mut arguments = std::env::args().skip(1);
    let Some(directory) = arguments.next().map(PathBuf::from) else {
        eprintln!("usage: rcpsp_max DIRECTORY [MOVES [TRIES]]");
        std::process::exit(2);
    };
    let number = |text: Option<String>, otherwise| text.and_then(|text| text.parse().ok()).unwrap_or(otherwise);
    let moves = number(arguments.next(), 2_000);
    let tries = number(arguments.next(), 200) as u32;
    let mut files: Vec<PathBuf> = std::fs::read_dir(&directory)
        .expect("the directory can be read")
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|path| path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("sch")))
        .collect();
    files.sort();
    let mut feasible = 0;
    println!("{:<16} {:>9} {:>9} {:>9}", "instance", "size", "makespan", "ms");
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
        let answer = solve(&instance, &instance.model(), 1, tries, moves);
        let ms = began.elapsed().as_millis();
        let size = instance.durations.len() - 2;
        match answer.map(|starts| instance.check(&starts)) {
            None => println!("{name:<16} {size:>9} {:>9} {ms:>9}", "-"),
            Some(Ok(makespan)) => {
                feasible += 1;
                println!("{name:<16} {size:>9} {makespan:>9} {ms:>9}");
            }
            Some(Err(why)) => {
                println!("{name:<16} WRONG: {why}");
                std::process::exit(1);
            }
        }
    }
    println!("{feasible} of {} feasible", files.len());
}
