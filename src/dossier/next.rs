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
    /// Bad in all of several takes, at the same place, and that is no chance.
    Tape,
    /// Bad in some takes, good in others; or in all, but they are bad so often that they meet by chance.
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
/// If chance alone makes for more than this part of the bytes at which all takes are bad, the tape is not blamed for them.
const MEETINGS: f64 = 0.2;

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
        let bytes = bytes(outcome, &gains, &outcome.programs[i], format.grammar().bits_per_byte);
        let stretch = |w: Weak| {
            let heard = heard(&bytes, &w);
            Stretch { from: w.from, to: w.to, places: w.places, cause: cause(&heard, &bytes), curable, heard }
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

fn cause(heard: &[Heard], bytes: &[Vec<Option<Byte>>]) -> Cause {
    let bad = heard.iter().filter(|h| h.how != How::Well).count();
    match (heard.len(), bad) {
        (0, _) => Cause::Unheard,
        _ if heard.iter().any(|h| h.against) => Cause::Contradiction,
        (_, 0) => Cause::Thin,
        (1, _) => Cause::OneTake,
        (n, b) if n == b && !by_chance(heard, bytes) => Cause::Tape,
        _ => Cause::Take,
    }
}

/// Whether these takes would often be bad at the same byte if none had to do with another. How often one is bad of its own
/// is seen where not all the others are; noise all over two takes meets at many bytes, and is in none of them the tape's.
fn by_chance(heard: &[Heard], bytes: &[Vec<Option<Byte>>]) -> bool {
    let takes: Vec<&Vec<Option<Byte>>> = heard.iter().map(|h| &bytes[h.take - 1]).collect();
    let at = |offset: usize| takes.iter().map(|t| t[offset].map(|b| b.strength < WEAK)).collect::<Option<Vec<bool>>>();
    let common: Vec<Vec<bool>> = (0..takes[0].len()).filter_map(at).collect();
    let share = |take: usize| {
        let others = |bad: &&Vec<bool>| (0..bad.len()).any(|t| t != take && !bad[t]);
        let of_its_own = common.iter().filter(others).filter(|bad| bad[take]).count();
        of_its_own as f64 / common.iter().filter(others).count().max(1) as f64
    };
    let expected = common.len() as f64 * (0..takes.len()).map(share).product::<f64>();
    let met = common.iter().filter(|bad| bad.iter().all(|b| *b)).count();
    expected >= MEETINGS * met as f64
}

/// Median gain of every reading of every take.
fn usual_gains(outcome: &Outcome) -> Vec<Vec<f64>> {
    outcome.takes.iter().map(|t| t.readings.iter().map(|r| median(&r.gain)).collect()).collect()
}

/// How one take hears one byte; of its two copies the better one counts.
#[derive(Clone, Copy)]
struct Byte {
    /// As in [`Heard`].
    strength: f64,
    level: f64,
    against: bool,
}

/// How every take hears every byte of a program; `None` where it has none.
fn bytes(outcome: &Outcome, gains: &[Vec<f64>], program: &RecoveredProgram, width: usize) -> Vec<Vec<Option<Byte>>> {
    let blocks = &outcome.tapes[program.tape].blocks;
    let of_byte = |take: usize, (block, byte): (usize, usize)| -> Option<Byte> {
        let DecidedBlock { block, decided, .. } = &blocks[block];
        let bits = byte * width..(byte + 1) * width;
        let copies = block.votes.iter().filter(|v| v.take == take).filter_map(|vote| {
            let stretch = vote.stretches.iter().find(|s| (s.2..s.2 + s.1 - s.0).contains(&byte))?;
            let gain = *outcome.takes[take].readings[vote.reading].gain.get(stretch.0 + byte - stretch.2)?;
            let usual = gains[take][vote.reading];
            let bits = vote.bits[bits.clone()].iter().zip(&decided.posterior[bits.clone()]);
            let strength = bits.clone().map(|(l, _)| f64::from(l.0.abs())).fold(f64::INFINITY, f64::min);
            let against = strength >= WEAK && bits.clone().any(|(l, p)| l.bit() != p.bit());
            Some(Byte { strength, level: if usual > 0.0 { f64::from(gain) / usual } else { 0.0 }, against })
        });
        copies.reduce(|a, b| {
            let better = if a.strength >= b.strength { a } else { b };
            Byte { against: a.against || b.against, ..better }
        })
    };
    let offsets = 0..program.classes.len();
    let of_take = |take| offsets.clone().map(|offset| of_byte(take, program.place(offset)?)).collect();
    (0..outcome.takes.len()).map(of_take).collect()
}

/// How every take that has some of a stretch hears the worst byte of it.
fn heard(bytes: &[Vec<Option<Byte>>], w: &Weak) -> Vec<Heard> {
    let of_take = |(take, bytes): (usize, &Vec<Option<Byte>>)| -> Option<Heard> {
        let Byte { strength, level, against } = bytes[w.from..=w.to].iter().flatten().copied().reduce(|a, b| {
            let worse = if a.strength <= b.strength { a } else { b };
            Byte { against: a.against || b.against, ..worse }
        })?;
        let how = match (strength, level) {
            (s, _) if s >= WEAK => How::Well,
            (_, l) if l < DROPPED => How::Faintly,
            (s, _) if s < SILENT => How::Lost,
            _ => How::Noisily,
        };
        Some(Heard { take: take + 1, how, strength, level, against })
    };
    bytes.iter().enumerate().filter_map(of_take).collect()
}

fn median(values: &[f32]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f32::total_cmp);
    f64::from(sorted.get(sorted.len() / 2).copied().unwrap_or(0.0))
}
