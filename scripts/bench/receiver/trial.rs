//! One seed at one point: all columns, for one take and for three.

use super::bound::Bound;
use super::codec::Codec;
use super::ladders::Point;
use super::reliability::Claims;
use super::scene::{BLOCKS, BYTES, COPIES, DATA, Scene, TAKES, WIDTH, quantise};
use super::tally::Tally;
use super::{edges, ours};
use anyhow::Result;
use quorate::Llr;
use quorate::channel::Knobs;
use quorate::correction::{ParityXor, most_probable};
use quorate::recovery::Received;

/// One take, played once: the wave without noise, its noise at 0 dB, and its bound.
pub struct Played {
    knobs: Knobs,
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
        let starts_s = [0, 1].map(|copy| times[scene.blocks[DATA].copy_pulse(copy)]);
        Played { knobs, clean, noise, bound, starts_s }
    }

    /// The capture at a ratio of signal to noise, and its rate.
    fn capture(&self, snr_db: f64, bits: u32, codec: Option<Codec>) -> Result<(Vec<f32>, u32)> {
        let g = 10_f64.powf(-snr_db / 20.0) as f32;
        let mut out: Vec<f32> = self.clean.iter().zip(&self.noise).map(|(c, n)| c + g * n).collect();
        quantise(&mut out, bits);
        match codec {
            Some(codec) => codec.pass(&out, self.knobs.sample_rate),
            None => Ok((out, self.knobs.sample_rate)),
        }
    }

    fn hear(&self, take: usize, point: &Point) -> Result<Heard> {
        let (samples, rate) = self.capture(point.snr_db, point.bits, point.codec)?;
        let edges = edges::read(&samples, f64::from(rate), BYTES);
        Ok(Heard { edges, ours: ours::receive(samples, f64::from(rate), take)?, starts_s: self.starts_s })
    }
}

/// A take as heard by the reference and by the program.
struct Heard {
    edges: Vec<edges::Reading>,
    ours: Received,
    starts_s: [f64; COPIES],
}

/// What a trial adds to the tables: every take by itself, and all together.
#[derive(Clone, Default)]
pub struct Trial {
    pub single: Tally,
    pub three: Tally,
    pub claims: Claims,
}

impl Trial {
    pub fn add(&mut self, other: &Trial) {
        self.single.add(&other.single);
        self.three.add(&other.three);
        self.claims.add(&other.claims);
    }
}

pub fn run(scene: &Scene, played: &[Played], point: &Point) -> Result<Trial> {
    let heard: Vec<Heard> = played.iter().enumerate().map(|(t, p)| p.hear(t, point)).collect::<Result<_>>()?;
    let mut trial = Trial::default();
    for (take, played) in heard.iter().zip(played) {
        let (take, played) = (std::slice::from_ref(take), std::slice::from_ref(played));
        judge(scene, take, &mut trial.single, &mut trial.claims)?;
        bound(scene, played, point.snr_db, &mut trial.single);
    }
    judge(scene, &heard, &mut trial.three, &mut trial.claims)?;
    bound(scene, played, point.snr_db, &mut trial.three);
    Ok(trial)
}

/// The bound alone, which costs next to nothing at any ratio.
pub fn bound_alone(scene: &Scene, played: &[Played], snr_db: f64) -> Trial {
    let mut trial = Trial::default();
    played.iter().for_each(|p| bound(scene, std::slice::from_ref(p), snr_db, &mut trial.single));
    bound(scene, played, snr_db, &mut trial.three);
    trial
}

