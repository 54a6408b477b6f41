//! Short tapes for all tests of the dossier, and helpers.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Output;
use std::sync::OnceLock;

use quorate::channel::Knobs;
use quorate::tape::Kind;
use quorate::tape::twin_copy::TapeFile;
use sha2::{Digest, Sha256};
use tempfile::TempDir;

use crate::desk::{self, files, play, program};

/// A tape with two programs, and takes of it.
pub struct Side {
    /// `good.wav`; `torn.wav`, which has lost a stretch of the second program in both copies; `late.wav`, which begins in
    /// the middle.
    pub good: PathBuf,
    pub torn: PathBuf,
    pub late: PathBuf,
    /// A take of quite another tape.
    pub foreign: PathBuf,
    pub clock: Vec<u8>,
    _folder: TempDir,
}

fn short(name: &[u8], address: u16, bytes: Vec<u8>) -> TapeFile {
    let file = desk::file(Kind::Code, name, Some(address), bytes);
    TapeFile { header_leader_s: 0.8, data_leader_s: 0.6, gap_s: 0.4, ..file }
}

/// Any bytes will do.
fn bytes(count: u8, step: u8) -> Vec<u8> {
    (0..count).map(|i| i.wrapping_mul(step) ^ 0x5A).collect()
}

pub fn side() -> &'static Side {
    static SIDE: OnceLock<Side> = OnceLock::new();
    SIDE.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let (tide, clock) = (bytes(48, 73), bytes(70, 29));
        let tape = [short(b"TIDE", 0x1000, tide), short(b"CLOCK", 0xC000, clock.clone())];
        // where the bytes of the second program lie, from the layout in src/tape/twin_copy.rs: a block of n bytes and its
        // check lasts 2 (n + 10) 9.568 ms + 2 * 1.1 ms + 157 * 0.39 ms
        let block = |n: f64| 2.0 * (n + 10.0) * 9.568e-3 + 2.2e-3 + 157.0 * 0.39e-3;
        let data = 0.8 + block(192.0) + 0.6 + block(48.0) + 0.4 + 0.8 + block(192.0) + 0.6;
        let second = data + (70.0 + 10.0) * 9.568e-3 + 1.1e-3 + 79.0 * 0.39e-3;
        let hole = |copy: f64| (copy + (9.0 + 30.0) * 9.568e-3, copy + (9.0 + 36.0) * 9.568e-3);
        let torn = Knobs { lost_s: vec![hole(data), hole(second)], ..Knobs::default() };
        let late = Knobs { start_s: 2.0, speed_error: 0.015, snr_db: Some(18.0), ..Knobs::default() };
        let takes =
            play(folder.path(), &tape, &[("good.wav", Knobs::default()), ("torn.wav", torn), ("late.wav", late)]);
        let other = [short(b"WADERS", 0x2000, bytes(60, 91))];
        let foreign = play(folder.path(), &other, &[("foreign.wav", Knobs::default())]);
        Side {
            good: takes[0].clone(),
            torn: takes[1].clone(),
            late: takes[2].clone(),
            foreign: foreign[0].clone(),
            clock,
            _folder: folder,
        }
    })
}

/// Runs `quorate COMMAND DIR REST`.
pub fn run(command: &str, dir: &Path, rest: &[&str]) -> Output {
    program().arg(command).arg(dir).args(rest).output().unwrap()
}

pub fn add(dir: &Path, takes: &[&Path], rest: &[&str]) -> Output {
    program().arg("add").arg(dir).args(takes).args(rest).output().unwrap()
}

/// A dossier of these takes.
pub fn dossier(takes: &[&Path]) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let output = desk::recover(takes, &out, &["--quiet"]);
    assert_eq!(desk::code(&output), 0, "{}", desk::stderr(&output));
    (folder, out)
}

/// Every file of a folder with its bytes.
pub fn contents(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    files(folder).into_iter().map(|f| (f.clone(), std::fs::read(folder.join(f)).unwrap())).collect()
}

/// What must not depend on the order in which takes came: all but the log, the run record and earlier verdicts.
pub fn state(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut all = contents(folder);
    all.retain(|f, _| f != "run.json" && f != "log.jsonl" && !f.starts_with("history/"));
    all
}

/// The lines of the log.
pub fn log(folder: &Path) -> Vec<serde_json::Value> {
    let text = std::fs::read_to_string(folder.join("log.jsonl")).unwrap();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

pub fn kinds(folder: &Path) -> Vec<String> {
    log(folder).iter().map(|r| r["kind"].as_str().unwrap().to_string()).collect()
}

pub fn copy_folder(from: &Path, to: &Path) {
    for (file, bytes) in contents(from) {
        let path = to.join(file);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
}

/// Text without its line breaks, which the width of the screen makes.
pub fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

pub fn hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

/// Puts other bytes into a result folder and seals it again.
pub fn reseal(out: &Path, changes: &[(&str, Vec<u8>)]) {
    let path = out.join("run.json");
    let mut run: serde_json::Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
    for (file, bytes) in changes {
        std::fs::write(out.join(file), bytes).unwrap();
        let listed = run["outputs"].as_array_mut().unwrap().iter_mut().find(|o| o["file"] == *file).unwrap();
        listed["bytes"] = bytes.len().into();
        listed["sha256"] = hex(bytes).into();
    }
    run.as_object_mut().unwrap().remove("seal");
    std::fs::write(&path, quorate::export::folder::sealed(&run).unwrap()).unwrap();
}
