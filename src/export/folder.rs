//! A result folder, there whole or not at all.
//!
//! Everything is written into a hidden folder beside the one asked for, synced, and renamed into place. A result of an
//! earlier run is exchanged for the new one in one step where the system can do that (Linux, macOS), otherwise in two
//! renames. What is not certainly ours is never touched: [`Target::new`] wants either no folder, an empty one, or one
//! whose run record lists every file in it with the hash it still has.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use tempfile::TempDir;

use super::page_seal;
use crate::Error;

/// The file that says that a folder is ours, and lists what is in it.
pub const RECORD: &str = "run.json";
pub const SCHEMA: &str = "quorate/run/1";

/// A file of the result as the run record lists it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Listed {
    /// Relative to the folder, with `/`.
    pub file: String,
    pub bytes: u64,
    pub sha256: String,
}

/// What of a run record says that a folder is ours.
#[derive(Deserialize)]
struct Record {
    schema: String,
    outputs: Vec<Listed>,
    seal: Option<String>,
}

/// The last line but one of a run record: the SHA-256 of everything before it.
const SEAL: &str = "  \"seal\": \"";
const END: &str = "\"\n}\n";

/// The text of a run record: `record` as JSON, an object, with a last field `seal`, the SHA-256 of all the text before it.
pub fn sealed(record: &impl Serialize) -> Result<String, Error> {
    let text = serde_json::to_string_pretty(record).map_err(|e| Error::write(Path::new(RECORD), e.into()))?;
    let body = format!("{},\n", text.strip_suffix("\n}").unwrap_or(&text));
    let seal = hex(&Sha256::digest(body.as_bytes()));
    Ok(format!("{body}{SEAL}{seal}{END}"))
}

/// The files that a run record lists, if it is one of ours and as it was written.
pub fn outputs(text: &[u8]) -> Option<Vec<Listed>> {
    let text = std::str::from_utf8(text).ok()?;
    let at = text.rfind(SEAL)?;
    let seal = text[at + SEAL.len()..].strip_suffix(END)?;
    let record: Record = serde_json::from_str(text).ok()?;
    (record.schema == SCHEMA && seal == hex(&Sha256::digest(&text.as_bytes()[..at]))).then_some(record.outputs)
}

/// Whether a schema is a later one of [`SCHEMA`]'s.
fn is_newer(schema: &str) -> bool {
    let version = |schema: &str| schema.strip_prefix("quorate/run/").and_then(|v| v.parse::<u32>().ok());
    version(schema) > version(SCHEMA)
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// A folder that may be written: checked, but not yet touched.
#[derive(Debug)]
pub struct Target {
    folder: PathBuf,
    parent: PathBuf,
}

/// A result in the making. Dropped without [`Staged::commit`] it leaves nothing behind.
pub struct Staged {
    target: Target,
    made: TempDir,
    /// Files of the earlier result that stay as they are.
    carried: Vec<Listed>,
}

impl Target {
    /// Checks that `folder` may become a result folder.
    ///
    /// Errors: [`Error::Refused`] if it holds anything that is not ours or was changed, is no folder, or is the folder
    /// one stands in; [`Error::Read`] if that can't be found out; [`Error::Write`] if nothing can be made beside it.
    pub fn new(folder: &Path) -> Result<Target, Error> {
        let refused = |what: &str| Err(Error::Refused { path: folder.to_path_buf(), what: what.into() });
        if folder.as_os_str().is_empty() {
            return refused("no name of a folder; give one that quorate may make");
        }
        let real = match fs::symlink_metadata(folder) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => {
                let Some(name) = folder.file_name() else {
                    return refused("not the name of a folder; give one that quorate may make");
                };
                let parent = folder.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
                Target { folder: parent.join(name), parent: parent.to_path_buf() }
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
                for inner in folders(&real)? {
                    writable(&inner).map_err(|e| Error::write(&inner, e))?;
                }
                if let Some(foreign) = foreign(&real)? {
                    return Err(Error::Refused { path: folder.to_path_buf(), what: foreign });
                }
                Target { folder: real, parent }
            }
        };
        // Better to learn now than after an hour of work that nothing can be written.
        let nearest = real.parent.ancestors().find(|a| a.is_dir()).unwrap_or(Path::new("."));
        temporary(nearest, TRIAL)?;
        Ok(real)
    }

    /// The folder itself; of one that is there, its real path.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Whether `file` lies in it, and would go with it.
    pub fn holds(&self, file: &Path) -> bool {
        fs::canonicalize(file).is_ok_and(|real| real.starts_with(&self.folder))
    }

    /// Begins the result.
    pub fn stage(self) -> Result<Staged, Error> {
        fs::create_dir_all(&self.parent).map_err(|e| Error::write(&self.parent, e))?;
        let made = temporary(&self.parent, &self.prefix())?;
        Ok(Staged { target: self, made, carried: Vec::new() })
    }

    /// Takes away what a run that was killed left beside the folder. Only for who holds the folder's lock: then nobody
    /// else is writing there.
    pub fn clean(&self) -> Result<(), Error> {
        let prefix = self.prefix();
        for (path, is_folder) in entries(&self.parent)? {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            // six random letters lie between
            let ours = name.strip_prefix(&prefix).or_else(|| name.strip_prefix(TRIAL));
            let ours = ours.and_then(|rest| rest.strip_suffix(SUFFIX));
            if is_folder && ours.is_some_and(|r| r.len() == 6 && r.chars().all(|c| c.is_ascii_alphanumeric())) {
                fs::remove_dir_all(&path).map_err(|e| Error::write(&path, e))?;
            }
        }
        Ok(())
    }

    fn prefix(&self) -> String {
        format!(".quorate-{}-", self.folder.file_name().unwrap_or_default().to_string_lossy())
    }
}

