//! Bits whose length depends on their value, read from simulated takes: a two-length test grammar, not a format.
//!
//! Truth comes from the simulator (`quorate::channel`), which knows nothing of the receiver. The passes themselves are held
//! against enumeration of every way to read a passage in `src/receiver/segmental/tests.rs`.

use quorate::Llr;
use quorate::channel::random::{Purpose, Random};
use quorate::channel::{self, Knobs};
use quorate::receiver::leader;
use quorate::receiver::segmental::{Extent, Passage, Run, read};
use quorate::receiver::signal::{Memory, Signal};
use quorate::tape::{Grammar, Pulse, Symbol};

/// Bit 0 one cycle of `zero` seconds, bit 1 one of `one`; a leader of 2 kHz, eight bits a byte.
fn grammar(zero: f64, one: f64) -> Grammar {
    Grammar {
        symbols: vec![
            Symbol { name: "zero", cycle: zero },
            Symbol { name: "one", cycle: one },
            Symbol { name: "leader", cycle: 500e-6 },
        ],
        relative_lengths: vec![vec![zero / 500e-6, one / 500e-6, 1.0]],
        byte_prefix: Vec::new(),
        bit: [vec![0], vec![1]],
        bits_per_byte: 8,
        byte_bits: |byte| (0..8).rev().map(|k| byte >> k & 1 == 1).collect(),
        leader: 2,
    }
}

/// 1 : 2, the harder case: two zeros last as long as a one.
fn twice() -> Grammar {
    grammar(488e-6, 976e-6)
}

/// One take of so many random bits behind 0.4 s of leader, with known truth.
struct Take {
    grammar: Grammar,
    bits: Vec<bool>,
    samples: Vec<f32>,
    /// Sample at which each bit begins, and the last ends.
    times: Vec<f64>,
}

const LEADER: usize = 800;
const RATE: f64 = 44_100.0;

impl Take {
    fn new(grammar: Grammar, count: usize, knobs: &Knobs, seed: u64) -> Take {
        let mut random = Random::new(seed, Purpose::SharedDropouts);
        let bits: Vec<bool> = (0..count).map(|_| random.uniform() < 0.5).collect();
        let mut tape = vec![Pulse::Cycle(grammar.symbols[2].cycle); LEADER];
        let word = |b: &bool| Pulse::Cycle(grammar.symbols[usize::from(*b)].cycle);
        tape.extend(bits.iter().map(word));
        tape.push(Pulse::Silence(0.2));
        let samples = channel::play(&tape, knobs, seed, seed + 1000);
        let times = channel::schedule(&tape, knobs, seed, seed + 1000);
        let times = times[LEADER..LEADER + count + 1].iter().map(|t| t * RATE).collect();
        Take { grammar, bits, samples, times }
    }

    fn read(&self, passage: &Passage) -> Run {
        self.try_read(passage).expect("a run of bits")
    }

    fn try_read(&self, passage: &Passage) -> Option<Run> {
        let memory = Memory { samples: self.samples.clone(), rate: RATE };
        let survey = leader::survey(&memory).expect("samples in memory");
        let mut signal = Signal::new(&memory);
        if let Some(noise) = &survey.noise {
            signal.whiten(noise);
        }
        read(&mut signal, &self.grammar, passage).expect("a sound passage")
    }

    /// The whole of it, its number of bits known, its beginning to some samples.
    fn passage(&self) -> Passage<'static> {
        Passage {
            // filters delay by some five samples what a sync search would find where it is heard
            start: self.times[0] + 5.0,
            start_deviation: 3.0,
            speed: 1.0,
            speed_spread: 0.02,
            extent: Extent::Bits(self.bits.len()),
            prior: &[],
        }
    }

    fn wrong(&self, run: &Run) -> usize {
        assert_eq!(run.bits.len(), self.bits.len());
        run.bits.iter().zip(&self.bits).filter(|(l, b)| l.is_lost() || l.bit() != **b).count()
    }
}

fn knobs(snr_db: f64) -> Knobs {
    Knobs { snr_db: Some(snr_db), ..Knobs::default() }
}

