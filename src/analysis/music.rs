//! A piece of music in, its level and peaks out: streamed, so that no more of it than half a second is ever held.
//!
//! Two signals count, and are kept apart. What the **output** must deliver are the samples themselves: peaks are those of
//! the waveform between them, per polarity. How **loud** it is depends on the path to the ear: the power of each line of a
//! short frame is multiplied by the power gain of that way (response, weighting, field) and summed. Only ratios of the two
//! are used, so no filtered waveform is needed.
//!
//! ```text
//! samples  |  block  |  block  |  block  |     0.2 s each: highest and lowest point, sample and waveform
//! frames   |<------ 0.4 s ----->|              √Hann, half overlapped: Σ w² = 1, so that the frames' energies add up
//!                    |<------ 0.4 s ----->|    to that of the piece (Parseval)
//! ```

use super::flat_tops::FlatTops;
use super::resample::Resampler;
use crate::signal::Peaks;
use crate::units::{SampleRate, db_from_power};
use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Length of a block, seconds; a frame of the short-term level is two.
pub const BLOCK_S: f64 = 0.2;
/// The waveform between samples is read up to this share of the rate (20 kHz at 44.1 kHz).
const READ_UP_TO: f64 = 0.4535;
/// Between samples the waveform rises over its neighbours by less than 4 dB for content up to 0.47 of the rate.
const HIDES_A_PEAK: f64 = 0.63;
/// The same of points half a sample apart: a tone at that share of the rate rises over them by 1/cos(0.4535·π/2) at most.
const HIDES_A_PEAK_HALFWAY: f64 = 0.75;
/// Fourth difference over the sample up to which a parabola through three samples shows the peak. A tone has θ⁴ there (θ:
/// radians a sample), so that up to 0.07 of the rate it is off by 0.006 dB; content near half the rate has 16 times its
/// own size, so that what may be hidden is under 0.02 dB.
const SMOOTH: f64 = 0.03;
/// Points a sample at which the waveform is read around a peak, before the highest three are joined by a parabola, which
/// is off by 0.01 dB at most up to 0.45 of the rate.
const POINTS: i32 = 6;
/// Mean square of a full-scale sine.
const FULL_SCALE_MS: f64 = 0.5;

/// Power gain from the samples to the loudness asked for, at a frequency in Hz.
pub type PowerGain<'a> = &'a dyn Fn(f64) -> f64;

/// What a piece holds, in full-scale terms.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Piece {
    /// Its rate, Hz.
    pub rate_hz: u32,
    /// 1 or 2.
    pub channels: usize,
    /// Its length.
    pub seconds: f64,
    /// Mean square of the samples, mean over the channels.
    pub mean_square: f64,
    /// One per 0.2 s, in time.
    pub blocks: Vec<Block>,
    /// Places where samples stand still at the piece's highest level, as a limit leaves them.
    pub flat_tops: u64,
    /// One per loudness asked for.
    pub loudness: Vec<Loudness>,
}

/// Extremes of 0.2 s, the larger of the channels.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Block {
    /// Of the waveform between samples.
    pub waveform: PeakPair,
    /// Of the samples.
    pub samples: PeakPair,
}

/// Magnitudes above and below zero, in units of full scale.
pub type PeakPair = [f32; 2];

/// A piece as loud as one way to the ear makes it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Loudness {
    /// Mean square of the whole piece after the gain, mean over the channels.
    pub mean_square: f64,
    /// The same of each frame of 0.4 s, every 0.2 s.
    pub frames: Vec<f32>,
}

impl Piece {
    /// Level of the samples, dBFS; `None` of digital silence.
    pub fn level_dbfs(&self) -> Option<f64> {
        db_from_power(self.mean_square / FULL_SCALE_MS)
    }

    /// Extremes of the waveform between samples over the whole piece.
    pub fn waveform(&self) -> Peaks {
        self.extremes(|block| block.waveform)
    }

    /// Extremes of the samples.
    pub fn samples(&self) -> Peaks {
        self.extremes(|block| block.samples)
    }

