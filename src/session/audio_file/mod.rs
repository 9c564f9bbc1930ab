//! A file of sound from anywhere, piece by piece: music, recordings made elsewhere. WAV (RIFF, RF64, BW64; 8 to 32 bits, float of 32
//! or 64) or FLAC (with the feature `music`). What kind it is its first bytes say, not its name.
//!
//! A header may state more frames than there are, since recorders lose power and copies are cut off: all that is there is
//! given, and whoever reads decides what the difference means.

mod flac;
mod wav;

pub(super) use flac::bytes as flac_bytes;

use super::plain_file;
use crate::units::{BadSampleRate, SampleRate};
use std::io::Read;
use std::path::Path;

/// Frames that are read at a time.
const PIECE_FRAMES: usize = 1 << 16;
/// Most channels.
const MOST_CHANNELS: usize = 64;

/// Why a file cannot be read as sound.
#[derive(Debug, thiserror::Error)]
pub enum AudioFileError {
    /// The disk.
    #[error("it cannot be read ({0})")]
    Disk(#[from] std::io::Error),
    /// No byte in it.
    #[error("the file is empty")]
    Empty,
    /// Another kind of file: what it begins like.
    #[error("it is neither WAV nor FLAC, {0}; convert it to one of them without changing its rate")]
    OtherKind(&'static str),
    /// Samples that are not read: which, and what to do.
    #[error("{0}")]
    Samples(String),
    /// Its header or its samples are damaged.
    #[error("it is broken: {0}; make it again or take another copy")]
    Broken(String),
    /// More channels than anything has, or none.
    #[error("it has {0} channels; a recording has 1 to {MOST_CHANNELS}")]
    Channels(usize),
    /// A rate that no card has.
    #[error("{0}")]
    Rate(#[from] BadSampleRate),
}

/// Kinds of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileKind {
    /// RIFF, RF64 or BW64.
    Wav,
    /// FLAC.
    Flac,
}

/// Beginnings of other files that are taken for sound.
const OTHERS: [(usize, &[u8], &str); 6] = [
    (0, b"ID3", "it begins like an MP3 (or with an ID3 tag)"),
    (0, b"\xff\xfb", "it begins like an MP3"),
    (0, b"\xff\xf1", "it begins like AAC"),
    (0, b"OggS", "it begins like Ogg"),
    (4, b"ftyp", "it begins like MP4"),
    (0, b"FORM", "it begins like AIFF"),
];

impl FileKind {
    /// Of these first bytes.
    fn of(first: &[u8]) -> Result<FileKind, AudioFileError> {
        let wave = [b"RIFF", b"RF64", b"BW64"].iter().any(|mark| first.starts_with(*mark));
        if first.is_empty() {
            Err(AudioFileError::Empty)
        } else if first.starts_with(b"fLaC") {
            Ok(FileKind::Flac)
        } else if wave && first.get(8..12) == Some(b"WAVE") {
            Ok(FileKind::Wav)
        } else {
            let other = OTHERS.iter().find(|(at, mark, _)| first.get(*at..at + mark.len()) == Some(*mark));
            Err(AudioFileError::OtherKind(other.map_or("whatever its name says", |(_, _, words)| words)))
        }
    }

    /// As people write it.
    pub fn word(self) -> &'static str {
        match self {
            FileKind::Wav => "WAV",
            FileKind::Flac => "FLAC",
        }
    }

    /// Endings that such a file is given.
    pub fn endings(self) -> &'static [&'static str] {
        match self {
            FileKind::Wav => &["wav", "wave", "bwf", "rf64"],
            FileKind::Flac => &["flac", "fla"],
        }
    }
}

/// A file of sound, opened.
pub struct AudioFile {
    /// Name of the file, without its folder.
    pub name: String,
    /// What it is.
    pub kind: FileKind,
    /// Its rate.
    pub rate: SampleRate,
    /// Its channels.
    pub channels: usize,
    /// What it holds, in words.
    pub format: String,
    /// Frames that its header states, where it does.
    pub stated_frames: Option<u64>,
    pieces: Pieces,
}

/// Its samples.
enum Pieces {
    Wav(wav::Samples),
    #[cfg(feature = "music")]
    Flac(Box<flac::Samples>),
}

impl AudioFile {
    /// Opens a file.
    ///
    /// # Errors
    /// [`AudioFileError`]; it does not name the file.
    pub fn open(path: &Path) -> Result<AudioFile, AudioFileError> {
        let mut first = Vec::new();
        plain_file::open(path)?.take(12).read_to_end(&mut first)?;
        let opened = match FileKind::of(&first)? {
            FileKind::Wav => wav::open(plain_file::open(path)?),
            FileKind::Flac => flac::open(plain_file::open(path)?),
        };
        opened.map(|file| AudioFile { name: name_of(path), ..file })
    }

    fn new(
        kind: FileKind,
        (rate, channels): (u32, usize),
        format: String,
        stated_frames: Option<u64>,
        pieces: Pieces,
    ) -> Result<AudioFile, AudioFileError> {
        if !(1..=MOST_CHANNELS).contains(&channels) {
            return Err(AudioFileError::Channels(channels));
        }
        Ok(AudioFile {
            name: String::new(),
            kind,
            rate: SampleRate::new(rate)?,
            channels,
            format,
            stated_frames,
            pieces,
        })
    }

    /// The next piece, one vector per channel in units of full scale; `None` after the last.
    ///
    /// # Errors
    /// [`AudioFileError`] where the file is damaged.
    pub fn next_piece(&mut self) -> Result<Option<Vec<Vec<f64>>>, AudioFileError> {
        match &mut self.pieces {
            Pieces::Wav(samples) => samples.next(self.channels),
            #[cfg(feature = "music")]
            Pieces::Flac(samples) => samples.next(self.channels),
        }
    }

    /// True where a file that was read to its end does not hold what was encoded: the checksum of all samples differs.
    pub fn is_altered(&mut self) -> bool {
        match &mut self.pieces {
            Pieces::Wav(_) => false,
            #[cfg(feature = "music")]
            Pieces::Flac(samples) => samples.is_altered(),
        }
    }
}

/// The name of a file, without its folder.
fn name_of(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned())
}
