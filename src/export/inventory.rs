//! What lies in a folder of ours: what quorate wrote there, and what a person put beside it.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use sha2::{Digest, Sha256};

use super::disk::{self, is_plain, name_in, walk};
use super::page_seal;
use super::record::{self, Listed, RECORD};
use crate::Error;

/// What a folder is to us.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holds {
    /// The result of `recover`, with its evidence.
    Dossier,
    /// An overview over dossiers.
    Shelf,
    /// A BagIt bag, whoever made it: a file more, and it is valid no longer.
    Bag,
}

impl Holds {
    pub fn words(self) -> &'static str {
        match self {
            Holds::Dossier => "a dossier, the evidence of a tape",
            Holds::Shelf => "an overview of tapes",
            Holds::Bag => "a bag, which must stay as it was packed",
        }
    }
}

/// What a folder holds, by the records in it; `None` if it is none of these.
pub fn holds(folder: &Path) -> Option<Holds> {
    if is_plain(&folder.join("bagit.txt")) && folder.join("data").is_dir() {
        return Some(Holds::Bag);
    }
    let schema = |name: &str| {
        let path = folder.join(name);
        is_plain(&path).then(|| fs::read(path).ok()).flatten().and_then(|text| record::schema(&text))
    };
    let run = schema(RECORD).is_some_and(|s| s.starts_with("quorate/run/"));
    if schema("dossier.json").is_some_and(|s| s.starts_with("quorate/dossier/")) {
        Some(Holds::Dossier)
    } else if run && is_plain(&folder.join("programs.jsonl")) {
        Some(Holds::Shelf)
    } else {
        // a dossier that has lost a file is one all the same
        run.then_some(Holds::Dossier)
    }
}

/// The nearest folder of these kinds that `path` would lie in, whether it is there by now or not.
pub fn around(path: &Path) -> Option<(PathBuf, Holds)> {
    let whole = std::path::absolute(path).ok()?;
    let there = whole.ancestors().skip(1).find_map(|above| fs::canonicalize(above).ok())?;
    there.ancestors().find_map(|above| Some((above.to_path_buf(), holds(above)?)))
}

/// What to think of a file that no record lists, by its name alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// Left by a process of ours that was killed.
    Left,
    /// Made by a file manager for itself; not worth a word.
    Litter,
    /// A person's.
    Own,
}

/// The names come from the file managers' own folders (common practice).
pub fn mark(name: &str) -> Mark {
    let name = name.rsplit('/').next().unwrap_or(name);
    let small = name.to_ascii_lowercase();
    if name.strip_prefix(".quorate-").is_some_and(|rest| rest.ends_with(".tmp") || rest.ends_with(".lock")) {
        Mark::Left
    } else if [".ds_store", ".localized", ".directory", "thumbs.db", "ehthumbs.db", "desktop.ini", "icon\r"]
        .contains(&small.as_str())
        || name.starts_with("._")
    {
        Mark::Litter
    } else {
        Mark::Own
    }
}

/// A file, folder or link that quorate did not write.
#[derive(Clone, Debug)]
pub struct Own {
    /// Within the folder.
    pub name: String,
    path: PathBuf,
    is_folder: bool,
}

/// What lies in a folder.
#[derive(Debug, Default)]
pub struct Inventory {
    /// By the run record, whether they are there or not.
    pub ours: BTreeMap<String, Listed>,
    /// Litter too: what a file manager noted of a person's file may matter to that person.
    pub own: Vec<Own>,
    /// Whether the evidence report is there.
    pub report: bool,
}

const MOVE: &str = "quorate overwrites nothing of yours: name another folder, or move it";
const RESTORE: &str = "restore it from a copy of the folder";

/// Looks through a folder that is there.
///
/// Errors: [`Error::Refused`] if it holds something and no run record of ours, or a file of ours was changed or is behind a
/// link; [`Error::Read`] if that can't be found out.
pub fn inspect(folder: &Path) -> Result<Inventory, Error> {
    let refused = |what: String| Error::Refused { path: folder.to_path_buf(), what };
    let there = walk(folder)?;
    let Some(outputs) = listed_in(folder)? else {
        if there.iter().any(|(path, kind)| kind.is_dir() || mark(&name_in(folder, path)) == Mark::Own) {
            let lost = is_plain(&folder.join("dossier.json"));
            let lost = lost.then(|| format!("holds a dossier whose {RECORD} is missing; {RESTORE}"));
            return Err(refused(lost.unwrap_or(format!("holds something that quorate did not write; {MOVE}"))));
        }
        return Ok(Inventory { own: own(folder, &BTreeMap::new())?, ..Inventory::default() });
    };
    let ours: BTreeMap<String, Listed> = outputs.into_iter().map(|l| (l.file.clone(), l)).collect();
    let inner = inner_folders(&ours);
    let mut written = Vec::new();
    for (path, kind) in &there {
        let name = name_in(folder, path);
        let (is_ours, is_inner) = (ours.contains_key(&name), inner.contains(&name));
        if (is_ours && !kind.is_file()) || (is_inner && !kind.is_dir()) {
            return Err(refused(format!("{name:?} in it is a link, or not what quorate wrote there; {RESTORE}")));
        }
        if is_ours {
            written.push(&ours[&name]);
        }
    }
    let same = |listed: &&Listed| Ok((listed.file.clone(), hashed(folder, &listed.file)? == **listed));
    let same: Vec<(String, bool)> = written.par_iter().map(same).collect::<Result<_, Error>>()?;
    if let Some((name, _)) = same.iter().find(|(_, same)| !same) {
        let what = "in it was changed since quorate wrote it; quorate overwrites nothing of yours: move it, or restore it \
                    from a copy of the folder";
        return Err(refused(format!("{name:?} {what}")));
    }
    let page = folder.join(page_seal::REPORT);
    let report = page_seal::is_ours(&page)?;
    if !report && !ours.contains_key(page_seal::REPORT) && fs::symlink_metadata(&page).is_ok() {
        return Err(refused(format!("holds {:?}, which is none as quorate wrote it; {MOVE}", page_seal::REPORT)));
    }
    Ok(Inventory { own: own(folder, &ours)?, ours, report })
}

