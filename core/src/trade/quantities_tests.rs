//! Quantities against published conversions, against arithmetic by hand, and against every purchase there is.

use super::*;

/// NIST SP 811: 1 US gal = 3.785411784 L, and 1 ft2 = 0.09290304 m2, both exactly.
#[test]
fn conversions_are_those_of_sp_811() {
    // 100 sq ft at 100 sq ft/gal without waste is one gallon.
    let gallon = Volume::needed(100, 100, 1, 0).unwrap();
    assert_eq!((gallon.microlitres(), gallon.millilitres(), gallon.centigallons()), (3_785_412, 3_785, 100));
    let million = Volume::needed(10_000_000, 10, 1, 0).unwrap();
    assert_eq!(million.microlitres(), 3_785_411_784_000);
    // 500 sq ft/gal is 12.27 m2/L: 0.09290304 x 500 / 3.785411784. 4,645.152 m2 (50,000 sq ft) take 378.541 L.
    let metric = Volume::needed(50_000, 500, 1, 0).unwrap();
    assert!((4_645.152 / (metric.millilitres() as f64 / 1e3) - 0.092_903_04 * 500.0 / 3.785_411_784).abs() < 1e-4);
}

/// By hand: 640 sq ft, 400 sq ft/gal, three coats and 10 % are 5.28 gal.
#[test]
fn area_cover_coats_and_waste() {
    let need = Volume::needed(640, 400, 3, 10).unwrap();
    assert_eq!((need.centigallons(), need.millilitres()), (528, 19_987));
    assert_eq!(need.plus(need).microlitres(), 2 * need.microlitres());
    for (sqft, cover, coats, waste) in [
        (-1, 400, 1, 10),
        (SQFT_MAX + 1, 400, 1, 10),
        (1, 9, 1, 10),
        (1, 5_001, 1, 10),
        (1, 400, 0, 10),
        (1, 400, 21, 10),
    ] {
        assert_eq!(Volume::needed(sqft, cover, coats, waste), None, "{sqft} {cover} {coats} {waste}");
    }
    assert_eq!((Volume::needed(1, 400, 1, -1), Volume::needed(1, 400, 1, 101)), (None, None));
    // The largest of everything fits.
    assert!(Volume::needed(SQFT_MAX, 10, 20, 100).is_some());
}

/// Identity of units: 231 cubic inches on 144 x cover square inches; 400 sq ft/gal is 4.01 mils.
#[test]
fn wet_film_is_1604_over_cover() {
    assert_eq!(wet_film_centi_mils(400), Some(401));
    assert_eq!(wet_film_centi_mils(500), Some(321));
    assert_eq!(wet_film_centi_mils(350), Some(458));
    assert_eq!((wet_film_centi_mils(9), wet_film_centi_mils(5_001)), (None, None));
    for cover in [10, 137, 400, 5_000] {
        let exact = 231.0 / (144.0 * cover as f64) * 1_000.0;
        assert!((wet_film_centi_mils(cover).unwrap() as f64 / 100.0 - exact).abs() <= 0.0051, "{cover}");
    }
}

fn bought(milligallons: i64, sizes: &[i64]) -> Vec<(i64, i64)> {
    // Square feet at 1,000 sq ft/gal are milligallons.
    containers(Volume::needed(milligallons, 1_000, 1, 0).unwrap(), sizes).unwrap().counts
}

#[test]
fn containers_leave_the_least_over_and_then_are_the_fewest() {
    let cans = [1_000, 5_000];
    assert_eq!(bought(0, &cans), []);
    assert_eq!(bought(1, &cans), [(1_000, 1)]);
    assert_eq!(bought(1_000, &cans), [(1_000, 1)], "a full can is enough");
    assert_eq!(bought(4_900, &cans), [(5_000, 1)], "one of five rather than five of one");
    assert_eq!(bought(5_115, &cans), [(5_000, 1), (1_000, 1)]);
    assert_eq!(bought(1_200, &[5_000, 1_000, 250]), [(1_000, 1), (250, 1)]);
    assert_eq!(bought(3_990, &[250, 1_000, 5_000]), [(1_000, 4)]);
    // Taking the largest first would buy 5 + 2.
    assert_eq!(bought(6_000, &[5_000, 3_000, 2_000]), [(3_000, 2)]);
    assert_eq!(containers(Volume::default(), &[0, -5, 100_000]), None);
    // What rounding adds is no reason for one more can.
    let half = Volume::needed(500, 1_000, 1, 0).unwrap();
    assert_eq!(containers(half.plus(half), &cans).unwrap().counts, [(1_000, 1)]);
    // Far beyond any floor: largest first, and quick.
    let sea = containers(Volume::needed(SQFT_MAX, 10, 20, 100).unwrap(), &[250, 5_000]).unwrap();
    assert_eq!(sea.milligallons(), 80_000_000_000);
}

/// Against all purchases of up to nine containers of each size.
#[test]
fn no_purchase_is_better() {
    let sizes = [[250, 1_000, 5_000], [700, 1_100, 3_000], [300, 500, 900], [1_000, 2_500, 4_750]];
    for sizes in sizes {
        for need in (1..=9_000).step_by(217) {
            let mut best = (i64::MAX, i64::MAX);
            for a in 0..=40 {
                for b in 0..=30 {
                    for c in 0..=20 {
                        let total = a * sizes[0] + b * sizes[1] + c * sizes[2];
                        if total >= need {
                            best = best.min((total, a + b + c));
                        }
                    }
                }
            }
            let counts = bought(need, &sizes);
            let total: i64 = counts.iter().map(|(size, count)| size * count).sum();
            assert_eq!((total, counts.iter().map(|(_, count)| count).sum()), best, "{need} of {sizes:?}");
        }
    }
}

/// By hand: ten to one; 600 sq ft at 15 sq ft a minute take 40 minutes, two batches of a pot life of 30.
#[test]
fn a_mixed_finish_is_divided_and_batched() {
    let mix = Mix { product_parts: 10, catalyst_parts: 1, pot_life_minutes: 30 };
    let need = Volume::needed(600, 500, 1, 10).unwrap();
    let mixed = mix.divide(need, 600, 15).unwrap();
    assert_eq!((mixed.product.centigallons(), mixed.catalyst.centigallons(), mixed.batches), (120, 12, 2));
    assert_eq!(mixed.product.plus(mixed.catalyst), need);
    assert_eq!(mix.divide(need, 450, 15).unwrap().batches, 1);
    assert_eq!(Mix { catalyst_parts: 0, ..mix }.divide(need, 600, 15), None);
    assert_eq!(Mix { pot_life_minutes: 4, ..mix }.divide(need, 600, 15), None);
    assert_eq!(mix.divide(need, 600, 0), None);
}
