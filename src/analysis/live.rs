//! What is heard now? A picture for people, 30 times a second, never a result: results come from complete takes.
//!
//! Levels: Z, A and C under time weightings F and S, and the peak under C (IEC 61672-1). Spectrum: Hann window over about 0.17 s, summed into 200 bands of equal
//! ratio. All memory is taken when the analyser is made.

mod distortion;

pub use distortion::{Expected, NoiseFloor};

use super::overload::{AT_LIMIT, room_db};
use super::time_weighting::{FAST_S, SLOW_S, TimeWeighting};
use super::weighting::Weighting;
use super::weighting_filter::WeightingFilter;
use crate::card::InputRole;
use crate::signal::Moving;
use crate::units::{Dbfs, PeakDb, SampleRate};
use distortion::Listener;
use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use std::collections::VecDeque;
use std::f64::consts::TAU;
use std::sync::Arc;

/// Pictures a second.
const PICTURES_PER_S: f64 = 30.0;
/// A peak is held for one to two of these, seconds.
const PEAK_HELD_S: f64 = 0.5;
/// Bands of the spectrum between 20 Hz and 20 kHz.
const BANDS: usize = 200;
/// Time between two looks at the distortion, seconds: each costs some milliseconds.
const DISTORTION_EVERY_S: f64 = 0.5;

/// What one input hears now, in full-scale terms.
#[derive(Clone, Debug, PartialEq)]
pub struct LiveInput {
    /// What is connected.
    pub role: InputRole,
    /// Level, time weighting F, Z; `None` for digital zero.
    pub level_z: Option<Dbfs>,
    /// The same, A.
    pub level_a: Option<Dbfs>,
    /// The same, C.
    pub level_c: Option<Dbfs>,
    /// Level, time weighting S, Z.
    pub slow_z: Option<Dbfs>,
    /// The same, A.
    pub slow_a: Option<Dbfs>,
    /// The same, C.
    pub slow_c: Option<Dbfs>,
    /// Highest sample under C of the last half to whole second.
    pub peak_c: Option<PeakDb>,
    /// Highest sample of the last half to whole second.
    pub peak: Option<PeakDb>,
    /// Room left to the input's full scale, dB.
    pub room_db: Option<f64>,
    /// Even- and odd-order distortion at the ear re the stimulus, dB; `None` while nothing steady plays, while the
    /// clocks are not known yet, and where it is not above the noise.
    pub distortion_db: Option<f64>,
    /// Spectrum: frequency in Hz (rising) and level in dBFS.
    pub spectrum: Vec<(f64, f64)>,
    /// Samples at the input's own full scale since the analyser was made.
    pub overloads: u64,
}

/// The live picture: a new one replaces the old one.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Live {
    /// One per capture channel.
    pub inputs: Vec<LiveInput>,
}

/// Makes live pictures from captured blocks.
pub struct LiveAnalyser {
    plan: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    input: Vec<f64>,
    lines: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
    /// Band of each line.
    band_of: Vec<Option<usize>>,
    centres_hz: Vec<f64>,
    rate_hz: f64,
    hop: usize,
    pending: usize,
    rate: SampleRate,
    listener: Option<Listener>,
    /// Frames since the distortion was last looked at.
    unheard: usize,
    ears: Vec<Ear>,
}

/// State of one input.
struct Ear {
    role: InputRole,
    recent: Vec<f32>,
    at: usize,
    /// Keeps a converter's offset out of the level.
    without_offset: Moving,
    /// Under Z, A and C.
    weighted: [Weighted; 3],
    /// As captured, and under C.
    peaks: [PeakHold; 2],
    overloads: u64,
    /// Steady sound so far, as much as one look at the distortion needs.
    steady: VecDeque<f64>,
    distortion_db: Option<f64>,
}

/// One weighting and its running levels.
struct Weighted {
    filter: WeightingFilter,
    fast: TimeWeighting,
    slow: TimeWeighting,
}

impl Weighted {
    fn new(weighting: Weighting, rate: SampleRate) -> Weighted {
        Weighted {
            filter: WeightingFilter::new(weighting, rate),
            fast: TimeWeighting::new(FAST_S, rate.hz()),
            slow: TimeWeighting::new(SLOW_S, rate.hz()),
        }
    }

    fn levels(&self) -> [Option<Dbfs>; 2] {
        [self.fast, self.slow].map(|w| Dbfs::from_rms(w.rms()))
    }
}

/// Largest magnitude of this and of the last stretch of [`PEAK_HELD_S`].
#[derive(Clone, Copy, Default)]
struct PeakHold {
    stretches: [f64; 2],
    age: usize,
}

