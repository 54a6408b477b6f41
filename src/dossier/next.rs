//! What would help most: where the doubt lies, whether the tape or a take is at fault, and what more takes would do
//! ([`forecast`](super::forecast)).

use serde::Serialize;

use super::explain::{self, Weak};
use super::forecast::forecasts;
pub use super::forecast::{ENOUGH, Forecast, SEED, Settled};
use crate::Error;
use crate::confidence::Level;
use crate::recovery::{DecidedBlock, Outcome, Progress, RecoveredProgram};
use crate::tape::Format;

/// Advice on one program that is not established.
#[derive(Clone, Debug, Serialize)]
pub struct Advice {
    pub program: String,
    pub name: String,
    pub verdict: Level,
    pub stretches: Vec<Stretch>,
    pub forecast: Forecast,
}

/// A stretch in doubt, and why.
#[derive(Clone, Debug, Serialize)]
pub struct Stretch {
    /// Offsets, the last one included.
    pub from: usize,
    pub to: usize,
    /// Take (from 1) and seconds where it lies.
    pub places: Vec<(usize, f64, f64)>,
    pub cause: Cause,
    /// False if no play can settle its program.
    pub curable: bool,
    pub heard: Vec<Heard>,
}

/// How one take heard a stretch.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Heard {
    /// From 1.
    pub take: usize,
    pub how: How,
    /// |ln P(1)/P(0)| of the weakest bit of the worst byte.
    pub strength: f64,
    /// Level of that byte against the usual level of its reading.
    pub level: f64,
    /// True if some byte of the stretch is heard well as a whole, and otherwise than it was decided. A bit that stands out
    /// of a byte of which little is heard contradicts nothing.
    pub against: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum How {
    Well,
    /// Signal, but with too much noise.
    Noisily,
    /// The level has dropped.
    Faintly,
    /// Next to nothing can be said though the level is there: the place or the speed was lost.
    Lost,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// Bad in all of several takes, at the same place.
    Tape,
    /// Bad in some takes, good in others.
    Take,
    /// Only one take has it, so that tape and take can't be told apart.
    OneTake,
    /// A take hears some byte well, and otherwise than it was decided.
    Contradiction,
    /// Heard well enough by nobody to be sure, by nobody badly.
    Thin,
    /// No take has it.
    Unheard,
}

/// A bit under this says little (odds of 20 to 1).
const WEAK: f64 = 3.0;
/// Under this next to nothing.
const SILENT: f64 = 0.5;
/// A level under this part of the take's own is a dropout.
const DROPPED: f64 = 0.5;
/// Advice on every program that is not established, in the order of the tape.
///
/// Errors: [`Error::Usage`] if a block admits no valid word, which would be a fault of ours.
pub fn advise(outcome: &Outcome, format: &dyn Format, progress: Progress) -> Result<Vec<Advice>, Error> {
    let gains = usual_gains(outcome);
    let programs = &outcome.verdict.programs;
    let open: Vec<usize> = (0..programs.len()).filter(|&i| programs[i].verdict != Level::Established).collect();
    let forecasts = forecasts(outcome, &open, format, progress)?;
    let of_program = |(&i, forecast): (&usize, Forecast)| {
        let curable = !matches!(forecast, Forecast::NotByTakes { .. });
        let stretch = |w: Weak| {
            let heard = heard(outcome, &gains, &outcome.programs[i], &w, format.grammar().bits_per_byte);
            Stretch { from: w.from, to: w.to, places: w.places, cause: cause(&heard), curable, heard }
        };
        Advice {
            program: programs[i].id.clone(),
            name: programs[i].name.clone(),
            verdict: programs[i].verdict,
            stretches: explain::weak(outcome, i).into_iter().map(stretch).collect(),
            forecast,
        }
    };
    Ok(open.iter().zip(forecasts).map(of_program).collect())
}

fn cause(heard: &[Heard]) -> Cause {
    let bad = heard.iter().filter(|h| h.how != How::Well).count();
    match (heard.len(), bad) {
        (0, _) => Cause::Unheard,
        _ if heard.iter().any(|h| h.against) => Cause::Contradiction,
        (_, 0) => Cause::Thin,
        (1, _) => Cause::OneTake,
        (n, b) if n == b => Cause::Tape,
        _ => Cause::Take,
    }
}

/// Median gain of every reading of every take.
fn usual_gains(outcome: &Outcome) -> Vec<Vec<f64>> {
    outcome.takes.iter().map(|t| t.readings.iter().map(|r| median(&r.gain)).collect()).collect()
}

/// How every take that has the bytes `from..=to` hears the worst of them; of two copies of a byte the better one counts.
fn heard(outcome: &Outcome, gains: &[Vec<f64>], program: &RecoveredProgram, w: &Weak, width: usize) -> Vec<Heard> {
    let blocks = &outcome.tapes[program.tape].blocks;
    let of_byte = |take: usize, block: usize, byte: usize| -> Option<(f64, f64, bool)> {
        let DecidedBlock { block, decided, .. } = &blocks[block];
        let bits = byte * width..(byte + 1) * width;
        let copies = block.votes.iter().filter(|v| v.take == take).filter_map(|vote| {
            let stretch = vote.stretches.iter().find(|s| (s.2..s.2 + s.1 - s.0).contains(&byte))?;
            let gain = *outcome.takes[take].readings[vote.reading].gain.get(stretch.0 + byte - stretch.2)?;
            let usual = gains[take][vote.reading];
            let bits = vote.bits[bits.clone()].iter().zip(&decided.posterior[bits.clone()]);
            let strength = bits.clone().map(|(l, _)| f64::from(l.0.abs())).fold(f64::INFINITY, f64::min);
            let against = strength >= WEAK && bits.clone().any(|(l, p)| l.bit() != p.bit());
            Some((strength, if usual > 0.0 { f64::from(gain) / usual } else { 0.0 }, against))
        });
        copies.reduce(|a, b| {
            let better = if a.0 >= b.0 { a } else { b };
            (better.0, better.1, a.2 || b.2)
        })
    };
    let of_take = |take: usize| -> Option<Heard> {
        let bytes = (w.from..=w.to).filter_map(|offset| program.place(offset));
        let (strength, level, against) =
            bytes.filter_map(|(block, byte)| of_byte(take, block, byte)).reduce(|a, b| {
                let worse = if a.0 <= b.0 { a } else { b };
                (worse.0, worse.1, a.2 || b.2)
            })?;
        let how = match (strength, level) {
            (s, _) if s >= WEAK => How::Well,
            (_, l) if l < DROPPED => How::Faintly,
            (s, _) if s < SILENT => How::Lost,
            _ => How::Noisily,
        };
        Some(Heard { take: take + 1, how, strength, level, against })
    };
    (0..outcome.takes.len()).filter_map(of_take).collect()
}

fn median(values: &[f32]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f32::total_cmp);
    f64::from(sorted.get(sorted.len() / 2).copied().unwrap_or(0.0))
}
