//! The numbers of the trade against their sources, and the page that shows them against the code.

use crate::common::trade_values;
use tackfree::domain::climate::Film;
use tackfree::trade::drying::{LABEL_RH_PERCENT, LABEL_TEMP_C, drying_factor};
use tackfree::trade::humid_air::vapour_deficit_pa;

#[test]
fn every_value_is_within_its_limit_of_its_source() {
    let sections = trade_values::sections();
    assert!(sections.iter().map(|section| section.values.len()).sum::<usize>() >= 50);
    for value in sections.iter().flat_map(|section| &section.values) {
        let difference = value.ours - value.published;
        assert!(
            difference.abs() <= value.allowed,
            "{}: ours {}, {} {}",
            value.what,
            value.ours,
            value.source,
            value.published
        );
    }
}

/// Source: *Wood Handbook*, table 4-2, by the reprint that the page names.
#[test]
fn wood_moisture_is_within_its_limit_over_the_reprinted_table() {
    let cells = trade_values::reprint();
    assert_eq!(cells.len(), 186);
    for cell in cells {
        for ours in [cell.ours_c, cell.ours_f] {
            let place = (cell.temp_f, cell.rh_percent);
            let difference = (ours - cell.printed).abs();
            assert!(
                difference <= trade_values::REPRINT_ALLOWED_PERCENT,
                "{place:?}: ours {ours}, printed {}",
                cell.printed
            );
        }
    }
}

/// What makes the reprint believable: it has the values that we have from the book.
#[test]
fn the_reprint_agrees_with_the_book_where_we_have_both() {
    let book = [
        (70.0, 5.0, 1.3),
        (70.0, 30.0, 6.2),
        (70.0, 50.0, 9.2),
        (70.0, 75.0, 14.4),
        (70.0, 85.0, 17.9),
        (30.0, 75.0, 14.9),
        (100.0, 50.0, 8.7),
    ];
    let cells = trade_values::reprint();
    for (temp_f, rh_percent, printed) in book {
        let cell = cells.iter().find(|cell| (cell.temp_f, cell.rh_percent) == (temp_f, rh_percent)).unwrap();
        assert_eq!(cell.printed, printed, "{temp_f} F {rh_percent} %");
    }
}

/// The few factors that `docs/drying.md` shows, and its figure for the label's deficit.
#[test]
fn the_explanation_shows_the_factors_that_the_code_gives() {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/docs/drying.md")).unwrap();
    let rows = [(70.0, 50.0), (70.0, 30.0), (59.0, 70.0), (75.0, 70.0)];
    for (temp_f, rh_percent) in rows {
        let films = [Film::Treatment, Film::Waterborne, Film::OilModified];
        let [water, half, oil] = films.map(|film| drying_factor(film, (temp_f - 32.0) / 1.8, rh_percent));
        let row = format!("| {temp_f} F, {rh_percent} % | {water:.2} | {half:.2} | {oil:.2} |");
        assert!(text.contains(&row), "docs/drying.md has no row {row}");
    }
    let deficit_pa = vapour_deficit_pa(LABEL_TEMP_C, LABEL_RH_PERCENT);
    assert!(text.contains(&format!("({deficit_pa:.0} / deficit)")), "{deficit_pa}");
}

#[test]
fn the_page_says_what_the_code_gives() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/trade-values.md");
    let committed = std::fs::read_to_string(path).unwrap();
    let cure = "write it anew: cargo run --example trade_values > docs/trade-values.md";
    assert!(committed == trade_values::page(), "docs/trade-values.md is not what the code gives now; {cure}");
}
