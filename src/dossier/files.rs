//! The files of a dossier as its run record lists them: none is believed that has not the hash it was written with.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde::Serialize;
use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};

use crate::Error;
use crate::export::disk;
use crate::export::folder::{self, Listed};
use crate::export::names::printable;

/// SHA-256 in hex.
pub fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

/// A name fit for a screen.
pub fn shown(text: &str) -> String {
    printable(text)
}

/// JSON as quorate writes it everywhere: two blanks deep, with an end of line. `path` is where it goes, for the error.
pub fn json(path: &Path, value: &impl Serialize) -> Result<String, Error> {
    let text = serde_json::to_string_pretty(value).map_err(|e| Error::write(path, e.into()))?;
    Ok(text + "\n")
}

/// A result folder, read through its run record.
pub struct Sealed {
    folder: PathBuf,
    listed: BTreeMap<String, Listed>,
    record_sha256: String,
}

impl Sealed {
    /// Reads the run record.
    ///
    /// Errors: [`Error::Input`] if there is none, it was damaged, or it names what lies outside the folder.
    pub fn open(folder: &Path) -> Result<Sealed, Error> {
        let path = disk::inside(folder, folder::RECORD)?;
        let text = fs::read(&path).map_err(|e| Error::read(&path, e))?;
        let outputs = match folder::outputs(&text) {
            Ok(outputs) => outputs,
            Err(what) => {
                check_schema(&path, &text, folder::SCHEMA)?;
                return Err(Error::input(&path, what));
            }
        };
        let listed = outputs.into_iter().map(|l| (l.file.clone(), l)).collect();
        Ok(Sealed { folder: folder.to_path_buf(), listed, record_sha256: sha256(&text) })
    }

    /// SHA-256 of the run record itself, as it was read.
    pub fn record_sha256(&self) -> &str {
        &self.record_sha256
    }

    pub fn folder(&self) -> &Path {
        &self.folder
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    /// Names of all files, sorted.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.listed.keys().map(String::as_str)
    }

    pub fn listed(&self, name: &str) -> Option<&Listed> {
        self.listed.get(name)
    }

    /// The file that has this SHA-256.
    pub fn with_hash(&self, sha256: &str) -> Option<&Listed> {
        self.listed.values().find(|l| l.sha256 == sha256)
    }

    /// The bytes of a file, if they are those that were written.
    ///
    /// Errors: [`Error::Input`] if it is not listed, missing, behind a link, or was changed; [`Error::Read`].
    pub fn read(&self, name: &str) -> Result<Vec<u8>, Error> {
        let listed = self.listed.get(name).ok_or_else(|| {
            Error::input(&self.path(name), "is not listed in run.json; restore the folder from a copy")
        })?;
        let path = disk::inside(&self.folder, name)?;
        let bytes = fs::read(&path).map_err(|e| Error::read(&path, e))?;
        if bytes.len() as u64 != listed.bytes || sha256(&bytes) != listed.sha256 {
            let what = "was changed or damaged since quorate wrote it; restore it from a copy of the folder";
            return Err(Error::input(&path, what));
        }
        Ok(bytes)
    }

    /// A record of the schema named `wanted`, such as `quorate/take/1`.
    pub fn json<T: DeserializeOwned>(&self, name: &str, wanted: &str) -> Result<T, Error> {
        let bytes = self.read(name)?;
        check_schema(&self.path(name), &bytes, wanted)?;
        serde_json::from_slice(&bytes).map_err(|e| Error::input(&self.path(name), format!("is no {wanted}: {e}")))
    }
}

#[derive(serde::Deserialize)]
struct Schema {
    schema: String,
}

/// Whether a record is of the schema `wanted`, by its `schema` field. The version is the part behind the last slash.
///
/// Errors: [`Error::Limit`] for a newer version, [`Error::Input`] for anything else.
pub fn check_schema(path: &Path, bytes: &[u8], wanted: &str) -> Result<(), Error> {
    let Ok(Schema { schema }) = serde_json::from_slice(bytes) else {
        return Err(Error::input(path, format!("is no {wanted}: it does not say what it is; restore it from a copy")));
    };
    if schema == wanted {
        return Ok(());
    }
    let parts = |s: &str| s.rsplit_once('/').map(|(kind, version)| (kind.to_string(), version.parse::<u32>().ok()));
    match (parts(&schema), parts(wanted)) {
        (Some((kind, Some(version))), Some((known, Some(own)))) if kind == known && version > own => Err(Error::limit(
            path,
            format!(
                "was written by a newer quorate: it is {}, and this one ({}) reads up to {wanted}; use the newer one",
                shown(&schema),
                env!("CARGO_PKG_VERSION")
            ),
        )),
        _ => Err(Error::input(path, format!("is {}, where {wanted} was expected", shown(&schema)))),
    }
}