fn judge(scene: &Scene, heard: &[Heard], tally: &mut Tally, claims: &mut Claims) -> Result<()> {
    tally.count("trials", 1);
    let mut wrong = |bytes: &'static str, right: &'static str, count: usize| {
        tally.count(bytes, count as u64);
        tally.count(right, u64::from(count == 0));
    };

    // The reference is told which block is meant.
    let near = |r: &&edges::Reading, starts: &[f64; COPIES]| starts.iter().any(|s| (r.start_s - s).abs() < 1.0);
    let plain: Vec<_> = heard.iter().flat_map(|h| h.edges.iter().filter(|r| near(r, &h.starts_s))).collect();
    let voted = edges::majority(&plain, BYTES);
    let bits = voted.iter().flat_map(|byte| (0..WIDTH).map(move |k| byte.map(|b| k < 8 && b >> (k % 8) & 1 == 1)));
    wrong("edges_wrong_bytes", "edges_right", ours::wrong_bytes(scene, bits));

    let received = heard.iter().map(|h| ours::again(&h.ours)).collect();
    let judged = ours::judge(scene, received, heard[0].starts_s[0])?;
    wrong("soft_wrong_bytes", "soft_right", judged.soft_wrong);
    wrong("exact_wrong_bytes", "exact_right", judged.exact_wrong);
    tally.count("program_recovered", u64::from(judged.program_recovered));
    tally.count("program_established", u64::from(judged.program_established));
    tally.count("program_established_and_wrong", u64::from(judged.established_wrong));

    let truth = &scene.blocks[DATA].bits;
    let claim = |table: &mut super::reliability::Table, bits: &[Llr]| {
        let heard = bits.iter().zip(truth).filter(|(llr, _)| !llr.is_lost());
        heard.for_each(|(llr, &truth)| table.bit(llr.0, llr.bit() != truth));
    };
    claim(&mut claims.votes, &judged.total);
    if let Some(block) = &judged.block {
        tally.count("block_established", u64::from(block.is_established()));
        tally.count("block_established_and_wrong", u64::from(block.is_established() && block.wrong));
        claims.blocks.block(block.p_wrong, block.wrong);
        claim(&mut claims.posterior, &block.posterior);
    }
    for vote in &judged.votes {
        tally.count("readings_expected", 1);
        tally.count("readings_missing", u64::from(vote.is_empty()));
        let lost = vote.iter().filter(|llr| llr.is_lost()).count();
        let wrong = vote.iter().zip(truth).filter(|(llr, truth)| !llr.is_lost() && llr.bit() != **truth).count();
        tally.count("bits_read", (vote.len() - lost) as u64);
        tally.count("bits_lost", lost as u64);
        tally.count("bits_wrong", wrong as u64);
        // Each reading is claimed once: when its take stands by itself.
        if heard.len() < TAKES {
            claim(&mut claims.readings, vote);
        }
    }
    Ok(())
}

fn bound(scene: &Scene, played: &[Played], snr_db: f64, tally: &mut Tally) {
    tally.count("bound_trials", 1);
    let mut all_right = true;
    for block in 0..BLOCKS {
        let truth = &scene.blocks[block].bits;
        let copies: Vec<Vec<Llr>> = played.iter().flat_map(|p| p.bound.llrs(scene, block, snr_db)).collect();
        let total: Vec<Llr> = (0..truth.len()).map(|bit| Llr(copies.iter().map(|c| c[bit].0).sum())).collect();
        let checks = ParityXor { bytes: scene.blocks[block].bytes() };
        let exact = most_probable(&checks, &total).map(|word| word.bits).unwrap_or_default();
        all_right &= exact == *truth;
        if block != DATA {
            continue;
        }
        let mut wrong = |bytes: &'static str, right: Option<&'static str>, bits: &mut dyn Iterator<Item = bool>| {
            let count = ours::wrong_bytes(scene, bits.map(Some)) as u64;
            tally.count(bytes, count);
            right.iter().for_each(|right| tally.count(right, u64::from(count == 0)));
        };
        // A tie of hard votes reads as zero.
        let ones = |bit: usize| copies.iter().filter(|c| c[bit].bit()).count();
        wrong("bound_hard_wrong_bytes", None, &mut (0..truth.len()).map(|bit| 2 * ones(bit) > copies.len()));
        wrong("bound_soft_wrong_bytes", Some("bound_soft_right"), &mut total.iter().map(|l| l.bit()));
        wrong("bound_exact_wrong_bytes", Some("bound_exact_right"), &mut exact.into_iter());
        let errors = |c: &Vec<Llr>| c.iter().zip(truth).filter(|(l, t)| l.bit() != **t).count() as u64;
        tally.count("bound_bits_wrong", copies.iter().map(errors).sum());
        tally.count("bound_bits", (copies.len() * truth.len()) as u64);
    }
    tally.count("bound_program_recovered", u64::from(all_right));
}
