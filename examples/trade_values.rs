//! Prints every value that the numbers of the trade are held against, beside ours:
//! `cargo run --example trade_values > docs/trade-values.md`.

#[path = "../tests/common/trade_values.rs"]
mod trade_values;

fn main() {
    print!("{}", trade_values::page());
}
