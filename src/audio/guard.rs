//! Protection while a take runs: is what the microphone hears too loud, or not what was predicted?
//!
//! Two windows. **One whole stimulus period**, once everything has arrived: a periodic signal has no statistical
//! scatter over it, so the limits are tight (1 dB over the ceiling, 3 dB off the prediction either way). **100 ms**,
//! from the opening of the gain: quick, but noise of 20 Hz and up scatters in so short a time, so the limits are
//! widened by what the played period itself does in 100 ms and by [`QUICK_ALLOWANCE_DB`] for the response between.
//! Energy of the stated noise is taken off first; what does not stand over it is not judged.
//!
//! A microphone that falls silent while sound goes on is noticed in the quick windows as well: where the level lies under the
//! prediction by more than noise of 100 ms ever does, for a quarter of a second, nobody hears what plays.

use crate::signal::{Moving, Period};
use crate::units::{Dbfs, SampleRate, power_from_db};

/// What to watch during a take.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Guard {
    /// Inputs watched; empty for a take that needs no protection (silence).
    pub inputs: Vec<GuardedInput>,
}

/// What one input must not hear.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct GuardedInput {
    /// Which input of the take, from 0.
    pub input: usize,
    /// What it is called in messages.
    pub name: &'static str,
    /// Level predicted, dBFS RMS, full range.
    pub expected_dbfs: Option<f64>,
    /// Where nothing is predicted: about the level that must be heard, or the microphone is lost, dBFS RMS, full range.
    pub roughly_dbfs: Option<f64>,
    /// Level that must not be passed, dBFS RMS, full range.
    pub ceiling_dbfs: Option<f64>,
    /// Level of the input's own noise, dBFS RMS.
    pub noise_dbfs: Option<f64>,
}

/// Over the ceiling by more than this closes the gain, dB.
const OVER_CEILING_DB: f64 = 1.0;
/// Off the prediction by more than this closes the gain, dB.
const OFF_PREDICTION_DB: f64 = 3.0;
/// Judged only where the level stands this far over the noise, dB (own choice).
const OVER_NOISE_DB: f64 = 6.0;
/// Widening of the 100 ms limits for what a headphone's response does to the scatter, dB (own choice).
const QUICK_ALLOWANCE_DB: f64 = 3.0;
/// Within this of the ceiling nothing is waited for, dB (own choice).
const NEAR_CEILING_DB: f64 = 10.0;
/// Under the prediction by this much more than the played period ever is in 100 ms: the microphone is lost, dB (own choice:
/// a headphone's response scatters more than the period itself).
const LOST_DB: f64 = 12.0;
/// Windows that a click reaches, and that a lost microphone lasts at least.
const CLICK_WINDOWS: usize = 2;
/// So many steps of the quick window are waited for the beginning of the sound, beyond the delay of the take before.
const UNHEARD_HOPS: usize = 8;
/// Step of the quick window, which spans two of them, seconds.
const HOP_S: f64 = 0.05;

/// A guard at work.
pub struct GuardWatch {
    watched: Vec<Watched>,
    quick_extra_db: f64,
    quick_lack_db: f64,
    hop: usize,
    period: usize,
    steady: std::ops::Range<usize>,
}

struct Watched {
    limits: GuardedInput,
    moving: Moving,
    hop_energy: f64,
    hop_frames: usize,
    previous_hop: Option<f64>,
    /// Quick windows running that were over the prediction.
    off: usize,
    /// Quick windows running that were far under it.
    lost: usize,
    /// Frames running that certainly hear the stimulus at full drive.
    steady_frames: usize,
    /// It was heard in this take.
    heard: bool,
    period_energy: f64,
    period_frames: usize,
}

impl GuardWatch {
    /// Watches from the opening of the gain. `steady` is the span of captured frames after it in which the stimulus
    /// is certain to sound at full drive.
    pub fn new(
        guard: &Guard,
        period: &Period,
        captured_rate: SampleRate,
        steady: std::ops::Range<usize>,
    ) -> GuardWatch {
        let watched = guard.inputs.iter().map(|limits| Watched {
            limits: *limits,
            moving: Moving::from_the_first(captured_rate),
            hop_energy: 0.0,
            hop_frames: 0,
            previous_hop: None,
            off: 0,
            lost: 0,
            steady_frames: 0,
            heard: false,
            period_energy: 0.0,
            period_frames: 0,
        });
        let (most_db, least_db) = if guard.inputs.is_empty() { (0.0, 0.0) } else { quick_range_db(period) };
        GuardWatch {
            watched: watched.collect(),
            quick_extra_db: most_db + QUICK_ALLOWANCE_DB,
            quick_lack_db: LOST_DB - least_db,
            hop: captured_rate.frames_in(HOP_S),
            period: (period.seconds() * captured_rate.hz()).round() as usize,
            steady,
        }
    }

