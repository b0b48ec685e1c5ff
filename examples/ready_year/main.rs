//! Draws when floors are ready over one recorded year, started each day at 16:00 in three houses:
//! `cargo run --example ready_year > docs/ready-year.svg`.

mod chart;
#[path = "../../tests/common/newark.rs"]
mod newark;
mod svg;
mod year;

fn main() {
    print!("{}", chart::draw(&year::houses()));
}
