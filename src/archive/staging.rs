//! A bag in the making: a hidden folder beside its final place, which an interrupted run leaves behind and the next one
//! goes on with. The final name appears by a rename, when everything is there.
//!
//! ```text
//! .BAG.packing/bag/       what will be the bag
//! .BAG.packing/begun      a line for every file that was begun: what else lies in the bag is not ours
//! .BAG.packing/hashed     one JSON line for every file that is copied, synced and hashed
//! .BAG.packing/lock       held while a process works here; its line says that the folder is ours
//! ```
//!
//! Nothing is written or removed through a link, and no file that is not known to be of our making is removed.
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
use crate::export::disk::{self, name_in, walk};
use crate::export::record::is_hash;
use crate::recovery::Progress;

/// What the lock holds.
const MARK: &[u8] = b"quorate pack\n";

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
    /// Where every file is noted before it is made.
    begun: Mutex<File>,
    _lock: File,
}

impl Staging {
    /// Begins a bag at `target`, or goes on with one.
    ///
    /// Errors: [`Error::Refused`] if something is at `target` already, another process is at work on it, or what lies in the
    /// place of the hidden folder is not ours; [`Error::Write`] if nothing can be made there.
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
        let hidden = |name: &str| folder.join(name);
        let foreign = |path: &Path| Error::Refused {
            path: path.to_path_buf(),
            what: "is not of quorate's making, and lies where the bag is to be packed; move it away".into(),
        };
        fs::create_dir_all(&parent).map_err(|e| Error::write(&parent, e))?;
        match fs::create_dir(&folder) {
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                if !fs::symlink_metadata(&folder).is_ok_and(|there| there.is_dir()) {
                    return Err(foreign(&folder));
                }
            }
            made => made.map_err(|e| Error::write(&folder, e))?,
        }
        let there = walk(&folder)?;
        for (path, kind) in &there {
            let name = name_in(&folder, path);
            let known = match name.as_str() {
                "begun" | "hashed" | "lock" => kind.is_file(),
                "bag" => kind.is_dir(),
                // looked at below, one by one
                inner => inner.starts_with("bag/") && (kind.is_dir() || kind.is_file()),
            };
            if !known {
                return Err(foreign(path));
            }
        }
        let lock_path = hidden("lock");
        let mark = if disk::is_plain(&lock_path) { fs::read(&lock_path) } else { Ok(Vec::new()) };
        let mark = mark.map_err(|e| Error::read(&lock_path, e))?;
        // one that was killed before it could say whose it is has made nothing else
        if mark != MARK && !(MARK.starts_with(&mark) && there.iter().all(|(path, _)| *path == lock_path)) {
            return Err(foreign(&folder));
        }
        let lock = OpenOptions::new().create(true).truncate(false).write(true).open(&lock_path);
        let mut lock = lock.map_err(|e| Error::write(&lock_path, e))?;
        if !matches!(FileExt::try_lock(&lock), Ok(())) {
            return refused("another process is packing it; wait for it to end");
        }
        lock.write_all(MARK).map_err(|e| Error::write(&lock_path, e))?;
        fs::create_dir_all(hidden("bag/data")).map_err(|e| Error::write(&folder, e))?;
        let begun = OpenOptions::new().create(true).append(true).open(hidden("begun"));
        let begun = Mutex::new(begun.map_err(|e| Error::write(&hidden("begun"), e))?);
        let done = match fs::read(hidden("hashed")) {
            Ok(text) => read_state(&text),
            Err(e) if e.kind() == io::ErrorKind::NotFound => BTreeMap::new(),
            Err(e) => return Err(Error::read(&hidden("hashed"), e)),
        };
        let staging =
            Staging { target: target.to_path_buf(), parent, folder, done, payload: Vec::new(), begun, _lock: lock };
        staging.all_ours()?;
        Ok(staging)
    }

    /// Errors: [`Error::Refused`] for a file in the bag that no process of ours has begun.
    fn all_ours(&self) -> Result<(), Error> {
        let path = self.folder.join("begun");
        let begun = fs::read_to_string(&path).map_err(|e| Error::read(&path, e))?;
        let begun: BTreeSet<&str> = begun.lines().collect();
        let bag = self.folder.join("bag");
        for (path, kind) in walk(&bag)? {
            if kind.is_file() && !begun.contains(name_in(&bag, &path).as_str()) {
                let what =
                    "was put there by somebody else, and the bag is to hold what quorate packs alone; move it away";
                return Err(Error::Refused { path, what: what.into() });
            }
        }
        Ok(())
    }

    /// An empty file in the bag, in the place of an earlier one of ours.
    fn create(&self, path: &str) -> Result<File, Error> {
        let file = self.folder.join("bag").join(path);
        let make = || {
            if let Ok(mut begun) = self.begun.lock() {
                begun.write_all(format!("{path}\n").as_bytes())?;
            }
            if let Some(folder) = file.parent() {
                fs::create_dir_all(folder)?;
            }
            match fs::remove_file(&file) {
                Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
                _ => {}
            }
            File::create_new(&file)
        };
        make().map_err(|e| Error::write(&file, e))
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
            let output = self.create(&format!("data/{}", found.source.path))?;
            let (sha256, sha512) = copy_hashed(&found.source.file, &copy, output, &tell)?;
            found.check(&sha256).inspect_err(|_| {
                // what is not what was asked for is not kept
                let _ = fs::remove_file(&copy);
            })?;
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
        disk::sync_all(&bag)?;
        disk::rename_new(&bag, &self.target)?;
        let failed = |e| Error::write(&self.target, e);
        disk::sync(&self.parent).map_err(failed)?;
        for name in ["begun", "hashed", "lock"] {
            fs::remove_file(self.folder.join(name)).map_err(|e| Error::write(&self.folder, e))?;
        }
        fs::remove_dir(&self.folder).map_err(|e| Error::write(&self.folder, e))?;
        Ok(self.payload)
    }

    /// Removes what an earlier run with other sources has left.
    fn clear_but(&self, sources: &[Source]) -> Result<(), Error> {
        let wanted: BTreeSet<String> = sources.iter().map(|s| format!("data/{}", s.path)).collect();
        let bag = self.folder.join("bag");
        let there = walk(&bag)?;
        for (file, kind) in &there {
            if !kind.is_dir() && !wanted.contains(&name_in(&bag, file)) {
                fs::remove_file(file).map_err(|e| Error::write(file, e))?;
            }
        }
        for (folder, _) in there.iter().rev().filter(|(_, kind)| kind.is_dir()) {
            // only empty ones can go; those that are needed are made again
            let _ = fs::remove_dir(folder);
        }
        Ok(())
    }

    fn write(&self, path: &str, bytes: &[u8]) -> Result<Hashed, Error> {
        let mut out = self.create(path)?;
        let failed = |e| Error::write(&self.folder.join("bag").join(path), e);
        out.write_all(bytes).and_then(|()| out.sync_all()).map_err(failed)?;
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
    let digits = |text: &str| text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
    let sound = |done: &Done| is_hash(&done.sha256) && done.sha512.len() == 128 && digits(&done.sha512);
    lines.filter(sound).map(|done| (done.path.clone(), done)).collect()
}

/// Copies a file and gives its SHA-256 and SHA-512. The copy is synced.
fn copy_hashed(from: &Path, to: &Path, mut output: File, tell: &dyn Fn(u64)) -> Result<(String, String), Error> {
    let (unread, unwritten) = (|e| Error::read(from, e), |e| Error::write(to, e));
    let mut input = File::open(from).map_err(unread)?;
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
