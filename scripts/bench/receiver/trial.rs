//! One seed at one point: all columns, for one take and for three.

use super::bound::Bound;
use super::scene::{BYTES, COPIES, Scene, TAKES, WIDTH, quantise};
use super::{edges, ours};
use quorate::channel::Knobs;
use quorate::correction::{ParityXor, most_probable};
use quorate::recovery::Received;
use quorate::{Error, Llr};
use serde::Serialize;

/// Sums over trials. Bytes are of 501; everything about programs is about header and data block together.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Tally {
    pub trials: u64,
    pub edges_wrong: u64,
    pub soft_wrong: u64,
    pub exact_wrong: u64,
    pub blocks_recovered: u64,
    pub blocks_claimed: u64,
    pub blocks_claimed_wrong: u64,
    pub programs_recovered: u64,
    pub programs_established: u64,
    pub established_wrong: u64,
    /// Readings of the data block looked for, not found, and their bits: wrong, lost, and all of those found.
    pub readings: u64,
    pub readings_missing: u64,
    pub bits_wrong: u64,
    pub bits_lost: u64,
    pub bits: u64,
    pub bound: Option<BoundTally>,
}

#[derive(Clone, Copy, Debug, Default, Serialize)]
pub struct BoundTally {
    pub hard_wrong: u64,
    pub soft_wrong: u64,
    pub exact_wrong: u64,
    pub blocks_recovered: u64,
    pub bits_wrong: u64,
    pub bits: u64,
}

macro_rules! add_fields {
    ($self:ident, $other:ident, $($field:ident),*) => { $($self.$field += $other.$field;)* };
}

impl Tally {
    pub fn add(&mut self, o: &Tally) {
        add_fields!(
            self,
            o,
            trials,
            edges_wrong,
            soft_wrong,
            exact_wrong,
            blocks_recovered,
            blocks_claimed,
            blocks_claimed_wrong,
            programs_recovered,
            programs_established,
            established_wrong,
            readings,
            readings_missing,
            bits_wrong,
            bits_lost,
            bits
        );
        if let Some(o) = &o.bound {
            let b = self.bound.get_or_insert_default();
            add_fields!(b, o, hard_wrong, soft_wrong, exact_wrong, blocks_recovered, bits_wrong, bits);
        }
    }
}

/// One take, played once: the wave without noise, its noise at 0 dB, and its bound.
pub struct Played {
    pub knobs: Knobs,
    clean: Vec<f32>,
    noise: Vec<f32>,
    bound: Bound,
    /// Seconds at which the copies of the data block begin.
    starts_s: [f64; COPIES],
}

impl Played {
    pub fn new(scene: &Scene, base: &Knobs, take: usize) -> Played {
        let knobs = scene.knobs(base, take);
        let clean = scene.play(&scene.tape, &Knobs { snr_db: None, ..knobs.clone() }, take);
        let mut noise = scene.play(&scene.tape, &Knobs { snr_db: Some(0.0), ..knobs.clone() }, take);
        noise.iter_mut().zip(&clean).for_each(|(n, c)| *n -= c);
        let bound = Bound::new(scene, &knobs, take, &clean, &noise);
        let times = scene.schedule(&knobs, take);
        let starts_s = [0, 1].map(|copy| times[scene.copy_pulse(copy)]);
        Played { knobs, clean, noise, bound, starts_s }
    }

    /// The capture at a ratio of signal to noise.
    pub fn capture(&self, snr_db: f64, bits: u32) -> Vec<f32> {
        let g = 10_f64.powf(-snr_db / 20.0) as f32;
        let mut out: Vec<f32> = self.clean.iter().zip(&self.noise).map(|(c, n)| c + g * n).collect();
        quantise(&mut out, bits);
        out
    }
}

/// A take as heard by both.
pub struct Heard {
    edges: Vec<edges::Reading>,
    ours: Received,
    bound: Option<Vec<Vec<Llr>>>,
    starts_s: [f64; COPIES],
}

impl Heard {
    pub fn new(scene: &Scene, played: &Played, take: usize, snr_db: f64, bits: u32) -> Result<Heard, Error> {
        let mut heard =
            Heard::of(played.capture(snr_db, bits), f64::from(played.knobs.sample_rate), take, played.starts_s)?;
        heard.bound = Some(played.bound.llrs(scene, snr_db));
        Ok(heard)
    }

    pub fn of(samples: Vec<f32>, rate: f64, take: usize, starts_s: [f64; COPIES]) -> Result<Heard, Error> {
        let edges = edges::read(&samples, rate, BYTES);
        Ok(Heard { edges, ours: ours::receive(samples, rate, take)?, bound: None, starts_s })
    }
}

