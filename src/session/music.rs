//! The listener's own music: a WAV or FLAC file, measured as it is read. Nothing of it is kept but the figures, the
//! file's name and a hash.

use super::audio_file::{AudioFile, AudioFileError};
use super::plain_file;
use crate::analysis::music::{Meter, Piece, PowerGain};
use crate::fingerprint;
use crossbeam_channel::bounded;
use serde::{Deserialize, Serialize};
use std::io::ErrorKind;
use std::path::Path;

/// Pieces that may wait for the meter.
const PIECES_AHEAD: usize = 4;

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
    /// It is no file of sound.
    #[error("{0}")]
    File(#[from] AudioFileError),
    /// Its samples cannot be read to the end.
    #[error("after {at_s:.1} s {why}")]
    Broken {
        /// What is wrong.
        why: AudioFileError,
        /// How far it was read.
        at_s: f64,
    },
    /// Fewer samples than its header says.
    #[error("it ends after {got_s:.1} s, its header says {stated_s:.1} s: it was cut off; take another copy")]
    CutOff {
        /// Seconds read.
        got_s: f64,
        /// Seconds stated.
        stated_s: f64,
    },
    /// A FLAC whose samples are not those that were encoded.
    #[error("its samples are not those that were encoded (MD5 of the FLAC differs); take another copy")]
    Altered,
    /// Channels that a headphone has no place for.
    #[error("it has {0} channels; music for a headphone has one or two: mix it down first")]
    Channels(usize),
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
    let file = AudioFile::open(path).map_err(|why| named(why.into()))?;
    let (name, mislabelled) = (file.name.clone(), mislabelled(&file, path));
    let (hash, piece) = std::thread::scope(|scope| {
        let hash = scope.spawn(|| plain_file::open(path).and_then(fingerprint::of_reader));
        let piece = piece(file, gains);
        (hash.join().unwrap_or_else(|_| Err(ErrorKind::Other.into())), piece)
    });
    let piece = piece.map_err(named)?;
    let hash = hash.map_err(|e| named(AudioFileError::from(e).into()))?;
    Ok(Music { file: name, hash, mislabelled, piece })
}

fn mislabelled(file: &AudioFile, path: &Path) -> Option<String> {
    let ending = path.extension()?.to_string_lossy().to_lowercase();
    let fits = file.kind.endings().contains(&ending.as_str());
    (!fits).then(|| format!("the file is named .{ending} and holds {}", file.kind.word()))
}

/// Measures the samples as they are read; the reader runs ahead on a thread of its own, by a few pieces at most.
fn piece(mut file: AudioFile, gains: &[PowerGain<'_>]) -> Result<Piece, NoMusic> {
    if !(1..=2).contains(&file.channels) {
        return Err(NoMusic::Channels(file.channels));
    }
    let (rate, stated) = (file.rate, file.stated_frames);
    let seconds = |frames: u64| frames as f64 / rate.hz();
    let mut meter = Meter::new(rate, file.channels, gains);
    let mut frames = 0;
    let (read, pieces) = bounded(PIECES_AHEAD);
    let altered = std::thread::scope(|scope| {
        let reading = scope.spawn(move || {
            while let Some(piece) = file.next_piece()? {
                // Nobody listens any more: what is wrong is known already.
                if read.send(piece).is_err() {
                    break;
                }
            }
            Ok(file.is_altered())
        });
        for piece in pieces {
            if piece.iter().flatten().any(|x: &f64| !x.is_finite()) {
                return Err(NoMusic::NotFinite);
            }
            frames += piece.first().map_or(0, Vec::len) as u64;
            meter.push(&piece);
        }
        let stopped = |_| Err(AudioFileError::Broken("its decoder stopped".into()));
        let ended = reading.join().unwrap_or_else(stopped);
        ended.map_err(|why| NoMusic::Broken { why, at_s: seconds(frames) })
    })?;
    if let Some(stated) = stated.filter(|stated| *stated > frames) {
        return Err(NoMusic::CutOff { got_s: seconds(frames), stated_s: seconds(stated) });
    }
    if altered {
        return Err(NoMusic::Altered);
    }
    if frames == 0 {
        return Err(NoMusic::NoSamples);
    }
    let piece = meter.finish();
    if piece.level_dbfs().is_none() { Err(NoMusic::Silent) } else { Ok(piece) }
}
