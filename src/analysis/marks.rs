//! Where in a recording are the marks of a sound plan? A mark is two chirps, one that rises and one that falls; its number
//! stands in the time between them, so that a mark is known wherever it is heard, whatever is cut out before it.
//!
//! ```text
//!   rises 0.5 s        falls 0.5 s
//!  /////////  ........  \\\\\\\\\        from begin to begin: 0.6 s + number · 20 ms
//! ```
//!
//! Found by a matched filter over each chirp (Turin, "An introduction to matched filters", 1960, from memory): the
//! correlation of what is captured with the chirp, over the size of both. A chirp of 0.5 s over 5.5 kHz holds 2750 independent
//! samples: it is found 15 dB under noise of its band, and a clock that is 300 ppm off moves it by less than 0.1 ms.
//! Tones, speech and music reach a tenth of the height at most.

use super::fft;
use crate::signal::raised_cosine;
use crate::units::SampleRate;
use realfft::num_complex::Complex;
use realfft::num_traits::Zero;
use std::f64::consts::TAU;

/// One chirp, seconds.
pub const CHIRP_S: f64 = 0.5;
/// Lowest and highest frequency, Hz: what any headphone, telephone and encoder passes.
const FROM_HZ: f64 = 500.0;
const TO_HZ: f64 = 6000.0;
/// Its fades, seconds.
const FADE_S: f64 = 0.02;
/// Start of the first chirp to start of the second: for number 0, plus the increment per number, seconds.
const APART_S: f64 = 0.6;
const NUMBER_S: f64 = 0.02;
/// Marks that can be told apart.
pub const MOST_MARKS: usize = 64;
/// Half of the band in which a recording's own power is counted lies this far outside of the chirp's, as a share.
const BAND_SHARE: f64 = 0.05;
/// Normalised height from which a chirp counts as found. Noise reaches 0.09 once in an hour, music 0.1 to 0.12.
const FOUND: f64 = 0.16;
/// Peaks nearer than this are one, seconds.
const ONE_PEAK_S: f64 = 0.02;
/// The time between both chirps is that of a number within this, seconds: 300 ppm of it, and what noise moves.
const SAME_S: f64 = 0.003;

/// Seconds from the begin of the rising chirp to that of the falling one.
pub fn apart_s(number: usize) -> f64 {
    APART_S + number as f64 * NUMBER_S
}

/// Seconds of a whole mark.
pub fn mark_s(number: usize) -> f64 {
    apart_s(number) + CHIRP_S
}

/// Root mean square of a chirp at unit amplitude: that of a sine, but for its fades.
pub fn chirp_rms() -> f64 {
    // A raised cosine has a mean square of 3/8.
    (0.5 * (1.0 - 2.0 * FADE_S * (1.0 - 0.375) / CHIRP_S)).sqrt()
}

/// The rising chirp `t` seconds after its begin, at unit amplitude; the falling one is the same backwards.
fn rising(t: f64) -> f64 {
    if !(0.0..=CHIRP_S).contains(&t) {
        return 0.0;
    }
    let fade = raised_cosine(t / FADE_S) * raised_cosine((CHIRP_S - t) / FADE_S);
    fade * (TAU * (FROM_HZ * t + 0.5 * (TO_HZ - FROM_HZ) / CHIRP_S * t * t).fract()).sin()
}

/// Which of the two.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Chirp {
    /// The first one.
    Rising,
    /// The second one.
    Falling,
}

impl Chirp {
    /// Its samples at `rate`, played `speed` times as fast as it should be.
    pub fn samples(self, rate: SampleRate, speed: f64) -> Vec<f64> {
        let count = (CHIRP_S / speed * rate.hz()).ceil() as usize + 1;
        let at = |n: usize| n as f64 / rate.hz() * speed;
        let value = |n: usize| match self {
            Chirp::Rising => rising(at(n)),
            Chirp::Falling => rising(CHIRP_S - at(n)),
        };
        (0..count).map(value).collect()
    }
}

/// A mark as it was heard.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// Its number.
    pub number: usize,
    /// Captured frame, from the first one pushed, at which its rising chirp begins.
    pub at: f64,
    /// The lower of the normalised heights of both chirps, 0 to 1.
    pub height: f64,
    /// Amplitude of the chirps at each input, units of full scale: mean of both.
    pub amplitudes: Vec<f64>,
}

impl Mark {
    /// Standard uncertainty of an amplitude that noise leaves, as a share of it.
    pub fn scatter(&self) -> f64 {
        let independent = 2.0 * CHIRP_S * (TO_HZ - FROM_HZ);
        ((1.0 - self.height.powi(2)).max(0.0) / (2.0 * independent)).sqrt() / self.height.max(1e-6)
    }
}