/// A soft bit's claim against the truth.
#[derive(Clone, Copy, Debug)]
pub struct Claim {
    pub llr: f32,
    pub wrong: bool,
}

/// What a trial adds to the tables.
pub struct Trial {
    pub single: Tally,
    pub three: Tally,
    pub claims: Vec<Claim>,
}

/// Every take by itself, and all together.
pub fn run(scene: &Scene, heard: &[Heard]) -> Result<Trial, Error> {
    let mut single = Tally::default();
    let mut claims = Vec::new();
    for take in heard {
        single.add(&judge(scene, std::slice::from_ref(take), &mut claims)?);
    }
    let three = if heard.len() == TAKES { judge(scene, heard, &mut Vec::new())? } else { Tally::default() };
    Ok(Trial { single, three, claims })
}

fn judge(scene: &Scene, heard: &[Heard], claims: &mut Vec<Claim>) -> Result<Tally, Error> {
    let mut tally = Tally { trials: 1, ..Tally::default() };

    let near = |r: &&edges::Reading, starts: &[f64; COPIES]| starts.iter().any(|s| (r.start_s - s).abs() < 0.05);
    let plain: Vec<_> = heard.iter().flat_map(|h| h.edges.iter().filter(|r| near(r, &h.starts_s))).collect();
    let voted = edges::majority(&plain, BYTES);
    let bits = voted.iter().flat_map(|byte| (0..WIDTH).map(move |k| byte.map(|b| k < 8 && b >> (k % 8) & 1 == 1)));
    tally.edges_wrong = ours::wrong_bytes(scene, bits) as u64;

    let received = heard.iter().map(|h| copy_of(&h.ours)).collect();
    let judged = ours::judge(scene, received, heard[0].starts_s[0])?;
    tally.soft_wrong = judged.soft_wrong as u64;
    tally.exact_wrong = judged.exact_wrong as u64;
    tally.blocks_recovered = u64::from(judged.recovered);
    tally.blocks_claimed = u64::from(judged.claimed);
    tally.blocks_claimed_wrong = u64::from(judged.claimed_wrong);
    tally.programs_recovered = u64::from(judged.program_recovered);
    tally.programs_established = u64::from(judged.program_established);
    tally.established_wrong = u64::from(judged.established_wrong);
    for vote in &judged.votes {
        tally.readings += 1;
        tally.readings_missing += u64::from(vote.is_empty());
        for (llr, &truth) in vote.iter().zip(&scene.bits) {
            tally.bits += 1;
            if llr.is_lost() {
                tally.bits_lost += 1;
            } else {
                let wrong = llr.bit() != truth;
                tally.bits_wrong += u64::from(wrong);
                claims.push(Claim { llr: llr.0.abs(), wrong });
            }
        }
    }

    if heard.iter().all(|h| h.bound.is_some()) {
        let copies: Vec<&Vec<Llr>> = heard.iter().flat_map(|h| h.bound.iter().flatten()).collect();
        tally.bound = Some(bound(scene, &copies));
    }
    Ok(tally)
}

fn bound(scene: &Scene, copies: &[&Vec<Llr>]) -> BoundTally {
    let sum = |bit: usize| Llr(copies.iter().map(|c| c[bit].0).sum());
    let ones = |bit: usize| copies.iter().filter(|c| c[bit].bit()).count();
    let total: Vec<Llr> = (0..scene.bits.len()).map(sum).collect();
    // A tie of hard votes reads as zero.
    let hard = (0..scene.bits.len()).map(|bit| Some(2 * ones(bit) > copies.len()));
    let exact = most_probable(&ParityXor { bytes: BYTES }, &total).map(|word| word.bits).unwrap_or_default();
    let exact_wrong = ours::wrong_bytes(scene, exact.into_iter().map(Some));
    let wrong = |c: &&Vec<Llr>| c.iter().zip(&scene.bits).filter(|(l, t)| l.bit() != **t).count() as u64;
    BoundTally {
        hard_wrong: ours::wrong_bytes(scene, hard) as u64,
        soft_wrong: ours::wrong_bytes(scene, total.iter().map(|l| Some(l.bit()))) as u64,
        exact_wrong: exact_wrong as u64,
        blocks_recovered: u64::from(exact_wrong == 0),
        bits_wrong: copies.iter().map(wrong).sum(),
        bits: (copies.len() * scene.bits.len()) as u64,
    }
}

fn copy_of(take: &Received) -> Received {
    Received {
        path: take.path.clone(),
        sha256: take.sha256.clone(),
        samples_blake3: take.samples_blake3.clone(),
        duration_s: take.duration_s,
        sample_rate: take.sample_rate,
        channel: take.channel,
        channels: take.channels,
        levels: Vec::new(),
        notes: Vec::new(),
        reception: take.reception.clone(),
        same_as: None,
    }
}
