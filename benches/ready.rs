//! How many questions about a wet floor one core answers: when it is ready, when a coat may go on, and what making the
//! tables costs. `cargo bench --bench ready`; the air is a recorded year.

#![allow(missing_docs, reason = "the macros below write undocumented functions")]
#![allow(clippy::unwrap_used, reason = "a panic in a benchmark is a failed benchmark")]

#[path = "../tests/common/newark.rs"]
mod newark;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use newark::newark;
use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;
use std::hint::black_box;
use std::time::Duration;
use tackfree::domain::climate::{Film, Gate, HouseAir};
use tackfree::domain::time::{HOUR, Minute};
use tackfree::trade::climate::HourlyClimate;
use tackfree::trade::gate::GateTable;
use tackfree::trade::house::house_climate;
use tackfree::trade::normals::normals_of;
use tackfree::trade::ready::DryingTable;

const QUESTIONS: usize = 10_000;
const DAY: i64 = 24 * HOUR;

/// Starts and label times all over the year, in no order that a cache could follow.
fn questions(climate: &HourlyClimate) -> Vec<(Minute, i64)> {
    let mut dice = Pcg64Mcg::seed_from_u64(1);
    let minutes = climate.forecast_end().unwrap().since(climate.start()) as u64;
    let mut below = |most: u64| (dice.next_u64() % most) as i64;
    (0..QUESTIONS).map(|_| (climate.start().plus(below(minutes)), 60 + below(24 * 60))).collect()
}

fn ready(criterion: &mut Criterion) {
    let outdoor = newark();
    let house = house_climate(&outdoor, HouseAir::Open { heated_to_centi_c: Some(1800) });
    let (from, until) = (house.start(), house.forecast_end().unwrap().plus(60 * DAY));
    let asked = questions(&house);
    let table = DryingTable::new(&house, Film::Waterborne, from, until);
    let gate = Gate {
        temp_min_centi_c: 1300,
        temp_max_centi_c: 2900,
        rh_min_centi_percent: 2000,
        rh_max_centi_percent: 7500,
        dew_point_margin_min_centi_c: 300,
        hold_after_minutes: 2 * HOUR,
    };
    let gates = GateTable::new(&house, &gate, from, until);

    let mut group = criterion.benchmark_group("questions");
    group.throughput(Throughput::Elements(QUESTIONS as u64)).measurement_time(Duration::from_secs(3));
    group.bench_function("when a floor is ready", |bencher| {
        bencher.iter(|| asked.iter().filter_map(|&(start, label)| table.ready_at(black_box(start), label)).count());
    });
    group.bench_function("when a coat may go on", |bencher| {
        bencher
            .iter(|| asked.iter().filter_map(|&(start, label)| gates.earliest_start(black_box(start), label)).count());
    });
    group.finish();

    let normals = normals_of(&newark::recorded_hours()).unwrap();
    let region = |days: usize| {
        let hours = newark::recorded_hours();
        HourlyClimate::from_hours(hours[..days * 24].to_vec()).unwrap()
    };
    let ten_days = region(10);
    let with_normals = ten_days.clone().with_normals(&normals);
    let mut group = criterion.benchmark_group("tables of 90 days");
    group.measurement_time(Duration::from_secs(3));
    for (name, climate) in [("forecast of ten days", &ten_days), ("the same and normals", &with_normals)] {
        let table = |climate: &HourlyClimate| {
            let house = house_climate(climate, HouseAir::Closed);
            DryingTable::new(&house, Film::Treatment, from, from.plus(90 * DAY))
        };
        group.bench_function(name, |bencher| bencher.iter(|| table(black_box(climate))));
    }
    group.finish();
}

criterion_group!(all, ready);
criterion_main!(all);