#[test]
fn every_bit_is_right_where_the_signal_is_clear() {
    for (grammar, seed) in
        [(twice(), 1), (grammar(300e-6, 450e-6), 2), (grammar(200e-6, 400e-6), 3), (grammar(360e-6, 1000e-6), 4)]
    {
        let take = Take::new(grammar, 3000, &knobs(20.0), seed);
        let run = take.read(&take.passage());
        assert_eq!(take.wrong(&run), 0, "seed {seed}");
        assert!(run.count_chance > 0.5, "seed {seed}: {}", run.count_chance);
        let sure = run.bits.iter().filter(|l| l.0.abs() > 9.0).count();
        assert!(sure > 2970, "seed {seed}: {sure}");
        // places: the same delay everywhere, to a fraction of a sample
        let off: Vec<f64> = run.starts.iter().zip(&take.times).map(|(a, b)| a - b).collect();
        let mean = off.iter().sum::<f64>() / off.len() as f64;
        let spread = (off.iter().map(|o| (o - mean).powi(2)).sum::<f64>() / off.len() as f64).sqrt();
        assert!(mean.abs() < 10.0 && spread < 1.0, "seed {seed}: {mean} {spread}");
    }
}

/// Plain timing of zero crossings on the same samples: the time between upward crossings, less or more than the middle of
/// both lengths. It is told where every bit is: wrong is a bit at whose beginning (to a third of the shorter length) no
/// cycle begins, by half a bit, or one of the wrong length. So slips cost it nothing; one delay fits all bits.
fn wrong_by_crossings(take: &Take) -> f64 {
    let half = (1.5e-3 * RATE) as usize;
    let mut sums = vec![0.0f64];
    take.samples.iter().for_each(|&x| sums.push(sums[sums.len() - 1] + f64::from(x)));
    let level: Vec<f64> = (0..take.samples.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(half), (i + half + 1).min(take.samples.len()));
            f64::from(take.samples[i]) - (sums[to] - sums[from]) / (to - from) as f64
        })
        .collect();
    let rms = (level.iter().map(|x| x * x).sum::<f64>() / level.len() as f64).sqrt();
    let (mut rises, mut high, mut crossing) = (Vec::new(), false, 0.0);
    for (i, pair) in level.windows(2).enumerate() {
        if pair[0] <= 0.0 && pair[1] > 0.0 {
            crossing = i as f64 + pair[0] / (pair[0] - pair[1]);
        }
        // a Schmitt trigger ignores ripples
        if !high && pair[1] > 0.2 * rms {
            high = true;
            rises.push(crossing);
        } else if high && pair[1] < -0.2 * rms {
            high = false;
        }
    }
    let [zero, one] = [0, 1].map(|k| take.grammar.symbols[k].cycle * RATE);
    let wrong = |delay: f64| -> f64 {
        let bit = |(bit, start): (&bool, &f64)| {
            let k = rises.partition_point(|r| *r < start + delay - zero / 3.0);
            match rises.get(k..k + 2) {
                Some([a, b]) if (a - start - delay).abs() < zero / 3.0 => {
                    f64::from(u8::from((b - a > 0.5 * (zero + one)) != *bit))
                }
                _ => 0.5,
            }
        };
        take.bits.iter().zip(&take.times).map(bit).sum()
    };
    (-6..=12).map(|d| wrong(f64::from(d))).fold(f64::INFINITY, f64::min)
}

/// When this was written, wrong of 6000 bits: 8 dB 0 (zero crossings 43.5), 4 dB 0 (791.5), 0 dB 0 (2235).
#[test]
fn in_noise_it_is_far_better_than_timing_zero_crossings() {
    for (snr_db, most) in [(8.0, 0.001), (4.0, 0.01), (0.0, 0.1)] {
        let (mut ours, mut crossings) = (0.0, 0.0);
        for seed in 1..4 {
            let take = Take::new(twice(), 2000, &knobs(snr_db), seed);
            ours += take.wrong(&take.read(&take.passage())) as f64;
            crossings += wrong_by_crossings(&take);
        }
        println!("{snr_db} dB: {ours} wrong of 6000, zero crossings {crossings}");
        assert!(ours <= most * 6000.0, "{snr_db} dB: {ours}");
        assert!(5.0 * ours < crossings, "{snr_db} dB: {ours}, {crossings}");
    }
}

#[test]
fn speeds_from_93_to_107_percent_and_a_wow_of_one_percent_are_followed() {
    for (speed_error, wow_rms, seed) in [(-0.07, 0.001, 11), (0.07, 0.001, 12), (0.0, 0.01, 13), (0.04, 0.01, 14)] {
        let knobs = Knobs { speed_error, wow_rms, ..knobs(14.0) };
        let take = Take::new(twice(), 4000, &knobs, seed);
        let run = take.read(&Passage { speed_spread: 0.08, ..take.passage() });
        assert_eq!(take.wrong(&run), 0, "speed {speed_error}, wow {wow_rms}");
    }
}

