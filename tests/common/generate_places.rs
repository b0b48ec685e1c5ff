//! Random houses, where they are, when they let people in, and the weather around them.

use super::super::world::{key, name};
use super::{Draw, days, regular, zone_near};
use std::collections::{BTreeMap, BTreeSet};
use tackfree::domain::calendar::{Calendar, Window};
use tackfree::domain::climate::{Air, AirReading, HouseAir, NormalHour, Normals, OutdoorHour};
use tackfree::domain::ids::RegionIx;
use tackfree::domain::resources::{Area, House, Location, Region};
use tackfree::domain::time::{HOUR, Minute};
use tackfree::domain::zone::Zone;

pub fn location(draw: &mut Draw) -> Option<Location> {
    let at = |draw: &mut Draw, base: i64| (base + draw.between(-150_000, 150_000)) as i32;
    let place = Location { latitude_e6: at(draw, 40_700_000), longitude_e6: at(draw, -74_000_000) };
    (!draw.chance(10)).then_some(place)
}

pub fn ordinary_access(draw: &mut Draw) -> Calendar {
    let mut week: [Vec<Window>; 7] = Default::default();
    days(0..7, &[regular("6:00", "20:00")], &mut week);
    if draw.chance(60) { Calendar::always() } else { Calendar::new(week, BTreeMap::new()).unwrap() }
}

fn access(draw: &mut Draw) -> Calendar {
    let mut week: [Vec<Window>; 7] = Default::default();
    match draw.below(10) {
        0..5 => return Calendar::always(),
        5 | 6 => days(0..7, &[regular("8:00", "18:00")], &mut week),
        7 => days(0..5, &[regular("7:00", "12:30"), regular("13:30", "19:00")], &mut week),
        8 => days(0..5, &[regular("9:00", "17:00")], &mut week),
        // Hardly ever: a house that nobody may enter, or only at night.
        _ if draw.chance(20) => {}
        _ => days(0..7, &[regular("0:00", "7:00"), regular("19:00", "24:00")], &mut week),
    }
    Calendar::new(week, BTreeMap::new()).unwrap()
}

pub fn house(draw: &mut Draw, office: Zone, areas_max: usize, regions: usize, number: usize) -> House {
    let area = |number: usize, draw: &mut Draw| Area {
        name: name(&format!("Area {number}")),
        area_sqft: draw.between(60, 900) as u32,
        species: draw.chance(50).then(|| name("white oak")),
    };
    let air = match draw.below(6) {
        0 | 1 => {
            let (temp, rh) = (draw.between(1_700, 2_300) as i32, draw.between(3_500, 6_000) as i32);
            HouseAir::Controlled(Air { temp_centi_c: temp, rh_centi_percent: rh })
        }
        2 => HouseAir::Closed,
        3 => HouseAir::Open { heated_to_centi_c: None },
        _ => HouseAir::Open { heated_to_centi_c: Some(draw.between(1_600, 2_200) as i32) },
    };
    House {
        key: key(&format!("house-{number}")),
        name: name(&format!("House {number}")),
        address: None,
        zone: zone_near(draw, office),
        location: location(draw),
        access: access(draw),
        closures: Vec::new(),
        areas: (0..1 + draw.below(areas_max)).map(|number| area(number, draw)).collect(),
        air,
        region: (regions > 0 && draw.chance(85)).then(|| RegionIx::from_index(draw.below(regions.max(1)))),
        air_readings: Vec::new(),
    }
}

/// What was measured in a house in the last days: mostly nothing.
pub fn readings(draw: &mut Draw, now: Minute) -> Vec<AirReading> {
    let count = if draw.chance(30) { 1 + draw.below(4) } else { 0 };
    let instants: BTreeSet<Minute> = (0..count).map(|_| now.plus(-draw.between(0, 4 * 1440))).collect();
    let reading = |at| {
        let (temp, rh) = (draw.between(500, 3_000) as i32, draw.between(2_000, 9_500) as i32);
        AirReading { at, air: Air { temp_centi_c: temp, rh_centi_percent: rh } }
    };
    instants.into_iter().map(reading).collect()
}

pub fn mild_region(draw: &mut Draw, now: Minute, number: usize) -> Region {
    weather(draw, now, number, (1_600, 5_000), 0)
}

pub fn region(draw: &mut Draw, now: Minute, number: usize) -> Region {
    // Mild, humid, cold, hot and dry: means of temperature and humidity.
    let mean = draw.pick(&[(1_800, 5_500), (2_300, 7_800), (600, 7_000), (2_800, 3_000)]);
    let spells = draw.below(4);
    weather(draw, now, number, mean, spells)
}

/// Two days back and some days ahead: a day's swing, noise, and spells of humid or cold air.
fn weather(draw: &mut Draw, now: Minute, number: usize, mean: (i64, i64), spells: usize) -> Region {
    let first = Minute((now.0.div_euclid(HOUR) - 48) * HOUR);
    let count = 72 + 24 * draw.below(10);
    let mut air: Vec<(i64, i64)> = Vec::with_capacity(count);
    for hour in 0..count as i64 {
        // Warmest and driest twelve hours after the coldest and dampest.
        let swing = 6 - (hour % 24 - 12).abs();
        let temp = mean.0 + 60 * swing + draw.between(-80, 80);
        let rh = mean.1 - 150 * swing + draw.between(-200, 200);
        air.push((temp, rh));
    }
    for _ in 0..spells {
        let (from, length) = (draw.below(count), 12 + draw.below(48));
        let (colder, damper) = if draw.chance(50) { (0, 2_500) } else { (1_400, 500) };
        for hour in air.iter_mut().skip(from).take(length) {
            *hour = (hour.0 - colder, hour.1 + damper);
        }
    }
    let hour = |(index, (temp, rh)): (usize, (i64, i64))| OutdoorHour {
        start: first.plus(index as i64 * HOUR),
        air: Air { temp_centi_c: temp.clamp(-3_000, 4_500) as i32, rh_centi_percent: rh.clamp(500, 10_000) as i32 },
        rain_centi_mm: 0,
    };
    let hours = air.into_iter().enumerate().map(hour).collect();
    let text = format!("region-{number}");
    // Some regions have their usual air for the days past the forecast; no draw, so that seeds keep their companies.
    let normals = (spells % 2 == 1).then(|| usual(mean));
    Region { key: key(&text), name: name(&text), gridpoint: None, hours, normals }
}

/// The region's mean air with its day's swing, the same in every month.
fn usual(mean: (i64, i64)) -> Normals {
    let hour = |of_day: usize| {
        let temp = mean.0 + 60 * (6 - (of_day as i64 - 12).abs());
        let air = Air { temp_centi_c: temp as i32, rh_centi_percent: mean.1 as i32 };
        NormalHour { temp_centi_c: air.temp_centi_c, vapour_deci_pa: (air.vapour_pressure_pa() * 10.0) as i32 }
    };
    Normals { months: Box::new([std::array::from_fn(hour); 12]) }
}
