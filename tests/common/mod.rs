//! What several integration tests need.

pub mod postgres;
pub mod store;
