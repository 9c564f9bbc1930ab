//! WAV of any habit of header.
//!
//! The layout is that of "Multimedia Programming Interface and Data Specifications 1.0" (1991), of RF64 and BW64 that of EBU
//! Tech 3306 and ITU-R BS.2088 (chunk `ds64`: sizes in 64 bits), from memory. Recorders that lose power leave a length of 0 or of
//! all ones: then the samples go on to the end of the file.

use super::{AudioFile, AudioFileError, FileKind, PIECE_FRAMES, Pieces};
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};

/// Largest `fmt ` chunk that is believed, bytes.
const LARGEST_FORMAT: u64 = 4096;

/// Samples as they lie in the file.
pub(super) struct Samples {
    from: std::io::Take<BufReader<File>>,
    kind: SampleKind,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum SampleKind {
    Unsigned8,
    Int16,
    Int24,
    Int32,
    Float32,
    Float64,
}

impl SampleKind {
    fn of(tag: u16, bits: u16) -> Result<SampleKind, AudioFileError> {
        match (tag, bits) {
            (1, 8) => Ok(SampleKind::Unsigned8),
            (1, 16) => Ok(SampleKind::Int16),
            (1, 24) => Ok(SampleKind::Int24),
            (1, 32) => Ok(SampleKind::Int32),
            (3, 32) => Ok(SampleKind::Float32),
            (3, 64) => Ok(SampleKind::Float64),
            (1 | 3, bits) => {
                Err(AudioFileError::Samples(format!("it holds samples of {bits} bits; give 16, 24 or 32")))
            }
            (tag, _) => Err(AudioFileError::Samples(format!(
                "it is a WAV of a compressed kind (tag {tag}); make one of plain samples of it"
            ))),
        }
    }

    fn bytes(self) -> usize {
        match self {
            SampleKind::Unsigned8 => 1,
            SampleKind::Int16 => 2,
            SampleKind::Int24 => 3,
            SampleKind::Int32 | SampleKind::Float32 => 4,
            SampleKind::Float64 => 8,
        }
    }

    fn in_words(self) -> &'static str {
        match self {
            SampleKind::Unsigned8 => "8 bits",
            SampleKind::Int16 => "16 bits",
            SampleKind::Int24 => "24 bits",
            SampleKind::Int32 => "32 bits",
            SampleKind::Float32 => "32-bit float",
            SampleKind::Float64 => "64-bit float",
        }
    }

    /// One sample, little-endian, units of full scale.
    fn value(self, b: &[u8]) -> f64 {
        match (self, b) {
            (SampleKind::Unsigned8, [a]) => (f64::from(*a) - 128.0) / 128.0,
            (SampleKind::Int16, [a, b]) => f64::from(i16::from_le_bytes([*a, *b])) / 32_768.0,
            (SampleKind::Int24, [a, b, c]) => f64::from(i32::from_le_bytes([0, *a, *b, *c]) >> 8) / 8_388_608.0,
            (SampleKind::Int32, [a, b, c, d]) => f64::from(i32::from_le_bytes([*a, *b, *c, *d])) / 2_147_483_648.0,
            (SampleKind::Float32, [a, b, c, d]) => f64::from(f32::from_le_bytes([*a, *b, *c, *d])),
            (SampleKind::Float64, [a, b, c, d, e, f, g, h]) => f64::from_le_bytes([*a, *b, *c, *d, *e, *f, *g, *h]),
            _ => 0.0,
        }
    }
}

impl Samples {
    pub(super) fn next(&mut self, channels: usize) -> Result<Option<Vec<Vec<f64>>>, AudioFileError> {
        let frame = channels * self.kind.bytes();
        let mut bytes = Vec::with_capacity(PIECE_FRAMES * frame);
        (&mut self.from).take((PIECE_FRAMES * frame) as u64).read_to_end(&mut bytes)?;
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

pub(super) fn open(file: File) -> Result<AudioFile, AudioFileError> {
    let size = file.metadata()?.len();
    let mut from = BufReader::new(file);
    let mut head = [0; 12];
    from.read_exact(&mut head).map_err(short)?;
    let long = &head[..4] != b"RIFF";
    let (mut format, mut data_64) = (None, None);
    loop {
        let mut chunk = [0; 8];
        from.read_exact(&mut chunk).map_err(|_| without_samples())?;
        let claimed = u64::from(u32::from_le_bytes([chunk[4], chunk[5], chunk[6], chunk[7]]));
        let at = from.stream_position()?;
        match &chunk[..4] {
            b"ds64" if long => {
                let mut sizes = [0; 16];
                from.read_exact(&mut sizes).map_err(short)?;
                data_64 = sizes[8..].try_into().ok().map(u64::from_le_bytes);
            }
            b"fmt " => format = Some(read_format(&mut from, claimed)?),
            b"data" => {
                let out_of_order = || AudioFileError::Broken("its samples come before their format".into());
                let (kind, channels, rate) = format.ok_or_else(out_of_order)?;
                let left = size.saturating_sub(at);
                let unknown = claimed == u64::from(u32::MAX);
                let stated = if unknown { data_64.unwrap_or(0) } else { claimed };
                // What no recorder finished has no length.
                let unfinished = stated == 0 && left > 0;
                let bytes = if unfinished || stated > left { left } else { stated };
                let frame = (channels * kind.bytes()).max(1) as u64;
                let name = if long { "RF64" } else { "WAV" };
                let words = format!("{name}, {}", kind.in_words());
                let frames = (if unfinished { bytes } else { stated }) / frame;
                let pieces = Pieces::Wav(Samples { from: from.take(bytes), kind });
                return AudioFile::new(FileKind::Wav, (rate, channels), words, Some(frames), pieces);
            }
            _ => {}
        }
        // Chunks are padded to an even length.
        let next = at + claimed + claimed % 2;
        if next > size {
            return Err(without_samples());
        }
        from.seek(SeekFrom::Start(next))?;
    }
}

/// Kind of sample, channels, rate.
fn read_format(from: &mut impl Read, claimed: u64) -> Result<(SampleKind, usize, u32), AudioFileError> {
    if !(16..=LARGEST_FORMAT).contains(&claimed) {
        return Err(AudioFileError::Broken("its format cannot be read".into()));
    }
    let mut bytes = vec![0; claimed as usize];
    from.read_exact(&mut bytes).map_err(short)?;
    let word = |at: usize| bytes.get(at..at + 2).map_or(0, |b| u16::from_le_bytes([b[0], b[1]]));
    let long = |at: usize| u32::from(word(at)) | u32::from(word(at + 2)) << 16;
    // The extensible form names the kind of sample in the first half of an identifier.
    let tag = if word(0) == 0xFFFE { word(24) } else { word(0) };
    Ok((SampleKind::of(tag, word(14))?, usize::from(word(2)), long(4)))
}

fn short(_: std::io::Error) -> AudioFileError {
    AudioFileError::Broken("it ends within its header".into())
}

fn without_samples() -> AudioFileError {
    AudioFileError::Broken("it is a WAV without samples".into())
}
