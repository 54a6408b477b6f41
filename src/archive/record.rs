//! What the preservation record says of a dossier: takes and programs, what happened to them, and who did it.

use std::collections::BTreeMap;

use super::bag::Hashed;
use super::pack::Capture;
use super::premis::{Agent, Category, Event, Object, Relationship, UNKNOWN_DATE};
use crate::capture::Container;
use crate::dossier::Dossier;
use crate::dossier::log::{self, Key};
use crate::recovery::{Outcome, Received};
use crate::report::verdict::ProgramVerdict;
use crate::report::words;

#[derive(Default)]
pub struct Record {
    pub objects: Vec<Object>,
    pub events: Vec<Event>,
    pub agents: Vec<Agent>,
    /// Persons by name.
    persons: BTreeMap<String, String>,
}

/// The record of everything in `payload`.
pub fn of(dossier: &Dossier, outcome: &Outcome, captures: &[Capture], payload: &[Hashed]) -> Record {
    let mut record = Record::default();
    for tape in 1..=outcome.tapes.len() {
        let format = ("tape format", dossier.record.format.clone());
        record.objects.push(object(format!("tape-{tape}"), Category::Entity, vec![format]));
    }
    for (i, capture) in captures.iter().enumerate() {
        record.take(dossier, outcome, i, capture, payload);
    }
    for tape in 0..outcome.tapes.len() {
        record.consensus(dossier, outcome, tape);
    }
    for program in &outcome.verdict.programs {
        record.program(dossier, program);
    }
    record.files(outcome, captures, payload);
    record.persons_decisions(dossier, outcome);
    let versions: std::collections::BTreeSet<&str> = dossier.log.records.iter().filter_map(tool).collect();
    let software = versions.into_iter().map(|version| Agent {
        id: software(version),
        name: "quorate".into(),
        kind: "software",
        version: Some(version.into()),
        notes: Vec::new(),
    });
    let persons = record.persons.iter().map(|(name, id)| Agent {
        id: id.clone(),
        name: name.clone(),
        kind: "person",
        version: None,
        notes: Vec::new(),
    });
    record.agents = software.chain(persons).collect();
    record
}

