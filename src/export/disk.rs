//! Folders on the disk: what is in them, renaming them, and making it last.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::Error;

/// Everything below a folder; a folder before what is in it, otherwise sorted. Links are not followed: they are no folders.
pub fn walk(root: &Path) -> Result<Vec<(PathBuf, fs::FileType)>, Error> {
    let (mut out, mut next) = (Vec::new(), vec![root.to_path_buf()]);
    while let Some(folder) = next.pop() {
        let list = || -> io::Result<Vec<_>> {
            fs::read_dir(&folder)?.map(|entry| entry.and_then(|e| Ok((e.path(), e.file_type()?)))).collect()
        };
        for (path, kind) in list().map_err(|e| Error::read(&folder, e))? {
            if kind.is_dir() {
                next.push(path.clone());
            }
            out.push((path, kind));
        }
    }
    out.sort_by(|a, b| a.0.cmp(&b.0));
    Ok(out)
}

/// The name of a file below `root` as records write it, with `/`.
pub fn name_in(root: &Path, path: &Path) -> String {
    let relative = path.strip_prefix(root).unwrap_or(path);
    let parts = relative.components().map(|c| c.as_os_str().to_string_lossy().into_owned());
    parts.collect::<Vec<_>>().join("/")
}

/// Whether a plain file is there: no folder, no pipe, and no link, which may lead to anybody's.
pub fn is_plain(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok_and(|there| there.is_file())
}

/// The file `name` in `root`, where neither it nor a folder on the way is a link.
///
/// Errors: [`Error::Input`] if it is missing, no plain file, or lies behind a link.
pub fn inside(root: &Path, name: &str) -> Result<PathBuf, Error> {
    let mut path = root.to_path_buf();
    let mut parts = name.split('/').peekable();
    while let Some(part) = parts.next() {
        path.push(part);
        let there = match fs::symlink_metadata(&path) {
            Ok(there) => there,
            Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => {
                return Err(Error::input(&root.join(name), "is missing; restore it from a copy of the folder"));
            }
            Err(e) => return Err(Error::read(&path, e)),
        };
        if there.is_symlink() {
            let what = "is a link, and quorate follows none in its folders; put what it leads to in its place";
            return Err(Error::input(&path, what));
        }
        if if parts.peek().is_some() { !there.is_dir() } else { !there.is_file() } {
            return Err(Error::input(&path, "is not what quorate wrote there; restore it from a copy of the folder"));
        }
    }
    Ok(path)
}

/// A rename lasts only once its folder is on the disk. Where folders can't be opened (Windows), renames are journalled.
pub fn sync(folder: &Path) -> io::Result<()> {
    #[cfg(unix)]
    fs::File::open(folder)?.sync_all()?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

/// Syncs a folder and all folders in it.
pub fn sync_all(root: &Path) -> Result<(), Error> {
    let inner = walk(root)?.into_iter().filter(|(_, kind)| kind.is_dir()).map(|(path, _)| path);
    inner.chain([root.to_path_buf()]).try_for_each(|folder| sync(&folder).map_err(|e| Error::write(&folder, e)))
}

/// Renames a folder to a name that is free, and only then.
pub fn rename_new(from: &Path, to: &Path) -> Result<(), Error> {
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

/// Exchanges two folders: in one step if the system and the file system can, otherwise in two renames, undone if the
/// second fails.
pub fn exchange(new: &Path, old: &Path) -> io::Result<()> {
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

/// Whether files of a folder may be taken away. An exchange itself asks for no right in the folder, but whoever made it
/// read-only meant it, and what it held could not be cleared away.
pub fn writable(folder: &Path) -> io::Result<()> {
    #[cfg(unix)]
    rustix::fs::access(folder, rustix::fs::Access::WRITE_OK)?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

/// The same file under a second name, which must be free: a hard link where the file system has them, otherwise a copy with
/// the same time and rights. A link is made again as the link that it is.
pub fn second_name(from: &Path, to: &Path) -> io::Result<()> {
    let there = fs::symlink_metadata(from)?;
    if there.is_symlink() {
        #[cfg(unix)]
        return std::os::unix::fs::symlink(fs::read_link(from)?, to);
        #[cfg(not(unix))]
        return Err(io::Error::other("is a link, and can't be made again here"));
    }
    match fs::hard_link(from, to) {
        Ok(()) => return Ok(()),
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists => return Err(e),
        Err(_) if !there.is_file() => return Err(io::Error::other("is no plain file; move it away")),
        Err(_) => {}
    }
    let mut copy = fs::File::create_new(to)?;
    io::copy(&mut fs::File::open(from)?, &mut copy)?;
    copy.set_permissions(there.permissions())?;
    if let Ok(time) = there.modified() {
        copy.set_modified(time)?;
    }
    copy.sync_all()
}
