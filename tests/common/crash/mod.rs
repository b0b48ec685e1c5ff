//! Real processes, real kills, and an outside client that keeps its own log: what the tests of `nothing_lost` are made of.
//!
//! | file | what |
//! |---|---|
//! | `database` | a PostgreSQL of the test's own that it may kill |
//! | `program` | the server as a process |
//! | `way` | a way between two programs that is cut, slow, or half open |
//! | `trap` | a way to PostgreSQL that stops at a statement or at a commit |
//! | `office` | a company whose promises do not begin while the test runs |
//! | `outside` | the client and its log |
//! | `crowd` | many clients at once, until they are told to end |
//! | `calendar` | fetched calendars held against the plans they may show |
//! | `judge` | the log held against what is there |
//! | `stage` | a server and its PostgreSQL, and what is done to them |
//! | `wire` | requests written byte by byte, and whether each was answered |

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]
#![allow(dead_code, reason = "no test program needs everything here")]

pub mod calendar;
pub mod crowd;
pub mod database;
pub mod judge;
pub mod office;
pub mod outside;
pub mod program;
pub mod stage;
pub mod trap;
pub mod way;
pub mod wire;

use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Chance that a seed decides.
pub struct Dice(Pcg64Mcg);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(Pcg64Mcg::seed_from_u64(seed))
    }

    /// From 0 up to, but not including.
    pub fn below(&mut self, end: u64) -> u64 {
        self.0.next_u64() % end
    }

    pub fn one<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len() as u64) as usize]
    }

    pub fn millis(&mut self, from: u64, until: u64) -> std::time::Duration {
        std::time::Duration::from_millis(from + self.below(until - from))
    }

    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for place in (1..items.len()).rev() {
            items.swap(place, self.below(place as u64 + 1) as usize);
        }
    }
}
