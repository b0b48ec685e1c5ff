//! Humid air: saturation pressure, dew point, and what outdoor air becomes at another temperature. Plain `f64` in
//! degrees Celsius, percent and pascals; integers begin in `climate`.
//!
//! Everything here is over liquid water, also below freezing: that is how weather services report relative humidity.

/// A relative humidity below this is taken as this when a dew point is asked for, because the dew point of perfectly
/// dry air does not exist. Air that dry is never met outside a laboratory.
const RH_MIN_PERCENT: f64 = 0.01;

/// Saturation pressure of water vapour in pascals at `temp_c` degrees Celsius.
///
/// Magnus form as in the WMO guide to instruments (memory), meant for -45 to 60 C.
pub fn saturation_pressure_pa(temp_c: f64) -> f64 {
    611.2 * (17.62 * temp_c / (243.12 + temp_c)).exp()
}

/// Pressure of the water vapour in air of `temp_c` and `rh_percent`, in pascals.
pub fn vapour_pressure_pa(temp_c: f64, rh_percent: f64) -> f64 {
    saturation_pressure_pa(temp_c) * rh_percent / 100.0
}

/// Vapour pressure deficit of air of `temp_c` and `rh_percent`: what it could still take up, in pascals, never negative.
pub fn vapour_deficit_pa(temp_c: f64, rh_percent: f64) -> f64 {
    (saturation_pressure_pa(temp_c) - vapour_pressure_pa(temp_c, rh_percent)).max(0.0)
}

/// Dew point in degrees Celsius: the Magnus form solved for temperature. Above freezing it is within 0.02 C of ASHRAE's
/// from 70 % relative humidity up, and within 0.04 C in drier air.
pub fn dew_point_c(temp_c: f64, rh_percent: f64) -> f64 {
    let gamma = (rh_percent.max(RH_MIN_PERCENT) / 100.0).ln() + 17.62 * temp_c / (243.12 + temp_c);
    243.12 * gamma / (17.62 - gamma)
}

/// Relative humidity in percent, 0 to 100, of air that holds `vapour_pa` pascals of vapour at `temp_c`.
/// 100 when it would be more: the surplus condenses.
pub fn rh_of_vapour_percent(vapour_pa: f64, temp_c: f64) -> f64 {
    (100.0 * vapour_pa / saturation_pressure_pa(temp_c)).clamp(0.0, 100.0)
}

/// Relative humidity in percent, 0 to 100, of air of `temp_c` and `rh_percent` brought to `to_temp_c`.
/// Outdoor air let in keeps its vapour pressure.
pub fn rh_kept_vapour_percent(temp_c: f64, rh_percent: f64, to_temp_c: f64) -> f64 {
    rh_of_vapour_percent(vapour_pressure_pa(temp_c, rh_percent), to_temp_c)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "got {got}, want {want} within {tolerance}");
    }

    /// Source: the ASHRAE formulation as in PyPI `psychrolib` 2.5.0 at 101325 Pa. Columns: C, %, saturation Pa, dew point C.
    const ASHRAE: [(f64, f64, f64, f64); 5] = [
        (20.0, 50.0, 2338.8, 9.272),
        (25.0, 60.0, 3169.2, 16.701),
        (15.0, 70.0, 1705.5, 9.579),
        (30.0, 80.0, 4246.0, 26.169),
        (10.0, 85.0, 1228.0, 7.598),
    ];

    #[test]
    fn saturation_pressure_is_within_three_tenths_percent_of_ashrae() {
        for (temp_c, _, saturation_pa, _) in ASHRAE {
            near(saturation_pressure_pa(temp_c), saturation_pa, saturation_pa * 0.003);
        }
    }

    #[test]
    fn dew_point_is_within_two_hundredths_of_ashrae() {
        for (temp_c, rh_percent, _, dew_c) in ASHRAE {
            near(dew_point_c(temp_c, rh_percent), dew_c, 0.02);
        }
    }

    /// Source: worked with the same `psychrolib`; the last one is "about 12", as ice and water differ below freezing.
    #[test]
    fn outdoor_air_let_in_keeps_its_vapour_pressure() {
        near(rh_kept_vapour_percent(10.0, 85.0, 21.1), 41.7, 0.1);
        near(rh_kept_vapour_percent(25.0, 60.0, 21.1), 75.9, 0.1);
        near(rh_kept_vapour_percent(-5.0, 70.0, 20.0), 12.0, 1.0);
    }

    #[test]
    fn humidity_stays_between_nothing_and_saturated() {
        assert_eq!(rh_kept_vapour_percent(30.0, 90.0, 10.0), 100.0);
        assert_eq!(rh_kept_vapour_percent(30.0, 0.0, 10.0), 0.0);
    }

    #[test]
    fn saturated_air_is_at_its_dew_point_and_dry_air_has_one_too() {
        for temp_c in [-40.0, -5.0, 0.0, 21.1, 45.0] {
            near(dew_point_c(temp_c, 100.0), temp_c, 1e-9);
            assert!(dew_point_c(temp_c, 0.0).is_finite());
            assert!(dew_point_c(temp_c, 0.0) < temp_c - 30.0);
        }
    }
}
