//! How well the passing of failed floors is predicted, world by world: `cargo run --release --example floor_campaign --
//! FLOORS FIRST_SEED`. Prints its seeds; the same seed draws the same floors.

#[path = "../tests/common/floors.rs"]
mod floors;

use floors::{WORLDS, simulate};

fn main() {
    let number = |place: usize, otherwise: u64| {
        std::env::args().nth(place).and_then(|text| text.parse().ok()).unwrap_or(otherwise)
    };
    let (floors, first_seed) = (number(1, 10_000), number(2, 1));
    for (world, seed) in WORLDS.iter().zip(first_seed..) {
        let figures = simulate(world, seed, floors as usize);
        println!("seed {seed}, {}", figures.told(world.name));
    }
}
