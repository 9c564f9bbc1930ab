//! How results look in a terminal.

use crate::analysis::{Finding, HarmonicPoint, Tone, band};
use crate::calibration::STEADY_S;
use crate::calibration::electrical::{AtLoad, level_words};
use crate::card::{Granted, InputRole};
use crate::judgement::{Budget, DriveNeeded, EXPOSURE_CAUTION, Judgement, Threshold};
use crate::session::chain::{Chain, pink_spectrum};
use crate::session::clean::bend_word;
use crate::session::record::{Record, StepResult};
use crate::session::seats::Fit;
use crate::signal::Stimulus;
use crate::stats::{Estimate, Reading};
use crate::units::{Dbfs, amplitude_from_db, dbu, dbv};
pub use crate::units::{tidy, tidy_signed};
use std::io::{Result, Write};
use std::path::Path;

/// Said before any sound (common practice of the trade; local rules and licensed practice come first).
pub const CAUTION: &str = "Nobody wears the headphones while this runs: over 100 dB SPL is normal here and harms hearing in minutes. \
Ctrl-C fades out at once.";

/// Session, cards and cautions.
pub fn began(record: &Record, folder: &Path, playback: &Granted, capture: &Granted, out: &mut dyn Write) -> Result<()> {
    let chain = &record.head.chain;
    writeln!(out, "{CAUTION}")?;
    writeln!(out, "{} → {} on {} ({} point)", chain.output, chain.headphone, chain.coupler, chain.point())?;
    for (way, granted) in [("plays", playback), ("records", capture)] {
        let warn = granted.may_resample.as_ref().map_or(String::new(), |why| format!("; can resample: {why}"));
        writeln!(out, "{way:8} {} at {}, {}{warn}", granted.id, granted.rate, granted.format)?;
    }
    match chain.ears().next().and_then(|(_, role)| chain.acoustic(role)) {
        Some(a) => writeln!(
            out,
            "offset   0 dBFS = {:.2} dB SPL ±{:.2}, taken {}",
            a.offset.value,
            a.offset.half_width(),
            a.taken_at
        )?,
        None => writeln!(out, "offset   none: levels are in dBFS until the chain is calibrated")?,
    }
    for aged in chain.aged(&record.head.started_at) {
        writeln!(out, "doubt    {}", aged.text)?;
    }
    writeln!(out, "kept in  {}", folder.display())
}

/// The step table.
pub fn steps(record: &Record, out: &mut dyn Write) -> Result<()> {
    let input = record.head.chain.deciding_input();
    let unit = if record.head.chain.is_calibrated() { "dB SPL" } else { "dBFS" };
    let volts = VoltColumns::of(&record.head.chain);
    writeln!(out)?;
    writeln!(
        out,
        "{:>4}  {:15} {:>8} {:>9} {:>8} {:>8} {:>8} {:>7} {:>7}{}",
        "step", "for", "drive", "level Z", "even", "odd", "noise", "gain", "clip", volts.title
    )?;
    writeln!(
        out,
        "{:>4}  {:15} {:>8} {:>9} {:>8} {:>8} {:>8} {:>7} {:>7}{}",
        "", "", "dBFS", unit, "dB", "dB", "dB", "dB", "", volts.units
    )?;
    for step in &record.steps {
        writeln!(out, "{}", row(record, step, input, &volts.cells(&record.head.chain, step)))?;
        if let Some(seen) = witnessed(&record.head.chain, step) {
            writeln!(out, "{:>6}{seen} seen by the witness", "")?;
        }
    }
    if let Some(at) = &volts.full {
        writeln!(out, "0 dBFS of pink noise: {at}; every drive is as far off as that")?;
    }
    writeln!(
        out,
        "even, odd: distortion at the ear re the stimulus; noise likewise; gain: against the quiet reference; < upper end of the interval"
    )
}

/// Volts of pink noise that an electrical witness saw, where its full scale is known.
fn witnessed(chain: &Chain, step: &StepResult) -> Option<String> {
    let input = chain.routing.capture_channels.iter().position(|c| c.role == InputRole::Witness)?;
    let level = step.pink(input)?.0.level_z?;
    Some(level_words(&chain.input_volts_of(InputRole::Witness, &level)?))
}

