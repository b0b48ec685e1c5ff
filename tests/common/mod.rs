//! What several integration tests need.

pub mod app;
pub mod happenings;
pub mod postgres;
pub mod program;
pub mod proxy;
pub mod receiver;
pub mod rows;
pub mod store;
