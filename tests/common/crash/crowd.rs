//! Many clients at once, until they are told to end: crews that report, an office that plans and publishes, and somebody
//! who fetches the calendar all the time.

use super::Dice;
use super::calendar::Shown;
use super::office::{CREWS, HOUSES};
use super::outside::{Outside, Told, air, draft, event, publication, record};
use chrono::{DateTime, Duration, Utc};
use serde_json::json;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use uuid::Uuid;

/// Tries of one step that a plan takes; each is two reports.
const TURNS_MAX: usize = 2 * 45;
/// A crew is away so often at most: it must have time for work.
const AWAY_MAX: u64 = 40;
/// Readings of one house, at minutes of their own.
const AIR_MAX: i64 = 2_000;
const READER_RESTS: std::time::Duration = std::time::Duration::from_millis(15);

/// What they share.
pub struct Crowd {
    pub outside: Arc<Outside>,
    pub over: AtomicBool,
    /// Crews finish what they are at, and then the world stays still.
    pub crews_home: AtomicBool,
    pub now: DateTime<Utc>,
    /// The plan whose publication was acknowledged last.
    pub published: Mutex<String>,
    pub shown: Mutex<Vec<Shown>>,
    /// How long writers rest between requests.
    pub rest: std::time::Duration,
}

impl Crowd {
    fn is_over(&self) -> bool {
        self.over.load(Ordering::Relaxed)
    }

    /// Now and then, whether the last answer still stands.
    async fn doubt(&self, dice: &mut Dice) {
        let told: Vec<Told> = self.outside.told();
        if let Some(told) = told.iter().rfind(|told| told.answer.acknowledged())
            && dice.below(4) == 0
        {
            self.outside.asked_again(told).await;
        }
    }

    /// A crew with two jobs: it reports, tells what happened, and measures air. Ends with nothing running.
    pub async fn crew(&self, number: usize, seed: u64) {
        let mut dice = Dice::new(seed ^ (number as u64 + 1));
        let jobs = [number, number + CREWS];
        let mut turns = [0, 0];
        let (mut away, mut aired) = (0, 0);
        let go_home = || self.crews_home.load(Ordering::Relaxed);
        while !go_home() || turns.iter().any(|turn| turn % 2 == 1) {
            let home = go_home();
            let which = if home { usize::from(turns[0] % 2 == 0) } else { dice.below(2) as usize };
            let choice = if home { 0 } else { dice.below(10) };
            let (job, turn) = (jobs[which], turns[which]);
            let key = format!("{seed}-{number}-{}", dice.below(u64::MAX));
            if choice < 5 && turn < TURNS_MAX {
                let answer = self.outside.tell(record(&key, job, turn, self.now)).await;
                assert_eq!(answer.status, 201, "{answer:?}");
                turns[which] += 1;
            } else if choice < 7 && aired < AIR_MAX {
                aired += 1;
                let at = self.now - Duration::minutes(aired);
                let answer = self.outside.tell(air(&key, job % HOUSES, at)).await;
                assert_eq!(answer.status, 201, "{answer:?}");
            } else {
                let happened = if choice == 9 && away < AWAY_MAX {
                    away += 1;
                    let from = self.now + Duration::hours(20 + 2 * away as i64);
                    let until = from + Duration::minutes(40);
                    json!({"kind": "crew_away", "crew": format!("crew-{number}"), "from": from.to_rfc3339(),
                        "until": until.to_rfc3339()})
                } else {
                    let due = self.now + Duration::hours(700 + dice.below(100) as i64);
                    json!({"kind": "due_moved", "job": format!("job-{job}"), "due": due.to_rfc3339()})
                };
                let id = Uuid::from_u128(
                    (u128::from(dice.below(u64::MAX)) << 64) | (8 << 60) | u128::from(dice.below(1 << 60)),
                );
                let answer = self.outside.tell(event(id, Utc::now(), happened)).await;
                assert!(answer.acknowledged(), "{answer:?}");
            }
            self.doubt(&mut dice).await;
            tokio::time::sleep(self.rest).await;
        }
    }

    /// Plans anew and publishes, as far as the world stays still long enough.
    pub async fn office(&self, seed: u64) {
        let mut dice = Dice::new(seed ^ 0xff);
        while !self.is_over() {
            let key = format!("{seed}-office-{}", dice.below(u64::MAX));
            let made = self.outside.tell(draft(&key)).await;
            assert_eq!(made.status, 201, "{made:?}");
            let plan = made.body["id"].as_str().unwrap();
            let done = self.outside.tell(publication(&format!("{key}-p"), plan)).await;
            if done.acknowledged() {
                *self.published.lock().unwrap() = plan.to_owned();
            } else {
                assert!(matches!(done.status, 409 | 412 | 422), "{done:?}");
            }
            tokio::time::sleep(self.rest * 5).await;
        }
    }

    /// Fetches the calendar at this address again and again.
    pub async fn reader(&self, address: &str) {
        while !self.is_over() {
            let acknowledged = self.published.lock().unwrap().clone();
            let fetched = self.outside.http.get(address).send().await;
            if let Ok(answer) = fetched
                && answer.status() == 200
                && let Ok(text) = answer.text().await
            {
                self.shown.lock().unwrap().push(Shown::read(acknowledged, &text));
            }
            tokio::time::sleep(READER_RESTS).await;
        }
    }
}
