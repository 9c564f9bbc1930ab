//! `SHA256SUMS`: the hash of every file that was measured (head, periods, recordings, steps), a line each, in the plain form that
//! `sha256sum -c` reads. Events are not in it: notes are added for as long as the session is kept.
//!
//! It is written after each step, as the summary is. Power that fails before it costs the lines of that step, which are added
//! when the session is taken up again. What stands in it is never computed anew from a file that may have been changed since.

use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::path::Path;

/// SHA-256 (FIPS 180-4) as 64 hexadecimal digits.
pub fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Hashes by the path inside the session, `/` between its parts.
#[derive(Clone, Debug, Default)]
pub struct Sums(BTreeMap<String, String>);

impl Sums {
    /// What is in the file; a line that is not ours is passed over.
    pub fn read(bytes: &[u8]) -> Sums {
        let text = String::from_utf8_lossy(bytes);
        let line = |line: &str| {
            let (hash, path) = line.split_once("  ")?;
            let is_hash = hash.len() == 64 && hash.bytes().all(|b| b.is_ascii_hexdigit());
            is_hash.then(|| (path.to_string(), hash.to_string()))
        };
        Sums(text.lines().filter_map(line).collect())
    }

    /// The file.
    pub fn text(&self) -> String {
        self.0.iter().map(|(path, hash)| format!("{hash}  {path}\n")).collect()
    }

    /// True where the file is listed.
    pub fn has(&self, path: &str) -> bool {
        self.0.contains_key(path)
    }

    /// Lists a file, in the place of what was listed of it.
    pub fn list(&mut self, path: String, hash: String) {
        self.0.insert(path, hash);
    }

    /// Nothing below this folder is listed any more.
    pub fn leave_out(&mut self, folder: &str) {
        self.0.retain(|path, _| !path.strip_prefix(folder).is_some_and(|rest| rest.starts_with('/')));
    }
}

/// A path inside the session as it is listed.
pub fn listed(folder: &Path, path: &Path) -> String {
    let inside = path.strip_prefix(folder).unwrap_or(path);
    let parts: Vec<_> = inside.iter().map(|part| part.to_string_lossy()).collect();
    parts.join("/")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4 examples as published by NIST: the empty message and "abc".
    #[test]
    fn sha256_gives_the_published_digests() {
        assert_eq!(sha256(b""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
        assert_eq!(sha256(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }

    #[test]
    fn what_is_listed_reads_back_and_a_step_can_be_left_out() {
        let mut sums = Sums::default();
        for path in ["session.json", "steps/0001/step.json", "steps/0001/pink-1.wav", "steps/00010/step.json"] {
            sums.list(path.into(), sha256(path.as_bytes()));
        }
        assert_eq!(Sums::read(sums.text().as_bytes()).text(), sums.text());
        sums.leave_out("steps/0001");
        assert_eq!(sums.text().lines().count(), 2);
        assert!(sums.has("steps/00010/step.json") && !sums.has("steps/0001/step.json"));
        assert_eq!(Sums::read(b"not a hash  file\n\xff\n").text(), "");
    }
}
