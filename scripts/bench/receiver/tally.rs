//! Sums over trials.

use serde::Serialize;
use std::collections::BTreeMap;

/// What was counted, by name. Bytes are of the 501 of the data block; programs are header and data together.
pub const NAMES: [&str; 26] = [
    "trials",
    "edges_wrong_bytes",
    "edges_right",
    "soft_wrong_bytes",
    "soft_right",
    "exact_wrong_bytes",
    "exact_right",
    "block_established",
    "block_established_and_wrong",
    "program_recovered",
    "program_established",
    "program_established_and_wrong",
    "readings_expected",
    "readings_missing",
    "bits_read",
    "bits_lost",
    "bits_wrong",
    "bound_trials",
    "bound_hard_wrong_bytes",
    "bound_soft_wrong_bytes",
    "bound_soft_right",
    "bound_exact_wrong_bytes",
    "bound_exact_right",
    "bound_program_recovered",
    "bound_bits",
    "bound_bits_wrong",
];

#[derive(Clone, Debug, Default, Serialize)]
#[serde(transparent)]
pub struct Tally(BTreeMap<&'static str, u64>);

impl Tally {
    pub fn count(&mut self, name: &'static str, more: u64) {
        debug_assert!(NAMES.contains(&name), "{name}");
        *self.0.entry(name).or_default() += more;
    }

    pub fn get(&self, name: &'static str) -> u64 {
        debug_assert!(NAMES.contains(&name), "{name}");
        self.0.get(name).copied().unwrap_or(0)
    }

    /// `None` where nothing was tried.
    pub fn per(&self, name: &'static str, of: &'static str) -> Option<f64> {
        let n = self.get(of);
        (n > 0).then(|| self.get(name) as f64 / n as f64)
    }

    pub fn add(&mut self, other: &Tally) {
        other.0.iter().for_each(|(name, more)| self.count(name, *more));
    }
}
