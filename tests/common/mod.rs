//! What several integration tests need.

pub mod postgres;
