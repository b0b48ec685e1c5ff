//! Prints humid air by this crate's formulas on a grid, as CSV, for `tests/python/check_humid_air.py` to hold against
//! another implementation: `cargo run --example trade_table`.

use tackfree::trade::humid_air::{dew_point_c, rh_kept_vapour_percent, saturation_pressure_pa};

/// The temperature that outdoor air is brought to: 70 F, in degrees Celsius.
const ROOM_TEMP_C: f64 = 21.11;

fn main() {
    println!("temp_c,rh_percent,saturation_pa,dew_point_c,room_temp_c,room_rh_percent");
    for temp_half_c in -40..=90 {
        for rh_percent in (5..=100).step_by(5) {
            let (temp_c, rh_percent) = (f64::from(temp_half_c) / 2.0, f64::from(rh_percent));
            let saturation_pa = saturation_pressure_pa(temp_c);
            let dew_c = dew_point_c(temp_c, rh_percent);
            let room_rh_percent = rh_kept_vapour_percent(temp_c, rh_percent, ROOM_TEMP_C);
            println!("{temp_c},{rh_percent},{saturation_pa:.4},{dew_c:.5},{ROOM_TEMP_C},{room_rh_percent:.5}");
        }
    }
}
