//! The listener's own music: a WAV or FLAC file, measured as it is read. Nothing of it is kept but the figures, the
//! file's name and a hash.

use super::plain_file;
use crate::analysis::music::{Piece, PowerGain};
use crate::fingerprint;
use serde::{Deserialize, Serialize};
use std::io::{ErrorKind, Read};
use std::path::Path;

#[cfg(feature = "music")]
mod decode;

/// A piece and where it came from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Music {
    /// Name of the file, without its folder.
    pub file: String,
    /// Hash of its bytes (FNV-1a, 64 bits).
    pub hash: String,
    /// Where its name says something else than its contents, in words.
    pub mislabelled: Option<String>,
    /// What it holds.
    pub piece: Piece,
}

/// Why a file is no piece of music.
#[derive(Debug, thiserror::Error)]
#[error("{file}: {why}")]
pub struct MusicError {
    /// The file, as it was named.
    pub file: String,
    /// What is wrong with it.
    pub why: NoMusic,
}

/// What is wrong with a file.
#[derive(Debug, thiserror::Error)]
pub enum NoMusic {
    /// The disk.
    #[error("it cannot be read ({0})")]
    Disk(#[from] std::io::Error),
    /// No byte in it.
    #[error("the file is empty")]
    Empty,
    /// Another kind of file.
    #[error("it is neither WAV nor FLAC, {0}; convert it to one of them")]
    Kind(String),
    /// This build has no decoder.
    #[error("this program was built without music; build it with the feature `music`")]
    NotBuiltIn,
    /// The decoder gave up.
    #[error("it is broken: {what} after {at_s:.1} s of {kind}; make it again or take another copy")]
    Broken {
        /// WAV or FLAC.
        kind: &'static str,
        /// What the decoder says.
        what: String,
        /// How far it came.
        at_s: f64,
    },
    /// Fewer samples than its header says.
    #[error("it ends after {got_s:.1} s, its header says {stated_s:.1} s: it was cut off; take another copy")]
    CutOff {
        /// Seconds read.
        got_s: f64,
        /// Seconds announced.
        stated_s: f64,
    },
    /// A FLAC whose samples are not those that were encoded.
    #[error("its samples are not those that were encoded (MD5 of the FLAC differs); take another copy")]
    Altered,
    /// Channels that a headphone has no place for.
    #[error("it has {0} channels; music for a headphone has one or two: mix it down first")]
    Channels(usize),
    /// A rate no card has.
    #[error("{0}")]
    Rate(#[from] crate::units::BadSampleRate),
    /// No sample.
    #[error("it has a header and no sound")]
    NoSamples,
    /// Digital zero all through.
    #[error("it is silent: every sample is zero")]
    Silent,
    /// Float samples that are no numbers.
    #[error("it holds samples that are not finite numbers")]
    NotFinite,
}

/// Reads a file and measures it, as loud as each of these gains makes it.
///
/// # Errors
/// [`MusicError`] names the file and what is wrong with it.
pub fn measure(path: &Path, gains: &[PowerGain<'_>]) -> Result<Music, MusicError> {
    let named = |why: NoMusic| MusicError { file: path.display().to_string(), why };
    let found = Kind::of(path).map_err(named)?;
    let (hash, piece) = std::thread::scope(|scope| {
        let hash = scope.spawn(|| plain_file::open(path).and_then(fingerprint::of_reader));
        let piece = decoded(path, found, gains);
        (hash.join().unwrap_or_else(|_| Err(ErrorKind::Other.into())), piece)
    });
    let piece = piece.map_err(named)?;
    let hash = hash.map_err(|e| named(e.into()))?;
    let file = path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned());
    Ok(Music { file, hash, mislabelled: found.mislabelled(path), piece })
}

#[cfg(feature = "music")]
fn decoded(path: &Path, kind: Kind, gains: &[PowerGain<'_>]) -> Result<Piece, NoMusic> {
    decode::read(path, kind, gains)
}

#[cfg(not(feature = "music"))]
fn decoded(_: &Path, _: Kind, _: &[PowerGain<'_>]) -> Result<Piece, NoMusic> {
    Err(NoMusic::NotBuiltIn)
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Wav,
    Flac,
}

/// Beginnings of other files that are taken for music.
const OTHERS: [(usize, &[u8], &str); 8] = [
    (0, b"ID3", "it begins like an MP3 (or with an ID3 tag)"),
    (0, b"\xff\xfb", "it begins like an MP3"),
    (0, b"\xff\xf1", "it begins like AAC"),
    (0, b"OggS", "it begins like Ogg"),
    (4, b"ftyp", "it begins like MP4"),
    (0, b"FORM", "it begins like AIFF"),
    (0, b"RF64", "it begins like RF64 (a WAV over 4 GiB)"),
    (0, b"BW64", "it begins like BW64 (a WAV over 4 GiB)"),
];

impl Kind {
    /// By its first bytes, not by its name.
    fn of(path: &Path) -> Result<Kind, NoMusic> {
        let mut first = Vec::new();
        plain_file::open(path)?.take(12).read_to_end(&mut first)?;
        if first.is_empty() {
            return Err(NoMusic::Empty);
        }
        if first.starts_with(b"fLaC") {
            return Ok(Kind::Flac);
        }
        if first.starts_with(b"RIFF") && first.get(8..12) == Some(b"WAVE") {
            return Ok(Kind::Wav);
        }
        let other = OTHERS.iter().find(|(at, mark, _)| first.get(*at..at + mark.len()) == Some(*mark));
        Err(NoMusic::Kind(other.map_or("whatever its name says", |(_, _, words)| words).into()))
    }

    fn word(self) -> &'static str {
        match self {
            Kind::Wav => "WAV",
            Kind::Flac => "FLAC",
        }
    }

    fn mislabelled(self, path: &Path) -> Option<String> {
        let ending = path.extension()?.to_string_lossy().to_lowercase();
        let fits: &[&str] = match self {
            Kind::Wav => &["wav", "wave", "bwf"],
            Kind::Flac => &["flac", "fla"],
        };
        (!fits.contains(&ending.as_str())).then(|| format!("the file is named .{ending} and holds {}", self.word()))
    }
}
