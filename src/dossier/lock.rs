//! One process at a time on one result folder.

use std::fs::{File, OpenOptions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use fs4::FileExt;

use crate::Error;

/// How the line in the file begins, and the most that is read of one.
const LINE: &str = "process ";
const LONGEST: u64 = 200;

/// Held until dropped. The lock is the system's own advisory lock on a hidden file beside the folder, since the folder
/// itself is exchanged for its successor: it goes with the process, however that ends.
#[derive(Debug)]
pub struct Lock {
    path: PathBuf,
    _file: File,
}

impl Lock {
    /// Locks `folder`, which need not be there; `None` if even its parent is not, so that there is nothing to guard yet.
    /// `what` names the command, for others to see.
    ///
    /// Errors: [`Error::Refused`] with the name of the process that has it, [`Error::Write`] if nothing can be written
    /// beside the folder.
    pub fn take(folder: &Path, what: &str) -> Result<Option<Lock>, Error> {
        let real = std::fs::canonicalize(folder).unwrap_or_else(|_| folder.to_path_buf());
        let Some(name) = real.file_name().map(|n| n.to_string_lossy().into_owned()) else { return Ok(None) };
        let folder = real.as_path();
        if !folder.parent().is_some_and(|p| p.as_os_str().is_empty() || p.is_dir()) {
            return Ok(None);
        }
        let path = folder.with_file_name(format!(".quorate-{name}.lock"));
        let failed = |e| Error::write(&path, e);
        loop {
            if !may_be_ours(&path) {
                let what = "is no lock of quorate, and it overwrites nothing of yours: move it away";
                return Err(Error::Refused { path, what: what.into() });
            }
            let mut file = open(&path).map_err(failed)?;
            match FileExt::try_lock(&file) {
                Ok(()) => {}
                Err(fs4::TryLockError::WouldBlock) => {
                    let mut by = String::new();
                    let _ = (&file).take(LONGEST).read_to_string(&mut by);
                    let by =
                        if by.trim().is_empty() { "another process".into() } else { super::files::shown(by.trim()) };
                    let what = format!("{by} is at work on it; wait until that is done");
                    return Err(Error::Refused { path: folder.to_path_buf(), what });
                }
                Err(fs4::TryLockError::Error(e)) => return Err(failed(e)),
            }
            // whoever had it before may have taken the file away between our opening and locking it
            if !same(&file, &path) {
                continue;
            }
            let line = format!("{LINE}{} (quorate {what})\n", std::process::id());
            file.set_len(0)
                .and_then(|()| file.seek(SeekFrom::Start(0)))
                .and_then(|_| file.write_all(line.as_bytes()))
                .map_err(failed)?;
            return Ok(Some(Lock { path, _file: file }));
        }
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        // before it is unlocked, so that nobody else's is taken away; if it stays, it says nothing without its lock
        let _ = std::fs::remove_file(&self.path);
    }
}

/// Whether there is nothing, or what a process left that was killed: a file with our line in it, or an empty one.
fn may_be_ours(path: &Path) -> bool {
    let Ok(there) = std::fs::symlink_metadata(path) else { return true };
    let line = || {
        let mut text = Vec::new();
        File::open(path)?.take(LONGEST).read_to_end(&mut text).map(|_| text)
    };
    // of whom it can't be read the lock says more
    there.is_file() && line().map_or(true, |text| text.is_empty() || text.starts_with(LINE.as_bytes()))
}

/// Never through a link, which may lead to a file of anybody's.
fn open(path: &Path) -> std::io::Result<File> {
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true).truncate(false);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::custom_flags(&mut options, rustix::fs::OFlags::NOFOLLOW.bits() as i32);
    options.open(path)
}

#[cfg(unix)]
fn same(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let (Ok(open), Ok(there)) = (file.metadata(), std::fs::metadata(path)) else { return false };
    (open.dev(), open.ino()) == (there.dev(), there.ino())
}

/// Where an open file can't be taken away there is nothing to compare.
#[cfg(not(unix))]
fn same(_file: &File, path: &Path) -> bool {
    path.exists()
}
