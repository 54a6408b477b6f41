//! confidence (being built).
