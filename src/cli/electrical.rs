//! `calibrate volts|input-volts|source|load`: volts at full scale, source and load impedance, kept in the chain file. The
//! bench plays one take at a time; between takes it is silent and asks for what must be plugged in.

use super::args::{
    CalibrateInputVolts, CalibrateLoad, CalibrateSource, CalibrateVolts, Desk, Electrical, Numbers, StatedMeter,
    TypedInput, TypedMeter,
};
use super::{Surroundings, follow, request};
use crate::calibration::electrical::{
    self, Impedance, ImpedanceFrom, ImpedancePoint, InputVolts, LoadSetup, Loading, Meter, OutputVolts, Resistor,
};
use crate::card::{CardId, Hookup, InputRole, PluggedLoad};
use crate::session::chain::{Chain, ElectricalPart};
use crate::session::chain_file;
use crate::session::plan::UNCALIBRATED_CEILING;
use crate::session::protocol::{Command, ElectricalHeard, ElectricalSound, ElectricalTake};
use crate::session::runner::Bench;
use crate::stats::Estimate;
use crate::units::Dbfs;
use anyhow::{Context, Result, ensure};
use std::io::Write;
use std::path::PathBuf;

/// Said before anything electrical is plugged or played (method 8).
const CAUTION: &str = "\
Plug and unplug only while nothing sounds. Nobody wears the headphones.
Do not ground a balanced, bridged or virtual-ground output: the computer and the capture card may share ground through USB.
Do not feed an amplifier into a microphone input without a proper divider.
Check an unknown output for DC with a voltmeter first, and that the resistors bear the power.";

/// Tolerance of a typed input resistance, percent (data sheets give it roundly).
const INPUT_TOLERANCE_PERCENT: f64 = 5.0;

/// One electrical calibration on its way.
struct Job<'a, 'b> {
    chain: Chain,
    path: PathBuf,
    bench: Bench,
    wanted: &'a Electrical,
    surroundings: &'a mut Surroundings<'b>,
}

impl<'a, 'b> Job<'a, 'b> {
    fn begin(desk: &Desk, wanted: &'a Electrical, surroundings: &'a mut Surroundings<'b>) -> Result<Job<'a, 'b>> {
        let (mut chain, path) = request::chain(desk, &(surroundings.now)())?;
        request::use_valid_electrical(&mut chain, desk)?;
        let bench = Bench::spawn(std::mem::take(&mut surroundings.backends), surroundings.now);
        follow::stop_on_ctrl_c(&bench);
        Ok(Job { chain, path, bench, wanted, surroundings })
    }

    /// Words that are no result: not among the JSON.
    fn say(&mut self, words: &str) -> Result<()> {
        match self.wanted.json {
            true => writeln!(std::io::stderr(), "{words}")?,
            false => writeln!(self.surroundings.out, "{words}")?,
        }
        Ok(())
    }

    fn ask(&mut self, question: &str) -> Result<String> {
        self.say(question)?;
        let mut answer = String::new();
        let read = std::io::stdin().read_line(&mut answer)?;
        ensure!(read > 0, "nobody answered; run this in a terminal");
        Ok(answer.trim().into())
    }

    fn has(&self, role: InputRole, option: &str) -> Result<()> {
        let has = self.chain.routing.capture_channels.iter().any(|c| c.role == role);
        ensure!(has, "the chain has no {}; name its capture channel with {option}", role.in_words());
        Ok(())
    }

