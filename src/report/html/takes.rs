//! How each take fared.

use maud::{Markup, html};

use super::shown;
use super::svg::{path, px};
use crate::capture::Container;
use crate::report::evidence::Evidence;
use crate::report::evidence::takes::{PULSE_BIN_US, PULSES_US, TakeFacts, facts};
use crate::report::page::unbroken;
use crate::report::words::{self, minutes};

pub fn section(evidence: &Evidence) -> Markup {
    let takes = &evidence.outcome.verdict.takes;
    html! {
        section id="takes" {
            h2 { "How each take fared" }
            div class="takes" {
                @for (i, take) in takes.iter().enumerate() {
                    div {
                        h3 { (take.id) ": " span class="mono" { (shown(&take.file)) } }
                        @if i < evidence.received() && take.used {
                            (one(evidence, i, &facts(evidence, i)))
                        } @else {
                            p { "Not used." }
                        }
                        @if let Some(note) = &take.note { p class="small" { (shown(note)) } }
                    }
                }
            }
            p class="small soft" {
                "Noise is what the receiver measured at the bytes, a bit against the noise, not the hiss of the recording as a \
                 whole. Wow is the slow part of the speed's changes, flutter the fast part, each as root mean square over \
                 bytes of some 9 ms, the line drawn at 6 Hz; neither is weighted as AES6-2008 asks, so they are no figures of \
                 a deck's data sheet. A dropout is a run of bytes at less than half their usual level; in loud noise the level is uncertain, and some of them are noise. \
                 A bit is right if it is as decided in the end; where bytes stay in doubt, that is a guess itself."
            }
        }
    }
}

fn one(evidence: &Evidence, index: usize, facts: &TakeFacts) -> Markup {
    let take = &evidence.outcome.verdict.takes[index];
    let received = &evidence.outcome.intake.received[index];
    let db = |x: Option<f64>| x.map_or("unknown".into(), |x| format!("{x:.1}\u{a0}dB"));
    let percent = |x: Option<f64>| x.map_or("unknown".into(), |x| format!("{:.2}\u{a0}%", 100.0 * x));
    let spoke = facts.bits + facts.lost;
    html! {
        dl class="facts" {
            dt { "Length" }
            dd { (minutes(take.duration_s)) }
            @if received.container == (Container::PulseImage { version: 1 }).word() {
                // its samples are of our own making
                dt { "Recorded as" } dd { "pulse image: times alone, no levels" }
            } @else {
                dt { "Recorded as" }
                dd {
                    (words::thousands(take.sample_rate as usize)) " samples a second, "
                    @match take.channels { 1 => "mono", n => { "channel " (take.channel) " of " (n) } }
                }
                dt { "Level" }
                dd {
                    "peak " (db(facts.peak_db)) ", mean " (db(facts.rms_db)) " of full scale"
                    @if facts.clipped > 0 { ", " (words::count(facts.clipped as usize, "sample", "samples")) " clipped" }
                    @if let Some(share) = facts.flat { (cut_off(share, facts.square)) }
                }
            }
            dt { "Bit over noise" } dd { (db(facts.snr_db)) }
            dt { "Speed" } dd { (take.speed_error.map_or("unknown".into(), |x| unbroken(&words::percent(x)))) " against the nominal" }
            dt { "Wow, flutter" } dd { (percent(facts.wow)) ", " (percent(facts.flutter)) }
            dt { "Dropouts" }
            dd { (words::count(facts.dropouts, "dropout", "dropouts")) ", " (format!("{:.2} s", facts.dropout_s)) " in all" }
            dt { "Bits right" }
            dd {
                @if spoke > 0 {
                    (format!("{:.3}\u{a0}%", 100.0 * facts.right as f64 / spoke as f64)) " of " (words::thousands(spoke))
                    @if facts.lost > 0 { ", " (words::thousands(facts.lost)) " silent" }
                    @if facts.bits > facts.right { ", " (words::thousands(facts.bits - facts.right)) " wrong" }
                } @else { "none" }
            }
            @if let Some(deck) = &received.about.deck { dt { "Deck" } dd { (shown(deck)) } }
            @if let Some(operator) = &received.about.operator { dt { "Operator" } dd { (shown(operator)) } }
            @for note in &received.about.notes { dt { "Note" } dd { (shown(note)) } }
            @if let Some(o) = &received.origination {
                dt { "Recorded" } dd { (shown(&format!("{} {} {} {}", o.date, o.time, o.originator, o.description))) }
            }
        }
        (speed(take.duration_s, facts))
        (pulses(facts))
    }
}

