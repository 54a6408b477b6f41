//! Measures the receiver on takes with known truth. See scripts/bench-receiver.

mod bound;
mod codec;
mod edges;
mod ladders;
mod ours;
mod plot;
mod reliability;
mod report;
mod scene;
mod tally;
mod trial;

use anyhow::{Result, bail};
use clap::Parser;
use ladders::Ladder;
use rayon::prelude::*;
use scene::{Scene, TAKES, reference_deck};
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};
use trial::{Played, Trial};

/// Measures the receiver on takes with known truth.
#[derive(Parser)]
#[command(name = "bench-receiver")]
struct Options {
    /// Tapes at every point; each has three takes.
    #[arg(long, default_value_t = 20, value_parser = clap::value_parser!(u64).range(1..))]
    seeds: u64,
    /// First seed; the others follow.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Ratios of signal to noise of the core ladder, in dB.
    #[arg(
        long,
        value_delimiter = ',',
        allow_hyphen_values = true,
        default_value = "8,6,4,2,0,-2,-3,-4,-5,-6,-7,-8,-9,-10,-11"
    )]
    points: Vec<f64>,
    /// Which ladders to climb.
    #[arg(long, value_delimiter = ',', default_values = ladders::IDS)]
    ladders: Vec<String>,
    /// Folder for receiver.json, receiver.md and receiver.svg; without it only the table is printed.
    #[arg(long)]
    out: Option<PathBuf>,
    /// Given by cargo.
    #[arg(long, hide = true)]
    bench: bool,
}

/// A ladder, climbed: the sums of all seeds at each point.
pub struct Climbed {
    pub ladder: Ladder,
    pub sums: Vec<Trial>,
}

/// Everything measured.
pub struct Measured {
    pub seed: u64,
    pub seeds: u64,
    pub command: String,
    pub climbed: Vec<Climbed>,
    /// The bound of the core ladder in fine steps: ratio in dB and sums.
    pub bound: Vec<(f64, Trial)>,
    pub ffmpeg: Option<String>,
}

fn main() -> Result<()> {
    let options = Options::parse();
    let ffmpeg = codec::version();
    let mut climbed = Vec::new();
    for id in &options.ladders {
        let Some(ladder) = ladders::ladder(id, &options.points) else {
            bail!("there is no ladder `{id}`; there are {}", ladders::IDS.join(", "));
        };
        if ladder.points.iter().any(|p| p.codec.is_some()) && ffmpeg.is_none() {
            eprintln!("the ladder `{id}` is left out: ffmpeg was not found");
            continue;
        }
        let sums = climb(&ladder, &options)?;
        climbed.push(Climbed { ladder, sums });
    }
    let bound = if options.ladders.iter().any(|id| id == "core") { bound_curve(&options) } else { Vec::new() };
    // What was asked for, without the folder.
    let mut args = std::env::args().skip(1).filter(|a| a != "--bench");
    let mut command = String::from("scripts/bench-receiver");
    while let Some(arg) = args.next() {
        if arg == "--out" {
            args.next();
        } else {
            command += &format!(" {arg}");
        }
    }
    let measured = Measured { seed: options.seed, seeds: options.seeds, command, climbed, bound, ffmpeg };
    let page = report::markdown(&measured);
    println!("{page}");
    if let Some(folder) = &options.out {
        report::write(folder, &measured, &page)?;
    }
    Ok(())
}

/// All seeds at all points. Points in a row that differ by noise alone share the play.
fn climb(ladder: &Ladder, options: &Options) -> Result<Vec<Trial>> {
    let done = AtomicUsize::new(0);
    let rows: Vec<Vec<Trial>> = (options.seed..options.seed + options.seeds)
        .into_par_iter()
        .map(|seed| {
            let scene = Scene::new(seed);
            let mut row = Vec::new();
            let mut played: Vec<Played> = Vec::new();
            for (i, point) in ladder.points.iter().enumerate() {
                if i == 0 || ladder.points[i - 1].knobs != point.knobs {
                    played = (0..TAKES).map(|t| Played::new(&scene, &point.knobs, t)).collect();
                }
                row.push(trial::run(&scene, &played, point)?);
            }
            let done = done.fetch_add(1, Ordering::Relaxed) + 1;
            eprintln!("{}: seed {seed} done, {done} of {}", ladder.id, options.seeds);
            Ok(row)
        })
        .collect::<Result<_>>()?;
    let mut sums = vec![Trial::default(); ladder.points.len()];
    for row in &rows {
        sums.iter_mut().zip(row).for_each(|(sum, trial)| sum.add(trial));
    }
    Ok(sums)
}

/// The bound on the deck of the core ladder every half dB.
fn bound_curve(options: &Options) -> Vec<(f64, Trial)> {
    let steps: Vec<f64> = (0..=26).map(|i| -13.0 + 0.5 * f64::from(i)).collect();
    let rows: Vec<Vec<Trial>> = (options.seed..options.seed + options.seeds)
        .into_par_iter()
        .map(|seed| {
            let scene = Scene::new(seed);
            let played: Vec<Played> = (0..TAKES).map(|t| Played::new(&scene, &reference_deck(), t)).collect();
            steps.iter().map(|&snr| trial::bound_alone(&scene, &played, snr)).collect()
        })
        .collect();
    let sum = |i: usize| {
        let mut sum = Trial::default();
        rows.iter().for_each(|row| sum.add(&row[i]));
        sum
    };
    steps.iter().enumerate().map(|(i, &snr)| (snr, sum(i))).collect()
}