impl PeakHold {
    fn take(&mut self, block: impl Iterator<Item = f64>, rate_hz: f64) {
        for x in block {
            self.stretches[0] = self.stretches[0].max(x.abs());
            self.age += 1;
        }
        if self.age as f64 > PEAK_HELD_S * rate_hz {
            *self = PeakHold { stretches: [0.0, self.stretches[0]], age: 0 };
        }
    }

    fn peak(&self) -> f64 {
        self.stretches[0].max(self.stretches[1])
    }
}

impl LiveAnalyser {
    /// For these inputs at this rate.
    pub fn new(rate: SampleRate, roles: impl IntoIterator<Item = InputRole>) -> LiveAnalyser {
        let rate_hz = rate.hz();
        let frames = ((rate_hz * 0.17).log2().round().exp2()) as usize;
        let plan = RealFftPlanner::<f64>::new().plan_fft_forward(frames);
        let line_hz = rate_hz / frames as f64;
        let ratio = 1000f64.powf(1.0 / BANDS as f64);
        let band = |k: usize| {
            let f = k as f64 * line_hz;
            (20.0..20_000.0).contains(&f).then(|| (((f / 20.0).ln() / ratio.ln()) as usize).min(BANDS - 1))
        };
        let count = frames / 2 + 1;
        let ears = roles.into_iter().map(|role| Ear {
            role,
            recent: vec![0.0; frames],
            at: 0,
            without_offset: Moving::from_zero(rate),
            weighted: [Weighting::Z, Weighting::A, Weighting::C].map(|w| Weighted::new(w, rate)),
            peaks: [PeakHold::default(); 2],
            overloads: 0,
            steady: VecDeque::new(),
            distortion_db: None,
        });
        LiveAnalyser {
            window: (0..frames).map(|n| 0.5 - 0.5 * (TAU * n as f64 / frames as f64).cos()).collect(),
            input: plan.make_input_vec(),
            lines: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            plan,
            band_of: (0..count).map(band).collect(),
            centres_hz: (0..BANDS).map(|b| 20.0 * ratio.powf(b as f64 + 0.5)).collect(),
            rate_hz,
            hop: (rate_hz / PICTURES_PER_S) as usize,
            pending: 0,
            rate,
            listener: None,
            unheard: 0,
            ears: ears.collect(),
        }
    }

    /// What plays from now on; `None`: nothing whose distortion could be determined.
    pub fn expect(&mut self, expected: Option<Expected>) {
        self.listener = expected.map(|e| Listener::new(e, self.rate));
        let span = self.listener.as_ref().map_or(0, Listener::span);
        for ear in &mut self.ears {
            ear.steady = VecDeque::with_capacity(span);
            ear.distortion_db = None;
        }
    }

    /// Takes one block per input; gives a picture where one is due. Of the block's last frames `steady` (or more, then
    /// all) hear the stimulus at full drive.
    pub fn push(&mut self, block: &[Vec<f32>], steady: usize) -> Option<Live> {
        let frames = block.first().map_or(0, Vec::len);
        self.listen(block, steady, frames);
        for (ear, samples) in self.ears.iter_mut().zip(block) {
            ear.hear(samples, self.rate_hz);
        }
        self.pending += frames;
        if self.pending < self.hop {
            return None;
        }
        self.pending = 0;
        let inputs = (0..self.ears.len()).map(|i| self.picture(i)).collect();
        Some(Live { inputs })
    }

    /// Keeps steady sound and looks at its distortion from time to time.
    fn listen(&mut self, block: &[Vec<f32>], steady: usize, frames: usize) {
        let Some(listener) = &self.listener else { return };
        let span = listener.span();
        self.unheard += frames;
        let due = self.unheard as f64 >= DISTORTION_EVERY_S * self.rate_hz;
        for (input, (ear, samples)) in self.ears.iter_mut().zip(block).enumerate() {
            let fresh = &samples[samples.len() - steady.min(samples.len())..];
            if fresh.len() < samples.len() {
                ear.steady.clear();
                ear.distortion_db = None;
            }
            ear.steady.extend(fresh.iter().map(|x| f64::from(*x)));
            ear.steady.drain(..ear.steady.len().saturating_sub(span));
            if due && ear.steady.len() == span {
                ear.distortion_db = listener.distortion_db(input, ear.steady.make_contiguous());
            }
        }
        if due && self.ears.iter().all(|e| e.steady.len() == span) {
            self.unheard = 0;
        }
    }