/// The columns of volts and milliwatts, empty while the output's volts are not known.
struct VoltColumns {
    full: Option<AtLoad>,
    title: String,
    units: String,
}

impl VoltColumns {
    fn of(chain: &Chain) -> VoltColumns {
        let full = chain.at_load(Dbfs(0.0), &pink_spectrum());
        let line = |cells: [&str; 4]| full.map_or(String::new(), |_| cells.map(|cell| format!(" {cell:>9}")).concat());
        let place = if full.is_some_and(|at| at.open) { "open" } else { "at load" };
        VoltColumns { title: line([place, place, place, "in load"]), units: line(["V", "dBV", "dBu", "mW"]), full }
    }

    fn cells(&self, chain: &Chain, step: &StepResult) -> String {
        let Some(at) = step.step.drive.and_then(|drive| chain.at_load(drive, &pink_spectrum())) else {
            return String::new();
        };
        let small = |x: f64| if x < 0.1 { format!("{x:.6}") } else { format!("{x:.4}") };
        let volts = at.volts.value;
        let db = |x: Option<f64>| x.map_or("·".to_string(), |x| tidy(x, 1));
        let power = at.milliwatts.map_or("·".to_string(), |p| small(p.value));
        [small(volts), db(dbv(volts)), db(dbu(volts)), power].map(|cell| format!(" {cell:>9}")).concat()
    }
}

fn row(record: &Record, step: &StepResult, input: usize, volts: &str) -> String {
    let blank = || "·".to_string();
    let one = |v: Option<f64>| v.map_or_else(blank, |v| tidy(v, 1));
    let drive = one(step.step.drive.map(|d| d.db()));
    let cells = if let Some((pink, result)) = step.pink(input) {
        let level = result.sound.and_then(|s| s.z).or(pink.level_z).map(|e| e.value);
        let clip = match &pink.clip {
            None => blank(),
            Some(_) => bend_word(&record.steps, step, &record.head.chain).unwrap_or("none").into(),
        };
        let gain = result.gain_change_db.map_or_else(blank, |g| tidy(g.value, 2));
        [one(level), reading(&pink.even), reading(&pink.odd), one(pink.over_noise_db.map(|o| -o)), gain, clip]
    } else if let Some(silence) = step.silence(input) {
        let sound = step.takes.iter().rev().find_map(|t| t.inputs.get(input)?.sound);
        let level = sound.and_then(|s| s.z).or(silence.noise_z).map(|e| e.value);
        [one(level), blank(), blank(), blank(), blank(), blank()]
    } else {
        let mut cells = [blank(), blank(), blank(), blank(), blank(), blank()];
        cells[5] = "void".into();
        cells
    };
    let [level, even, odd, noise, gain, clip] = cells;
    let purpose = step.name();
    let line = format!(
        "{:>4}  {purpose:15} {drive:>8} {level:>9} {even:>8} {odd:>8} {noise:>8} {gain:>7} {clip:>7}{volts}",
        step.step.number
    );
    let sines: String = step
        .sines(input)
        .map(|s| {
            format!(
                "\n{:>6}sine {:.0} Hz: THD {} dB (R form {} dB) to harmonic {}, THD+N {} dB",
                "",
                s.frequency_hz,
                reading(&s.thd),
                reading(&s.thd_r),
                s.highest_harmonic,
                reading(&s.thd_n)
            )
        })
        .collect();
    let others: String = step.others(input).map(|(stimulus, r)| other(stimulus, &r.finding)).collect();
    line + &sines + &others
}