    /// Plays one take once the hook-up stands.
    fn take(&mut self, hookup: Hookup, sound: ElectricalSound) -> Result<ElectricalHeard> {
        if self.chain.routing.playback != CardId::simulated() {
            self.ask(&format!("Now plug in: {hookup}. Nothing sounds. Press Enter when it stands."))?;
        }
        let drive = self.wanted.drive;
        let again = self.wanted.confirm_drive.is_some_and(|again| (again - drive).abs() < 1e-9);
        ensure!(
            drive <= UNCALIBRATED_CEILING.db() || again,
            "a drive of {drive} dBFS is above {UNCALIBRATED_CEILING}: it may be more than headphone, resistors and inputs bear. If you mean it, add --confirm-drive {drive}"
        );
        let take = ElectricalTake { chain: self.chain.clone(), hookup, sound, drive: Dbfs(drive), confirmed: again };
        self.bench.commands.send(Command::Electrical(Box::new(take)))?;
        let heard = follow::electrical(&self.bench, self.wanted.json)?;
        for flaw in &heard.flaws {
            self.say(&flaw.text)?;
        }
        Ok(heard)
    }

    /// Keeps what was found, and tells it.
    fn keep(mut self, part: ElectricalPart, json: &serde_json::Value, words: &[String]) -> Result<()> {
        self.chain.electrical_belongs_here([part]);
        chain_file::save(&self.path, &self.chain)?;
        let out = &mut self.surroundings.out;
        if self.wanted.json {
            writeln!(out, "{}", serde_json::to_string_pretty(json)?)?;
            return Ok(());
        }
        for line in words {
            writeln!(out, "{line}")?;
        }
        writeln!(out, "kept in {}", self.path.display())?;
        Ok(())
    }
}

/// A meter's reading with the worth of its last digit.
fn reading(text: &str) -> Result<(f64, f64)> {
    let plain = text.trim().trim_end_matches(['V', 'v']).trim().replace(',', ".");
    let volts: f64 =
        plain.parse().with_context(|| format!("`{text}` is no reading; type volts RMS as the meter shows them"))?;
    let places = plain.split_once('.').map_or(0, |(_, after)| after.len());
    Ok((volts, 10f64.powi(-(places as i32))))
}

fn meter(typed: &StatedMeter) -> (Meter, f64) {
    let (meter, usual_hz) = match typed.meter {
        TypedMeter::Mains => (Meter::Mains, 50.0),
        TypedMeter::Audio => (Meter::Audio, 1000.0),
    };
    (meter, typed.frequency.unwrap_or(usual_hz))
}

/// Plays the tone where the reading is still to come, and asks for it. Gives drive and frequency as played, and the reading.
fn read_tone(
    job: &mut Job,
    typed: &StatedMeter,
    hookup: Hookup,
    always: bool,
) -> Result<(ElectricalHeard, (f64, f64))> {
    let (meter, frequency_hz) = meter(typed);
    ensure!((20.0..=20_000.0).contains(&frequency_hz), "--frequency {frequency_hz} Hz is outside 20 Hz to 20 kHz");
    ensure!((2.0..=100.0).contains(&typed.seconds), "--seconds {} is outside 2 to 100", typed.seconds);
    job.say(CAUTION)?;
    job.say(&format!(
        "A tone of {frequency_hz:.0} Hz at {} dBFS sounds for {:.0} s; read {} meanwhile.",
        job.wanted.drive,
        typed.seconds,
        meter.words()
    ))?;
    if meter == Meter::Mains {
        job.say("Most handheld meters read 50 and 60 Hz only and are wrong at 1 kHz; state --meter audio for one that is made for it.")?;
    }
    let heard = match (&typed.reading, always) {
        (Some(_), false) => None,
        _ => Some(job.take(hookup, ElectricalSound::Tone { frequency_hz, seconds: typed.seconds })?),
    };
    let text = match &typed.reading {
        Some(text) => text.clone(),
        None => job.ask("What did the meter read, volts RMS?")?,
    };
    let heard = heard.map_or_else(|| told_tone(job, frequency_hz), Ok)?;
    Ok((heard, reading(&text)?))
}

