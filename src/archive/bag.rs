//! The files that make a folder a BagIt bag (RFC 8493, version 1.0), as text.

use std::fmt::Write;

/// `bagit.txt`: exactly two lines (RFC 8493, 2.1.1).
pub const DECLARATION: &str = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";

/// A file with both of its hashes, in lower-case hexadecimal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hashed {
    /// From the folder of the bag, with `/`.
    pub path: String,
    pub bytes: u64,
    pub sha256: String,
    pub sha512: String,
}

/// The two hashes a bag carries; sha512 is what RFC 8493, 2.4 asks of every writer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Algorithm {
    Sha256,
    Sha512,
}

impl Algorithm {
    pub const ALL: [Algorithm; 2] = [Algorithm::Sha256, Algorithm::Sha512];

    /// As file names of manifests spell it.
    pub fn name(self) -> &'static str {
        match self {
            Algorithm::Sha256 => "sha256",
            Algorithm::Sha512 => "sha512",
        }
    }

    fn of(self, file: &Hashed) -> &str {
        match self {
            Algorithm::Sha256 => &file.sha256,
            Algorithm::Sha512 => &file.sha512,
        }
    }
}

/// A manifest: one line a file, in the order of the paths.
pub fn manifest(algorithm: Algorithm, files: &[Hashed]) -> String {
    let mut files: Vec<&Hashed> = files.iter().collect();
    files.sort_by(|a, b| a.path.cmp(&b.path));
    files.iter().fold(String::new(), |mut text, file| {
        let _ = writeln!(text, "{}  {}", algorithm.of(file), encoded(&file.path));
        text
    })
}

/// A path as manifests write it: line feed, carriage return and the percent sign, and only these, percent-encoded
/// (RFC 8493, 2.1.3).
pub fn encoded(path: &str) -> String {
    path.replace('%', "%25").replace('\n', "%0A").replace('\r', "%0D")
}

/// `bag-info.txt`. A label must not be empty nor hold a colon or a line end; in values a line end becomes a space, so
/// that no value can pose as another label (RFC 8493, 2.2.2).
pub fn info(entries: &[(&str, String)]) -> String {
    entries.iter().fold(String::new(), |mut text, (label, value)| {
        debug_assert!(!label.is_empty() && !label.contains([':', '\n', '\r']), "a label of our own: {label:?}");
        let words: Vec<&str> = value.split(['\n', '\r']).map(str::trim).filter(|part| !part.is_empty()).collect();
        let _ = writeln!(text, "{label}: {}", words.join(" "));
        text
    })
}

/// `Payload-Oxum`: octets and number of streams of the payload.
pub fn oxum(payload: &[Hashed]) -> String {
    format!("{}.{}", payload.iter().map(|f| f.bytes).sum::<u64>(), payload.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Hashes of "abc", from FIPS 180-2, appendices B.1 and C.1 (from memory; `sha256sum` agrees).
    fn abc(path: &str) -> Hashed {
        Hashed {
            path: path.into(),
            bytes: 3,
            sha256: "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad".into(),
            sha512: "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a\
                     2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f"
                .into(),
        }
    }

    #[test]
    fn manifests_are_sorted_and_encode_three_characters() {
        let files = [abc("data/z"), abc("data/a\r\n 100%25 ü.wav")];
        let lines: Vec<String> = manifest(Algorithm::Sha256, &files).lines().map(str::to_owned).collect();
        assert_eq!(lines[0], format!("{}  data/a%0D%0A 100%2525 ü.wav", files[0].sha256));
        assert_eq!(lines[1], format!("{}  data/z", files[0].sha256));
        assert_eq!(lines.len(), 2);
        assert!(manifest(Algorithm::Sha512, &files).starts_with("ddaf35a1"));
        assert_eq!(oxum(&files), "6.2");
    }

    #[test]
    fn a_value_cannot_pose_as_a_label() {
        let text = info(&[("External-Description", "tide tables\r\nPayload-Oxum: 0.0\n\n".into())]);
        assert_eq!(text, "External-Description: tide tables Payload-Oxum: 0.0\n");
    }
}
