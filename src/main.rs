//! The `tackfree` program.
fn main() {}
