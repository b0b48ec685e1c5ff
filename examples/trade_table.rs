//! Prints the trade's formulas on a grid, as CSV, for the judges in `tests/python/` to hold against other
//! implementations: `cargo run --example trade_table -- air` for `check_humid_air.py`, `-- wood` for `check_wood.py`.

use std::process::ExitCode;
use tackfree::domain::climate::Film;
use tackfree::trade::drying::drying_factor;
use tackfree::trade::humid_air::{dew_point_c, rh_kept_vapour_percent, saturation_pressure_pa, vapour_deficit_pa};
use tackfree::trade::moisture::{emc_percent_c, emc_percent_f};

/// The temperature that outdoor air is brought to: 70 F, in degrees Celsius.
const ROOM_TEMP_C: f64 = 21.11;

fn main() -> ExitCode {
    match std::env::args().nth(1).as_deref() {
        Some("air") => air(),
        Some("wood") => wood(),
        _ => {
            eprintln!("usage: trade_table air|wood");
            return ExitCode::FAILURE;
        }
    }
    ExitCode::SUCCESS
}

fn air() {
    println!(
        "temp_c,rh_percent,saturation_pa,dew_point_c,room_temp_c,room_rh_percent,deficit_pa,f_treatment,f_waterborne,f_oil"
    );
    for temp_half_c in -40..=90 {
        for rh_percent in (5..=100).step_by(5) {
            let (temp_c, rh_percent) = (f64::from(temp_half_c) / 2.0, f64::from(rh_percent));
            let saturation_pa = saturation_pressure_pa(temp_c);
            let dew_c = dew_point_c(temp_c, rh_percent);
            let room_rh_percent = rh_kept_vapour_percent(temp_c, rh_percent, ROOM_TEMP_C);
            let deficit_pa = vapour_deficit_pa(temp_c, rh_percent);
            let films = [Film::Treatment, Film::Waterborne, Film::OilModified];
            let [treatment, waterborne, oil] = films.map(|film| drying_factor(film, temp_c, rh_percent));
            println!(
                "{temp_c},{rh_percent},{saturation_pa:.4},{dew_c:.5},{ROOM_TEMP_C},{room_rh_percent:.5},{deficit_pa:.4},\
                 {treatment:.6},{waterborne:.6},{oil:.6}"
            );
        }
    }
}

/// Wood moisture where the handbook's table has values, both forms; the Celsius form at the tenth that the table prints.
fn wood() {
    println!("temp_f,rh_percent,by_celsius_percent,by_fahrenheit_percent");
    for temp_f in (30..=130).step_by(10).map(f64::from) {
        for rh_percent in (5..=95).step_by(5).map(f64::from) {
            let temp_c = ((temp_f - 32.0) / 0.18).round() / 10.0;
            if let (Some(by_c), Some(by_f)) = (emc_percent_c(temp_c, rh_percent), emc_percent_f(temp_f, rh_percent)) {
                println!("{temp_f},{rh_percent},{by_c:.4},{by_f:.4}");
            }
        }
    }
}
