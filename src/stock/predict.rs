//! What an output and a headphone do together, before anybody measured it.
//!
//! ```text
//! limit on this load (or full scale) ─► open volts ─► divider per one-third octave ─► sound per volt ─► highest clean level
//! ```

use super::fit::one_seat;
use super::known::{KnownHeadphone, KnownOutput, Loudness, unstated_source};
use super::limits::{SAME_DB, StoppedBy};
use super::ohms::{Ohms, band_db, divided_db, peaks_db, share_db};
use crate::analysis::band;
use crate::judgement::{Verdict, verdict};
use crate::session::chain::Coupler;
use crate::session::listening::z_less_stated_of;
use crate::session::plan::{HeadroomRule, ListeningLevel, Weighting};
use crate::stats::{Estimate, Reading};
use crate::units::{amplitude_from_db, db_from_power, power_from_db};
use serde::{Deserialize, Serialize};

/// Where a listening level comes from. It is never that of a session: a session's plan says for whom that one was played.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LevelFrom {
    /// Stated for what is looked at now.
    #[default]
    Stated,
    /// Kept as the listener's own.
    Kept,
}

impl LevelFrom {
    /// Whose level it is, in words.
    pub fn words(self) -> &'static str {
        match self {
            LevelFrom::Stated => "as stated for this",
            LevelFrom::Kept => "the listener's own, as kept",
        }
    }
}

/// The listener: how loud, and what is called ample.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Listener {
    /// Listening level; `None`: no headroom is determined.
    pub level: Option<ListeningLevel>,
    /// Whose it is.
    pub level_from: LevelFrom,
    /// Half width of its interval where it was measured, dB, 95 %; zero where it is stated.
    pub half_width_db: f64,
    /// The rule.
    pub rule: HeadroomRule,
}

/// What a pairing does, measured or predicted.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pairing {
    /// Highest clean level of pink noise at the point, Z, dB SPL.
    pub level_spl: Reading,
    /// The same less the listening level, dB.
    pub headroom_db: Reading,
    /// What that is called.
    pub verdict: Verdict,
    /// Share of the full drive that pink noise at the listening level takes (1 is all of it), a ratio of voltages; `None`
    /// where it is not known.
    pub share_of_full: Option<f64>,
    /// What stops it; `None` where not determined.
    pub stopped_by: Option<StoppedBy>,
    /// What its interval leaves out, and what it stands on, in words.
    pub remarks: Vec<String>,
}

/// Peak of the open output that a load allows, dB re 1 V, and what stops it: the limits, or digital full scale.
pub fn available_db(output: &KnownOutput, z_db: &Estimate) -> (Reading, Option<StoppedBy>) {
    let (limit, by) = output.limits.at(z_db);
    let Some(full) = output.full_scale_db() else { return (limit, by) };
    let full = Estimate::exact(full);
    match limit {
        Reading::Determined(limit) | Reading::AtLeast(limit) if limit.value >= full.value - SAME_DB => {
            (Reading::Determined(Estimate::lower_of(full, limit)), Some(StoppedBy::FullScale))
        }
        Reading::Below(high) => (Reading::Below(high.min(full.value)), by),
        // It cannot give more than full scale; what its current allows is not known.
        Reading::NotDetermined(_) if output.limits.are_unknown() => (Reading::Below(full.value), None),
        other => (other, by),
    }
}

/// Level of pink noise per dB re 1 V RMS of the open output, and its half width, dB.
fn level_per_open_volt(output: &KnownOutput, headphone: &KnownHeadphone) -> Result<(f64, f64), String> {
    let (source, load) = both(output, headphone)?;
    let divided = divided_db(source, load);
    let share_db = share_db(&divided);
    // What source and load leave open, as it acts at 1 kHz.
    let loss = |source: f64, load: f64| 20.0 * (load / (load + source)).log10();
    let (s, l) = (source.magnitude, load.magnitude);
    let at = loss(s.value, l.value);
    let farther = |ends: [f64; 2]| ends.map(|end| (end - at).abs()).into_iter().fold(0.0, f64::max);
    let by_source = farther([s.interval.low.max(0.0), s.interval.high].map(|ohm| loss(ohm, l.value)));
    let by_load = farther([l.interval.low, l.interval.high].map(|ohm| loss(s.value, ohm)));
    let open = by_source.hypot(by_load);
    let lost = |x: i32| band_db(&divided, x).unwrap_or(0.0);
    let (powers, half): (f64, f64) = match headphone.loudness.as_ref().map_err(Clone::clone)? {
        Loudness::Bands { bands, half_width_db } => {
            (bands.iter().map(|(x, db)| power_from_db(db + lost(*x) + share_db)).sum(), *half_width_db)
        }
        Loudness::Pink { db_per_volt, .. } => {
            let volts: f64 = divided.iter().map(|(_, db)| power_from_db(db + share_db)).sum();
            (power_from_db(db_per_volt.value) * volts, db_per_volt.half_width())
        }
    };
    let level = db_from_power(powers).ok_or("the headphone has no response")?;
    Ok((level, half.hypot(open)))
}