/// One line for a sound played beside the noise.
fn other(stimulus: &Stimulus, finding: &Finding) -> String {
    let one = |v: Option<f64>| v.map_or_else(|| "·".to_string(), |v| tidy(v, 2));
    let estimate = |e: &Option<Estimate>| {
        e.map_or_else(|| "·".into(), |e| format!("{} ±{}", tidy(e.value, 2), tidy(e.half_width(), 2)))
    };
    let words = match finding {
        Finding::TwoTones(f) => {
            format!("2nd order {} dB, 3rd order {} dB ({})", reading(&f.second), reading(&f.third), f.definition)
        }
        Finding::Sweep(f) => {
            let near = |order: u32, hz: f64| {
                let curve = f.harmonics.iter().find(|h| h.order == order)?;
                let off = |p: &HarmonicPoint| (p.frequency_hz / hz).ln().abs();
                Some(reading(&curve.points.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?.level))
            };
            let at = |hz: f64| {
                let cell = |order| near(order, hz).unwrap_or_else(|| "·".into());
                format!("H2 {} dB, H3 {} dB at {hz:.0} Hz", cell(2), cell(3))
            };
            format!("{}; {}; response {} points", at(100.0), at(1000.0), f.response.len())
        }
        Finding::Burst(f) => format!(
            "loud part {} dBFS, compressed by {} dB, peak {} dB re full scale",
            estimate(&f.loud),
            estimate(&f.compression_db),
            one(f.peak.map(|p| p.db()))
        ),
        Finding::Noise(f) => {
            format!("level {} dBFS, of it coherent {} dBFS", estimate(&f.level), estimate(&f.coherent))
        }
        Finding::Shaped(f) => {
            format!("level {} dBFS, even {} dB, odd {} dB", estimate(&f.level_z), reading(&f.even), reading(&f.odd))
        }
        Finding::Pink(_) | Finding::Sine(_) | Finding::Silence(_) => return String::new(),
    };
    format!("\n{:>6}{stimulus}: {words}", "")
}

/// A reading in a cell.
pub fn reading(r: &Reading) -> String {
    match r {
        Reading::Told(e) => tidy(e.value, 1),
        Reading::Below(b) => format!("<{}", tidy(*b, 1)),
        Reading::AtLeast(e) => format!("≥{}", tidy(e.value, 1)),
        Reading::NotTold(_) => "·".into(),
    }
}

/// The answers.
pub fn judgement(record: &Record, judgement: &Judgement, out: &mut dyn Write) -> Result<()> {
    writeln!(out)?;
    writeln!(out, "{}", judgement.sentence)?;
    super::music::table(judgement, out)?;
    writeln!(out)?;
    threshold(&judgement.threshold, out)?;
    let clean = &judgement.highest_clean;
    writeln!(
        out,
        "highest clean drive   {} dBFS RMS of pink noise, decided by {}",
        with_interval(&clean.drive),
        clean.decided_by
    )?;
    writeln!(
        out,
        "highest clean level   {} dB SPL Z; {} dB SPL from {}",
        with_interval(&clean.level_spl),
        with_interval(&clean.mid_spl),
        record.head.chain.coupler.told_words()
    )?;
    writeln!(
        out,
        "headroom              {} dB; peak room {} dB",
        with_interval(&judgement.headroom.headroom_db),
        with_interval(&judgement.headroom.peak_room_db)
    )?;
    writeln!(out, "verdict               {} ({})", judgement.headroom.verdict, judgement.headroom.verdict.because)?;
    if let Some(level) = &judgement.ear_limit_from {
        let limit = record.head.plan.distortion_limit_percent;
        writeln!(
            out,
            "at the ear            over {limit} % from {} on; output or headphone: not told",
            tidy(level.value, 1)
        )?;
    }
    in_volts(judgement, out)?;
    if let Some(needed) = &judgement.drive_needed {
        drive_needed(needed, out)?;
    }
    taper(judgement, out)?;
    seats(judgement, out)?;
    isolation(judgement, out)?;
    exposure(judgement, out)?;
    if let Some(stop) = record.stop() {
        writeln!(out, "the climb ended       because {stop}")?;
    }
    if let Some(budget) = &judgement.budget {
        uncertainty(budget, out)?;
    }
    for flaw in &judgement.flaws {
        writeln!(out, "{:21} {}", flaw.weight.in_words(), flaw.text)?;
    }
    Ok(())
}

