//! What a finding means on this chain: here full scale meets the calibration.

use super::chain::{AgedPart, Chain, ChainCeilings, Coupler};
use super::clean::GAIN_TOLERANCE_DB;
use super::climb::{Climb, NotAsAsked};
use super::plan::{AskedLevel, Ceilings};
use super::record::{Happening, InputResult, Record, SessionHead, SoundLevels, StepResult};
use super::step::Purpose;
use crate::analysis::band::band_of;
use crate::analysis::{About, Finding, Flaw, PinkFinding, Reference};
use crate::card::{InputRole, known_name, pair_in_words};
use crate::stats::Estimate;
use crate::units::{db_from_power, power_from_db, tidy, tidy_signed};

/// Drift of the calibration over a session from which its levels are in doubt, dB (common practice, no source).
const LARGEST_DRIFT_DB: f64 = 0.5;
/// Drives closer than this are the same, dB.
const SAME_DRIVE_DB: f64 = 0.05;

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
    let curve = Estimate::symmetric(0.0, chain.curve_half_width_db(role).unwrap_or(0.0));
    let spl = |level: Option<Estimate>| level.map(|l| l.plus(&acoustic.offset).plus(&curve));
    let peak = finding.common().peak.map(|p| {
        // A peak is re the peak of a full-scale sine, a level re its RMS: 3.01 dB apart.
        p.db() + acoustic.offset.value + 10.0 * 2f64.log10()
    });
    let unweighted = |z| SoundLevels { z, a: None, c: None, mid: None, peak };
    Some(match finding {
        Finding::Pink(p) | Finding::Shaped(p) => SoundLevels {
            z: spl(p.level_z),
            a: spl(p.level_a),
            c: spl(p.level_c),
            mid: spl(within(p, chain.coupler)),
            peak,
        },
        Finding::Sine(s) => unweighted(spl(s.level)),
        Finding::TwoTones(f) => unweighted(spl(f.level)),
        Finding::Sweep(f) => unweighted(spl(f.level)),
        Finding::Burst(f) => unweighted(spl(f.level)),
        Finding::Noise(f) => unweighted(spl(f.level)),
        Finding::Silence(s) => SoundLevels { z: spl(s.noise_z), a: spl(s.noise_a), c: None, mid: None, peak },
    })
}

/// Level of the range that the coupler is valid in.
fn within(pink: &PinkFinding, coupler: Coupler) -> Option<Estimate> {
    let (low, high) = coupler.stated_hz();
    if coupler.stated_hz() == Coupler::EarSimulator603184.stated_hz() {
        return pink.level_mid;
    }
    // One-third octaves by their mid-band frequencies; their noise is independent, so half widths add as powers squared.
    let (first, last) = (band_of(low), band_of(high));
    let levels: Vec<Estimate> =
        pink.bands.iter().filter(|b| (first..=last).contains(&b.x)).map(|b| b.level).collect::<Option<_>>()?;
    let power: f64 = levels.iter().map(|l| power_from_db(l.value)).sum();
    let scatter = levels.iter().map(|l| (power_from_db(l.value) * l.half_width()).powi(2)).sum::<f64>().sqrt();
    Some(Estimate::symmetric(db_from_power(power)?, scatter / power))
}

/// Calibrations that are older than the user's own limits by the end of the session.
fn ages(record: &Record) -> impl Iterator<Item = Flaw> {
    let last = record.steps.last().map_or(&record.head.started_at, |step| &step.finished_at);
    let aged = record.head.chain.aged(last);
    let stated = [
        (AgedPart::Offset, "offset-old", "Levels in dB SPL", "calibrate again"),
        (AgedPart::Certificate, "certificate-old", "Levels in dB SPL", "have it calibrated"),
        (AgedPart::Electrical, "electrical-old", "Volts and milliwatts", "calibrate again"),
    ];
    stated.into_iter().filter_map(move |(part, code, what, remedy)| {
        let texts: Vec<&str> = aged.iter().filter(|a| a.what == part).map(|a| a.text.as_str()).collect();
        let text = format!("{} {what} are doubtful; {remedy}, or raise the limit of this chain.", texts.join(" "));
        (!texts.is_empty()).then(|| Flaw::doubt(code, text))
    })
}

