//! The numbers of the trade: pure functions with sources.
