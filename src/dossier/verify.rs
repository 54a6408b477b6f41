//! Checks a dossier from outside: reads every file anew with code of its own, replays the log, decides again from the
//! stored soft bits, and holds the result against what is written. It shares the engine with the rest, and none of the
//! dossier's own reading or writing.

mod outputs;
mod plain;
mod replay;

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use serde_json::Value;
use sha2::{Digest, Sha256};

use plain::{decided, empty_folders, is_digits, is_inner, link_on_the_way, listed_hash, numbers, read, walk};
use replay::replayed;

use crate::export::inventory::{Mark, mark};
use crate::export::names::printable;
use crate::export::page_seal;
use crate::receiver::Reading;
use crate::recovery::{self, Intake, Received, Skipped};
use crate::{Error, Llr, tape};

/// Something that is not as it should be.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Fault {
    /// Within the folder.
    pub file: String,
    pub what: String,
}

/// What was looked at, and what was found.
#[derive(Clone, Debug, Default, serde::Serialize)]
pub struct Report {
    pub files: usize,
    pub records: usize,
    pub takes: usize,
    pub programs: usize,
    /// Version that decided, if it is another one than this: then only the bytes are compared.
    pub other_version: Option<String>,
    pub faults: Vec<Fault>,
    /// Files and folders of a person's, which are let alone.
    pub own: Vec<String>,
}

fn hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

/// Verifies a result folder.
///
/// Errors: [`Error::Input`] if there is no dossier to look at, [`Error::Limit`] if a newer quorate wrote it. Everything
/// else that is wrong is in the report.
pub fn verify(folder: &Path) -> Result<Report, Error> {
    let path = folder.join("dossier.json");
    if !path.exists() && !folder.join("run.json").exists() {
        return Err(Error::input(folder, "holds no dossier: name a folder that `quorate recover` wrote"));
    }
    let text = path.is_file().then(|| fs::read(&path).ok()).flatten();
    let version = text
        .and_then(|text| serde_json::from_slice::<Value>(&text).ok())
        .and_then(|v| v["schema"].as_str()?.strip_prefix("quorate/dossier/")?.parse::<u32>().ok());
    if version.is_some_and(|v| v > 1) {
        return Err(Error::limit(&path, "was written by a newer quorate; verify it with that one"));
    }
    let mut reader = Reader { folder, report: Report::default() };
    reader.all();
    reader.report.faults.dedup();
    Ok(reader.report)
}

struct Reader<'a> {
    folder: &'a Path,
    report: Report,
}

type Found<T> = Option<T>;

