//! Advice in words, for screen and report.

use std::collections::BTreeMap;

use super::words::{self, clock};
use crate::dossier::next::{Advice, Cause, ENOUGH, Forecast, Heard, How, Stretch};
use crate::recovery::{Outcome, Received};

/// Stretches of a program that have the same fault and the same cure.
pub struct Fault<'a> {
    pub cause: String,
    pub cure: String,
    pub stretches: Vec<&'a Stretch>,
}

/// By fault, in the order in which the tape has them first.
pub fn faults<'a>(advice: &'a Advice, outcome: &Outcome) -> Vec<Fault<'a>> {
    let mut out: Vec<Fault> = Vec::new();
    for stretch in &advice.stretches {
        let (cause, cure) = (cause(stretch), cure(stretch, outcome));
        match out.iter_mut().find(|f| f.cause == cause && f.cure == cure) {
            Some(fault) => fault.stretches.push(stretch),
            None => out.push(Fault { cause, cure, stretches: vec![stretch] }),
        }
    }
    out
}

/// Which bytes: `0x0010-0x0017`, `header 0x0003`.
pub fn offsets(stretch: &Stretch) -> String {
    format!("{}{}", if stretch.header { "header " } else { "" }, words::offsets(stretch.from, stretch.to))
}

/// Where stretches lie, take by take, in the order of its time: `take-1 0:59.2-0:59.4, 1:10.5; take-2 0:48.0`.
pub fn places(stretches: &[&Stretch]) -> String {
    let mut all: Vec<(usize, f64, f64)> = stretches.iter().flat_map(|s| s.places.iter().copied()).collect();
    all.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let mut by_take: BTreeMap<usize, Vec<String>> = BTreeMap::new();
    for (take, from_s, to_s) in all {
        let (from, to) = (clock(from_s), clock(to_s));
        by_take.entry(take).or_default().push(if from == to { from } else { format!("{from}-{to}") });
    }
    let of_take = |(take, places): (&usize, &Vec<String>)| format!("take-{take} {}", places.join(", "));
    by_take.iter().map(of_take).collect::<Vec<_>>().join("; ")
}

/// Whether the tape or a take is at fault, and how each take hears it.
fn cause(stretch: &Stretch) -> String {
    let all: Vec<String> = stretch.heard.iter().map(how).collect();
    let all = all.join(if stretch.heard.iter().any(|h| h.against) { "; " } else { ", " });
    match stretch.cause {
        Cause::Tape => format!("every take is bad at the same place, so most likely the tape is: {all}"),
        Cause::Take => format!("takes are bad here, the tape need not be: {all}"),
        Cause::OneTake => format!("only one take covers it, so tape and take can't be told apart: {all}"),
        Cause::Contradiction => format!("what is heard contradicts itself or the checks: {all}"),
        Cause::Thin => format!("heard, but not surely enough: {all}"),
        Cause::Explanation => stretch.explanation.as_ref().map_or(String::new(), |(what, _)| what.clone()),
        Cause::Unheard => "on no take".into(),
    }
}

/// How a take hears the worst byte of a stretch, and whether, in another byte or the other copy, it is sure of something
/// else than what was decided.
fn how(h: &Heard) -> String {
    let some = if h.against && h.how != How::Well { "some of it" } else { "it" };
    let what = match h.how {
        How::Well => format!("hears {some} well"),
        How::Noisily => format!("hears {some} noisily"),
        How::Faintly => format!("hears {some} faintly"),
        How::Lost => format!("makes nothing of {some}"),
    };
    let otherwise = if h.against { ", yet is sure of another value in part" } else { "" };
    format!("take-{} {what}{otherwise}", h.take)
}

