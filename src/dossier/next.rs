//! What would help most: where the doubt lies, whether the tape or a take is at fault, and what more takes would do
//! ([`forecast`](super::forecast)).

use serde::Serialize;
use statrs::distribution::{DiscreteCDF, Poisson};

use super::explain::{self, Weak};
use super::forecast::forecasts;
pub use super::forecast::{ENOUGH, Forecast, SEED, Settled};
use crate::confidence::Level;
use crate::recovery::{DecidedBlock, Outcome, Progress, RecoveredProgram, explanation};
use crate::tape::Format;
use crate::{Error, Llr};

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
    /// True for a part of the program's header: the offsets count from the header's first byte.
    pub header: bool,
    /// Offsets, the last one included.
    pub from: usize,
    pub to: usize,
    /// Take (from 1) and seconds where it lies.
    pub places: Vec<(usize, f64, f64)>,
    pub cause: Cause,
    /// Where another explanation of the block is the cause: what it says, and what would show whether it is true.
    pub explanation: Option<(String, String)>,
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
    /// |ln P(1)/P(0)| of the weakest bit of the worst byte. A byte of which nothing is heard is worse than any other.
    pub strength: f64,
    /// Level of that byte against the usual level of its reading.
    pub level: f64,
    /// True if bytes of the stretch are heard well as a whole, and otherwise than they were decided, more often than soft bits
    /// of their strength are wrong. A bit that stands out of a byte of which little is heard contradicts nothing.
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
    /// Most of the doubt comes from another explanation of its block, not from how it was heard.
    Explanation,
    /// No take has it.
    Unheard,
}

