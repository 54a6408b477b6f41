//! The tape strip: the side from start to end, a lane for each take.

use std::collections::BTreeMap;
use std::ops::Range;

use maud::{Markup, html};

use super::svg::{px, share};
use crate::confidence::Level;
use crate::report::evidence::Evidence;
use crate::report::evidence::strip::{Lane, ProgramPlace, Strip, strip};
use crate::report::page::legible;
use crate::report::words::{self, minutes};

/// Height of a row of programs, its bar in it, its labels on one line or two, and what stands between the last row and the takes.
const ROW: usize = 38;
const BAR: usize = 28;
const LINES: [usize; 2] = [20, 9];
const UNDER: usize = 12;
const LANE: usize = 66;
const AXIS: usize = 26;
/// A mark narrower than this share of the strip could not be seen.
const NARROWEST: f64 = 0.0015;
/// What a letter takes of the strip: on a telephone, and on paper. Labels of class `wide` are not on
/// telephones, those of class `tight` only there; where even two lines are not room enough, the bar's title has the name.
const LETTER_NARROW: f64 = 0.0235;
const LETTER_WIDE: f64 = 0.011;
/// Parts of the strip for which damage is counted.
const PARTS: usize = 200;
/// Height of a damage mark that stands for all of a part, and of the least one that can be seen.
const TALLEST: f64 = 11.0;
const LEAST: f64 = 2.5;

pub fn section(evidence: &Evidence) -> Markup {
    let tapes = evidence.outcome.tapes.len();
    html! {
        section id="strip" {
            h2 { "The tape from start to end" }
            p class="small soft" {
                "Above, the programs, those that lie in the same place under each other; below, a lane for every take, in the \
                 time of the tape at its nominal speed. A lane is as long as its take. Blocks under no program are those that belong to none, such as a mark for the end \
                 of the tape. Marks of damage are the taller, the more of the bits there they concern."
            }
            ul class="legend" {
                @for level in [Level::Established, Level::Supported, Level::Open] {
                    @if evidence.outcome.verdict.programs.iter().any(|p| p.verdict == level) {
                        li { (key(bar(level))) "program " (words::level(level)) }
                    }
                }
                li { (key("copy0")) "first copy of a block" }
                li { (key("copy1")) "second copy" }
                li { (key("over1")) "upper row: overruled" }
                li { (key("lost")) "lower row: says nothing" }
            }
            @for tape in 0..tapes {
                @if tapes > 1 { h3 { "Tape " (tape + 1) " of " (tapes) } }
                (draw(evidence, &strip(evidence, tape)))
            }
        }
    }
}

