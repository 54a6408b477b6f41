//! Writes a simulation: the takes, and the truth beside them.

use super::recipe::{Recipe, Truth, hex};
use crate::Error;
use crate::capture::write::{write_flac16, write_wav16};
use crate::export::atomic::{Existing, write_with};
use serde_json::json;
use sha2::{Digest, Sha256};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Makes what a recipe says in `out`: every take as 16-bit WAV or FLAC, and in `out/truth` the programs and
/// `truth.json`. `seed` stands above the recipe's. `progress` hears, before each take, its number from 0, how many there
/// are, and its name.
///
/// # Errors
/// [`Error::Refused`] if anything it would write is already there; it then writes nothing. Those of [`Recipe::read`],
/// [`Recipe::prepare`]; [`Error::Write`].
pub fn run(
    recipe_path: &Path,
    out: &Path,
    seed: Option<u64>,
    progress: &mut dyn FnMut(usize, usize, &str),
) -> Result<Truth, Error> {
    let mut recipe = Recipe::read(recipe_path)?;
    recipe.seed = seed.unwrap_or(recipe.seed);
    let simulation = recipe.prepare(recipe_path.parent().unwrap_or(Path::new("")))?;
    let truth = simulation.truth.clone();
    let truth_folder = out.join("truth");
    let truth_file = truth_folder.join("truth.json");
    let takes: Vec<PathBuf> = truth.takes.iter().map(|t| out.join(&t.file)).collect();
    let programs: Vec<PathBuf> = truth.programs.iter().map(|p| truth_folder.join(&p.file)).collect();
    for path in takes.iter().chain(&programs).chain([&truth_file]) {
        if path.symlink_metadata().is_ok() {
            let what = "is already there, and a simulation overwrites nothing; choose another folder";
            return Err(Error::Refused { path: path.clone(), what: what.into() });
        }
    }
    std::fs::create_dir_all(&truth_folder).map_err(|e| Error::write(&truth_folder, e))?;

    let mut digests = Vec::new();
    for (i, (take, path)) in truth.takes.iter().zip(&takes).enumerate() {
        progress(i, takes.len(), &take.name);
        let samples = simulation.samples(i).unwrap_or_default();
        if path.extension().is_some_and(|e| e == "wav") {
            write_wav16(path, take.knobs.sample_rate, 1, &samples)?;
        } else {
            write_flac16(path, take.knobs.sample_rate, &samples)?;
        }
        digests.push(file_sha256(path)?);
    }
    for (program, path) in truth.programs.iter().zip(&programs) {
        let address = program.load_address.map(u16::to_le_bytes);
        write_with(path, Existing::Replace, |file| {
            file.write_all(address.as_ref().map_or(&[][..], |a| a))?;
            file.write_all(&program.bytes)
        })?;
    }
    let mut page = json!(truth);
    for (take, digest) in page["takes"].as_array_mut().into_iter().flatten().zip(digests) {
        take["sha256"] = json!(digest);
    }
    write_with(&truth_file, Existing::Replace, |file| {
        serde_json::to_writer_pretty(&mut *file, &page)?;
        file.write_all(b"\n")
    })?;
    Ok(truth)
}

fn file_sha256(path: &Path) -> Result<String, Error> {
    let mut digest = Sha256::new();
    let mut file = std::fs::File::open(path).map_err(|e| Error::read(path, e))?;
    io::copy(&mut file, &mut digest).map_err(|e| Error::read(path, e))?;
    Ok(hex(&digest.finalize()))
}
