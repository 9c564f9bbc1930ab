//! FLAC, decoded piece by piece or written as a whole, where the program was built with the feature `music`.

#[cfg(feature = "music")]
pub(super) use decoded::{Samples, open};
#[cfg(feature = "music")]
pub(in crate::session) use encoded::bytes;

/// FLAC cannot be read here.
#[cfg(not(feature = "music"))]
pub(super) fn open(_: std::fs::File) -> Result<super::AudioFile, super::AudioFileError> {
    Err(super::AudioFileError::Samples(
        "it is a FLAC, which this build cannot read (it was built without the feature `music`); make a WAV of it"
            .into(),
    ))
}

/// FLAC cannot be written here.
#[cfg(not(feature = "music"))]
pub(in crate::session) fn bytes(_: &[i32], _: u16, _: u16, _: u32) -> Result<Vec<u8>, String> {
    Err("this build cannot write FLAC (it was built without the feature `music`); name it .wav".into())
}

#[cfg(feature = "music")]
mod decoded {
    use super::super::{AudioFile, AudioFileError, FileKind, PIECE_FRAMES, Pieces};
    use std::fs::File;
    use std::io::ErrorKind;
    use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
    use symphonia::core::errors::Error as Decoding;
    use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
    use symphonia::core::io::{MediaSource, MediaSourceStream};
    use symphonia::default::formats::FlacReader;

    /// Samples as they are decoded.
    pub(in super::super) struct Samples {
        format: Box<dyn FormatReader>,
        decoder: Box<dyn AudioDecoder>,
    }

    impl Samples {
        pub(in super::super) fn next(&mut self, channels: usize) -> Result<Option<Vec<Vec<f64>>>, AudioFileError> {
            let mut piece: Vec<Vec<f64>> = vec![Vec::new(); channels];
            while piece[0].len() < PIECE_FRAMES {
                let packet = match self.format.next_packet() {
                    Ok(Some(packet)) => packet,
                    Ok(None) => break,
                    // The count of frames tells how much is missing.
                    Err(Decoding::IoError(e)) if e.kind() == ErrorKind::UnexpectedEof => break,
                    Err(e) => return Err(broken(&e)),
                };
                let decoded = self.decoder.decode(&packet).map_err(|e| broken(&e))?;
                let mut new: Vec<Vec<f64>> = vec![Vec::new(); decoded.spec().channels().count()];
                decoded.copy_to_vecs_planar(&mut new);
                if new.len() != channels {
                    return Err(AudioFileError::Broken("its number of channels changes on the way".into()));
                }
                piece.iter_mut().zip(new).for_each(|(to, new)| to.extend(new));
            }
            Ok((!piece[0].is_empty()).then_some(piece))
        }

        pub(in super::super) fn is_altered(&mut self) -> bool {
            self.decoder.finalize().verify_ok == Some(false)
        }
    }

    fn broken(error: &Decoding) -> AudioFileError {
        AudioFileError::Broken(error.to_string())
    }

    pub(in super::super) fn open(file: File) -> Result<AudioFile, AudioFileError> {
        read(Box::new(file))
    }

    pub(super) fn read(source: Box<dyn MediaSource>) -> Result<AudioFile, AudioFileError> {
        let stream = MediaSourceStream::new(source, Default::default());
        let reader = FlacReader::try_new(stream, FormatOptions::default()).map_err(|e| broken(&e))?;
        let none = || AudioFileError::Broken("it is a FLAC without samples".into());
        let track = reader.default_track(TrackType::Audio).ok_or_else(none)?;
        let parameters = track.codec_params.as_ref().and_then(|p| p.audio()).ok_or_else(none)?;
        let rate = parameters.sample_rate.ok_or_else(none)?;
        let channels = parameters.channels.as_ref().map_or(0, |channels| channels.count());
        let bits = parameters.bits_per_sample.map_or(String::new(), |bits| format!(", {bits} bits"));
        let frames = track.num_frames;
        let options = AudioDecoderOptions::default().verify(true);
        let decoder =
            symphonia::default::get_codecs().make_audio_decoder(parameters, &options).map_err(|e| broken(&e))?;
        let pieces = Pieces::Flac(Box::new(Samples { format: Box::new(reader), decoder }));
        AudioFile::new(FileKind::Flac, (rate, channels), format!("FLAC{bits}"), frames, pieces)
    }
}

#[cfg(feature = "music")]
mod encoded {
    use super::super::AudioFileError;
    use super::decoded::read;
    use flacenc::bitsink::ByteSink;
    use flacenc::component::BitRepr;
    use flacenc::config::Encoder;
    use flacenc::error::Verify;
    use flacenc::source::MemSource;
    use std::io::Cursor;

    /// Highest rate that the encoder writes, Hz.
    const HIGHEST_RATE: u32 = 96_000;
    /// Lengths of block that are tried, frames: of one in some ten files of one length a widespread decoder loses a block or two
    /// (the reference decoder none).
    const BLOCKS: [usize; 4] = [4096, 4608, 3072, 2048];

    /// The bytes of a FLAC of these integers of so many bits, all channels in turn; read back before they are given.
    pub(in crate::session) fn bytes(samples: &[i32], channels: u16, bits: u16, rate: u32) -> Result<Vec<u8>, String> {
        if rate > HIGHEST_RATE {
            return Err(format!("FLAC is written up to {HIGHEST_RATE} Hz; name it .wav"));
        }
        for block in BLOCKS {
            let bytes =
                encoded(samples, (channels, bits, rate), block).map_err(|e| format!("it cannot be encoded ({e})"))?;
            if reads_back(&bytes, samples, bits).map_err(|e| e.to_string())? {
                return Ok(bytes);
            }
        }
        Err("it could not be encoded so that every sample is read back; name it .wav".into())
    }

    fn encoded(samples: &[i32], (channels, bits, rate): (u16, u16, u32), block: usize) -> Result<Vec<u8>, String> {
        let source = MemSource::from_samples(samples, channels.into(), bits.into(), rate as usize);
        let config = Encoder::default().into_verified().map_err(|(_, e)| e.to_string())?;
        let mut stream = flacenc::encode_with_fixed_block_size(&config, source, block).map_err(|e| e.to_string())?;
        // The last block, which is shorter, does not count (RFC 9639, 8.2); decoders hold the others against it.
        stream.stream_info_mut().set_block_sizes(block, block).map_err(|e| e.to_string())?;
        let mut sink = ByteSink::new();
        stream.write(&mut sink).map_err(|e| e.to_string())?;
        Ok(sink.as_slice().to_vec())
    }

    fn reads_back(bytes: &[u8], samples: &[i32], bits: u16) -> Result<bool, AudioFileError> {
        let mut file = read(Box::new(Cursor::new(bytes.to_vec())))?;
        let (channels, scale) = (file.channels, f64::from(1u32 << (bits - 1)));
        let mut sent = samples.chunks_exact(channels);
        while let Some(piece) = file.next_piece()? {
            for frame in 0..piece[0].len() {
                let Some(sent) = sent.next() else { return Ok(false) };
                if piece.iter().zip(sent).any(|(heard, sent)| (heard[frame] * scale).round() as i32 != *sent) {
                    return Ok(false);
                }
            }
        }
        Ok(sent.next().is_none())
    }
}
