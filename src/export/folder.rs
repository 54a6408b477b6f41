//! A result folder, there whole or not at all.
//!
//! Everything is written into a hidden folder beside the one asked for, synced, and renamed into place. A result of an
//! earlier run is exchanged for the new one in one step where the system can do that (Linux, macOS), otherwise in two
//! renames. What a person put into it goes along unchanged. [`Target::new`] wants either no folder, one without anything in
//! it, or one of the same kind whose run record lists the files in it with the hashes they still have.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use tempfile::TempDir;

use super::disk::{self, name_in, walk};
use super::inventory::{self, Inventory, hashed};
pub use super::inventory::{Holds, around, holds};
pub use super::record::{Listed, RECORD, SCHEMA, outputs, sealed};
use crate::Error;

/// A folder that may be written: checked, but not yet touched.
#[derive(Debug)]
pub struct Target {
    folder: PathBuf,
    parent: PathBuf,
    kind: Holds,
    /// Nothing if the folder is not there.
    before: Option<Inventory>,
}

/// A result in the making. Dropped without [`Staged::commit`] it leaves nothing behind.
pub struct Staged {
    target: Target,
    made: TempDir,
    /// Files of the earlier result that stay as they are.
    carried: Vec<Listed>,
}

impl Target {
    /// Checks that `folder` may become a folder of the kind `kind`.
    ///
    /// Errors: [`Error::Refused`] if it is of another kind, holds something and no run record of ours, or a file of ours
    /// that was changed, if it lies in a folder of ours, is no folder, or is the folder one stands in; [`Error::Read`] if
    /// that can't be found out; [`Error::Write`] if nothing can be made beside it.
    pub fn new(folder: &Path, kind: Holds) -> Result<Target, Error> {
        let refused = |what: &str| Err(Error::Refused { path: folder.to_path_buf(), what: what.into() });
        if folder.as_os_str().is_empty() {
            return refused("no name of a folder; give one that quorate may make");
        }
        let target = match fs::symlink_metadata(folder) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => {
                let Some(name) = folder.file_name() else {
                    return refused("not the name of a folder; give one that quorate may make");
                };
                let parent = folder.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
                outside(folder, folder)?;
                Target { folder: parent.join(name), parent: parent.to_path_buf(), kind, before: None }
            }
            Err(e) => return Err(Error::read(folder, e)),
            Ok(_) => {
                let real = fs::canonicalize(folder).map_err(|e| Error::read(folder, e))?;
                if !real.is_dir() {
                    return refused("is there already and no folder; name another one");
                }
                let here = std::env::current_dir().and_then(fs::canonicalize);
                let parent = match real.parent() {
                    Some(parent) if !here.is_ok_and(|here| here.starts_with(&real)) => parent.to_path_buf(),
                    _ => {
                        return refused(
                            "the folder is replaced as a whole, so it can't be one you stand in; name another",
                        );
                    }
                };
                outside(folder, &real)?;
                if let Some(other) = holds(&real).filter(|other| *other != kind) {
                    return refused(&format!("is {}; name another folder", other.words()));
                }
                let inner = walk(&real)?.into_iter().filter(|(_, kind)| kind.is_dir()).map(|(path, _)| path);
                for folder in inner.chain([real.clone()]) {
                    disk::writable(&folder).map_err(|e| Error::write(&folder, e))?;
                }
                let before = inventory::inspect(&real).map_err(|e| match e {
                    Error::Refused { what, .. } => Error::Refused { path: folder.to_path_buf(), what },
                    e => e,
                })?;
                Target { folder: real, parent, kind, before: Some(before) }
            }
        };
        // Better to learn now than after an hour of work that nothing can be written.
        let nearest = target.parent.ancestors().find(|a| a.is_dir()).unwrap_or(Path::new("."));
        temporary(nearest, TRIAL)?;
        Ok(target)
    }

    /// The folder itself; of one that is there, its real path.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Whether `file` lies in it, and would go with it.
    pub fn holds(&self, file: &Path) -> bool {
        fs::canonicalize(file).is_ok_and(|real| real.starts_with(&self.folder))
    }

    /// Whether its run record lists a file, be that there or not.
    pub fn lists(&self, file: &str) -> bool {
        self.before.as_ref().is_some_and(|before| before.ours.contains_key(file))
    }

    /// Whether an evidence report lies in it.
    pub fn has_report(&self) -> bool {
        self.before.as_ref().is_some_and(|before| before.report)
    }

    /// Begins the result.
    pub fn stage(self) -> Result<Staged, Error> {
        fs::create_dir_all(&self.parent).map_err(|e| Error::write(&self.parent, e))?;
        let made = temporary(&self.parent, &prefix(&self.folder))?;
        Ok(Staged { target: self, made, carried: Vec::new() })
    }

    /// Takes away what a run that was killed left beside the folder. Only for who holds the folder's lock: then nobody
    /// else is writing there.
    pub fn clean(&self) -> Result<(), Error> {
        clean(&self.folder)
    }
}

/// Errors: [`Error::Refused`] if `real` lies in a folder of ours, or in a bag. `shown` is its name for people.
pub fn outside(shown: &Path, real: &Path) -> Result<(), Error> {
    let Some((above, holds)) = around(real) else { return Ok(()) };
    let what = format!("lies in {}, which is {}; name a place outside", above.display(), holds.words());
    Err(Error::Refused { path: shown.to_path_buf(), what })
}

