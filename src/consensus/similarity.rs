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

impl Similarity {
    /// Of two runs that begin at the same bit.
    pub fn of(a: &[Llr], b: &[Llr]) -> Similarity {
        let mut out = Similarity::default();
        for (x, y) in a.iter().zip(b) {
            if x.is_lost() || y.is_lost() {
                continue;
            }
            let (p, q) = (0.5 * (0.5 * x.0.clamp(-TEMPER, TEMPER)).tanh(), (0.5 * y.0.clamp(-TEMPER, TEMPER)).tanh());
            // P(same) = 1/2 + 2 (p - 1/2)(q - 1/2)
            let same = 0.5 + 2.0 * p * q;
            out.against_random += f64::from((2.0 * same).ln());
            out.against_alike += f64::from((same / ((1.0 - ALIKE_DIFFERS) * same + ALIKE_DIFFERS * (1.0 - same))).ln());
            out.seen += 1;
        }
        out
    }

    /// The same block, beyond reasonable doubt.
    pub fn is_same(self) -> bool {
        self.against_random > 12.0 && self.against_alike > -3.0
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
