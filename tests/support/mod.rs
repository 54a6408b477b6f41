//! Makes takes from recipes, recovers them through the library and holds the result against the truth.

#![allow(dead_code, reason = "every test file uses its own part")]

use quorate::capture::write::write_wav16;
use quorate::channel::{Recipe, Truth, recipe::TrueProgram};
use quorate::confidence::Level;
use quorate::recovery::{self, Outcome};
use quorate::report::verdict::ProgramVerdict;
use quorate::tape::TwinCopy;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// A recipe of `tests/recipes`.
pub fn recipe(name: &str) -> Recipe {
    Recipe::read(&recipes().join(name)).expect("a committed recipe")
}

pub fn recipes() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/recipes")
}

/// The takes of a recipe as WAV files in a folder that goes with it.
pub struct Takes {
    pub paths: Vec<PathBuf>,
    pub truth: Truth,
    pub folder: TempDir,
}

impl Takes {
    /// Program paths in the recipe are relative to `tests/recipes`.
    pub fn make(recipe: &Recipe) -> Takes {
        let simulation = recipe.prepare(&recipes()).unwrap_or_else(|e| panic!("{e}"));
        let folder = tempfile::tempdir().expect("a temporary folder");
        let truth = simulation.truth.clone();
        let write = |(i, take): (usize, &quorate::channel::recipe::TrueTake)| {
            let path = folder.path().join(format!("{}.wav", take.name));
            let samples = simulation.samples(i).expect("a take");
            write_wav16(&path, take.knobs.sample_rate, 1, &samples).expect("room for a take");
            path
        };
        let paths = truth.takes.iter().enumerate().map(write).collect();
        Takes { paths, truth, folder }
    }

    pub fn recover(&self) -> Outcome {
        recover(&self.paths)
    }
}

pub fn recover(paths: &[PathBuf]) -> Outcome {
    recovery::recover(paths, &TwinCopy::default(), &|_, _| ()).expect("data on the takes")
}

/// What is wrong with a result, one line each; empty if every program of the truth is there once, established, with its
/// name, place and bytes, and nothing else is.
pub fn faults(outcome: &Outcome, truth: &Truth) -> Vec<String> {
    let mut faults: Vec<String> = truth.programs.iter().filter_map(|p| fault(outcome, p, Level::Established)).collect();
    let (found, written) = (outcome.programs.len(), truth.programs.len());
    if found != written {
        faults.push(format!("{written} programs were written, {found} recovered"));
    }
    faults.extend(wrongly_established(outcome, truth));
    faults
}

/// What keeps a program from being recovered as it was written, at this level.
pub fn fault(outcome: &Outcome, written: &TrueProgram, level: Level) -> Option<String> {
    let same = |(_, v): &(usize, &ProgramVerdict)| v.name.trim_end() == written.name;
    let named: Vec<_> = outcome.verdict.programs.iter().enumerate().filter(same).collect();
    let right = named.iter().find(|(i, _)| outcome.programs[*i].program.bytes == written.bytes);
    let Some((_, verdict)) = right.or(named.first()) else {
        return Some(format!("{}: not found", written.name));
    };
    if right.is_none() {
        return Some(format!("{}: bytes differ; {}", written.name, say(verdict)));
    }
    let sound = (verdict.verdict, verdict.kind, verdict.load_address) == (level, written.kind, written.load_address);
    (!sound).then(|| say(verdict))
}

/// Established programs whose bytes are not those of a program of the truth.
pub fn wrongly_established(outcome: &Outcome, truth: &Truth) -> Vec<String> {
    let written = |bytes: &[u8]| truth.programs.iter().any(|p| p.bytes == bytes);
    let pairs = outcome.verdict.programs.iter().zip(&outcome.programs);
    let wrong = pairs.filter(|(v, p)| v.verdict == Level::Established && !written(&p.program.bytes));
    wrong.map(|(v, _)| format!("WRONGLY ESTABLISHED: {}", say(v))).collect()
}

/// A verdict in a line.
pub fn say(v: &ProgramVerdict) -> String {
    format!(
        "{} ({:?} at {:?}, {} bytes) is {:?}, p_wrong {:.1e}, {:?}, heard by {:?}; {} {}",
        v.name,
        v.kind,
        v.load_address,
        v.size,
        v.verdict,
        v.p_wrong,
        v.bytes,
        v.takes,
        v.notes.join(" "),
        v.obstacles.join(" ")
    )
}
