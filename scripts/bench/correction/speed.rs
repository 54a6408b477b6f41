//! Time and memory of the three algorithms.

use anyhow::{Context, Result};
use quorate::Llr;
use quorate::correction::{
    BitOrder, ByteFrame, CheckMachine, Crc16, Crc16Params, ParityXor, k_best, most_probable, posteriors,
};
use quorate::tape::twin_copy;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::time::Instant;

pub const MOST_MB: f64 = 500.0;
const RUNS: usize = 3;

pub struct Timed {
    pub name: &'static str,
    pub states: usize,
    pub seconds: f64,
    /// Peak of the process so far; known on Linux.
    pub peak_mb: Option<f64>,
    pub most_s: f64,
}

/// The short block first: the peak only grows.
pub fn measure() -> Result<Vec<Timed>> {
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let data: Vec<u8> = (0..65_535).map(|_| rng.random()).collect();
    let crc = Crc16::new(ByteFrame::bare(BitOrder::LsbFirst), Crc16Params::XMODEM);
    let short = [&data[..256], &crc.check_bytes(&data[..256])].concat();
    let short: Vec<bool> = short.iter().flat_map(|byte| (0..8).map(move |k| byte >> k & 1 == 1)).collect();
    let check = data.iter().fold(0, |x, b| x ^ b);
    let long: Vec<bool> = data.iter().chain([&check]).flat_map(|&b| twin_copy::byte_bits(b)).collect();
    Ok(vec![
        time("CRC-16, 256 bytes", &crc, &noisy(&mut rng, &short), 1.0)?,
        time("twin-copy, 65,536 bytes", &ParityXor { bytes: 65_536 }, &noisy(&mut rng, &long), 2.0)?,
    ])
}

/// Soft bits that say `bits`, each wrong with the probability it claims, at most 2 in 100.
fn noisy(rng: &mut ChaCha8Rng, bits: &[bool]) -> Vec<Llr> {
    let vote = |&bit: &bool| {
        let p: f64 = rng.random_range(0.001..0.02);
        let weight = ((1.0 - p) / p).ln() as f32;
        Llr(if bit ^ rng.random_bool(p) { weight } else { -weight })
    };
    bits.iter().map(vote).collect()
}

fn time(name: &'static str, machine: &dyn CheckMachine, llrs: &[Llr], most_s: f64) -> Result<Timed> {
    let mut seconds: f64 = 0.0;
    for _ in 0..RUNS {
        let clock = Instant::now();
        let best = most_probable(machine, llrs).context("a valid block")?;
        let words = k_best(machine, llrs, 16);
        let posterior = posteriors(machine, llrs).context("a valid block")?;
        seconds = seconds.max(clock.elapsed().as_secs_f64());
        // nothing may be optimised away
        anyhow::ensure!(words.len() == 16 && words[0] == best && posterior.llr.len() == llrs.len());
    }
    Ok(Timed { name, states: machine.states(), seconds, peak_mb: peak_mb(), most_s })
}

/// VmHWM of /proc/self/status, in KiB (proc(5)).
fn peak_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<f64>().ok()? * 1024.0 / 1e6)
}
