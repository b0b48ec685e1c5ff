//! What several integration tests need.

pub mod app;
pub mod browser;
pub mod crash;
pub mod generate;
pub mod happenings;
pub mod life;
pub mod operations;
pub mod postgres;
pub mod program;
pub mod promise;
pub mod proxy;
pub mod receiver;
pub mod rows;
pub mod store;
pub mod world;