/// Bits that a lost stretch touches (`more` above 0), or that lie within it (below), by so many samples.
fn under(take: &Take, from_s: f64, to_s: f64, more: f64) -> Vec<bool> {
    let (from, to) = (from_s * RATE - more, to_s * RATE + more);
    let inside = |p: &[f64]| if more > 0.0 { p[1] > from && p[0] < to } else { p[0] > from && p[1] < to };
    take.times.windows(2).map(inside).collect()
}

/// Lost stretches begin at these tape seconds; the take begins half a second before the tape.
fn dropped(seed: u64, snr_db: f64, at: &[f64]) -> (Take, Vec<bool>) {
    let lost_s = at.iter().map(|a| (*a, a + 0.03)).collect();
    let knobs = Knobs { lost_s, wow_rms: 0.0, flutter_rms: 0.0, drift_rms: 0.0, record_wow_rms: 0.0, ..knobs(snr_db) };
    let take = Take::new(twice(), 2000, &knobs, seed);
    let mut lost = vec![false; take.bits.len()];
    for a in at {
        lost.iter_mut()
            .zip(under(&take, a + knobs.before_s, a + 0.03 + knobs.before_s, 40.0))
            .for_each(|(l, u)| *l |= u);
    }
    (take, lost)
}

#[test]
fn a_dropout_costs_the_bits_under_it_when_the_number_of_bits_is_known() {
    for (seed, snr_db) in [(21, 20.0), (22, 8.0), (23, 8.0)] {
        let (take, lost) = dropped(seed, snr_db, &[1.1]);
        let run = take.read(&take.passage());
        let inside = under(&take, 1.6, 1.63, -30.0);
        assert!(lost.iter().filter(|l| **l).count() < 70 && inside.iter().filter(|l| **l).count() > 25);
        for (i, (llr, bit)) in run.bits.iter().zip(&take.bits).enumerate() {
            if inside[i] {
                // nothing is heard there, so nothing sure is said
                assert!(llr.0.abs() < 7.0, "seed {seed}: lost bit {i} says {llr:?}");
            }
            if !lost[i] {
                assert!(llr.bit() == *bit && !llr.is_lost(), "seed {seed}: bit {i} behind or before says {llr:?}");
            }
        }
        let sure = run.bits.iter().zip(&inside).filter(|(l, inside)| **inside && l.0.abs() > 3.0).count();
        assert!(sure < 12, "seed {seed}: {sure} lost bits claim much");
    }
}

/// Between two dropouts the number of bits is known to some alone: right bits in place cannot be sure there, but the claims
/// must hold; outside, everything is right.
#[test]
fn between_two_dropouts_claims_stay_modest() {
    let (mut claimed, mut wrong) = (0.0, 0.0);
    for seed in 31..37 {
        let (take, _) = dropped(seed, 14.0, &[0.9, 1.3]);
        let run = take.read(&take.passage());
        let first = take.times.partition_point(|t| *t < (0.9 + 0.5) * RATE - 30.0) - 1;
        let last = take.times.partition_point(|t| *t < (1.33 + 0.5) * RATE + 60.0);
        for (i, (llr, bit)) in run.bits.iter().zip(&take.bits).enumerate() {
            let inside = (first..last).contains(&i);
            assert!(inside || llr.bit() == *bit, "seed {seed}: bit {i} of {first}..{last} says {llr:?}");
            claimed += llr.p_wrong();
            wrong += f64::from(u8::from(llr.bit() != *bit));
        }
    }
    println!("claimed {claimed}, wrong {wrong}");
    // the shift is one draw for all bits between, so the figure is coarse
    assert!(wrong < 1.6 * claimed && claimed < 1.6 * wrong, "claimed {claimed}, wrong {wrong}");
}

#[test]
fn without_the_number_of_bits_the_doubt_about_it_is_said() {
    let knobs = knobs(14.0);
    let take = Take::new(twice(), 1500, &knobs, 41);
    let until = |take: &Take| Extent::Until(take.times[take.bits.len()] + 2.0, 4.0);
    let run = take.read(&Passage { extent: until(&take), ..take.passage() });
    assert_eq!(take.wrong(&run), 0);
    assert!(run.leaps.is_empty() && run.count_chance > 0.5, "{:?} {}", run.leaps, run.count_chance);

    let (take, lost) = dropped(42, 14.0, &[1.1]);
    let run = take.read(&Passage { extent: until(&take), ..take.passage() });
    let first = lost.iter().position(|l| *l).expect("a dropout");
    let behind = lost.iter().rposition(|l| *l).expect("a dropout");
    assert!(run.count_chance < 0.7, "{}", run.count_chance);
    assert_eq!(run.leaps.len(), 1, "{:?}", run.leaps);
    assert!(run.leaps[0].abs_diff(behind) < 12, "{:?} {behind}", run.leaps);
    // before it by number from the start, behind it from the end
    let right = |(l, b): (&Llr, &bool)| l.bit() == *b;
    assert!(run.bits.iter().zip(&take.bits).take(first).all(right));
    let (bits, truth) = (run.bits.iter().rev(), take.bits.iter().rev());
    assert!(bits.zip(truth).take(take.bits.len() - 1 - behind).all(right));
}

