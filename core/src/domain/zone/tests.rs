//! Wall clocks on the days on which they misbehave, and what must hold on all days in every zone.

use super::*;
use proptest::prelude::*;
use std::collections::BTreeSet;

fn zone(name: &str) -> Zone {
    Zone::parse(name).unwrap()
}

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn utc(text: &str) -> Minute {
    Minute::floor_from(DateTime::parse_from_rfc3339(&format!("{text}:00Z")).unwrap().to_utc())
}

/// The wall time "HH:MM" of that day.
fn wall(name: &str, day: &str, time: &str) -> Wall {
    let (hour, minute) = time.split_once(':').unwrap();
    zone(name).wall(date(day), hour.parse::<i32>().unwrap() * 60 + minute.parse::<i32>().unwrap())
}

#[test]
fn the_known_years_are_what_they_say() {
    assert_eq!((KNOWN_FROM, KNOWN_UNTIL), (utc("1970-01-01T00:00"), utc("2100-01-01T00:00")));
}

#[test]
fn new_york_skips_half_past_two_in_march() {
    let next = utc("2026-03-08T07:00");
    assert_eq!(wall("America/New_York", "2026-03-08", "02:30"), Wall::Never { next });
    assert_eq!(wall("America/New_York", "2026-03-08", "02:00"), Wall::Never { next });
    assert_eq!(wall("America/New_York", "2026-03-08", "03:00"), Wall::Once(next));
    assert_eq!(zone("America/New_York").opening(date("2026-03-08"), 150), next);
    assert_eq!(zone("America/New_York").closing(date("2026-03-08"), 150), next);
}

#[test]
fn new_york_has_half_past_one_twice_in_november() {
    let (first, second) = (utc("2026-11-01T05:30"), utc("2026-11-01T06:30"));
    assert_eq!(wall("America/New_York", "2026-11-01", "01:30"), Wall::Twice { first, second });
    assert_eq!(wall("America/New_York", "2026-11-01", "02:00"), Wall::Once(utc("2026-11-01T07:00")));
    assert_eq!(zone("America/New_York").opening(date("2026-11-01"), 90), first);
    assert_eq!(zone("America/New_York").closing(date("2026-11-01"), 90), second);
}

#[test]
fn sixteen_hours_of_drying_over_the_march_night_end_at_ten() {
    let zone = zone("America/New_York");
    let Wall::Once(coated) = zone.wall(date("2026-03-07"), 17 * 60) else { panic!("17:00 happens once") };
    let dry = coated.plus(16 * 60);
    assert_eq!((zone.date(dry), zone.minute_of_day(dry)), (date("2026-03-08"), 10 * 60));
}

#[test]
fn a_half_hour_and_a_southern_summer() {
    // Lord Howe: +10:30, +11 in summer; the clocks go back at 02:00 to 01:30.
    let (first, second) = (utc("2026-04-04T14:45"), utc("2026-04-04T15:15"));
    assert_eq!(wall("Australia/Lord_Howe", "2026-04-05", "01:45"), Wall::Twice { first, second });
    let next = utc("2026-10-03T15:30");
    assert_eq!(wall("Australia/Lord_Howe", "2026-10-04", "02:15"), Wall::Never { next });
    assert_eq!(zone("Australia/Adelaide").offset_minutes(utc("2026-01-15T00:00")), 630);
    assert_eq!(zone("Australia/Adelaide").offset_minutes(utc("2026-07-15T00:00")), 570);
}

#[test]
fn zones_without_summer_time_never_change() {
    for (name, minutes, abbreviation) in
        [("America/Phoenix", -420, "MST"), ("Asia/Kolkata", 330, "IST"), ("Asia/Dubai", 240, "+04"), ("UTC", 0, "UTC")]
    {
        assert_eq!(zone(name).transitions(utc("2026-01-01T00:00"), utc("2036-01-01T00:00")), [], "{name}");
        let clock = Clock { offset_minutes: minutes, abbreviation: abbreviation.to_string(), is_dst: false };
        assert_eq!(zone(name).clock(utc("2026-07-01T00:00")), clock);
    }
}