/// The output's own volume control.
fn taper(judgement: &Judgement, out: &mut dyn Write) -> Result<()> {
    let Some(taper) = &judgement.taper else { return Ok(()) };
    let levels: Vec<String> = taper.positions.iter().map(|p| tidy_signed(p.change_db.value, 1)).collect();
    writeln!(
        out,
        "volume control        {} positions over {} dB, re the session's own: {} dB",
        taper.positions.len(),
        tidy(taper.range_db, 1),
        levels.join(", ")
    )?;
    writeln!(out, "{:21} listening level of noise that peaks at full scale: {}", "", taper.listening)
}

/// The answers in volts.
fn in_volts(judgement: &Judgement, out: &mut dyn Write) -> Result<()> {
    let Some(volts) = &judgement.in_volts else { return Ok(()) };
    if let Some(at) = &volts.highest_clean {
        let at_least = if volts.at_least { "at least " } else { "" };
        writeln!(out, "highest clean volts   {at_least}{at}, RMS of pink noise")?;
    }
    if let Some([positive, negative]) = &volts.clip_peak_v {
        writeln!(
            out,
            "clips at              + {} / − {} V peak of the output",
            with_interval(positive),
            with_interval(negative)
        )?;
    }
    Ok(())
}

/// How much of the output the listener needs.
fn drive_needed(needed: &DriveNeeded, out: &mut dyn Write) -> Result<()> {
    for (name, needed) in [("listening level", &needed.listening), ("wanted headroom", &needed.wanted)] {
        let at_load = needed.at_load.as_ref().map_or(String::new(), |at| format!(", {at}"));
        let peak_v = needed.peak_v.map_or(String::new(), |v| format!(" ({} V)", tidy(v.value, 3)));
        writeln!(
            out,
            "needed, {name:13} {} ±{} dBFS RMS of pink noise for {}, peak {} dB re full scale{peak_v}, {} % of full drive{at_load}",
            tidy(needed.drive.value, 2),
            tidy(needed.drive.half_width(), 2),
            needed.level,
            tidy(needed.peak_db.value, 2),
            tidy(needed.share_percent.value, 1)
        )?;
    }
    Ok(())
}

/// Every seat against the first.
fn seats(judgement: &Judgement, out: &mut dyn Write) -> Result<()> {
    for ear in judgement.seats.iter().filter(|ear| ear.fits.len() > 1) {
        let Some(first) = ear.fits.first() else { continue };
        let one = |fit: &Fit| {
            let low = fit.low_db.zip(first.low_db).map_or("·".into(), |(low, first)| tidy_signed(low - first, 1));
            let leaks = if ear.leaks.iter().any(|(seat, _)| *seat == fit.seat) { ", leaks" } else { "" };
            format!("{}: {} ({low}{leaks})", fit.seat, tidy_signed(fit.level_db - first.level_db, 2))
        };
        let all: Vec<String> = ear.fits.iter().map(one).collect();
        writeln!(out, "seats, {:15} {} dB re seat 1 (20–100 Hz)", ear.role.in_words(), all.join("; "))?;
        if let (Some(level), Some(spread)) = (ear.level, ear.spread_db) {
            writeln!(
                out,
                "{:21} mean {} ±{} dB, spread {} dB of {} seats",
                "",
                tidy_signed(level.value, 2),
                tidy(level.half_width(), 2),
                tidy(spread, 2),
                ear.tight()
            )?;
        }
    }
    if let Some(difference) = judgement.left_less_right {
        writeln!(
            out,
            "left less right       {} ±{} dB",
            tidy_signed(difference.value, 2),
            tidy(difference.half_width(), 2)
        )?;
    }
    Ok(())
}

/// How long an ear may hear it.
fn exposure(judgement: &Judgement, out: &mut dyn Write) -> Result<()> {
    let Some(exposure) = &judgement.exposure else { return Ok(()) };
    let cases = [("listening level", exposure.listening), ("highest clean", exposure.highest_clean)];
    for (name, exposed) in cases.into_iter().filter_map(|(name, exposed)| Some((name, exposed?))) {
        writeln!(out, "exposure, {name:11} {}", exposed.words())?;
    }
    writeln!(out, "{:21} {EXPOSURE_CAUTION}", "")
}

