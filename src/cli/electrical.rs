//! `calibrate volts|input-volts|source|load`: volts at full scale, source and load impedance, kept in the chain file. The
//! bench plays one take at a time; between takes it is silent and asks for what must be plugged in.

use super::args::{self, CalibrateInputVolts, CalibrateLoad, CalibrateSource, CalibrateVolts, Desk, Electrical};
use super::{Environment, follow, request, show};
use crate::asked::{self, electrical::ByMeter};
use crate::calibration::electrical::{Meter, Resistor, divider_factor};
use crate::card::{CardId, InputRole};
use crate::session::chain::Chain;
use crate::session::chain_file;
use crate::session::electrical::{
    CAUTIONS, ElectricalProcedure, ElectricalRefused, ElectricalStep, MeterReading, StatedMeter,
};
use crate::session::protocol::{Command, ElectricalHeard, ElectricalTake};
use crate::session::runner::Bench;
use crate::stats::Estimate;
use crate::units::Dbfs;
use anyhow::{Result, anyhow, ensure};
use std::io::Write;
use std::path::PathBuf;

/// One electrical calibration on its way.
struct Job<'a, 'b> {
    chain: Chain,
    path: PathBuf,
    bench: Bench,
    wanted: &'a Electrical,
    env: &'a mut Environment<'b>,
}

impl<'a, 'b> Job<'a, 'b> {
    fn begin(desk: &Desk, wanted: &'a Electrical, env: &'a mut Environment<'b>) -> Result<Job<'a, 'b>> {
        let (mut chain, path) = request::chain(desk, &(env.now)())?;
        request::use_valid_electrical(&mut chain, desk)?;
        let bench = env.bench();
        follow::stop_on_ctrl_c(&bench);
        Ok(Job { chain, path, bench, wanted, env })
    }

    /// Words that are no result: not among the JSON.
    fn say(&mut self, words: &str) -> Result<()> {
        match self.wanted.json {
            true => writeln!(std::io::stderr(), "{words}")?,
            false => writeln!(self.env.out, "{words}")?,
        }
        Ok(())
    }

    fn ask(&mut self, question: &str) -> Result<String> {
        self.say(question)?;
        let mut answer = String::new();
        let read = std::io::stdin().read_line(&mut answer)?;
        ensure!(read > 0, "there was no answer; run this in a terminal");
        Ok(answer.trim().into())
    }

    /// Plays one take once the hook-up stands.
    fn take(&mut self, step: &ElectricalStep) -> Result<ElectricalHeard> {
        if self.chain.routing.playback != CardId::simulated() {
            self.ask(&format!("Now plug in: {}. Nothing is playing. Press Enter when it is connected.", step.hookup))?;
        }
        let drive = asked::electrical::drive(self.wanted.drive, self.wanted.confirm_drive);
        let (drive, confirmed) = drive.map_err(|wrong| anyhow!("{wrong} Add --confirm-drive with that number."))?;
        let ElectricalStep { hookup, sound, .. } = *step;
        let take = ElectricalTake { chain: self.chain.clone(), hookup, sound, drive, confirmed };
        self.bench.commands.send(Command::Electrical(Box::new(take)))?;
        let heard = follow::electrical(&self.bench, self.wanted.json)?;
        for flaw in &heard.flaws {
            self.say(&flaw.text)?;
        }
        Ok(heard)
    }

    /// From the first plug to the chain file. `reading`: what the meter showed, where that is typed already; `heard`: a
    /// tone that need not be played again for it.
    fn go(
        mut self,
        procedure: &ElectricalProcedure,
        reading: Option<MeterReading>,
        mut heard: Vec<ElectricalHeard>,
    ) -> Result<()> {
        if heard.is_empty() && !procedure.steps().is_empty() {
            for caution in CAUTIONS {
                self.say(caution)?;
            }
            self.say_tone(procedure)?;
        }
        for step in procedure.steps().iter().skip(heard.len()) {
            if procedure.meter().is_none() {
                self.say(&format!("Next: {}.", step.purpose))?;
            }
            let one = self.take(step)?;
            heard.push(one);
            if let Some(words) = procedure.so_far(&heard)? {
                self.say(&words)?;
            }
        }
        let reading = match (procedure.meter(), reading) {
            (None, _) => None,
            (Some(_), Some(reading)) => Some(reading),
            (Some(_), None) => Some(asked::electrical::reading(&self.ask("What did the meter read, volts RMS?")?)?),
        };
        let result = procedure.result(&self.chain, &heard, reading, &(self.env.now)())?;
        chain_file::save(&self.path, &result.chain)?;
        let out = &mut self.env.out;
        if self.wanted.json {
            return show::json(&result.json, out);
        }
        for line in result.words {
            writeln!(out, "{line}")?;
        }
        writeln!(out, "kept in {}", self.path.display())?;
        Ok(())
    }

