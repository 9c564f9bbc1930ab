//! The answers in volts and milliwatts at the load, where the output's volts are known.

use super::{HighestClean, Threshold};
use crate::analysis::Flaw;
use crate::calibration::electrical::{AtLoad, volts_words};
use crate::card::InputRole;
use crate::session::chain::pink_spectrum;
use crate::session::record::Record;
use crate::session::step::Purpose;
use crate::stats::{Estimate, Reading};
use crate::units::{Dbfs, amplitude_from_db};
use serde::{Deserialize, Serialize};
use std::f64::consts::{LN_10, SQRT_2};

/// The answers in volts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct InVolts {
    /// Pink noise at the highest clean drive, RMS; `None` where that is not determined.
    pub highest_clean: Option<AtLoad>,
    /// True where the highest clean drive is a lower bound.
    pub at_least: bool,
    /// Clipping threshold above and below zero, volts peak of the open output (at the headphone where the volts were read
    /// there); `None` where it is not determined.
    pub clip_peak_v: Option<[Reading; 2]>,
}

pub(super) fn in_volts(record: &Record, threshold: &Threshold, highest: &HighestClean) -> Option<InVolts> {
    let chain = &record.head.chain;
    let full = chain.output_side.volts_per_full_scale?;
    let drive = highest.drive.estimate();
    let highest_clean = drive.and_then(|d| Some(widened(chain.at_load(Dbfs(d.value), &pink_spectrum())?, d)));
    let clip_peak_v = match threshold {
        Threshold::Determined(stated) => Some([&stated.positive, &stated.negative].map(|peak| peak_volts(peak, &full))),
        _ => None,
    };
    Some(InVolts { highest_clean, at_least: matches!(highest.drive, Reading::AtLeast(_)), clip_peak_v })
}

/// The volts that a witness reads against those computed from the output's own and both impedances, on the quiet reference: where
/// neither interval reaches the other, one of the two calibrations is wrong and both are doubted.
pub(super) fn witness_disagrees(record: &Record) -> Option<Flaw> {
    let chain = &record.head.chain;
    let input = chain.routing.capture_channels.iter().position(|c| c.role == InputRole::Witness)?;
    let step = record.last(Purpose::Reference)?;
    let drive = step.step.drive?;
    let read = chain.input_volts_of(InputRole::Witness, &step.pink(input)?.0.level_z?)?;
    let computed = chain.at_load(drive, &pink_spectrum()).filter(|at| !at.open)?.volts;
    let apart = read.interval.low > computed.interval.high || computed.interval.low > read.interval.high;
    apart.then(|| {
        Flaw::doubt(
            "volts-disagree",
            format!(
                "The witness reads {}, but the output's volts and both impedances predict {} from {drive}: one of the calibrations is wrong, so neither the witness nor what depends on the others is used. Calibrate the output's volts, the impedances and the witness again.",
                volts_words(&read),
                volts_words(&computed)
            ),
        )
    })
}

/// With what the drive itself leaves open (dB; a small share).
pub(super) fn widened(at: AtLoad, drive: &Estimate) -> AtLoad {
    let share = drive.half_width() * LN_10 / 20.0;
    let more = |e: Estimate, share: f64| Estimate::symmetric(e.value, e.half_width().hypot(e.value * share));
    AtLoad { volts: more(at.volts, share), milliwatts: at.milliwatts.map(|p| more(p, 2.0 * share)), ..at }
}

/// A full-scale sine has a peak of √2 of its RMS volts.
pub(super) fn peak_volts(peak_db: &Reading, full: &Estimate) -> Reading {
    let scaled = |e: &Estimate| {
        let value = SQRT_2 * full.value * amplitude_from_db(e.value);
        let share = (full.half_width() / full.value).hypot(e.half_width() * LN_10 / 20.0);
        Estimate::symmetric(value, value * share)
    };
    match peak_db {
        Reading::Determined(e) => Reading::Determined(scaled(e)),
        Reading::AtLeast(e) => Reading::AtLeast(scaled(e)),
        other => other.rescaled(|db| SQRT_2 * full.value * amplitude_from_db(db)),
    }
}
