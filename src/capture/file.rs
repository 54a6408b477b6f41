//! Opening ordinary files and reading at a place, without a shared cursor.

use crate::Error;
use std::fs::File;
use std::io::{self, ErrorKind};
use std::path::Path;

/// Opens an ordinary, non-empty file; also gives its length in bytes.
pub(super) fn open(path: &Path) -> Result<(File, u64), Error> {
    // Asked before opening: opening a pipe would wait for its writer.
    let metadata = std::fs::metadata(path).map_err(|error| match error.kind() {
        ErrorKind::NotFound => Error::read(
            path,
            io::Error::new(ErrorKind::NotFound, "there is no such file; check the name and the folder"),
        ),
        _ => Error::read(path, error),
    })?;
    let no_file = |kind, what: &str| Err(Error::read(path, io::Error::new(kind, what)));
    if metadata.is_dir() {
        return no_file(ErrorKind::IsADirectory, "it is a folder; name the capture files in it");
    }
    if !metadata.is_file() {
        return no_file(ErrorKind::InvalidInput, "it is not an ordinary file; save the capture to a file first");
    }
    if metadata.len() == 0 {
        return Err(Error::input(path, "is empty (0 bytes): nothing was recorded or copied; make the capture again"));
    }
    let file = File::open(path).map_err(|error| Error::read(path, error))?;
    Ok((file, metadata.len()))
}

/// Fills `buffer` from byte `offset` on; returns how many bytes there were, fewer only at the end of the file.
pub(super) fn read_up_to(file: &File, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
    let mut filled = 0;
    while filled < buffer.len() {
        match read_some(file, &mut buffer[filled..], offset + filled as u64) {
            Ok(0) => break,
            Ok(count) => filled += count,
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}

/// As [`read_up_to`], for bytes that were there when the file was opened.
pub(super) fn read_exact(file: &File, buffer: &mut [u8], offset: u64) -> io::Result<()> {
    if read_up_to(file, buffer, offset)? < buffer.len() {
        return Err(io::Error::new(ErrorKind::UnexpectedEof, "the file became shorter while it was being read"));
    }
    Ok(())
}

#[cfg(unix)]
fn read_some(file: &File, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
    std::os::unix::fs::FileExt::read_at(file, buffer, offset)
}

#[cfg(windows)]
fn read_some(file: &File, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
    std::os::windows::fs::FileExt::seek_read(file, buffer, offset)
}

/// A stretch of a file as a stream of its own.
pub(super) struct Stream<'a> {
    pub file: &'a File,
    pub offset: u64,
}

impl io::Read for Stream<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = read_some(self.file, buffer, self.offset)?;
        self.offset += count as u64;
        Ok(count)
    }
}