/// What is wrong or limited about the session as a whole.
pub fn chain_flaws(record: &Record) -> Vec<Flaw> {
    let mut flaws = Vec::new();
    let head = &record.head;
    for (way, granted) in [("playback", &head.playback), ("capture", &head.capture)] {
        if let Some(why) = &granted.may_resample {
            let text = format!(
                "The route through {} can resample ({why}); nothing showed that it did. A direct route of the card rules this out.",
                granted.id
            );
            let about = About::Card(format!("{way}, {}", granted.id));
            flaws.push(Flaw::note("route-can-resample", text).about(about));
        }
    }
    flaws.extend(head.playback.simulates.as_ref().map(|devices| simulated(devices, &head.chain)));
    flaws.extend(record.events.iter().flat_map(|event| match &event.what {
        Happening::SwapChecked { checked } => checked.flaws.clone(),
        _ => Vec::new(),
    }));
    if !head.chain.is_calibrated() {
        flaws.push(Flaw::note(
            "not-calibrated",
            "No calibration offset is known for this ear: levels are in dBFS. Calibrate with a sound calibrator for dB SPL.",
        ));
    }
    let Ceilings { volts, milliwatts, .. } = head.plan.ceilings;
    let asked = ChainCeilings { volts, milliwatts, ..ChainCeilings::default() };
    flaws.extend(head.chain.idle_ceilings(&asked).map(|text| Flaw::note("ceiling-idle", text)));
    flaws.extend(ages(record));
    flaws.extend(not_as_asked(record));
    flaws.extend(quieter_sounds(record));
    flaws.extend(reference_moved(record));
    flaws.extend(implausible(record));
    flaws.extend(super::seats::flaws(record));
    flaws.extend(super::elsewhere::flaws(record));
    flaws.extend(head.chain.ears().filter_map(|(_, role)| calibration_drifted(record, role)));
    flaws
}

/// Quieter than this no measuring microphone is, dB SPL from 20 Hz to 20 kHz (common practice, no source).
const QUIETEST_DB: f64 = 0.0;
/// Louder than this no output drives a headphone at digital full scale, dB SPL (common practice, no source).
const LOUDEST_DB: f64 = 155.0;
/// Ears of one headphone that differ by more are not both heard, or not both calibrated, dB (common practice, no source).
const EARS_APART_DB: f64 = 20.0;

/// A wrong offset gives numbers that look right, and a ceiling that does not hold: what cannot be is a doubt.
fn implausible(record: &Record) -> Vec<Flaw> {
    let chain = &record.head.chain;
    let ears = || chain.ears().filter_map(|(input, role)| Some((input, role, chain.acoustic(role)?.offset.value)));
    let mut flaws = Vec::new();
    for (input, role, offset) in ears() {
        let ear = role.in_words();
        let silence = record.last(Purpose::Silence).and_then(|step| step.silence(input)?.noise_z);
        if let Some(level) = silence.map(|noise| noise.value + offset).filter(|level| *level < QUIETEST_DB) {
            flaws.push(Flaw::doubt(
                "offset-too-low",
                format!("Silence at the {ear} reads {} dB SPL, which is quieter than any microphone: the offset is too low, and all levels with it, or the input is gated. Calibrate again.", tidy(level, 0)),
            ).about(About::Input(role)));
        }
        let gain = record.last(Purpose::Reference).and_then(|step| step.pink(input)?.0.gain_db);
        if let Some(level) = gain.map(|gain| gain.value + offset).filter(|level| *level > LOUDEST_DB) {
            flaws.push(Flaw::doubt(
                "offset-too-high",
                format!("Full scale would be {level:.0} dB SPL at the {ear}, which no output and headphone give: the offset is too high. Calibrate again."),
            ).about(About::Input(role)));
        }
    }
    let level =
        |input: usize, offset: f64| Some(record.last(Purpose::Reference)?.pink(input)?.0.level_z?.value + offset);
    let levels: Vec<_> = ears().filter_map(|(input, role, offset)| Some((role, level(input, offset)?))).collect();
    if let [(first, a), (second, b)] = levels.as_slice()
        && (a - b).abs() > EARS_APART_DB
    {
        let (first, second) = (first.in_words(), second.in_words());
        flaws.push(Flaw::doubt(
            "ears-apart",
            format!(
                "{first} and {second} differ by {:.0} dB: one is not driven, leaks, or has a wrong offset.",
                (a - b).abs()
            ),
        ));
    }
    flaws
}

