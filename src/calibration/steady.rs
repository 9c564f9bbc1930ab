//! Waits for a calibrator's steady tone: one reading after another, until they stay together for long enough, or until
//! it is clear what is wrong.
//!
//! ```text
//! readings   –  –  1.2  94.3  94.1  94.02  94.01  94.01  94.01
//!            no tone │ being fitted │ └──── 5 s within 0.05 dB ────┘ ► offset
//! ```

use super::acoustic::{self, Acoustic, CalibrationRefused, Calibrator};
use crate::analysis::Tone;

/// The level must stay within this …
pub const STEADY_DB: f64 = 0.05;
/// … for this long, seconds.
pub const STEADY_S: f64 = 5.0;
/// What is wrong for this long is no longer the fitting of the calibrator, seconds.
const WRONG_FOR_S: f64 = 5.0;
/// A tone is waited for this long, seconds: the user fits the calibrator and switches it on.
const NO_TONE_FOR_S: f64 = 30.0;
/// A level that has not settled after this long will not, seconds.
const UNSTEADY_FOR_S: f64 = 30.0;

/// What one more reading has shown.
#[derive(Clone, Debug, PartialEq)]
pub enum Heard {
    /// Not yet: steady for so many seconds, and what stands in the way, where something does.
    Waiting {
        /// Seconds for which the level has been steady.
        steady_s: f64,
        /// What must change.
        because: Option<CalibrationRefused>,
    },
    /// The offset.
    Steady(Acoustic),
    /// It will not be one.
    Refused(CalibrationRefused),
}

/// The readings so far.
#[derive(Clone, Debug)]
pub struct SteadyTone {
    calibrator: Calibrator,
    /// The last good readings, which stay together, with the seconds that each stands for.
    run: Vec<(f64, Tone)>,
    /// What was wrong with the last readings, and for how long.
    wrong: Option<(CalibrationRefused, f64)>,
    /// Seconds for which a tone was there and did not settle.
    unsteady_s: f64,
}

impl SteadyTone {
    /// Waits for the tone of `calibrator`.
    pub fn of(calibrator: Calibrator) -> SteadyTone {
        SteadyTone { calibrator, run: Vec::new(), wrong: None, unsteady_s: 0.0 }
    }

    /// Takes the reading of the next `seconds`; `None` where they held no tone at all. `now` is the time (RFC 3339).
    pub fn hear(&mut self, tone: Option<Tone>, seconds: f64, now: &str) -> Heard {
        let Some(tone) = tone else { return self.bad(CalibrationRefused::NoTone, seconds) };
        match acoustic::check(&self.calibrator, &tone) {
            Ok(_) => self.good(tone, seconds, now),
            Err(why) => self.bad(why, seconds),
        }
    }

    fn bad(&mut self, why: CalibrationRefused, seconds: f64) -> Heard {
        self.run.clear();
        let before = self.wrong.take().filter(|(before, _)| before.is_like(&why)).map_or(0.0, |(_, s)| s);
        let lasted = before + seconds;
        let patience = match why {
            CalibrationRefused::NoTone => NO_TONE_FOR_S,
            CalibrationRefused::Unsteady { .. } => UNSTEADY_FOR_S,
            _ => WRONG_FOR_S,
        };
        if lasted >= patience {
            return Heard::Refused(why);
        }
        self.wrong = Some((why.clone(), lasted));
        Heard::Waiting { steady_s: 0.0, because: Some(why) }
    }

    fn good(&mut self, tone: Tone, seconds: f64, now: &str) -> Heard {
        self.wrong = None;
        self.run.push((seconds, tone));
        let moved_db = self.spread_db();
        while self.spread_db() > STEADY_DB {
            self.run.remove(0);
        }
        self.unsteady_s = if moved_db > STEADY_DB { self.unsteady_s + seconds } else { self.unsteady_s };
        let steady_s: f64 = self.run.iter().map(|(s, _)| s).sum();
        if steady_s >= STEADY_S {
            let tones: Vec<Tone> = self.run.iter().map(|(_, tone)| *tone).collect();
            return match Acoustic::from_tones(self.calibrator, &tones, now) {
                Ok(acoustic) => Heard::Steady(acoustic),
                Err(why) => Heard::Refused(why),
            };
        }
        let unsteady = (moved_db > STEADY_DB).then_some(CalibrationRefused::Unsteady { by_db: moved_db });
        match unsteady {
            Some(why) if self.unsteady_s >= UNSTEADY_FOR_S => Heard::Refused(why),
            because => Heard::Waiting { steady_s, because },
        }
    }

