//! Rates that rise until the server bends, three times that for a while, and how it comes back.

use crate::arrivals::{Line, Tally, arrive, quantile};
use crate::machine::{self, Meters};
use crate::report::{Step, kinds_table, ms, plot, steps_table};
use crate::wire::request;
use crate::{Load, Size, folder};
use std::time::{Duration, Instant};

/// The first rate, requests a second, and how the next follows.
const FIRST: f64 = 50.0;
const FACTOR: f64 = 1.4;
const STEPS_MAX: usize = 16;
const STEP_SECONDS: f64 = 10.0;
const WARM_SECONDS: f64 = 8.0;
/// It has bent when less than this share is answered in time, or one of a hundred takes longer than that.
const ANSWERED_MIN: f64 = 0.95;
const P99_MAX: Duration = Duration::from_secs(1);
/// Times the rate at which it bent.
const OVERLOAD: f64 = 3.0;
const OVERLOAD_SECONDS: f64 = 10.0;
const RECOVERY_SECONDS: f64 = 20.0;
/// Slow while it recovers.
const SLOW: Duration = Duration::from_millis(500);
const RECOVERY_MAX: usize = 10;
const REPAIRS_MAX: Duration = Duration::from_secs(120);
/// Requests sent with one token by so many at once: more than a sixth of a minute's allowance, and what is let in again
/// meanwhile.
const BURST: usize = 2_400;
const WILD: usize = 32;

/// Both ramps or one; tables and a plot.
pub async fn measure(sizes: &[Size], seed: u64) -> bool {
    let (mut ramps, mut text, mut well) = (Vec::new(), String::new(), true);
    for &size in sizes {
        let mut load = Load::start(size, seed).await;
        let (steps, told) = ramp(&mut load, seed).await;
        text += &format!(
            "## {}\n\nSeed {seed}.\n\n{}\n{}\n{told}\n",
            size.words(),
            steps_table(&steps),
            kinds_table(&steps)
        );
        ramps.push((size.words(), steps));
        well &= load.end();
    }
    println!("{text}");
    let name = if let [only] = sizes { format!("ramp-{only:?}").to_lowercase() } else { "ramp".to_owned() };
    std::fs::write(folder().join(format!("{name}.md")), &text).unwrap();
    let shown: Vec<(&str, &[Step])> = ramps.iter().map(|ramp| (ramp.0.as_str(), &ramp.1[..])).collect();
    plot(&folder().join(format!("{name}.svg")), &shown).unwrap();
    println!("tables and plot: {}/{name}.md and .svg", folder().display());
    well
}

/// A rate with what it takes.
async fn step(load: &mut Load, rate: f64, seconds: f64, seed: u64) -> Step {
    let driver = std::process::id();
    let cpu = |load: &Load| {
        [machine::cpu_seconds(load.server), machine::postgres_cpu_seconds(load.postgres), machine::cpu_seconds(driver)]
    };
    let (before, repairs) = (cpu(load), Meters::read(&load.wire).await.sum("tackfree_repairs_total", &[]));
    let began = Instant::now();
    let tally = arrive(&load.wire, &load.world, rate, seconds, seed).await;
    let (after, took, meters) = (cpu(load), began.elapsed().as_secs_f64(), Meters::read(&load.wire).await);
    load.blame(tally.wrong_count, &tally.wrong);
    let step = Step {
        server_cpu: (after[0] - before[0]) / took,
        postgres_cpu: (after[1] - before[1]) / took,
        driver_cpu: (after[2] - before[2]) / took,
        repairs_waiting: meters.sum("tackfree_repairs_waiting", &[]),
        repairs_a_second: (meters.sum("tackfree_repairs_total", &[]) - repairs) / took,
        tally,
    };
    let times = step.tally.times(None);
    println!(
        "offered {:>6.0} /s answered {:>6.0} /s p50 {:>6} p99 {:>6} ms, shed {}, given up {}, processors {:.2} {:.2} {:.2}, \
         repairs {:.1} /s, waiting {:.0}",
        step.tally.offered_a_second(),
        step.tally.answered_a_second(),
        ms(quantile(&times, 50.0)),
        ms(quantile(&times, 99.0)),
        step.tally.shed,
        step.tally.given_up,
        step.server_cpu,
        step.postgres_cpu,
        step.driver_cpu,
        step.repairs_a_second,
        step.repairs_waiting,
    );
    step
}

fn bent(tally: &Tally) -> bool {
    tally.answered_a_second() < ANSWERED_MIN * tally.offered_a_second() || quantile(&tally.times(None), 99.0) > P99_MAX
}