#[test]
fn a_day_may_start_at_one_in_the_morning() {
    // Santiago: on 2026-09-06 clocks go from 24:00 to 01:00; on 2026-04-05 from 24:00 back to 23:00.
    let santiago = zone("America/Santiago");
    let start = utc("2026-09-06T04:00");
    assert_eq!(santiago.wall(date("2026-09-06"), 0), Wall::Never { next: start });
    assert_eq!(santiago.day_start(date("2026-09-06")), start);
    assert_eq!(santiago.minute_of_day(start), 60);
    assert_eq!(santiago.next_day_start(start.plus(-1)), start);
    assert_eq!(santiago.next_day_start(start).since(start), 23 * 60);
    assert_eq!(santiago.day_start(date("2026-04-05")).since(santiago.day_start(date("2026-04-04"))), 25 * 60);
    // Havana goes back from 01:00 to 00:00: the day starts at the first midnight and lasts 25 hours.
    let havana = zone("America/Havana");
    let Wall::Twice { first, .. } = havana.wall(date("2027-11-07"), 0) else { panic!("midnight happens twice") };
    assert_eq!(havana.day_start(date("2027-11-07")), first);
    assert_eq!(havana.next_day_start(first).since(first), 25 * 60);
}

#[test]
fn days_that_started_twice_or_not_at_all() {
    // St John's went back at 00:01, so a minute of the new day came before the last hour of the old one.
    let johns = zone("America/St_Johns");
    let start = johns.day_start(date("2010-11-07"));
    assert_eq!(johns.date(start.plus(-1)), date("2010-11-06"));
    assert_eq!(johns.next_day_start(start.plus(-30)), start);
    // Apia had no 2011-12-30.
    let apia = zone("Pacific/Apia");
    assert_eq!(apia.day_start(date("2011-12-30")), apia.day_start(date("2011-12-31")));
    assert_eq!(apia.date(apia.next_day_start(utc("2011-12-30T09:59"))), date("2011-12-31"));
}

#[test]
fn transitions_are_named_and_bounded() {
    let zone = zone("America/New_York");
    let (march, november) = (utc("2026-03-08T07:00"), utc("2026-11-01T06:00"));
    let found = zone.transitions(utc("2026-01-01T00:00"), utc("2027-01-01T00:00"));
    let named: Vec<_> = found
        .iter()
        .map(|t| (t.at, t.offset_before_minutes, t.offset_after_minutes, t.abbreviation.as_str(), t.is_dst))
        .collect();
    assert_eq!(named, [(march, -300, -240, "EDT", true), (november, -240, -300, "EST", false)]);
    assert_eq!(zone.transitions(march, november).len(), 1, "half-open: the first is in, the last is out");
    assert_eq!(zone.transitions(march.plus(1), november), []);
    assert_eq!(zone.transitions(november, march), []);
    assert_eq!(zone.transitions(Minute(i64::MAX - 1), Minute(i64::MAX)), []);
}