impl Reader<'_> {
    fn fault(&mut self, file: &str, what: impl Into<String>) {
        self.report.faults.push(Fault { file: file.into(), what: what.into() });
    }

    fn bytes(&mut self, file: &str) -> Found<Vec<u8>> {
        if !is_inner(file) {
            self.fault(
                "run.json",
                format!("or another record names {:?}, which is no file in the folder", printable(file)),
            );
            return None;
        }
        if let Some(link) = link_on_the_way(self.folder, file) {
            self.fault(&link, "is a link: what it points to is not kept with the folder");
            return None;
        }
        // a pipe would be waited for
        if fs::metadata(self.folder.join(file)).is_ok_and(|there| !there.is_file() && !there.is_dir()) {
            self.fault(file, "is no plain file");
            return None;
        }
        match fs::read(self.folder.join(file)) {
            Ok(bytes) => Some(bytes),
            Err(e) => {
                let what = match e.kind() {
                    std::io::ErrorKind::NotFound => "is missing".to_string(),
                    std::io::ErrorKind::IsADirectory => "is a folder, and was a file".into(),
                    _ => format!("can't be read: {e}"),
                };
                self.fault(file, what);
                None
            }
        }
    }

    fn value(&mut self, file: &str) -> Found<Value> {
        let bytes = self.bytes(file)?;
        match serde_json::from_slice(&bytes) {
            Ok(value) => Some(value),
            Err(e) => {
                self.fault(file, format!("is no JSON: {e}"));
                None
            }
        }
    }

    /// Whether a record is what its schema should be.
    fn is(&mut self, file: &str, record: &Value, kind: &str) {
        let schema = record["schema"].as_str().unwrap_or_default();
        let version = schema.strip_prefix(&format!("quorate/{kind}/")).and_then(|v| v.parse::<u32>().ok());
        match version {
            Some(1) => {}
            Some(2..) => self.fault(file, format!("was written by a newer quorate: it is {}", printable(schema))),
            _ => self.fault(file, format!("is {:?}, where quorate/{kind}/1 was expected", printable(schema))),
        }
    }

    fn all(&mut self) {
        let run = self.record();
        // what was changed in the run record may be a name or a hash: nothing is held against it then
        let trusted = self.report.faults.is_empty();
        let events = self.log();
        if let Some(run) = run.as_ref().filter(|_| trusted) {
            if self.is_of_another(run, &events) {
                let what = "is of another dossier, or of another state of this one: it lists another verdict than the one \
                            that is there and that log.jsonl speaks of, so its hashes say nothing of the files here";
                self.fault("run.json", what);
            } else {
                self.hashes(run);
                self.bound(run, &events);
            }
        }
        self.folders(run.as_ref().filter(|_| trusted));
        let damaged = |report: &Report| report.faults.iter().any(|f| f.file != "run.json");
        // from damaged evidence anything may follow: its fault is said, and that is enough
        if damaged(&self.report) {
            return;
        }
        let Some(intake) = self.evidence() else { return };
        if !damaged(&self.report) {
            self.replay(intake, &events);
        }
    }

    /// The run record, with its seal looked at.
    fn record(&mut self) -> Found<Value> {
        let run = self.bytes("run.json")?;
        let text = String::from_utf8_lossy(&run).into_owned();
        let sealed = text.rfind("  \"seal\": \"").is_some_and(|at| {
            text[at..].trim_start_matches("  \"seal\": \"") == format!("{}\"\n}}\n", hex(&run[..at.min(run.len())]))
        });
        if !sealed {
            self.fault("run.json", "was changed: its seal does not fit");
        }
        let Ok(value) = serde_json::from_slice::<Value>(&run) else {
            self.fault("run.json", "is no JSON");
            return None;
        };
        self.is("run.json", &value, "run");
        Some(value)
    }

    /// Whether the run record is the odd one out of three: verdict, log and run record each know the verdict's hash.
    fn is_of_another(&self, run: &Value, events: &[Value]) -> bool {
        let there = read(self.folder, "verdict.json").map(|b| hex(&b));
        let logged = decided(events);
        there.is_some() && there.as_deref() == logged && there.as_deref() != listed_hash(run, "verdict.json")
    }

    /// What ties the run record to the rest, beside its hashes.
    fn bound(&mut self, run: &Value, events: &[Value]) {
        let last = events.last().and_then(|e| e["date"].as_str());
        if last.is_some() && run["started"].as_str() != last && self.report.faults.is_empty() {
            self.fault("run.json", "was changed: it says another date than the last record of log.jsonl");
        }
    }

    /// Folders with nothing in them are a person's.
    fn folders(&mut self, run: Option<&Value>) {
        let mut empty = Vec::new();
        empty_folders(self.folder, String::new(), &mut empty);
        let lost = |folder: &String| {
            let files = run.and_then(|r| r["outputs"].as_array()).into_iter().flatten();
            files.filter_map(|o| o["file"].as_str()).any(|f| Path::new(f).starts_with(folder))
        };
        // of a folder that has lost its files, these are named
        for folder in empty.into_iter().filter(|f| !lost(f)) {
            self.report.own.push(folder + "/");
        }
    }

    /// Every file against its hash.
    fn hashes(&mut self, run: &Value) {
        let mut listed: BTreeMap<String, (u64, String)> = BTreeMap::new();
        for output in run["outputs"].as_array().into_iter().flatten() {
            if let (Some(file), Some(bytes), Some(sha)) =
                (output["file"].as_str(), output["bytes"].as_u64(), output["sha256"].as_str())
                && is_digits(sha, 64)
            {
                listed.insert(file.into(), (bytes, sha.into()));
            } else {
                let what = format!("an entry in it is no name, length and hash: {}", printable(&output.to_string()));
                self.fault("run.json", what);
            }
        }
        for (file, (length, sha)) in &listed {
            let Some(bytes) = self.bytes(file) else { continue };
            if bytes.len() as u64 != *length {
                self.fault(file, format!("has {} bytes, and was written with {length}", bytes.len()));
            } else if hex(&bytes) != *sha {
                self.fault(file, "was changed since it was written: its hash differs");
            }
        }
        self.report.files = listed.len();
        let mut there = Vec::new();
        walk(self.folder, String::new(), &mut there);
        there.sort();
        for file in there.into_iter().filter(|f| f != "run.json" && !listed.contains_key(f)) {
            // the evidence report can be made at any time; it carries a seal of its own
            if file == page_seal::REPORT && page_seal::is_ours(&self.folder.join(&file)).unwrap_or(false) {
                // it names the log that it was made of
                let log = listed_hash(run, "log.jsonl").unwrap_or_default();
                if !fs::read_to_string(self.folder.join(&file)).is_ok_and(|page| page.contains(log)) {
                    self.fault(&file, "is the report of another dossier, or of another state of this one");
                }
                continue;
            }
            if file == page_seal::REPORT {
                self.fault(&file, "was changed since it was written, or is no report of quorate's");
            } else if mark(&file) == Mark::Own && !listed.keys().any(|l| Path::new(l).starts_with(&file)) {
                self.report.own.push(file);
            }
        }
    }

    /// The records of the log, as far as its chain holds.
    fn log(&mut self) -> Vec<Value> {
        let Some(bytes) = self.bytes("log.jsonl") else { return Vec::new() };
        let (mut records, mut prev) = (Vec::new(), "0".repeat(64));
        for (i, line) in bytes.split(|b| *b == b'\n').enumerate() {
            if line.is_empty() {
                continue;
            }
            let Ok(record) = serde_json::from_slice::<Value>(line) else {
                self.fault("log.jsonl", format!("line {} is no JSON", i + 1));
                return records;
            };
            if record["prev"].as_str() != Some(&prev) || record["n"].as_u64() != Some(i as u64 + 1) {
                self.fault(
                    "log.jsonl",
                    format!("the chain breaks at line {}: it or the one before was changed", i + 1),
                );
                return records;
            }
            prev = hex(line);
            records.push(record);
        }
        self.report.records = records.len();
        // the verdicts that the log speaks of are those that are there
        let run = read(self.folder, "run.json");
        let run = run.and_then(|b| serde_json::from_slice::<Value>(&b).ok()).unwrap_or_default();
        let decided: Vec<&Value> = records.iter().filter(|r| r["kind"] == "decided").collect();
        let mut wanted: Vec<(String, String)> = Vec::new();
        for pair in decided.windows(2) {
            if let (Some(file), Some(sha)) = (pair[1]["superseded"].as_str(), pair[0]["verdict_sha256"].as_str()) {
                wanted.push((file.into(), sha.into()));
            }
        }
        if let Some(sha) = decided.last().and_then(|r| r["verdict_sha256"].as_str()) {
            wanted.push(("verdict.json".into(), sha.into()));
        } else {
            self.fault("log.jsonl", "holds no decision");
        }
        for (file, sha) in wanted {
            if let Some(bytes) = self.bytes(&file).filter(|b| hex(b) != sha) {
                // where the run record has the hash that the file has, the log is the odd one out
                if listed_hash(&run, &file) == Some(hex(&bytes).as_str()) {
                    self.fault("log.jsonl", format!("speaks of another {file} than the one that is there"));
                    continue;
                }
                self.fault(&file, format!("is not the verdict that log.jsonl speaks of ({} bytes)", bytes.len()));
            }
        }
        records
    }

    /// What was received, from the files.
    fn evidence(&mut self) -> Found<Intake> {
        let dossier = self.value("dossier.json")?;
        self.is("dossier.json", &dossier, "dossier");
        let format = self.format(&dossier)?;
        let (width, copies) = (format.grammar().bits_per_byte, format.layout().sync.len());
        let mut received = Vec::new();
        let hash = |value: &Value| value.as_str().is_some_and(|text| is_digits(text, 64));
        for entry in dossier["takes"].as_array()? {
            let folder = entry["folder"].as_str()?;
            if !folder.strip_prefix("takes/").is_some_and(|name| is_digits(name, 16)) || !hash(&entry["samples_blake3"])
            {
                self.fault(
                    "dossier.json",
                    format!("names the folder {:?}, which is none of its own, or no hash", printable(folder)),
                );
                return None;
            }
            match self.take(folder, width, copies) {
                Some(takes) => {
                    let samples = entry["samples_blake3"].as_str()?;
                    let named = folder.strip_prefix("takes/").is_some_and(|n| samples.starts_with(n));
                    let hashes = takes.iter().all(|t| is_digits(&t.sha256, 64));
                    if !named || !hashes || takes.iter().any(|t| t.samples_blake3 != samples) {
                        let what = "is of other samples than its folder's name or dossier.json says, or a hash is none";
                        self.fault(&format!("{folder}/take.json"), what);
                    }
                    received.extend(takes);
                }
                None => {
                    self.fault(&format!("{folder}/take.json"), "or an array beside it can't be understood");
                    return None;
                }
            }
            self.report.takes += 1;
        }
        let skipped = dossier["skipped"]
            .as_array()?
            .iter()
            .filter_map(|s| Some(Skipped { path: s["file"].as_str()?.into(), reason: s["reason"].as_str()?.into() }));
        Some(Intake::of(received, skipped.collect()))
    }

    fn format(&mut self, dossier: &Value) -> Found<Box<dyn tape::Format>> {
        let id = dossier["format"].as_str()?;
        let format = tape::formats().into_iter().find(|f| f.id() == id);
        if format.is_none() {
            self.fault("dossier.json", format!("names the format {id:?}, which this quorate does not know"));
        }
        format
    }

    fn take(&mut self, folder: &str, width: usize, copies: usize) -> Found<Vec<Received>> {
        let take = self.value(&format!("{folder}/take.json"))?;
        self.is(&format!("{folder}/take.json"), &take, "take");
        let mut array = |name: &str, size: usize| -> Found<Vec<f64>> {
            let bytes = self.bytes(&format!("{folder}/{name}"))?;
            numbers(&bytes, size)
        };
        let (bits, starts) = (array("bits.npy", 4)?, array("starts.npy", 8)?);
        let mut readings = Vec::new();
        for (k, r) in take["readings"].as_array()?.iter().enumerate() {
            let (first, bytes) = (r["first_byte"].as_u64()? as usize, r["bytes"].as_u64()? as usize);
            let rows = bits.get(first.checked_mul(width)?..first.checked_add(bytes)?.checked_mul(width)?)?;
            let leaps = r["leaps"].as_array()?.iter().map(|l| l.as_u64().map(|l| l as usize));
            let leaps = leaps.collect::<Found<Vec<usize>>>()?;
            let copy = r["copy"].as_u64().map(|c| c as usize);
            if !leaps.windows(2).all(|w| w[0] < w[1])
                || leaps.last().is_some_and(|&l| l >= bytes)
                || copy >= Some(copies)
            {
                return None;
            }
            readings.push(Reading {
                copy,
                sync: r["sync"].as_f64()? as f32,
                bits: rows.iter().map(|&l| Llr(l as f32)).collect(),
                starts_s: starts.get(first + k..first + k + bytes + 1)?.to_vec(),
                end: r["end"].as_f64().map(|e| e as f32),
                leaps,
                gain: vec![1.0; bytes],
                noise: vec![0.0; bytes],
            });
        }
        let mut out = Vec::new();
        for file in take["files"].as_array()? {
            let notes = file["notes"].as_array()?.iter().filter_map(|n| n.as_str().map(String::from));
            out.push(Received {
                path: file["file"].as_str()?.into(),
                container: file["container"].as_str()?.into(),
                sha256: file["sha256"].as_str()?.into(),
                samples_blake3: take["samples_blake3"].as_str()?.into(),
                duration_s: file["duration_s"].as_f64()?,
                sample_rate: file["sample_rate"].as_u64()? as u32,
                channels: file["channels"].as_u64()? as u16,
                channel: (file["channel"].as_u64()? as u16).checked_sub(1)?,
                notes: notes.collect(),
                levels: serde_json::from_value(file["levels"].clone()).ok()?,
                ..Received::default()
            });
        }
        out.first_mut()?.reception.readings = readings;
        Some(out)
    }

    /// Decides again and compares.
    fn replay(&mut self, intake: Intake, events: &[Value]) {
        let Some(dossier) = self.value("dossier.json") else { return };
        let Some(format) = self.format(&dossier) else { return };
        let Some(verdict) = self.value("verdict.json") else { return };
        self.is("verdict.json", &verdict, "verdict");
        self.logged(&intake, &verdict, events);
        let mut outcome = match recovery::decide_all(intake, format.as_ref(), &|_, _| ()) {
            Ok(outcome) => outcome,
            Err(e) => return self.fault("takes", format!("nothing can be decided from the evidence: {e}")),
        };
        let version = verdict["tool"]["version"].as_str().unwrap_or_default();
        let same_version = version == env!("CARGO_PKG_VERSION");
        self.report.other_version = (!same_version).then(|| version.to_string());
        // what the evidence alone gives, and on it the log's decisions by the replay below; the words of the verdict by
        // the same rules as when they were written
        let evidence: Vec<Vec<u8>> = outcome.programs.iter().map(|p| p.program.bytes.clone()).collect();
        match self.bytes("log.jsonl").map(|b| super::Log::parse(&self.folder.join("log.jsonl"), &b)) {
            Some(Ok(log)) => drop(super::lay(&mut outcome, &log)),
            Some(Err(Error::Input { what, .. })) => return self.fault("log.jsonl", what),
            Some(Err(e)) => return self.fault("log.jsonl", e.to_string()),
            None => return,
        }
        let bytes = replayed(&outcome, evidence, events);
        let written: Vec<Value> = verdict["programs"].as_array().cloned().unwrap_or_default();
        self.report.programs = written.len();
        if written.len() != outcome.programs.len() {
            let (now, then) = (outcome.programs.len(), written.len());
            return self.fault("verdict.json", format!("has {then} programs, and the evidence gives {now}"));
        }
        let text = serde_json::to_value(&outcome.verdict).unwrap_or_default();
        for (i, then) in written.iter().enumerate() {
            let id = then["id"].as_str().unwrap_or_default().to_string();
            let data = then["data"].as_str().unwrap_or_default().to_string();
            if self.bytes(&data).is_some_and(|b| b != bytes[i]) {
                self.fault(&data, "is not what the evidence and the log give");
            }
            let now = &text["programs"][i];
            let Some(fields) = now.as_object().filter(|_| same_version) else { continue };
            let off: Vec<&str> =
                fields.iter().filter(|(k, v)| then[k.as_str()] != **v).map(|(k, _)| k.as_str()).collect();
            if !off.is_empty() {
                self.fault("verdict.json", format!("{id}: not what the evidence gives: {}", off.join(", ")));
            }
        }
        for field in ["takes", "readings"].into_iter().filter(|_| same_version) {
            if verdict[field] != text[field] {
                self.fault("verdict.json", format!("{field}: not what the evidence gives"));
            }
        }
        // of other bytes or other words the files that come of them follow
        if same_version && self.report.faults.is_empty() {
            self.outputs(&outcome, format.as_ref(), events);
        }
    }
}
