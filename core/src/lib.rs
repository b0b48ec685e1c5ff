//! Multi-crew scheduling and job sequencing for wood-floor sanding and finishing: the pure core. What comes out depends on what
//! goes in, and on nothing else.
//!
//! | module | what |
//! |---|---|
//! | `domain` | the words: houses, jobs, chains, crews, gear, plans, times |
//! | `trade` | the numbers of the trade: air, wood, drying, readings |
//! | `planner` | who goes where and when |
//! | `audit` | whether a plan keeps every rule, worked out without the planner |
//! | `chance` | whether a house makes its date, by simulation |

// Tests may unwrap: a panic there is a failed test.
#![cfg_attr(test, allow(clippy::unwrap_used, reason = "a panic in a test is a failed test"))]

pub mod audit;
pub mod chance;
pub mod domain;
pub mod planner;
pub mod trade;
