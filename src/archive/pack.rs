//! A result folder as a bag: the captures, the dossier as it stands, a fresh report, and a preservation record.
//!
//! ```text
//! data/captures/take-1/NAME   the recordings, untouched; without them captures.sha256
//! data/dossier/               the result folder: evidence, programs, verdict
//! data/report.html            the evidence report
//! data/premis.xml             what happened to what, and who did it (PREMIS 3.0)
//! data/README.txt             all of this in words
//! ```
//!
//! Dates: `Bagging-Date` in `bag-info.txt` is the only one that packing adds.

use std::fs;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::bag::Hashed;
use super::premis;
use super::record;
use super::staging::{Source, Staging};
use crate::Error;
use crate::dossier::Dossier;
use crate::export::disk;
use crate::export::folder::{RECORD, outside};
use crate::export::names::printable;
use crate::export::page_seal;
use crate::recovery::{Outcome, Progress};
use crate::report;

/// Whether the recordings go into the bag.
pub enum Captures<'a> {
    /// They do; looked for in these folders first, then where they were last heard, then beside the dossier.
    Include(&'a [PathBuf]),
    /// Only their hashes do.
    HashesOnly,
}

/// What became of it.
pub struct Packed {
    pub payload: Vec<Hashed>,
}

/// A capture of the dossier and where it is.
pub(super) struct Capture {
    /// `take-1`.
    pub take: String,
    /// As the user named it, without its folder.
    pub name: String,
    pub sha256: String,
    /// Its file, and its place below `data/`; `None` if only the hash is kept.
    pub file: Option<(PathBuf, String)>,
}

/// Packs a dossier into a bag at `out`. `date` is today as YYYY-MM-DD.
///
/// Errors: those of [`Staging`]; [`Error::Input`] if a capture is not found or is not the one that was received.
pub fn pack(
    dossier: &Dossier,
    out: &Path,
    captures: Captures,
    date: &str,
    progress: Progress,
) -> Result<Packed, Error> {
    // a bag inside the folder that it is made of would hold itself
    outside(out, out)?;
    progress(0.0, "deciding again");
    let outcome = dossier.decide(&|_, _| ())?;
    let captures = find(dossier, &outcome, captures)?;
    let mut sources: Vec<Source> = captures.iter().filter_map(source).collect();
    for name in dossier.files().names() {
        let listed = dossier.files().listed(name);
        sources.push(Source {
            path: format!("dossier/{name}"),
            file: disk::inside(dossier.folder(), name)?,
            sha256: listed.map(|l| l.sha256.clone()),
        });
    }
    let run = dossier.files().path(RECORD);
    let sha256 = Some(dossier.files().record_sha256().to_string());
    sources.push(Source { path: format!("dossier/{RECORD}"), file: run, sha256 });
    let mut staging = Staging::open(out)?;
    staging.copy(&sources, &|share, what| progress(0.05 + 0.85 * share, what))?;
    progress(0.92, "drawing the report");
    let page = report::evidence_report(dossier, &|_, _| ())?;
    staging.put(page_seal::REPORT, page_seal::sealed(&page).as_bytes())?;
    if captures.iter().any(|c| c.file.is_none()) {
        // as sha256sum writes it; a line end in a name would break the list, and a backslash means one
        let plain = |name: &str| name.replace(|c: char| c.is_control() || c == '\\', "_");
        let lines: String = captures.iter().map(|c| format!("{}  {}\n", c.sha256, plain(&c.name))).collect();
        staging.put("captures.sha256", lines.as_bytes())?;
    }
    staging.put("README.txt", readme(&outcome, &captures).as_bytes())?;
    progress(0.97, "writing the record");
    let payload = staging.payload();
    let record = record::of(dossier, &outcome, &captures, payload);
    let xml = premis::record(&record.objects, &record.events, &record.agents);
    let xml = xml.map_err(|e| Error::write(Path::new("premis.xml"), e))?;
    staging.put("premis.xml", &xml)?;
    let payload = staging.finish(&info(dossier, &outcome, date))?;
    Ok(Packed { payload })
}

fn find(dossier: &Dossier, outcome: &Outcome, captures: Captures) -> Result<Vec<Capture>, Error> {
    let known = dossier.captures()?;
    let (mut out, mut lost) = (Vec::new(), Vec::new());
    for (i, take) in outcome.intake.received.iter().enumerate() {
        let (id, name) = (format!("take-{}", i + 1), take.file());
        let file = match &captures {
            Captures::HashesOnly => None,
            Captures::Include(folders) => {
                let named = folders.iter().map(|folder| folder.join(&name));
                let before: Vec<&str> =
                    known.iter().filter(|k| k.sha256 == take.sha256).map(|k| k.file.as_str()).collect();
                let beside = dossier.folder().parent().map(|folder| folder.join(&name));
                let all = named.chain(before.iter().map(PathBuf::from)).chain(beside);
                let mut there: Vec<PathBuf> = Vec::new();
                for path in all.filter(|path| path.is_file()) {
                    let same = |other: &PathBuf| fs::canonicalize(other).ok() == fs::canonicalize(&path).ok();
                    if !there.iter().any(same) {
                        there.push(path);
                    }
                }
                let found = match right_one(&there, folders.is_empty(), &take.sha256)? {
                    None => renamed(folders, &take.sha256)?,
                    found => found,
                };
                // none has the right hash: the first will be said to have changed
                let Some(found) = found.or_else(|| there.into_iter().next()) else {
                    let last = before.first().map_or(String::new(), |place| format!(", last heard as {place}"));
                    lost.push(format!("{id} ({name}{last})"));
                    continue;
                };
                Some((found, format!("captures/{id}/{}", tamed(&name))))
            }
        };
        out.push(Capture { take: id, name, sha256: take.sha256.clone(), file });
    }
    if lost.is_empty() {
        return Ok(out);
    }
    let what = format!(
        "{} of {} captures can't be found: {}; name the folder with --captures, or keep hashes alone with \
         --without-captures",
        lost.len(),
        outcome.intake.received.len(),
        lost.join(", ")
    );
    Err(Error::input(dossier.folder(), what))
}

