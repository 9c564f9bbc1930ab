//! How loud does this listener listen? They set the volume by ear with their own music, take the headphone off, put it on the
//! coupler without touching the knob, and the bench hears what that position gives: of pink noise that it plays, or of the music
//! itself, which goes on playing while the bench is silent.
//!
//! ```text
//! pink    level at the ear for the drive played ─► for a drive as loud as the music ─► listening level
//! music   0.4 s frames, Z · A · A related to the diffuse field ─► energy average; its interval from how stretches of 5 s differ
//! ```

use super::chain::Chain;
use super::listening::table;
use super::plan::{ListeningLevel, Weighting};
use crate::analysis::music::Meter;
use crate::analysis::{About, Flaw};
use crate::calibration::SoundField;
use crate::card::InputRole;
use crate::stats::{Estimate, mean_of, standard_deviation, student_t_95};
use crate::units::{DbSpl, Dbfs, SampleRate, db_from_power, power_from_db};
use serde::{Deserialize, Serialize};

/// What the listener does before it, in order. Nothing sounds from the bench while the headphone is worn.
pub const BEFORE: [&str; 3] = [
    "Begin at the lowest volume. Set it by ear with your own music, as loud as you like to listen and no louder.",
    "The bench plays nothing while you wear the headphone. Take it off now.",
    "Put it on the coupler without touching the knob.",
];

/// Music is taken in stretches of so long, seconds: some bars, so that neighbours differ as the music does.
pub const STRETCH_S: f64 = 5.0;
/// Neighbouring stretches hang together a little: the variance of their mean is taken so many times as large.
const HANG_TOGETHER: f64 = 1.5;
/// A stretch of nothing stands so far under the mean, as power.
const NOTHING: f64 = 1e-9;
/// Frames of the meter a second.
const FRAMES_A_SECOND: f64 = 5.0;
/// Usual RMS drive of music in a file or a stream, dBFS, where the listener states none and gives no file (common practice, no
/// source).
pub const USUAL_MUSIC: Dbfs = Dbfs(-18.0);
/// Listened to, where nothing else is asked, seconds.
pub const LISTENED_S: f64 = 30.0;
/// Least and most of it, seconds.
pub const LISTENED_RANGE_S: (f64, f64) = (20.0, 110.0);
/// What varies less than this from stretch to stretch is noise or hum rather than music, dB.
const STEADY_DB: f64 = 0.15;
/// An input this near to full scale is overloaded.
const FULL: f32 = 0.999;

/// How the listener's level is taken.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum How {
    /// The bench plays pink noise at this RMS drive.
    Pink {
        /// Asked for; a look 20 dB under it comes first.
        drive: Dbfs,
        /// RMS drive of the music that the volume was set by.
        music: Dbfs,
    },
    /// The listener's music goes on playing for so many seconds, and the bench plays nothing.
    Music {
        /// How long it is listened to.
        seconds: f64,
    },
}

/// What is asked of the bench.
#[derive(Clone, Debug)]
pub struct OwnLevelAsk {
    /// The chain as it stands.
    pub chain: Chain,
    /// How.
    pub how: How,
}

/// What the listener's position gives at one ear.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OwnLevel {
    /// How it was taken.
    pub how: How,
    /// Which ear.
    pub role: InputRole,
    /// Level, Z, dB SPL.
    pub z: Estimate,
    /// The same A-weighted.
    pub a: Option<Estimate>,
    /// The same A-weighted and related to the diffuse field; `None` where the coupler has no table to it.
    pub diffuse_a: Option<Estimate>,
    /// How long it was listened to, seconds.
    pub listened_s: f64,
    /// Standard deviation from one stretch of 5 s to the next, dB; `None` of pink noise.
    pub steadiness_db: Option<f64>,
    /// What is wrong or limited.
    pub flaws: Vec<Flaw>,
}

impl OwnLevel {
    /// The level as a listening level of the judgement, with half its interval: of pink noise Z at the point, of music A related
    /// to the diffuse field where that is determined, else A, since that is how loudness of music is stated.
    pub fn listening(&self) -> (ListeningLevel, f64) {
        let of = |e: &Estimate, weighting, field| {
            (ListeningLevel { level: DbSpl(e.value), weighting, field }, e.half_width())
        };
        match (self.how, &self.diffuse_a, &self.a) {
            (How::Music { .. }, Some(e), _) => of(e, Weighting::A, Some(SoundField::Diffuse)),
            (How::Music { .. }, None, Some(e)) => of(e, Weighting::A, None),
            _ => of(&self.z, Weighting::Z, None),
        }
    }
}