/// One chirp as it was heard.
#[derive(Clone, Debug)]
struct Hit {
    at: f64,
    height: f64,
    amplitudes: Vec<f64>,
}

/// One chirp's filter.
struct Matched {
    /// Conjugate lines of the chirp, scaled so that a product with a block's lines gives the correlation.
    lines: Vec<Complex<f64>>,
    energy: f64,
    hits: Vec<Hit>,
}

/// Looks for marks in what is pushed, block by block, however it is cut.
pub struct MarkFinder {
    rate_hz: f64,
    speed: f64,
    /// Frames of a block and of a chirp.
    block: usize,
    chirp: usize,
    rising: Matched,
    falling: Matched,
    /// One per input, the frames not yet done with.
    waiting: Vec<Vec<f64>>,
    /// Frames done with.
    done: usize,
}

impl MarkFinder {
    /// For so many inputs at `rate`, and marks that are played at `speed` times their own.
    pub fn new(rate: SampleRate, inputs: usize, speed: f64) -> MarkFinder {
        let (rising, falling) = (Chirp::Rising.samples(rate, speed), Chirp::Falling.samples(rate, speed));
        let chirp = rising.len();
        let block = (5 * chirp / 2).next_power_of_two();
        let matched = |samples: &[f64]| {
            let mut padded = samples.to_vec();
            padded.resize(block, 0.0);
            let scale = block as f64 / std::f64::consts::SQRT_2;
            let lines = fft::lines_of(&padded).into_iter().map(|line| scale * line.conj()).collect();
            Matched { lines, energy: samples.iter().map(|x| x * x).sum(), hits: Vec::new() }
        };
        MarkFinder {
            rate_hz: rate.hz(),
            speed,
            block,
            chirp,
            rising: matched(&rising),
            falling: matched(&falling),
            waiting: vec![Vec::new(); inputs],
            done: 0,
        }
    }

    /// Frames that are looked at together: so much later a mark is known at most.
    pub fn latency_frames(&self) -> usize {
        self.block
    }

    /// Takes the next frames of every input; the marks that end in them, in the order of their ends.
    pub fn push(&mut self, inputs: &[Vec<f32>]) -> Vec<Mark> {
        for (waiting, samples) in self.waiting.iter_mut().zip(inputs) {
            waiting.extend(samples.iter().map(|x| if x.is_finite() { f64::from(*x) } else { 0.0 }));
        }
        let mut marks = Vec::new();
        while self.waiting.first().is_some_and(|waiting| waiting.len() >= self.block) {
            marks.extend(self.look());
        }
        marks
    }

    /// The last frames: as if silence followed.
    pub fn finish(&mut self) -> Vec<Mark> {
        for waiting in &mut self.waiting {
            let short = self.block - waiting.len().min(self.block);
            waiting.extend(std::iter::repeat_n(0.0, short));
        }
        if self.waiting.is_empty() { Vec::new() } else { self.look() }
    }

    /// Looks at one block and moves on by what is done with.
    fn look(&mut self) -> Vec<Mark> {
        let hop = self.block - self.chirp;
        let inputs: Vec<Heard> = self.waiting.iter().map(|w| self.heard(&w[..self.block])).collect();
        let one = ONE_PEAK_S * self.rate_hz;
        for matched in [&mut self.rising, &mut self.falling] {
            let correlations: Vec<Vec<f64>> = inputs.iter().map(|input| input.against(matched, self.block)).collect();
            let found = peaks(&inputs, &correlations, matched.energy, hop, one as usize);
            for hit in found {
                let hit = Hit { at: hit.at + self.done as f64, ..hit };
                match matched.hits.last_mut() {
                    Some(last) if hit.at - last.at < one => {
                        if hit.height > last.height {
                            *last = hit;
                        }
                    }
                    _ => matched.hits.push(hit),
                }
            }
        }
        self.waiting.iter_mut().for_each(|waiting| drop(waiting.drain(..hop)));
        self.done += hop;
        self.pairs()
    }

    fn heard(&self, samples: &[f64]) -> Heard {
        let mut lines = fft::lines_of(samples);
        let spacing = self.rate_hz / self.block as f64;
        let (low, high) = (self.speed * FROM_HZ * (1.0 - BAND_SHARE), self.speed * TO_HZ * (1.0 + BAND_SHARE));
        for (k, line) in lines.iter_mut().enumerate() {
            if !(low..=high).contains(&(k as f64 * spacing)) {
                *line = Complex::zero();
            }
        }
        // Power of the band over the length of a chirp from each frame on.
        let mut sum = 0.0;
        let mut sums = Vec::with_capacity(self.block + 1);
        sums.push(0.0);
        for x in fft::samples_of(&lines, self.block) {
            sum += x * x;
            sums.push(sum);
        }
        let energy = sums.windows(self.chirp + 1).map(|w| w[self.chirp] - w[0]).collect();
        Heard { lines, energy }
    }