    /// Captured frames after the opening of the gain between which the stimulus certainly sounds at full drive.
    pub fn steady(&self) -> std::ops::Range<usize> {
        self.steady.clone()
    }

    /// Takes the next captured frames, the first of which is `first` frames after the opening; what is wrong, if so.
    pub fn feed(&mut self, inputs: &[Vec<f32>], first: usize) -> Option<String> {
        let (hop, period, steady) = (self.hop, self.period, self.steady.clone());
        let (extra, lack) = (self.quick_extra_db, self.quick_lack_db);
        self.watched.iter_mut().find_map(|watched| {
            let samples = inputs.get(watched.limits.input)?;
            samples.iter().enumerate().find_map(|(i, sample)| {
                let energy = watched.energy(*sample);
                let is_steady = steady.contains(&(first + i));
                watched.steady_frames = if is_steady { watched.steady_frames + 1 } else { 0 };
                let quick = watched.quick(energy, hop, extra, lack);
                let exact = is_steady.then(|| watched.exact(energy, period)).flatten();
                quick.or(exact)
            })
        })
    }
}

impl Watched {
    /// Square of what moves. What is no number counts as full scale: it must not hide a level.
    fn energy(&mut self, sample: f32) -> f64 {
        if !sample.is_finite() {
            return 1.0;
        }
        self.moving.next(f64::from(sample)).powi(2)
    }

    fn quick(&mut self, energy: f64, hop: usize, extra_db: f64, lack_db: f64) -> Option<String> {
        self.hop_energy += energy;
        self.hop_frames += 1;
        if self.hop_frames < hop {
            return None;
        }
        let mean = self.hop_energy / hop as f64;
        let both = self.previous_hop.replace(mean).map(|before| 0.5 * (before + mean));
        (self.hop_energy, self.hop_frames) = (0.0, 0);
        let both = both?;
        let is_lost = self.is_lost(both, lack_db);
        self.heard |= !is_lost;
        // A route's delay may be longer than it was in the take before; what was heard and falls silent is lost.
        let waited = 2 + if self.heard { 0 } else { UNHEARD_HOPS };
        let lost = self.steady_frames >= waited * hop && is_lost;
        self.lost = if lost { self.lost + 1 } else { 0 };
        if self.lost > CLICK_WINDOWS {
            return self.must_hear_dbfs().map(|expected| self.not_heard(both, expected));
        }
        let Some(level) = self.level_dbfs(both) else {
            self.off = 0;
            return None;
        };
        // A click reaches two windows and is no change of volume: off the prediction counts when it lasts, or near the ceiling.
        let near = self.limits.ceiling_dbfs.is_none_or(|ceiling| level > ceiling - NEAR_CEILING_DB);
        let off = self.limits.expected_dbfs.is_some_and(|e| level > e + OFF_PREDICTION_DB + extra_db);
        self.off = if off { self.off + 1 } else { 0 };
        if near || self.off > CLICK_WINDOWS { self.too_loud(both, extra_db) } else { None }
    }

    fn exact(&mut self, energy: f64, period: usize) -> Option<String> {
        self.period_energy += energy;
        self.period_frames += 1;
        if self.period_frames < period {
            return None;
        }
        let mean = self.period_energy / period as f64;
        (self.period_energy, self.period_frames) = (0.0, 0);
        self.too_loud(mean, 0.0).or_else(|| self.too_soft(mean))
    }

    /// About the level that must be heard, dBFS.
    fn must_hear_dbfs(&self) -> Option<f64> {
        self.limits.expected_dbfs.or(self.limits.roughly_dbfs)
    }

    /// Far under the prediction, and the prediction far over the noise.
    fn is_lost(&self, mean_square: f64, lack_db: f64) -> bool {
        self.must_hear_dbfs().is_some_and(|expected| {
            let lowest = Dbfs(expected - lack_db).rms().powi(2);
            lowest > self.noise_power() * power_from_db(OVER_NOISE_DB) && mean_square < lowest
        })
    }

    fn noise_power(&self) -> f64 {
        self.limits.noise_dbfs.map_or(0.0, |db| Dbfs(db).rms().powi(2))
    }

