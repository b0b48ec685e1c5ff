//! How much slower or faster than its label a film dries in given air. The model is ours, built from published physics
//! (evaporation follows the vapour pressure deficit; a film that cures by reaction doubles its speed per 10 C); the
//! meter overrides it, always. What it means for a wait is in `ready`.
//!
//! `t = t_label * F`, `F = phi * VPD0 / VPD + (1 - phi) * 2^((21.11 - T) / 10)`, and label times are read as meant for
//! 70 F and 50 % relative humidity.

use crate::domain::climate::{Air, Film};
use crate::trade::humid_air::vapour_deficit_pa;

/// 70 F: the temperature that label times are meant for, degrees Celsius.
pub const LABEL_TEMP_C: f64 = 21.11;
/// The relative humidity that label times are meant for, percent.
pub const LABEL_RH_PERCENT: f64 = 50.0;

/// Outside these the model gives no estimate: 50 F and 90 F in hundredths of a degree Celsius.
const MODEL_TEMP_CENTI_C: std::ops::RangeInclusive<i32> = 1000..=3222;
/// Above this relative humidity, in hundredths of a percent, the model gives no estimate. Between 50 and 90 F the margin
/// below bites first, at 81.6 to 84.2 %; it is kept as a rule of its own, should either number change.
const MODEL_RH_MAX_CENTI_PERCENT: i32 = 8500;
/// Closer to the dew point than this, in hundredths of a degree, the model gives no estimate. ISO 12944-7 practice: a
/// rule for steel, used as a caution.
const MODEL_DEW_POINT_MARGIN_MIN_CENTI_C: i32 = 300;

/// One minute of drying at label speed, in the unit of [`progress_ppm`].
pub const FULL_PROGRESS_PPM: u32 = 1_000_000;

impl Film {
    /// Every kind, in order.
    pub const ALL: [Film; 4] = [Film::Treatment, Film::Waterborne, Film::OilModified, Film::MoistureCure];

    /// Share of the drying that evaporation drives, 0 to 1; `None` for a film that the model does not cover.
    pub const fn evaporation_share(self) -> Option<f64> {
        match self {
            Film::Treatment => Some(1.0),
            Film::Waterborne => Some(0.5),
            Film::OilModified => Some(0.0),
            Film::MoistureCure => None,
        }
    }
}

/// The drying factor F, unclamped: how many times its label time a film needs in steady air. 1 for a film that is not
/// scaled; infinite for a film that evaporates in saturated air.
pub fn drying_factor(film: Film, temp_c: f64, rh_percent: f64) -> f64 {
    let Some(phi) = film.evaporation_share() else { return 1.0 };
    let reaction = ((LABEL_TEMP_C - temp_c) / 10.0).exp2();
    if phi == 0.0 {
        // Apart, because in saturated air 0 times infinity is not a number.
        return reaction;
    }
    // At label conditions 1248.9 Pa (ASHRAE's saturation pressure gives 1252.35); both sides of the quotient use the
    // same formula, so that F is 1 there exactly.
    let label_deficit_pa = vapour_deficit_pa(LABEL_TEMP_C, LABEL_RH_PERCENT);
    phi * label_deficit_pa / vapour_deficit_pa(temp_c, rh_percent) + (1.0 - phi) * reaction
}

