//! A recording made elsewhere, piece by piece: WAV (RIFF, RF64, BW64; 16, 24 or 32 bits, float of 32 or 64; whatever its
//! header says of its length) or FLAC.
//!
//! The layout of WAV is that of "Multimedia Programming Interface and Data Specifications 1.0" (1991), of RF64 and BW64 that
//! of EBU Tech 3306 and ITU-R BS.2088 (chunk `ds64`: sizes in 64 bits), from memory. Recorders that lose power leave a length
//! of 0 or of all ones: then the samples go on to the end of the file.

use crate::fingerprint;
use crate::session::plain_file;
use crate::units::SampleRate;
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;

/// Frames that are read at a time.
pub(super) const PIECE_FRAMES: usize = 1 << 16;
/// Most channels.
const MOST_CHANNELS: usize = 64;
/// Largest `fmt ` chunk that is believed, bytes.
const LARGEST_FORMAT: u64 = 4096;

/// Why a file is no recording.
#[derive(Debug, thiserror::Error)]
#[error("{file}: {why}")]
pub struct RecordingError {
    /// The file, as it was named.
    pub file: String,
    /// What is wrong with it.
    pub why: String,
}

/// A recording, opened.
pub struct Recording {
    /// Name of the file, without its folder.
    pub file: String,
    /// Fingerprint of its bytes.
    pub hash: String,
    /// Its rate.
    pub rate: SampleRate,
    /// Its channels.
    pub channels: usize,
    /// What it holds, in words.
    pub format: String,
    /// Its frames, where it tells.
    pub frames: Option<u64>,
    pieces: Pieces,
    path: String,
}

/// Its samples.
pub enum Pieces {
    /// Of a WAV.
    Wav(Samples),
    /// Of a FLAC.
    #[cfg(feature = "music")]
    Flac(super::flac::Samples),
}

/// Samples of a WAV as they lie in the file.
pub struct Samples {
    from: std::io::Take<BufReader<File>>,
    kind: Kind,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Unsigned8,
    Int16,
    Int24,
    Int32,
    Float32,
    Float64,
}

impl Kind {
    fn of(tag: u16, bits: u16) -> Result<Kind, String> {
        match (tag, bits) {
            (1, 8) => Ok(Kind::Unsigned8),
            (1, 16) => Ok(Kind::Int16),
            (1, 24) => Ok(Kind::Int24),
            (1, 32) => Ok(Kind::Int32),
            (3, 32) => Ok(Kind::Float32),
            (3, 64) => Ok(Kind::Float64),
            (1 | 3, bits) => Err(format!("it holds samples of {bits} bits; give 16, 24 or 32")),
            (tag, _) => Err(format!("it is a WAV of a compressed kind (tag {tag}); make one of plain samples of it")),
        }
    }

    fn bytes(self) -> usize {
        match self {
            Kind::Unsigned8 => 1,
            Kind::Int16 => 2,
            Kind::Int24 => 3,
            Kind::Int32 | Kind::Float32 => 4,
            Kind::Float64 => 8,
        }
    }

    fn in_words(self) -> &'static str {
        match self {
            Kind::Unsigned8 => "8 bits",
            Kind::Int16 => "16 bits",
            Kind::Int24 => "24 bits",
            Kind::Int32 => "32 bits",
            Kind::Float32 => "32-bit float",
            Kind::Float64 => "64-bit float",
        }
    }

    /// One sample, little-endian, units of full scale.
    fn value(self, b: &[u8]) -> f32 {
        match (self, b) {
            (Kind::Unsigned8, [a]) => (f32::from(*a) - 128.0) / 128.0,
            (Kind::Int16, [a, b]) => f32::from(i16::from_le_bytes([*a, *b])) / 32_768.0,
            (Kind::Int24, [a, b, c]) => (i32::from_le_bytes([0, *a, *b, *c]) >> 8) as f32 / 8_388_608.0,
            (Kind::Int32, [a, b, c, d]) => (f64::from(i32::from_le_bytes([*a, *b, *c, *d])) / 2_147_483_648.0) as f32,
            (Kind::Float32, [a, b, c, d]) => f32::from_le_bytes([*a, *b, *c, *d]),
            (Kind::Float64, [a, b, c, d, e, f, g, h]) => f64::from_le_bytes([*a, *b, *c, *d, *e, *f, *g, *h]) as f32,
            _ => 0.0,
        }
    }
}

impl Recording {
    /// Opens a file.
    ///
    /// # Errors
    /// [`RecordingError`] names the file and what is wrong with it.
    pub fn open(path: &Path) -> Result<Recording, RecordingError> {
        let named = |why: String| RecordingError { file: path.display().to_string(), why };
        let disk = |e: std::io::Error| named(format!("it cannot be read ({e})"));
        let hash = plain_file::open(path).and_then(fingerprint::of_reader).map_err(disk)?;
        let mut first = Vec::new();
        plain_file::open(path).and_then(|file| file.take(12).read_to_end(&mut first)).map_err(disk)?;
        let begins = |mark: &[u8]| first.starts_with(mark);
        let recording = if begins(b"fLaC") {
            super::flac::open(path)
        } else if (begins(b"RIFF") || begins(b"RF64") || begins(b"BW64")) && first.get(8..12) == Some(b"WAVE") {
            wav(path)
        } else if first.is_empty() {
            Err("the file is empty".into())
        } else {
            Err("it is neither WAV (RIFF, RF64, BW64) nor FLAC; convert it to one of them without changing its rate"
                .into())
        };
        let file = path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
        let path = path.display().to_string();
        recording.map(|opened| Recording { file, hash, path, ..opened }).map_err(named)
    }

