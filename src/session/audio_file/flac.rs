//! FLAC, decoded piece by piece; read where the program was built with the feature `music`.

#[cfg(feature = "music")]
pub(super) use decoded::{Samples, open};

/// FLAC cannot be read here.
#[cfg(not(feature = "music"))]
pub(super) fn open(_: &std::path::Path) -> Result<super::recording::Recording, String> {
    Err("it is a FLAC, which this build cannot read (it was built without the feature `music`); make a WAV of it"
        .into())
}

#[cfg(feature = "music")]
mod decoded {
    use super::super::recording::{PIECE_FRAMES, Pieces, Recording, opened};
    use crate::session::plain_file;
    use std::io::ErrorKind;
    use std::path::Path;
    use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
    use symphonia::core::errors::Error as Decoding;
    use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
    use symphonia::core::io::MediaSourceStream;
    use symphonia::default::formats::FlacReader;

    /// Samples of a FLAC as they are decoded.
    pub struct Samples {
        format: Box<dyn FormatReader>,
        decoder: Box<dyn AudioDecoder>,
    }

    impl Samples {
        /// The next piece, one vector per channel; `None` after the last.
        pub(in crate::session::elsewhere) fn next(&mut self, channels: usize) -> Result<Option<Vec<Vec<f32>>>, String> {
            let mut piece: Vec<Vec<f32>> = vec![Vec::new(); channels];
            while piece[0].len() < PIECE_FRAMES {
                let packet = match self.format.next_packet() {
                    Ok(Some(packet)) => packet,
                    Ok(None) => break,
                    Err(Decoding::IoError(e)) if e.kind() == ErrorKind::UnexpectedEof => break,
                    Err(e) => return Err(format!("it is broken: {e}")),
                };
                let decoded = self.decoder.decode(&packet).map_err(|e| format!("it is broken: {e}"))?;
                let mut new: Vec<Vec<f32>> = vec![Vec::new(); decoded.spec().channels().count()];
                decoded.copy_to_vecs_planar(&mut new);
                if new.len() != channels {
                    return Err("its number of channels changes on the way".into());
                }
                piece.iter_mut().zip(new).for_each(|(to, new)| to.extend(new));
            }
            Ok((!piece[0].is_empty()).then_some(piece))
        }
    }

    /// Opens a FLAC.
    pub(in crate::session::elsewhere) fn open(path: &Path) -> Result<Recording, String> {
        let source = plain_file::open(path).map_err(|e| e.to_string())?;
        let broken = |e: Decoding| format!("it is broken: {e}");
        let stream = MediaSourceStream::new(Box::new(source), Default::default());
        let reader = FlacReader::try_new(stream, FormatOptions::default()).map_err(broken)?;
        let none = || "it is a FLAC without samples".to_string();
        let track = reader.default_track(TrackType::Audio).ok_or_else(none)?;
        let parameters = track.codec_params.as_ref().and_then(|p| p.audio()).ok_or_else(none)?;
        let rate = parameters.sample_rate.ok_or_else(none)?;
        let channels = parameters.channels.as_ref().map_or(0, |channels| channels.count());
        let bits = parameters.bits_per_sample.map_or(String::new(), |bits| format!(", {bits} bits"));
        let frames = track.num_frames;
        let options = AudioDecoderOptions::default();
        let decoder = symphonia::default::get_codecs().make_audio_decoder(parameters, &options).map_err(broken)?;
        opened(
            rate,
            channels,
            format!("FLAC{bits}"),
            frames,
            Pieces::Flac(Samples { format: Box::new(reader), decoder }),
        )
    }
}
