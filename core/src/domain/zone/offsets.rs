//! Offsets that were looked up before. Planning asks for them hundreds of thousands of times, nearly always for a few
//! weeks of a few zones, so each zone remembers block by block of time what its offset is there.

use super::{KNOWN_UNTIL, Minute};
use chrono_tz::{TZ_VARIANTS, Tz};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU16, Ordering::Relaxed};

/// Minutes in a block as a power of two: not three days. No clock has changed twice within so short a time since 1970
/// (`newer` tells the shortest), so a block with the same offset at both ends has it all through.
const BLOCK_BITS: u32 = 12;
const BLOCKS: usize = (KNOWN_UNTIL.0 >> BLOCK_BITS) as usize + 1;
/// Nobody has asked yet.
const UNKNOWN: u16 = 0;
/// Clocks change within the block.
const CHANGING: u16 = 1;
/// Added to an offset in minutes; offsets lie within a day of UTC.
const BIAS: i32 = 2 + 1_440;

static ZONES: [OnceLock<Box<[AtomicU16]>>; TZ_VARIANTS.len()] = [const { OnceLock::new() }; TZ_VARIANTS.len()];

/// The offset at `at`, which lies in the known years, remembered or by `look_up`.
pub(super) fn remembered(zone: Tz, at: Minute, look_up: impl Fn(Minute) -> i32) -> i32 {
    let blocks = ZONES[zone as usize].get_or_init(|| (0..BLOCKS).map(|_| AtomicU16::new(UNKNOWN)).collect());
    let number = at.0 >> BLOCK_BITS;
    let Some(block) = usize::try_from(number).ok().and_then(|number| blocks.get(number)) else { return look_up(at) };
    match block.load(Relaxed) {
        UNKNOWN => {
            let first = Minute(number << BLOCK_BITS);
            let last = Minute(((number + 1) << BLOCK_BITS) - 1).min(KNOWN_UNTIL);
            let (offset, after) = (look_up(first), look_up(last));
            let known = u16::try_from(offset + BIAS).ok().filter(|_| offset == after);
            block.store(known.unwrap_or(CHANGING), Relaxed);
            look_up(at)
        }
        CHANGING => look_up(at),
        known => i32::from(known) - BIAS,
    }
}
