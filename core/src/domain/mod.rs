//! The nouns of the job, already parsed: no I/O, no clock, no wire formats. A value here exists only if it is valid.
//!
//! | module | what |
//! |---|---|
//! | `time` | instants, lengths, half-open spans, in minutes |
//! | `zone` | wall clocks: the one module that knows time zones |
//! | `calendar` | weekly hours and their exceptions |
//! | `text`, `ids` | keys and names; indices and skills |
//! | `resources` | houses, crews, equipment, regions, travel |
//! | `climate` | air, films, gates |
//! | `chain` | steps and waits |
//! | `situation` | everything known at one instant |
//! | `plan` | who does what when, and what it costs |
//! | `bounds`, `fault` | limits on input, and how refusals are told |

pub mod bounds;
pub mod calendar;
pub mod chain;
pub mod climate;
pub mod fault;
pub mod ids;
pub mod plan;
pub mod resources;
pub mod situation;
pub mod text;
pub mod time;
pub mod zone;
