//! Does this pairing play the listener's own music clean at the listening level?
//!
//! The piece is made as loud as the listener has it: its level at the point, through the response measured on this
//! headphone and weighted as the listening level is stated, is that level. The gain that this takes sets how high its peaks
//! stand at the **output**, before the headphone: those are held against the output's limit, each polarity against its own.
//!
//! ```text
//! file ──×g──► output (peaks: p + g, held against the limit c) ──► headphone, ear: level M + g = listening level
//! room = c − (p + g)
//! ```
//!
//! The same in terms of the rule: the music needs the headroom that pink noise of the same level would need for peaks as
//! high as the music's, `p + g − (drive of pink noise at the listening level + its true-peak factor)`. What lies outside the
//! measured response makes no loudness.

use super::clipping_threshold::Threshold;
use super::electrical::peak_volts;
use super::highest_clean::{HighestClean, seat_shift, straight_line};
use super::{Judgement, sentence};
use crate::analysis::music::{Block, Loudness, Piece};
use crate::analysis::{ActsOn, Correction, Weight};
use crate::session::listening::{table, z_less_stated_by};
use crate::session::music::Music;
use crate::session::plan::{ListeningLevel, Weighting};
use crate::session::record::Record;
use crate::signal::Peaks;
use crate::stats::{Estimate, Reading};
use crate::units::{DbSpl, db_from_amplitude, db_from_power, power_from_db, tidy};
use serde::{Deserialize, Serialize};
use std::fmt;

/// An average over less than this is not that of music, seconds: a choice, no source.
const SHORTEST_S: f64 = 3.0;
/// From so many flat tops on a piece is called clipped: fewer come about by chance.
const CLIPPED_FROM: u64 = 3;
/// Near the limit: within this of it, dB.
const NEAR_DB: f64 = 3.0;
/// Shares of the time for which a level is exceeded.
pub const EXCEEDED: [f64; 4] = [0.01, 0.10, 0.50, 0.90];

/// From the samples to the loudness that the listening level speaks of: the response at the deciding ear, with its
/// correction, and the weighting and field of the listening level.
#[derive(Clone, Debug)]
pub struct Way {
    /// dB from full scale played to full scale captured.
    response: Correction,
    weighting: Weighting,
    field: Correction,
    /// Why there is none.
    not_determined: Option<String>,
}

impl Way {
    /// Of this session and listener.
    pub fn of(record: &Record, listening: Option<ListeningLevel>) -> Way {
        match Way::known(record, listening) {
            Ok(way) => way,
            Err(why) => Way {
                response: Correction::none(),
                weighting: Weighting::Z,
                field: Correction::none(),
                not_determined: Some(why),
            },
        }
    }

    fn known(record: &Record, listening: Option<ListeningLevel>) -> Result<Way, String> {
        let pink = straight_line(record).ok_or("no clean step shows the response")?.pink;
        let points = pink.response.iter().map(|p| (p.frequency_hz, p.gain_db)).collect();
        let response = Correction::new(points).filter(|r| !r.is_none()).ok_or("no step shows the response")?;
        let field = match listening.and_then(|l| l.field) {
            Some(field) => table(field, record.head.chain.coupler)?.correction(),
            None => Correction::none(),
        };
        Ok(Way { response, weighting: listening.map_or(Weighting::Z, |l| l.weighting), field, not_determined: None })
    }

    /// Power gain at a frequency; zero outside the measured response.
    pub fn power_at(&self, f_hz: f64) -> f64 {
        let Some((low, high)) = self.response.range_hz() else { return 0.0 };
        if !(low..=high).contains(&f_hz) {
            return 0.0;
        }
        power_from_db(self.response.db_at(f_hz) + self.field.db_at(f_hz)) * self.weighting.power_at(f_hz)
    }
}

