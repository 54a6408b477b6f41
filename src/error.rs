//! Errors, split by who is to blame: the file system, the user's file, a limit of ours, or an output that can't be
//! written. Each says where, what is wrong and what to do.

use std::io;
use std::path::{Path, PathBuf};

#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The file system would not let us read.
    #[error("{}: cannot read: {}", path.display(), plain(source))]
    Read { path: PathBuf, source: std::io::Error },
    /// The user's file is not what it should be. `what` names the place and the remedy.
    #[error("{}: {what}", path.display())]
    Input { path: PathBuf, what: String },
    /// A limit of ours, not a fault of the file.
    #[error("{}: beyond a limit of quorate: {what}", path.display())]
    Limit { path: PathBuf, what: String },
    /// A fault of ours that a take brought out.
    #[error("{}: a fault of quorate on this take ({what}): leave it out or convert it, and please report this", path.display())]
    Fault { path: PathBuf, what: String },
    /// The request makes no sense as given.
    #[error("{0}")]
    Usage(String),
    /// A requested output could not be written.
    #[error("{}: cannot write: {}", path.display(), plain_out(source))]
    Write { path: PathBuf, source: std::io::Error },
    /// An output would overwrite something that is not ours.
    #[error("{}: {what}", path.display())]
    Refused { path: PathBuf, what: String },
    /// No take holds data.
    #[error("{0}")]
    NoData(String),
}

/// As [`plain`], of an output: what is not there is the place for it.
fn plain_out(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "nothing can be made in this place; name another".into(),
        _ => plain(error),
    }
}

/// What the file system says, with what to do about it where that is plain.
fn plain(error: &io::Error) -> String {
    use io::ErrorKind::{NotADirectory, NotFound, PermissionDenied, QuotaExceeded, ReadOnlyFilesystem, StorageFull};
    match error.kind() {
        NotFound => "there is no such file or folder; check the name".into(),
        NotADirectory => "a part of this name is no folder; check the name".into(),
        PermissionDenied => "it is not allowed to this user; check the permissions, or name another place".into(),
        ReadOnlyFilesystem => "it lies where nothing can be written; name another place".into(),
        StorageFull | QuotaExceeded => "there is no room left; make some, or name a place on another disk".into(),
        _ => error.to_string(),
    }
}

impl Error {
    pub fn read(path: &Path, source: std::io::Error) -> Error {
        Error::Read { path: path.to_path_buf(), source }
    }

    pub fn write(path: &Path, source: std::io::Error) -> Error {
        Error::Write { path: path.to_path_buf(), source }
    }

    pub fn input(path: &Path, what: impl Into<String>) -> Error {
        Error::Input { path: path.to_path_buf(), what: what.into() }
    }

    pub fn limit(path: &Path, what: impl Into<String>) -> Error {
        Error::Limit { path: path.to_path_buf(), what: what.into() }
    }

    /// The process exit code: 2 bad usage or unreadable input, 4 output not written, 5 no data found.
    pub fn exit_code(&self) -> u8 {
        match self {
            Error::Read { .. } | Error::Input { .. } | Error::Limit { .. } | Error::Usage(_) => 2,
            Error::Refused { .. } | Error::Fault { .. } => 2,
            Error::Write { .. } => 4,
            Error::NoData(_) => 5,
        }
    }
}
