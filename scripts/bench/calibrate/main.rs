//! Holds the claims against the truth over the channel's whole range: see `scripts/calibrate`.

#[path = "../receiver/codec.rs"]
mod codec;
mod draw;
mod report;
mod tally;

use rayon::prelude::*;
use std::io::Write as _;
use std::path::PathBuf;

use tally::Tally;

/// Tapes whose results are joined at a time.
const BATCH: u64 = 24;

fn main() {
    if let Err(fault) = run() {
        eprintln!("calibrate: {fault}");
        std::process::exit(1);
    }
}

fn run() -> Result<(), Box<dyn std::error::Error>> {
    let mut programs = 3800u64;
    let mut seed = 1u64;
    let mut out = PathBuf::from("reports");
    let mut args = std::env::args().skip(1).filter(|a| a != "--bench");
    while let Some(name) = args.next() {
        let value = args.next().ok_or_else(|| format!("{name} wants a value"))?;
        match name.as_str() {
            "--programs" => programs = value.parse()?,
            "--seed" => seed = value.parse()?,
            "--out" => out = value.into(),
            other => return Err(format!("no option {other}; there are --programs, --seed, --out").into()),
        }
    }
    if codec::version().is_none() {
        return Err("ffmpeg is not there; lossy takes are made with it".into());
    }
    let mut all = Tally::default();
    let mut next = seed;
    while all.programs < programs {
        // each tape by its own seed, joined in their order: the same figures for any number of threads
        let tapes: Vec<Result<Tally, String>> = (next..next + BATCH).into_par_iter().map(tally::tape).collect();
        for tape in tapes {
            all.add(tape?);
        }
        next += BATCH;
        let (e, wrong) = (all.established, all.established_wrong);
        // a run that is cut short leaves what it has measured
        report::write(&all, seed, next - 1, &out)?;
        eprint!("\r{} of {programs} programs, {e} established, {wrong} of them wrong ", all.programs);
        std::io::stderr().flush()?;
    }
    eprintln!();
    Ok(())
}
