//! All SQL and the private PostgreSQL cluster.
