//! Files and records read in the plainest way, for [`verify`](super) alone.

use std::fs;
use std::path::Path;

use serde_json::Value;

/// The hash of a file by a run record.
pub fn listed_hash<'a>(run: &'a Value, file: &str) -> Option<&'a str> {
    run["outputs"].as_array()?.iter().find(|o| o["file"] == file)?["sha256"].as_str()
}

/// Whether a run record lists a file.
pub fn listed(run: &Value, file: &str) -> bool {
    listed_hash(run, file).is_some()
}

/// The log's record of the last decision.
pub fn last_decision(events: &[Value]) -> Option<&Value> {
    events.iter().rev().find(|e| e["kind"] == "decided")
}

/// The hash of the last verdict by the log.
pub fn decided(events: &[Value]) -> Option<&str> {
    last_decision(events)?["verdict_sha256"].as_str()
}

/// Whether a name from a record stays in the folder: plain parts with `/` between them.
pub fn is_inner(name: &str) -> bool {
    let bad = |c: char| c.is_control() || c == '\\' || c == ':';
    !name.chars().any(bad) && name.split('/').all(|part| !part.is_empty() && part != "." && part != "..")
}

/// Whether a text is so many hexadecimal digits, in lower case.
pub fn is_digits(text: &str, count: usize) -> bool {
    text.len() == count && text.chars().all(|c| c.is_ascii_digit() || ('a'..='f').contains(&c))
}

/// The first part of a name, from the folder on, that is a link.
pub fn link_on_the_way(folder: &Path, name: &str) -> Option<String> {
    let ends = name.match_indices('/').map(|(at, _)| at).chain([name.len()]);
    ends.map(|end| &name[..end]).find(|part| folder.join(part).is_symlink()).map(String::from)
}

/// The bytes of a plain file: a link is not followed, and a pipe not waited for.
pub fn read(folder: &Path, name: &str) -> Option<Vec<u8>> {
    let path = folder.join(name);
    fs::symlink_metadata(&path).is_ok_and(|there| there.is_file()).then(|| fs::read(&path).ok()).flatten()
}

/// Folders below `folder` in which there is nothing, whole trees by their top.
pub fn empty_folders(folder: &Path, inner: String, out: &mut Vec<String>) {
    let Ok(entries) = fs::read_dir(folder.join(&inner)) else { return };
    for entry in entries.flatten().filter(|e| e.file_type().is_ok_and(|t| t.is_dir())) {
        let name = entry.file_name().to_string_lossy().into_owned();
        let path = if inner.is_empty() { name } else { format!("{inner}/{name}") };
        let mut files = Vec::new();
        walk(folder, path.clone(), &mut files);
        if files.is_empty() {
            out.push(path);
        } else {
            empty_folders(folder, path, out);
        }
    }
}

/// The numbers of a `.npy` file of version 1.0 with items of `size` bytes, whatever its shape.
pub fn numbers(bytes: &[u8], size: usize) -> Option<Vec<f64>> {
    let rest = bytes.strip_prefix(b"\x93NUMPY\x01\x00")?;
    let head = usize::from(u16::from_le_bytes(*rest.first_chunk::<2>()?));
    let body = rest.get(2 + head..)?;
    if body.len() % size != 0 {
        return None;
    }
    let number = |b: &[u8]| match size {
        4 => b.first_chunk::<4>().map(|b| f64::from(f32::from_le_bytes(*b))),
        _ => b.first_chunk::<8>().map(|b| f64::from_le_bytes(*b)),
    };
    body.chunks(size).map(number).collect::<Option<Vec<f64>>>().filter(|all| all.iter().all(|x| x.is_finite()))
}

/// Every file below `folder` in its part `inner`, relative, with `/`.
pub fn walk(folder: &Path, inner: String, out: &mut Vec<String>) {
    let Ok(entries) = fs::read_dir(folder.join(&inner)) else { return };
    for entry in entries.flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let path = if inner.is_empty() { name } else { format!("{inner}/{name}") };
        if entry.file_type().is_ok_and(|t| t.is_dir()) {
            walk(folder, path, out);
        } else {
            out.push(path);
        }
    }
}
