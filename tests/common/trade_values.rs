//! Every published or worked value that the numbers of the trade are held against, beside what this crate gives now, and
//! the page that shows them (`docs/trade-values.md`). The formulas live in `core/src/trade/`; judging whole grids by another
//! implementation is `tests/python/`'s.

#![allow(dead_code, reason = "the example prints the page, the test also reads the values")]
#![allow(clippy::unwrap_used, reason = "the tables below are ours; a slip in one must stop the test")]

use std::fmt::Write;
use tackfree::domain::chain::StepKind;
use tackfree::domain::climate::Film;
use tackfree::dto::{StepKindDto, built_in_method};
use tackfree::trade::drying::{LABEL_RH_PERCENT, LABEL_TEMP_C, drying_factor};
use tackfree::trade::humid_air::{dew_point_c, rh_kept_vapour_percent, saturation_pressure_pa, vapour_deficit_pa};
use tackfree::trade::meter::{NEEDED_PER_1000_SQFT_FLOOR, NEEDED_PER_1000_SQFT_SUBFLOOR, needed};
use tackfree::trade::moisture::{emc_percent_c, emc_percent_f};
use tackfree::trade::quantities::wet_film_centi_mils;
use tackfree::trade::sections::{Applicators, EvenOut, PartWork, Room, Treatment, Window, largest};
use tackfree::trade::supplies::usual_product;

const HANDBOOK: &str = "*Wood Handbook*, table 4-2";
const ASHRAE: &str = "ASHRAE, by PyPI `psychrolib` 2.5.0 at 101325 Pa";
const DWELL: &str = "dwell(x) = s + x (1/rB - 1/rA) within 10 to 15 minutes, worked by hand";
const PRACTICE: &str = "common practice, no source";
const MODEL: &str = "our model, worked with ASHRAE's saturation pressure";
/// *Wood Handbook*, table 4-2, 30 to 130 F, as reprinted at woodworkerssource.com/wood-moisture-content.html.
const REPRINT: &str = include_str!("../data/wood-handbook-table-4-2.csv");

/// One value from a source, and ours.
pub struct Value {
    /// What is asked, in words.
    pub what: String,
    /// Where `published` comes from.
    pub source: &'static str,
    /// As the source prints it.
    pub published: f64,
    /// As this crate computes it now.
    pub ours: f64,
    /// Decimals that the source prints.
    pub decimals: usize,
    /// Largest difference that is no defect.
    pub allowed: f64,
}

/// Values of one kind.
pub struct Section {
    /// Heading on the page.
    pub title: &'static str,
    /// Why the differences are as large as they are.
    pub text: &'static str,
    /// In the order of the source.
    pub values: Vec<Value>,
}

/// All of them, in the order of the page; the reprinted grid of the handbook's table is apart, in [`reprint`].
pub fn sections() -> Vec<Section> {
    vec![
        emc(),
        humid_air(),
        vapour_kept(),
        drying(),
        treatment_sections(),
        covers(),
        wet_film(),
        sanding(),
        readings_needed(),
    ]
}