    /// Level without the noise; `None` where it does not stand over it.
    fn level_dbfs(&self, mean_square: f64) -> Option<f64> {
        let noise = self.noise_power();
        let own = mean_square - noise;
        (own > noise * power_from_db(OVER_NOISE_DB)).then(|| Dbfs::from_rms(own.sqrt())).flatten().map(Dbfs::db)
    }

    fn too_loud(&self, mean_square: f64, extra_db: f64) -> Option<String> {
        let level = self.level_dbfs(mean_square)?;
        if let Some(ceiling) = self.limits.ceiling_dbfs
            && level > ceiling + OVER_CEILING_DB + extra_db
        {
            return Some(format!(
                "the level at the {} ({:.1}) passed the ceiling ({:.1}); check gain and volume",
                self.limits.name,
                Dbfs(level),
                Dbfs(ceiling)
            ));
        }
        let expected = self.limits.expected_dbfs?;
        (level > expected + OFF_PREDICTION_DB + extra_db).then(|| self.off_prediction(level, expected))
    }

    fn too_soft(&self, mean_square: f64) -> Option<String> {
        let expected = self.limits.expected_dbfs?;
        let stands_over_noise = Dbfs(expected).rms().powi(2) > self.noise_power() * power_from_db(OVER_NOISE_DB);
        let own = (mean_square - self.noise_power()).max(0.0);
        let limit = Dbfs(expected - OFF_PREDICTION_DB).rms().powi(2);
        if !stands_over_noise || own >= limit {
            return None;
        }
        Some(self.not_heard(mean_square, expected))
    }

    fn not_heard(&self, mean_square: f64, expected: f64) -> String {
        match Dbfs::from_rms((mean_square - self.noise_power()).max(0.0).sqrt()) {
            Some(level) => self.off_prediction(level.db(), expected),
            None => format!(
                "nothing was heard at the {} where {:.1} was predicted; check that microphone",
                self.limits.name,
                Dbfs(expected)
            ),
        }
    }

    fn off_prediction(&self, level: f64, expected: f64) -> String {
        format!(
            "the level at the {} ({:.1}) is not what was predicted ({:.1}); has a volume, a gain or the seat changed, or \
             is it the wrong ear?",
            self.limits.name,
            Dbfs(level),
            Dbfs(expected)
        )
    }
}

