//! WAV and FLAC, decoded piece by piece and measured on the way.

use super::{Kind, NoMusic};
use crate::analysis::music::{Meter, Piece, PowerGain};
use crate::session::plain_file;
use crate::units::SampleRate;
use crossbeam_channel::bounded;
use std::io::ErrorKind;
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

fn open(kind: Kind, source: MediaSourceStream<'static>) -> Result<Box<dyn FormatReader>, Decoding> {
    let options = FormatOptions::default();
    Ok(match kind {
        Kind::Wav => Box::new(WavReader::try_new(source, options)?),
        Kind::Flac => Box::new(FlacReader::try_new(source, options)?),
    })
}

/// Decodes a file and measures it as it comes.
pub(super) fn read(path: &Path, kind: Kind, gains: &[PowerGain<'_>]) -> Result<Piece, NoMusic> {
    let broken = |error: Decoding, at_s: f64| NoMusic::Broken { kind: kind.word(), what: error.to_string(), at_s };
    let at_start = |error| broken(error, 0.0);
    let source = MediaSourceStream::new(Box::new(plain_file::open(path)?), Default::default());
    let mut format = open(kind, source).map_err(at_start)?;
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
    if let Some(stated) = announced.filter(|stated| *stated > frames) {
        return Err(NoMusic::CutOff { got_s: seconds(frames), stated_s: seconds(stated) });
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
