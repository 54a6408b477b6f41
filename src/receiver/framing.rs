//! From a run of soft bytes to readings: where the sync sequence stands, which copy it announces, where the block ends.

use super::demodulate::SoftByte;
use crate::Llr;
use crate::tape::{Grammar, Layout};

/// A run of bytes as followed along the tape.
#[derive(Clone, Debug)]
pub struct Run {
    pub bytes: Vec<SoftByte>,
    /// Bytes before which the structure was found anew: the count may be off there.
    pub leaps: Vec<usize>,
    /// Bytes whose place was only predicted.
    pub lost: Vec<bool>,
    /// Evidence that the block ends after the last byte (log-likelihood ratio), if that was heard.
    pub end: Option<f32>,
}

/// A part of a run that is one copy of one block: the payload and its check byte, sync taken off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    pub from: usize,
    pub to: usize,
    /// Which copy's sync sequence stands before it; `None` when none was recognised: then `from` is no known place in
    /// the block.
    pub copy: Option<usize>,
    /// Log-likelihood ratio of the sync sequence against random bits, as far as the count goes on from it to the payload.
    pub sync: f32,
}

/// Least evidence for a sync sequence: half of one, or e^14 to 1.
const LEAST_SYNC: f32 = 14.0;

/// Splits a run into the copies it holds.
pub fn parts(run: &Run, grammar: &Grammar, layout: &Layout) -> Vec<Part> {
    let n = run.bytes.len();
    let mut cuts: Vec<(usize, usize, usize, f32)> = Vec::new();
    for (copy, bytes) in layout.sync.iter().enumerate() {
        let expected: Vec<Vec<bool>> = bytes.iter().map(|&b| (grammar.byte_bits)(b)).collect();
        for at in 0..n {
            // inside a block the same bytes may be data: a sync sequence follows a tone, which is no byte
            let near = at.saturating_sub(8)..at;
            let fresh =
                at < 12 || near.clone().any(|i| run.lost[i]) || run.leaps.iter().any(|l| near.contains(l) || *l == at);
            if !fresh {
                continue;
            }
            let evidence = matches(&run.bytes[at..], &expected);
            if evidence > LEAST_SYNC {
                cuts.push((at, copy, bytes.len(), evidence));
            }
        }
    }
    cuts.sort_by(|a, b| a.0.cmp(&b.0).then(b.3.total_cmp(&a.3)));
    // of overlapping sequences the better one
    let mut kept: Vec<(usize, usize, usize, f32)> = Vec::new();
    for cut in cuts {
        match kept.last_mut() {
            Some(last) if cut.0 < last.0 + last.2 => {
                if cut.3 > last.3 {
                    *last = cut;
                }
            }
            _ => kept.push(cut),
        }
    }
    let mut out = Vec::new();
    if kept.first().is_none_or(|c| c.0 > 3) {
        let to = kept.first().map_or(n, |c| c.0);
        out.push(Part { from: 0, to, copy: None, sync: 0.0 });
    }
    for (i, &(at, copy, length, sync)) in kept.iter().enumerate() {
        let to = kept.get(i + 1).map_or(n, |c| c.0);
        // the count from what stands before a leap may be off: only what stands behind it says where the payload begins
        let slip = run.leaps.iter().copied().filter(|&l| l > at && l <= at + length).max();
        let sync = slip.map_or(sync, |l| {
            let rest: Vec<Vec<bool>> = layout.sync[copy].iter().skip(l - at).map(|&b| (grammar.byte_bits)(b)).collect();
            matches(&run.bytes[l.min(n)..], &rest)
        });
        out.push(Part { from: (at + length).min(to), to, copy: Some(copy), sync });
    }
    out.retain(|p| p.to > p.from);
    out
}

/// ln P(bits | sequence) / P(bits | random): each bit adds ln 2 P(expected).
fn matches(bytes: &[SoftByte], expected: &[Vec<bool>]) -> f32 {
    let mut sum = 0.0;
    for (byte, bits) in bytes.iter().zip(expected) {
        for (&Llr(llr), &bit) in byte.bits.iter().zip(bits) {
            let signed = if bit { llr } else { -llr }.clamp(-4.0, 12.0);
            sum += std::f32::consts::LN_2 - (1.0 + (-signed).exp()).ln();
        }
    }
    sum
}
