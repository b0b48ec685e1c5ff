//! Multi-crew scheduling and job sequencing for wood-floor sanding and finishing.
//!
//! Pure core (the package `tackfree-core`), one way in and out: request -> dto -> domain -> planner -> audit -> store -> feed.

// Tests may unwrap: a panic there is a failed test.
#![cfg_attr(test, allow(clippy::unwrap_used, reason = "a panic in a test is a failed test"))]

pub mod api;
pub mod browser;
pub mod calculate;
pub mod cli;
pub mod demo;
pub mod difference;
pub mod dto;
pub mod feed;
pub mod measure;
pub mod methods;
pub mod service;
pub mod store;
pub mod table;
pub mod weather;
pub mod web;
pub mod webhook;
pub mod worker;

pub use tackfree_core::{audit, chance, domain, planner, trade};
