//! Where a plan rests on weather past the forecasts is said, region by region, and nowhere else.

use crate::common::world::{at, job, lag, new_york, place, plan, situation, step, weather};
use tackfree::cli::plan::text;
use tackfree::domain::chain::{Step, Wait};
use tackfree::domain::climate::{Air, AirReading, Film, Gate, HouseAir, NormalHour, Normals};
use tackfree::domain::ids::RegionIx;
use tackfree::domain::situation::Situation;
use tackfree::domain::time::Minute;
use tackfree::dto::{BeyondDto, plan_to_dto};

fn now() -> Minute {
    at(new_york(), "2026-03-02 07:00")
}

fn gate() -> Gate {
    Gate {
        temp_min_centi_c: 1_000,
        temp_max_centi_c: 3_000,
        rh_min_centi_percent: 2_000,
        rh_max_centi_percent: 8_000,
        dew_point_margin_min_centi_c: 0,
        hold_after_minutes: 120,
    }
}

/// Coat and recoat in an open house, in air in which a film dries as on its label; the forecast ends on Wednesday 07:00.
fn coats(air: HouseAir, label_minutes: i64) -> Situation {
    let mut situation = situation(now());
    situation.regions = vec![weather(now(), 48, |_| (2_500, 3_500))];
    situation.houses[0].air = air;
    situation.houses[0].region = Some(RegionIx(0));
    let coat = Step { gate: Some(gate()), ..step("coat", 60) };
    let wait = Wait { film: Some(Film::Waterborne), ..lag(0, 1, label_minutes) };
    situation.jobs = vec![job("elm", 0, vec![coat, step("recoat", 60)], vec![wait])];
    situation
}

/// Waits and steps that rest on a guess when the coat is on at `coat` and the recoat follows at `recoat`.
fn resting(situation: &Situation, coat: &str, recoat: &str) -> Option<(usize, usize)> {
    let start = |text: &str| at(new_york(), text);
    let plan =
        plan(situation, vec![place(situation, (0, 0), 0, start(coat)), place(situation, (0, 1), 0, start(recoat))]);
    let guesses = plan_to_dto(situation, &plan).guesses;
    let said = text(situation, &plan);
    assert_eq!(said.contains("Past the forecast"), !guesses.is_empty(), "{said}");
    let guess = guesses.first()?;
    assert_eq!((guess.region.as_str(), guess.beyond), ("coast", BeyondDto::LastDayRepeated));
    assert_eq!(guess.from, "2026-03-04T07:00:00-05:00");
    assert!(said.contains("From Wed  4 Mar 07:00 on, "), "{said}");
    assert!(said.contains("in region Coast rest"), "{said}");
    Some((guess.waits, guess.steps))
}

const OPEN: HouseAir = HouseAir::Open { heated_to_centi_c: None };

#[test]
fn a_wait_rests_on_a_guess_from_the_minute_after_the_forecast() {
    // On at 16:00 on Tuesday: dry at 07:00 on Wednesday, where the forecast ends.
    let (coat, recoat) = ("2026-03-03 15:00", "2026-03-04 08:00");
    assert_eq!(resting(&coats(OPEN, 15 * 60), coat, recoat), None);
    assert_eq!(resting(&coats(OPEN, 15 * 60 + 1), coat, recoat), Some((1, 0)));
    // Whatever follows before the end says that it was ready before.
    assert_eq!(resting(&coats(OPEN, 60), "2026-03-02 08:00", "2026-03-02 12:00"), None);
    // Later work does not make an early floor a guess.
    assert_eq!(resting(&coats(OPEN, 60), "2026-03-02 08:00", "2026-03-06 08:00"), None);
}

#[test]
fn limits_on_the_air_rest_on_a_guess_with_their_hold_time() {
    let both = resting(&coats(OPEN, 60), "2026-03-04 04:01", "2026-03-04 09:00");
    assert_eq!(both, Some((0, 1)));
    assert_eq!(resting(&coats(OPEN, 60), "2026-03-04 04:00", "2026-03-04 09:00"), None);
    assert_eq!(resting(&coats(OPEN, 60), "2026-03-04 10:00", "2026-03-04 13:00"), Some((1, 1)));
}

#[test]
fn held_air_is_never_a_guess_and_a_reading_counts() {
    let held = HouseAir::Controlled(Air { temp_centi_c: 2_500, rh_centi_percent: 3_500 });
    assert_eq!(resting(&coats(held, 60), "2026-03-04 10:00", "2026-03-04 13:00"), None);
    // In cold damp air the wait is longer than its label, and reaches past the forecast.
    let (coat, recoat) = ("2026-03-03 15:00", "2026-03-05 08:00");
    let mut damp = coats(OPEN, 14 * 60);
    assert_eq!(resting(&damp, coat, recoat), None);
    let air = Air { temp_centi_c: 1_200, rh_centi_percent: 8_300 };
    damp.houses[0].air_readings = vec![AirReading { at: at(new_york(), "2026-03-03 16:00"), air }];
    assert_eq!(resting(&damp, coat, recoat), Some((1, 0)));
}

/// Where the region has its usual air, that is what the last days rest on.
#[test]
fn usual_air_is_said_to_be_usual() {
    let mut situation = coats(OPEN, 60);
    let hour = NormalHour { temp_centi_c: 2_500, vapour_deci_pa: 11_000 };
    situation.regions[0].normals = Some(Normals { months: Box::new([[hour; 24]; 12]) });
    let late = at(new_york(), "2026-03-04 10:00");
    let plan =
        plan(&situation, vec![place(&situation, (0, 0), 0, late), place(&situation, (0, 1), 0, late.plus(1_440))]);
    let guesses = plan_to_dto(&situation, &plan).guesses;
    assert_eq!((guesses.len(), guesses[0].beyond), (1, BeyondDto::Normals));
    assert!(text(&situation, &plan).contains("rest on the usual air for the time of the year."));
}
