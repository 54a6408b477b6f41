//! A bag in the making: a hidden folder beside its final place, which an interrupted run leaves behind and the next one
//! goes on with. The final name appears by a rename, when everything is there.
//!
//! ```text
//! .BAG.packing/bag/       what will be the bag
//! .BAG.packing/hashed     one JSON line for every file that is copied, synced and hashed
//! .BAG.packing/lock       held while a process works here
//! ```
//!
//! A file counts as done when its line names the same source, length and time of change that the source has now, and
//! the copy has that length and is as it was left. A line torn by a crash is no line.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::UNIX_EPOCH;

use fs4::FileExt;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256, Sha512};

use super::bag::{self, Algorithm, Hashed};
use crate::Error;
use crate::recovery::Progress;

/// Read at once; both hashes of a chunk are taken in parallel.
const CHUNK: usize = 1 << 20;

/// A file to go into the payload.
#[derive(Clone, Debug)]
pub struct Source {
    /// Below `data/`, with `/`.
    pub path: String,
    pub file: PathBuf,
    /// The hash it must have, if known.
    pub sha256: Option<String>,
}

/// A line of the state.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Done {
    path: String,
    source: String,
    bytes: u64,
    modified_ns: u128,
    /// When the copy was last changed.
    copied_ns: u128,
    sha256: String,
    sha512: String,
}

pub struct Staging {
    target: PathBuf,
    parent: PathBuf,
    folder: PathBuf,
    done: BTreeMap<String, Done>,
    payload: Vec<Hashed>,
    _lock: File,
}