    fn say_tone(&mut self, procedure: &ElectricalProcedure) -> Result<()> {
        let Some(StatedMeter { meter, frequency_hz, seconds, .. }) = procedure.meter() else { return Ok(()) };
        self.say(&format!(
            "A tone of {frequency_hz:.0} Hz at {} dBFS sounds for {seconds:.0} s; read {} meanwhile.",
            self.wanted.drive,
            meter.words()
        ))?;
        if *meter == Meter::Mains {
            self.say("Most handheld meters read 50 and 60 Hz only and are wrong at 1 kHz; state --meter audio for one that is made for it.")?;
        }
        Ok(())
    }
}

/// Checked before anything is plugged, with the option that would help.
fn checked(job: &Job, procedure: &ElectricalProcedure) -> Result<()> {
    procedure.check(&job.chain).map_err(|refused| match refused {
        ElectricalRefused::NoInput(InputRole::Witness) => anyhow!("{refused}; name its capture channel with --witness"),
        ElectricalRefused::NoInput(InputRole::SourceSide) => {
            anyhow!("{refused}; name its capture channel with --source-side")
        }
        ElectricalRefused::NoLoopback => anyhow!(
            "{refused}. Name its capture channel with --loopback, or type what a voltmeter reads with --readings"
        ),
        other => other.into(),
    })
}

fn meter(typed: &args::StatedMeter) -> StatedMeter {
    asked::electrical::meter(typed.meter, typed.frequency, typed.seconds, typed.accuracy)
}

/// A tone that was read before: as it would have been played.
fn stated_tone(job: &Job, meter: &StatedMeter) -> Result<ElectricalHeard> {
    let rate = job.chain.routing.playback_rate;
    let stimulus = crate::signal::Stimulus::sine(meter.frequency_hz);
    let ceiling = crate::signal::DriveCeiling { rms: Dbfs(0.0), because: "full scale".into() };
    let drive = crate::signal::Drive::grant(Dbfs(job.wanted.drive), &stimulus.period(rate), &ceiling)?;
    let frequency_hz = Some(meter.frequency_hz);
    Ok(ElectricalHeard { drive, frequency_hz, levels: Default::default(), ratio: Vec::new(), flaws: Vec::new() })
}

pub(super) fn volts(wanted: &CalibrateVolts, env: &mut Environment) -> Result<()> {
    let meter = meter(&wanted.meter);
    let procedure = ElectricalProcedure::Volts { meter, loaded: wanted.loaded };
    let job = Job::begin(&wanted.desk, &wanted.electrical, env)?;
    checked(&job, &procedure)?;
    let reading = wanted.meter.reading;
    let heard = reading.map(|_| stated_tone(&job, &meter)).transpose()?;
    job.go(&procedure, reading, heard.into_iter().collect())
}

pub(super) fn input_volts(wanted: &CalibrateInputVolts, env: &mut Environment) -> Result<()> {
    let divider = match (wanted.divider, wanted.divider_ohm) {
        (Some(factor), _) => Estimate::symmetric(factor, 0.01 * wanted.divider_tolerance * factor),
        (None, Some([upper, lower])) => {
            let resistor = |ohm: f64| Resistor { ohm, tolerance_percent: wanted.divider_tolerance };
            let input = wanted.input_ohm.map(asked::electrical::input);
            divider_factor(resistor(upper), resistor(lower), input)
        }
        _ => Estimate::exact(1.0),
    };
    let procedure = ElectricalProcedure::InputVolts { role: wanted.input, meter: meter(&wanted.meter), divider };
    let job = Job::begin(&wanted.desk, &wanted.electrical, env)?;
    checked(&job, &procedure)?;
    job.go(&procedure, wanted.meter.reading, Vec::new())
}

pub(super) fn source(wanted: &CalibrateSource, env: &mut Environment) -> Result<()> {
    let resistor = |ohm: f64| Resistor { ohm, tolerance_percent: wanted.tolerance };
    let resistors = (resistor(wanted.resistor), wanted.lighter.map(resistor));
    let by_meter = wanted.readings.map(|readings| ByMeter {
        readings,
        straight_within_percent: wanted.straight_within,
        last_digit_v: wanted.last_digit,
    });
    let input = wanted.input_ohm.map(asked::electrical::input);
    let procedure = asked::electrical::source(resistors, input, by_meter, &wanted.plane);
    let job = Job::begin(&wanted.desk, &wanted.electrical, env)?;
    checked(&job, &procedure)?;
    job.go(&procedure, None, Vec::new())
}

pub(super) fn load(wanted: &CalibrateLoad, env: &mut Environment) -> Result<()> {
    let series = Resistor { ohm: wanted.series, tolerance_percent: wanted.tolerance };
    let check = wanted.check.map(|[ohm, tolerance_percent]| Resistor { ohm, tolerance_percent });
    let input = wanted.input_ohm.map(|ohm| Resistor { ohm, tolerance_percent: wanted.input_tolerance });
    let procedure = asked::electrical::load((series, check), input, wanted.cable, &wanted.plane);
    let job = Job::begin(&wanted.desk, &wanted.electrical, env)?;
    checked(&job, &procedure)?;
    job.go(&procedure, None, Vec::new())
}
