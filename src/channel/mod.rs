//! channel (being built).
