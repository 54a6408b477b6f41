//! export (being built).