/// The tone that was read before: as it would have been played.
fn told_tone(job: &Job, frequency_hz: f64) -> Result<ElectricalHeard> {
    let rate = job.chain.routing.playback_rate;
    let stimulus = crate::signal::Stimulus::sine(frequency_hz);
    let ceiling = crate::signal::DriveCeiling { rms: Dbfs(0.0), because: "full scale".into() };
    let drive = crate::signal::Drive::grant(Dbfs(job.wanted.drive), &stimulus.period(rate), &ceiling)?;
    Ok(ElectricalHeard {
        drive,
        frequency_hz: Some(frequency_hz),
        levels: Default::default(),
        ratio: Vec::new(),
        flaws: Vec::new(),
    })
}

pub(super) fn volts(wanted: &CalibrateVolts, surroundings: &mut Surroundings) -> Result<()> {
    let mut job = Job::begin(&wanted.desk, &wanted.electrical, surroundings)?;
    let load = if wanted.loaded { PluggedLoad::Headphone } else { PluggedLoad::Open };
    let (heard, (reading_v, last_digit_v)) =
        read_tone(&mut job, &wanted.meter, Hookup { load, series_ohm: None }, false)?;
    let from = OutputVolts {
        meter: meter(&wanted.meter).0,
        reading_v,
        drive: heard.drive.rms().context("the tone was silent")?,
        frequency_hz: heard.frequency_hz.context("no tone was played")?,
        loaded: wanted.loaded,
        taken_at: (job.surroundings.now)(),
    };
    let volts = electrical::output_volts(&from, wanted.meter.accuracy, last_digit_v)?;
    let place = if wanted.loaded { "at the headphone" } else { "open" };
    let told = serde_json::json!({ "volts_per_full_scale": volts, "from": from });
    let words = [format!("0 dBFS = {} {place}, by {}", electrical::level_words(&volts), from.meter.words())];
    job.chain.output_side.volts_per_full_scale = Some(volts);
    job.chain.output_side.volts_from = Some(from);
    job.keep(ElectricalPart::Volts, &told, &words)
}

pub(super) fn input_volts(wanted: &CalibrateInputVolts, surroundings: &mut Surroundings) -> Result<()> {
    let (role, option) = match wanted.input {
        TypedInput::Witness => (InputRole::Witness, "--witness"),
        TypedInput::SourceSide => (InputRole::SourceSide, "--source-side"),
    };
    let input = wanted.input_ohm.map(|ohm| Resistor { ohm, tolerance_percent: INPUT_TOLERANCE_PERCENT });
    let divider = match (wanted.divider, wanted.divider_ohm) {
        (Some(factor), _) => Estimate::symmetric(factor, 0.01 * wanted.divider_tolerance * factor),
        (None, Some(Numbers([upper, lower]))) => {
            let resistor = |ohm: f64| Resistor { ohm, tolerance_percent: wanted.divider_tolerance };
            electrical::divider_factor(resistor(upper), resistor(lower), input)
        }
        _ => Estimate::exact(1.0),
    };
    ensure!((1.0..=10_000.0).contains(&divider.value), "a divider of {} is none", divider.value);
    let mut job = Job::begin(&wanted.desk, &wanted.electrical, surroundings)?;
    job.has(role, option)?;
    let hookup = Hookup { load: PluggedLoad::Open, series_ohm: None };
    let (heard, (volts, last_digit_v)) = read_tone(&mut job, &wanted.meter, hookup, true)?;
    let level = heard.levels.get(&role).with_context(|| format!("the {} heard no tone", role.in_words()))?;
    let (kind, _) = meter(&wanted.meter);
    let frequency_hz = heard.frequency_hz.context("no tone was played")?;
    let known =
        electrical::input_volts((kind, frequency_hz), volts, (wanted.meter.accuracy, last_digit_v), level, &divider)?;
    let kept = InputVolts {
        volts_per_full_scale: known,
        meter: Some(kind),
        divider: divider.value,
        taken_at: (job.surroundings.now)(),
    };
    let words = [format!("{}: 0 dBFS = {}", role.in_words(), electrical::level_words(&known))];
    let told = serde_json::to_value(&kept)?;
    job.chain.input_volts.insert(role, kept);
    job.keep(ElectricalPart::Input(role), &told, &words)
}