    /// True peak over RMS, plain ratio, dB; `None` of digital silence.
    pub fn peak_over_average_db(&self) -> Option<f64> {
        db_from_power(self.waveform().largest().powi(2) / self.mean_square)
    }

    fn extremes(&self, of: impl Fn(&Block) -> PeakPair) -> Peaks {
        let largest = |sign: usize| self.blocks.iter().fold(0.0f64, |m, block| m.max(f64::from(of(block)[sign])));
        Peaks { positive: largest(0), negative: largest(1) }
    }
}

impl Loudness {
    /// Level, dB re a full-scale sine through a gain of one; `None` of silence.
    pub fn level_db(&self) -> Option<f64> {
        db_from_power(self.mean_square / FULL_SCALE_MS)
    }
}

/// Takes a piece in and measures it as it passes.
pub struct Meter {
    rate: SampleRate,
    channels: Vec<Channel>,
    gains: Vec<Vec<f64>>,
    block: usize,
    resampler: Arc<Resampler>,
    fft: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    blocks: Vec<Block>,
    flat_tops: FlatTops,
    energies: Vec<Vec<f32>>,
    totals: Vec<f64>,
    square: f64,
    frames_in: u64,
    frame: Vec<f64>,
    lines: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
}

/// Margin, the block before, the block now, margin; what comes in is appended.
struct Channel {
    held: Vec<f64>,
}

