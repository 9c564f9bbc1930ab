//! Takes and periods as WAV: 32-bit float, so that every sample reads back bit for bit and other programs can open it.
//! hound writes the extensible header; the files are made and read in memory, the disk is `storage`'s.

use hound::{SampleFormat, WavReader, WavSpec, WavWriter};
use std::io::Cursor;

/// A WAV's size field has 32 bits, and many readers take it as signed: 2 GiB, header included.
const LARGEST_BYTES: u64 = (1 << 31) - 4096;

/// Samples of equal length, one vector per channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Wav {
    /// Frames per second.
    pub rate_hz: u32,
    /// One entry per channel, all of one length, in units of full scale.
    pub channels: Vec<Vec<f32>>,
}

/// Why something cannot be a WAV of ours.
#[derive(Debug, thiserror::Error)]
pub enum WavError {
    /// No channel at all or more than a WAV can name.
    #[error("it has {0} channels; a recording has 1 to 64")]
    Channels(usize),
    /// Channels of different lengths.
    #[error("its channels differ in length ({0} and {1} frames)")]
    Uneven(usize, usize),
    /// Past the size that every reader understands.
    #[error("it would take {0} bytes; a WAV holds 2 GiB")]
    TooLong(u64),
    /// Some other WAV.
    #[error("it holds {0}-bit {1} samples; recordings are stored as 32-bit float")]
    Format(u16, &'static str),
    /// Not readable as a WAV, or it ends too soon.
    #[error("it cannot be read as WAV ({0})")]
    Broken(#[from] hound::Error),
}

impl Wav {
    /// Frames per channel.
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// The file's bytes.
    ///
    /// # Errors
    /// [`WavError`] for no or too many channels, channels of different lengths, 2 GiB or more.
    pub fn to_bytes(&self) -> Result<Vec<u8>, WavError> {
        let count = self.channels.len();
        if !(1..=64).contains(&count) {
            return Err(WavError::Channels(count));
        }
        let frames = self.frames();
        if let Some(other) = self.channels.iter().find(|c| c.len() != frames) {
            return Err(WavError::Uneven(frames, other.len()));
        }
        let bytes = 4 * frames as u64 * count as u64;
        if bytes > LARGEST_BYTES {
            return Err(WavError::TooLong(bytes));
        }
        let spec = WavSpec {
            channels: count as u16,
            sample_rate: self.rate_hz,
            bits_per_sample: 32,
            sample_format: SampleFormat::Float,
        };
        let mut file = Cursor::new(Vec::with_capacity(bytes as usize + 128));
        let mut writer = WavWriter::new(&mut file, spec)?;
        for frame in 0..frames {
            for channel in &self.channels {
                writer.write_sample(channel[frame])?;
            }
        }
        // Dropping would finish the header too, but hide its errors.
        writer.finalize()?;
        Ok(file.into_inner())
    }

    /// Reads what [`Wav::to_bytes`] made, or another program's 32-bit float WAV.
    ///
    /// # Errors
    /// [`WavError`] for anything else, or a file that ends before its header says.
    pub fn from_bytes(bytes: &[u8]) -> Result<Wav, WavError> {
        let mut reader = WavReader::new(Cursor::new(bytes))?;
        let spec = reader.spec();
        match (spec.sample_format, spec.bits_per_sample) {
            (SampleFormat::Float, 32) => {}
            (SampleFormat::Float, bits) => return Err(WavError::Format(bits, "float")),
            (SampleFormat::Int, bits) => return Err(WavError::Format(bits, "integer")),
        }
        let count = usize::from(spec.channels);
        if !(1..=64).contains(&count) {
            return Err(WavError::Channels(count));
        }
        // The header's length is a claim: room is made for what the file can hold.
        let frames = (reader.duration() as usize).min(bytes.len() / (4 * count));
        let mut channels = vec![Vec::with_capacity(frames); count];
        for (n, sample) in reader.samples::<f32>().enumerate() {
            channels[n % count].push(sample?);
        }
        Ok(Wav { rate_hz: spec.sample_rate, channels })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn awkward() -> Wav {
        let left = vec![0.0, -0.0, 1.0, -1.0, f32::MIN_POSITIVE, 1e-45, 3.402_823_5e38];
        let right = (0..7).map(|n| (n as f32 * 0.7).sin()).collect();
        Wav { rate_hz: 44_100, channels: vec![left, right] }
    }

    #[test]
    fn samples_read_back_bit_for_bit_denormals_and_negative_zero_included() {
        let wav = awkward();
        let back = Wav::from_bytes(&wav.to_bytes().unwrap()).unwrap();
        assert_eq!(back.rate_hz, 44_100);
        let bits = |w: &Wav| w.channels.iter().flatten().map(|x| x.to_bits()).collect::<Vec<_>>();
        assert_eq!(bits(&back), bits(&wav));
        assert_eq!(back.channels.len(), 2);
    }

    /// Positions and values from the published layout: RIFF/WAVE (Multimedia Programming Interface and Data
    /// Specifications 1.0, 1991) and WAVEFORMATEXTENSIBLE (tag 0xFFFE, subtype 3 for IEEE float).
    #[test]
    fn the_header_follows_the_published_layout() {
        let bytes = awkward().to_bytes().unwrap();
        let word = |at: usize| u16::from_le_bytes([bytes[at], bytes[at + 1]]);
        let long = |at: usize| u32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]]);
        assert_eq!((&bytes[..4], &bytes[8..16]), (&b"RIFF"[..], &b"WAVEfmt "[..]));
        assert_eq!(long(4) as usize, bytes.len() - 8);
        assert_eq!((long(16), word(20)), (40, 0xFFFE));
        assert_eq!((word(22), long(24), long(28), word(32), word(34)), (2, 44_100, 44_100 * 8, 8, 32));
        assert_eq!(word(44), 3);
        assert_eq!((&bytes[60..64], long(64)), (&b"data"[..], 7 * 2 * 4));
        assert_eq!(long(68 + 2 * 8), 1f32.to_bits(), "third frame, left");
    }

    #[test]
    fn a_void_take_without_a_single_frame_is_still_a_file() {
        let empty = Wav { rate_hz: 48_000, channels: vec![Vec::new()] };
        assert_eq!(Wav::from_bytes(&empty.to_bytes().unwrap()).unwrap(), empty);
    }

    #[test]
    fn every_truncation_is_an_error_and_none_is_a_shorter_recording() {
        let bytes = awkward().to_bytes().unwrap();
        for length in 0..bytes.len() {
            assert!(Wav::from_bytes(&bytes[..length]).is_err(), "cut to {length} bytes");
        }
    }

    #[test]
    fn what_no_wav_can_hold_is_refused() {
        let none = Wav { rate_hz: 48_000, channels: Vec::new() };
        assert!(matches!(none.to_bytes(), Err(WavError::Channels(0))));
        let uneven = Wav { rate_hz: 48_000, channels: vec![vec![0.0; 3], vec![0.0; 2]] };
        assert!(matches!(uneven.to_bytes(), Err(WavError::Uneven(3, 2))));
        let spec = WavSpec { channels: 1, sample_rate: 48_000, bits_per_sample: 16, sample_format: SampleFormat::Int };
        let mut file = Cursor::new(Vec::new());
        let mut writer = WavWriter::new(&mut file, spec).unwrap();
        writer.write_sample(1i16).unwrap();
        writer.finalize().unwrap();
        let refused = Wav::from_bytes(&file.into_inner()).unwrap_err().to_string();
        assert!(refused.contains("16-bit integer"), "{refused}");
    }
}