impl Staging {
    /// Begins a bag at `target`, or goes on with one.
    ///
    /// Errors: [`Error::Refused`] if something is at `target` already or another process is at work on it,
    /// [`Error::Write`] if nothing can be made beside it.
    pub fn open(target: &Path) -> Result<Staging, Error> {
        let refused = |what: &str| Err(Error::Refused { path: target.to_path_buf(), what: what.into() });
        let Some(name) = target.file_name() else {
            return refused("not the name of a folder; give one that quorate may make");
        };
        if fs::symlink_metadata(target).is_ok() {
            return refused("is there already; a bag is never overwritten: name another folder, or move it away");
        }
        let parent = match target.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent.to_path_buf(),
            _ => PathBuf::from("."),
        };
        let folder = parent.join(format!(".{}.packing", name.to_string_lossy()));
        fs::create_dir_all(folder.join("bag/data")).map_err(|e| Error::write(&folder, e))?;
        let lock_path = folder.join("lock");
        let lock = OpenOptions::new().create(true).truncate(false).write(true).open(&lock_path);
        let lock = lock.map_err(|e| Error::write(&lock_path, e))?;
        if !matches!(FileExt::try_lock(&lock), Ok(())) {
            return refused("another process is packing it; wait for it to end");
        }
        let done = match fs::read(folder.join("hashed")) {
            Ok(text) => read_state(&text),
            Err(e) if e.kind() == io::ErrorKind::NotFound => BTreeMap::new(),
            Err(e) => return Err(Error::read(&folder.join("hashed"), e)),
        };
        Ok(Staging { target: target.to_path_buf(), parent, folder, done, payload: Vec::new(), _lock: lock })
    }

    /// Copies the sources into the payload and hashes them, several at a time, the longest first. What an earlier run
    /// has finished is not copied again; what no source asks for any more is removed.
    ///
    /// Errors: [`Error::Read`], [`Error::Write`], and [`Error::Input`] for a file whose hash is not the one expected or
    /// that is no plain file. Files that were finished stay finished.
    pub fn copy(&mut self, sources: &[Source], progress: Progress) -> Result<(), Error> {
        self.clear_but(sources)?;
        let mut work = sources.iter().map(Found::new).collect::<Result<Vec<_>, Error>>()?;
        work.sort_by(|a, b| b.bytes.cmp(&a.bytes).then(a.source.path.cmp(&b.source.path)));
        let total: u64 = work.iter().map(|w| w.bytes).sum();
        let state_path = self.folder.join("hashed");
        let state = OpenOptions::new().create(true).append(true).open(&state_path);
        let state = Mutex::new((state.map_err(|e| Error::write(&state_path, e))?, 0u64));
        let tell = |bytes: u64| {
            if let Ok(mut state) = state.lock() {
                state.1 += bytes;
                progress(state.1 as f64 / total.max(1) as f64, "copying and hashing");
            }
        };
        let one = |found: &Found| -> Result<Hashed, Error> {
            let copy = self.folder.join("bag/data").join(&found.source.path);
            if let Some(done) = self.done.get(&found.source.path)
                && found.is(done)
                && fs::symlink_metadata(&copy)
                    .is_ok_and(|m| m.is_file() && m.len() == done.bytes && time(&m) == done.copied_ns)
            {
                found.check(&done.sha256)?;
                tell(found.bytes);
                return Ok(done.hashed());
            }
            let (sha256, sha512) = copy_hashed(&found.source.file, &copy, &tell)?;
            found.check(&sha256)?;
            let copied = fs::metadata(&copy).map_err(|e| Error::write(&copy, e))?;
            let done = found.done(sha256, sha512, time(&copied));
            let line = serde_json::to_string(&done).map_err(|e| Error::write(&state_path, e.into()))?;
            if let Ok(mut state) = state.lock() {
                // the line break first: after a torn line a new one begins
                state.0.write_all(format!("\n{line}\n").as_bytes()).map_err(|e| Error::write(&state_path, e))?;
            }
            Ok(done.hashed())
        };
        let mut hashed = work.par_iter().map(one).collect::<Result<Vec<_>, Error>>()?;
        hashed.sort_by(|a, b| a.path.cmp(&b.path));
        self.payload.extend(hashed);
        Ok(())
    }

    /// What is in the payload by now.
    pub fn payload(&self) -> &[Hashed] {
        &self.payload
    }

    /// Adds a small file that is made here.
    pub fn put(&mut self, path: &str, bytes: &[u8]) -> Result<(), Error> {
        let hashed = self.write(&format!("data/{path}"), bytes)?;
        self.payload.push(hashed);
        Ok(())
    }

    /// Writes manifests and tags and gives the bag its name. `info` comes before `Payload-Oxum` in `bag-info.txt`.
    pub fn finish(mut self, info: &[(&str, String)]) -> Result<Vec<Hashed>, Error> {
        self.payload.sort_by(|a, b| a.path.cmp(&b.path));
        let mut info = info.to_vec();
        info.push(("Payload-Oxum", bag::oxum(&self.payload)));
        let mut tags = vec![
            self.write("bagit.txt", bag::DECLARATION.as_bytes())?,
            self.write("bag-info.txt", bag::info(&info).as_bytes())?,
        ];
        for algorithm in Algorithm::ALL {
            let text = bag::manifest(algorithm, &self.payload);
            tags.push(self.write(&format!("manifest-{}.txt", algorithm.name()), text.as_bytes())?);
        }
        for algorithm in Algorithm::ALL {
            let text = bag::manifest(algorithm, &tags);
            self.write(&format!("tagmanifest-{}.txt", algorithm.name()), text.as_bytes())?;
        }
        let bag = self.folder.join("bag");
        sync_folders(&bag).map_err(|e| Error::write(&bag, e))?;
        rename_new(&bag, &self.target)?;
        let failed = |e| Error::write(&self.target, e);
        sync(&self.parent).map_err(failed)?;
        fs::remove_dir_all(&self.folder).map_err(|e| Error::write(&self.folder, e))?;
        Ok(self.payload)
    }

    /// Removes what an earlier run with other sources has left.
    fn clear_but(&self, sources: &[Source]) -> Result<(), Error> {
        let wanted: BTreeSet<PathBuf> = sources.iter().map(|s| PathBuf::from("data").join(&s.path)).collect();
        let bag = self.folder.join("bag");
        for file in walk(&bag).map_err(|e| Error::read(&bag, e))?.files {
            if !file.strip_prefix(&bag).is_ok_and(|relative| wanted.contains(relative)) {
                fs::remove_file(&file).map_err(|e| Error::write(&file, e))?;
            }
        }
        let mut folders = walk(&bag).map_err(|e| Error::read(&bag, e))?.folders;
        folders.reverse();
        for folder in folders {
            // only empty ones can go; those that are needed are made again
            let _ = fs::remove_dir(folder);
        }
        Ok(())
    }

    fn write(&self, path: &str, bytes: &[u8]) -> Result<Hashed, Error> {
        let file = self.folder.join("bag").join(path);
        let write = || {
            if let Some(folder) = file.parent() {
                fs::create_dir_all(folder)?;
            }
            let mut out = File::create(&file)?;
            out.write_all(bytes)?;
            out.sync_all()
        };
        write().map_err(|e| Error::write(&file, e))?;
        Ok(Hashed {
            path: path.into(),
            bytes: bytes.len() as u64,
            sha256: hex(&Sha256::digest(bytes)),
            sha512: hex(&Sha512::digest(bytes)),
        })
    }
}

/// A source as it lies on the disk.
struct Found<'a> {
    source: &'a Source,
    bytes: u64,
    modified_ns: u128,
}