impl Meter {
    /// For a piece at this rate, with `channels` channels, as loud as each of these gains makes it.
    pub fn new(rate: SampleRate, channels: usize, gains: &[PowerGain<'_>]) -> Meter {
        let block = (BLOCK_S * rate.hz()).round() as usize;
        let resampler = Resampler::cached(rate.hz(), rate.hz(), READ_UP_TO * rate.hz());
        let fft = RealFftPlanner::new().plan_fft_forward(2 * block);
        // √Hann, periodic: its square and that of its half-shifted copy add up to one.
        let window =
            (0..2 * block).map(|n| (std::f64::consts::PI * (n as f64 + 0.5) / (2 * block) as f64).sin()).collect();
        let spacing = rate.hz() / (2 * block) as f64;
        let scale = 1.0 / (2 * block) as f64;
        // All lines but DC and half the rate stand for themselves and their mirror image.
        let twice = |k: usize| if k == 0 || k == block { scale } else { 2.0 * scale };
        let on_lines = |gain: &PowerGain<'_>| (0..=block).map(|k| twice(k) * gain(k as f64 * spacing)).collect();
        // Zeros before the piece: the first frame has half of its own.
        let held = vec![0.0; block + resampler.reach()];
        Meter {
            rate,
            channels: (0..channels.max(1)).map(|_| Channel { held: held.clone() }).collect(),
            gains: gains.iter().map(on_lines).collect(),
            block,
            blocks: Vec::new(),
            flat_tops: FlatTops::default(),
            energies: vec![Vec::new(); gains.len()],
            totals: vec![0.0; gains.len()],
            square: 0.0,
            frames_in: 0,
            frame: fft.make_input_vec(),
            lines: fft.make_output_vec(),
            scratch: fft.make_scratch_vec(),
            window,
            fft,
            resampler,
        }
    }

    /// The next samples: one slice per channel, all of one length, in units of full scale.
    pub fn push(&mut self, channels: &[Vec<f64>]) {
        let count = channels.first().map_or(0, Vec::len);
        self.frames_in += count as u64;
        for (channel, new) in self.channels.iter_mut().zip(channels) {
            self.square += new.iter().map(|x| x * x).sum::<f64>();
            channel.held.extend_from_slice(new);
        }
        self.flat_tops.push(channels);
        self.work();
    }

    /// What the piece holds.
    pub fn finish(mut self) -> Piece {
        let rest = (self.frames_in % self.block as u64) as usize;
        let last = if rest == 0 { 0 } else { self.block - rest };
        for channel in &mut self.channels {
            channel.held.extend(std::iter::repeat_n(0.0, last + self.resampler.reach()));
        }
        self.work();
        // The last block has been in one frame: zeros give it its second.
        for channel in &mut self.channels {
            channel.held.extend(std::iter::repeat_n(0.0, self.block));
        }
        self.frame();
        let samples = (self.frames_in * self.channels.len() as u64).max(1) as f64;
        let loudness = self.totals.iter().zip(self.energies);
        let piece = Piece {
            flat_tops: 0,
            rate_hz: self.rate.get(),
            channels: self.channels.len(),
            seconds: self.frames_in as f64 / self.rate.hz(),
            mean_square: self.square / samples,
            blocks: self.blocks,
            loudness: loudness.map(|(total, frames)| Loudness { mean_square: total / samples, frames }).collect(),
        };
        Piece { flat_tops: self.flat_tops.count(piece.samples().largest()), ..piece }
    }

    /// Every block that has come in with its margin.
    fn work(&mut self) {
        let needed = 2 * (self.block + self.resampler.reach());
        while self.channels.iter().all(|channel| channel.held.len() >= needed) {
            self.frame();
            self.extremes();
            for channel in &mut self.channels {
                channel.held.drain(..self.block);
            }
        }
    }

    /// Adds the frame of the block before and the block now.
    fn frame(&mut self) {
        let start = self.resampler.reach();
        let mut energies = vec![0.0; self.gains.len()];
        for channel in &self.channels {
            let held = &channel.held[start..start + 2 * self.block];
            for ((to, x), w) in self.frame.iter_mut().zip(held).zip(&self.window) {
                *to = x * w;
            }
            // Lengths come from the plan itself: this cannot fail.
            if self.fft.process_with_scratch(&mut self.frame, &mut self.lines, &mut self.scratch).is_err() {
                continue;
            }
            for (energy, gains) in energies.iter_mut().zip(&self.gains) {
                *energy += self.lines.iter().zip(gains).map(|(line, gain)| line.norm_sqr() * gain).sum::<f64>();
            }
        }
        // The squared window adds up to one block.
        let samples = (self.block * self.channels.len()) as f64;
        for (i, energy) in energies.into_iter().enumerate() {
            self.totals[i] += energy;
            self.energies[i].push((energy / samples) as f32);
        }
    }

    fn extremes(&mut self) {
        let start = self.resampler.reach() + self.block;
        let mut found = Block { waveform: [0.0; 2], samples: [0.0; 2] };
        for channel in &self.channels {
            let of = [1.0, -1.0].map(|sign| self.highest(&channel.held, start, sign));
            for (side, (samples, waveform)) in of.into_iter().enumerate() {
                found.samples[side] = found.samples[side].max(samples as f32);
                found.waveform[side] = found.waveform[side].max(waveform as f32);
            }
        }
        self.blocks.push(found);
    }

    /// Highest sample and highest point of the waveform within the block that begins at `start`, of the signal times
    /// `sign`; zero where it stays below.
    fn highest(&self, held: &[f64], start: usize, sign: f64) -> (f64, f64) {
        let sample = held[start..start + self.block].iter().fold(0.0f64, |m, x| m.max(sign * x));
        let mut best = sample;
        for (i, near) in held[start - 2..start + self.block + 2].windows(5).enumerate() {
            let here = sign * near[2];
            if here < HIDES_A_PEAK * best || here <= 0.0 {
                continue;
            }
            let (before, after) = (sign * near[1], sign * near[3]);
            if before > here || after > here {
                continue;
            }
            let fourth = sign * (near[0] + near[4]) - 4.0 * (before + after) + 6.0 * here;
            let height = if fourth.abs() < SMOOTH * here {
                vertex(before, here, after)
            } else {
                self.between(held, start + i, sign, best)
            };
            best = best.max(height);
        }
        (sample, best)
    }

    /// Highest point of the waveform within a sample of `centre`; something lower than `best` where it is.
    fn between(&self, held: &[f64], centre: usize, sign: f64, best: f64) -> f64 {
        let at = |k: i32| sign * self.resampler.value(held, centre as f64 + f64::from(k) / f64::from(POINTS));
        let halfway = at(-POINTS / 2).max(at(POINTS / 2)).max(at(0));
        if halfway < HIDES_A_PEAK_HALFWAY * best {
            return halfway;
        }
        let values: Vec<f64> = (-POINTS..=POINTS).map(at).collect();
        let top = (1..values.len() - 1).max_by(|a, b| values[*a].total_cmp(&values[*b]));
        top.map_or(0.0, |k| vertex(values[k - 1], values[k], values[k + 1]))
    }
}

/// Top of the parabola through three values at equal distances, the middle one the highest; never below it.
fn vertex(before: f64, here: f64, after: f64) -> f64 {
    let bend = before - 2.0 * here + after;
    if bend < 0.0 { (here - (before - after).powi(2) / (8.0 * bend)).max(here) } else { here }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Draws;
    use std::f64::consts::TAU;

    /// What is asked of levels and peaks, dB.
    const NEAR_DB: f64 = 0.05;

    fn rate(hz: u32) -> SampleRate {
        SampleRate::new(hz).unwrap()
    }

    /// Pushed in uneven pieces, so that no length of theirs can matter.
    fn measured(rate: SampleRate, channels: &[Vec<f64>], gains: &[PowerGain<'_>]) -> Piece {
        let mut meter = Meter::new(rate, channels.len(), gains);
        let (mut at, mut length) = (0, 1);
        while at < channels[0].len() {
            let end = (at + length).min(channels[0].len());
            meter.push(&channels.iter().map(|c| c[at..end].to_vec()).collect::<Vec<_>>());
            (at, length) = (end, (7 * length + 3) % 40_000);
        }
        meter.finish()
    }

    fn tone(rate: SampleRate, hz: f64, peak: f64, seconds: f64) -> Vec<f64> {
        (0..rate.frames_in(seconds)).map(|n| peak * (TAU * hz * n as f64 / rate.hz() + 0.7).sin()).collect()
    }

    fn db(a: f64, b: f64) -> f64 {
        20.0 * (a / b).log10()
    }

    /// A sine's peak is its amplitude, also where no sample comes near it (a quarter of the rate, 45° off).
    #[test]
    fn a_sine_has_its_peak_between_samples() {
        for (hz, of) in [(997.0, 48_000), (11_025.0, 44_100), (19_000.0, 44_100), (50.0, 96_000), (3_100.0, 48_000)] {
            let rate = rate(of);
            let mut samples = tone(rate, hz, 0.5, 3.0);
            if hz > 11_000.0 && hz < 12_000.0 {
                samples = (0..rate.frames_in(3.0)).map(|n| 0.5 * (TAU * (n as f64 + 0.5) / 4.0).sin()).collect();
            }
            // What starts and ends at once overshoots: faded in and out.
            let last = samples.len() as f64;
            for (n, x) in samples.iter_mut().enumerate() {
                *x *= (n as f64 / 2000.0).min((last - n as f64) / 2000.0).min(1.0);
            }
            let rms = (samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64).sqrt();
            let piece = measured(rate, &[samples], &[&|_| 1.0]);
            let peaks = piece.waveform();
            assert!(db(peaks.positive, 0.5).abs() < NEAR_DB, "{hz} at {of}: {peaks:?}");
            assert!(db(peaks.negative, 0.5).abs() < NEAR_DB, "{hz} at {of}: {peaks:?}");
            let through = piece.loudness[0].level_db().unwrap() - piece.level_dbfs().unwrap();
            assert!(through.abs() < 1e-6, "a gain of one leaves the level: {through}");
            assert!((piece.peak_over_average_db().unwrap() - db(0.5, rms)).abs() < NEAR_DB, "{hz} at {of}");
        }
    }

    /// Two tones through a gain of 0.25 up to 1 kHz and 4 above it (power): closed form.
    #[test]
    fn the_loudness_is_that_of_each_frequency_through_its_gain() {
        let rate = rate(44_100);
        let (low, high) = (tone(rate, 200.0, 0.4, 5.0), tone(rate, 5_000.0, 0.1, 5.0));
        let both: Vec<f64> = low.iter().zip(&high).map(|(a, b)| a + b).collect();
        let gain = |f: f64| if f < 1_000.0 { 0.25 } else { 4.0 };
        let piece = measured(rate, &[both.clone(), vec![0.0; both.len()]], &[&gain, &|_| 1.0]);
        let expected = 10.0 * (0.5 * (0.25 * 0.08 + 4.0 * 0.005) / 0.5f64).log10();
        let stated = piece.loudness[0].level_db().unwrap();
        assert!((stated - expected).abs() < 1e-3, "{stated} for {expected}");
        // A frame in the middle has the level of the whole.
        let middle = f64::from(piece.loudness[0].frames[10]);
        assert!((10.0 * (middle / piece.loudness[0].mean_square).log10()).abs() < 0.02);
        assert_eq!(piece.channels, 2);
    }

    /// Bursts: the peak stands in the blocks that hold one, above zero and below it apart.
    #[test]
    fn peaks_belong_to_their_polarity_and_their_time() {
        let rate = rate(48_000);
        let mut samples = vec![0.0; rate.frames_in(2.0)];
        // Raised-cosine pulses of 10 ms: +0.8 in the third block, −0.3 in the eighth.
        for (at, height) in [(24_000, 0.8), (72_000, -0.3)] {
            for n in 0..480 {
                samples[at + n] = height * 0.5 * (1.0 - (TAU * n as f64 / 480.0).cos());
            }
        }
        let piece = measured(rate, &[samples], &[]);
        assert_eq!(piece.blocks.len(), 10);
        let tall: Vec<usize> = (0..10).filter(|i| piece.blocks[*i].waveform.iter().any(|p| *p > 0.1)).collect();
        assert_eq!(tall, [2, 7]);
        let peaks = piece.waveform();
        assert!(db(peaks.positive, 0.8).abs() < 0.001 && db(peaks.negative, 0.3).abs() < 0.001, "{peaks:?}");
    }

    /// Gaussian noise limited to half the band, held against an oversampling by zero-padding of its spectrum (exact for a
    /// periodic signal): every block's peaks within 0.05 dB, and no block above by more.
    #[test]
    fn peaks_of_noise_are_those_of_its_band_limited_waveform() {
        const FRAMES: usize = 96_000;
        let mut draws = Draws::new(5);
        let mut lines = vec![Complex::new(0.0, 0.0); FRAMES / 2 + 1];
        for line in &mut lines[10..42_000] {
            *line = Complex::new(draws.normal(), draws.normal()) * 3e-4;
        }
        let samples = crate::analysis::fft::samples_of(&lines, FRAMES);
        let fine = crate::analysis::fft::samples_of(&lines, 16 * FRAMES);
        // Three times round: the middle one has its neighbours.
        let thrice = [samples.clone(), samples.clone(), samples].concat();
        let piece = measured(rate(48_000), &[thrice], &[]);
        for (i, block) in piece.blocks[10..20].iter().enumerate() {
            let part = &fine[16 * i * 9_600..16 * (i + 1) * 9_600];
            let expected = Peaks::of(part);
            for (stated, truth) in block.waveform.iter().zip([expected.positive, expected.negative]) {
                assert!(db(f64::from(*stated), truth).abs() < NEAR_DB, "block {i}: {stated} for {truth}");
            }
        }
    }

    #[test]
    fn silence_has_no_level_and_no_factor() {
        let piece = measured(rate(48_000), &[vec![0.0; 20_000]], &[&|_| 1.0]);
        assert_eq!(
            (piece.level_dbfs(), piece.peak_over_average_db(), piece.loudness[0].level_db()),
            (None, None, None)
        );
        assert_eq!(piece.blocks.len(), 3);
    }
}