    /// Marks whose falling chirp was found and cannot grow any more; hits that no later one can belong to are forgotten.
    fn pairs(&mut self) -> Vec<Mark> {
        let one = ONE_PEAK_S * self.rate_hz;
        let settled = self.done as f64 - one;
        let (rate_hz, speed) = (self.rate_hz, self.speed);
        let ready = self.falling.hits.iter().take_while(|hit| hit.at < settled).count();
        let falling: Vec<Hit> = self.falling.hits.drain(..ready).collect();
        let mut marks = Vec::new();
        for second in falling {
            let number = |first: &Hit| {
                let apart = (second.at - first.at) / rate_hz * speed;
                let number = ((apart - APART_S) / NUMBER_S).round();
                let fits = (apart - APART_S - number * NUMBER_S).abs() < SAME_S;
                (fits && (0.0..MOST_MARKS as f64).contains(&number)).then_some(number as usize)
            };
            let pairs = self.rising.hits.iter().filter_map(|first| Some((first, number(first)?)));
            let best = pairs.max_by(|a, b| a.0.height.total_cmp(&b.0.height));
            marks.extend(best.map(|(first, number)| Mark {
                number,
                at: first.at,
                height: first.height.min(second.height),
                amplitudes: first.amplitudes.iter().zip(&second.amplitudes).map(|(a, b)| 0.5 * (a + b)).collect(),
            }));
        }
        let oldest = self.done as f64 - 2.0 * mark_s(MOST_MARKS) / speed * rate_hz;
        self.rising.hits.retain(|hit| hit.at > oldest);
        marks
    }
}

/// One input's block: its lines within the band and its power there.
struct Heard {
    lines: Vec<Complex<f64>>,
    energy: Vec<f64>,
}

impl Heard {
    fn against(&self, matched: &Matched, frames: usize) -> Vec<f64> {
        let product: Vec<Complex<f64>> = self.lines.iter().zip(&matched.lines).map(|(a, b)| a * b).collect();
        fft::samples_of(&product, frames)
    }
}

/// Where in the first `hop` frames a chirp stands, on the input that hears it best there.
fn peaks(inputs: &[Heard], correlations: &[Vec<f64>], chirp: f64, hop: usize, one: usize) -> Vec<Hit> {
    let height = |input: usize, n: usize| {
        let energy = inputs[input].energy[n];
        if energy > 0.0 { correlations[input][n].abs() / (chirp * energy).sqrt() } else { 0.0 }
    };
    let mut found: Vec<(usize, usize, f64)> = Vec::new();
    for n in 0..hop {
        for input in 0..inputs.len() {
            let now = height(input, n);
            if now < FOUND {
                continue;
            }
            match found.last_mut() {
                Some(last) if n - last.0 < one => {
                    if now > last.2 {
                        *last = (n, input, now);
                    }
                }
                _ => found.push((n, input, now)),
            }
        }
    }
    let hit = |(n, input, height): (usize, usize, f64)| {
        let top = |c: &[f64]| {
            let (before, after) = (n.checked_sub(1).map_or(0.0, |n| c[n]), c[n + 1]);
            vertex(before, c[n], after)
        };
        let (at, _) = top(&correlations[input]);
        let amplitudes = correlations.iter().map(|c| top(c).1.abs() / chirp).collect();
        Hit { at: n as f64 + at, height: height.min(1.0), amplitudes }
    };
    found.into_iter().map(hit).collect()
}

/// Offset and height of the extreme of a parabola through three points, of whichever sign.
fn vertex(before: f64, middle: f64, after: f64) -> (f64, f64) {
    let bend = before - 2.0 * middle + after;
    if bend * middle >= 0.0 {
        return (0.0, middle);
    }
    let at = (0.5 * (before - after) / bend).clamp(-0.5, 0.5);
    (at, middle - 0.25 * (before - after) * at)
}

