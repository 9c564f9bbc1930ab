//! The listener's own music: a WAV or FLAC file, measured as it is read. Nothing of it is kept but the figures, the
//! file's name and a hash.

use super::plain_file;
use crate::analysis::music::{Meter, Piece, PowerGain};
use crate::fingerprint;
use crate::units::SampleRate;
use crossbeam_channel::bounded;
use serde::{Deserialize, Serialize};
use std::io::{ErrorKind, Read};
use std::path::Path;
use symphonia::core::audio::GenericAudioBufferRef;
use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::errors::Error as Decoding;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::MediaSourceStream;
use symphonia::default::formats::{FlacReader, WavReader};

/// Frames that are decoded at a time.
const PIECE_FRAMES: usize = 1 << 16;
/// So many of them may wait for the meter.
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
    /// The disk.
    #[error("it cannot be read ({0})")]
    Disk(#[from] std::io::Error),
    /// No byte in it.
    #[error("the file is empty")]
    Empty,
    /// Another kind of file.
    #[error("it is neither WAV nor FLAC, {0}; convert it to one of them")]
    Kind(String),
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
    #[error("it ends after {got_s:.1} s, its header says {told_s:.1} s: it was cut off; take another copy")]
    CutOff {
        /// Seconds read.
        got_s: f64,
        /// Seconds announced.
        told_s: f64,
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
        let piece = read(path, found, gains);
        (hash.join().unwrap_or_else(|_| Err(ErrorKind::Other.into())), piece)
    });
    let piece = piece.map_err(named)?;
    let hash = hash.map_err(|e| named(e.into()))?;
    let file = path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned());
    Ok(Music { file, hash, mislabelled: found.mislabelled(path), piece })
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

    fn open(self, source: MediaSourceStream<'static>) -> Result<Box<dyn FormatReader>, Decoding> {
        let options = FormatOptions::default();
        Ok(match self {
            Kind::Wav => Box::new(WavReader::try_new(source, options)?),
            Kind::Flac => Box::new(FlacReader::try_new(source, options)?),
        })
    }
}

fn read(path: &Path, kind: Kind, gains: &[PowerGain<'_>]) -> Result<Piece, NoMusic> {
    let broken = |error: Decoding, at_s: f64| NoMusic::Broken { kind: kind.word(), what: error.to_string(), at_s };
    let at_start = |error| broken(error, 0.0);
    let source = MediaSourceStream::new(Box::new(plain_file::open(path)?), Default::default());
    let mut format = kind.open(source).map_err(at_start)?;
    let nothing = || broken(Decoding::Unsupported("no track of samples"), 0.0);
    let track = format.default_track(TrackType::Audio).ok_or_else(nothing)?;
    let parameters = track.codec_params.as_ref().and_then(|p| p.audio()).ok_or_else(nothing)?;
    let rate = SampleRate::new(parameters.sample_rate.ok_or_else(nothing)?)?;
    let seconds = |frames: u64| frames as f64 / rate.hz();
    let announced = track.num_frames;
    let options = AudioDecoderOptions::default().verify(true);
    let mut decoder = symphonia::default::get_codecs().make_audio_decoder(parameters, &options).map_err(at_start)?;

    // The decoder runs ahead on a thread of its own, by a few pieces at most.
    let (decoded, pieces) = bounded(PIECES_AHEAD);
    let mut frames = 0u64;
    let mut meter: Option<Meter> = None;
    let verified = std::thread::scope(|scope| -> Result<Option<bool>, NoMusic> {
        let decoding = scope.spawn(move || -> Result<Option<bool>, Decoding> {
            let mut piece: Vec<Vec<f64>> = Vec::new();
            loop {
                let packet = match format.next_packet() {
                    Ok(Some(packet)) => packet,
                    Ok(None) => break,
                    // The count of frames tells how much is missing.
                    Err(Decoding::IoError(error)) if error.kind() == ErrorKind::UnexpectedEof => break,
                    Err(error) => return Err(error),
                };
                append(&decoder.decode(&packet)?, &mut piece);
                if piece.first().is_some_and(|channel| channel.len() >= PIECE_FRAMES)
                    && decoded.send(std::mem::take(&mut piece)).is_err()
                {
                    // Nobody listens any more: what is wrong is known already.
                    return Ok(None);
                }
            }
            let _ = decoded.send(piece);
            Ok(decoder.finalize().verify_ok)
        });
        for piece in pieces {
            if !(1..=2).contains(&piece.len()) && !piece.is_empty() {
                return Err(NoMusic::Channels(piece.len()));
            }
            if piece.iter().flatten().any(|x| !x.is_finite()) {
                return Err(NoMusic::NotFinite);
            }
            frames += piece.first().map_or(0, Vec::len) as u64;
            meter.get_or_insert_with(|| Meter::new(rate, piece.len(), gains)).push(&piece);
        }
        let stopped = |_| broken(Decoding::Unsupported("the decoder stopped"), seconds(frames));
        decoding.join().map_err(stopped)?.map_err(|error| broken(error, seconds(frames)))
    })?;
    if let Some(told) = announced.filter(|told| *told > frames) {
        return Err(NoMusic::CutOff { got_s: seconds(frames), told_s: seconds(told) });
    }
    if verified == Some(false) {
        return Err(NoMusic::Altered);
    }
    let piece = meter.filter(|_| frames > 0).ok_or(NoMusic::NoSamples)?.finish();
    if piece.level_dbfs().is_none() { Err(NoMusic::Silent) } else { Ok(piece) }
}

/// Appends to one vector per channel, in units of full scale.
fn append(buffer: &GenericAudioBufferRef<'_>, to: &mut Vec<Vec<f64>>) {
    let mut new: Vec<Vec<f64>> = vec![Vec::new(); buffer.spec().channels().count()];
    buffer.copy_to_vecs_planar(&mut new);
    to.resize(new.len().max(to.len()), Vec::new());
    to.iter_mut().zip(new).for_each(|(to, new)| to.extend(new));
}