pub(super) fn source(wanted: &CalibrateSource, surroundings: &mut Surroundings) -> Result<()> {
    let resistor = |ohm: f64| Resistor { ohm, tolerance_percent: wanted.tolerance };
    let input = wanted.input_ohm.map(|ohm| Resistor { ohm, tolerance_percent: INPUT_TOLERANCE_PERCENT });
    let lighter = wanted.lighter.map(resistor);
    let heavier = resistor(wanted.resistor);
    for r in lighter.iter().chain([&heavier]) {
        ensure!((0.1..=1e6).contains(&r.ohm), "{} Ω is no load to compare with", r.ohm);
    }
    let loading = |load: Option<Resistor>| Loading { load, input };
    let mut job = Job::begin(&wanted.desk, &wanted.electrical, surroundings)?;
    let taken_at = (job.surroundings.now)();
    let (told, points, from) = if let Some(Numbers([first_v, second_v])) = wanted.readings {
        let first = (first_v, loading(lighter));
        let second = (second_v, loading(Some(heavier)));
        let told = electrical::from_voltages(first, second, wanted.straight_within, wanted.last_digit)?;
        let from = ImpedanceFrom::Voltages { first_v, first: lighter, second_v, second: heavier };
        (told, Vec::new(), from)
    } else {
        job.has(InputRole::Witness, "--witness")?;
        ensure!(
            job.has(InputRole::Loopback, "--loopback").is_ok(),
            "the chain has no loopback: an output channel that is not loaded, straight back into an input, holds level and phase of the takes together. Name its capture channel with --loopback, or type what a voltmeter reads with --readings"
        );
        job.say(CAUTION)?;
        let sound = ElectricalSound::Pink { over: InputRole::Witness, under: InputRole::Loopback };
        let plug = |load: Option<Resistor>| Hookup {
            load: load.map_or(PluggedLoad::Open, |r| PluggedLoad::Resistor(r.ohm)),
            series_ohm: None,
        };
        let first = job.take(plug(lighter), sound)?;
        let second = job.take(plug(Some(heavier)), sound)?;
        let on_first = (first.ratio.as_slice(), loading(lighter));
        let points = electrical::source_impedance(on_first, (second.ratio.as_slice(), loading(Some(heavier))))?;
        let told = at_1_khz(&points)?;
        (told, points, ImpedanceFrom::Loads { first: lighter, second: heavier })
    };
    let curve = Impedance { from, plane: wanted.plane.clone(), taken_at, points };
    let words = impedance_words("source impedance", &told, &curve);
    let json = serde_json::json!({ "at_1_khz_ohm": told, "impedance": curve });
    job.chain.output_side.source_impedance_ohm = Some(told);
    job.chain.output_side.source = Some(curve);
    job.keep(ElectricalPart::Source, &json, &words)
}