fn draw(evidence: &Evidence, strip: &Strip) -> Markup {
    let rows = rows(strip);
    let lanes = UNDER + ROW * rows.iter().max().map_or(0, |last| last + 1);
    let height = lanes + strip.lanes.len() * LANE + AXIS;
    let label = format!(
        "{} and {} over {} of tape",
        words::count(strip.programs.len(), "program", "programs"),
        words::count(strip.lanes.len(), "take", "takes"),
        minutes(strip.length_s)
    );
    let x = |s: f64| share((s / strip.length_s).clamp(0.0, 1.0));
    let wide = |r: &Range<f64>| share(((r.end - r.start) / strip.length_s).clamp(NARROWEST, 1.0));
    let named = |place: &ProgramPlace| {
        let program = &evidence.outcome.verdict.programs[place.index];
        let number = super::number(program);
        (legible(&format!("{number} {}", words::name(&program.name))), number.to_string())
    };
    let names: Vec<(String, String)> = strip.programs.iter().map(named).collect();
    let at: Vec<f64> = strip.programs.iter().map(|place| place.at.start / strip.length_s).collect();
    let (narrow, wider) = (labels(&at, &rows, &names, LETTER_NARROW), labels(&at, &rows, &names, LETTER_WIDE));
    html! {
        svg class="strip" height=(height) role="img" aria-label=(label) {
            @for (i, place) in strip.programs.iter().enumerate() {
                @let program = &evidence.outcome.verdict.programs[place.index];
                @let class = bar(program.verdict);
                @let top = rows[i] * ROW;
                g {
                    title {
                        (names[i].0) ", " (words::level(program.verdict)) ", " (minutes(place.at.start)) " to " (minutes(place.at.end))
                    }
                    rect class=(class) x=(x(place.at.start)) y=(top + BAR) width=(wide(&place.at)) height="12" {}
                    @if narrow[i] == wider[i] {
                        (lettered(&wider[i], None, top))
                    } @else {
                        (lettered(&narrow[i], Some("tight"), top))
                        (lettered(&wider[i], Some("wide"), top))
                    }
                }
            }
            @for (i, lane) in strip.lanes.iter().enumerate() {
                (one_lane(evidence, strip, lane, lanes + i * LANE))
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

/// How the bar of a program looks.
fn bar(level: Level) -> &'static str {
    match level {
        Level::Established => "prog",
        Level::Supported => "prog half",
        Level::Open => "prog ring",
    }
}

/// What stands over a bar, where (a share of the strip), and on which of the lines.
type Label = Option<(String, f64, usize)>;

/// The labels of programs that begin at these shares of the strip, where a letter takes `letter` of it: name and number where
/// there is room up to the next program of the row, else the number, on a second line where the first is taken.
fn labels(at: &[f64], rows: &[usize], names: &[(String, String)], letter: f64) -> Vec<Label> {
    // half a letter of room behind
    let wide = |text: &str| (text.chars().count() as f64 + 0.5) * letter;
    let mut taken: BTreeMap<(usize, usize), f64> = BTreeMap::new();
    let label = |i: usize| {
        let next = (i + 1..rows.len()).find(|&n| rows[n] == rows[i]).map_or(1.0, |n| at[n]);
        let (name, number) = &names[i];
        let free = |line: usize| taken.get(&(rows[i], line)).is_none_or(|&end| end <= at[i]);
        let whole = free(0) && at[i] + wide(name) < next;
        let text = if whole { name } else { number };
        // the last label may not stick out at the right
        let x = at[i].min(1.0 - wide(text));
        let line = (0..LINES.len()).find(|&line| taken.get(&(rows[i], line)).is_none_or(|&end| end <= x))?;
        taken.insert((rows[i], line), x + wide(text));
        Some((text.clone(), x, line))
    };
    (0..at.len()).map(label).collect()
}

fn lettered(label: &Label, class: Option<&str>, top: usize) -> Markup {
    html! {
        @if let Some((text, x, line)) = label { text class=[class] x=(share(*x)) y=(top + LINES[*line]) { (text) } }
    }
}

/// A row for every program, from 0: programs that lie in one place, such as two recordings of it, stand under each other.
fn rows(strip: &Strip) -> Vec<usize> {
    let mut ends: Vec<f64> = Vec::new();
    let row = |place: &ProgramPlace| {
        let free = ends.iter().position(|&end| end <= place.at.start).unwrap_or(ends.len());
        match ends.get_mut(free) {
            Some(end) => *end = place.at.end,
            None => ends.push(place.at.end),
        }
        free
    };
    strip.programs.iter().map(row).collect()
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
        (damage(strip, lane, &lane.overruled, "over1", "overruled", top + 36))
        (damage(strip, lane, &lane.lost, "lost", "says nothing", top + 50))
    }
}

/// A row of marks: for every part of the strip how much of what the take heard there is damaged.
fn damage(strip: &Strip, lane: &Lane, marks: &[Range<f64>], class: &str, what: &str, top: usize) -> Markup {
    let heard: Vec<Range<f64>> = lane.readings.iter().map(|(at, _)| at.clone()).collect();
    let (heard, marked) = (per_part(&heard, strip.length_s), per_part(marks, strip.length_s));
    let part = strip.length_s / PARTS as f64;
    html! {
        @for (i, (all, bad)) in heard.iter().zip(&marked).enumerate().filter(|(_, (_, bad))| **bad > 0.0) {
            @let of = (bad / all.max(*bad)).clamp(0.0, 1.0);
            // the root shows single bytes beside long stretches
            @let height = (TALLEST * of.sqrt()).max(LEAST);
            rect class=(class) x=(share(i as f64 / PARTS as f64)) y=(px(top as f64 + TALLEST - height))
                width=(share(0.8 / PARTS as f64)) height=(px(height)) {
                title { (what) ": " (milliseconds(*bad)) " of " (milliseconds(all.max(*bad))) " at " (minutes(i as f64 * part)) }
            }
        }
    }
}

/// Seconds of each part of the strip that the stretches cover.
fn per_part(stretches: &[Range<f64>], length: f64) -> Vec<f64> {
    let part = length / PARTS as f64;
    let mut out = vec![0.0; PARTS];
    for at in stretches {
        let first = ((at.start / part).max(0.0) as usize).min(PARTS - 1);
        let last = ((at.end / part).max(0.0) as usize).min(PARTS - 1);
        for (i, sum) in out.iter_mut().enumerate().take(last + 1).skip(first) {
            let (from, to) = (i as f64 * part, (i + 1) as f64 * part);
            *sum += (at.end.min(to) - at.start.max(from)).max(0.0);
        }
    }
    out
}

fn milliseconds(s: f64) -> String {
    format!("{} ms", words::thousands((s * 1000.0).round() as usize))
}

/// A sample of a mark for the legend.
fn key(class: &str) -> Markup {
    html! { svg width="14" height="12" aria-hidden="true" { rect class=(class) x="1" y="1" width="12" height="10" {} } }
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
    fn an_hour_has_few_ticks() {
        assert_eq!(ticks(100.0), [0.0, 30.0, 60.0, 90.0]);
        assert!(ticks(3600.0).len() <= 6);
        assert_eq!(shortened(&"x".repeat(50)).chars().count(), 44);
    }

    #[test]
    fn programs_in_one_place_stand_under_each_other() {
        let places = [1.0..5.0, 1.0..5.2, 5.1..9.0, 9.0..12.0, 8.0..10.0, 8.5..9.5];
        let programs = places.iter().cloned().enumerate().map(|(index, at)| ProgramPlace { index, at }).collect();
        let strip = Strip { length_s: 12.0, programs, lanes: Vec::new() };
        assert_eq!(rows(&strip), [0, 1, 0, 0, 1, 2]);
    }

    /// A letter takes 2 hundredths. The third number finds its line taken, the fifth both of them; the last stays inside.
    #[test]
    fn numbers_that_crowd_stand_on_two_lines() {
        let names: Vec<(String, String)> = (8..=13).map(|n| (format!("{n} TERN MAP"), n.to_string())).collect();
        let at = [0.0, 0.3, 0.33, 0.345, 0.36, 0.98];
        let told = labels(&at, &[0; 6], &names, 0.02);
        let told: Vec<_> = told.iter().map(|l| l.as_ref().map(|(text, x, line)| (text.as_str(), *x, *line))).collect();
        let wanted =
            [Some(("8 TERN MAP", 0.0, 0)), Some(("9", 0.3, 0)), Some(("10", 0.33, 0)), Some(("11", 0.345, 1)), None];
        assert_eq!(told[..5], wanted);
        assert_eq!(told[5], Some(("13", 0.95, 0)));
        // in a row of its own there is room
        assert!(labels(&at, &[0, 0, 0, 0, 1, 0], &names, 0.02)[4].is_some());
    }

    /// By hand: 200 parts of 100 s are half a second each.
    #[test]
    fn damage_is_counted_where_it_lies() {
        let parts = per_part(&[1.25..1.75, 1.8..1.9, 99.9..120.0], 100.0);
        let near = |i: usize, wanted: f64| assert!((parts[i] - wanted).abs() < 1e-9, "{i}: {}", parts[i]);
        near(2, 0.25);
        near(3, 0.35);
        near(199, 0.1);
        assert!((parts.iter().sum::<f64>() - 0.7).abs() < 1e-9);
    }
}