fn both<'a>(output: &'a KnownOutput, headphone: &'a KnownHeadphone) -> Result<(&'a Ohms, &'a Ohms), String> {
    let source = output.source.as_ref();
    let source = source.ok_or_else(|| format!("the source impedance of {} is not known", output.name.words()))?;
    let load = headphone.load.as_ref();
    let load = load.ok_or_else(|| format!("the impedance of {} is not known", headphone.name))?;
    Ok((source, load))
}

/// The pairing of an output with a headphone, from what is known of each.
pub fn predict(
    output: &KnownOutput,
    headphone: &KnownHeadphone,
    listener: &Listener,
    true_peak_factor_db: f64,
) -> Pairing {
    match predicted(output, headphone, listener, true_peak_factor_db) {
        Ok(pairing) => pairing,
        Err(why) => Pairing {
            level_spl: Reading::NotDetermined(why.clone()),
            headroom_db: Reading::NotDetermined(why.clone()),
            verdict: verdict(&Reading::NotDetermined(why), listener.rule, 0),
            share_of_full: None,
            stopped_by: None,
            remarks: Vec::new(),
        },
    }
}

fn predicted(
    output: &KnownOutput,
    headphone: &KnownHeadphone,
    listener: &Listener,
    true_peak_factor_db: f64,
) -> Result<Pairing, String> {
    let (source, load) = both(output, headphone)?;
    let (gain, half) = level_per_open_volt(output, headphone)?;
    let (available, stopped_by) = available_db(output, &peaks_db(source, load));
    let volts_half = output.open_db.map_or(0.0, |e| e.half_width());
    let level_spl = available.plus(&Estimate::symmetric(gain - true_peak_factor_db, half.hypot(volts_half)));
    let bands = headphone.spectrum(output);
    let listening = listening_z(listener.level.as_ref(), headphone.coupler, &bands);
    let full = output.full_scale_db();
    let share_of_full =
        listening.as_ref().ok().zip(full).map(|(l, full)| amplitude_from_db(l - (full + gain - true_peak_factor_db)));
    let mut remarks = Vec::new();
    if matches!(headphone.loudness, Ok(Loudness::Pink { response_unknown: true, .. })) {
        remarks.push("its response is not known: ±4 dB are included for pink noise".into());
    }
    if matches!(headphone.loudness, Ok(Loudness::Bands { .. })) && headphone.seats < 2 {
        remarks.push(one_seat());
    }
    if output.source_is_default {
        remarks.push(format!("the source impedance is {}", unstated_source()));
    }
    if output.limits.are_unknown() {
        remarks.push("only its volts are stated, not its power into a load: type its power with `--power`".into());
    }
    if !output.gain_by_load.is_empty() {
        remarks.push("its gain changes with the load: the drive that it needs is not determined".into());
    }
    let in_doubt = output.in_doubt || headphone.in_doubt;
    if in_doubt {
        remarks.push("it rests on a session with doubts: nothing better is known".into());
    }
    Ok(pairing(level_spl, listening, listener, usize::from(in_doubt), share_of_full, stopped_by, remarks))
}

impl KnownHeadphone {
    /// Spectrum of pink noise on this output in one-third octaves, dB re an unknown level; empty where not known.
    fn spectrum(&self, output: &KnownOutput) -> Vec<(i32, f64)> {
        let divided = output.source.as_ref().zip(self.load.as_ref()).map(|(s, l)| divided_db(s, l)).unwrap_or_default();
        let lost = |x: i32| band_db(&divided, x).unwrap_or(0.0);
        self.shape.iter().map(|(x, db)| (*x, db + lost(*x))).collect()
    }
}

/// The listening level as Z at the point.
pub(super) fn listening_z(
    listening: Option<&ListeningLevel>,
    coupler: Option<Coupler>,
    bands: &[(i32, f64)],
) -> Result<f64, String> {
    let listening = listening.ok_or_else(not_stated)?;
    if listening.field.is_none() && listening.weighting == Weighting::Z {
        return Ok(listening.level.db());
    }
    if bands.len() < band::BANDS.count() / 2 {
        return Err(
            "the listening level is weighted, and no response of this headphone is known to convert it to Z".into()
        );
    }
    let coupler = coupler.unwrap_or(Coupler::Other);
    z_less_stated_of(bands, listening, coupler).map(|db| listening.level.db() + db)
}

pub(super) fn not_stated() -> String {
    "no listening level is kept".into()
}

/// Headroom and verdict of a level.
pub(super) fn pairing(
    level_spl: Reading,
    listening: Result<f64, String>,
    listener: &Listener,
    doubts: usize,
    share_of_full: Option<f64>,
    stopped_by: Option<StoppedBy>,
    remarks: Vec<String>,
) -> Pairing {
    let headroom_db = match &listening {
        Ok(listening) => level_spl.plus(&Estimate::symmetric(-listening, listener.half_width_db)),
        Err(why) => Reading::NotDetermined(why.clone()),
    };
    let verdict = verdict(&headroom_db, listener.rule, doubts);
    Pairing { level_spl, headroom_db, verdict, share_of_full, stopped_by, remarks }
}