pub(super) fn load(wanted: &CalibrateLoad, surroundings: &mut Surroundings) -> Result<()> {
    let series = Resistor { ohm: wanted.series, tolerance_percent: wanted.tolerance };
    ensure!((0.1..=1e5).contains(&series.ohm), "--series {} Ω is no resistor to measure with", series.ohm);
    let setup = LoadSetup {
        input: wanted.input_ohm.map(|ohm| Resistor { ohm, tolerance_percent: wanted.input_tolerance }),
        cable_ohm: match wanted.cable {
            Some(Numbers([ohm, limit])) => Estimate::symmetric(ohm, limit),
            None => LoadSetup::through(series).cable_ohm,
        },
        series,
    };
    let mut job = Job::begin(&wanted.desk, &wanted.electrical, surroundings)?;
    job.has(InputRole::Witness, "--witness")?;
    job.has(InputRole::SourceSide, "--source-side")?;
    job.say(CAUTION)?;
    let sound = ElectricalSound::Pink { over: InputRole::Witness, under: InputRole::SourceSide };
    job.say("First the two inputs on the same signal: both directly across the output, no series resistor.")?;
    let matched = job.take(Hookup { load: PluggedLoad::Open, series_ohm: None }, sound)?;
    let through = |load: PluggedLoad| Hookup { load, series_ohm: Some(series.ohm) };
    let checked = match wanted.check {
        Some(Numbers([ohm, tolerance_percent])) => {
            let heard = job.take(through(PluggedLoad::Resistor(ohm)), sound)?;
            Some(check(&matched, &heard, &setup, ohm, tolerance_percent)?)
        }
        None => None,
    };
    if let Some(checked) = &checked {
        job.say(&format!("check resistor: {}", electrical::ohms_words(checked)))?;
    }
    let heard = job.take(through(PluggedLoad::Headphone), sound)?;
    let points = electrical::load_impedance(&matched.ratio, &heard.ratio, &setup);
    let told = at_1_khz(&points)?;
    ensure!(
        told.value > 0.0,
        "no impedance is seen behind the series resistor; are source side and witness exchanged?"
    );
    let taken_at = (job.surroundings.now)();
    let curve =
        Impedance { from: ImpedanceFrom::SeriesResistor { series }, plane: wanted.plane.clone(), taken_at, points };
    let words = impedance_words(&format!("impedance of {}", job.chain.headphone), &told, &curve);
    let json = serde_json::json!({ "at_1_khz_ohm": told, "check_ohm": checked, "impedance": curve });
    job.chain.output_side.load_impedance_ohm = Some(told);
    job.chain.output_side.load = Some(curve);
    job.keep(ElectricalPart::Load, &json, &words)
}

/// What the set-up makes of a known resistor; an error where that is not what is stated of it.
fn check(
    matched: &ElectricalHeard,
    heard: &ElectricalHeard,
    setup: &LoadSetup,
    ohm: f64,
    tolerance_percent: f64,
) -> Result<Estimate> {
    let found = at_1_khz(&electrical::load_impedance(&matched.ratio, &heard.ratio, setup))?;
    let allowed = found.half_width() + 0.01 * tolerance_percent * ohm;
    ensure!(
        (found.value - ohm).abs() <= allowed,
        "the check resistor of {ohm} Ω ±{tolerance_percent} % reads {}: something is not as stated (series resistor, an input's resistance, cable, a bad contact, inputs exchanged). Nothing was kept.",
        electrical::ohms_words(&found)
    );
    Ok(found)
}

fn at_1_khz(points: &[ImpedancePoint]) -> Result<Estimate> {
    electrical::at_1_khz(points)
        .context("nothing stands over the noise at 1 kHz; play louder, or check how the inputs are connected")
}

fn impedance_words(what: &str, told: &Estimate, curve: &Impedance) -> Vec<String> {
    let mut words =
        vec![format!("{what}: {} at 1 kHz, at the {} ({})", electrical::ohms_words(told), curve.plane, curve.from)];
    let octaves = [20.0, 50.0, 100.0, 200.0, 500.0, 1_000.0, 2_000.0, 5_000.0, 10_000.0, 20_000.0];
    for f_hz in octaves {
        let near = curve
            .points
            .iter()
            .min_by(|a, b| (a.frequency_hz / f_hz).ln().abs().total_cmp(&(b.frequency_hz / f_hz).ln().abs()));
        words.extend(near.filter(|p| (p.frequency_hz / f_hz).ln().abs() < 0.1).map(|p| {
            let degrees = p.z().arg().to_degrees();
            format!("  {:7.0} Hz  {}  {degrees:+.1}°", p.frequency_hz, electrical::ohms_words(&p.magnitude))
        }));
    }
    words
}