/// What the run record lists, or `None` if there is none of ours.
fn listed_in(folder: &Path) -> Result<Option<Vec<Listed>>, Error> {
    let path = folder.join(RECORD);
    let refused = |what: String| Err(Error::Refused { path: folder.to_path_buf(), what });
    match fs::symlink_metadata(&path) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
        Ok(there) if !there.is_file() => return Ok(None),
        _ => {}
    }
    let text = fs::read(&path).map_err(|e| Error::read(&path, e))?;
    let Some(schema) = record::schema(&text).filter(|s| s.starts_with("quorate/run/")) else { return Ok(None) };
    if record::is_newer(&schema) {
        return refused("was written by a newer quorate: use that one, or name another folder".into());
    }
    match record::outputs_of_any_age(&text) {
        Ok(outputs) => Ok(Some(outputs)),
        Err(what) => refused(format!("{RECORD:?} in it {what}")),
    }
}

/// All folders that listed files lie in.
fn inner_folders(ours: &BTreeMap<String, Listed>) -> BTreeSet<String> {
    let above = |name: &String| {
        let ends = name.match_indices('/').map(|(at, _)| name[..at].to_string());
        ends.collect::<Vec<_>>()
    };
    ours.keys().flat_map(above).collect()
}

/// What in a folder is neither listed nor made by quorate; folders before what is in them.
pub fn own(folder: &Path, ours: &BTreeMap<String, Listed>) -> Result<Vec<Own>, Error> {
    let inner = inner_folders(ours);
    let mut out = Vec::new();
    for (path, kind) in walk(folder)? {
        let name = name_in(folder, &path);
        let known = if kind.is_dir() {
            inner.contains(&name)
        } else {
            ours.contains_key(&name) || name == RECORD || name == page_seal::REPORT || mark(&name) == Mark::Left
        };
        if !known {
            out.push(Own { name, path, is_folder: kind.is_dir() });
        }
    }
    Ok(out)
}

/// Puts a person's files into the folder that takes the place of theirs, unchanged.
///
/// Errors: [`Error::Refused`] where quorate must write a file of that name; [`Error::Write`].
pub fn carry(own: &[Own], from: &Path, to: &Path) -> Result<(), Error> {
    for Own { name, path, is_folder } in own {
        let place = to.join(path.strip_prefix(from).unwrap_or(path));
        let there = fs::symlink_metadata(&place).ok();
        if there.is_some() && !(*is_folder && there.is_some_and(|t| t.is_dir())) {
            let what =
                format!("holds {name:?}, which is yours, and quorate must write a file of this name: move yours");
            return Err(Error::Refused { path: from.to_path_buf(), what });
        }
        let put = || if *is_folder { fs::create_dir_all(&place) } else { disk::second_name(path, &place) };
        put().map_err(|e| Error::write(path, e))?;
    }
    // when everything is in them, so that what may not be written can be carried too
    for Own { path, .. } in own.iter().filter(|o| o.is_folder) {
        let place = to.join(path.strip_prefix(from).unwrap_or(path));
        let rights = fs::symlink_metadata(path).map(|there| there.permissions());
        rights.and_then(|rights| fs::set_permissions(&place, rights)).map_err(|e| Error::write(path, e))?;
    }
    Ok(())
}

/// A file as a run record lists it.
pub fn hashed(root: &Path, file: &str) -> Result<Listed, Error> {
    let path = root.join(file);
    let failed = |e| Error::read(&path, e);
    let mut digest = Sha256::new();
    let bytes = io::copy(&mut fs::File::open(&path).map_err(failed)?, &mut digest).map_err(failed)?;
    Ok(Listed { file: file.into(), bytes, sha256: record::hex(&digest.finalize()) })
}
