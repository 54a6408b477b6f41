//! The run record of a folder, and what may be believed of the fields of any record.
//!
//! A record may come from anywhere: a copy, a colleague, somebody who means harm. A name of a file in it is taken only if it
//! leads nowhere but into its own folder, and a hash only if it is one.

use std::path::Path;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};
use sha2::{Digest, Sha256};

use crate::Error;

/// The file that says that a folder is ours, and lists what is in it.
pub const RECORD: &str = "run.json";
pub const SCHEMA: &str = "quorate/run/1";

/// A file of the result as the run record lists it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Listed {
    /// Relative to the folder, with `/`.
    #[serde(deserialize_with = "inner")]
    pub file: String,
    pub bytes: u64,
    #[serde(deserialize_with = "hash")]
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

/// The files that a run record lists. If it is none of ours, was changed, or names what it may not, the error says which,
/// in words that go behind its name.
pub fn outputs(text: &[u8]) -> Result<Vec<Listed>, String> {
    let changed = || "was changed since quorate wrote it; restore it from a copy".to_string();
    let text = std::str::from_utf8(text).map_err(|_| changed())?;
    let at = text.rfind(SEAL).ok_or_else(changed)?;
    let seal = text[at + SEAL.len()..].strip_suffix(END);
    if seal != Some(hex(&Sha256::digest(&text.as_bytes()[..at])).as_str()) {
        return Err(changed());
    }
    let record = parse(text.as_bytes())?;
    if record.schema == SCHEMA { Ok(record.outputs) } else { Err(changed()) }
}

/// As [`outputs`]; the first results had no seal.
pub(super) fn outputs_of_any_age(text: &[u8]) -> Result<Vec<Listed>, String> {
    match parse(text) {
        Ok(record) if record.schema == SCHEMA && record.seal.is_none() => Ok(record.outputs),
        _ => outputs(text),
    }
}

fn parse(text: &[u8]) -> Result<Record, String> {
    serde_json::from_slice(text).map_err(|e| format!("can't be believed: {e}; restore it from a copy"))
}

/// The schema that a record says it has.
pub(super) fn schema(text: &[u8]) -> Option<String> {
    #[derive(Deserialize)]
    struct Schema {
        schema: String,
    }
    serde_json::from_slice::<Schema>(text).ok().map(|s| s.schema)
}

/// Whether a schema is a later one of [`SCHEMA`]'s.
pub(super) fn is_newer(schema: &str) -> bool {
    let version = |schema: &str| schema.strip_prefix("quorate/run/").and_then(|v| v.parse::<u32>().ok());
    version(schema) > version(SCHEMA)
}

pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// Whether a name leads to a file within the folder it is told of, on every system: plain parts with `/` between them.
pub fn is_inner(name: &str) -> bool {
    // a colon names a disk or a hidden stream on Windows
    let plain = |c: char| !c.is_control() && !matches!(c, '\\' | ':');
    name.split('/').all(|part| !matches!(part, "" | "." | "..")) && name.chars().all(plain)
}

/// Whether a text is a hash of 256 bits as quorate writes it: 64 hexadecimal digits, in lower case.
pub fn is_hash(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
}

/// For `serde`: a name that [`is_inner`].
pub fn inner<'de, D: Deserializer<'de>>(deserializer: D) -> Result<String, D::Error> {
    let name = String::deserialize(deserializer)?;
    if is_inner(&name) { Ok(name) } else { Err(outside(&name)) }
}

/// For `serde`: none, or a name that [`is_inner`].
pub fn inner_or_none<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<String>, D::Error> {
    let name = Option::<String>::deserialize(deserializer)?;
    match name {
        Some(name) if !is_inner(&name) => Err(outside(&name)),
        name => Ok(name),
    }
}

fn outside<E: serde::de::Error>(name: &str) -> E {
    E::custom(format!("{name:?} is no name of a file in its folder"))
}

/// For `serde`: a text that [`is_hash`].
pub fn hash<'de, D: Deserializer<'de>>(deserializer: D) -> Result<String, D::Error> {
    let text = String::deserialize(deserializer)?;
    if is_hash(&text) { Ok(text) } else { Err(D::Error::custom(format!("{text:?} is no hash of 64 digits"))) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_of_plain_parts_stay_in_their_folder() {
        for name in ["run.json", "programs/01-TIDE.prg", "takes/0123/bits.npy", "..a", "a../b", "...", "côté 1.txt"] {
            assert!(is_inner(name), "{name}");
        }
        for name in [
            "",
            "/",
            "/etc/tide",
            "a/",
            "a//b",
            ".",
            "./a",
            "a/.",
            "..",
            "../a",
            "a/../b",
            "history/../../a",
            "a\\b",
            "c:a",
            "a\nb",
            "a\0b",
        ] {
            assert!(!is_inner(name), "{name:?}");
        }
    }

    #[test]
    fn only_64_small_digits_are_a_hash() {
        let hash = "0123456789abcdef".repeat(4);
        assert!(is_hash(&hash));
        for text in [&hash[1..], &hash.to_uppercase(), &(hash.clone() + "0"), &hash.replace('0', "g"), "", "../../x"] {
            assert!(!is_hash(text), "{text}");
        }
    }
}
