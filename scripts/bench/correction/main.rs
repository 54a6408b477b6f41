//! Measures exact correction. See scripts/bench-correction.

#[allow(dead_code, reason = "the receiver's bench uses more of it")]
#[path = "../receiver/ours.rs"]
mod ours;
#[allow(dead_code, reason = "the receiver's bench uses more of it")]
#[path = "../receiver/scene.rs"]
mod scene;
mod speed;

use anyhow::Result;
use clap::Parser;
use quorate::channel::Knobs;
use quorate::confidence::statistics::clopper_pearson;
use rayon::prelude::*;
use scene::{BYTES, DATA, Scene, quantise, reference_deck};
use std::fmt::Write;
use std::path::PathBuf;

/// Measures exact correction on single takes with known truth.
#[derive(Parser)]
#[command(name = "bench-correction")]
struct Options {
    /// Blocks that soft votes leave wrong: tapes are made until there are so many.
    #[arg(long, default_value_t = 200)]
    blocks: usize,
    /// First seed; the others follow.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Ratio of signal to noise, in dB.
    #[arg(long, allow_hyphen_values = true, default_value_t = -2.0)]
    snr: f64,
    /// Folder for correction.md; without it the page is only printed.
    #[arg(long)]
    out: Option<PathBuf>,
    /// Given by cargo.
    #[arg(long, hide = true)]
    bench: bool,
}

/// Tapes played at a time.
const BATCH: u64 = 20;
/// Tapes at most for every block that is asked for: fewer blocks than that are wrong where noise is low.
const MOST_TAPES: u64 = 20;

#[derive(Default)]
struct Tally {
    tapes: usize,
    /// Blocks by what the sum of the soft bits says (right, wrong), and of the wrong ones what the checks make of them.
    soft_right: usize,
    soft_wrong: usize,
    repaired: usize,
    /// Wrong bytes of all blocks that soft votes left wrong, before and after.
    bytes_before: usize,
    bytes_after: usize,
    /// Blocks whose chance of error is claimed to be under 1 in a million, and those of them that are wrong.
    sure: usize,
    sure_and_wrong: usize,
}

fn main() -> Result<()> {
    let options = Options::parse();
    let speed = speed::measure()?;
    let mut tally = Tally::default();
    let mut seed = options.seed;
    while tally.soft_wrong < options.blocks && (tally.tapes as u64) < MOST_TAPES * options.blocks as u64 {
        let judged: Vec<ours::Judged> =
            (seed..seed + BATCH).into_par_iter().map(|s| one(s, options.snr)).collect::<Result<_>>()?;
        judged.iter().for_each(|j| tally.add(j));
        seed += BATCH;
        eprintln!(
            "{} tapes, {} blocks wrong by soft votes, {} repaired",
            tally.tapes, tally.soft_wrong, tally.repaired
        );
    }
    let page = page(&options, &tally, &speed);
    println!("{page}");
    if let Some(folder) = &options.out {
        let mut file = tempfile::NamedTempFile::new_in(folder)?;
        std::io::Write::write_all(&mut file, page.as_bytes())?;
        file.as_file().sync_all()?;
        file.persist(folder.join("correction.md"))?;
    }
    Ok(())
}

/// One take of one tape: its data block.
fn one(seed: u64, snr_db: f64) -> Result<ours::Judged> {
    let scene = Scene::new(seed);
    let knobs = Knobs { snr_db: Some(snr_db), ..scene.knobs(&reference_deck(), 0) };
    let mut samples = scene.play(&scene.tape, &knobs, 0);
    quantise(&mut samples, 16);
    let from_s = scene.schedule(&knobs, 0)[scene.blocks[DATA].copy_pulse(0)];
    let take = ours::receive(samples, f64::from(knobs.sample_rate), 0)?;
    Ok(ours::judge(&scene, vec![take], from_s)?)
}

impl Tally {
    fn add(&mut self, judged: &ours::Judged) {
        self.tapes += 1;
        if judged.soft_wrong == 0 {
            self.soft_right += 1;
        } else {
            self.soft_wrong += 1;
            self.repaired += usize::from(judged.exact_wrong == 0);
            self.bytes_before += judged.soft_wrong;
            self.bytes_after += judged.exact_wrong;
        }
        if let Some(block) = judged.block.as_ref().filter(|b| b.is_established()) {
            self.sure += 1;
            self.sure_and_wrong += usize::from(block.wrong);
        }
    }
}

fn page(options: &Options, tally: &Tally, speed: &[speed::Timed]) -> String {
    let mut command = String::from("scripts/bench-correction");
    let defaults = Options::parse_from(["bench-correction"]);
    if options.blocks != defaults.blocks {
        let _ = write!(command, " --blocks {}", options.blocks);
    }
    if options.seed != defaults.seed {
        let _ = write!(command, " --seed {}", options.seed);
    }
    if options.snr != defaults.snr {
        let _ = write!(command, " --snr {}", options.snr);
    }
    let percent = |of: usize| 100.0 * of as f64 / tally.soft_wrong.max(1) as f64;
    let interval = clopper_pearson(tally.repaired as u64, tally.soft_wrong as u64, 0.95);
    let interval = interval.map_or("none".into(), |i| format!("{:.1} to {:.1} %", 100.0 * i.low, 100.0 * i.high));
    let mut out = format!(
        "# Exact correction, measured\n\nMade by `{command}`. Twin-copy tapes of a block of {} bytes and its check byte, \
         random; one take each, both copies, at {} dB (rms of the data wave over rms of the noise in the full band, half \
         of it below 300 Hz; 6 kHz second-order low-pass, wow 0.2 %, flutter 0.1 %, speed within ±2 %). Soft votes: the \
         sign of the sum of the soft bits of both copies. Exact: the most probable block that obeys parity and XOR.\n\n\
         | | |\n|---|---:|\n",
        BYTES - 1,
        options.snr
    );
    let mut row = |name: &str, value: String| {
        let _ = writeln!(out, "| {name} | {value} |");
    };
    row("blocks", tally.tapes.to_string());
    row("right by soft votes alone", tally.soft_right.to_string());
    row("wrong by soft votes alone", tally.soft_wrong.to_string());
    row("of these wholly repaired", format!("{} ({:.1} %)", tally.repaired, percent(tally.repaired)));
    row("95 % interval (Clopper–Pearson)", interval);
    row("wrong bytes in them, before and after", format!("{} and {}", tally.bytes_before, tally.bytes_after));
    row("blocks claimed wrong in less than 1 of a million", tally.sure.to_string());
    row("of these wrong", tally.sure_and_wrong.to_string());
    out.push_str(
        "\n## Time and memory\n\nOne thread; votes of a block read with noise; all three algorithms (most probable, 16 \
         best, posteriors) one after the other, the slowest of three runs. Memory is the peak of the whole process.\n\n\
         | block | states | seconds | peak | goal |\n|---|---:|---:|---:|---|\n",
    );
    for t in speed {
        let peak = t.peak_mb.map_or("not known here".into(), |mb| format!("{mb:.0} MB"));
        let met = t.seconds <= t.most_s && t.peak_mb.is_none_or(|mb| mb <= speed::MOST_MB);
        let _ = writeln!(
            out,
            "| {} | {} | {:.2} | {peak} | {} s, {} MB: {} |",
            t.name,
            t.states,
            t.seconds,
            t.most_s,
            speed::MOST_MB,
            if met { "met" } else { "not met" }
        );
    }
    out
}