    /// The next piece, one vector per channel; `None` after the last.
    ///
    /// # Errors
    /// [`RecordingError`] where the file is broken.
    pub fn next_piece(&mut self) -> Result<Option<Vec<Vec<f32>>>, RecordingError> {
        let channels = self.channels;
        let piece = match &mut self.pieces {
            Pieces::Wav(samples) => samples.next(channels),
            #[cfg(feature = "music")]
            Pieces::Flac(samples) => samples.next(channels),
        };
        piece.map_err(|why| RecordingError { file: self.path.clone(), why })
    }
}

impl Samples {
    fn next(&mut self, channels: usize) -> Result<Option<Vec<Vec<f32>>>, String> {
        let frame = channels * self.kind.bytes();
        let mut bytes = Vec::with_capacity(PIECE_FRAMES * frame);
        (&mut self.from).take((PIECE_FRAMES * frame) as u64).read_to_end(&mut bytes).map_err(|e| e.to_string())?;
        // A recorder that lost power may leave half a frame.
        let whole = bytes.len() / frame;
        let one = |channel: usize| {
            let size = self.kind.bytes();
            let at = |n: usize| n * frame + channel * size;
            (0..whole).map(|n| self.kind.value(&bytes[at(n)..at(n) + size])).collect()
        };
        Ok((whole > 0).then(|| (0..channels).map(one).collect()))
    }
}

pub(super) fn opened(
    rate: u32,
    channels: usize,
    format: String,
    frames: Option<u64>,
    pieces: Pieces,
) -> Result<Recording, String> {
    if !(1..=MOST_CHANNELS).contains(&channels) {
        return Err(format!("it has {channels} channels; a recording has 1 to {MOST_CHANNELS}"));
    }
    let rate = SampleRate::new(rate).map_err(|e| e.to_string())?;
    let (file, hash, path) = (String::new(), String::new(), String::new());
    Ok(Recording { file, hash, rate, channels, format, frames, pieces, path })
}

fn wav(path: &Path) -> Result<Recording, String> {
    let file = plain_file::open(path).map_err(|e| e.to_string())?;
    let size = file.metadata().map_err(|e| e.to_string())?.len();
    let mut from = BufReader::new(file);
    let mut head = [0; 12];
    let short = |_: std::io::Error| "it ends within its header".to_string();
    from.read_exact(&mut head).map_err(short)?;
    let long = &head[..4] != b"RIFF";
    let (mut format, mut data_64) = (None, None);
    loop {
        let mut chunk = [0; 8];
        from.read_exact(&mut chunk).map_err(|_| "it is a WAV without samples".to_string())?;
        let claimed = u64::from(u32::from_le_bytes([chunk[4], chunk[5], chunk[6], chunk[7]]));
        let at = from.stream_position().map_err(short)?;
        match &chunk[..4] {
            b"ds64" if long => {
                let mut sizes = [0; 16];
                from.read_exact(&mut sizes).map_err(short)?;
                data_64 = sizes[8..].try_into().ok().map(u64::from_le_bytes);
            }
            b"fmt " => format = Some(read_format(&mut from, claimed)?),
            b"data" => {
                let (kind, channels, rate) = format.ok_or("its samples come before their format")?;
                let left = size.saturating_sub(at);
                let stated = if claimed == u64::from(u32::MAX) { data_64.unwrap_or(0) } else { claimed };
                // What no recorder finished has no length, or one that the file does not have.
                let bytes = if stated == 0 || stated > left { left } else { stated };
                let frames = bytes / (channels * kind.bytes()).max(1) as u64;
                let name = if long { "RF64" } else { "WAV" };
                let words = format!("{name}, {}", kind.in_words());
                let pieces = Pieces::Wav(Samples { from: from.take(bytes), kind });
                return opened(rate, channels, words, Some(frames), pieces);
            }
            _ => {}
        }
        // Chunks are padded to an even length.
        let next = at + claimed + claimed % 2;
        if next > size {
            return Err("it is a WAV without samples".into());
        }
        from.seek(SeekFrom::Start(next)).map_err(short)?;
    }
}

/// Kind of sample, channels, rate.
fn read_format(from: &mut impl Read, claimed: u64) -> Result<(Kind, usize, u32), String> {
    if !(16..=LARGEST_FORMAT).contains(&claimed) {
        return Err("its format cannot be read".into());
    }
    let mut bytes = vec![0; claimed as usize];
    from.read_exact(&mut bytes).map_err(|_| "it ends within its header".to_string())?;
    let word = |at: usize| bytes.get(at..at + 2).map_or(0, |b| u16::from_le_bytes([b[0], b[1]]));
    let long = |at: usize| u32::from(word(at)) | u32::from(word(at + 2)) << 16;
    // The extensible form names the kind of sample in the first half of an identifier.
    let tag = if word(0) == 0xFFFE { word(24) } else { word(0) };
    Ok((Kind::of(tag, word(14))?, usize::from(word(2)), long(4)))
}