fn emc() -> Section {
    let table = [
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
    let value = |what: String, published: f64, ours: Option<f64>| Value {
        what: format!("wood moisture at {what}, %"),
        source: HANDBOOK,
        published,
        ours: ours.unwrap(),
        decimals: 1,
        allowed: 0.1,
    };
    let both = |(temp_c, temp_f, rh, published): (f64, f64, f64, f64)| {
        [
            value(format!("{temp_c} C, {rh} %"), published, emc_percent_c(temp_c, rh)),
            value(format!("{temp_f} F, {rh} %"), published, emc_percent_f(temp_f, rh)),
        ]
    };
    Section {
        title: "Moisture that wood comes to",
        text: "The handbook's equation 4-5 has one set of coefficients for Celsius and one for Fahrenheit: two fits, both \
               asked here. The book prints tenths, and says that more than 0.1 % is not meaningful.",
        values: table.into_iter().flat_map(both).collect(),
    }
}

fn humid_air() -> Section {
    let table = [
        (20.0, 50.0, 2338.8, 9.272),
        (25.0, 60.0, 3169.2, 16.701),
        (15.0, 70.0, 1705.5, 9.579),
        (30.0, 80.0, 4246.0, 26.169),
        (10.0, 85.0, 1228.0, 7.598),
    ];
    let saturation = |(temp_c, _, published, _): (f64, f64, f64, f64)| Value {
        what: format!("saturation pressure at {temp_c} C, Pa"),
        source: ASHRAE,
        published,
        ours: saturation_pressure_pa(temp_c),
        decimals: 1,
        allowed: 0.003 * published,
    };
    let dew = |(temp_c, rh, _, published): (f64, f64, f64, f64)| Value {
        what: format!("dew point of {temp_c} C, {rh} %, C"),
        source: ASHRAE,
        published,
        ours: dew_point_c(temp_c, rh),
        decimals: 3,
        allowed: 0.02,
    };
    let (label_c, label_rh) = (LABEL_TEMP_C, LABEL_RH_PERCENT);
    let deficit = Value {
        what: "vapour pressure deficit at 70 F, 50 % (VPD0), Pa".to_owned(),
        source: ASHRAE,
        published: 1252.35,
        ours: vapour_deficit_pa(label_c, label_rh),
        decimals: 2,
        allowed: 0.003 * 1252.35,
    };
    Section {
        title: "Humid air",
        text: "We use the Magnus form of the WMO's guide to instruments; ASHRAE's formulation is another, so that the two \
               differ by up to 0.3 % in pressure. In a dew point most of that cancels.",
        values: table.map(saturation).into_iter().chain(table.map(dew)).chain([deficit]).collect(),
    }
}

fn vapour_kept() -> Section {
    let table = [(10.0, 85.0, 21.1, 41.7, 1, 0.1), (25.0, 60.0, 21.1, 75.9, 1, 0.1), (-5.0, 70.0, 20.0, 12.0, 0, 1.0)];
    let value = |(temp_c, rh, to_c, published, decimals, allowed): (f64, f64, f64, f64, usize, f64)| Value {
        what: format!("outdoor air of {temp_c} C, {rh} %, let in and warmed or cooled to {to_c} C, % RH"),
        source: ASHRAE,
        published,
        ours: rh_kept_vapour_percent(temp_c, rh, to_c),
        decimals,
        allowed,
    };
    Section {
        title: "Outdoor air let in",
        text: "It keeps its vapour pressure. Below freezing the humidity that a weather service reports is over water, \
               ASHRAE's tables are over ice: the source says \"about 12\".",
        values: table.map(value).into(),
    }
}

fn drying() -> Section {
    let table = [
        (70.0, 30.0, [0.714, 0.857, 1.000]),
        (65.0, 40.0, [0.990, 1.101, 1.212]),
        (60.0, 30.0, [1.012, 1.241, 1.470]),
        (80.0, 50.0, [0.716, 0.698, 0.680]),
        (59.0, 70.0, [2.448, 1.988, 1.527]),
        (75.0, 70.0, [1.408, 1.116, 0.825]),
    ];
    let films = [
        (Film::Treatment, "water and treatment"),
        (Film::Waterborne, "waterborne film"),
        (Film::OilModified, "oil-modified film"),
    ];
    let row = |(temp_f, rh, factors): (f64, f64, [f64; 3])| {
        films.into_iter().zip(factors).map(move |((film, name), published)| Value {
            what: format!("drying factor of {name} at {temp_f} F, {rh} %"),
            source: MODEL,
            published,
            ours: drying_factor(film, (temp_f - 32.0) / 1.8, rh),
            decimals: 3,
            allowed: 0.0005 + 0.001 * published,
        })
    };
    Section {
        title: "Drying factor",
        text: "The model is ours and has no published table; these were worked apart from this crate. A factor of 2 means \
               twice the label's time. Commitments never use less than 1 (see `drying.md`).",
        values: table.into_iter().flat_map(row).collect(),
    }
}

fn treatment_sections() -> Section {
    let part = |sqft_per_minute: i64, change_over_minutes: i64| PartWork {
        sqft_per_minute_centi: 100 * sqft_per_minute,
        change_over_seconds: 60 * change_over_minutes,
        shake_seconds: 0,
        pour_seconds: 0,
        even_out: EvenOut::Seconds(0),
    };
    let table = [(Applicators::One, 20, 260.0), (Applicators::One, 15, 195.0), (Applicators::Two, 15, 300.0)];
    let value = |(applicators, rate_b, published): (Applicators, i64, f64)| {
        let treatment = Treatment {
            rooms: vec![Room { name: "Floor".to_owned(), sqft: 1_000 }],
            a: part(20, 2),
            b: part(rate_b, 2),
            window: Window { min_seconds: 600, max_seconds: 900 },
            applicators,
            set_up_seconds: 0,
        };
        let people = applicators.people();
        Value {
            what: format!("largest section, {people} rolling, A at 20 and B at {rate_b} sq ft/min, sq ft"),
            source: DWELL,
            published,
            ours: largest(&treatment).sqft as f64,
            decimals: 0,
            allowed: 0.0,
        }
    };
    Section {
        title: "Treatment sections",
        text: "Every point of the floor has to have dwelt 10 to 15 minutes when part B comes. A change of rollers takes two \
               minutes; nothing else is counted here. Derived in `treatment-sections.md`.",
        values: table.map(value).into(),
    }
}

fn covers() -> Section {
    let table = [
        ("sealer", StepKind::Seal, 400, 600),
        ("finish", StepKind::Coat, 400, 600),
        ("two-part treatment, part A", StepKind::TreatA, 350, 400),
        ("two-part treatment, part B", StepKind::TreatB, 350, 400),
        ("water", StepKind::WaterPop, 300, 500),
        ("stain", StepKind::Stain, 400, 600),
    ];
    let ends = |(name, kind, low, high): (&'static str, StepKind, i64, i64)| {
        let ours = usual_product(kind).unwrap().cover;
        [("low", low, ours.low), ("high", high, ours.high)].map(|(end, published, ours)| Value {
            what: format!("cover of {name}, {end} end, sq ft/gal"),
            source: PRACTICE,
            published: published as f64,
            ours: ours as f64,
            decimals: 0,
            allowed: 0.0,
        })
    };
    Section {
        title: "Cover",
        text: "What a gallon covers where no label says so. What is bought is counted by the low end.",
        values: table.into_iter().flat_map(ends).collect(),
    }
}

fn wet_film() -> Section {
    let table = [(300, 5.35), (350, 4.58), (400, 4.01), (500, 3.21), (600, 2.67)];
    let value = |(cover, published): (i64, f64)| Value {
        what: format!("wet film at {cover} sq ft/gal, mils"),
        source: "identity of units: 231 cubic inches a gallon, 1604/cover, worked by hand",
        published,
        ours: wet_film_centi_mils(cover).unwrap() as f64 / 100.0,
        decimals: 2,
        allowed: 0.0,
    };
    Section {
        title: "Wet film",
        text: "Mils are thousandths of an inch. Kept to the hundredth.",
        values: table.map(value).into(),
    }
}

/// Square feet per person-hour of each sanding pass, as the method is written.
fn sanding_rates(method: &str) -> Vec<i64> {
    let method = built_in_method(method).unwrap();
    let passes = method.steps.iter().filter(|step| step.kind == StepKindDto::Sand);
    passes.map(|step| step.sqft_per_person_hour.unwrap()).collect()
}

fn sanding() -> Section {
    let values = ["two-part-waterborne", "natural-waterborne", "stain-oil-modified", "penetrating-oil"].map(|method| {
        let rates = sanding_rates(method);
        let hours_per_sqft: f64 = rates.iter().map(|rate| 1.0 / *rate as f64).sum();
        // Each pass takes whole person-minutes, rounded up.
        let minutes: i64 = rates.iter().map(|rate| (800 * 60 + rate - 1) / rate).sum();
        let value = |what: &str, published, ours, allowed| Value {
            what: format!("{what} by method {method}"),
            source: "construction cost book, about",
            published,
            ours,
            decimals: 1,
            allowed,
        };
        [
            value("sanding, three passes with edging, sq ft per person-hour", 43.0, 1.0 / hours_per_sqft, 0.5),
            value("sanding 800 sq ft, person-hours", 18.4, minutes as f64 / 60.0, 0.3),
        ]
    });
    Section {
        title: "Sanding",
        text: "The book's two figures are both rounded: 800 sq ft at 43 an hour are 18.6 person-hours. How the passes divide \
               them is practice, no source.",
        values: values.into_iter().flatten().collect(),
    }
}

fn readings_needed() -> Section {
    let table = [("flooring", NEEDED_PER_1000_SQFT_FLOOR, 40.0), ("subfloor", NEEDED_PER_1000_SQFT_SUBFLOOR, 20.0)];
    let value = |(floor, per_1000, published): (&'static str, u32, f64)| Value {
        what: format!("readings on 1,000 sq ft of wood {floor}, at least"),
        source: "association's guidelines, as reported in the trade press",
        published,
        ours: needed(1_000, per_1000) as f64,
        decimals: 0,
        allowed: 0.0,
    };
    Section {
        title: "Readings over a floor",
        text: "Counted area by area and rounded up, so that a floor of several areas never needs fewer.",
        values: table.map(value).into(),
    }
}

/// One cell of the reprint, and what our two forms give.
pub struct Cell {
    /// Degrees Fahrenheit.
    pub temp_f: f64,
    /// Relative humidity, percent.
    pub rh_percent: f64,
    /// Percent of dry wood, as printed.
    pub printed: f64,
    /// Ours by the Celsius form, at the tenth of a degree that the handbook prints.
    pub ours_c: f64,
    /// Ours by the Fahrenheit form.
    pub ours_f: f64,
}

/// What is left between a printed tenth and either form: half of the tenth, and two hundredths for the fit's rounding.
pub const REPRINT_ALLOWED_PERCENT: f64 = 0.07;

/// The reprinted grid, humidity by humidity. An empty cell is a misprint of the reprint that was left out.
pub fn reprint() -> Vec<Cell> {
    let mut lines = REPRINT.lines();
    let temps: Vec<f64> = lines.next().unwrap().split(',').skip(1).map(|word| word.parse().unwrap()).collect();
    let mut cells = Vec::new();
    for line in lines {
        let words: Vec<&str> = line.split(',').collect();
        assert_eq!(words.len(), temps.len() + 1, "{line}");
        let rh_percent: f64 = words[0].parse().unwrap();
        for (&temp_f, word) in temps.iter().zip(&words[1..]).filter(|(_, word)| !word.is_empty()) {
            let temp_c = ((temp_f - 32.0) / 0.18).round() / 10.0;
            cells.push(Cell {
                temp_f,
                rh_percent,
                printed: word.parse().unwrap(),
                ours_c: emc_percent_c(temp_c, rh_percent).unwrap(),
                ours_f: emc_percent_f(temp_f, rh_percent).unwrap(),
            });
        }
    }
    cells
}

fn signed(difference: f64, decimals: usize) -> String {
    let text = format!("{difference:+.decimals$}");
    // A difference that rounds to nothing has no sign.
    if text[1..].chars().all(|digit| matches!(digit, '0' | '.')) { text[1..].to_owned() } else { text }
}

/// The whole page.
pub fn page() -> String {
    let mut page = String::from(
        "# Values that the trade's numbers are held against\n\n\
         Written by `cargo run --example trade_values > docs/trade-values.md`; `tests/plan/trade_values.rs` fails while this page\n\
         differs from what the code gives, or a difference is larger than its limit. Grids of thousands of points are\n\
         judged by other implementations: see `tests/python/`. Where a label says otherwise, the label is right.\n",
    );
    for section in sections() {
        write!(page, "\n## {}\n\n{}\n\n", section.title, section.text).unwrap();
        page.push_str("| value | source | published | ours | difference | limit |\n|---|---|--:|--:|--:|--:|\n");
        for value in section.values {
            let Value { what, source, published, ours, decimals, allowed } = value;
            let more = decimals + 1;
            let difference = signed(ours - published, more);
            writeln!(
                page,
                "| {what} | {source} | {published:.decimals$} | {ours:.more$} | {difference} | {allowed:.more$} |"
            )
            .unwrap();
        }
    }
    page.push_str(&reprint_page());
    page
}

fn reprint_page() -> String {
    let cells = reprint();
    let worst = |of: fn(&Cell) -> f64| cells.iter().map(|cell| (of(cell) - cell.printed).abs()).fold(0.0, f64::max);
    let (worst_c, worst_f) = (worst(|cell| cell.ours_c), worst(|cell| cell.ours_f));
    let mut page = format!(
        "\n## Moisture that wood comes to, the larger grid\n\n\
         {HANDBOOK} (a work of the US government), as reprinted by a lumber dealer at\n\
         woodworkerssource.com/wood-moisture-content.html; not compared with the book itself. The seven values\n\
         above that lie on this grid are the same there. One cell, 110 F and 20 %, is an evident misprint (3.0 between\n\
         4.2 and 3.9) and is left out. Of {} values the largest difference is {worst_c:.3} in the Celsius form and\n\
         {worst_f:.3} in the Fahrenheit form; the limit is {REPRINT_ALLOWED_PERCENT}. Each cell: printed, then our difference in\n\
         hundredths of a percent in Celsius and in Fahrenheit.\n",
        cells.len()
    );
    let mut last = f64::NAN;
    let mut temps: Vec<f64> = cells.iter().map(|cell| cell.temp_f).collect();
    temps.sort_by(f64::total_cmp);
    temps.dedup();
    let heads: String = temps.iter().map(|temp_f| format!(" {temp_f} F |")).collect();
    write!(page, "\n| RH |{heads}\n|--:|{}", "--:|".repeat(temps.len())).unwrap();
    for cell in cells {
        if cell.rh_percent != last {
            write!(page, "\n| {} % |", cell.rh_percent).unwrap();
            last = cell.rh_percent;
        }
        if (cell.temp_f, cell.rh_percent) == (120.0, 20.0) {
            page.push_str(" left out |");
        }
        let hundredths = |ours: f64| signed((ours - cell.printed) * 100.0, 0);
        write!(page, " {:.1} ({}, {}) |", cell.printed, hundredths(cell.ours_c), hundredths(cell.ours_f)).unwrap();
    }
    page.push('\n');
    page
}
