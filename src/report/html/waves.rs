//! The waveforms of all readings of one byte, one under the other, aligned, with the decision and the rival on them.

use maud::{Markup, html};

use super::svg::{path, px, word};
use crate::report::evidence::Evidence;
use crate::report::evidence::bytes::{ByteFact, ByteVote, SAYS_NOTHING, decided_bits, votes};
use crate::report::words;

const WIDTH: f64 = 330.0;
/// Share of a byte's length shown before and after it.
const AROUND: f64 = 0.08;
/// Height of the rows with bits, of a lane's label, of its waveform and of the marks under it.
const BITS: f64 = 18.0;
const LABEL: f64 = 15.0;
const WAVE: f64 = 44.0;
const MARKS: f64 = 12.0;
/// Points a waveform is drawn with at most.
const POINTS: usize = 150;
/// Width of a letter of the labels.
const LETTER: f64 = 6.7;
/// Bytes on either side that tell the usual level.
const NEARBY: f64 = 12.0;

/// The figure of one byte; `None` if no reading kept a waveform there.
pub fn figure(evidence: &Evidence, program: usize, fact: &ByteFact, stretch: &str, printed: bool) -> Option<Markup> {
    let votes = votes(evidence, program, fact.offset);
    let waves: Vec<Vec<f32>> = votes.iter().map(|vote| wave(evidence, vote)).collect();
    if waves.iter().all(|w| w.len() < 4) {
        return None;
    }
    let decided = decided_bits(evidence, fact.value);
    let rival = fact.rival.map(|r| decided_bits(evidence, r.value));
    let edges = edges(evidence, fact.value);
    let lane = LABEL + WAVE + MARKS;
    let top = 2.0 * BITS;
    let height = top + lane * votes.len() as f64;
    let tally = fact.tally;
    let absent = (tally.with + tally.against + tally.silent).saturating_sub(votes.len());
    let label =
        format!("Waveforms of byte {:04X} in {}", fact.offset, words::count(votes.len(), "reading", "readings"));
    Some(html! {
        figure class=[(!printed).then_some("screen")] {
            figcaption {
                strong class="mono" { (format!("{:04X}", fact.offset)) }
                " " (word(fact.class, fact.decision.is_some())) ": "
                strong class="mono" { (format!("{:02X}", fact.value)) }
                @if let Some(rival) = fact.rival {
                    @if fact.decision.is_some() { ", the evidence alone " } @else { ", rival " }
                    span class="mono" { (format!("{:02X}", rival.value)) }
                    @if fact.decision.is_none() { ", " (behind(rival.loses_by)) }
                }
                ". " (stretch)
                @if absent > 0 { " " (words::count(absent, "more reading does", "more readings do")) " not reach here." }
            }
            svg viewBox={ "0 0 " (px(WIDTH)) " " (px(height)) } role="img" aria-label=(label) {
                @for (bit, cell) in edges.windows(2).enumerate() {
                    @if rival.as_ref().is_some_and(|r| r[bit] != decided[bit]) {
                        rect class="differ" x=(px(cell[0])) y="0" width=(px(cell[1] - cell[0])) height=(px(height)) {}
                    }
                }
                @for edge in &edges { line class="cellmark" x1=(px(*edge)) x2=(px(*edge)) y1="0" y2=(px(height)) {} }
                text x="0" y="13" { "decided" }
                @if rival.is_some() {
                    text class="faint" x="0" y=(px(BITS + 13.0)) { (if fact.decision.is_some() { "evidence" } else { "rival" }) }
                }
                @for (bit, cell) in edges.windows(2).enumerate() {
                    @let x = px(0.5 * (cell[0] + cell[1]) - 3.0);
                    text x=(x) y="13" { (u8::from(decided[bit])) }
                    @if let Some(rival) = &rival { text class="faint" x=(x) y=(px(BITS + 13.0)) { (u8::from(rival[bit])) } }
                }
                @for (i, (vote, wave)) in votes.iter().zip(&waves).enumerate() {
                    (one_lane(evidence, vote, wave, &decided, &edges, top + lane * i as f64, fact.value))
                }
            }
        }
    })
}

