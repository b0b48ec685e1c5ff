//! The numbers of the trade: pure functions with sources, floating point inside and integers out. No I/O, no clock,
//! and nothing of the domain but instants, spans and what describes air.

pub mod climate;
pub mod drying;
pub mod gate;
pub mod house;
pub mod humid_air;
pub mod moisture;
pub mod normals;
pub mod readings;
pub mod ready;
pub mod sections;