/// Does it play this piece clean?
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Plays {
    /// The highest peak stays under the limit, interval and all.
    Clean,
    /// The interval holds the limit.
    CleanOrNot,
    /// The highest peak passes the limit.
    NotClean,
    /// Not determined.
    #[serde(rename = "not-told")]
    NotDetermined,
}

impl fmt::Display for Plays {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Plays::Clean => "plays it clean",
            Plays::CleanOrNot => "may or may not play it clean",
            Plays::NotClean => "does not play it clean",
            Plays::NotDetermined => "not determined",
        })
    }
}

/// A piece of music on one pairing. Nothing of the music but these figures.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PieceJudged {
    /// Name of the file.
    pub file: String,
    /// Hash of its bytes (FNV-1a, 64 bits).
    pub hash: String,
    /// Where its name says something else than its contents, in words.
    pub mislabelled: Option<String>,
    /// Its rate, Hz.
    pub rate_hz: u32,
    /// 1 or 2.
    pub channels: usize,
    /// Its length, seconds.
    pub seconds: f64,
    /// RMS level as the file stands, mean of its channels, dBFS.
    pub level_dbfs: f64,
    /// True peak as the file stands, dB re full scale.
    pub peak_db: f64,
    /// True peak over RMS, plain ratio, dB.
    pub peak_over_average_db: f64,
    /// The piece itself is clipped, in so many places; `None` where it is not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clipped_places: Option<u64>,
    /// Short-term level at the ear (0.4 s) exceeded for 1, 10, 50 and 90 % of the time, dB re that of the whole piece; `None`
    /// where it is silent then.
    pub short_term_db: [Option<f64>; 4],
    /// At the listening level.
    pub needs: Needs,
    /// Headroom of pink noise over the listening level that this piece needs, dB.
    pub headroom_needed_db: Reading,
    /// What is left between its highest peak and the limit, worse polarity, dB; negative: missing.
    pub room_db: Reading,
    /// The answer.
    pub plays: Plays,
    /// False where a doubt stands on the evidence.
    pub firm: bool,
    /// Why, in words.
    pub because: String,
}

/// What a piece needs at the listening level.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Needs {
    /// This.
    #[serde(rename = "told")]
    Determined(Box<Needed>),
    /// Nothing is given, and why.
    #[serde(rename = "not-told")]
    NotDetermined(String),
}

/// Drive of a piece at the listening level.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Needed {
    /// Gain on the samples, dB.
    pub gain_db: Estimate,
    /// Average drive, dBFS RMS.
    pub average_dbfs: Estimate,
    /// Highest peak above and below zero that the limit acts on, dB re full scale.
    pub peak_db: [Estimate; 2],
    /// The same in volts peak of the open output (at the headphone where the volts were read there); `None` without volts.
    pub peak_v: Option<[Estimate; 2]>,
    /// Peak of 0.2 s (larger polarity) exceeded for 1, 10, 50 and 90 % of the time, dB re full scale.
    pub peaks_db: [Option<f64>; 4],
    /// Share of the time (of 0.2 s each) whose peaks come within 3 dB of the limit or pass it; of a limit that is a lower
    /// bound: at most. `None` where no limit is given.
    pub near_limit: Option<f64>,
    /// Share of the time whose peaks pass it, likewise.
    pub past_limit: Option<f64>,
}

/// What the drive must not pass.
struct Limit {
    /// Above and below zero, peak, dB re full scale.
    sides: [Reading; 2],
    /// What it acts on.
    samples: bool,
    words: String,
}

impl Needed {
    /// The higher of the two peaks, dB re full scale.
    pub fn highest_db(&self) -> Estimate {
        higher(self.peak_db)
    }

    /// The same in volts.
    pub fn highest_v(&self) -> Option<Estimate> {
        self.peak_v.map(higher)
    }
}

fn higher([above, below]: [Estimate; 2]) -> Estimate {
    if above.value >= below.value { above } else { below }
}

impl PieceJudged {
    /// What it needs, where that is given.
    pub fn needed(&self) -> Option<&Needed> {
        match &self.needs {
            Needs::Determined(needed) => Some(needed),
            Needs::NotDetermined(_) => None,
        }
    }

