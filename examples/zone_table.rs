//! Prints every zone's UTC offset on each of its clocks in 2026 and 2027, for comparison with another copy of the IANA
//! data (`tests/python/check_zones.py`). Lines are tab-separated: name, first minute (UTC), offset in minutes. The
//! offsets are looked up hour by hour, so that the table is no better than the lookups that plans are made with.

#![allow(missing_docs, reason = "an example has no public items")]

use std::io::{self, BufWriter, Write as _};
use tackfree::domain::time::{HOUR, Minute};
use tackfree::domain::zone::{Zone, data_version};

/// 2026-01-01 and 2028-01-01, UTC.
const FROM: Minute = Minute(29_453_760);
const UNTIL: Minute = Minute(30_504_960);

fn main() -> io::Result<()> {
    let mut out = BufWriter::new(io::stdout().lock());
    writeln!(out, "# IANA {} from {FROM:?} to {UNTIL:?}", data_version())?;
    for zone in Zone::all() {
        let mut shown = None;
        for hour in (FROM.0..UNTIL.0).step_by(HOUR as usize) {
            if shown == Some(zone.offset_minutes(Minute(hour))) {
                continue;
            }
            let mut minutes = (hour - HOUR + 1..=hour).map(Minute).filter(|&at| at >= FROM);
            let Some(at) = minutes.find(|&at| shown != Some(zone.offset_minutes(at))) else { continue };
            shown = Some(zone.offset_minutes(at));
            writeln!(out, "{zone}\t{at:?}\t{}", zone.offset_minutes(at))?;
        }
    }
    out.flush()
}