impl<'a> Found<'a> {
    fn new(source: &'a Source) -> Result<Found<'a>, Error> {
        let data = fs::symlink_metadata(&source.file).map_err(|e| Error::read(&source.file, e))?;
        if !data.is_file() {
            return Err(Error::input(
                &source.file,
                "is no plain file; a bag holds nothing else: put the file itself here",
            ));
        }
        Ok(Found { source, bytes: data.len(), modified_ns: time(&data) })
    }

    fn is(&self, done: &Done) -> bool {
        *done == self.done(done.sha256.clone(), done.sha512.clone(), done.copied_ns)
    }

    fn done(&self, sha256: String, sha512: String, copied_ns: u128) -> Done {
        Done {
            path: self.source.path.clone(),
            source: self.source.file.display().to_string(),
            bytes: self.bytes,
            modified_ns: self.modified_ns,
            copied_ns,
            sha256,
            sha512,
        }
    }

    fn check(&self, sha256: &str) -> Result<(), Error> {
        match &self.source.sha256 {
            Some(wanted) if wanted != sha256 => Err(Error::input(
                &self.source.file,
                format!(
                    "was changed since it was read: its SHA-256 is {sha256}, the record says {wanted}; put the file \
                     back as it was, or recover anew"
                ),
            )),
            _ => Ok(()),
        }
    }
}

impl Done {
    fn hashed(&self) -> Hashed {
        Hashed {
            path: format!("data/{}", self.path),
            bytes: self.bytes,
            sha256: self.sha256.clone(),
            sha512: self.sha512.clone(),
        }
    }
}

/// When a file was last changed, in nanoseconds since 1970; 0 where that is not known.
fn time(data: &fs::Metadata) -> u128 {
    data.modified().ok().and_then(|t| t.duration_since(UNIX_EPOCH).ok()).map_or(0, |t| t.as_nanos())
}

fn read_state(text: &[u8]) -> BTreeMap<String, Done> {
    let lines = text.split(|&b| b == b'\n').filter_map(|line| serde_json::from_slice::<Done>(line).ok());
    lines.map(|done| (done.path.clone(), done)).collect()
}

/// Copies a file and gives its SHA-256 and SHA-512. The copy is synced.
fn copy_hashed(from: &Path, to: &Path, tell: &dyn Fn(u64)) -> Result<(String, String), Error> {
    let (unread, unwritten) = (|e| Error::read(from, e), |e| Error::write(to, e));
    if let Some(folder) = to.parent() {
        fs::create_dir_all(folder).map_err(unwritten)?;
    }
    let mut input = File::open(from).map_err(unread)?;
    let mut output = File::create(to).map_err(unwritten)?;
    let (mut short, mut long) = (Sha256::new(), Sha512::new());
    let mut chunk = vec![0; CHUNK];
    loop {
        let n = match input.read(&mut chunk) {
            Ok(0) => break,
            Ok(n) => n,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
            Err(e) => return Err(unread(e)),
        };
        let part = &chunk[..n];
        let (written, ()) = rayon::join(
            || {
                short.update(part);
                output.write_all(part)
            },
            || long.update(part),
        );
        written.map_err(unwritten)?;
        tell(n as u64);
    }
    output.sync_all().map_err(unwritten)?;
    Ok((hex(&short.finalize()), hex(&long.finalize())))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// All files and folders under a folder; folders before what is in them.
#[derive(Default)]
pub(super) struct Walk {
    pub files: Vec<PathBuf>,
    pub folders: Vec<PathBuf>,
}

/// Links are not followed: they count as files. Sorted by path.
pub(super) fn walk(root: &Path) -> io::Result<Walk> {
    let mut out = Walk::default();
    let mut open = vec![root.to_path_buf()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder)? {
            let entry = entry?;
            if entry.file_type()?.is_dir() {
                open.push(entry.path());
            } else {
                out.files.push(entry.path());
            }
        }
        out.folders.push(folder);
    }
    out.files.sort();
    out.folders.sort();
    Ok(out)
}

/// Renames a folder to a name that is free, and only then.
fn rename_new(from: &Path, to: &Path) -> Result<(), Error> {
    let taken = || Error::Refused {
        path: to.to_path_buf(),
        what: "was made by somebody else in the meantime; move it away and run the command again".into(),
    };
    #[cfg(any(target_os = "linux", target_os = "android", target_vendor = "apple"))]
    {
        use rustix::fs::{CWD, RenameFlags, renameat_with};
        use rustix::io::Errno;
        match renameat_with(CWD, from, CWD, to, RenameFlags::NOREPLACE) {
            Ok(()) => return Ok(()),
            Err(Errno::EXIST) => return Err(taken()),
            // this file system can't; then in two steps
            Err(Errno::INVAL | Errno::NOSYS | Errno::NOTSUP) => {}
            Err(e) => return Err(Error::write(to, e.into())),
        }
    }
    if fs::symlink_metadata(to).is_ok() {
        return Err(taken());
    }
    fs::rename(from, to).map_err(|e| Error::write(to, e))
}

fn sync_folders(root: &Path) -> io::Result<()> {
    walk(root)?.folders.iter().try_for_each(|folder| sync(folder))
}

/// A rename lasts only once its folder is on the disk. Where folders can't be opened (Windows), renames are journalled.
fn sync(folder: &Path) -> io::Result<()> {
    #[cfg(unix)]
    File::open(folder)?.sync_all()?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}
