//! Writing a file whole or not at all: temporary file beside it, synced, renamed, folder synced.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use tempfile::{Builder, NamedTempFile};

use super::disk;
use crate::Error;

/// What to do if a file of that name is there already.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Existing {
    /// Put the new one in its place: for files that quorate itself wrote before.
    Replace,
    /// Leave it and refuse ([`Error::Refused`]): for every path that the user named.
    Keep,
    /// As `Keep`, in a folder of our own that nobody wants after a crash: nothing is synced, which takes longer than all
    /// the writing.
    Scratch,
}

/// Writes `bytes` to `path`. Errors: [`Error::Write`], [`Error::Refused`].
pub fn write(path: &Path, existing: Existing, bytes: &[u8]) -> Result<(), Error> {
    write_with(path, existing, |out| out.write_all(bytes))
}

/// Writes what `fill` produces to `path`. If `fill` fails, nothing is left behind, and what was at `path` stays.
pub fn write_with(
    path: &Path,
    existing: Existing,
    fill: impl FnOnce(&mut BufWriter<&mut File>) -> io::Result<()>,
) -> Result<(), Error> {
    put(path, existing, &folder_of(path), ".quorate-", fill)
}

/// As [`write`], into a folder of ours: what lies in it is accounted for, so the temporary file lies beside the folder, where
/// [`super::folder::clean`] finds it. For who holds the folder's lock. `folder` is its real path.
pub fn write_into(folder: &Path, name: &str, existing: Existing, bytes: &[u8]) -> Result<(), Error> {
    let prefix = super::folder::prefix(folder);
    put(&folder.join(name), existing, &folder_of(folder), &prefix, |out| out.write_all(bytes))
}

/// Writes `path` by way of a temporary file in `beside`, which is on the same file system.
fn put(
    path: &Path,
    existing: Existing,
    beside: &Path,
    prefix: &str,
    fill: impl FnOnce(&mut BufWriter<&mut File>) -> io::Result<()>,
) -> Result<(), Error> {
    let failed = |source| Error::write(path, source);
    if path.file_name().is_none() {
        return Err(failed(io::Error::new(io::ErrorKind::InvalidInput, "the path names no file")));
    }
    let mut temporary = temporary(beside, prefix).map_err(failed)?;
    let mut out = BufWriter::new(temporary.as_file_mut());
    fill(&mut out).and_then(|()| out.flush()).map_err(failed)?;
    drop(out);
    if existing != Existing::Scratch {
        temporary.as_file().sync_all().map_err(failed)?;
    }
    match existing {
        Existing::Replace => temporary.persist(path).map_err(|e| failed(e.error))?,
        Existing::Keep | Existing::Scratch => temporary.persist_noclobber(path).map_err(|e| match e.error.kind() {
            io::ErrorKind::AlreadyExists => Error::Refused {
                path: path.to_path_buf(),
                what: "is there already and is left as it is; name another file, or move this one away".into(),
            },
            _ => failed(e.error),
        })?,
    };
    if existing == Existing::Scratch { Ok(()) } else { disk::sync(&folder_of(path)).map_err(failed) }
}

/// Makes a folder and those above it, if they are not there.
pub fn folder(path: &Path) -> Result<(), Error> {
    std::fs::create_dir_all(path).map_err(|source| Error::write(path, source))
}

fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_path_buf(),
        _ => PathBuf::from("."),
    }
}

fn temporary(folder: &Path, prefix: &str) -> io::Result<NamedTempFile> {
    let mut builder = Builder::new();
    builder.prefix(prefix).suffix(".tmp");
    // Temporary files are private by default; an output is for whomever the user's umask allows.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    builder.tempfile_in(folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let entries = std::fs::read_dir(folder).unwrap();
        entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
    }

    #[test]
    fn a_failed_write_leaves_the_old_file_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("tide.bin");
        write(&path, Existing::Keep, b"old").unwrap();
        let failed = write_with(&path, Existing::Replace, |out| {
            out.write_all(b"half of the ne")?;
            Err(io::Error::other("disk full"))
        });
        assert!(matches!(failed, Err(Error::Write { .. })), "{failed:?}");
        assert_eq!(std::fs::read(&path).unwrap(), b"old");
        assert_eq!(names(folder.path()), ["tide.bin"]);
    }

    #[test]
    fn a_file_of_the_user_is_kept_and_one_of_ours_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("tide.bin");
        std::fs::write(&path, b"the user's").unwrap();
        let refused = write(&path, Existing::Keep, b"new");
        assert!(matches!(refused, Err(Error::Refused { .. })), "{refused:?}");
        assert_eq!(std::fs::read(&path).unwrap(), b"the user's");
        write(&path, Existing::Replace, b"new").unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"new");
        assert_eq!(names(folder.path()), ["tide.bin"]);
    }

    #[test]
    fn a_path_that_cannot_be_written_is_an_error_of_output() {
        let folder = tempfile::tempdir().unwrap();
        for path in [folder.path().join("not there/tide.bin"), PathBuf::from("/"), folder.path().join("..")] {
            let error = write(&path, Existing::Replace, b"x").unwrap_err();
            assert_eq!(error.exit_code(), 4, "{error}");
        }
        assert!(names(folder.path()).is_empty());
    }

    #[cfg(unix)]
    #[test]
    fn permissions_are_those_of_any_new_file() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let (ours, plain) = (folder.path().join("ours"), folder.path().join("plain"));
        write(&ours, Existing::Keep, b"").unwrap();
        std::fs::write(&plain, b"").unwrap();
        let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode();
        assert_eq!(mode(&ours), mode(&plain));
    }
}
