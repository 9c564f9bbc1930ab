//! One take of an electrical measurement: a tone for a voltmeter, or noise for one input over another. The cards are
//! opened for it and closed after it, so that plugs are changed while nothing sounds.

use super::super::chain::{Chain, ChainCeilings};
use super::super::plan::{DEFAULT_CEILING, SETTLE_S, UNCALIBRATED_CEILING};
use super::super::protocol::{ElectricalHeard, ElectricalSound, ElectricalTake, Event};
use super::super::step::Purpose;
use super::known::void_of;
use super::{RunError, Worker};
use crate::analysis::{self, Context, Correction, Finding, Flaw};
use crate::audio::{Engine, Guard, GuardedInput, Progress, TakeRequest};
use crate::card::InputRole;
use crate::signal::{Drive, DriveCeiling, Stimulus};
use crate::take::Take;
use std::collections::BTreeMap;
use std::time::Duration;

/// Periods of noise: as careful as a reference.
const PERIODS: usize = 4;
/// Periods of a tone at least: one more than its noise needs.
const LEAST_TONE_PERIODS: usize = 2;
/// Route delay that fits, seconds.
const DELAY_S: f64 = 1.0;
/// Inputs that see volts.
const ELECTRICAL: [InputRole; 3] = [InputRole::Witness, InputRole::SourceSide, InputRole::Loopback];

impl Worker {
    pub(super) fn electrical(&self, asked: &ElectricalTake) -> Result<(), RunError> {
        let chain = &asked.chain;
        let rate = chain.routing.playback_rate;
        let (stimulus, periods) = match asked.sound {
            ElectricalSound::Tone { frequency_hz, seconds } => {
                let stimulus = Stimulus::sine(frequency_hz);
                let period_s = stimulus.period_frames(rate) as f64 / rate.hz();
                (stimulus, ((seconds / period_s).ceil() as usize).max(LEAST_TONE_PERIODS))
            }
            ElectricalSound::Pink { .. } => (Stimulus::pink(rate), PERIODS),
        };
        let period = stimulus.period(rate);
        let drive = Drive::grant(asked.drive, &period, &ceiling(chain, asked.confirmed))?;
        let take = self.play_electrical(asked, stimulus.clone(), drive, periods)?;
        let mut heard = ElectricalHeard {
            drive,
            frequency_hz: None,
            levels: BTreeMap::new(),
            ratio: Vec::new(),
            flaws: Vec::new(),
        };
        match asked.sound {
            ElectricalSound::Tone { .. } => {
                heard.frequency_hz = match &stimulus {
                    Stimulus::Sine(sine) => {
                        Some(sine.line(rate, stimulus.period_frames(rate)) as f64 * period.line_spacing_hz())
                    }
                    _ => None,
                };
                tone(&take, &mut heard)?;
            }
            ElectricalSound::Pink { over, under } => ratio(&take, over, under, &mut heard)?,
        }
        self.tell(Event::Electrical(Box::new(heard)));
        Ok(())
    }

    fn play_electrical(
        &self,
        asked: &ElectricalTake,
        stimulus: Stimulus,
        drive: Drive,
        periods: usize,
    ) -> Result<Take, RunError> {
        let chain = &asked.chain;
        let backend = self.backend(&chain.routing)?;
        let named = backend.with_devices(&chain.output, &chain.headphone);
        let backend = named.as_deref().unwrap_or(backend);
        let plugged = backend.with_hookup(&asked.hookup);
        let (mut engine, _) = self.open(plugged.as_deref().unwrap_or(backend), &chain.routing)?;
        let request = TakeRequest {
            stimulus,
            drive,
            periods,
            settle_s: SETTLE_S,
            delay_s: 0.0..DELAY_S,
            guard: guard(chain),
            only: None,
        };
        self.one_take(&mut engine, request)
    }

    /// Plays a take from its first to its last sample.
    ///
    /// # Errors
    /// Stopped, void, or a card that failed.
    pub(super) fn one_take(&self, engine: &mut Engine, request: TakeRequest) -> Result<Take, RunError> {
        engine.start(request)?;
        let take = loop {
            match engine.poll(Duration::from_millis(50))? {
                Progress::Done(take) => break take,
                Progress::Playing { done_s, total_s } => self.tell(Event::Playing { done_s, total_s }),
                Progress::Idle => {}
            }
        };
        match take.head.void.clone() {
            Some(_) if self.stop.is_asked() => Err(RunError::Stopped),
            Some(reason) => Err(RunError::TakeVoid(reason)),
            None => Ok(*take),
        }
    }
}