/// The steps, and what came after them in words.
async fn ramp(load: &mut Load, seed: u64) -> (Vec<Step>, String) {
    step(load, FIRST, WARM_SECONDS, seed).await;
    let (mut steps, mut rate, mut held) = (Vec::new(), FIRST, FIRST);
    for number in 0..STEPS_MAX {
        let done = step(load, rate, STEP_SECONDS, seed + 1 + number as u64).await;
        let over = bent(&done.tally);
        steps.push(done);
        if over {
            break;
        }
        held = rate;
        rate *= FACTOR;
    }
    let over = step(load, OVERLOAD * rate, OVERLOAD_SECONDS, seed + 100).await;
    let after = step(load, held / 2.0, RECOVERY_SECONDS, seed + 101).await;
    let recovered = recovered(&after.tally.lines);
    if recovered > RECOVERY_MAX {
        load.fault(format!("requests are refused or slow {recovered} s after the overload"));
    }
    let repairs = repairs_settle(load).await;
    let limited = one_goes_wild(load).await;
    load.judge_acknowledged().await;
    let times = over.tally.times(None);
    let told = format!(
        "It holds {held:.0} requests a second and bends at {rate:.0}. At {:.0} a second for {OVERLOAD_SECONDS} s: {:.0} a second \
         answered (p50 {} ms, p99 {} ms), {} refused with Retry-After, {} given up by the driver. Afterwards at {:.0} a second \
         it had recovered after {recovered} s (from then on nothing is refused, and in no second more than a tenth take over \
         {} ms); at the end all plans had been looked at within {repairs:.0} s. {limited}\n",
        over.tally.offered_a_second(),
        over.tally.answered_a_second(),
        ms(quantile(&times, 50.0)),
        ms(quantile(&times, 99.0)),
        over.tally.shed,
        over.tally.given_up,
        held / 2.0,
        SLOW.as_millis(),
    );
    (steps, told)
}

/// Seconds until the last one is over in which a request was refused, or more than one of ten was slow.
fn recovered(lines: &[Line]) -> usize {
    let mut seconds = vec![(0, 0, 0); RECOVERY_SECONDS as usize];
    for line in lines {
        let second = &mut seconds[(line.at.as_secs() as usize).min(RECOVERY_SECONDS as usize - 1)];
        second.0 += 1;
        second.1 += usize::from(!line.good);
        second.2 += usize::from(line.took > SLOW);
    }
    seconds.iter().rposition(|&(all, refused, slow)| refused > 0 || 10 * slow > all).map_or(0, |last| last + 1)
}

/// Seconds until no company waits for its plan to be looked at.
async fn repairs_settle(load: &mut Load) -> f64 {
    let began = Instant::now();
    while Meters::read(&load.wire).await.sum("tackfree_repairs_waiting", &[]) > 0.0 {
        if began.elapsed() > REPAIRS_MAX {
            load.fault("plans are still waiting to be looked at".into());
            break;
        }
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    began.elapsed().as_secs_f64()
}

/// One token asks for more than it may: it is told 429 and when to come again, and nobody else is.
async fn one_goes_wild(load: &mut Load) -> String {
    let secrets = load.world.lock().unwrap().screens();
    let last = load.companies[0].phones.last().unwrap().clone();
    let ask = |secret: &str| {
        let headers = format!("Authorization: Bearer {secret}\r\n");
        request("GET", "/v1/jobs?limit=1", &headers, "")
    };
    let (wild, other) = (ask(&last), ask(&secrets[0]));
    let askers: Vec<_> = (0..WILD)
        .map(|_| {
            let (wire, wild) = (load.wire.clone(), wild.clone());
            tokio::spawn(async move {
                let mut replies = Vec::new();
                for _ in 0..BURST / WILD {
                    replies.push(wire.ask(&wild).await);
                }
                replies
            })
        })
        .collect();
    let mut refused = 0;
    for asker in askers {
        for reply in asker.await.unwrap() {
            match reply {
                Ok(reply) if reply.status == 429 && reply.retry_after.is_some() => refused += 1,
                Ok(reply) if reply.status == 200 => {}
                wrong => load.fault(format!("one token too often: {wrong:?}")),
            }
        }
    }
    let answered = load.wire.ask(&other).await.map_or(0, |reply| reply.status);
    if refused == 0 || answered != 200 {
        load.fault(format!("one token too often: {refused} refused, another is answered {answered}"));
    }
    format!(
        "One token that asks {BURST} times at once is refused {refused} times with 429 and Retry-After; another is answered."
    )
}