    /// The answer in words, with its doubt.
    pub fn answer(&self) -> String {
        format!("{}{}", self.plays, if self.firm { "" } else { ", in doubt" })
    }
}

/// Adds what these pieces need; the sentence about them then leads. `way` and its place as for [`judge_piece`].
pub fn add_music(
    record: &Record,
    judgement: &mut Judgement,
    listening: Option<ListeningLevel>,
    music: &[Music],
    (way, place): (&Way, usize),
) {
    let judged = music.iter().map(|piece| judge_piece(record, judgement, listening, piece, (way, place)));
    let judged: Vec<PieceJudged> = judged.collect();
    if let Some(first) = lead(record, &judged, listening) {
        judgement.sentence = format!("{first} {}", judgement.sentence);
    }
    judgement.music = judged;
}

/// The verdict on these pieces, which leads; `None` without any.
pub fn lead(record: &Record, pieces: &[PieceJudged], listening: Option<ListeningLevel>) -> Option<String> {
    sentence::of_music(record, pieces, listening)
}

/// Judges a piece; `way` is the place of this session's way among those that the music was measured through.
pub fn judge_piece(
    record: &Record,
    judgement: &Judgement,
    listening: Option<ListeningLevel>,
    music: &Music,
    (way, place): (&Way, usize),
) -> PieceJudged {
    let piece = &music.piece;
    let silent = Loudness { mean_square: 0.0, frames: Vec::new() };
    let loudness = piece.loudness.get(place).unwrap_or(&silent);
    let limit = limit(record, &judgement.threshold, &judgement.highest_clean);
    let long_enough = match piece.seconds < SHORTEST_S {
        true => Err(format!(
            "it lasts {} s, and an average over less than {SHORTEST_S} s says nothing of music; give more of it",
            tidy(piece.seconds, 1)
        )),
        false => Ok(()),
    };
    let gain = long_enough.clone().and_then(|()| gain(record, judgement, listening, way, loudness));
    let needs = match &gain {
        Ok(gain) => Needs::Determined(Box::new(needed(record, piece, *gain, &limit))),
        Err(why) => Needs::NotDetermined(why.clone()),
    };
    let room_db = match &needs {
        Needs::Determined(needed) => room(&limit, needed),
        Needs::NotDetermined(why) => Reading::NotDetermined(why.clone()),
    };
    let (plays, because) = plays(&room_db, &limit);
    let doubts = judgement.flaws.iter().filter(|flaw| flaw.weight == Weight::Doubt).count();
    PieceJudged {
        file: music.file.clone(),
        hash: music.hash.clone(),
        mislabelled: music.mislabelled.clone(),
        rate_hz: piece.rate_hz,
        channels: piece.channels,
        seconds: piece.seconds,
        level_dbfs: piece.level_dbfs().unwrap_or(f64::NEG_INFINITY),
        peak_db: db_from_amplitude(piece.waveform().largest()).unwrap_or(f64::NEG_INFINITY),
        peak_over_average_db: piece.peak_over_average_db().unwrap_or(0.0),
        clipped_places: (piece.flat_tops >= CLIPPED_FROM).then_some(piece.flat_tops),
        short_term_db: short_term(loudness),
        needs,
        headroom_needed_db: match long_enough {
            Ok(()) => headroom_needed(record, listening, way, piece, loudness),
            Err(why) => Reading::NotDetermined(why),
        },
        room_db,
        plays,
        firm: doubts == 0,
        because,
    }
}