fn one_lane(
    evidence: &Evidence,
    vote: &ByteVote,
    wave: &[f32],
    decided: &[bool],
    edges: &[f64],
    top: f64,
    value: u8,
) -> Markup {
    let middle = top + LABEL + WAVE / 2.0;
    let base = top + LABEL + WAVE;
    let peak = usual(evidence, vote);
    let step = WIDTH / (wave.len().max(2) - 1) as f64;
    let point =
        |(i, x): (usize, &f32)| (i as f64 * step, middle - f64::from((x / peak).clamp(-1.0, 1.0)) * (WAVE / 2.0 - 1.0));
    let says = match vote.value {
        None => "says nothing".into(),
        Some(v) if v == value => format!("says {v:02X}, {}", strength(vote.nats)),
        Some(v) => format!("says {v:02X}"),
    };
    let label = format!("{}, copy {}: {says}", evidence.take_id(vote.take), vote.copy + 1);
    html! {
        // on ground of its own, so that the lines between bits do not run through it
        rect class="ground" x="0" y=(px(top + 1.0)) width=(px(LETTER * label.chars().count() as f64)) height=(px(LABEL - 1.0)) {}
        text x="0" y=(px(top + 11.0)) { (label) }
        line class="zero" x1="0" x2=(px(WIDTH)) y1=(px(middle)) y2=(px(middle)) {}
        @if wave.len() > 3 {
            path class="w" d=(path(wave.iter().enumerate().map(point))) {}
        } @else {
            text class="faint" x="4" y=(px(middle + 4.0)) { "no waveform was kept here" }
        }
        @for (bit, cell) in edges.windows(2).enumerate() {
            @let (x, llr) = (0.5 * (cell[0] + cell[1]), vote.bits[bit]);
            @if llr.0.abs() < SAYS_NOTHING {
                line class="mute" x1=(px(x - 4.0)) x2=(px(x + 4.0)) y1=(px(base + 6.0)) y2=(px(base + 6.0)) {}
            } @else if llr.bit() == decided[bit] {
                rect class="yes" x=(px(x - 3.0)) y=(px(base + 3.0)) width="6" height="6" {}
            } @else {
                path class="no" d={ "M" (px(x - 5.0)) " " (px(base + 1.0)) "h10l-5 9z" } {}
            }
        }
    }
}

/// The waveform around the byte, thinned to what can be seen.
fn wave(evidence: &Evidence, vote: &ByteVote) -> Vec<f32> {
    let around = AROUND * (vote.seconds.end - vote.seconds.start);
    let from = (vote.seconds.start - around).max(0.0);
    let wave = (evidence.waveforms)(vote.take, vote.reading, from, vote.seconds.end + around);
    let every = wave.len().div_ceil(POINTS).max(1);
    wave.into_iter().step_by(every).collect()
}

/// The peak that is usual around the byte, so that a dropout looks like one: the upper quartile of the peaks of the bytes
/// nearby.
fn usual(evidence: &Evidence, vote: &ByteVote) -> f32 {
    let byte = vote.seconds.end - vote.seconds.start;
    let from = (vote.seconds.start - NEARBY * byte).max(0.0);
    let wave = (evidence.waveforms)(vote.take, vote.reading, from, vote.seconds.end + NEARBY * byte);
    let per_byte = (wave.len() as f64 / (2.0 * NEARBY + 1.0)).ceil().max(1.0) as usize;
    let mut peaks: Vec<f32> = wave.chunks(per_byte).map(|c| c.iter().fold(0.0f32, |p, x| p.max(x.abs()))).collect();
    peaks.sort_by(f32::total_cmp);
    peaks.get(peaks.len() * 3 / 4).copied().unwrap_or(1.0).max(0.02)
}

/// Where the bits of the byte begin, and where the last ends, in the drawing.
fn edges(evidence: &Evidence, value: u8) -> Vec<f64> {
    let grammar = evidence.format.grammar();
    let prefix = grammar.byte_prefix.len();
    let symbols = grammar.byte_symbols(value);
    let total = grammar.seconds(&symbols);
    let x = |s: f64| WIDTH * (AROUND + s / total) / (1.0 + 2.0 * AROUND);
    let mut at = prefix;
    let mut out = vec![x(grammar.seconds(&symbols[..at]))];
    for bit in decided_bits(evidence, value) {
        at += grammar.bit[usize::from(bit)].len();
        out.push(x(grammar.seconds(&symbols[..at])));
    }
    out
}

fn strength(nats: f64) -> &'static str {
    match nats {
        n if n < 3.0 => "barely",
        n if n < 12.0 => "weakly",
        n if n < 40.0 => "clearly",
        _ => "strongly",
    }
}

/// How far the rival is behind: odds in words.
pub fn behind(nats: f64) -> String {
    if nats < 0.4 {
        return "just as likely".into();
    }
    // odds beyond this are more than any model can promise
    if nats > 27.6 {
        return "over a million million times less likely".into();
    }
    let odds = nats.exp();
    let (number, unit) = match odds {
        o if o >= 1e12 => (o / 1e12, " million million"),
        o if o >= 1e9 => (o / 1e9, " billion"),
        o if o >= 1e6 => (o / 1e6, " million"),
        o if o >= 1e3 => (o / 1e3, " thousand"),
        o => (o, ""),
    };
    let digits = if number < 10.0 { format!("{number:.1}") } else { format!("{number:.0}") };
    format!("{digits}{unit} times less likely")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// e^nats by hand: ln 1000 = 6.908, ln 2.5 = 0.916, ln 4.2e6 = 15.25.
    #[test]
    fn odds_are_words() {
        assert_eq!(behind(0.1), "just as likely");
        assert_eq!(behind(0.9163), "2.5 times less likely");
        assert_eq!(behind(6.9078), "1.0 thousand times less likely");
        assert_eq!(behind(15.2506), "4.2 million times less likely");
        assert_eq!(behind(80.0), "over a million million times less likely");
    }
}
