//! report (being built).