/// One take tells only what it was asked; the wrong number of bits is no run when the signal is clear.
#[test]
fn a_number_of_bits_that_the_signal_rules_out_gives_no_run() {
    let take = Take::new(twice(), 600, &knobs(20.0), 51);
    for bits in [500, 700] {
        let run = take.try_read(&Passage { extent: Extent::Bits(bits), ..take.passage() });
        assert!(run.is_none_or(|r| r.count_chance < 1e-6), "{bits}");
    }
}

/// Claims in bins against what was wrong, two ways: bits as independent draws must keep to the exact (Clopper–Pearson) interval
/// at 99.9 %, or takes must, whose bits share their slips: the share wrong in a take's part of a bin has at most the variance
/// p (1 − p) of a single draw. A bin that fails both is out.
#[test]
fn claims_agree_with_the_share_of_wrong_bits() {
    let edges = [0.5, 0.2, 0.1, 0.03, 0.01, 0.003, 0.001, 1e-4, 0.0];
    // by bin: bits, wrong, claimed; over takes: shares wrong less claimed, and their variance at most
    let mut bins = vec![(0u64, 0u64, 0.0f64, 0.0f64, 0.0f64); edges.len() - 1];
    let mut unread = 0;
    for seed in 100..260 {
        let snr_db = [3.0, 1.0, 0.0, -1.0][seed as usize % 4];
        let grammar = if seed % 3 == 0 { twice() } else { grammar(400e-6, 640e-6) };
        let take = Take::new(grammar, 300, &knobs(snr_db), seed);
        let Some(run) = take.try_read(&take.passage()) else {
            unread += 1;
            continue;
        };
        let mut of_take = vec![(0.0, 0.0, 0.0); bins.len()];
        for (llr, bit) in run.bits.iter().zip(&take.bits) {
            let p = llr.p_wrong();
            let bin = edges.windows(2).position(|e| p <= e[0] && p >= e[1]).expect("a chance of at most a half");
            let part = &mut of_take[bin];
            *part = (part.0 + 1.0, part.1 + f64::from(u8::from(llr.bit() != *bit)), part.2 + p);
        }
        for (bin, (count, wrong, claimed)) in bins.iter_mut().zip(of_take).filter(|(_, part)| part.0 > 0.0) {
            let p = claimed / count;
            let (off, variance) = (wrong / count - p, p * (1.0 - p));
            *bin = (bin.0 + count as u64, bin.1 + wrong as u64, bin.2 + claimed, bin.3 + off, bin.4 + variance);
        }
    }
    // a passage that can't be read with that number of bits says nothing, which is rare
    assert!(unread <= 3, "{unread} of 160 takes");
    let mut faults = Vec::new();
    for (edge, (count, wrong, claimed, off, variance)) in edges.iter().zip(bins) {
        let n = count.max(1) as f64;
        let shares = (claimed / n, wrong as f64 / n);
        let line = format!(
            "up to {edge}: {count} bits, claimed {:.5}, wrong {:.5}, takes {off:.2} ± {:.2}",
            shares.0,
            shares.1,
            variance.sqrt()
        );
        println!("{line}");
        let (low, high) = exact_interval(wrong, count, 0.001);
        let bits_agree = (low..=high).contains(&shares.0);
        if !bits_agree && off.abs() > 3.3 * variance.sqrt() + 0.5 {
            faults.push(line);
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}

fn exact_interval(hits: u64, trials: u64, alpha: f64) -> (f64, f64) {
    use statrs::distribution::{Beta, ContinuousCDF};
    let beta = |a: u64, b: u64, p: f64| Beta::new(a as f64, b as f64).expect("shapes above 0").inverse_cdf(p);
    let low = if hits == 0 { 0.0 } else { beta(hits, trials - hits + 1, alpha / 2.0) };
    let high = if hits == trials { 1.0 } else { beta(hits + 1, trials - hits, 1.0 - alpha / 2.0) };
    (low, high)
}

/// A grammar with a prefix before every byte, as twin-copy has, and bits of two lengths behind it.
#[test]
fn bytes_with_a_prefix_and_bits_of_two_lengths_are_read() {
    let mut grammar = grammar(350e-6, 560e-6);
    grammar.symbols.push(Symbol { name: "prefix", cycle: 800e-6 });
    grammar.byte_prefix = vec![3];
    let plain = Take::new(grammar.clone(), 800, &knobs(12.0), 61);
    let mut tape = vec![Pulse::Cycle(500e-6); LEADER];
    for byte in plain.bits.chunks(8) {
        tape.push(Pulse::Cycle(800e-6));
        tape.extend(byte.iter().map(|b| Pulse::Cycle(grammar.symbols[usize::from(*b)].cycle)));
    }
    let times = channel::schedule(&tape, &knobs(12.0), 61, 62);
    let times = times[LEADER..].iter().map(|t| t * RATE).collect();
    let take = Take { samples: channel::play(&tape, &knobs(12.0), 61, 62), times, ..plain };
    let run = take.read(&take.passage());
    assert_eq!(take.wrong(&run), 0);
    let reading = run.reading(Some(0), 9.0, 8, RATE);
    assert_eq!((reading.bytes(), reading.bits.len(), reading.gain.len()), (100, 800, 100));
}

/// Every third bit told beforehand: the others are read better, and what was told does not enter its own soft bit.
#[test]
fn known_bits_help_the_others_and_say_nothing_of_themselves() {
    let (mut told, mut untold) = (0, 0);
    for seed in 71..75 {
        let take = Take::new(twice(), 1200, &knobs(-4.0), seed);
        let prior: Vec<Llr> = take
            .bits
            .iter()
            .enumerate()
            .map(|(i, b)| {
                if i % 3 > 0 {
                    Llr::LOST
                } else if *b {
                    Llr(20.0)
                } else {
                    Llr(-20.0)
                }
            })
            .collect();
        let others = |run: &Run| {
            let bits = run.bits.iter().zip(&take.bits).enumerate();
            bits.filter(|(i, (l, b))| i % 3 > 0 && l.bit() != **b).count()
        };
        let run = take.read(&Passage { prior: &prior, ..take.passage() });
        told += others(&run);
        untold += others(&take.read(&take.passage()));
        let own = run.bits.iter().zip(&prior).filter(|(l, p)| p.0 != 0.0 && l.0.abs() < 8.0).count();
        assert!(own > 4, "at -4 dB some of 400 bits are in doubt, whatever was told of them: {own}");
    }
    println!("wrong of 3200 unknown bits: {told} with, {untold} without the others told");
    assert!(told < untold);
}

#[test]
fn a_passage_that_makes_no_sense_is_refused() {
    let take = Take::new(twice(), 100, &knobs(20.0), 81);
    let memory = Memory { samples: take.samples.clone(), rate: RATE };
    let sound = take.passage();
    let until = |end| Passage { extent: Extent::Until(end, 2.0), ..sound };
    for passage in [
        Passage { extent: Extent::Bits(0), ..sound },
        Passage { speed: 0.0, ..sound },
        Passage { start_deviation: 0.0, ..sound },
        Passage { start: f64::NAN, ..sound },
        until(sound.start - 1.0),
    ] {
        assert!(read(&mut Signal::new(&memory), &take.grammar, &passage).is_err(), "{passage:?}");
    }
    // silence holds no run
    let silent = Memory { samples: vec![0.0; 44_100], rate: RATE };
    let nothing = read(&mut Signal::new(&silent), &take.grammar, &Passage { start: 1000.0, ..sound });
    assert!(nothing.expect("sound").is_none());
}

/// A minute of tape, for its cost: `cargo test --release --test segmental cost -- --ignored --nocapture`.
#[test]
#[ignore = "a measurement, not a check"]
fn cost_of_a_minute() {
    for snr_db in [20.0, 8.0, 4.0, 0.0] {
        let take = Take::new(twice(), 80_000, &knobs(snr_db), 7);
        let begun = std::time::Instant::now();
        let run = take.try_read(&take.passage());
        let (took, length) = (begun.elapsed().as_secs_f64(), take.samples.len() as f64 / RATE);
        println!("{snr_db} dB: {took:.2} s for {length:.1} s of tape, wrong: {:?}", run.map(|r| take.wrong(&r)));
    }
}