/// What flat tops below full scale tell.
fn cut_off(share: f64, square: bool) -> String {
    let what = if !square {
        "cut off (clipped) before it came in"
    } else {
        "a square wave: an adapter's, or clipped very hard"
    };
    format!("; {:.0}\u{a0}% of the samples sit at the largest or smallest value, {what}", 100.0 * share)
}

/// The speed over the take.
fn speed(length: f64, facts: &TakeFacts) -> Markup {
    let points = || facts.speed.iter().flatten().map(|p| p.1);
    let (low, high) = (points().fold(f64::INFINITY, f64::min), points().fold(f64::NEG_INFINITY, f64::max));
    if low > high {
        return html! {};
    }
    // a steady speed is a level line, not a magnified tremble
    let half = (0.5 * (high - low)).max(0.005);
    let middle = 0.5 * (high + low);
    const H: f64 = 60.0;
    let y = |s: f64| H / 2.0 - (s - middle) / half * (H / 2.0 - 3.0);
    let x = |s: f64| 1000.0 * s / length.max(0.1);
    let range = unbroken(&format!("{} to {}", words::percent(low), words::percent(high)));
    html! {
        h4 { "Speed, " (range) }
        svg class="chart" height="60" viewBox={ "0 0 1000 " (px(H)) } preserveAspectRatio="none" role="img"
            aria-label={ "Speed over the take, from " (range) } {
            line class="zero" x1="0" x2="1000" y1=(px(y(middle))) y2=(px(y(middle))) {}
            @for run in &facts.speed {
                @if run.len() > 1 { path class="curve" vector-effect="non-scaling-stroke" d=(path(run.iter().map(|&(s, v)| (x(s), y(v))))) {} }
            }
        }
    }
}

/// Full cycles by length: the formats' pulses stand out as heaps.
fn pulses(facts: &TakeFacts) -> Markup {
    let most = facts.pulses.iter().copied().max().unwrap_or(0);
    if most == 0 {
        return html! {};
    }
    const H: f64 = 60.0;
    let width = 1000.0 / facts.pulses.len() as f64;
    let bar = |(i, &n): (usize, &usize)| {
        // the root shows small heaps beside large ones
        let h = (n as f64 / most as f64).sqrt() * H;
        format!("M{} {}v{}h{}v{}z", px(i as f64 * width), px(H), px(-h), px(width - 1.0), px(h))
    };
    let bars: String = facts.pulses.iter().enumerate().filter(|(_, n)| **n > 0).map(bar).collect();
    html! {
        h4 { "Pulse lengths" }
        svg class="chart" height="60" viewBox="0 0 1000 60" preserveAspectRatio="none" role="img"
            aria-label={ "Histogram of pulse lengths, the most frequent near " (top(facts)) " microseconds" } {
            path class="bar" d=(bars) {}
        }
        svg class="chart" height="16" aria-hidden="true" {
            @for us in [200, 400, 600, 800] {
                text class="faint" x=(super::svg::share((f64::from(us) - PULSES_US.0) / (PULSES_US.1 - PULSES_US.0))) y="12" {
                    (us) @if us == 200 { " µs" }
                }
            }
        }
    }
}

fn top(facts: &TakeFacts) -> usize {
    let best = facts.pulses.iter().enumerate().max_by_key(|(i, n)| (**n, usize::MAX - i)).map_or(0, |(i, _)| i);
    (PULSES_US.0 + (best as f64 + 0.5) * PULSE_BIN_US) as usize
}
