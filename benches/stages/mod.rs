//! Where the time of a round goes: how long each span of ours and each statement took, summed up round by round.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tracing::field::{Field, Visit};
use tracing::span::{Attributes, Id};
use tracing::{Event, Level, Metadata, Subscriber};
use tracing_subscriber::layer::{Context, Layer, SubscriberExt};
use tracing_subscriber::registry::LookupSpan;

/// Statements told: the longest.
const STATEMENTS_MAX: usize = 40;

#[derive(Default)]
struct Heard {
    listening: bool,
    /// Of this round: how often, and how long together.
    round: BTreeMap<String, (u32, Duration)>,
    rounds: Vec<BTreeMap<String, (u32, Duration)>>,
}

/// What was heard.
#[derive(Clone, Default)]
pub struct Stages(Arc<Mutex<Heard>>);

impl Stages {
    /// Listens from now on, between [`Stages::round`] and [`Stages::rest`].
    pub fn listen() -> Stages {
        let stages = Stages::default();
        let listener = Listener(stages.clone());
        tracing::subscriber::set_global_default(tracing_subscriber::registry().with(listener)).unwrap();
        stages
    }

    pub fn round(&self) {
        let mut heard = self.0.lock().unwrap();
        heard.round.clear();
        heard.listening = true;
    }

    pub fn rest(&self) {
        let mut heard = self.0.lock().unwrap();
        heard.listening = false;
        let round = std::mem::take(&mut heard.round);
        heard.rounds.push(round);
    }

    fn add(&self, what: String, time: Duration) {
        let mut heard = self.0.lock().unwrap();
        if heard.listening {
            let entry = heard.round.entry(what).or_default();
            *entry = (entry.0 + 1, entry.1 + time);
        }
    }

    /// Medians and 99th percentiles over the rounds in which something occurred.
    pub fn print(&self) {
        let heard = self.0.lock().unwrap();
        let mut by_what: BTreeMap<&str, (u32, Vec<Duration>)> = BTreeMap::new();
        for (what, (count, time)) in heard.rounds.iter().flatten() {
            let entry = by_what.entry(what).or_default();
            entry.0 += count;
            entry.1.push(*time);
        }
        let mut lines: Vec<(&str, u32, Vec<Duration>)> =
            by_what.into_iter().map(|(what, (count, times))| (what, count, times)).collect();
        lines.iter_mut().for_each(|line| line.2.sort_unstable());
        lines.sort_by_key(|line| std::cmp::Reverse(line.2.iter().sum::<Duration>()));
        println!("{:>8} {:>9} {:>9}  what (calls, ms a round)", "calls", "p50", "p99");
        for (what, count, times) in lines.iter().take(STATEMENTS_MAX) {
            let [p50, p99] = [50, 99].map(|percent| times[times.len() * percent / 100].as_secs_f64() * 1e3);
            println!("{count:>8} {p50:>9.2} {p99:>9.2}  {what}");
        }
    }
}

struct Listener(Stages);

/// What the database library tells of a statement.
#[derive(Default)]
struct Statement {
    summary: String,
    seconds: f64,
}

impl Visit for Statement {
    fn record_f64(&mut self, field: &Field, value: f64) {
        if field.name() == "elapsed_secs" {
            self.seconds = value;
        }
    }

    fn record_str(&mut self, field: &Field, value: &str) {
        if field.name() == "summary" {
            value.clone_into(&mut self.summary);
        }
    }

    fn record_debug(&mut self, _: &Field, _: &dyn std::fmt::Debug) {}
}

fn ours(of: &Metadata<'_>) -> bool {
    of.is_span() && of.target().starts_with("tackfree")
}

impl<S: Subscriber + for<'a> LookupSpan<'a>> Layer<S> for Listener {
    fn enabled(&self, of: &Metadata<'_>, _: Context<'_, S>) -> bool {
        *of.level() <= Level::DEBUG && (ours(of) || of.target() == "sqlx::query")
    }

    fn on_new_span(&self, _: &Attributes<'_>, id: &Id, context: Context<'_, S>) {
        if let Some(span) = context.span(id) {
            span.extensions_mut().insert(Instant::now());
        }
    }

    fn on_close(&self, id: Id, context: Context<'_, S>) {
        let Some(span) = context.span(&id) else { return };
        if let Some(began) = span.extensions().get::<Instant>() {
            self.0.add(format!("= {}", span.name()), began.elapsed());
        }
    }

    fn on_event(&self, event: &Event<'_>, _: Context<'_, S>) {
        let mut statement = Statement::default();
        event.record(&mut statement);
        if event.metadata().target() == "sqlx::query" {
            self.0.add(format!("  {}", statement.summary), Duration::from_secs_f64(statement.seconds));
        }
    }
}
