//! What processes take, as Linux tells it, and what the server says of itself.

use crate::wire::{Wire, request};
use std::fs;

/// A name that the process may read the meters by.
pub const METRICS_TOKEN: &str = "meters-of-the-load";
/// Ticks a second of the times in /proc: 100 on every Linux there is.
const TICKS: f64 = 100.0;

/// Fields of /proc/PID/stat behind the name: the first is the state.
fn stat(pid: u32) -> Option<Vec<String>> {
    let text = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    let (_, rest) = text.rsplit_once(')')?;
    Some(rest.split_whitespace().map(str::to_owned).collect())
}

fn ticks(fields: &[String], places: std::ops::RangeInclusive<usize>) -> f64 {
    places.filter_map(|place| fields.get(place)?.parse::<f64>().ok()).sum()
}

/// Whose child it is.
pub fn parent(pid: u32) -> Option<u32> {
    stat(pid)?.get(1)?.parse().ok()
}

fn children(of: u32) -> Vec<u32> {
    let all = fs::read_dir("/proc").into_iter().flatten().flatten();
    let pids = all.filter_map(|entry| entry.file_name().to_str()?.parse::<u32>().ok());
    pids.filter(|&pid| parent(pid) == Some(of)).collect()
}

/// Processor seconds of one process.
pub fn cpu_seconds(pid: u32) -> f64 {
    stat(pid).map_or(0.0, |fields| ticks(&fields, 11..=12)) / TICKS
}

/// Processor seconds of PostgreSQL: of its first process, of those that have ended, and of those that run.
pub fn postgres_cpu_seconds(first: u32) -> f64 {
    let own = stat(first).map_or(0.0, |fields| ticks(&fields, 11..=14)) / TICKS;
    own + children(first).into_iter().map(cpu_seconds).sum::<f64>()
}

fn status_kilobytes(pid: u32, what: &str) -> u64 {
    let text = fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let line = text.lines().find(|line| line.starts_with(what)).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|text| text.parse().ok()).unwrap_or_default()
}

/// Megabytes that a process has for itself.
pub fn resident_mb(pid: u32) -> f64 {
    status_kilobytes(pid, "VmRSS:") as f64 / 1024.0
}

/// Megabytes that PostgreSQL's processes have for themselves, and the most that one has of the shared memory.
pub fn postgres_mb(first: u32) -> (f64, f64) {
    let all: Vec<u32> = children(first).into_iter().chain([first]).collect();
    let own: u64 = all.iter().map(|&pid| status_kilobytes(pid, "RssAnon:")).sum();
    let shared = all.iter().map(|&pid| status_kilobytes(pid, "RssShmem:")).max().unwrap_or_default();
    (own as f64 / 1024.0, shared as f64 / 1024.0)
}

pub fn open_files(pid: u32) -> usize {
    fs::read_dir(format!("/proc/{pid}/fd")).map_or(0, Iterator::count)
}

/// The server's meters.
#[derive(Debug, Default, Clone)]
pub struct Meters(Vec<(String, f64)>);

impl Meters {
    pub async fn read(wire: &Wire) -> Meters {
        let headers = format!("Authorization: Bearer {METRICS_TOKEN}\r\n");
        let reply = wire.ask(&request("GET", "/metrics", &headers, "")).await.unwrap_or_default();
        let text = String::from_utf8_lossy(&reply.body).into_owned();
        let lines = text.lines().filter(|line| !line.starts_with('#'));
        Meters(lines.filter_map(|line| line.rsplit_once(' ')).filter_map(read).collect())
    }

    /// The sum of all series of this name whose labels have all these words.
    pub fn sum(&self, name: &str, words: &[&str]) -> f64 {
        let counts =
            |series: &str| series.split('{').next() == Some(name) && words.iter().all(|word| series.contains(word));
        self.0.iter().filter(|(series, _)| counts(series)).map(|(_, value)| value).sum()
    }
}

fn read((series, value): (&str, &str)) -> Option<(String, f64)> {
    Some((series.to_owned(), value.parse().ok()?))
}