/// dB to add to the samples so that the piece has the listening level.
fn gain(
    record: &Record,
    judgement: &Judgement,
    listening: Option<ListeningLevel>,
    way: &Way,
    loudness: &Loudness,
) -> Result<Estimate, String> {
    let listening = listening.ok_or("no listening level was stated")?;
    let through = through(way, loudness)?;
    let line = straight_line(record).ok_or("the gain of the chain was not determined")?;
    let spl = line.spl.ok_or("the chain has no calibration offset for this ear")?;
    // From dBFS at the input to dB SPL, at the mean seat.
    let seat = seat_shift(record, &judgement.seats);
    let to_spl = spl.shifted(-line.input.value).plus(&seat);
    Ok(to_spl.negative().shifted(listening.level.db() - through))
}

/// Level at the input for samples as they stand, weighted as the listening level is, dBFS.
fn through(way: &Way, loudness: &Loudness) -> Result<f64, String> {
    if let Some(why) = &way.not_determined {
        return Err(why.clone());
    }
    loudness.level_db().ok_or_else(|| "none of it lies where the response was measured".into())
}

/// No calibration is needed for it: both levels go the same way.
fn headroom_needed(
    record: &Record,
    listening: Option<ListeningLevel>,
    way: &Way,
    piece: &Piece,
    loudness: &Loudness,
) -> Reading {
    let stated = || -> Result<f64, String> {
        let through = through(way, loudness)?;
        let line = straight_line(record).ok_or("the gain of the chain was not determined")?;
        let input = record.head.chain.deciding_input();
        let spectra = record.climbed().rev().filter_map(|s| Some(s.pink(input)?.0));
        let flat = ListeningLevel { level: DbSpl(0.0), weighting: Weighting::Z, field: None };
        let z_less_stated = z_less_stated_by(spectra, &listening.unwrap_or(flat), record.head.chain.coupler)?;
        let factor = record.head.plan.pink.period(record.head.playback.rate).true_peak_factor_db();
        let peak = db_from_amplitude(piece.waveform().largest()).ok_or("it is silent")?;
        // A full-scale sine peaks at its level in dBFS; pink noise of that level by its factor less 3.01 dB higher.
        let pink_peak = factor.ok_or("the noise has no peak")? - 10.0 * 2f64.log10();
        Ok(peak - through - (z_less_stated - line.input.value + pink_peak))
    };
    stated().map_or_else(Reading::NotDetermined, |db| Reading::Determined(Estimate::exact(db)))
}

/// The output's limit: the clip level per polarity, else the peaks of the highest clean noise.
fn limit(record: &Record, threshold: &Threshold, highest: &HighestClean) -> Limit {
    if let Threshold::Determined(stated) = threshold {
        let sides = [&stated.positive, &stated.negative].map(at_most_full_scale);
        return Limit { sides, samples: stated.acts_on == ActsOn::Samples, words: "where it clips".into() };
    }
    if let Threshold::NoneUpTo { full_scale: true, .. } = threshold
        && matches!(highest.drive, Reading::Determined(_))
    {
        let full = || Reading::Determined(Estimate::exact(0.0));
        return Limit { sides: [full(), full()], samples: false, words: "full scale, up to which it is clean".into() };
    }
    let period = record.head.plan.pink.period(record.head.playback.rate);
    let Peaks { positive, negative } = period.peaks;
    let side = |peak: f64| match (period.full_drive(), db_from_amplitude(peak)) {
        (Some(full), Some(peak)) => highest.drive.rescaled(|drive| drive - full.db() + peak),
        _ => Reading::NotDetermined("the noise has no peak".into()),
    };
    let words = format!("the highest clean drive: {}", highest.decided_by);
    Limit { sides: [side(positive), side(negative)], samples: false, words }
}

fn at_most_full_scale(reading: &Reading) -> Reading {
    reading.rescaled(|db| db.min(0.0))
}