    /// Largest less smallest level of the run, dB.
    fn spread_db(&self) -> f64 {
        let levels = self.run.iter().filter_map(|(_, tone)| Some(tone.level?.value));
        let (low, high) = levels.fold((f64::MAX, f64::MIN), |(low, high), x| (low.min(x), high.max(x)));
        (high - low).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::Beside;
    use crate::calibration::OffsetSource;
    use crate::stats::Estimate;

    const NOW: &str = "2026-03-01T09:00:00Z";

    fn tone(level_db: f64) -> Tone {
        Tone {
            frequency_hz: 1000.2,
            level: Some(Estimate::symmetric(level_db, 0.005)),
            instability_db: 0.01,
            distortion_db: -50.0,
            thd_db: Some(-52.0),
            hum: None,
            second: None,
            over_noise_db: 50.0,
            overloaded: false,
        }
    }

    fn waiting() -> SteadyTone {
        SteadyTone::of(Calibrator::at_1_khz(94.0))
    }

    /// 94.0 dB read as −26.0 dBFS is an offset of 120.0 dB; the settling before is left out of the mean.
    #[test]
    fn a_tone_that_settles_gives_the_offset_of_its_steady_part() {
        let mut watch = waiting();
        for (level, steady_s) in [(-27.0, 1.5), (-26.2, 1.5), (-26.01, 1.5), (-26.0, 3.0), (-25.99, 4.5)] {
            let Heard::Waiting { steady_s: found, .. } = watch.hear(Some(tone(level)), 1.5, NOW) else { panic!() };
            assert!((found - steady_s).abs() < 1e-9, "{level}: {found}");
        }
        let Heard::Steady(acoustic) = watch.hear(Some(tone(-26.0)), 1.5, NOW) else { panic!() };
        assert!((acoustic.offset.value - 120.0).abs() < 1e-9 && acoustic.taken_at == NOW);
        // Class 1: ±0.4 dB; the readings add next to nothing.
        assert!((acoustic.offset.half_width() - 0.4).abs() < 0.002, "{:?}", acoustic.offset);
    }

    #[test]
    fn a_level_that_never_settles_is_refused_with_how_far_it_moves() {
        let mut watch = waiting();
        let mut last = None;
        for i in 0..40 {
            last = Some(watch.hear(Some(tone(-26.0 + if i % 2 == 0 { 0.1 } else { 0.0 })), 1.5, NOW));
            if matches!(last, Some(Heard::Refused(_))) {
                break;
            }
        }
        let Some(Heard::Refused(CalibrationRefused::Unsteady { by_db })) = last else { panic!("{last:?}") };
        assert!((by_db - 0.1).abs() < 1e-9);
    }

    #[test]
    fn what_cannot_be_a_calibrator_is_refused_after_five_seconds_with_the_reason() {
        let second = Some(Beside { frequency_hz: 1300.0, level_db: -30.0 });
        let wrong: [(Tone, &str); 6] = [
            (Tone { frequency_hz: 250.0, ..tone(-26.0) }, "250.0 Hz"),
            (Tone { overloaded: true, ..tone(-26.0) }, "overloaded"),
            (Tone { second, ..tone(-26.0) }, "second tone sounds at 1300 Hz"),
            (Tone { distortion_db: -25.0, over_noise_db: 25.0, ..tone(-26.0) }, "-25.0 dB of other components"),
            (Tone { over_noise_db: 12.0, ..tone(-26.0) }, "no steady tone"),
            (Tone { instability_db: 0.3, ..tone(-26.0) }, "moves by 0.30 dB"),
        ];
        for (tone, words) in wrong {
            let mut watch = waiting();
            let refused = (0..40).find_map(|_| match watch.hear(Some(tone), 1.5, NOW) {
                Heard::Refused(why) => Some(why.to_string()),
                Heard::Waiting { because, .. } => {
                    assert!(because.is_some());
                    None
                }
                Heard::Steady(_) => panic!("{words}"),
            });
            let text = refused.unwrap_or_default();
            assert!(text.contains(words), "{text} for {words}");
        }
    }

    #[test]
    fn a_bad_moment_while_the_calibrator_is_fitted_starts_the_wait_again() {
        let mut watch = waiting();
        watch.hear(Some(tone(-26.0)), 1.5, NOW);
        watch.hear(None, 1.5, NOW);
        let Heard::Waiting { steady_s, because } = watch.hear(Some(tone(-26.0)), 1.5, NOW) else { panic!() };
        assert!((steady_s - 1.5).abs() < 1e-9 && because.is_none());
    }

    /// GUM G.3 with scipy's t: 120.00, 120.10, 119.95 have mean 120.01667, s 0.07638, t(2) 4.30265: ±0.18973.
    #[test]
    fn further_fits_give_the_mean_and_their_spread() {
        let fit = |offset: f64| {
            let readings = [tone(94.0 - offset); 4];
            Acoustic::from_tones(Calibrator::at_1_khz(94.0), &readings, NOW).unwrap()
        };
        let three = fit(120.0).with_fit(&fit(120.1)).unwrap().with_fit(&fit(119.95)).unwrap();
        assert!((three.offset.value - 120.016_67).abs() < 1e-4, "{three:?}");
        let expected = 0.189_73f64.hypot(0.4).hypot(0.005);
        assert!((three.offset.half_width() - expected).abs() < 1e-4, "{}", three.offset.half_width());
        assert!(matches!(&three.source, OffsetSource::Calibrator { fits_db, .. } if fits_db.len() == 3));
        assert!(fit(120.0).with_fit(&Acoustic::typed(120.0, 0.5, NOW).unwrap()).is_err());
    }

    /// A pistonphone of 124 dB at 250 Hz whose barometer reads −0.30 dB; a microphone of 12.5 mV/Pa at an input of
    /// 1 V RMS at full scale: 20 lg(1/(0.0125·20e-6)) = 132.0412 dB.
    #[test]
    fn pressure_correction_and_sensitivity_enter_the_offset() {
        let calibrator = Calibrator { frequency_hz: 1000.0, correction_db: -0.3, ..Calibrator::at_1_khz(124.0) };
        let acoustic = Acoustic::from_tones(calibrator, &[tone(-10.0); 4], NOW).unwrap();
        assert!((acoustic.offset.value - 133.7).abs() < 1e-9);
        let acoustic = Acoustic::from_sensitivity(12.5, 1.0, 1.2, NOW).unwrap();
        assert!((acoustic.offset.value - 132.041_2).abs() < 1e-4 && (acoustic.offset.half_width() - 1.2).abs() < 1e-9);
        assert!(Acoustic::from_sensitivity(0.0, 1.0, 1.2, NOW).is_err());
    }
}
