//! When a delivery that failed is tried again. Each pause is three times the one before, up to six hours; a fifth more or
//! less, so that what failed together does not come again together. The seed makes it the same whenever it is computed.

use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// After so many tries a delivery is dead: the pauses between them add up to about a day.
pub const TRIES_MAX: i32 = 12;
/// Pause after the first try.
const FIRST_SECONDS: i64 = 5;
/// Longest pause.
const PAUSE_MAX_SECONDS: i64 = 6 * 3_600;

/// Seconds until the next try after `tries` have failed; `None`: it is dead. `seed` is the delivery's own.
pub fn again_after_seconds(tries: i32, seed: u128) -> Option<i64> {
    if tries >= TRIES_MAX {
        return None;
    }
    let before = u32::try_from(tries.max(1) - 1).unwrap_or(0);
    let pause = 3i64.saturating_pow(before).saturating_mul(FIRST_SECONDS).min(PAUSE_MAX_SECONDS);
    let mut random = Pcg64Mcg::seed_from_u64((seed as u64) ^ ((seed >> 64) as u64) ^ u64::from(before));
    let percent = 80 + i64::from(random.next_u32() % 41);
    Some((pause * percent / 100).max(1))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_grow_spread_and_end() {
        let pauses = |seed| (1..TRIES_MAX).map(move |tries| again_after_seconds(tries, seed).unwrap());
        for seed in [0, 7, u128::MAX] {
            let all: Vec<i64> = pauses(seed).collect();
            assert!(
                (4..=6).contains(&all[0]) && all.iter().all(|pause| *pause <= PAUSE_MAX_SECONDS * 6 / 5),
                "{all:?}"
            );
            let total: i64 = all.iter().sum();
            assert!((16 * 3_600..30 * 3_600).contains(&total), "{total} seconds");
            assert_eq!(all, pauses(seed).collect::<Vec<_>>());
        }
        let first: std::collections::BTreeSet<i64> = (0..50).filter_map(|seed| again_after_seconds(5, seed)).collect();
        assert!(first.len() > 20, "they come again together: {first:?}");
        assert_eq!(again_after_seconds(TRIES_MAX, 1), None);
        assert_eq!(again_after_seconds(i32::MAX, 1), None);
        assert!(again_after_seconds(i32::MIN, 1).is_some());
    }
}
