//! Sending notices to other programs: where to is allowed, how it is signed, when it is tried again. Pure but for `post`,
//! which asks the network. What is sent and what follows from it is decided in `service` and `worker`.
//!
//! | file | what |
//! |---|---|
//! | `address` | which addresses are taken, and which are not |
//! | `sign` | secrets and signatures, by the published scheme "Standard Webhooks" |
//! | `patience` | when a failed delivery is tried again, and when it is given up |
//! | `post` | one request, bounded in time, to no other place than the one that was named |

mod address;
mod patience;
mod post;
mod sign;

pub use address::{ADDRESS_CHARS_MAX, Targets, check_address, is_public};
pub use patience::{TRIES_MAX, again_after_seconds};
pub use post::{POST_TIME_MAX, PostError, Poster};
pub use sign::{Headers, SECRET_BYTES, SigningSecret, headers};
