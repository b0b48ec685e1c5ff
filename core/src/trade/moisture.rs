//! Moisture of wood: the equilibrium that wood comes to in air of a given temperature and humidity.
//!
//! Hailwood-Horrobin as printed in the Forest Products Laboratory *Wood Handbook* (GTR-190, GTR-282), chapter 4,
//! equation 4-5, in both of the book's unit systems. The book's table spans 30 to 270 F and 5 to 95 % relative humidity,
//! and more than 0.1 % is not meaningful.

/// Relative humidities that the handbook's table spans, percent.
pub const EMC_RH_PERCENT: std::ops::RangeInclusive<f64> = 5.0..=95.0;
/// Temperatures that the handbook's table spans, degrees Fahrenheit.
pub const EMC_TEMP_F: std::ops::RangeInclusive<f64> = 30.0..=270.0;

/// The four coefficients of equation 4-5 at one temperature.
struct Coefficients {
    w: f64,
    k: f64,
    k1: f64,
    k2: f64,
}

impl Coefficients {
    fn at_c(temp_c: f64) -> Coefficients {
        Coefficients {
            w: quadratic(temp_c, 349.0, 1.29, 0.0135),
            k: quadratic(temp_c, 0.805, 0.000_736, -0.000_002_73),
            k1: quadratic(temp_c, 6.27, -0.009_38, -0.000_303),
            k2: quadratic(temp_c, 1.91, 0.0407, -0.000_293),
        }
    }

    fn at_f(temp_f: f64) -> Coefficients {
        Coefficients {
            w: quadratic(temp_f, 330.0, 0.452, 0.004_15),
            k: quadratic(temp_f, 0.791, 0.000_463, -0.000_000_844),
            k1: quadratic(temp_f, 6.34, 0.000_775, -0.000_093_5),
            k2: quadratic(temp_f, 1.09, 0.0284, -0.000_090_4),
        }
    }

    fn emc_percent(&self, rh_percent: f64) -> f64 {
        let kh = self.k * rh_percent / 100.0;
        let first = self.k1 * kh;
        let second = self.k1 * self.k2 * kh * kh;
        1800.0 / self.w * (kh / (1.0 - kh) + (first + 2.0 * second) / (1.0 + first + second))
    }
}

fn quadratic(x: f64, constant: f64, linear: f64, square: f64) -> f64 {
    constant + linear * x + square * x * x
}

/// Equilibrium moisture content in percent of dry wood, from degrees Celsius; `None` outside the handbook's table.
pub fn emc_percent_c(temp_c: f64, rh_percent: f64) -> Option<f64> {
    in_table(temp_c * 1.8 + 32.0, rh_percent).then(|| Coefficients::at_c(temp_c).emc_percent(rh_percent))
}

/// Equilibrium moisture content in percent of dry wood, from degrees Fahrenheit; `None` outside the handbook's table.
/// The book's two forms are separate fits and differ by a few hundredths of a percent.
pub fn emc_percent_f(temp_f: f64, rh_percent: f64) -> Option<f64> {
    in_table(temp_f, rh_percent).then(|| Coefficients::at_f(temp_f).emc_percent(rh_percent))
}

fn in_table(temp_f: f64, rh_percent: f64) -> bool {
    EMC_TEMP_F.contains(&temp_f) && EMC_RH_PERCENT.contains(&rh_percent)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: *Wood Handbook*, table 4-2. Columns: C and F as printed, % relative humidity, % moisture.
    const TABLE_4_2: [(f64, f64, f64, f64); 10] = [
        (21.1, 70.0, 5.0, 1.3),
        (21.1, 70.0, 30.0, 6.2),
        (21.1, 70.0, 50.0, 9.2),
        (21.1, 70.0, 75.0, 14.4),
        (21.1, 70.0, 85.0, 17.9),
        (21.1, 70.0, 95.0, 23.9),
        (-1.1, 30.0, 75.0, 14.9),
        (-1.1, 30.0, 95.0, 24.3),
        (37.8, 100.0, 50.0, 8.7),
        (37.8, 100.0, 90.0, 19.5),
    ];

    #[test]
    fn both_forms_give_the_handbooks_table_to_its_tenth() {
        for (temp_c, temp_f, rh_percent, emc) in TABLE_4_2 {
            for got in [emc_percent_c(temp_c, rh_percent), emc_percent_f(temp_f, rh_percent)] {
                let got = got.unwrap();
                assert!((got - emc).abs() < 0.1, "{temp_c} C {rh_percent} %: got {got}, table {emc}");
            }
        }
    }

    #[test]
    fn nothing_is_said_outside_the_table() {
        assert_eq!(emc_percent_c(21.1, 4.9), None);
        assert_eq!(emc_percent_c(21.1, 95.1), None);
        assert_eq!(emc_percent_c(-1.2, 50.0), None);
        assert_eq!(emc_percent_f(29.9, 50.0), None);
        assert_eq!(emc_percent_f(270.1, 50.0), None);
        assert_eq!(emc_percent_c(f64::NAN, 50.0), None);
    }

    #[test]
    fn wood_is_wetter_in_damper_air() {
        for temp_c in [0.0, 10.0, 21.1, 38.0] {
            let series: Vec<f64> = (5..=95).map(|rh| emc_percent_c(temp_c, f64::from(rh)).unwrap()).collect();
            assert!(series.windows(2).all(|pair| pair[0] < pair[1]));
        }
    }
}