/// Highest drive: the chain's own ceilings; and without a typed confirmation never above what an output of unknown volts
/// may be given.
fn ceiling(chain: &Chain, confirmed: bool) -> DriveCeiling {
    let mut ceilings = chain.electrical_ceilings(&ChainCeilings::default(), &[]);
    if let Some(drive) = chain.output_side.ceilings.drive {
        ceilings.push(DriveCeiling { rms: drive, because: format!("{drive} of drive, the chain's own") });
    }
    if !confirmed {
        let because = format!("{UNCALIBRATED_CEILING} for an electrical measurement");
        ceilings.push(DriveCeiling { rms: UNCALIBRATED_CEILING, because });
    }
    ceilings
        .into_iter()
        .min_by(|a, b| a.rms.db().total_cmp(&b.rms.db()))
        .unwrap_or(DriveCeiling { rms: crate::units::Dbfs(0.0), because: "full scale".into() })
}

/// Ears that are calibrated hear no more than their ceiling here either.
fn guard(chain: &Chain) -> Guard {
    let own = chain.output_side.ceilings.spl.filter(|own| own.db() < DEFAULT_CEILING.db());
    let ceiling = own.unwrap_or(DEFAULT_CEILING);
    let inputs = chain.ears().filter_map(|(input, role)| {
        let ceiling_dbfs = Some(chain.acoustic(role)?.dbfs(ceiling).db());
        Some(GuardedInput { input, name: role.in_words(), ceiling_dbfs, ..GuardedInput::default() })
    });
    Guard { inputs: inputs.collect() }
}

fn index_of(take: &Take, role: InputRole) -> Result<usize, RunError> {
    take.inputs.iter().position(|i| i.role == role).ok_or(RunError::NoInput(role.in_words()))
}

/// Level of the sine at every electrical input.
fn tone(take: &Take, heard: &mut ElectricalHeard) -> Result<(), RunError> {
    let correction = Correction::none();
    for (input, role) in take.inputs.iter().enumerate().map(|(i, input)| (i, input.role)) {
        if !ELECTRICAL.contains(&role) {
            continue;
        }
        let measured = analysis::measure(take, input, &Context::alone(&correction))?;
        check_usable(&measured.finding, role)?;
        if let Finding::Sine(sine) = &measured.finding {
            heard.levels.extend(sine.level.map(|level| (role, level)));
            keep(&mut heard.flaws, &sine.common.flaws);
        }
    }
    Ok(())
}

fn ratio(take: &Take, over: InputRole, under: InputRole, heard: &mut ElectricalHeard) -> Result<(), RunError> {
    let correction = Correction::none();
    let context = Context::alone(&correction);
    let (over_input, under_input) = (index_of(take, over)?, index_of(take, under)?);
    for (input, role) in [(over_input, over), (under_input, under)] {
        if analysis::overload::overload(&take.inputs[input].samples).samples_at_limit > 0 {
            return Err(RunError::Overloaded(role.in_words()));
        }
    }
    let pair = analysis::ratio(take, over_input, under_input, &context)?;
    if let Some(void) = analysis_void(&pair.common.flaws) {
        return Err(RunError::TakeVoid(void));
    }
    heard.ratio = pair.points;
    keep(&mut heard.flaws, &pair.common.flaws);
    Ok(())
}

fn check_usable(finding: &Finding, role: InputRole) -> Result<(), RunError> {
    // As any take of both channels is judged.
    if let Some(void) = void_of(finding, Purpose::Reference) {
        return Err(RunError::TakeVoid(void));
    }
    match finding.common().overload.samples_at_limit {
        0 => Ok(()),
        _ => Err(RunError::Overloaded(role.in_words())),
    }
}

fn analysis_void(flaws: &[Flaw]) -> Option<crate::take::VoidReason> {
    let flaw = flaws.iter().find(|f| f.weight == analysis::Weight::Void)?;
    Some(crate::take::VoidReason::Card { what: flaw.text.clone() })
}

fn keep(kept: &mut Vec<Flaw>, more: &[Flaw]) {
    kept.extend(more.iter().filter(|f| !kept.iter().any(|k| k.code == f.code)).cloned().collect::<Vec<_>>());
}
