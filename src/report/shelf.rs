//! An overview over many dossiers: a row per program, for people (HTML) and for other programs (JSON Lines).

use std::collections::BTreeMap;
use std::path::Path;

use maud::{Markup, html};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::page::{badge, code_note, page};
use super::verdict::{ProgramVerdict, SCHEMA, Verdict};
use super::words;
use crate::Error;
use crate::confidence::Level;
use crate::dossier::{Dossier, VERDICT};
use crate::export::names::printable;
use crate::tape::Kind;

pub const ROW_SCHEMA: &str = "quorate/shelf-row/1";

/// A program on a tape. Fields are those of the schema `shelf-row`: always there, never null.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Row {
    pub schema: String,
    /// The dossier's folder as it was given.
    pub folder: String,
    pub tape: usize,
    pub program: String,
    pub name: String,
    pub format: String,
    pub kind: Kind,
    pub has_load_address: bool,
    /// 0 if there is none.
    pub load_address: u16,
    pub size: usize,
    pub verdict: Level,
    pub p_wrong: f64,
    pub agreed: usize,
    pub corrected: usize,
    pub inferred: usize,
    pub unresolved: usize,
    pub weak_bits: usize,
    pub takes: usize,
    pub takes_used: usize,
    /// Of the bytes as they sit in memory.
    pub sha256: String,
    /// First file to open, below the folder.
    pub file: String,
    pub obstacle: String,
    pub advice: String,
    pub version: String,
}

/// The rows of a dossier, in the order of the tape.
///
/// Errors: those of [`Dossier::open`], which believes no file that was changed; [`Error::Input`] if the verdict is none that
/// this version reads, or the bytes of a program are not as long as it says.
pub fn rows(folder: &Path) -> Result<Vec<Row>, Error> {
    let dossier = Dossier::open(folder)?;
    let path = dossier.files().path(VERDICT);
    let verdict: Verdict = serde_json::from_str(&dossier.verdict).map_err(|e| {
        Error::input(&path, format!("is no verdict that this version reads ({e}); use a newer quorate"))
    })?;
    if verdict.schema != SCHEMA {
        let what = format!("has the schema {:?}, this version reads {SCHEMA:?}; use a newer quorate", verdict.schema);
        return Err(Error::input(&path, what));
    }
    verdict.programs.iter().map(|program| row(&dossier, &verdict, program)).collect()
}

fn row(dossier: &Dossier, verdict: &Verdict, program: &ProgramVerdict) -> Result<Row, Error> {
    let (folder, bytes) = (dossier.folder(), dossier.files().read(&program.data)?);
    if bytes.len() != program.size {
        let what = format!("holds {} bytes, the verdict says {}; restore it from a copy", bytes.len(), program.size);
        return Err(Error::input(&dossier.files().path(&program.data), what));
    }
    Ok(Row {
        schema: ROW_SCHEMA.into(),
        folder: folder.display().to_string(),
        tape: program.tape,
        program: program.id.clone(),
        name: program.name.clone(),
        format: program.format.to_string(),
        kind: program.kind,
        has_load_address: program.load_address.is_some(),
        load_address: program.load_address.unwrap_or(0),
        size: program.size,
        verdict: program.verdict,
        p_wrong: program.p_wrong,
        agreed: program.bytes.agreed,
        corrected: program.bytes.corrected,
        inferred: program.bytes.inferred,
        unresolved: program.bytes.unresolved,
        weak_bits: program.weak_bits,
        takes: verdict.takes.len(),
        takes_used: program.takes.len(),
        sha256: Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect(),
        file: program.files.first().cloned().unwrap_or_default(),
        obstacle: program.obstacles.join(" "),
        advice: program.advice.join(" "),
        version: verdict.tool.version.to_string(),
    })
}

/// JSON Lines: a line per row.
pub fn lines(rows: &[Row]) -> serde_json::Result<String> {
    rows.iter().map(|row| Ok(serde_json::to_string(row)? + "\n")).collect()
}

/// The index for people.
pub fn index(rows: &[Row]) -> String {
    let mut folders: Vec<(&str, Vec<&Row>)> = Vec::new();
    for row in rows {
        match folders.last_mut() {
            Some((folder, group)) if *folder == row.folder => group.push(row),
            _ => folders.push((&row.folder, vec![row])),
        }
    }
    let mut places: BTreeMap<&str, Vec<&Row>> = BTreeMap::new();
    rows.iter().filter(|row| row.size > 0).for_each(|row| places.entry(&row.sha256).or_default().push(row));
    let of = |level| rows.iter().filter(|row| row.verdict == level).count();
    let body = html! {
        header {
            p class="over" { "A shelf of tapes" }
            h1 {
                (words::count(rows.len(), "program", "programs")) " on "
                (words::count(folders.len(), "tape side", "tape sides"))
            }
            ul class="legend" {
                @for level in [Level::Established, Level::Supported, Level::Open] {
                    li { (badge(level)) (words::thousands(of(level))) }
                }
            }
            p {
                "Established: every byte agreed or singled out by the checks, with a chance of error under 1 in a million. \
                 Supported: the best reading is clear, but something speaks against it. Open: bytes are missing or have \
                 rivals."
                @if let Some(note) = code_note(rows.iter().map(|row| row.name.as_str())) { " " (note) }
            }
        }
        main {
            @for (folder, group) in &folders {
                section {
                    h2 { (printable(folder)) }
                    @let takes = group.first().map_or(0, |row| row.takes);
                    p class="soft small" {
                        (words::count(group.len(), "program", "programs")) " from " (words::count(takes, "take", "takes"))
                    }
                    (table(group, &places))
                }
            }
        }
    };
    page("A shelf of tapes", STYLE, body)
}

const STYLE: &str = include_str!("shelf.css");

fn table(group: &[&Row], places: &BTreeMap<&str, Vec<&Row>>) -> Markup {
    let elsewhere = |row: &Row| -> Vec<String> {
        let other = |r: &&&Row| r.folder != row.folder || r.program != row.program;
        let all = places.get(row.sha256.as_str()).map_or(&[][..], Vec::as_slice);
        all.iter().filter(other).map(|r| format!("{}, {}", printable(&r.folder), r.program)).collect()
    };
    html! {
        table class="shelf" {
            thead {
                tr {
                    th scope="col" class="program" { "Program" }
                    th scope="col" class="verdict" { "Verdict" }
                    th scope="col" class="chance" { "Chance of a wrong byte" }
                }
            }
            @for row in group {
                @let same = elsewhere(row);
                tbody {
                    tr {
                        th scope="row" class="wrap" { (words::name(&row.name)) }
                        td { (badge(row.verdict)) }
                        td { (if row.size == 0 { "-".into() } else { words::chance(row.p_wrong) }) }
                    }
                    tr {
                        td colspan="3" class="more small" {
                            p class="soft" {
                                (row.program) " · " (words::kind(row.kind)) ", " (words::count(row.size, "byte", "bytes"))
                                @if row.has_load_address { ", loads at " (words::offset(row.load_address.into())) }
                                @if !row.file.is_empty() { ", file " span class="item mono" { (printable(&row.file)) } }
                            }
                            @if !row.obstacle.is_empty() {
                                p { strong { "In the way: " } (printable(&row.obstacle)) }
                            }
                            @if !row.advice.is_empty() { p { strong { "Would help: " } (printable(&row.advice)) } }
                            @if !same.is_empty() { p { strong { "Same bytes: " } (same.join("; ")) } }
                        }
                    }
                }
            }
        }
    }
}
