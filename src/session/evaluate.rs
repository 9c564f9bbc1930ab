//! What a finding means on this chain: here full scale meets the calibration.

use super::chain::Chain;
use super::climb::{GAIN_TOLERANCE_DB, Purpose};
use super::record::{InputResult, Record, SoundLevels};
use crate::analysis::{Finding, Flaw, Reference};
use crate::card::{InputRole, known_name, pair_in_words};
use crate::stats::Estimate;

/// Turns one input's finding into physical values.
pub fn evaluate(finding: Finding, role: InputRole, chain: &Chain, reference: Option<&Reference>) -> InputResult {
    let sound = sound_levels(&finding, role, chain);
    let gain_change_db = gain_change(&finding, reference);
    InputResult { role, finding, gain_change_db, sound }
}

fn gain_change(finding: &Finding, reference: Option<&Reference>) -> Option<Estimate> {
    let Finding::Pink(pink) = finding else { return None };
    Some(pink.gain_db?.shifted(-reference?.gain_db))
}

fn sound_levels(finding: &Finding, role: InputRole, chain: &Chain) -> Option<SoundLevels> {
    let acoustic = chain.acoustic(role)?;
    let spl = |level: Option<Estimate>| level.map(|l| l.plus(&acoustic.offset));
    let peak = finding.common().peak.map(|p| {
        // A peak is re the peak of a full-scale sine, a level re its RMS: 3.01 dB apart.
        p.db() + acoustic.offset.value + 10.0 * 2f64.log10()
    });
    let unweighted = |z| SoundLevels { z, a: None, c: None, mid: None, peak };
    Some(match finding {
        Finding::Pink(p) | Finding::Shaped(p) => {
            SoundLevels { z: spl(p.level_z), a: spl(p.level_a), c: spl(p.level_c), mid: spl(p.level_mid), peak }
        }
        Finding::Sine(s) => unweighted(spl(s.level)),
        Finding::TwoTones(f) => unweighted(spl(f.level)),
        Finding::Sweep(f) => unweighted(spl(f.level)),
        Finding::Burst(f) => unweighted(spl(f.level)),
        Finding::Noise(f) => unweighted(spl(f.level)),
        Finding::Silence(s) => SoundLevels { z: spl(s.noise_z), a: spl(s.noise_a), c: None, mid: None, peak },
    })
}

/// What is wrong or limited about the session as a whole.
pub fn chain_flaws(record: &Record) -> Vec<Flaw> {
    let mut flaws = Vec::new();
    let head = &record.head;
    for granted in [&head.playback, &head.capture] {
        if let Some(why) = &granted.may_resample {
            flaws.push(Flaw::note(
                "route-can-resample",
                format!("The route through {} can resample ({why}); nothing showed that it did. A direct route of the card excludes it.", granted.id),
            ));
        }
    }
    flaws.extend(head.playback.simulates.as_ref().map(|devices| simulated(devices, &head.chain)));
    if !head.chain.is_calibrated() {
        flaws.push(Flaw::note(
            "not-calibrated",
            "No calibration offset is known for this ear: levels are in dBFS. Calibrate with a sound calibrator for dB SPL.",
        ));
    }
    flaws.extend(reference_moved(record));
    flaws
}

/// What was behind the card, and whether it is what the session is named after.
fn simulated(devices: &str, chain: &Chain) -> Flaw {
    let asked = pair_in_words(&chain.output, &chain.headphone);
    let instead = if known_name(&asked, [devices]).is_some() {
        String::new()
    } else {
        format!(" It has no {asked}: that is only the name of this session.")
    };
    Flaw::note("simulated", format!("The bench was simulated: {devices}, all invented.{instead}"))
}

/// The reference played again at the end shows whether seat, gain or chain moved.
fn reference_moved(record: &Record) -> Option<Flaw> {
    let input = record.head.chain.deciding_input();
    let gain = |purpose| record.last(purpose).and_then(|s| s.pink(input)?.0.gain_db);
    let (first, again) = (gain(Purpose::Reference)?, gain(Purpose::ReferenceAgain)?);
    let moved = again.value - first.value;
    (moved.abs() - again.half_width().hypot(first.half_width()) > GAIN_TOLERANCE_DB).then(|| {
        Flaw::doubt(
            "chain-moved",
            format!("The quiet reference came back {moved:+.2} dB at the end: seat, gain or chain moved during the climb. Check the fit and run again."),
        )
    })
}
