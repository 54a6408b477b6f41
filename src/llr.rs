//! Soft bits: one type, one sign convention.

use serde::{Deserialize, Serialize};

/// A soft bit: ln P(bit = 1) / P(bit = 0), in nats. Positive says 1, negative says 0, zero says nothing (lost).
///
/// Independent evidence about the same bit adds: `a + b`. f32 because nothing we measure is known to more than seven
/// digits; sums over whole blocks are kept in f64.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Llr(pub f32);

impl Llr {
    /// No evidence either way.
    pub const LOST: Llr = Llr(0.0);

    /// The more probable value; a tie reads as `false`, ask [`Llr::is_lost`] first where ties matter.
    pub fn bit(self) -> bool {
        self.0 > 0.0
    }

    pub fn is_lost(self) -> bool {
        self.0 == 0.0
    }

    /// P(bit = 1).
    pub fn p_one(self) -> f64 {
        1.0 / (1.0 + (-f64::from(self.0)).exp())
    }

    /// P(the more probable value is wrong), at most 0.5.
    pub fn p_wrong(self) -> f64 {
        1.0 / (1.0 + f64::from(self.0.abs()).exp())
    }
}

impl std::ops::Add for Llr {
    type Output = Llr;
    fn add(self, other: Llr) -> Llr {
        Llr(self.0 + other.0)
    }
}

impl std::ops::AddAssign for Llr {
    fn add_assign(&mut self, other: Llr) {
        self.0 += other.0;
    }
}

impl std::ops::Mul<f32> for Llr {
    type Output = Llr;
    fn mul(self, weight: f32) -> Llr {
        Llr(self.0 * weight)
    }
}

impl std::ops::Neg for Llr {
    type Output = Llr;
    fn neg(self) -> Llr {
        Llr(-self.0)
    }
}
