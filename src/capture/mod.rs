//! capture (being built).