impl Record {
    /// A capture: the file, how it came to be, and how it was read.
    fn take(&mut self, dossier: &Dossier, outcome: &Outcome, i: usize, capture: &Capture, payload: &[Hashed]) {
        let take = &outcome.intake.received[i];
        let verdict = &outcome.verdict.takes[i];
        let id = capture.take.clone();
        let inside = capture.file.as_ref().and_then(|(_, p)| payload.iter().find(|f| f.path == format!("data/{p}")));
        let mut digests = vec![("SHA-256", capture.sha256.clone())];
        digests.extend(inside.map(|f| ("SHA-512", f.sha512.clone())));
        let tape = verdict.tape.map(|tape| format!("tape-{tape}"));
        self.objects.push(Object {
            original_name: Some(capture.name.clone()),
            relationships: tape
                .iter()
                .map(|tape| Relationship::has_source(vec![tape.clone()], format!("capture-{}", i + 1)))
                .collect(),
            ..object(
                id.clone(),
                Category::File {
                    path: inside.map(|f| f.path.clone()),
                    bytes: inside.map(|f| f.bytes),
                    digests,
                    format: format_name(&take.container).into(),
                },
                played(take),
            )
        });
        let operator = take.about.operator.as_ref().map(|name| (self.person(name), "operator"));
        let mut objects: Vec<(String, &'static str)> = tape.iter().map(|tape| (tape.clone(), "source")).collect();
        objects.push((id.clone(), "outcome"));
        self.events.push(Event {
            id: format!("capture-{}", i + 1),
            kind: "capture",
            date: recorded(take),
            detail: captured_with(take),
            outcome: "recorded".into(),
            notes: take.notes.clone(),
            agents: operator.into_iter().collect(),
            objects,
        });
        let came = |r: &&log::Record| match &r.event {
            log::Event::TakeAdded { sha256, .. } | log::Event::TakeReceivedAgain { sha256, .. } => {
                *sha256 == take.sha256
            }
            _ => false,
        };
        let added = dossier.log.records.iter().rev().find(came);
        let number = added.map_or(0, |r| r.n);
        let version = dossier.log.records.iter().filter(|r| r.n >= number).find_map(tool);
        self.events.push(Event {
            id: format!("decoding-{}", i + 1),
            kind: "decoding",
            date: added.map_or(UNKNOWN_DATE.into(), |r| r.date.clone()),
            detail: "found leaders, sync sequences and bytes, and gave every bit a likelihood".into(),
            outcome: if verdict.used { "used" } else { "not used" }.into(),
            notes: [words::count(verdict.readings, "reading", "readings")]
                .into_iter()
                .chain(verdict.note.clone())
                .collect(),
            agents: version.map(|v| (software(v), "executing program")).into_iter().collect(),
            objects: vec![(id, "source")],
        });
    }

    fn consensus(&mut self, dossier: &Dossier, outcome: &Outcome, tape: usize) {
        let side = &outcome.tapes[tape];
        let (date, agent) = last_decision(dossier);
        let programs: Vec<&ProgramVerdict> = outcome.verdict.programs.iter().filter(|p| p.tape == tape + 1).collect();
        let takes = side.takes.iter().map(|t| (format!("take-{}", t + 1), "source"));
        let made = programs.iter().map(|p| (p.id.clone(), "outcome"));
        self.events.push(Event {
            id: format!("consensus-{}", tape + 1),
            kind: "consensus",
            date,
            detail: "found which readings are of the same block, laid them on each other bit by bit, and added their evidence"
                .into(),
            outcome: format!(
                "{}, {}",
                words::count(side.blocks.len(), "block", "blocks"),
                words::count(programs.len(), "program", "programs")
            ),
            notes: Vec::new(),
            agents: agent,
            objects: takes.chain(made).collect(),
        });
    }

    fn program(&mut self, dossier: &Dossier, program: &ProgramVerdict) {
        let id = program.id.clone();
        let b = &program.bytes;
        let classes = format!(
            "{} agreed, {} corrected, {} inferred, {} unresolved",
            b.agreed, b.corrected, b.inferred, b.unresolved
        );
        let event = format!("correction-{id}");
        let address = program.load_address.map(|a| ("load address", words::offset(a.into())));
        let properties = [
            Some(("kind", words::kind(program.kind).to_string())),
            address,
            Some(("size", words::count(program.size, "byte", "bytes"))),
            Some(("verdict", words::level(program.verdict).to_string())),
            Some(("chance of a wrong byte", format!("{:e}", program.p_wrong))),
            Some(("bytes", classes.clone())),
        ];
        self.objects.push(Object {
            original_name: Some(words::name(&program.name).to_string()),
            relationships: vec![
                Relationship::has_source(program.takes.clone(), event.clone()),
                Relationship::is_part_of(format!("tape-{}", program.tape)),
            ]
            .into_iter()
            .filter(|r| !r.objects.is_empty())
            .collect(),
            ..object(id.clone(), Category::Representation, properties.into_iter().flatten().collect())
        });
        let (date, agents) = last_decision(dossier);
        let mut notes = vec![classes];
        for note in program.obstacles.iter().chain(&program.notes) {
            if !notes.contains(note) {
                notes.push(note.clone());
            }
        }
        let sources = program.takes.iter().map(|t| (t.clone(), "source"));
        self.events.push(Event {
            id: event,
            kind: "correction",
            date,
            detail: "found the most probable bytes that obey the checks, and how sure each is".into(),
            outcome: words::level(program.verdict).into(),
            notes,
            agents,
            objects: sources.chain([(id, "outcome")]).collect(),
        });
    }

    /// All other files; those of a program are part of it.
    fn files(&mut self, outcome: &Outcome, captures: &[Capture], payload: &[Hashed]) {
        let place = |c: &Capture| c.file.as_ref().map(|(_, path)| format!("data/{path}"));
        let taken: Vec<String> = captures.iter().filter_map(place).collect();
        for file in payload.iter().filter(|f| !taken.contains(&f.path)) {
            let name = file.path.trim_start_matches("data/").to_string();
            let inner = name.strip_prefix("dossier/").unwrap_or("");
            let of = |p: &&ProgramVerdict| p.data == inner || p.files.iter().any(|f| f == inner);
            let whole = outcome.verdict.programs.iter().find(of).map(|p| Relationship::is_part_of(p.id.clone()));
            let digests = vec![("SHA-256", file.sha256.clone()), ("SHA-512", file.sha512.clone())];
            let format = kind_of_file(&name).into();
            let category = Category::File { path: Some(file.path.clone()), bytes: Some(file.bytes), digests, format };
            self.objects
                .push(Object { relationships: whole.into_iter().collect(), ..object(name, category, Vec::new()) });
        }
    }

    fn persons_decisions(&mut self, dossier: &Dossier, outcome: &Outcome) {
        for entry in &dossier.log.records {
            let id = format!("log-{}", entry.n);
            let (kind, key, detail, said, who) = match &entry.event {
                log::Event::PersonDecided { program, offset, value, evidence, by, because, .. } => {
                    let detail = format!(
                        "byte at offset {}: 0x{value:02X} where the evidence alone has 0x{evidence:02X}",
                        words::offset(*offset)
                    );
                    ("decision", program, detail, Some(because.clone()), Some(by))
                }
                log::Event::PersonWithdrew { program, offset, by, because } => {
                    let detail = format!("the decision on the byte at offset {} is withdrawn", words::offset(*offset));
                    ("decision", program, detail, because.clone(), Some(by))
                }
                log::Event::Conflict { program, what, .. } => ("conflict", program, what.clone(), None, None),
                _ => continue,
            };
            let agents = who.map(|name| (self.person(name), "decided")).into_iter().collect();
            let object = program_of(outcome, key).map(|p| (p.id.clone(), "outcome"));
            let outcome = if kind == "decision" { "a person's decision" } else { "established before, contradicted" };
            self.events.push(Event {
                id,
                kind,
                date: entry.date.clone(),
                detail,
                outcome: outcome.into(),
                notes: said.into_iter().collect(),
                agents,
                objects: object.into_iter().collect(),
            });
        }
    }

    fn person(&mut self, name: &str) -> String {
        let next = format!("person-{}", self.persons.len() + 1);
        self.persons.entry(name.into()).or_insert(next).clone()
    }
}

fn object(id: String, category: Category, properties: Vec<(&'static str, String)>) -> Object {
    Object { id, category, original_name: None, properties, relationships: Vec::new() }
}

fn software(version: &str) -> String {
    format!("quorate-{version}")
}

fn tool(record: &log::Record) -> Option<&str> {
    match &record.event {
        log::Event::Decided { tool, .. } | log::Event::Created { tool, .. } => Some(tool),
        _ => None,
    }
}

/// Date and program of the last weighing.
fn last_decision(dossier: &Dossier) -> (String, Vec<(String, &'static str)>) {
    let last = dossier.log.records.iter().rev().find(|r| matches!(r.event, log::Event::Decided { .. }));
    let agent = last.and_then(tool).map(|version| (software(version), "executing program"));
    (last.map_or(UNKNOWN_DATE.into(), |r| r.date.clone()), agent.into_iter().collect())
}

/// The program of a log entry, if it is still there.
fn program_of<'a>(outcome: &'a Outcome, key: &Key) -> Option<&'a ProgramVerdict> {
    let alike = |p: &&ProgramVerdict| (&p.name, p.kind, p.load_address) == (&key.name, key.kind, key.load_address);
    outcome.verdict.programs.iter().filter(alike).nth(key.nth)
}

/// What is to be known of a capture. A pulse image has no samples: those that are read of it are of our own making.
fn played(take: &Received) -> Vec<(&'static str, String)> {
    let mut out = vec![("duration", format!("{:.3} s", take.duration_s))];
    if take.container != (Container::PulseImage { version: 1 }).word() {
        out.push(("sample rate", format!("{} Hz", take.sample_rate)));
        out.push(("channels", take.channels.to_string()));
    }
    out
}

/// When the capture was made, by its own account.
fn recorded(take: &Received) -> String {
    let Some(o) = &take.origination else { return UNKNOWN_DATE.into() };
    let digits = |text: &str, shape: &str| {
        text.len() == shape.len()
            && text.chars().zip(shape.chars()).all(|(c, s)| if s == '0' { c.is_ascii_digit() } else { c == s })
    };
    match (digits(&o.date, "0000-00-00"), digits(&o.time, "00:00:00")) {
        (true, true) => format!("{}T{}", o.date, o.time),
        (true, false) => o.date.clone(),
        _ => UNKNOWN_DATE.into(),
    }
}

fn captured_with(take: &Received) -> String {
    let mut parts = vec!["a play of the tape was recorded".to_string()];
    parts.extend(take.about.deck.iter().map(|deck| format!("deck: {deck}")));
    parts.extend(take.about.notes.iter().map(|note| format!("note: {note}")));
    if let Some(o) = &take.origination {
        let said = [&o.originator, &o.originator_reference, &o.description, &o.coding_history];
        parts.extend(said.into_iter().filter(|text| !text.is_empty()).map(|text| format!("the file says: {text}")));
    }
    parts.join("; ")
}

fn format_name(container: &str) -> &str {
    match container {
        "wav" => "WAVE audio",
        "rf64" => "RF64 audio (EBU Tech 3306)",
        "bw64" => "BW64 audio (ITU-R BS.2088)",
        "flac" => "FLAC audio (RFC 9639)",
        "pulse-image" => "pulse image",
        other => other,
    }
}

fn kind_of_file(name: &str) -> &'static str {
    match name.rsplit('.').next() {
        Some("json") => "JSON (RFC 8259)",
        Some("jsonl") => "JSON Lines",
        Some("npy") => "NumPy array, format version 1.0",
        Some("html") => "HTML",
        Some("txt" | "sha256") => "plain text, UTF-8",
        Some("wav") => "WAVE audio",
        Some("tap") => "pulse image",
        Some("prg") => "program: two bytes of load address, low byte first, then the bytes",
        Some("bin") => "bytes as they sit in memory",
        _ => "unknown",
    }
}