fn needed(record: &Record, piece: &Piece, gain: Estimate, limit: &Limit) -> Needed {
    let peaks = if limit.samples { piece.samples() } else { piece.waveform() };
    let side = |peak: f64| gain.shifted(db_from_amplitude(peak).unwrap_or(f64::NEG_INFINITY));
    let peak_db = [side(peaks.positive), side(peaks.negative)];
    let of = |block: &Block| if limit.samples { block.samples } else { block.waveform };
    let full = record.head.chain.output_side.volts_per_full_scale;
    let peak_v = full.and_then(|full| {
        let [positive, negative] =
            peak_db.map(|peak| peak_volts(&Reading::Determined(peak), &full).determined().copied());
        Some([positive?, negative?])
    });
    let largest = piece.blocks.iter().map(|b| f64::from(of(b)[0].max(of(b)[1])));
    let peaks_db = exceeded(largest.collect()).map(|peak| db_from_amplitude(peak).map(|db| db + gain.value));
    let beyond = |under_db: f64| {
        let sides = [limit.sides[0].estimate()?.value, limit.sides[1].estimate()?.value];
        let passes = |block: &&Block| {
            let pairs = of(block).into_iter().zip(sides);
            pairs.into_iter().any(|(peak, side)| {
                db_from_amplitude(f64::from(peak)).is_some_and(|db| db + gain.value > side - under_db)
            })
        };
        Some(piece.blocks.iter().filter(passes).count() as f64 / piece.blocks.len().max(1) as f64)
    };
    let average_dbfs = gain.shifted(piece.level_dbfs().unwrap_or(f64::NEG_INFINITY));
    let (near_limit, past_limit) = (beyond(NEAR_DB), beyond(0.0));
    Needed { gain_db: gain, average_dbfs, peak_db, peak_v, peaks_db, near_limit, past_limit }
}

/// The worse polarity's.
fn room(limit: &Limit, needed: &Needed) -> Reading {
    let left = |side: &Reading, peak: &Estimate| match side {
        Reading::Determined(e) => Reading::Determined(e.plus(&peak.negative())),
        Reading::AtLeast(e) => Reading::AtLeast(e.plus(&peak.negative())),
        Reading::Below(_) => Reading::NotDetermined("only a bound of the limit is known".into()),
        Reading::NotDetermined(why) => Reading::NotDetermined(why.clone()),
    };
    let [positive, negative] = [0, 1].map(|i| left(&limit.sides[i], &needed.peak_db[i]));
    match (positive.estimate(), negative.estimate()) {
        (None, _) => positive,
        (_, None) => negative,
        (Some(above), Some(below)) if above.value <= below.value => positive,
        _ => negative,
    }
}

fn plays(room_db: &Reading, limit: &Limit) -> (Plays, String) {
    let held = format!("compared with {}", limit.words);
    match room_db {
        Reading::Determined(room) if room.interval.low >= 0.0 => (Plays::Clean, held),
        Reading::Determined(room) if room.interval.high < 0.0 => (Plays::NotClean, held),
        Reading::Determined(_) => (Plays::CleanOrNot, held),
        Reading::AtLeast(room) if room.interval.low >= 0.0 => (Plays::Clean, held),
        Reading::AtLeast(_) => {
            (Plays::NotDetermined, format!("it needs more than was shown to be clean ({}); climb higher", limit.words))
        }
        Reading::Below(_) => (Plays::NotDetermined, "only a bound of the limit is known".into()),
        Reading::NotDetermined(why) => (Plays::NotDetermined, why.clone()),
    }
}

/// Levels exceeded for [`EXCEEDED`] of the time, dB re the whole piece. The first and last frame are half empty.
fn short_term(loudness: &Loudness) -> [Option<f64>; 4] {
    let whole = match loudness.frames.len() {
        0..=2 => &loudness.frames[..],
        n => &loudness.frames[1..n - 1],
    };
    let of_time = exceeded(whole.iter().copied().map(f64::from).collect());
    of_time.map(|power| db_from_power(power / loudness.mean_square))
}

/// Values that [`EXCEEDED`] of all are above; zero of none.
fn exceeded(mut values: Vec<f64>) -> [f64; 4] {
    values.sort_by(|a, b| b.total_cmp(a));
    EXCEEDED.map(|share| values.get((share * values.len() as f64) as usize).copied().unwrap_or(0.0))
}
