//! What happened to the evidence, in order: `log.jsonl`, one JSON record a line, only ever added to. Every record holds
//! the SHA-256 of the line before it, so nothing can be taken out or put in unseen.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::files::sha256;
use crate::Error;
use crate::confidence::Level;
use crate::export::record::{hash, inner_or_none};
use crate::tape::Kind;

pub const FILE: &str = "log.jsonl";
/// Stands where a hash would, in the first record.
pub const BEGINNING: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// One line of the log.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// From 1.
    pub n: u64,
    /// SHA-256 of the line before, without its end; zeros in the first.
    #[serde(deserialize_with = "hash")]
    pub prev: String,
    /// UTC. The only date in the dossier beside that of the run record.
    pub date: String,
    #[serde(flatten)]
    pub event: Event,
}

/// What can happen.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Event {
    Created {
        /// Version of quorate.
        tool: String,
        format: String,
    },
    TakeAdded {
        file: String,
        #[serde(deserialize_with = "hash")]
        sha256: String,
        #[serde(deserialize_with = "hash")]
        samples_blake3: String,
        /// True for a take of another tape, let in with `--allow-foreign`.
        foreign: bool,
    },
    /// A take that was there is received again: the earlier evidence of it is replaced.
    TakeReceivedAgain {
        file: String,
        #[serde(deserialize_with = "hash")]
        sha256: String,
        #[serde(deserialize_with = "hash")]
        samples_blake3: String,
    },
    /// The evidence was weighed.
    Decided {
        tool: String,
        /// Of verdict.json.
        #[serde(deserialize_with = "hash")]
        verdict_sha256: String,
        programs: Vec<State>,
        /// Where the verdict before was put, if it was another.
        #[serde(deserialize_with = "inner_or_none")]
        superseded: Option<String>,
    },
    /// A person put a value where the evidence leaves a doubt.
    PersonDecided {
        program: Key,
        offset: usize,
        value: u8,
        /// What the evidence alone had there.
        evidence: u8,
        /// The bytes of the evidence from `around_from` on, to know the place again.
        around_from: usize,
        around: Vec<u8>,
        by: String,
        because: String,
    },
    PersonWithdrew {
        program: Key,
        offset: usize,
        by: String,
        because: Option<String>,
    },
    /// New evidence contradicts what was established.
    Conflict {
        program: Key,
        /// SHA-256 of its bytes as they were established.
        #[serde(deserialize_with = "hash")]
        established_sha256: String,
        /// What became of it, in a sentence.
        what: String,
        /// Files of the takes that came in with it.
        takes: Vec<String>,
    },
}

/// A program as decided.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct State {
    pub id: String,
    pub name: String,
    pub verdict: Level,
    #[serde(deserialize_with = "hash")]
    pub sha256: String,
}

/// What tells a program from the others on its tape, whatever its number: numbers move when programs are found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Key {
    pub name: String,
    pub kind: Kind,
    pub load_address: Option<u16>,
    pub size: usize,
    /// Which of those that are alike in all this, from 0 in the order of the tape.
    pub nth: usize,
}

/// The whole log.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Log {
    pub records: Vec<Record>,
    text: String,
    last: Option<String>,
}

impl Log {
    /// Reads a log and checks its chain.
    ///
    /// Errors: [`Error::Input`] with the line that is off.
    pub fn parse(path: &Path, bytes: &[u8]) -> Result<Log, Error> {
        let bad =
            |line: usize, what: &str| Err(Error::input(path, format!("line {line} {what}; restore it from a copy")));
        let Ok(text) = std::str::from_utf8(bytes) else { return bad(1, "or one behind it is no text") };
        if !text.is_empty() && !text.ends_with('\n') {
            return bad(text.lines().count(), "is cut short");
        }
        let mut log = Log::default();
        for (i, line) in text.lines().enumerate() {
            let Ok(record) = serde_json::from_str::<Record>(line) else {
                return bad(i + 1, "is no record that this quorate knows");
            };
            if record.n != i as u64 + 1 {
                return bad(i + 1, "has the wrong number");
            }
            if record.prev != log.last.as_deref().unwrap_or(BEGINNING) {
                return bad(
                    i + 1,
                    "does not hold the hash of the line before it: that one was changed, or one is missing",
                );
            }
            log.last = Some(sha256(line.as_bytes()));
            log.records.push(record);
        }
        log.text = text.into();
        Ok(log)
    }

    /// Adds a record. `date` is UTC.
    pub fn add(&mut self, date: &str, event: Event) -> Result<(), Error> {
        let record = Record {
            n: self.records.len() as u64 + 1,
            prev: self.last.clone().unwrap_or_else(|| BEGINNING.into()),
            date: date.into(),
            event,
        };
        let line = serde_json::to_string(&record).map_err(|e| Error::write(Path::new(FILE), e.into()))?;
        self.last = Some(sha256(line.as_bytes()));
        self.text.push_str(&line);
        self.text.push('\n');
        self.records.push(record);
        Ok(())
    }

    /// The file.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Hash of verdict.json at the last weighing.
    pub fn decided(&self) -> Option<&str> {
        self.records.iter().rev().find_map(|r| match &r.event {
            Event::Decided { verdict_sha256, .. } => Some(verdict_sha256.as_str()),
            _ => None,
        })
    }
}
