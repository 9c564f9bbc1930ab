//! Takes the calibration offset from a sound calibrator on one input: listens, reading by reading, until its tone is
//! steady.

use super::super::chain::Chain;
use super::super::protocol::Event;
use super::super::record::{Happening, SessionEvent};
use super::super::storage::Storage;
use super::{RunError, Worker};
use crate::analysis::tone::{self, Tone};
use crate::audio::{Engine, Guard, Progress, TakeRequest};
use crate::calibration::{Acoustic, Calibrator, Heard, OffsetSource, SteadyTone};
use crate::card::InputRole;
use crate::signal::{Drive, Stimulus};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// Periods of silence played while one reading is recorded (about 1.6 s with what surrounds it).
const PERIODS: usize = 1;

impl Worker {
    pub(super) fn calibrate(&self, chain: &Chain, role: InputRole, calibrator: Calibrator) -> Result<(), RunError> {
        let acoustic = self.hear_calibrator(chain, role, calibrator)?;
        self.tell(Event::Calibrated { role, acoustic });
        Ok(())
    }

    /// Fits the calibrator of a finished session once more; the session gets an event, and is not changed otherwise.
    pub(super) fn check_calibration(
        &self,
        folder: &Path,
        role: InputRole,
        calibrator: Option<Calibrator>,
    ) -> Result<(), RunError> {
        let (mut storage, mut record) = Storage::take_up(folder)?;
        let before = record.head.chain.acoustic(role).ok_or(RunError::NoCalibrator(role.in_words()))?;
        let same = match &before.source {
            OffsetSource::Calibrator { calibrator, .. } => Some(*calibrator),
            _ => None,
        };
        let calibrator = calibrator.or(same).ok_or(RunError::NoCalibrator(role.in_words()))?;
        let acoustic = self.hear_calibrator(&record.head.chain, role, calibrator)?;
        let event = SessionEvent { at: (self.now)(), what: Happening::CalibrationChecked { role, acoustic } };
        storage.append_event(&event)?;
        record.events.push(event);
        self.tell(Event::CalibrationChecked(Arc::new(record)));
        Ok(())
    }

    /// The offset that the calibrator on this input gives.
    pub(super) fn hear_calibrator(
        &self,
        chain: &Chain,
        role: InputRole,
        calibrator: Calibrator,
    ) -> Result<Acoustic, RunError> {
        let routing = &chain.routing;
        let input = routing.capture_channels.iter().position(|c| c.role == role).ok_or(RunError::NoEar)?;
        let backend = self.backend(routing)?;
        let fitted = backend.with_calibrator(calibrator.level.value, calibrator.frequency_hz);
        let backend = fitted.as_deref().unwrap_or(backend);
        let (mut engine, _) = self.open(backend, routing)?;
        let mut watch = SteadyTone::of(calibrator);
        loop {
            let (mut tone, seconds) = self.reading(&mut engine, input, routing.capture_rate.hz())?;
            // Levels will be corrected by the curve, so what the offset stands on is corrected too.
            if let Some(tone) = &mut tone {
                let correction_db = chain.correction(role).db_at(tone.frequency_hz);
                tone.level = tone.level.map(|level| level.shifted(correction_db));
            }
            let heard = watch.hear(tone, seconds, &(self.now)());
            match heard {
                Heard::Steady(acoustic) => return Ok(acoustic),
                Heard::Refused(why) => return Err(why.into()),
                Heard::Waiting { steady_s, because } => {
                    self.tell(Event::Listening { tone, steady_s, because: because.map(|b| b.to_string()) });
                }
            }
        }
    }

    /// The tone in the next recording, and its length in seconds.
    fn reading(&self, engine: &mut Engine, input: usize, rate_hz: f64) -> Result<(Option<Tone>, f64), RunError> {
        engine.start(TakeRequest {
            stimulus: Stimulus::silence(),
            drive: Drive::SILENT,
            periods: PERIODS,
            settle_s: 0.0,
            delay_s: 0.0..0.0,
            guard: Guard { inputs: Vec::new() },
            only: None,
        })?;
        let take = loop {
            if let Progress::Done(take) = engine.poll(Duration::from_millis(50))? {
                break take;
            }
        };
        if let Some(reason) = take.head.void {
            return Err(if self.stop.is_asked() { RunError::Stopped } else { RunError::CalibratorNotHeard(reason) });
        }
        let samples = take.inputs.get(input).map_or(&[][..], |i| &i.samples);
        Ok((tone::find(samples, rate_hz), samples.len() as f64 / rate_hz))
    }
}
