//! Are two readings of the same bits? Two likelihood ratios answer.

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

/// tanh(llr / 2), tempered, by Lambert's continued fraction of four steps: right to 5e-6 up to |llr| = 7, and without a
/// branch, so that the compiler makes vector code of it. 0 for a bit that was lost.
fn lean(llr: Llr) -> f32 {
    let t = 0.5 * llr.0.clamp(-TEMPER, TEMPER);
    let q = t * t;
    t * (135_135.0 + q * (17_325.0 + q * (378.0 + q))) / (135_135.0 + q * (62_370.0 + q * (3_150.0 + q * 28.0)))
}

/// Pairs whose probabilities are multiplied before a logarithm is taken, which is cheaper than a sum of logarithms: that many
/// factors of at least 1e-3 stay in range.
const ROW: usize = 64;

impl Similarity {
    /// Of two runs that begin at the same bit.
    pub fn of(a: &[Llr], b: &[Llr]) -> Similarity {
        let mut out = Similarity::default();
        for (a, b) in a.chunks(ROW).zip(b.chunks(ROW)) {
            // twice P(same), which is 1 where one was lost or there is no pair
            let mut same = [1.0f32; ROW];
            let mut seen = 0;
            for ((same, &x), &y) in same.iter_mut().zip(a).zip(b) {
                // tanh(llr / 2) = 2 P(1) - 1; P(same) = 1/2 + 2 (P - 1/2)(Q - 1/2)
                *same += lean(x) * lean(y);
                seen += u32::from(!x.is_lost() & !y.is_lost());
            }
            let random = product(&same, |same| same);
            let alike = product(&same, |same| (1.0 - ALIKE_DIFFERS) * same + ALIKE_DIFFERS * (2.0 - same));
            out.against_random += random.ln();
            out.against_alike += (random / alike).ln();
            out.seen += seen as usize;
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

/// Product of `of` every number, in a fixed order: one running product a lane.
fn product(numbers: &[f32; ROW], of: impl Fn(f32) -> f32) -> f64 {
    const LANES: usize = 8;
    let mut lanes = [1.0f64; LANES];
    for row in numbers.chunks_exact(LANES) {
        for (lane, &x) in lanes.iter_mut().zip(row) {
            *lane *= f64::from(of(x));
        }
    }
    lanes.iter().product()
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
