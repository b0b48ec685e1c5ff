//! Open-loop arrivals: requests come when a Poisson process says, whether or not earlier ones have been answered, and the clock
//! of each runs from when it should have been sent. So a server that stalls is charged with everybody who would have come
//! meanwhile.

use crate::company::Draw;
use crate::mix::{Judged, Kind, World};
use crate::wire::Wire;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Requests under way that the driver bears, twice what the server takes on; one that comes beyond is given up.
const UNDER_WAY_MAX: usize = 1_024;
/// Wrong answers kept with their words.
const WRONG_MAX: usize = 5;

/// One request: when it should have been sent, after the beginning, how long it then took, and what it was.
#[derive(Debug, Clone, Copy)]
pub struct Line {
    pub at: Duration,
    pub took: Duration,
    pub kind: Kind,
    pub good: bool,
}

/// What came of a step.
#[derive(Debug, Default, Clone)]
pub struct Tally {
    pub lines: Vec<Line>,
    pub statuses: BTreeMap<u16, usize>,
    pub shed: usize,
    /// Not even sent.
    pub given_up: usize,
    pub wrong: Vec<String>,
    pub wrong_count: usize,
    pub seconds: f64,
    pub offered: usize,
}

impl Tally {
    /// Good answers a second that came while requests did.
    pub fn answered_a_second(&self) -> f64 {
        let within = |line: &&Line| line.good && (line.at + line.took).as_secs_f64() <= self.seconds;
        self.lines.iter().filter(within).count() as f64 / self.seconds
    }

    pub fn offered_a_second(&self) -> f64 {
        self.offered as f64 / self.seconds
    }

    /// Sorted times of good answers, of one kind or all.
    pub fn times(&self, kind: Option<Kind>) -> Vec<Duration> {
        let counts = |line: &&Line| line.good && kind.is_none_or(|kind| kind == line.kind);
        let mut times: Vec<Duration> = self.lines.iter().filter(counts).map(|line| line.took).collect();
        times.sort_unstable();
        times
    }
}

/// At least so many percent of them are not slower.
pub fn quantile(sorted: &[Duration], percent: f64) -> Duration {
    let place = (sorted.len() as f64 * percent / 100.0) as usize;
    sorted.get(place.min(sorted.len().saturating_sub(1))).copied().unwrap_or_default()
}

/// Sends `rate` requests a second for so long, and waits for the last answer.
pub async fn arrive(wire: &Arc<Wire>, world: &Arc<Mutex<World>>, rate: f64, seconds: f64, seed: u64) -> Tally {
    let (tally, under_way) =
        (Arc::new(Mutex::new(Tally { seconds, ..Tally::default() })), Arc::new(AtomicUsize::new(0)));
    let (mut draw, began, mut next) = (Draw::seeded(seed), Instant::now(), 0.0);
    let mut tasks = tokio::task::JoinSet::new();
    loop {
        next += -draw.share().ln() / rate;
        if next >= seconds {
            break;
        }
        let at = Duration::from_secs_f64(next);
        tokio::time::sleep_until((began + at).into()).await;
        tally.lock().unwrap().offered += 1;
        if under_way.fetch_add(1, Ordering::Relaxed) >= UNDER_WAY_MAX {
            under_way.fetch_sub(1, Ordering::Relaxed);
            tally.lock().unwrap().given_up += 1;
            continue;
        }
        let (wire, world, tally, under_way) = (wire.clone(), world.clone(), tally.clone(), under_way.clone());
        tasks.spawn(async move {
            let asked = world.lock().unwrap().drawn();
            let kind = asked.kind;
            let outcome = wire.ask(&asked.octets).await;
            let took = began.elapsed().saturating_sub(at);
            under_way.fetch_sub(1, Ordering::Relaxed);
            let judged = world.lock().unwrap().settle(asked, &outcome);
            let mut tally = tally.lock().unwrap();
            *tally.statuses.entry(outcome.map_or(0, |reply| reply.status)).or_default() += 1;
            tally.lines.push(Line { at, took, kind, good: judged == Judged::Good });
            match judged {
                Judged::Good => {}
                Judged::Shed => tally.shed += 1,
                Judged::Wrong(words) => {
                    tally.wrong_count += 1;
                    if tally.wrong.len() < WRONG_MAX {
                        tally.wrong.push(words);
                    }
                }
            }
        });
        while tasks.try_join_next().is_some() {}
    }
    while tasks.join_next().await.is_some() {}
    Arc::try_unwrap(tally)
        .map(|tally| tally.into_inner().unwrap())
        .unwrap_or_else(|tally| tally.lock().unwrap().clone())
}

/// So many who each ask for the next as soon as they have been answered: how much can be had of one kind. Answers a second.
pub async fn in_turn(wire: &Arc<Wire>, world: &Arc<Mutex<World>>, kind: Kind, many: usize, time: Duration) -> InTurn {
    let (began, until) = (Instant::now(), Instant::now() + time);
    let askers: Vec<_> = (0..many)
        .map(|_| {
            let (wire, world) = (wire.clone(), world.clone());
            tokio::spawn(async move {
                let mut of_asker = InTurn::default();
                while Instant::now() < until {
                    let asked = world.lock().unwrap().next(kind);
                    let outcome = wire.ask(&asked.octets).await;
                    of_asker.octets += outcome.as_ref().map_or(0, |reply| reply.body.len());
                    if let Judged::Wrong(words) = world.lock().unwrap().settle(asked, &outcome) {
                        of_asker.wrong.push(words);
                    }
                    of_asker.count += 1;
                }
                of_asker
            })
        })
        .collect();
    let mut all = InTurn::default();
    for asker in askers {
        let one = asker.await.unwrap();
        all.count += one.count;
        all.octets += one.octets;
        all.wrong.extend(one.wrong);
    }
    all.seconds = began.elapsed().as_secs_f64();
    all
}

/// What [`in_turn`] came to.
#[derive(Debug, Default)]
pub struct InTurn {
    pub count: usize,
    pub octets: usize,
    pub seconds: f64,
    pub wrong: Vec<String>,
}