/// Label time done per minute in `air`, in parts per million, for commitments: F clamped to 1..3 and rounded down, so
/// between 333,333 and 1,000,000, and never faster than the label. 0 where the model gives no estimate (outside 50 to
/// 90 F, above 85 % relative humidity, less than 3 C above the dew point with the floor taken to be as warm as the
/// air): the wait is held.
pub fn progress_ppm(film: Film, air: Air) -> u32 {
    if film.evaporation_share().is_none() {
        return FULL_PROGRESS_PPM;
    }
    let estimable = MODEL_TEMP_CENTI_C.contains(&air.temp_centi_c)
        && air.rh_centi_percent <= MODEL_RH_MAX_CENTI_PERCENT
        && air.dew_point_margin_centi_c() >= MODEL_DEW_POINT_MARGIN_MIN_CENTI_C;
    if !estimable {
        return 0;
    }
    let factor = drying_factor(film, air.temp_c(), air.rh_percent()).clamp(1.0, 3.0);
    // The quotient lies within 333,333..=1,000,000, so the cast only drops the fraction.
    (f64::from(FULL_PROGRESS_PPM) / factor) as u32
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn air(temp_centi_c: i32, rh_centi_percent: i32) -> Air {
        Air::new(temp_centi_c, rh_centi_percent).unwrap()
    }

    /// Source: our model worked with ASHRAE's saturation pressure (PyPI `psychrolib`). Columns: F, %, then the factor
    /// for water, waterborne and oil-modified.
    const FACTORS: [(f64, f64, [f64; 3]); 6] = [
        (70.0, 30.0, [0.714, 0.857, 1.000]),
        (65.0, 40.0, [0.990, 1.101, 1.212]),
        (60.0, 30.0, [1.012, 1.241, 1.470]),
        (80.0, 50.0, [0.716, 0.698, 0.680]),
        (59.0, 70.0, [2.448, 1.988, 1.527]),
        (75.0, 70.0, [1.408, 1.116, 0.825]),
    ];

    #[test]
    fn factors_agree_with_the_worked_table() {
        for (temp_f, rh_percent, wants) in FACTORS {
            let films = [Film::Treatment, Film::Waterborne, Film::OilModified];
            for (film, want) in films.into_iter().zip(wants) {
                let got = drying_factor(film, (temp_f - 32.0) / 1.8, rh_percent);
                let printed = 0.0005;
                // The two saturation formulas differ by up to a tenth of a percent over this range.
                assert!(
                    (got - want).abs() < printed + 0.001 * want,
                    "{film:?} {temp_f} F {rh_percent} %: got {got}, want {want}"
                );
            }
        }
    }

    /// Source: definition. The label's own conditions change nothing.
    #[test]
    fn label_conditions_give_the_label_time() {
        for film in Film::ALL {
            assert_eq!(drying_factor(film, 21.11, 50.0), 1.0);
            assert_eq!(progress_ppm(film, air(2111, 5000)), 1_000_000);
        }
    }

    /// Source: ASHRAE by `psychrolib`, 1252.35 Pa at 70 F and 50 %.
    #[test]
    fn deficit_at_label_conditions_is_within_three_tenths_percent_of_ashrae() {
        assert!((vapour_deficit_pa(21.11, 50.0) / 1252.35 - 1.0).abs() < 0.003);
    }

    #[test]
    fn saturated_air_never_makes_a_factor_that_is_not_a_number() {
        assert_eq!(drying_factor(Film::Treatment, 20.0, 100.0), f64::INFINITY);
        assert_eq!(drying_factor(Film::Waterborne, 20.0, 100.0), f64::INFINITY);
        assert!(drying_factor(Film::OilModified, 20.0, 100.0).is_finite());
    }

    #[test]
    fn commitments_are_clamped_and_rounded_down() {
        // Warm and dry would be faster than the label: not promised.
        assert_eq!(progress_ppm(Film::Treatment, air(2667, 2000)), 1_000_000);
        // 59 F, 70 %: F 2.448, so 408 thousand of a minute and something.
        assert!((407_000..410_000).contains(&progress_ppm(Film::Treatment, air(1500, 7000))));
        // 50 F, 80 %: F is above 3, clamped.
        assert_eq!(progress_ppm(Film::Treatment, air(1000, 8000)), 333_333);
    }

    #[test]
    fn no_estimate_outside_the_models_range() {
        for film in [Film::Treatment, Film::Waterborne, Film::OilModified] {
            assert_eq!(progress_ppm(film, air(999, 3000)), 0, "below 50 F");
            assert!(progress_ppm(film, air(1000, 3000)) > 0);
            assert_eq!(progress_ppm(film, air(3223, 3000)), 0, "above 90 F");
            assert!(progress_ppm(film, air(3222, 3000)) > 0);
            for temp in [1000, 2111, 3222] {
                assert_eq!(progress_ppm(film, air(temp, 8501)), 0, "too humid");
            }
            // 20 C: 3 C above the dew point is 82.86 % by the Magnus form, so the margin holds before 85 % does.
            assert_eq!(progress_ppm(film, air(2000, 8300)), 0, "too close to the dew point");
            assert!(progress_ppm(film, air(2000, 8270)) > 0);
        }
        assert_eq!(progress_ppm(Film::MoistureCure, air(-500, 9900)), 1_000_000, "not covered, so never held");
    }

    proptest! {
        #[test]
        fn progress_is_nothing_or_within_the_clamp(temp in -6000_i32..=6000, rh in 0_i32..=10_000) {
            for film in Film::ALL {
                let ppm = progress_ppm(film, air(temp, rh));
                prop_assert!(ppm == 0 || (333_333..=1_000_000).contains(&ppm));
            }
        }

        #[test]
        fn more_humid_never_dries_faster(temp in -6000..=6000, rh in 0_i32..10_000, more in 1_i32..=10_000) {
            let damper = (rh + more).min(10_000);
            for film in Film::ALL {
                prop_assert!(progress_ppm(film, air(temp, damper)) <= progress_ppm(film, air(temp, rh)));
            }
        }
    }
}
