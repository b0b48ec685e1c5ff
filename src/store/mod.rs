//! All SQL and the private PostgreSQL cluster.

pub mod cluster;