    fn picture(&mut self, index: usize) -> LiveInput {
        let ear = &self.ears[index];
        let peak = ear.peaks[0].peak();
        let frames = self.window.len();
        for (n, (x, w)) in self.input.iter_mut().zip(&self.window).enumerate() {
            *x = f64::from(ear.recent[(ear.at + n) % frames]) * w;
        }
        // Lengths come from the plan; a failure would leave the last picture's lines.
        let _ = self.plan.process_with_scratch(&mut self.input, &mut self.lines, &mut self.scratch);
        // Mean square of a line: 2|Y/N|² over the window's mean square of 3/8.
        let scale = 2.0 / (frames as f64 * frames as f64 * 0.375);
        let mut bands = [0.0; BANDS];
        for (line, band) in self.lines.iter().zip(&self.band_of) {
            if let Some(band) = band {
                bands[*band] += line.norm_sqr() * scale;
            }
        }
        let [[level_z, slow_z], [level_a, slow_a], [level_c, slow_c]] = ear.weighted.each_ref().map(Weighted::levels);
        let spectrum = self.centres_hz.iter().zip(bands);
        LiveInput {
            role: ear.role,
            level_z,
            level_a,
            level_c,
            slow_z,
            slow_a,
            slow_c,
            peak: PeakDb::from_amplitude(peak),
            peak_c: PeakDb::from_amplitude(ear.peaks[1].peak()),
            room_db: (peak > 0.0).then(|| room_db(peak as f32, usize::from(peak as f32 >= AT_LIMIT))),
            distortion_db: ear.distortion_db,
            spectrum: spectrum.filter_map(|(f, p)| Some((*f, Dbfs::from_rms(p.sqrt())?.db()))).collect(),
            overloads: ear.overloads,
        }
    }
}

impl Ear {
    fn hear(&mut self, samples: &[f32], rate_hz: f64) {
        let finite = |x: &f32| if x.is_finite() { *x } else { 0.0 };
        let mut moving = Vec::with_capacity(samples.len());
        for x in samples.iter().map(finite) {
            self.recent[self.at] = x;
            self.at = (self.at + 1) % self.recent.len();
            moving.push(self.without_offset.next(f64::from(x)));
            self.overloads += u64::from(x.abs() >= AT_LIMIT);
        }
        self.peaks[0].take(samples.iter().map(|x| f64::from(finite(x))), rate_hz);
        let [z, a, c] = &mut self.weighted;
        for weighted in [z, a] {
            let Weighted { filter, fast, slow } = weighted;
            filter.weigh(moving.iter().copied()).for_each(|x| {
                fast.take(x);
                slow.take(x);
            });
        }
        let (Weighted { filter, fast, slow }, peaks) = (c, &mut self.peaks[1]);
        peaks.take(
            filter.weigh(moving.iter().copied()).inspect(|x| {
                fast.take(*x);
                slow.take(*x);
            }),
            rate_hz,
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn analyser() -> LiveAnalyser {
        LiveAnalyser::new(SampleRate::DEFAULT, [InputRole::LeftEar])
    }

    fn last(analyser: &mut LiveAnalyser, samples: &[f32]) -> LiveInput {
        let mut picture = None;
        for block in samples.chunks(777) {
            picture = analyser.push(&[block.to_vec()], 0).or(picture);
        }
        picture.unwrap().inputs.remove(0)
    }

    fn sine(f: f64, db: f64, seconds: f64) -> Vec<f32> {
        let a = 10f64.powf(db / 20.0);
        (0..(48_000.0 * seconds) as usize).map(|n| (a * (TAU * f * n as f64 / 48_000.0).sin()) as f32).collect()
    }

    /// Levels are the generator's own; F ripple at 1 kHz is 0.003 dB (closed form). A at 1 kHz is 0 dB by definition.
    #[test]
    fn a_steady_sine_reads_its_level_its_peak_and_its_room() {
        let heard = last(&mut analyser(), &sine(1000.0, -20.0, 2.0));
        assert!((heard.level_z.unwrap().db() + 20.0).abs() < 0.01);
        assert!((heard.level_a.unwrap().db() + 20.0).abs() < 0.02);
        assert!((heard.peak.unwrap().db() + 20.0).abs() < 0.02);
        assert!((heard.room_db.unwrap() - 20.0).abs() < 0.02);
        let loudest = heard.spectrum.iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
        assert!((loudest.0 / 1000.0 - 1.0).abs() < 0.04, "{loudest:?}");
    }

    /// After the sound stops an F level falls by 10 lg e / 0.125 s = 34.74 dB a second (IEC 61672-1, closed form).
    #[test]
    fn the_level_falls_at_the_rate_of_time_weighting_f() {
        let mut analyser = analyser();
        let before = last(&mut analyser, &sine(1000.0, -20.0, 2.0)).level_z.unwrap();
        let after = last(&mut analyser, &vec![0.0; 48_000]).level_z.unwrap();
        assert!((before - after - 34.743_56).abs() < 0.6, "{}", before - after);
    }

    #[test]
    fn digital_zero_has_no_level_and_full_scale_is_counted() {
        let heard = last(&mut analyser(), &vec![0.0; 48_000]);
        assert_eq!((heard.level_z, heard.peak, heard.overloads), (None, None, 0));
        assert!(last(&mut analyser(), &sine(100.0, 3.0, 1.0)).overloads > 1000);
    }
}