/// A bit under this says little (odds of 20 to 1).
const WEAK: f64 = 3.0;
/// A byte half of whose bits are under this says next to nothing. One such bit is what noise does.
const SILENT: f64 = 0.5;
/// A level under this part of the take's own is a dropout.
const DROPPED: f64 = 0.5;
/// Bytes heard well and otherwise than decided contradict if so many come by chance less often than this.
const CHANCE: f64 = 1e-4;
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
    let width = format.grammar().bits_per_byte;
    let of = |program: &RecoveredProgram, header| bytes(outcome, &gains, program, header, width);
    let everywhere = pooled(outcome, &outcome.programs.iter().map(|p| of(p, false)).collect::<Vec<_>>());
    let of_program = |(&i, forecast): (&usize, Forecast)| {
        let curable = !matches!(forecast, Forecast::NotByTakes { .. });
        let [data, head] = [false, true].map(|header| of(&outcome.programs[i], header));
        let stretch = |w: Weak| {
            let bytes = if w.header { &head } else { &data };
            let heard = heard(bytes, &w);
            let explanation = explained(outcome, &outcome.programs[i], &w);
            let cause = if explanation.is_some() { Cause::Explanation } else { cause(&heard, bytes, &everywhere) };
            let Weak { header, from, to, places, .. } = w;
            Stretch { header, from, to, places, cause, explanation, curable, heard }
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

/// The other explanation that the least sure byte of a stretch owes its doubt to, if it is the one for which the block is in
/// doubt.
fn explained(outcome: &Outcome, program: &RecoveredProgram, w: &Weak) -> Option<(String, String)> {
    let blocks = &outcome.tapes[program.tape].blocks;
    let places = (w.from..=w.to).filter_map(|offset| explain::block_of(program, w.header, offset));
    let doubt = |(block, byte): (usize, usize)| blocks[block].decided.byte_p_wrong[byte];
    let (block, byte) = places.reduce(|a, b| if doubt(b) > doubt(a) { b } else { a })?;
    let name = blocks[block].decided.doubt_from[byte]?;
    let rivalling = blocks[block].decided.rivalling.as_ref().filter(|r| r.name == name)?;
    let part = if w.header { "header" } else { "data" };
    Some((explanation::sentence(rivalling, part), explanation::cure(rivalling)))
}

fn cause(heard: &[Heard], bytes: &[Bytes], everywhere: &[Bytes]) -> Cause {
    let bad = heard.iter().filter(|h| h.how != How::Well).count();
    match (heard.len(), bad) {
        (0, _) => Cause::Unheard,
        _ if heard.iter().any(|h| h.against) => Cause::Contradiction,
        (_, 0) => Cause::Thin,
        (1, _) => Cause::OneTake,
        (n, b) if n == b && !by_chance(heard, bytes, everywhere) => Cause::Tape,
        _ => Cause::Take,
    }
}

/// Whether these takes would often be bad at the same byte if none had to do with another. How often one is bad of its own
/// is seen where not all the others are: in this program, or, if there is no such byte in it, in all. Noise all over two
/// takes meets at many bytes, and is in none of them the tape's. If there is no such byte at all, nothing tells. Counted by
/// the rule of succession (Laplace 1774, from memory): no bad byte among few does not mean that none can be.
fn by_chance(heard: &[Heard], bytes: &[Bytes], everywhere: &[Bytes]) -> bool {
    let common = |bytes: &[Bytes]| -> Vec<Vec<bool>> {
        let takes: Vec<&Bytes> = heard.iter().map(|h| &bytes[h.take - 1]).collect();
        let bad = |b: &Byte| b.strength < WEAK;
        let at = |offset: usize| takes.iter().map(|t| t[offset].as_ref().map(bad)).collect::<Option<Vec<bool>>>();
        (0..takes[0].len()).filter_map(at).collect()
    };
    let (here, all) = (common(bytes), common(everywhere));
    let share = |take: usize| {
        let others = |bad: &&Vec<bool>| (0..bad.len()).any(|t| t != take && !bad[t]);
        let of_its_own = |common: &[Vec<bool>]| {
            let apart: Vec<&Vec<bool>> = common.iter().filter(others).collect();
            let bad = apart.iter().filter(|bad| bad[take]).count();
            (!apart.is_empty()).then(|| (bad + 1) as f64 / (apart.len() + 2) as f64)
        };
        of_its_own(&here).or_else(|| of_its_own(&all)).unwrap_or(1.0)
    };
    let expected = here.len() as f64 * (0..heard.len()).map(share).product::<f64>();
    let met = here.iter().filter(|bad| bad.iter().all(|b| *b)).count();
    expected >= MEETINGS * met as f64
}

/// How every take hears the bytes of all programs, one after the other.
fn pooled(outcome: &Outcome, programs: &[Vec<Bytes>]) -> Vec<Bytes> {
    (0..outcome.takes.len()).map(|take| programs.iter().flat_map(|p| p[take].iter().copied()).collect()).collect()
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
    /// Half of its bits are next to nothing.
    silent: bool,
    level: f64,
    /// How often it is heard well, and otherwise than it was decided, and how often that is to be expected.
    against: (usize, f64),
}

impl Byte {
    /// The better, or the worse one, with what speaks against what was decided in both.
    fn pick(self, other: Byte, better: bool) -> Byte {
        let rank = |b: &Byte| (!b.silent, b.strength);
        let one = if (rank(&self) >= rank(&other)) == better { self } else { other };
        Byte { against: (self.against.0 + other.against.0, self.against.1 + other.against.1), ..one }
    }
}

/// Chance of so many events or more, of which so many are to be expected (Poisson); none expected, none happens.
fn at_least(events: usize, expected: f64) -> f64 {
    let Some(fewer) = (events as u64).checked_sub(1) else { return 1.0 };
    Poisson::new(expected).map_or(0.0, |poisson| poisson.sf(fewer))
}

/// How one take hears every byte; `None` where it has none.
type Bytes = Vec<Option<Byte>>;

/// How every take hears every byte of a program, or of its header.
fn bytes(outcome: &Outcome, gains: &[Vec<f64>], program: &RecoveredProgram, header: bool, width: usize) -> Vec<Bytes> {
    let blocks = &outcome.tapes[program.tape].blocks;
    let of_byte = |take: usize, (block, byte): (usize, usize)| -> Option<Byte> {
        let DecidedBlock { block, decided, .. } = &blocks[block];
        let bits = byte * width..(byte + 1) * width;
        let copies = block.votes.iter().filter(|v| v.take == take).filter_map(|vote| {
            let stretch = vote.stretches.iter().find(|s| (s.2..s.2 + s.1 - s.0).contains(&byte))?;
            let gain = *outcome.takes[take].readings[vote.reading].gain.get(stretch.0 + byte - stretch.2)?;
            let usual = gains[take][vote.reading];
            let strengths: Vec<f32> = vote.bits[bits.clone()].iter().map(|l| l.0.abs()).collect();
            let strength = f64::from(strengths.iter().copied().fold(f32::INFINITY, f32::min));
            let mut both = vote.bits[bits.clone()].iter().zip(&decided.posterior[bits.clone()]);
            let misheard = 1.0 - strengths.iter().map(|&s| Llr(s).p_one()).product::<f64>();
            let against = match strength >= WEAK {
                true => (usize::from(both.any(|(l, p)| l.bit() != p.bit())), misheard),
                false => (0, 0.0),
            };
            let level = if usual > 0.0 { f64::from(gain) / usual } else { 0.0 };
            Some(Byte { strength, silent: median(&strengths) < SILENT, level, against })
        });
        copies.reduce(|a, b| a.pick(b, true))
    };
    let count = if header { program.header.map_or(0, |h| blocks[h].block.bytes) } else { program.classes.len() };
    let of_take = |take| (0..count).map(|i| of_byte(take, explain::block_of(program, header, i)?)).collect();
    (0..outcome.takes.len()).map(of_take).collect()
}

/// How every take that has some of a stretch hears the worst byte of it.
fn heard(bytes: &[Bytes], w: &Weak) -> Vec<Heard> {
    let of_take = |(take, bytes): (usize, &Bytes)| -> Option<Heard> {
        let worst = bytes[w.from..=w.to].iter().flatten().copied().reduce(|a, b| a.pick(b, false))?;
        let Byte { strength, silent, level, against } = worst;
        let how = match level {
            _ if strength >= WEAK => How::Well,
            l if l < DROPPED => How::Faintly,
            _ if silent => How::Lost,
            _ => How::Noisily,
        };
        let against = at_least(against.0, against.1) < CHANCE;
        Some(Heard { take: take + 1, how, strength, level, against })
    };
    bytes.iter().enumerate().filter_map(of_take).collect()
}

fn median(values: &[f32]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f32::total_cmp);
    f64::from(sorted.get(sorted.len() / 2).copied().unwrap_or(0.0))
}
