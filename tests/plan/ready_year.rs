//! The year's drawing against the code that it shows.

#[path = "../../examples/ready_year/chart.rs"]
mod chart;
#[path = "../../examples/ready_year/svg.rs"]
mod svg;
#[path = "../../examples/ready_year/year.rs"]
mod year;

use crate::common::newark;
use year::{FILMS, Ready};

#[test]
fn the_drawing_is_what_the_code_gives() {
    let committed = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/docs/ready-year.svg")).unwrap();
    let cure = "write it anew: cargo run --example ready_year > docs/ready-year.svg, and look at it";
    assert!(committed == chart::draw(&year::houses()), "docs/ready-year.svg is not what the code gives now; {cure}");
}

/// What the drawing is for: a house that is held is ready at its label's time all year, others are not.
#[test]
fn a_controlled_house_keeps_the_label_all_year_and_no_house_beats_it() {
    let [open, closed, controlled] = year::houses();
    for ((_, label_hours), floors) in FILMS.iter().zip(&controlled.floors) {
        assert!(floors.iter().all(|ready| matches!(ready, Ready::After(minutes) if *minutes == label_hours * 60)));
    }
    for house in [&open, &closed] {
        for ((film, label_hours), floors) in FILMS.iter().zip(&house.floors) {
            let minutes = floors.iter().filter_map(|ready| match ready {
                Ready::After(minutes) | Ready::Held(minutes) => Some(*minutes),
                Ready::No => None,
            });
            assert!(minutes.min() >= Some(label_hours * 60), "{film:?}");
            let never = floors.iter().filter(|ready| matches!(ready, Ready::No)).count();
            assert!((90..270).contains(&never), "{film:?}: winter has no estimate without heat: {never}");
        }
    }
}
