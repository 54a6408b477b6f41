//! Measures the receiver on takes with known truth. See scripts/bench-receiver.

mod bound;
mod edges;
mod ours;
mod scene;
mod trial;

use anyhow::Result;
use clap::Parser;
use rayon::prelude::*;
use scene::{BYTES, Scene, TAKES, study};
use std::sync::atomic::{AtomicUsize, Ordering};
use trial::{Claim, Heard, Played, Tally, Trial};

#[derive(Parser)]
struct Options {
    /// Seeds at every point.
    #[arg(long, default_value_t = 20)]
    seeds: u64,
    /// First seed; the others follow.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Ratios of signal to noise, in dB.
    #[arg(long, value_delimiter = ',', allow_hyphen_values = true, default_value = "8,6,4,2,0,-2,-4,-6,-8,-10")]
    points: Vec<f64>,
    /// Given by cargo.
    #[arg(long, hide = true)]
    bench: bool,
}

fn main() -> Result<()> {
    let options = Options::parse();
    eprintln!("seeds {} to {}", options.seed, options.seed + options.seeds - 1);
    let done = AtomicUsize::new(0);
    let rows: Vec<Vec<Trial>> = (options.seed..options.seed + options.seeds)
        .into_par_iter()
        .map(|seed| {
            let scene = Scene::new(seed);
            let played: Vec<Played> = (0..TAKES).map(|t| Played::new(&scene, &study(), t)).collect();
            let trials = options
                .points
                .iter()
                .map(|&snr| {
                    let heard = (0..TAKES)
                        .map(|t| Heard::new(&scene, &played[t], t, snr, 16))
                        .collect::<Result<Vec<_>, _>>()?;
                    trial::run(&scene, &heard)
                })
                .collect::<Result<Vec<_>, _>>()?;
            eprintln!("seed {seed} done: {} of {}", done.fetch_add(1, Ordering::Relaxed) + 1, options.seeds);
            Ok(trials)
        })
        .collect::<Result<_, quorate::Error>>()?;
    for takes in [1, 3] {
        println!("\n{takes} take(s): mean wrong bytes of {BYTES}; shares of trials");
        println!(
            "  SNR trials |  edges   soft  exact | block claim wrong | progr estab wrong | BER ours  miss  lost | bound: hard  soft exact block BER"
        );
        for (i, snr) in options.points.iter().enumerate() {
            let mut sum = Tally::default();
            for row in &rows {
                sum.add(if takes == 1 { &row[i].single } else { &row[i].three });
            }
            let n = sum.trials as f64;
            let mean = |x: u64| x as f64 / n;
            let b = sum.bound.unwrap_or_default();
            println!(
                "{snr:5.1} {:6} | {:6.1} {:6.1} {:6.1} | {:5.2} {:5.2} {:5} | {:5.2} {:5.2} {:5} | {:8.5} {:5.3} {:5.3} | {:11.1} {:5.1} {:5.1} {:5.2} {:8.5}",
                sum.trials,
                mean(sum.edges_wrong),
                mean(sum.soft_wrong),
                mean(sum.exact_wrong),
                mean(sum.blocks_recovered),
                mean(sum.blocks_claimed),
                sum.blocks_claimed_wrong,
                mean(sum.programs_recovered),
                mean(sum.programs_established),
                sum.established_wrong,
                sum.bits_wrong as f64 / (sum.bits - sum.bits_lost).max(1) as f64,
                sum.readings_missing as f64 / sum.readings as f64,
                sum.bits_lost as f64 / sum.bits.max(1) as f64,
                mean(b.hard_wrong),
                mean(b.soft_wrong),
                mean(b.exact_wrong),
                mean(b.blocks_recovered),
                b.bits_wrong as f64 / b.bits.max(1) as f64,
            );
        }
    }
    println!("\nreliability of single bits, all points");
    println!("   |llr|      claimed   observed     bits    wrong");
    let claims: Vec<Claim> = rows.iter().flatten().flat_map(|t| t.claims.iter().copied()).collect();
    for bin in 0..16 {
        let inside = |c: &&Claim| (c.llr as usize).min(15) == bin;
        let (mut count, mut wrong, mut claimed) = (0u64, 0u64, 0.0);
        for c in claims.iter().filter(inside) {
            count += 1;
            wrong += u64::from(c.wrong);
            claimed += 1.0 / (1.0 + f64::from(c.llr).exp());
        }
        let n = count.max(1) as f64;
        println!("{bin:5}+   {:10.7} {:10.7} {count:8} {wrong:8}", claimed / n, wrong as f64 / n);
    }
    Ok(())
}
