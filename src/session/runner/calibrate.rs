//! Takes the calibration offset from a sound calibrator on one input: listens to a few seconds of its tone.

use super::super::chain::Chain;
use super::super::plan::SETTLE_S;
use super::super::protocol::Event;
use super::{RunError, Worker};
use crate::analysis::tone;
use crate::audio::{Guard, Progress, TakeRequest};
use crate::calibration::{Acoustic, CalibrationRefused, Calibrator};
use crate::card::InputRole;
use crate::signal::{Drive, Stimulus};
use std::time::Duration;

/// Periods of silence played while the calibrator's tone is recorded (about 5.5 s).
const PERIODS: usize = 4;

impl Worker {
    pub(super) fn calibrate(&self, chain: &Chain, role: InputRole, calibrator: Calibrator) -> Result<(), RunError> {
        let routing = &chain.routing;
        let input = routing.capture_channels.iter().position(|c| c.role == role).ok_or(RunError::NoEar)?;
        let backend = self.backend(routing)?;
        let fitted = backend.with_calibrator(calibrator.level.value, calibrator.frequency_hz);
        let backend = fitted.as_deref().unwrap_or(backend);
        let silence = Stimulus::silence();
        let (mut engine, _) = self.open(backend, routing)?;
        engine.start(TakeRequest {
            stimulus: silence,
            drive: Drive::SILENT,
            periods: PERIODS,
            settle_s: SETTLE_S,
            delay_allowance_s: 0.0,
            guard: Guard { inputs: Vec::new() },
        })?;
        let take = loop {
            match engine.poll(Duration::from_millis(50))? {
                Progress::Done(take) => break take,
                Progress::Playing { done_s, total_s } => self.tell(Event::Playing { done_s, total_s }),
                Progress::Idle => {}
            }
        };
        if take.head.void.is_some() {
            return Err(if self.stop.is_asked() { RunError::Stopped } else { CalibrationRefused::NoTone.into() });
        }
        let samples = take.inputs.get(input).map_or(&[][..], |i| &i.samples);
        let settled = samples.get(routing.capture_rate.frames_in(SETTLE_S)..).unwrap_or(&[]);
        let mut found = tone::find(settled, routing.capture_rate.hz()).ok_or(CalibrationRefused::NoTone)?;
        // Levels will be corrected by the curve, so what the offset stands on is corrected too.
        let correction_db = chain.correction(role).db_at(found.frequency_hz);
        found.level = found.level.map(|level| level.shifted(correction_db));
        let acoustic = Acoustic::from_tone(calibrator, &found, &(self.now)())?;
        self.tell(Event::Calibrated { role, acoustic });
        Ok(())
    }
}
