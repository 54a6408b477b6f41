//! Are two readings of the same bits? Two likelihood ratios answer.

use std::sync::OnceLock;

use crate::Llr;

/// ln P(both | same bits) / P(both | unrelated bits), per aligned pair of soft bits summed; and the same against
/// "bits that mostly agree but are not the same" (two headers share nearly all their spaces).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Similarity {
    pub against_random: f64,
    pub against_alike: f64,
    /// Bits that both saw.
    pub seen: usize,
}

/// Share of bits that differ between two blocks that are merely alike.
const ALIKE_DIFFERS: f32 = 0.01;
/// No pair of soft bits counts as more certain than this: one lie must not outweigh a thousand truths.
const TEMPER: f32 = 7.0;

/// tanh(llr / 2), tempered, from a table of it: straight lines between steps of 1/128 are right to 2e-6.
fn lean(llr: &Llr) -> f32 {
    const STEPS: f32 = 128.0;
    static TABLE: OnceLock<Vec<f32>> = OnceLock::new();
    let table =
        TABLE.get_or_init(|| (0..=(TEMPER * STEPS) as usize + 1).map(|i| (0.5 * i as f32 / STEPS).tanh()).collect());
    let at = llr.0.abs().min(TEMPER) * STEPS;
    let i = at as usize;
    (table[i] + (at - i as f32) * (table[i + 1] - table[i])).copysign(llr.0)
}

impl Similarity {
    /// Of two runs that begin at the same bit.
    pub fn of(a: &[Llr], b: &[Llr]) -> Similarity {
        let mut out = Similarity::default();
        // a logarithm of a product is cheaper than a sum of logarithms; 64 factors of at least 1e-3 stay in range
        for (a, b) in a.chunks(64).zip(b.chunks(64)) {
            let (mut random, mut alike) = (1.0f64, 1.0f64);
            for (x, y) in a.iter().zip(b) {
                if x.is_lost() || y.is_lost() {
                    continue;
                }
                // tanh(llr / 2) = 2 P(1) - 1; P(same) = 1/2 + 2 (P - 1/2)(Q - 1/2)
                let same = 0.5 + 0.5 * lean(x) * lean(y);
                random *= f64::from(2.0 * same);
                alike *= f64::from(same / ((1.0 - ALIKE_DIFFERS) * same + ALIKE_DIFFERS * (1.0 - same)));
                out.seen += 1;
            }
            out.against_random += random.ln();
            out.against_alike += alike.ln();
        }
        out
    }

    /// The same block, beyond reasonable doubt.
    pub fn is_same(self) -> bool {
        // blocks longer than a header have little in common by custom: there, bits that lie in a damaged stretch are the
        // likelier explanation of a few that differ
        let longer = self.seen.saturating_sub(1800) as f64;
        self.against_random > 12.0 && self.against_alike > -3.0 - 0.02 * longer
    }

    /// Two blocks, beyond reasonable doubt.
    pub fn is_other(self) -> bool {
        self.against_alike < -12.0
    }
}

/// The best lag of `part` against `whole` in units of `step` bits, among `lags` (how many steps `part` begins after
/// `whole` does; may be negative), with the similarity there and the next best elsewhere.
pub fn best_lag(
    part: &[Llr],
    whole: &[Llr],
    step: usize,
    lags: std::ops::RangeInclusive<i64>,
) -> Option<(i64, Similarity, f64)> {
    let mut best: Option<(i64, Similarity)> = None;
    let mut second = f64::NEG_INFINITY;
    for lag in lags {
        let shift = lag * step as i64;
        let (a, b) = if shift >= 0 {
            (part, whole.get(shift as usize..).unwrap_or(&[]))
        } else {
            (part.get(-shift as usize..).unwrap_or(&[]), whole)
        };
        let s = Similarity::of(a, b);
        if s.seen == 0 {
            continue;
        }
        match &best {
            Some((_, old)) if s.against_random <= old.against_random => second = second.max(s.against_random),
            old => {
                if let Some((_, o)) = old {
                    second = second.max(o.against_random);
                }
                best = Some((lag, s));
            }
        }
    }
    best.map(|(lag, s)| (lag, s, second))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bits of P = 0.9 and Q = 0.8: the same with 0.9·0.8 + 0.1·0.2 = 0.74, by hand.
    #[test]
    fn likelihood_of_the_same_bit_is_that_worked_by_hand() {
        let (a, b) = (Llr((9.0f32).ln()), Llr((4.0f32).ln()));
        let same = Similarity::of(&[a], &[b]).against_random;
        assert!((same - (2.0 * 0.74f64).ln()).abs() < 2e-6, "{same}");
        let other = Similarity::of(&[a], &[-b]).against_random;
        assert!((other - (2.0 * 0.26f64).ln()).abs() < 4e-6, "{other}");
        // however sure both are
        assert!(Similarity::of(&[Llr(300.0)], &[Llr(-300.0)]).against_random.is_finite());
    }
}