/// Of music that one ear's microphone captured.
///
/// # Errors
/// In words: no calibration offset, too short, silence.
pub fn of_music(samples: &[f32], rate: SampleRate, chain: &Chain, role: InputRole) -> Result<OwnLevel, String> {
    let acoustic = chain.acoustic(role).ok_or_else(|| not_calibrated(role))?;
    let correction = chain.correction(role);
    let diffuse = table(SoundField::Diffuse, chain.coupler).ok().map(|table| table.correction());
    // What is not sound lies outside this: a converter's offset, its own noise.
    let heard = |f_hz: f64| if (20.0..=20_000.0).contains(&f_hz) { power_from_db(correction.db_at(f_hz)) } else { 0.0 };
    let a = |f_hz: f64| heard(f_hz) * Weighting::A.power_at(f_hz);
    let related = |f_hz: f64| a(f_hz) * diffuse.as_ref().map_or(0.0, |d| power_from_db(d.db_at(f_hz)));
    let mut meter = Meter::new(rate, 1, &[&heard, &a, &related]);
    let all: Vec<f64> = samples.iter().map(|s| f64::from(*s)).collect();
    meter.push(&[all]);
    let piece = meter.finish();
    let level = |i: usize| {
        let loudness = piece.loudness.get(i)?;
        Some(energy_average(&loudness.frames)?.plus(&acoustic.offset))
    };
    let z = level(0).ok_or("nothing is heard: is the music playing, and the headphone on the coupler?")?;
    let stretches: Vec<f64> = stretches(&piece.loudness[0].frames).iter().filter_map(|ms| db_from_power(*ms)).collect();
    let steadiness_db = standard_deviation(&stretches);
    let mut flaws = Vec::new();
    if samples.iter().any(|s| s.abs() >= FULL) {
        let text = "The input reached its full scale, so the level is too low. Lower the input gain, calibrate again and listen again.";
        flaws.push(Flaw::doubt("own-level-overload", text).about(About::Input(role)));
    }
    if steadiness_db.is_some_and(|db| db < STEADY_DB) {
        let text = "What is heard does not vary as music does: is it noise or hum, and does the music play at all?";
        flaws.push(Flaw::doubt("own-level-steady", text).about(About::Input(role)));
    }
    let listened_s = samples.len() as f64 / rate.hz();
    let diffuse_a = diffuse.is_some().then(|| level(2)).flatten();
    Ok(OwnLevel {
        how: How::Music { seconds: listened_s },
        role,
        z,
        a: level(1),
        diffuse_a,
        listened_s,
        steadiness_db,
        flaws,
    })
}

/// How long music is listened to, as typed, seconds.
///
/// # Errors
/// What to type.
pub fn listened(typed: &str) -> Result<f64, String> {
    let (least, most) = LISTENED_RANGE_S;
    let read = typed.trim().parse::<f64>().ok().filter(|s| (least..=most).contains(s));
    read.ok_or_else(|| format!("type seconds from {least} to {most}"))
}

/// Why an ear gives no dB SPL.
pub fn not_calibrated(role: InputRole) -> String {
    format!(
        "the {} has no calibration offset, so its level in dB SPL is not determined; calibrate first",
        role.in_words()
    )
}

/// Mean squares of stretches of 5 s, whole ones only.
fn stretches(frames: &[f32]) -> Vec<f64> {
    let length = (STRETCH_S * FRAMES_A_SECOND) as usize;
    // The first and the last frame hold half of their own.
    let inner = frames.get(1..frames.len().saturating_sub(1)).unwrap_or_default();
    inner.chunks_exact(length).map(|c| c.iter().map(|x| f64::from(*x)).sum::<f64>() / length as f64).collect()
}

/// Energy average of the frames, dB re a full-scale sine, with the interval of the level that the programme has in the long run.
///
/// Levels of stretches scatter about normally, so their powers are log-normal, and Student's interval of their mean is too narrow
/// on the side of what was not heard yet. Cox's interval of a log-normal mean (from memory) is `t·√(v/n + v²/(2(n − 1)))`, `v` the
/// variance of the logarithms.
pub fn energy_average(frames: &[f32]) -> Option<Estimate> {
    /// Mean square of a full-scale sine.
    const FULL_SCALE_MS: f64 = 0.5;
    let powers = stretches(frames);
    let mean = mean_of(&powers)?.value;
    let level = db_from_power(mean / FULL_SCALE_MS)?;
    let logarithms: Vec<f64> = powers.iter().map(|power| power.max(NOTHING * mean).ln()).collect();
    let (v, n) = (standard_deviation(&logarithms)?.powi(2), powers.len() as f64);
    let nepers = student_t_95(n - 1.0) * (HANG_TOGETHER * (v / n + v * v / (2.0 * (n - 1.0)))).sqrt();
    Some(Estimate::symmetric(level, db_from_power(nepers.exp())?))
}
