//! The nouns of the job, already parsed: no I/O, no clock, no wire formats.

pub mod time;
pub mod zone;