/// Highest and lowest level of the period over any 100 ms, above its own level, dB.
fn quick_range_db(period: &Period) -> (f64, f64) {
    let window = period.rate.frames_in(2.0 * HOP_S).min(period.samples.len());
    let mean = period.rms.powi(2);
    if mean <= 0.0 {
        return (0.0, 0.0);
    }
    let energy = |i: usize| period.samples[i % period.samples.len()].powi(2);
    let mut sum: f64 = (0..window).map(energy).sum();
    let (mut most, mut least) = (sum, sum);
    for i in 0..period.samples.len() {
        sum += energy(i + window) - energy(i);
        (most, least) = (most.max(sum), least.min(sum));
    }
    let db = |sum: f64| 10.0 * (sum.max(0.0) / (window as f64 * mean)).log10();
    (db(most), db(least))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Stimulus;

    const RATE: SampleRate = SampleRate::DEFAULT;

    /// Plays `seconds` of the default pink noise at `level_dbfs` past a guard, in blocks.
    fn watch(limits: GuardedInput, level_dbfs: impl Fn(f64) -> f64, seconds: f64) -> Option<(f64, String)> {
        let period = Stimulus::pink(RATE).period(RATE);
        let guard = Guard { inputs: vec![limits] };
        let mut watch = GuardWatch::new(&guard, &period, RATE, 12_000..RATE.frames_in(seconds));
        for first in (0..RATE.frames_in(seconds)).step_by(480) {
            let samples = (first..first + 480).map(|n| {
                let gain = Dbfs(level_dbfs(n as f64 / 48_000.0)).rms() / period.rms;
                (gain * period.samples[n % period.samples.len()]) as f32
            });
            if let Some(what) = watch.feed(&[samples.collect()], first) {
                return Some((first as f64 / 48_000.0, what));
            }
        }
        None
    }

    fn limits(expected_dbfs: Option<f64>, ceiling_dbfs: Option<f64>) -> GuardedInput {
        GuardedInput { expected_dbfs, ceiling_dbfs, noise_dbfs: Some(-90.0), ..GuardedInput::default() }
    }

    #[test]
    fn a_level_as_predicted_and_at_the_ceiling_passes() {
        assert_eq!(watch(limits(Some(-30.0), Some(-30.0)), |_| -30.0, 6.0), None);
        assert_eq!(watch(limits(Some(-30.0), Some(-30.0)), |_| -29.1, 6.0), None);
        assert_eq!(watch(limits(Some(-30.0), None), |_| -32.9, 6.0), None);
    }

    #[test]
    fn a_little_over_the_ceiling_or_off_the_prediction_is_stated_within_two_periods() {
        for (limits, level) in
            [(limits(None, Some(-30.0)), -28.8), (limits(Some(-30.0), None), -26.9), (limits(Some(-30.0), None), -33.1)]
        {
            let (at_s, _) = watch(limits, |_| level, 6.0).unwrap();
            assert!(at_s < 2.0 * 65_536.0 / 48_000.0, "{at_s}");
        }
    }

    #[test]
    fn a_knob_turned_up_is_stated_within_a_hundred_milliseconds() {
        let (at_s, what) =
            watch(limits(Some(-40.0), Some(-30.0)), |t| if t < 2.0 { -40.0 } else { -20.0 }, 6.0).unwrap();
        assert!((2.0..2.11).contains(&at_s), "{at_s}: {what}");
    }

    /// A constant offset of 5 % once read as a level of −23 dBFS where −40 was predicted.
    #[test]
    fn a_constant_offset_is_no_level() {
        let period = Stimulus::pink(RATE).period(RATE);
        let guard = Guard { inputs: vec![limits(Some(-40.0), Some(-30.0))] };
        let mut watch = GuardWatch::new(&guard, &period, RATE, 12_000..RATE.frames_in(6.0));
        let gain = Dbfs(-40.0).rms() / period.rms;
        for first in (0..RATE.frames_in(6.0)).step_by(480) {
            let samples = (first..first + 480).map(|n| (0.05 + gain * period.samples[n % period.samples.len()]) as f32);
            assert_eq!(watch.feed(&[samples.collect()], first), None);
        }
    }

    #[test]
    fn a_microphone_that_falls_silent_is_noticed_within_three_tenths_of_a_second() {
        let expects = limits(Some(-40.0), Some(-10.0));
        let (at_s, what) = watch(expects, |t| if t < 2.0 { -40.0 } else { -200.0 }, 6.0).unwrap();
        assert!((2.0..2.3).contains(&at_s), "{at_s}: {what}");
        // Where the level is known roughly alone, too.
        let roughly = GuardedInput { expected_dbfs: None, roughly_dbfs: Some(-40.0), ..expects };
        assert!(watch(roughly, |t| if t < 2.0 { -40.0 } else { -200.0 }, 6.0).unwrap().0 < 2.3);
        assert_eq!(watch(roughly, |_| -46.0, 6.0), None);
        // What is left of it is given only over a whole period.
        assert!(watch(expects, |t| if t < 2.0 { -40.0 } else { -44.0 }, 6.0).unwrap().0 > 2.5);
    }

    #[test]
    fn far_under_the_ceiling_a_click_passes_and_a_knob_turned_up_is_stated_within_a_quarter_second() {
        let quiet = limits(Some(-60.0), Some(-20.0));
        // Over a whole period it adds under 3 dB.
        let click = |t: f64| if (2.0..2.0002).contains(&t) { -22.0 } else { -60.0 };
        assert_eq!(watch(quiet, click, 6.0), None);
        let (at_s, what) = watch(quiet, |t| if t < 2.0 { -60.0 } else { -40.0 }, 6.0).unwrap();
        assert!((2.0..2.26).contains(&at_s), "{at_s}: {what}");
    }

    #[test]
    fn samples_that_are_no_numbers_do_not_hide_a_level() {
        let nothing = limits(None, Some(-30.0));
        assert!(watch(nothing, |t| if t < 2.0 { -40.0 } else { f64::NAN }, 6.0).unwrap().1.contains("ceiling"));
    }

    #[test]
    fn a_dead_microphone_is_stated_and_a_level_under_the_noise_is_not_judged() {
        assert!(watch(limits(Some(-30.0), None), |_| -200.0, 6.0).unwrap().1.contains("predicted"));
        let buried = GuardedInput { noise_dbfs: Some(-30.0), ..limits(Some(-30.0), Some(-60.0)) };
        assert_eq!(watch(buried, |_| -30.0, 6.0), None);
    }
}