/// As [`Target::clean`]; `folder` is the real path.
pub fn clean(folder: &Path) -> Result<(), Error> {
    let prefix = prefix(folder);
    let parent = folder.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    for entry in fs::read_dir(parent).map_err(|e| Error::read(parent, e))? {
        let entry = entry.map_err(|e| Error::read(parent, e))?;
        let (path, name) = (entry.path(), entry.file_name().to_string_lossy().into_owned());
        let ours = name.strip_prefix(&prefix).or_else(|| name.strip_prefix(TRIAL));
        let ours = ours.and_then(|rest| rest.strip_suffix(SUFFIX));
        if ours.is_some_and(is_random) {
            let kind = entry.file_type().map_err(|e| Error::read(&path, e))?;
            let gone = if kind.is_dir() { fs::remove_dir_all(&path) } else { fs::remove_file(&path) };
            gone.map_err(|e| Error::write(&path, e))?;
        }
    }
    Ok(())
}

/// Takes away the files that a run that was killed left in `folder`: for a folder of files that have no record of their own.
/// Only for who holds its lock.
pub fn clean_within(folder: &Path) -> Result<(), Error> {
    if !folder.is_dir() {
        return Ok(());
    }
    for (path, kind) in walk(folder)? {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let letters = name.strip_prefix(".quorate-").and_then(|rest| rest.strip_suffix(SUFFIX));
        if kind.is_file() && letters.is_some_and(is_random) {
            fs::remove_file(&path).map_err(|e| Error::write(&path, e))?;
        }
    }
    Ok(())
}

/// The letters that lie between the ends of a temporary name.
fn is_random(letters: &str) -> bool {
    letters.len() == 6 && letters.chars().all(|c| c.is_ascii_alphanumeric())
}

/// What the hidden names of a folder begin with, which lie beside it.
pub fn prefix(folder: &Path) -> String {
    format!(".quorate-{}-", folder.file_name().unwrap_or_default().to_string_lossy())
}

impl Staged {
    /// Where to write.
    pub fn path(&self) -> &Path {
        self.made.path()
    }

    /// The folder that it will be.
    pub fn target(&self) -> &Target {
        &self.target
    }

    /// Takes over a file of an earlier result in `folder`, which is listed there as `file`: by a hard link where the
    /// file system has them, otherwise as a copy.
    ///
    /// Errors: [`Error::Input`] if it is missing, behind a link, or not as it was written; [`Error::Write`].
    pub fn carry(&mut self, folder: &Path, file: &Listed) -> Result<(), Error> {
        let from = disk::inside(folder, &file.file)?;
        let to = self.made.path().join(&file.file);
        let failed = |e| Error::write(&to, e);
        if let Some(parent) = to.parent() {
            fs::create_dir_all(parent).map_err(failed)?;
        }
        disk::second_name(&from, &to).map_err(failed)?;
        if hashed(self.made.path(), &file.file)? != *file {
            let what = "was changed or damaged since quorate wrote it; restore it from a copy of the folder";
            return Err(Error::input(&from, what));
        }
        self.carried.push(file.clone());
        Ok(())
    }

    /// Every file that was written so far, by name.
    pub fn listed(&self) -> Result<Vec<Listed>, Error> {
        let root = self.made.path();
        let known: BTreeMap<&str, &Listed> = self.carried.iter().map(|l| (l.file.as_str(), l)).collect();
        let list = |file: String| match known.get(file.as_str()) {
            Some(&carried) => Ok(carried.clone()),
            None => hashed(root, &file),
        };
        let files = walk(root)?.into_iter().filter(|(_, kind)| !kind.is_dir()).map(|(path, _)| name_in(root, &path));
        let mut files: Vec<String> = files.collect();
        files.sort();
        files.into_par_iter().map(list).collect()
    }

    /// Puts the result in place, with what a person had in the earlier one. The run record must be in it by now.
    pub fn commit(self) -> Result<(), Error> {
        let Target { folder, parent, kind, before } = &self.target;
        let failed = |e| Error::write(folder, e);
        if before.is_none() {
            disk::sync_all(self.made.path())?;
            disk::rename_new(self.made.path(), folder)?;
            let _ = self.made.keep();
            return disk::sync(parent).map_err(failed);
        }
        // It may have changed while we worked.
        let now = Target::new(folder, *kind)?.before.unwrap_or_default();
        if before.as_ref().is_some_and(|before| before.ours != now.ours) {
            let what = "was written anew by another process while this one worked; run the command again";
            return Err(Error::Refused { path: folder.clone(), what: what.into() });
        }
        inventory::carry(&inventory::own(folder, &now.ours)?, folder, self.made.path())?;
        disk::sync_all(self.made.path())?;
        let rights = fs::metadata(folder).map_err(failed)?.permissions();
        fs::set_permissions(self.made.path(), rights).map_err(failed)?;
        disk::exchange(self.made.path(), folder).map_err(failed)?;
        disk::sync(parent).map_err(failed)?;
        // the earlier result, now under the hidden name: if it stays, the new one is in place all the same, and the next
        // run takes it away
        let _ = self.made.close();
        Ok(())
    }
}

const SUFFIX: &str = ".tmp";
/// What a folder that is only made to see whether one can be is called; no folder of a result begins so.
const TRIAL: &str = ".quorate.try-";

/// A hidden folder in `parent`, with the rights of any new folder.
fn temporary(parent: &Path, prefix: &str) -> Result<TempDir, Error> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(prefix).suffix(SUFFIX);
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o777));
    builder.tempdir_in(parent).map_err(|e| Error::write(parent, e))
}
