//! What comes of a verdict: the files that people open, and what the log says of it.

use std::collections::BTreeSet;
use std::fs;

use rayon::prelude::*;
use serde_json::Value;

use super::plain::{last_decision, listed, read, walk};
use super::{Fault, Reader, hex};
use crate::Error;
use crate::export::atomic::Existing;
use crate::export::names::printable;
use crate::export::prg;
use crate::recovery::{Intake, Outcome};
use crate::report::summary::summary;
use crate::report::table::Look;
use crate::tape::Format;

const OTHER: &str = "is not what the evidence and the log give";

impl Reader<'_> {
    /// Whether the log knows how every file came in, and what was decided last.
    pub(super) fn logged(&mut self, intake: &Intake, verdict: &Value, events: &[Value]) {
        let came = |file: &str, sha256: &str| {
            let arrivals = events.iter().filter(|e| e["kind"] == "take-added" || e["kind"] == "take-received-again");
            arrivals.into_iter().any(|e| e["file"] == file && e["sha256"] == sha256)
        };
        for take in intake.received.iter().filter(|t| !came(&t.file(), &t.sha256)) {
            let what = format!("does not say how {} with its hash came in", printable(&take.file()));
            self.fault("log.jsonl", what);
        }
        let states = last_decision(events).and_then(|e| e["programs"].as_array()).cloned().unwrap_or_default();
        let programs = verdict["programs"].as_array().cloned().unwrap_or_default();
        let data: Vec<Option<Vec<u8>>> =
            programs.iter().map(|p| p["data"].as_str().and_then(|data| self.bytes(data))).collect();
        let alike = |((state, program), bytes): ((&Value, &Value), &Option<Vec<u8>>)| {
            ["id", "name", "verdict"].iter().all(|field| state[field] == program[field])
                && bytes.as_ref().is_some_and(|bytes| state["sha256"] == hex(bytes).as_str())
        };
        if states.len() != programs.len() || !states.iter().zip(&programs).zip(&data).all(alike) {
            self.fault("log.jsonl", "the last decision in it is of other programs than verdict.json and their bytes");
        }
    }

    /// Makes the files of all programs again and compares; then nothing else may be there.
    pub(super) fn outputs(&mut self, outcome: &Outcome, format: &dyn Format, events: &[Value]) {
        if self.bytes("summary.txt").is_some_and(|b| b != summary(&outcome.verdict, Look::PLAIN).as_bytes()) {
            self.fault("summary.txt", OTHER);
        }
        let of_program = |i: usize| -> Result<(Vec<String>, Vec<Fault>), Error> {
            let recovered = &outcome.programs[i];
            let (tape, standing) = (outcome.tape(format, i), outcome.standing(format, i));
            // large files, so that one program's at a time lie beside the folder's
            let again = tempfile::tempdir().map_err(|e| Error::write(&std::env::temp_dir(), e))?;
            let written =
                prg::write(again.path(), Existing::Scratch, i + 1, &recovered.program, &standing, tape.as_deref())?;
            let (mut files, mut faults) = (Vec::new(), Vec::new());
            for name in std::iter::once(written.data).chain(written.files) {
                let path = again.path().join(&name);
                let made = fs::read(&path).map_err(|e| Error::read(&path, e))?;
                let file = format!("programs/{name}");
                match read(self.folder, &file) {
                    Some(there) if there == made => {}
                    Some(_) => faults.push(Fault { file: file.clone(), what: OTHER.into() }),
                    None => faults.push(Fault { file: file.clone(), what: "is missing".into() }),
                }
                files.push(file);
            }
            Ok((files, faults))
        };
        let made: Result<Vec<_>, Error> = (0..outcome.programs.len()).into_par_iter().map(of_program).collect();
        let made = match made {
            Ok(made) => made,
            Err(e) => return self.fault("programs", format!("can't be made again to compare: {e}")),
        };
        let mut known: BTreeSet<String> =
            ["dossier.json", "log.jsonl", "run.json", "summary.txt", "verdict.json"].map(String::from).into();
        known.extend(events.iter().filter_map(|e| e["superseded"].as_str().map(String::from)));
        for (files, faults) in made {
            known.extend(files);
            self.report.faults.extend(faults);
        }
        let arrays = ["take.json", "bits.npy", "starts.npy", "learned.npy", "wave.npy"];
        let dossier = self.value("dossier.json").unwrap_or_default();
        let takes = dossier["takes"].as_array().into_iter().flatten().filter_map(|t| t["folder"].as_str());
        known.extend(takes.flat_map(|take| arrays.map(|array| format!("{take}/{array}"))));
        let run = self.value("run.json").unwrap_or_default();
        let mut there = Vec::new();
        walk(self.folder, String::new(), &mut there);
        for file in there.into_iter().filter(|file| !known.contains(file) && listed(&run, file)) {
            self.fault(&file, "is listed in run.json, and is no file of a dossier");
        }
    }
}
