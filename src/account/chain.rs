//! A chain in words: everything between the stimulus and the samples, and how old what is known of it is.

use super::when;
use crate::calibration::Curve;
use crate::calibration::curve::Column;
use crate::calibration::electrical::{Impedance, level_words, ohms_words};
use crate::figure::Figure;
use crate::session::chain::{Chain, Driven, OutputSide, Supply, Wiring};
use crate::stats::Estimate;

/// The chain from left to right, one row a thing: its name and what is known of it. An empty name goes on with the row
/// before, an indented one belongs to it.
pub fn rows(chain: &Chain) -> Vec<(&'static str, String)> {
    let routing = &chain.routing;
    let from_one = |channels: &[u16]| channels.iter().map(|c| (c + 1).to_string()).collect::<Vec<_>>().join(", ");
    let mut rows = vec![(
        "plays",
        format!("{}, channels {}, {}", routing.playback, from_one(&routing.playback_channels), routing.playback_rate),
    )];
    rows.push(("output", chain.output.clone()));
    let side = side_words(&chain.output_side);
    if !side.is_empty() {
        rows.push(("", side));
    }
    rows.push(("  volume position", stated(&chain.positions())));
    rows.push(("  wiring", stated(&wiring(&chain.output_side))));
    if let Some(volts) = &chain.output_side.volts_per_full_scale {
        let from = chain.output_side.volts_from.as_ref();
        let how = from.map_or(", typed".into(), |from| {
            let place = if from.loaded { "at the headphone" } else { "open" };
            format!(", {place}, by {} at {:.0} Hz{}", from.meter.words(), from.frequency_hz, taken(&from.taken_at))
        });
        rows.push(("  full scale", level_words(volts) + &how));
    }
    rows.extend(impedance_rows("  source", &chain.output_side.source_impedance_ohm, &chain.output_side.source));
    rows.push(("headphone", chain.headphone.clone()));
    rows.extend(impedance_rows("  impedance", &chain.output_side.load_impedance_ohm, &chain.output_side.load));
    rows.push(("coupler", format!("{}; levels are those at the {}", chain.coupler.words(), chain.point())));
    rows.push(("", chain.coupler.note().text));
    rows.push(("records", format!("{} at {}", routing.capture, routing.capture_rate)));
    rows.push(("input gain", stated(&chain.gain)));
    for input in &routing.capture_channels {
        rows.push(("input", format!("channel {}: {}", input.channel + 1, input.role.in_words())));
        if let Some(microphone) = chain.microphones.get(&input.role) {
            let certificate = microphone.certificate.as_ref().map(|date| format!("certificate of {date}"));
            rows.push(("  microphone", joined([microphone.words("microphone"), certificate.unwrap_or_default()])));
        }
        if let Some(acoustic) = chain.acoustic(input.role) {
            rows.push(("  offset", format!("{}{}", offset_words(&acoustic.offset), taken(&acoustic.taken_at))));
        }
        if let Some(volts) = chain.input_volts.get(&input.role) {
            rows.push(("  full scale", level_words(&volts.volts_per_full_scale) + &taken(&volts.taken_at)));
        }
        for curve in chain.curves.get(&input.role).map_or(&[][..], |curves| &curves.0) {
            rows.push(("  curve", curve_words(curve)));
        }
    }
    if let Some(max) = chain.microphone_max_db_spl {
        rows.push(("microphone", format!("up to {max} dB SPL")));
    }
    if chain.calibrator.is_some() || chain.fitted.is_some() {
        let calibrator = chain.calibrator.clone().unwrap_or_default();
        let certificate = calibrator.certificate.as_ref().map(|date| format!("certificate of {date}"));
        let fitted = chain.fitted.map_or_else(String::new, |place| format!("fitted {}", place.words()));
        rows.push((
            "calibrator",
            joined([calibrator.words("sound calibrator"), certificate.unwrap_or_default(), fitted]),
        ));
    }
    let ages = chain.ages;
    rows.push((
        "doubted after",
        format!("{} hours (offset), {} months (certificates)", ages.offset_hours, ages.certificate_months),
    ));
    rows
}

fn curve_words(curve: &Curve) -> String {
    let range = curve.correction.range_hz().map_or_else(String::new, |(low, high)| format!("{low} to {high} Hz"));
    let what = match curve.column {
        Column::Gain => "a gain, taken off",
        Column::Correction => "a correction, added",
    };
    joined([curve.name.clone(), range, what.into(), curve.fingerprint.clone()])
}

/// What was typed, or that nothing was: a number without it cannot be measured again.
fn stated(words: &str) -> String {
    if words.trim().is_empty() { "not stated".into() } else { words.into() }
}

fn wiring(side: &OutputSide) -> String {
    side.wiring.map_or_else(String::new, |wiring| match wiring {
        Wiring::Balanced => "balanced".into(),
        Wiring::SingleEnded => "single-ended".into(),
    })
}

fn side_words(side: &OutputSide) -> String {
    let ceilings = side.ceilings;
    joined([
        side.driven.map_or_else(String::new, |driven| match driven {
            Driven::Both => "both channels driven".into(),
            Driven::One => "one channel driven".into(),
        }),
        side.supply.map_or_else(String::new, |supply| match supply {
            Supply::Mains => "on the mains".into(),
            Supply::Battery => "on its battery".into(),
            Supply::Bus => "on the bus".into(),
        }),
        side.replugged_with_load.map_or_else(String::new, |yes| {
            if yes { "plugged in again with the load".into() } else { "not plugged in again with the load".into() }
        }),
        ceilings.spl.map_or_else(String::new, |l| format!("ceiling {l}")),
        ceilings.drive.map_or_else(String::new, |l| format!("ceiling {l}")),
        ceilings.volts.map_or_else(String::new, |v| format!("ceiling {v} V")),
        ceilings.milliwatts.map_or_else(String::new, |p| format!("ceiling {p} mW")),
    ])
}

/// An impedance and how it was found.
fn impedance_rows(
    name: &'static str,
    stated: &Option<Estimate>,
    curve: &Option<Impedance>,
) -> Option<(&'static str, String)> {
    let stated = stated.as_ref()?;
    let how = curve.as_ref().map_or(", typed".into(), |curve| {
        let range = curve.extremes().map_or(String::new(), |[low, high]| {
            format!(
                "; {:.2} Ω at {:.0} Hz to {:.2} Ω at {:.0} Hz",
                low.magnitude.value, low.frequency_hz, high.magnitude.value, high.frequency_hz
            )
        });
        format!("{range}; {}, at the {}{}", curve.from, curve.plane, taken(&curve.taken_at))
    });
    Some((name, format!("{} at 1 kHz{how}", ohms_words(stated))))
}

/// What 0 dBFS at an input stands for.
pub fn offset_words(offset: &Estimate) -> String {
    format!("0 dBFS = {} dB SPL", Figure::new(offset, 2).words())
}

fn taken(at: &str) -> String {
    format!(", taken {}", when::words(at))
}

fn joined<const N: usize>(parts: [String; N]) -> String {
    parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ")
}