/// What is likely to cure it.
fn cure(stretch: &Stretch, outcome: &Outcome) -> String {
    let bad: Vec<&Heard> = stretch.heard.iter().filter(|h| h.how != How::Well).collect();
    let takes = bad.iter().map(|h| &outcome.intake.received[h.take - 1]);
    let pulses = takes.clone().all(Received::is_pulses);
    let (mut quiet, mut clipped) = (false, false);
    for take in takes {
        quiet |= take.level().is_some_and(|level| level.peak < 0.05);
        clipped |= take.cut_off().is_some();
    }
    let faint = bad.iter().any(|h| h.how == How::Faintly);
    if let Some((_, cure)) = &stretch.explanation {
        return cure.clone();
    }
    match stretch.cause {
        _ if !stretch.curable => "No play of this tape.".into(),
        Cause::Unheard => "Play the tape over this part: start earlier, stop later.".into(),
        Cause::Tape | Cause::OneTake | Cause::Take if pulses => {
            "A pulse image has lost the waveform: record the sound of the tape itself.".into()
        }
        Cause::Tape | Cause::OneTake | Cause::Take if !faint && quiet => {
            "It was recorded very quietly: raise the level and play it again.".into()
        }
        Cause::Tape | Cause::OneTake | Cause::Take if !faint && clipped => {
            "It was recorded too loudly and is cut off: lower the level and play it again.".into()
        }
        Cause::Tape => "Clean the head and the tape path, look at the tape there for a crease or dirt, and try a \
                                 deck whose head reads another width of the track."
            .into(),
        Cause::OneTake | Cause::Take if !faint => {
            "Set the azimuth by ear for the brightest tone just before it (only through the hole that the deck has \
             for it, cover on), and play it again."
                .into()
        }
        Cause::OneTake | Cause::Take => {
            "Clean the head and play it again: a dropout that moves is dust, and one that stays \
                                         is the tape."
                .into()
        }
        Cause::Thin => "Another play adds what is missing.".into(),
        _ => "Another play, if possible on another deck, would show what is right.".into(),
    }
}

/// What more takes would do.
pub fn forecast(forecast: &Forecast) -> String {
    match forecast {
        Forecast::NotByTakes { why } => format!("can't settle it: {why}."),
        Forecast::Unknown { why } => format!("what they would do can't be foretold: {why}."),
        Forecast::Simulated { trials, by_takes, .. } => {
            let enough = by_takes.iter().find(|s| s.settled as f64 >= ENOUGH * *trials as f64);
            let Some(told) = enough.or(by_takes.last()) else { return "nothing to simulate.".into() };
            let takes = if told.takes == 1 { "1 more take".into() } else { format!("{} more takes", told.takes) };
            let range = format!("{:.0} to {:.0} %", 100.0 * told.interval.low, 100.0 * told.interval.high);
            let share = format!("in {} of {trials} simulated cases ({range} at 95 %)", told.settled);
            match enough {
                Some(_) => format!("{takes} like these would settle it {share}."),
                None => format!("even {takes} like these would settle it only {share}: change something first."),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Both copies of two stretches on one take, and one of them on another.
    #[test]
    fn places_stand_in_the_order_of_their_take() {
        let stretch = |places: &[(usize, f64, f64)]| Stretch {
            curable: true,
            header: false,
            from: 0,
            to: 0,
            places: places.to_vec(),
            cause: Cause::Thin,
            explanation: None,
            heard: Vec::new(),
        };
        let stretches = [stretch(&[(1, 32.5, 32.6), (1, 41.0, 41.1)]), stretch(&[(1, 33.0, 33.02), (2, 9.96, 12.0)])];
        let told = places(&stretches.iter().collect::<Vec<_>>());
        assert_eq!(told, "take-1 0:32.5-0:32.6, 0:33.0, 0:41.0-0:41.1; take-2 0:10.0-0:12.0");
    }

    /// A take that makes nothing of a place contradicts nothing there; one that does is said to.
    #[test]
    fn what_contradicts_is_told_of_the_take_that_does() {
        let heard = |how, against| Heard { take: 1, how, strength: 0.0, level: 1.0, against };
        assert_eq!(how(&heard(How::Lost, false)), "take-1 makes nothing of it");
        let told = how(&heard(How::Lost, true));
        assert_eq!(told, "take-1 makes nothing of some of it, yet is sure of another value in part");
        assert_eq!(how(&heard(How::Well, true)), "take-1 hears it well, yet is sure of another value in part");
    }
}