#[test]
fn clocks_that_changed_since_the_bundled_tables() {
    assert!(data_version() >= "2026f", "{}", data_version());
    // Vancouver, Edmonton, Winnipeg and Havana do not go back after summer 2026; Morocco goes back to UTC for good.
    let winter = utc("2027-01-15T12:00");
    let offset = |name| zone(name).offset_minutes(winter);
    assert_eq!(["America/Vancouver", "America/Edmonton", "America/Winnipeg"].map(offset), [-420, -360, -300]);
    assert_eq!(["America/Havana", "Africa/Casablanca"].map(offset), [-240, 0]);
    let named = zone("America/Vancouver").transitions(utc("2026-10-01T00:00"), utc("2027-10-01T00:00"));
    let [only] = named.as_slice() else { panic!("{named:?}") };
    assert_eq!((only.at, only.abbreviation.as_str(), only.is_dst), (utc("2026-11-01T09:00"), "MST", false));
    assert_eq!((only.offset_before_minutes, only.offset_after_minutes), (-420, -420));
    let listed = [
        "Africa/Casablanca",
        "Africa/El_Aaiun",
        "America/Edmonton",
        "America/Havana",
        "America/Inuvik",
        "America/Rainy_River",
        "America/Vancouver",
        "America/Winnipeg",
        "America/Yellowknife",
        "Canada/Central",
        "Canada/Mountain",
        "Canada/Pacific",
        "Cuba",
        "Europe/Chisinau",
        "Europe/Tiraspol",
    ];
    for name in listed {
        assert!(zone(name).is_corrected(), "{name}");
    }
    for name in ["America/New_York", "America/Chicago", "Australia/Lord_Howe", "UTC"] {
        assert!(!zone(name).is_corrected(), "{name} agrees and stays with the bundled tables");
    }
}

#[test]
fn every_zone_has_newer_data_whose_changes_lie_days_apart() {
    // `wall`, `transitions` and the comparison rest on this. Changes on one offset (a new name) do not count.
    for zone in Zone::all() {
        let newer = newer::read(zone.0).unwrap_or_else(|| panic!("no newer data for {zone}"));
        let start = newer::timestamp(KNOWN_FROM);
        let (mut offset, mut last) = (newer.to_offset(start), i64::MIN / 2);
        for change in newer.following(start).take_while(|c| c.timestamp() < newer::timestamp(KNOWN_UNTIL)) {
            if change.offset() != offset {
                let at = change.timestamp().as_second() / 60;
                assert!(at - last > newer::SAMPLE_MINUTES, "{zone}: {:?} follows {:?}", Minute(at), Minute(last));
                (offset, last) = (change.offset(), at);
            }
        }
    }
}

#[test]
fn an_unknown_name_is_told_its_neighbours() {
    for (given, meant) in [
        ("america/new_york", "America/New_York"),
        ("New York", "America/New_York"),
        ("Amerca/Chicago", "America/Chicago"),
        ("Vancuver", "America/Vancouver"),
    ] {
        let error = Zone::parse(given).unwrap_err();
        assert_eq!(error.code(), "zone-unknown");
        assert!(error.to_string().contains(&format!("{given:?}")), "{error}");
        assert!(error.cure().contains(meant), "{given}: {}", error.cure());
    }
    let nowhere = Zone::parse("Moon/Tycho Crater").unwrap_err();
    assert!(nowhere.cure().contains("such as America/New_York"), "{}", nowhere.cure());
    let long = Zone::parse(&"x".repeat(65)).unwrap_err();
    assert_eq!((long.code(), long), ("zone-too-long", ZoneError::TooLong { bytes: 65 }));
}

#[test]
fn absurd_instants_are_answered() {
    for at in [i64::MIN, -1 << 40, 1 << 40, i64::MAX] {
        for zone in [zone("America/New_York"), zone("America/Vancouver")] {
            let _ = (zone.date(Minute(at)), zone.minute_of_day(Minute(at)), zone.clock(Minute(at)));
        }
    }
    assert_eq!(Zone::UTC.date(Minute(i64::MAX)), NaiveDate::MAX);
    assert_eq!(Zone::UTC.date(Minute(i64::MIN)), NaiveDate::MIN);
    // -00:44:30 until January 1972.
    assert_eq!(zone("Africa/Monrovia").offset_minutes(utc("1971-06-01T00:00")), -44);
}

#[test]
fn names_are_unique_and_parse_back() {
    let names: BTreeSet<_> = Zone::all().map(Zone::name).collect();
    assert_eq!(names.len(), Zone::all().count());
    assert!(names.iter().all(|name| zone(name).name() == *name));
}

