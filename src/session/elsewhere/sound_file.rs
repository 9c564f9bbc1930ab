//! Writes the sound file (WAV or FLAC) and the plan file beside it, and reads a plan file.

use super::sound_plan::SoundPlan;
use crate::fingerprint;
use crate::session::audio_file::flac_bytes;
use crate::session::plain_file;
use hound::{WavSpec, WavWriter};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use std::fs::OpenOptions;
use std::io::{Cursor, Write};
use std::path::{Path, PathBuf};

/// Seed of the dither; each channel has its own.
const DITHER_SEED: u64 = 0x5eed;

/// Why a sound or plan file cannot be written or read.
#[derive(Debug, thiserror::Error)]
#[error("{file}: {why}")]
pub struct SoundFileError {
    /// The file, as it was named.
    pub file: String,
    /// What is wrong.
    pub why: String,
}

fn of(path: &Path, why: impl ToString) -> SoundFileError {
    SoundFileError { file: path.display().to_string(), why: why.to_string() }
}

/// Where the plan of a sound file is kept: beside it, as `.json`.
pub fn plan_path(sound: &Path) -> PathBuf {
    sound.with_extension("json")
}

/// Writes the sound, as FLAC where its name ends so and else as WAV, and its plan beside it; gives the plan with both fingerprints.
///
/// # Errors
/// [`SoundFileError`]: neither file may exist yet; the disk.
pub fn write(plan: &SoundPlan, sound: &Path) -> Result<SoundPlan, SoundFileError> {
    let beside = plan_path(sound);
    if beside == *sound {
        return Err(of(sound, "the sound file cannot be named .json, which is its plan's name; name it .wav"));
    }
    for path in [sound, &beside] {
        if path.exists() {
            return Err(of(path, "it exists already and is not written over; choose another name"));
        }
    }
    let is_flac = sound.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("flac"));
    let bytes = if is_flac { flac(plan) } else { wav(plan).map_err(|e| e.to_string()) };
    let bytes = bytes.map_err(|e| of(sound, e))?;
    let mut plan = SoundPlan { sound_hash: fingerprint::of(&bytes), ..plan.clone() };
    plan.hash = plan.own_hash();
    let mut text = serde_json::to_vec_pretty(&plan).map_err(|e| of(&beside, e))?;
    text.push(b'\n');
    put(sound, &bytes)?;
    put(&beside, &text)?;
    Ok(plan)
}

fn put(path: &Path, bytes: &[u8]) -> Result<(), SoundFileError> {
    let new = OpenOptions::new().write(true).create_new(true).open(path);
    new.and_then(|mut file| file.write_all(bytes)).map_err(|e| of(path, format!("it cannot be written ({e})")))
}

/// Reads a plan file.
///
/// # Errors
/// [`SoundFileError`]: the disk, another kind of file, one that was changed, or a plan that cannot be.
pub fn read_plan(path: &Path) -> Result<SoundPlan, SoundFileError> {
    let text = plain_file::read_text(path).map_err(|e| match e.kind() {
        std::io::ErrorKind::InvalidData => {
            of(path, "it is not a plan file: name the .json that was written beside the sound")
        }
        _ => of(path, format!("it cannot be read ({e})")),
    })?;
    let plan: SoundPlan = serde_json::from_str(&text).map_err(|e| {
        of(path, format!("it is not a plan file ({e}): name the .json that was written beside the sound"))
    })?;
    plan.check().map_err(|why| of(path, format!("{why}; write the sound again")))?;
    Ok(plan)
}

/// The bytes of a FLAC.
fn flac(plan: &SoundPlan) -> Result<Vec<u8>, String> {
    let bits = plan.format.bits().ok_or("FLAC holds no float samples; choose 16 or 24 bits, or name it .wav")?;
    flac_bytes(&integers(plan, bits), plan.channels, bits, plan.rate.get())
}

/// The bytes of a WAV.
fn wav(plan: &SoundPlan) -> Result<Vec<u8>, hound::Error> {
    let (bits_per_sample, sample_format) = match plan.format.bits() {
        Some(bits) => (bits, hound::SampleFormat::Int),
        None => (32, hound::SampleFormat::Float),
    };
    let spec = WavSpec { channels: plan.channels, sample_rate: plan.rate.get(), bits_per_sample, sample_format };
    let bytes = plan.frames * usize::from(plan.channels) * usize::from(bits_per_sample / 8);
    let mut file = Cursor::new(Vec::with_capacity(bytes + 128));
    let mut writer = WavWriter::new(&mut file, spec)?;
    match plan.format.bits() {
        Some(bits) => integers(plan, bits).into_iter().try_for_each(|x| writer.write_sample(x))?,
        None => interleaved(plan).try_for_each(|(_, x)| writer.write_sample(x as f32))?,
    }
    writer.finalize()?;
    Ok(file.into_inner())
}

/// The samples of all channels in turn, each with its channel.
fn interleaved(plan: &SoundPlan) -> impl Iterator<Item = (usize, f64)> {
    let channels: Vec<Vec<f64>> = (0..plan.channels).map(|channel| plan.samples(channel)).collect();
    (0..plan.frames * channels.len()).map(move |at| {
        let (frame, channel) = (at / channels.len(), at % channels.len());
        (channel, channels[channel][frame])
    })
}

/// The same as integers of so many bits, dithered.
fn integers(plan: &SoundPlan, bits: u16) -> Vec<i32> {
    let seeded = |channel| Pcg64::seed_from_u64(DITHER_SEED + u64::from(channel));
    let mut dither: Vec<Pcg64> = (0..plan.channels).map(seeded).collect();
    interleaved(plan).map(|(channel, x)| dithered(x, bits, &mut dither[channel])).collect()
}

/// The nearest step of an integer format under triangular dither (TPDF) of two steps' width; silence stays zero.
fn dithered(x: f64, bits: u16, random: &mut Pcg64) -> i32 {
    if x == 0.0 {
        return 0;
    }
    let uniform = |bits: u64| (bits >> 11) as f64 / (1u64 << 53) as f64;
    let scale = f64::from(1u32 << (bits - 1));
    let step = (x * scale + uniform(random.next_u64()) - uniform(random.next_u64())).round();
    step.clamp(-scale, scale - 1.0) as i32
}