impl Staged {
    /// Where to write.
    pub fn path(&self) -> &Path {
        self.made.path()
    }

    /// Takes over a file of an earlier result in `folder`, which is listed there as `file`: by a hard link where the
    /// file system has them, otherwise as a copy.
    pub fn carry(&mut self, folder: &Path, file: &Listed) -> Result<(), Error> {
        let (from, to) = (folder.join(&file.file), self.made.path().join(&file.file));
        let failed = |e| Error::write(&to, e);
        if let Some(parent) = to.parent() {
            fs::create_dir_all(parent).map_err(failed)?;
        }
        if fs::hard_link(&from, &to).is_err() {
            fs::copy(&from, &to).map_err(failed)?;
            fs::File::open(&to).and_then(|copy| copy.sync_all()).map_err(failed)?;
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
            None => listed(root, file),
        };
        files(root)?.into_par_iter().map(list).collect()
    }

    /// Puts the result in place. The run record must be in it by now.
    pub fn commit(self) -> Result<(), Error> {
        let Target { folder, parent } = &self.target;
        let failed = |e| Error::write(folder, e);
        for folder in folders(self.made.path())? {
            sync(&folder).map_err(failed)?;
        }
        if folder.is_dir() {
            // It may have changed while we worked.
            Target::new(folder)?;
            let mode = fs::metadata(folder).map_err(failed)?.permissions();
            fs::set_permissions(self.made.path(), mode).map_err(failed)?;
            exchange(self.made.path(), folder).map_err(failed)?;
            sync(parent).map_err(failed)?;
            // the earlier result, now under the hidden name: if it stays, the new one is in place all the same, and the next
            // run takes it away
            let _ = self.made.close();
            return Ok(());
        }
        fs::rename(self.made.path(), folder).map_err(failed)?;
        let _ = self.made.keep();
        sync(parent).map_err(failed)
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

const MOVE: &str = "quorate overwrites nothing of yours: name another folder, or move it";

/// What in the folder is not ours, and what to do; `None` if it is empty or ours from end to end.
fn foreign(folder: &Path) -> Result<Option<String>, Error> {
    if fs::read_dir(folder).map_err(|e| Error::read(folder, e))?.next().is_none() {
        return Ok(None);
    }
    let record = match fs::read(folder.join(RECORD)) {
        Ok(text) => match serde_json::from_slice::<Record>(&text) {
            // the first results had no seal
            Ok(record) if record.schema == SCHEMA && record.seal.is_none() => Some(record.outputs),
            Ok(record) if is_newer(&record.schema) => {
                return Ok(Some("was written by a newer quorate: use that one, or name another folder".into()));
            }
            _ => outputs(&text),
        },
        Err(e) if e.kind() == io::ErrorKind::NotFound => None,
        Err(e) => return Err(Error::read(&folder.join(RECORD), e)),
    };
    let Some(outputs) = record else {
        return Ok(Some(format!("holds something that quorate did not write; {MOVE}")));
    };
    let ours: BTreeMap<&str, &Listed> = outputs.iter().map(|l| (l.file.as_str(), l)).collect();
    for file in files(folder)? {
        // a report can be made again at any time
        if file == RECORD || (file == page_seal::REPORT && page_seal::is_ours(&folder.join(&file))?) {
            continue;
        }
        let Some(before) = ours.get(file.as_str()) else {
            return Ok(Some(format!("holds {file:?}, which quorate did not write; {MOVE}")));
        };
        if listed(folder, file.clone())? != **before {
            let what = "in it was changed since quorate wrote it; quorate overwrites nothing of yours: move it, or \
                        restore it from a copy of the folder";
            return Ok(Some(format!("{file:?} {what}")));
        }
    }
    let with_files: BTreeSet<PathBuf> =
        ours.keys().flat_map(|file| Path::new(file).ancestors().skip(1)).map(|inner| folder.join(inner)).collect();
    let empty = folders(folder)?.into_iter().find(|f| f != folder && !with_files.contains(f));
    let name = |f: PathBuf| f.file_name().unwrap_or_default().to_string_lossy().into_owned();
    Ok(empty.map(|f| format!("holds the folder {:?}, which quorate did not write; {MOVE}", name(f))))
}

fn listed(root: &Path, file: String) -> Result<Listed, Error> {
    let path = root.join(&file);
    let failed = |e| Error::read(&path, e);
    let mut digest = Sha256::new();
    let bytes = io::copy(&mut fs::File::open(&path).map_err(failed)?, &mut digest).map_err(failed)?;
    Ok(Listed { file, bytes, sha256: hex(&digest.finalize()) })
}

/// Everything under `root` that is no folder, sorted. Links are not followed: they count as files.
fn files(root: &Path) -> Result<Vec<String>, Error> {
    let mut out = Vec::new();
    for folder in folders(root)? {
        for (path, is_folder) in entries(&folder)? {
            if !is_folder && let Ok(relative) = path.strip_prefix(root) {
                let parts = relative.components().map(|c| c.as_os_str().to_string_lossy().into_owned());
                out.push(parts.collect::<Vec<_>>().join("/"));
            }
        }
    }
    out.sort();
    Ok(out)
}

/// `root` and every folder in it.
fn folders(root: &Path) -> Result<Vec<PathBuf>, Error> {
    let mut out = vec![root.to_path_buf()];
    let mut next = 0;
    while next < out.len() {
        let inner = entries(&out[next])?;
        out.extend(inner.into_iter().filter(|(_, is_folder)| *is_folder).map(|(path, _)| path));
        next += 1;
    }
    Ok(out)
}

fn entries(folder: &Path) -> Result<Vec<(PathBuf, bool)>, Error> {
    let list =
        || fs::read_dir(folder)?.map(|entry| entry.and_then(|e| Ok((e.path(), e.file_type()?.is_dir())))).collect();
    let all: io::Result<Vec<(PathBuf, bool)>> = list();
    all.map_err(|e| Error::read(folder, e))
}

/// Exchanges two folders: in one step if the system and the file system can, otherwise in two renames, undone if the
/// second fails.
fn exchange(new: &Path, old: &Path) -> io::Result<()> {
    #[cfg(any(target_os = "linux", target_os = "android", target_vendor = "apple"))]
    {
        use rustix::fs::{CWD, RenameFlags, renameat_with};
        use rustix::io::Errno;
        match renameat_with(CWD, new, CWD, old, RenameFlags::EXCHANGE) {
            Ok(()) => return Ok(()),
            Err(Errno::INVAL | Errno::NOSYS | Errno::NOTSUP) => {}
            Err(e) => return Err(e.into()),
        }
    }
    let aside = new.with_extension("old");
    fs::rename(old, &aside)?;
    fs::rename(new, old).inspect_err(|_| {
        // if even this fails, the earlier result is still whole beside its place
        let _ = fs::rename(&aside, old);
    })?;
    fs::rename(&aside, new)
}

/// Whether files of a folder may be taken away. The exchange itself asks for no right in the folder, but whoever made it
/// read-only meant it, and what it held could not be cleared away.
fn writable(folder: &Path) -> io::Result<()> {
    #[cfg(unix)]
    rustix::fs::access(folder, rustix::fs::Access::WRITE_OK)?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

/// A rename lasts only once its folder is on the disk. Where folders can't be opened (Windows), renames are journalled.
fn sync(folder: &Path) -> io::Result<()> {
    #[cfg(unix)]
    fs::File::open(folder)?.sync_all()?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}
