//! receiver (being built).