/// Amplitude of one chirp at each input near captured frame `near`, looked for within `within` frames of it, units of full
/// scale; `None` where the recording does not reach so far.
pub fn amplitude_near(inputs: &[&[f32]], chirp: Chirp, rate: SampleRate, near: f64, within: usize) -> Option<Vec<f64>> {
    let wave = chirp.samples(rate, 1.0);
    let energy: f64 = wave.iter().map(|x| x * x).sum();
    let from = (near.round() as usize).checked_sub(within)?;
    let one = |samples: &&[f32]| -> Option<f64> {
        let part = samples.get(from..from + wave.len() + 2 * within)?;
        let frames = part.len().next_power_of_two();
        let padded = |x: &mut Vec<f64>| x.resize(frames, 0.0);
        let (mut heard, mut wave): (Vec<f64>, Vec<f64>) = (part.iter().map(|x| f64::from(*x)).collect(), wave.clone());
        padded(&mut heard);
        padded(&mut wave);
        let scale = frames as f64 / std::f64::consts::SQRT_2;
        let product: Vec<Complex<f64>> =
            fft::lines_of(&heard).iter().zip(fft::lines_of(&wave)).map(|(a, b)| scale * a * b.conj()).collect();
        let correlation = fft::samples_of(&product, frames);
        let highest = correlation[..2 * within].iter().fold(0.0f64, |most, c| most.max(c.abs()));
        Some(highest / energy)
    };
    inputs.iter().map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: SampleRate = SampleRate::DEFAULT;

    /// Seeded Gaussian noise (sum of twelve uniform numbers; Knuth's MMIX constants).
    fn noise(frames: usize, rms: f64) -> Vec<f32> {
        let mut state = 7u64;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / (1u64 << 24) as f64 - 0.5
        };
        (0..frames).map(|_| (rms * (0..12).map(|_| uniform()).sum::<f64>()) as f32).collect()
    }

    /// Adds a mark whose first chirp begins at a frame that need not be whole, on a clock that runs `ppm` fast.
    fn add(to: &mut [f32], number: usize, at: f64, amplitude: f64, ppm: f64) {
        for (n, x) in to.iter_mut().enumerate() {
            let t = (n as f64 - at) / RATE.hz() / (1.0 + ppm * 1e-6);
            *x += (amplitude * (rising(t) + rising(CHIRP_S - (t - apart_s(number))))) as f32;
        }
    }

    fn found(samples: &[f32], cut: usize) -> Vec<Mark> {
        let mut finder = MarkFinder::new(RATE, 1, 1.0);
        let mut marks: Vec<Mark> = samples.chunks(cut).flat_map(|part| finder.push(&[part.to_vec()])).collect();
        marks.extend(finder.finish());
        marks
    }

    /// A matched filter's own arithmetic (Turin 1960): 15 dB under noise of 24 kHz, of which the chirp's band holds 5.5,
    /// the mark is where it was put, with its number and its amplitude.
    #[test]
    fn a_mark_is_found_under_noise_with_its_number_and_its_amplitude() {
        let rms = 0.1;
        let mut samples = noise(12 * 48_000, rms);
        // Sine power over noise power of the whole band: −15 dB.
        let amplitude = rms * (2.0 * 10f64.powf(-1.5)).sqrt();
        for (number, at) in [(0, 20_000.25), (7, 150_000.0), (40, 333_333.5)] {
            add(&mut samples, number, at, amplitude, 80.0);
        }
        let marks = found(&samples, 4_801);
        assert_eq!(marks.iter().map(|m| m.number).collect::<Vec<_>>(), [0, 7, 40], "{marks:?}");
        for (mark, at) in marks.iter().zip([20_000.25, 150_000.0, 333_333.5]) {
            assert!((mark.at - at).abs() < 6.0, "{mark:?}");
            assert!((mark.amplitudes[0] / amplitude - 1.0).abs() < 4.0 * mark.scatter(), "{mark:?}");
        }
    }

    #[test]
    fn without_noise_it_is_exact_however_it_is_cut_and_noise_alone_holds_none() {
        let mut samples = vec![0.0; 5 * 48_000];
        add(&mut samples, 3, 60_000.25, 0.01, 0.0);
        let marks = found(&samples, 1_000);
        assert_eq!(marks, found(&samples, 100_000));
        let [mark] = marks.as_slice() else { panic!("{marks:?}") };
        assert!((mark.at - 60_000.25).abs() < 0.02 && mark.number == 3, "{mark:?}");
        assert!((mark.amplitudes[0] / 0.01 - 1.0).abs() < 2e-3 && mark.height > 0.98, "{mark:?}");
        let near = amplitude_near(&[&samples], Chirp::Rising, RATE, 60_010.0, 240).unwrap();
        assert!((near[0] / 0.01 - 1.0).abs() < 0.02, "{near:?}");
        assert!(amplitude_near(&[&samples], Chirp::Falling, RATE, 60_010.0, 240).unwrap()[0] < 0.0012);
        assert_eq!(found(&noise(20 * 48_000, 0.1), 9_999), []);
    }
}
