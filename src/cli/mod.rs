//! The command line: commands and what they print.

pub mod week;
