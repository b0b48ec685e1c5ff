//! What happened, each told once, in any order, as often as the sender likes. An event is applied by the use cases that
//! there are for it, in one transaction with its row; one that comes before its time waits there.
//!
//! | module | what |
//! |---|---|
//! | `shapes` | events as they are shown |
//! | `tell` | an event comes in |
//! | `settled` | what an event has come to, and how a refusal is read |
//! | `floor`, `story` | events on steps: a job's records told anew in the order in which they happened |
//! | `spells` | crews, gear, houses: away, short, broken, closed, and back |
//! | `office` | jobs and forecasts: the last word counts |
//! | `note` | what comes by other ways leaves an event, too |
//! | `apply` | an event applied to a planning file, in memory |

mod apply;
mod floor;
mod note;
mod office;
mod settled;
mod shapes;
mod spells;
mod story;
mod tell;

pub use apply::apply_event;
pub(super) use note::NounChange;
pub(super) use office::job_patched;
pub use shapes::{EventPage, EventStandingDto, EventView};
