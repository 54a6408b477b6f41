//! consensus (being built).