/// Of several files of one name the one with the hash wanted, since takes of different days may share their names. A lone
/// one is believed, if `lone` says so: it is hashed while it is copied.
fn right_one(there: &[PathBuf], lone: bool, sha256: &str) -> Result<Option<PathBuf>, Error> {
    if let ([path], true) = (there, lone) {
        return Ok(Some(path.clone()));
    }
    for path in there {
        if hash(path)? == sha256 {
            return Ok(Some(path.clone()));
        }
    }
    Ok(None)
}

/// A capture that has another name now, or one that could not be kept as text: found by its hash in the folders that the
/// user named.
fn renamed(folders: &[PathBuf], sha256: &str) -> Result<Option<PathBuf>, Error> {
    for folder in folders {
        let mut files = Vec::new();
        for entry in fs::read_dir(folder).map_err(|e| Error::read(folder, e))? {
            let path = entry.map_err(|e| Error::read(folder, e))?.path();
            if path.is_file() {
                files.push(path);
            }
        }
        files.sort();
        for path in files {
            if hash(&path)? == sha256 {
                return Ok(Some(path));
            }
        }
    }
    Ok(None)
}

fn hash(path: &Path) -> Result<String, Error> {
    let mut file = fs::File::open(path).map_err(|e| Error::read(path, e))?;
    let mut digest = Sha256::new();
    std::io::copy(&mut file, &mut digest).map_err(|e| Error::read(path, e))?;
    Ok(digest.finalize().iter().map(|b| format!("{b:02x}")).collect())
}

fn source(capture: &Capture) -> Option<Source> {
    let (file, path) = capture.file.clone()?;
    Some(Source { path, file, sha256: Some(capture.sha256.clone()) })
}

/// A file name for a bag. What manifests would have to encode (RFC 8493, 2.1.3: `%`, line ends) readers of bags are known to
/// decode in different ways; control characters are lost on some systems, characters that hide or turn the direction of
/// writing make a name look like another, and some characters Windows takes in no name: each becomes `_`. The original name
/// stands in the record.
fn tamed(name: &str) -> String {
    let hidden = |c: char| printable(c.encode_utf8(&mut [0; 4])).len() > c.len_utf8();
    let safe = |c: char| if hidden(c) || r#"%/\<>:"|?*"#.contains(c) { '_' } else { c };
    let name: String = name.chars().map(safe).collect();
    // Windows takes no dot or blank at the end
    let name = name.trim_end_matches([' ', '.']);
    if name.trim_matches('.').is_empty() { "capture".into() } else { name.into() }
}

fn info<'a>(dossier: &Dossier, outcome: &Outcome, date: &str) -> Vec<(&'a str, String)> {
    let programs = &outcome.verdict.programs;
    let mut names: Vec<String> = programs.iter().filter(|p| !p.name.is_empty()).map(|p| p.name.clone()).collect();
    if names.len() < programs.len() {
        names.push(format!("{} without a name", programs.len() - names.len()));
    }
    let description = format!(
        "Data cassette, one side, format {}: {} from {}. {}",
        dossier.record.format,
        report::words::count(programs.len(), "program", "programs"),
        report::words::count(outcome.intake.received.len(), "take", "takes"),
        names.join(", ")
    );
    vec![
        ("Made-By-Program", format!("quorate {}", env!("CARGO_PKG_VERSION"))),
        ("Bagging-Date", date.into()),
        ("External-Description", description),
        ("External-Identifier", format!("verdict sha256:{}", crate::dossier::sha256(dossier.verdict.as_bytes()))),
    ]
}

fn readme(outcome: &Outcome, captures: &[Capture]) -> String {
    let mut out = format!(
        "Programs from a data cassette, with the evidence for them, as quorate {} packed them.\n\n",
        env!("CARGO_PKG_VERSION")
    );
    for p in &outcome.verdict.programs {
        let verdict = report::words::level(p.verdict);
        out.push_str(&format!(
            "{}  {}, {} bytes, {verdict}: dossier/{}\n",
            p.id,
            report::words::name(&p.name),
            p.size,
            p.data
        ));
    }
    out.push_str(
        "\nBegin with report.html: any browser shows it, without a network and without scripts.\n\n\
         report.html           what was found, how sure each byte is, and why\n\
         premis.xml            the preservation record (PREMIS 3.0)\n\
         dossier/programs/     the programs: pNN.bin are the bytes alone, as they sit in memory\n\
         dossier/verdict.json  the verdicts for other programs\n\
         dossier/takes/        the evidence: soft bits, places and waveforms as arrays (.npy)\n\
         dossier/log.jsonl     what happened, in order, one JSON record a line\n",
    );
    if captures.iter().any(|c| c.file.is_some()) {
        out.push_str("captures/             the recordings of the tape, untouched\n");
    } else {
        out.push_str("captures.sha256       hashes of the recordings, which are kept elsewhere\n");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_safe_in_a_bag() {
        assert_eq!(tamed("side a, côté 1.wav"), "side a, côté 1.wav");
        assert_eq!(tamed("100%\n..\\x\u{1b}.wav"), "100__.._x_.wav");
        assert_eq!([tamed(".."), tamed("")], ["capture", "capture"]);
        assert_eq!(tamed("<img src=x>: \"a\"|b?*\u{202e}vaw.1 ."), "_img src=x__ _a__b___vaw.1");
    }
}