/// Any zone and any minute from 1971 to 2098; half of them near one of the zone's clock changes.
fn zone_and_instant() -> impl Strategy<Value = (Zone, Minute)> {
    let anywhere = KNOWN_FROM.0 + 366 * DAY..KNOWN_UNTIL.0 - 366 * DAY;
    (0..TZ_VARIANTS.len(), anywhere, any::<bool>(), -2 * DAY..2 * DAY).prop_map(|(index, at, snap, aside)| {
        let zone = Zone(TZ_VARIANTS[index]);
        let change = zone.transitions(Minute(at), Minute(at + 250 * DAY)).first().map(|change| change.at);
        (zone, change.filter(|_| snap).map_or(Minute(at), |change| change.plus(aside)))
    })
}

proptest! {
    #[test]
    fn a_wall_time_leads_back_to_its_instant((zone, at) in zone_and_instant()) {
        match zone.wall(zone.date(at), zone.minute_of_day(at)) {
            Wall::Once(only) => prop_assert_eq!(only, at),
            Wall::Twice { first, second } => prop_assert!(first < second && (first == at || second == at)),
            Wall::Never { .. } => prop_assert!(false, "it happened at {:?}", at),
        }
    }

    #[test]
    fn days_follow_one_another((zone, at) in zone_and_instant()) {
        let next = zone.next_day_start(at);
        prop_assert!(next > at);
        prop_assert!(zone.date(next) > zone.date(at));
        prop_assert_eq!(zone.date(next.plus(-1)), zone.date(at));
    }

    #[test]
    fn offsets_change_at_transitions_only((zone, at) in zone_and_instant(), days in 0..400_i64) {
        let until = at.plus(days * DAY);
        let mut offset = zone.offset_minutes(at);
        for change in zone.transitions(at.plus(1), until.plus(1)) {
            prop_assert_eq!(zone.offset_minutes(change.at.plus(-1)), offset);
            offset = zone.offset_minutes(change.at);
            prop_assert_eq!((change.offset_after_minutes, at < change.at && change.at <= until), (offset, true));
        }
        prop_assert_eq!(zone.offset_minutes(until), offset);
    }

    #[test]
    fn any_text_is_a_zone_or_a_useful_error(text in "\\PC{0,80}") {
        match Zone::parse(&text) {
            Ok(zone) => prop_assert_eq!(zone.name(), text),
            Err(error) => prop_assert!(!error.cure().is_empty()),
        }
    }

    // chrono's own formatting is the reference.
    #[test]
    fn instants_are_written_as_rfc_3339_says((zone, at) in zone_and_instant(), second in 0..60_i64) {
        let at = at.to_utc() + chrono::TimeDelta::seconds(second);
        let offset = chrono::FixedOffset::east_opt(zone.offset_minutes(Minute::floor_from(at)) * 60).unwrap();
        let written = at.with_timezone(&offset).to_rfc3339_opts(chrono::SecondsFormat::Secs, false);
        prop_assert_eq!(zone.rfc3339(at), written);
    }

    #[test]
    fn what_is_remembered_is_what_the_tables_say((zone, at) in zone_and_instant(), minutes in -6_000..6_000_i64) {
        for at in [at, at.plus(minutes), at.plus(4_096)] {
            prop_assert_eq!(zone.offset_minutes(at), zone.offset_looked_up(known(at)));
        }
    }
}

/// Around each change of each clock, once it is remembered.
#[test]
fn offsets_are_remembered_right_around_every_change() {
    for zone in Zone::all().filter(|zone| zone.name().contains('/')).step_by(7) {
        for change in zone.transitions(Minute(0), Minute(80 * 366 * DAY)) {
            for at in (-4..=4).map(|step| change.at.plus(step * 1_365 + i64::from(step > 0))) {
                assert_eq!(zone.offset_minutes(at), zone.offset_looked_up(known(at)), "{zone} at {at:?}");
            }
        }
    }
}