/// Levels asked for that a limit held back: what was asked, what was played, and why. What was played holds as it stands.
fn not_as_asked(record: &Record) -> Vec<Flaw> {
    let SessionHead { plan, chain, .. } = &record.head;
    let period = plan.pink.period(chain.routing.playback_rate);
    let climb = Climb { plan, chain, period: &period, results: &record.steps };
    let words = |n: NotAsAsked| {
        let asked = match n.level {
            AskedLevel::Spl(spl) => spl.to_string(),
            AskedLevel::Drive(drive) => drive.to_string(),
        };
        let wanted = n.wanted.filter(|_| matches!(n.level, AskedLevel::Spl(_)));
        let wanted = wanted.map_or(String::new(), |d| format!(", a drive of {d},"));
        let because = &n.because;
        let flaw = match n.played {
            Some(played) => Flaw::note(
                "asked-held-back",
                format!(
                    "{asked}{wanted} was asked for, but {played} was played, because {because}. The figures of that step hold for what was played."
                ),
            ),
            None => Flaw::note(
                "asked-not-played",
                format!(
                    "{asked}{wanted} was asked for and not played, because {because}. That step has no result; ask for less."
                ),
            ),
        };
        flaw.about(About::Level(asked))
    };
    climb.not_as_asked().into_iter().map(words).collect()
}

/// Sounds of a higher crest factor that reached full scale under the drive of their step.
fn quieter_sounds(record: &Record) -> Vec<Flaw> {
    let quieter = |step: &StepResult| {
        let wanted = step.step.drive?;
        let take =
            step.takes.iter().find(|t| t.head.drive.rms().is_some_and(|d| d.db() < wanted.db() - SAME_DRIVE_DB))?;
        let (sound, played) = (&take.head.stimulus, take.head.drive.rms()?);
        Some(Flaw::note(
            "sound-held-back",
            format!(
                "In step {} {sound} was played at {played} instead of {wanted}, because it reaches full scale there: its peaks are higher above its RMS.",
                step.step.number
            ),
        )
        .about(About::Step(step.step.number)))
    };
    record.steps.iter().filter_map(quieter).collect()
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

/// The calibrator fitted again after the session gives another offset.
fn calibration_drifted(record: &Record, role: InputRole) -> Option<Flaw> {
    let drift = record.calibration_drift_db(role)?;
    let words = role.in_words();
    let flaw = if drift.abs() > LARGEST_DRIFT_DB {
        Flaw::doubt(
            "calibration-drift",
            format!(
                "The calibration of the {words} has moved by {} dB since the session's; over {LARGEST_DRIFT_DB} dB its levels are in doubt. Find what moved (gain, seal of the calibrator, battery) and measure again.",
                tidy_signed(drift, 2)
            ),
        )
    } else {
        Flaw::note(
            "calibration-checked",
            format!(
                "Checked after the session: the calibration of the {words} has moved by {} dB, which its levels' intervals include.",
                tidy_signed(drift, 2)
            ),
        )
    };
    Some(flaw.about(About::Input(role)))
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
            format!("The quiet reference came back {} dB at the end: seat, gain or chain moved during the climb. Check the seat and run again.", tidy_signed(moved, 2)),
        )
    })
}
