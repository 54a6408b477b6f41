//! The tape strip: the side from start to end, a lane for each take.

use std::ops::Range;

use maud::{Markup, html};

use super::svg::share;
use crate::confidence::Level;
use crate::report::evidence::Evidence;
use crate::report::evidence::strip::{Lane, Strip, strip};
use crate::report::words::{self, minutes};

const PROGRAMS: usize = 46;
const LANE: usize = 54;
const AXIS: usize = 26;
/// A mark narrower than this share of the strip could not be seen.
const NARROWEST: f64 = 0.0015;
/// Marks per lane and kind; beyond, neighbours are drawn as one.
const MARKS: usize = 400;

pub fn section(evidence: &Evidence) -> Markup {
    let tapes = evidence.outcome.tapes.len();
    html! {
        section id="strip" {
            h2 { "The tape from start to end" }
            p class="small soft" {
                "Above, the programs; below, a lane for every take, in the time of the tape at its nominal speed. A lane is \
                 as long as its take; dark bars are first copies of blocks it heard, light bars second copies. Under the \
                 bars: low hollow marks where it heard nothing, high full marks where it was overruled."
            }
            @for tape in 0..tapes {
                @if tapes > 1 { h3 { "Tape " (tape + 1) " of " (tapes) } }
                (draw(evidence, &strip(evidence, tape)))
            }
        }
    }
}

fn draw(evidence: &Evidence, strip: &Strip) -> Markup {
    let height = PROGRAMS + strip.lanes.len() * LANE + AXIS;
    let label = format!(
        "{} and {} over {} of tape",
        words::count(strip.programs.len(), "program", "programs"),
        words::count(strip.lanes.len(), "take", "takes"),
        minutes(strip.length_s)
    );
    let x = |s: f64| share((s / strip.length_s).clamp(0.0, 1.0));
    let wide = |r: &Range<f64>| share(((r.end - r.start) / strip.length_s).clamp(NARROWEST, 1.0));
    html! {
        svg class="strip" height=(height) role="img" aria-label=(label) {
            @for (i, place) in strip.programs.iter().enumerate() {
                @let program = &evidence.outcome.verdict.programs[place.index];
                @let class = match program.verdict {
                    Level::Established => "prog",
                    Level::Supported => "prog half",
                    Level::Open => "prog ring",
                };
                @let room = strip.programs.get(i + 1).map_or(strip.length_s, |next| next.at.start) - place.at.start;
                @let name = format!("{} {}", program.id.trim_start_matches(['p', '0']), words::name(&program.name));
                g {
                    title {
                        (name) ", " (words::level(program.verdict)) ", " (minutes(place.at.start)) " to " (minutes(place.at.end))
                    }
                    rect class=(class) x=(x(place.at.start)) y="24" width=(wide(&place.at)) height="12" {}
                    // one letter takes about a hundredth of the narrowest screen's strip
                    @if name.chars().count() as f64 * 0.021 < room / strip.length_s {
                        text x=(x(place.at.start)) y="16" { (name) }
                    } @else {
                        text x=(x(place.at.start)) y="16" { (program.id.trim_start_matches(['p', '0'])) }
                    }
                }
            }
            @for (i, lane) in strip.lanes.iter().enumerate() {
                (one_lane(evidence, strip, lane, PROGRAMS + i * LANE))
            }
            @let bottom = height - AXIS;
            line class="rule" x1="0" x2="100%" y1=(bottom + 4) y2=(bottom + 4) {}
            @for (i, tick) in ticks(strip.length_s).iter().enumerate() {
                line class="rule" x1=(x(*tick)) x2=(x(*tick)) y1=(bottom + 1) y2=(bottom + 8) {}
                text class="faint" x=(x(*tick)) y=(bottom + 21) text-anchor=(if i == 0 { "start" } else { "middle" }) {
                    (minutes(*tick))
                }
            }
        }
    }
}

fn one_lane(evidence: &Evidence, strip: &Strip, lane: &Lane, top: usize) -> Markup {
    let x = |s: f64| share((s / strip.length_s).clamp(0.0, 1.0));
    let wide = |r: &Range<f64>| share(((r.end - r.start) / strip.length_s).clamp(NARROWEST, 1.0));
    let take = &evidence.outcome.verdict.takes[lane.take];
    let name = format!("{}: {}", take.id, super::shown(&take.file));
    html! {
        text x="0" y=(top + 12) { (shortened(&name)) }
        rect class="there" x=(x(lane.at.start)) y=(top + 18) width=(wide(&lane.at)) height="16" {
            title { (name) ", " (minutes(lane.at.end - lane.at.start)) " of tape" }
        }
        @for (at, copy) in &lane.readings {
            rect class=(if *copy == 0 { "copy0" } else { "copy1" }) x=(x(at.start)) y=(top + 20) width=(wide(at)) height="12" {
                title { "copy " (copy + 1) ", " (minutes(at.start)) " to " (minutes(at.end)) }
            }
        }
        @for at in thinned(&lane.lost, strip.length_s) {
            rect class="lost" x=(x(at.start)) y=(top + 37) width=(wide(&at)) height="7" {
                title { "silent, " (seconds(&at)) }
            }
        }
        @for at in thinned(&lane.overruled, strip.length_s) {
            rect class="over1" x=(x(at.start)) y=(top + 36) width=(wide(&at)) height="12" {
                title { "overruled, " (seconds(&at)) }
            }
        }
    }
}

fn seconds(at: &Range<f64>) -> String {
    format!("{} at {}", words::count(((at.end - at.start) * 1000.0).round() as usize, "ms", "ms"), minutes(at.start))
}

/// Marks that can't be told apart are one.
fn thinned(marks: &[Range<f64>], length: f64) -> Vec<Range<f64>> {
    let mut sorted = marks.to_vec();
    sorted.sort_by(|a, b| a.start.total_cmp(&b.start));
    let gap = length / MARKS as f64 / 2.0;
    let mut out: Vec<Range<f64>> = Vec::new();
    for mark in sorted {
        match out.last_mut() {
            Some(last) if mark.start - last.end < gap => last.end = last.end.max(mark.end),
            _ => out.push(mark),
        }
    }
    out
}

/// Names of files may be long; a lane has room for so many letters on a telephone.
fn shortened(name: &str) -> String {
    const ROOM: usize = 44;
    if name.chars().count() <= ROOM {
        return name.into();
    }
    name.chars().take(ROOM - 1).chain(['…']).collect()
}

/// Round times, some five of them.
fn ticks(length: f64) -> Vec<f64> {
    let steps = [5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0];
    let step = steps.into_iter().find(|s| length / s < 6.0).unwrap_or(1800.0);
    // the last label would stick out at the right
    (0..).map(|i| f64::from(i) * step).take_while(|t| *t < 0.96 * length).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_hour_has_few_ticks_and_marks_merge() {
        assert_eq!(ticks(100.0), [0.0, 30.0, 60.0, 90.0]);
        assert!(ticks(3600.0).len() <= 6);
        assert_eq!(thinned(&[5.0..6.0, 1.0..2.0, 2.01..3.0], 100.0), [1.0..3.0, 5.0..6.0]);
        assert_eq!(shortened(&"x".repeat(50)).chars().count(), 44);
    }
}