/// What the headphone keeps out.
fn isolation(judgement: &Judgement, out: &mut dyn Write) -> Result<()> {
    let Some(isolation) = &judgement.isolation else { return Ok(()) };
    writeln!(
        out,
        "isolation             {} dB, A, for the source that was played",
        with_interval(&isolation.a_weighted)
    )?;
    let told = |(x, reading): &(i32, Reading)| match reading {
        Reading::Told(_) | Reading::AtLeast(_) => Some(format!("{} {}", band::label(*x), self::reading(reading))),
        _ => None,
    };
    let bands: Vec<String> = isolation.bands.iter().filter_map(told).collect();
    writeln!(out, "{:21} by one-third octave, dB: {}", "", bands.join(", "))
}

fn threshold(threshold: &Threshold, out: &mut dyn Write) -> Result<()> {
    match threshold {
        Threshold::Told(told) => {
            let (whose, acts) = (told.whose.in_words(), told.acts_on.in_words());
            let soft = if told.soft { ", soft: the equivalent hard limit" } else { "" };
            writeln!(
                out,
                "clipping threshold    + {} / − {} dB re full scale (peak) = pink {} ±{} dBFS RMS; {acts}{soft}; {whose}",
                with_interval(&told.positive),
                with_interval(&told.negative),
                tidy(told.pink_drive.value, 2),
                tidy(told.pink_drive.half_width(), 2)
            )
        }
        Threshold::NoneUpTo { drive, full_scale: true } => {
            writeln!(out, "clipping threshold    none up to full scale (pink {drive})")
        }
        Threshold::NoneUpTo { drive, full_scale: false } => {
            writeln!(out, "clipping threshold    none up to the highest drive played ({drive})")
        }
        Threshold::NotTold { because } => writeln!(out, "clipping threshold    not told: {because}"),
    }
}

/// A reading with its interval.
fn with_interval(reading: &Reading) -> String {
    match reading {
        Reading::Told(e) => format!("{} ±{}", tidy(e.value, 2), tidy(e.half_width(), 2)),
        Reading::AtLeast(e) => format!("at least {} ±{}", tidy(e.value, 2), tidy(e.half_width(), 2)),
        Reading::Below(b) => format!("below {}", tidy(*b, 2)),
        Reading::NotTold(why) => format!("not told ({why})"),
    }
}

/// What is heard of a sound calibrator, in a line.
pub fn listening(tone: Option<&Tone>, steady_s: f64, because: Option<&str>) -> String {
    let Some((tone, level)) = tone.and_then(|t| Some((t, t.level?))) else {
        return "no tone yet: fit the calibrator and switch it on".into();
    };
    let mut words = vec![format!("{:.2} Hz at {:.2} dBFS", tone.frequency_hz, level.value)];
    words.extend(tone.thd_db.map(|thd| format!("THD {:.2} %", 100.0 * amplitude_from_db(thd))));
    words.extend(tone.hum.map(|hum| format!("hum {:.0} dB", hum.level_db)));
    words.push(match because {
        Some(because) => because.into(),
        None => format!("steady for {steady_s:.1} of {STEADY_S:.0} s"),
    });
    words.join(" · ")
}

/// The budget as a table.
fn uncertainty(budget: &Budget, out: &mut dyn Write) -> Result<()> {
    writeln!(out, "\nwhere ±{:.2} dB of a level come from", budget.half_width_db)?;
    for c in &budget.contributions {
        let basis = if c.measured { "measured" } else { "stated" };
        writeln!(out, "  ±{:.3} dB  {} ({}, {basis})", c.half_width_db, c.what, c.distribution)?;
    }
    for left_out in &budget.left_out {
        writeln!(out, "  not in it  {left_out}")?;
    }
    writeln!(out)
}
