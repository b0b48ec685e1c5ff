//! The numbers of the trade: pure functions with sources, floating point inside and integers out. No I/O, no clock,
//! and nothing of the domain but instants, spans, zones, kinds of steps and what describes air.

pub mod approach;
pub mod cautions;
pub mod climate;
pub mod customer_dates;
pub mod drying;
pub mod gate;
pub mod house;
pub mod humid_air;
pub mod load_list;
pub mod meter;
pub mod moisture;
pub mod normals;
pub mod quantities;
pub mod readings;
pub mod ready;
pub mod sections;
pub mod supplies;
