//! Where in the capture is the stimulus? Windows of one period are correlated with the period that was played; the one
//! that agrees best then shows, sample by sample, from where on its content is present.
//!
//! Positions here are *played frames at nominal rates*: captured position × played rate / captured rate.

use super::fft;
use super::played::{Peak, Played};
use realfft::num_complex::Complex;

/// Peak of the correlation over its RMS from which a broadband stimulus counts as found. Noise alone reaches about
/// √(2 ln N) = 4.7.
const FOUND_BROADBAND: f64 = 8.0;
/// Power at a sine's line over the median of its neighbours from which it counts as found.
const FOUND_SINE: f64 = 40.0;
/// A window whose correlation reaches this share of the best holds the stimulus from end to end.
const FULL_WINDOW: f64 = 0.85;
/// The onset and the phase of the period must agree within this to be one delay, seconds.
const AGREE_S: f64 = 0.06;
/// Half of the fade-in: the onset is seen where the sound is half up, seconds.
const HALF_FADE_S: f64 = 0.5 * crate::signal::FADE_S;
/// The onset is looked for where this share of the window's power is signal …
const LEAST_SHARE: f64 = 0.2;
/// … and is sure from here on.
const SURE_SHARE: f64 = 0.5;
/// A missing piece is reported where this share of the best window is its own content …
const CLEAR_SHARE: f64 = 0.4;
/// … and is taken for missing under this part of it …
const MISSING: f64 = 0.2;
/// … and the power before the sound is under this part of that within it. Pink noise has most of its power where few
/// cycles fit into an eighth of a period, so that nearer to the noise the shares of eighths scatter too widely.
const QUIET_BEFORE: f64 = 0.1;
/// What is heard before the onset has this share of the window's power where it is the sound itself …
const LOUD_BEFORE: f64 = 0.5;
/// … over three blocks (thirty-seconds of a period, 0.13 s in all), after two that an onset seen too late may take. A loss
/// earlier than 0.2 s after the onset only makes the stated delay too long by as much.
const LOUD_BLOCKS: usize = 3;
const ONSET_BLOCKS: usize = 2;
/// A piece whose own power is under this part of the whole cannot be missed.
const QUIET: f64 = 0.1;
/// Samples on either side from which the continuation is read.
const SINC_HALF: i32 = 8;
/// Two windows hold the sound at one delay where they agree within this, frames …
const SAME_DELAY: f64 = 16.0;
/// … and within what no clock exceeds, frames per frame.
const FASTEST_CLOCK: f64 = 1e-3;
/// Windows per period, and for a stimulus that changes within its period: only windows a whole period apart compare there.
const HOPS: usize = 2;
const HOPS_OF_A_CHANGING_ONE: usize = 8;

/// What the correlation found.
#[derive(Clone, Debug)]
pub struct Found {
    /// Position of a frame 0 of the period, valid near `best_window`.
    pub origin: f64,
    /// Start of the window that agreed best.
    pub best_window: usize,
    /// Clock seen across windows, ppm, good to some ppm.
    pub coarse_ppm: f64,
    /// Largest jump of the delay between windows against a steady clock, frames.
    pub largest_jump: f64,
    /// Where the gain opened, if the onset is seen.
    pub opened: Option<f64>,
    /// True where noise may have moved the onset.
    pub unsure: bool,
    /// True where the sound is missing for a while between its onset and its expected end.
    pub interrupted: bool,
    /// True where as much sounds before the onset: it is where the sound was taken up again, not where it began.
    pub sounds_before: bool,
    /// True where parts of the sound come with another delay than the rest.
    pub scattered: bool,
}

/// Lag and height of the best agreement of one window.
struct Match {
    start: usize,
    /// Position of frame 0, modulo `modulus`.
    origin: f64,
    height: f64,
    /// True where the agreement is negative at that position.
    inverted: bool,
    significant: bool,
}

/// Looks for the stimulus in `captured` (nominal played frames); `None` where it is not above the noise.
/// `played_frames`: frames between opening and closing of the gain; `pre_roll`: frames before its opening.
pub fn find(captured: &[f64], played: &Played, played_frames: usize, pre_roll: usize) -> Option<Found> {
    let frames = played.period.samples.len();
    // Where all lines are odd, half a period later the stimulus returns with its sign turned: positions are known modulo
    // half a period until sign or onset decide.
    let half = 0.5 * frames as f64;
    let untoned = if played.odd { half } else { frames as f64 };
    let modulus = played.tone.map_or(untoned, |line| frames as f64 / line as f64);
    let last = captured.len().checked_sub(frames)?;
    let steady = played.odd || played.tone.is_some();
    let near = played.tone.map_or(0.0, |line| {
        // A short cycle wraps between windows: the tone's own turning says about where.
        let ppm = super::clock::coarse_of_sine(&captured[last / 2..last / 2 + frames], line, frames);
        if ppm.abs() < 2.0 * super::clock::WRONG_RATE_PPM { ppm * 1e-6 } else { 0.0 }
    });
    let hops = if steady { HOPS } else { HOPS_OF_A_CHANGING_ONE };
    let matches: Vec<Match> =
        (0..=last).step_by(frames / hops).map(|start| match_window(captured, start, played, modulus, near)).collect();
    let best = matches.iter().filter(|m| m.significant).max_by(|a, b| a.height.total_cmp(&b.height))?;
    let full: Vec<&Match> = matches.iter().filter(|m| m.height > FULL_WINDOW * best.height).collect();
    // Of the windows that hold it from end to end the middle one is farthest from either fade.
    let middle = full[full.len() / 2];
    let (slope, jump) = steady_slope(&full, middle, modulus, near, if steady { 1 } else { hops });
    let content = Content::of(captured, middle.start, played, slope);
    let opened = content.as_ref().map(|c| refine_onset(c.onset(), middle, modulus, slope, played.period.rate.hz()));
    let origin = match opened {
        Some(at) => at + slope * (middle.start as f64 - at),
        None if middle.inverted => middle.origin + half,
        None => middle.origin,
    };
    // Before an onset that is seen the end of the take before may still sound, on a way longer than the takes allow for.
    let scattered =
        opened.is_none() && played.odd && played.tone.is_none() && is_scattered(&matches, middle, modulus, slope);
    let unsure = content.as_ref().is_none_or(|c| c.share < SURE_SHARE);
    let clear = content.zip(opened).filter(|(content, _)| content.is_quiet_before(pre_roll));
    let interrupted = clear.as_ref().is_some_and(|(content, at)| content.is_interrupted(*at, played_frames));
    let sounds_before = clear.is_some_and(|(content, at)| content.sounds_before(at));
    Some(Found {
        origin,
        best_window: middle.start,
        coarse_ppm: slope * 1e6,
        largest_jump: jump,
        opened,
        unsure,
        interrupted,
        sounds_before,
        scattered,
    })
}

fn match_window(captured: &[f64], start: usize, played: &Played, modulus: f64, near: f64) -> Match {
    let frames = played.period.samples.len();
    let window = &captured[start..start + frames];
    if let Some(line) = played.tone {
        // Read at the frequency it has on the capture clock: a high tone leaves its line within one period.
        let cycles_per_frame = line as f64 / frames as f64 / (1.0 + near);
        let phasor: Complex<f64> = window
            .iter()
            .enumerate()
            .map(|(n, x)| Complex::from_polar(*x, -std::f64::consts::TAU * (cycles_per_frame * n as f64).fract()))
            .sum::<Complex<f64>>()
            * (std::f64::consts::SQRT_2 / frames as f64);
        let lag = -(phasor * played.lines[line].conj()).arg() / std::f64::consts::TAU * modulus;
        let origin = (start as f64 + lag).rem_euclid(modulus);
        let significant = tone_stands_out(&fft::lines_of(window), line, phasor.norm_sqr());
        return Match { start, origin, height: phasor.norm(), inverted: false, significant };
    }
    let Peak { lag, height, rms, inverted, .. } = played.agreement(window);
    let position = start as f64 + lag;
    let origin = position.rem_euclid(modulus);
    // Every half period back to the residue turns the sign once.
    let turns = ((position - origin) / modulus).round() as i64;
    let inverted = played.odd && inverted != (turns % 2 != 0);
    Match { start, origin, height, inverted, significant: height > FOUND_BROADBAND * rms }
}

fn tone_stands_out(lines: &[Complex<f64>], line: usize, power: f64) -> bool {
    let mut near: Vec<f64> = (3..40)
        .flat_map(|d| [line.checked_sub(d), Some(line + d)])
        .filter_map(|k| lines.get(k?).map(|l| l.norm_sqr()))
        .collect();
    near.sort_by(f64::total_cmp);
    near.get(near.len() / 2).is_some_and(|median| power > FOUND_SINE * median)
}

/// Nearest representation of `x` modulo `modulus` around zero.
fn wrapped(x: f64, modulus: f64) -> f64 {
    x - modulus * (x / modulus).round()
}

/// Frames per frame by which the origin moves, `near` which it is looked for, and the largest departure from a steady
/// move.
fn steady_slope(full: &[&Match], middle: &Match, modulus: f64, near: f64, apart: usize) -> (f64, f64) {
    let points: Vec<(f64, f64)> = full
        .iter()
        .map(|m| {
            let ahead = m.start as f64 - middle.start as f64;
            (ahead, wrapped(m.origin - middle.origin - near * ahead, modulus))
        })
        .collect();
    let Some(hop) = full.windows(2).map(|w| w[1].start - w[0].start).min() else { return (near, 0.0) };
    let later = |a: &(f64, f64)| points.iter().find(|b| (b.0 - a.0 - (apart * hop) as f64).abs() < 0.5);
    let pairs: Vec<(f64, f64)> = points.iter().filter_map(|a| later(a).map(|b| (b.0 - a.0, b.1 - a.1))).collect();
    let mut slopes: Vec<f64> = pairs.iter().map(|(apart, moved)| wrapped(*moved, modulus) / apart).collect();
    if slopes.is_empty() {
        return (near, 0.0);
    }
    slopes.sort_by(f64::total_cmp);
    let slope = slopes[slopes.len() / 2];
    let jump = pairs.iter().map(|(apart, moved)| wrapped(moved - slope * apart, modulus).abs()).fold(0.0, f64::max);
    (near + slope, jump)
}

/// True where a window shows the sound clearly, but at another delay than the best one: what lies between them is lost. Seen
/// also where a loss leaves no window whole, so that neither onset nor jump is seen.
fn is_scattered(matches: &[Match], best: &Match, modulus: f64, slope: f64) -> bool {
    matches.iter().filter(|m| m.significant).any(|m| {
        let ahead = m.start as f64 - best.start as f64;
        let apart = wrapped(m.origin - best.origin - slope * ahead, modulus).abs();
        apart > SAME_DELAY + FASTEST_CLOCK * ahead.abs()
    })
}

/// The content of the best window, continued periodically: what should be there whenever the stimulus sounds.
struct Content<'a> {
    captured: &'a [f64],
    window: usize,
    frames: usize,
    slope: f64,
    /// True where high frequencies may stand alone: then the continuation is read between samples.
    fine: bool,
    /// How much of it is signal and not noise: regression of the capture beside the window on it.
    share: f64,
}

impl<'a> Content<'a> {
    /// `None` where under a fifth of the window's power is signal.
    fn of(captured: &'a [f64], window: usize, played: &Played, slope: f64) -> Option<Content<'a>> {
        let frames = played.period.samples.len();
        let fine = played.tone.is_some() || !played.odd;
        let mut content = Content { captured, window, frames, slope, fine, share: 0.0 };
        // An eighth of a period is less than the settling time.
        let eighth = frames / 8;
        let before = content.share_in(window.saturating_sub(eighth), window);
        let after = content.share_in(window + frames, window + frames + eighth);
        content.share = before.max(after).min(1.0);
        (content.share > LEAST_SHARE).then_some(content)
    }

    /// What should be heard between two positions, `from` ≤ `to`.
    fn expected(&self, from: usize, to: usize) -> Vec<f64> {
        let content = &self.captured[self.window..self.window + self.frames];
        let (window, frames) = (self.window as isize, self.frames as isize);
        let mut values = Vec::with_capacity(to - from);
        while from + values.len() < to {
            let ahead = (from + values.len()) as isize - window;
            let periods = ahead.div_euclid(frames);
            let within = ahead - periods * frames;
            let moved = (periods * frames) as f64 * self.slope;
            let first = within - moved.round() as isize;
            let stretch = vec![0.0; ((frames - within) as usize).min(to - from - values.len())];
            values.extend(self.taps(moved.round() - moved).iter().fold(stretch, |mut stretch, (shift, weight)| {
                let (ends, begins) = content.split_at((first + shift).rem_euclid(frames) as usize);
                let turned = begins.iter().chain(ends);
                stretch.iter_mut().zip(turned).for_each(|(value, x)| *value += weight * x);
                stretch
            }));
        }
        values
    }

    /// Shifts and weights that read the content `between` samples.
    fn taps(&self, between: f64) -> Vec<(isize, f64)> {
        if !self.fine || between.abs() < 0.02 {
            return vec![(0, 1.0)];
        }
        // Hann-windowed sinc: errors of a few per cent up to 20 kHz are enough to tell sound from its absence.
        let weight = |i: i32| {
            let x = std::f64::consts::PI * (between - f64::from(i));
            (0.5 + 0.5 * (x / f64::from(SINC_HALF + 1)).cos()) * x.sin() / x
        };
        (-SINC_HALF..=SINC_HALF).map(|i| (i as isize, weight(i))).collect()
    }

    /// Regression of the capture on the content between two positions.
    fn share_in(&self, from: usize, to: usize) -> f64 {
        let (mut cross, mut own) = (0.0, 0.0);
        let to = to.min(self.captured.len());
        let from = from.min(to);
        for (x, m) in self.captured[from..to].iter().zip(self.expected(from, to)) {
            cross += x * m;
            own += m * m;
        }
        if own > 0.0 { cross / own } else { 0.0 }
    }

    /// First position at which the content is present: the likelihood that it is there from `n` on is largest at the
    /// onset.
    fn onset(&self) -> f64 {
        let (mut sum, mut least, mut at) = (0.0, 0.0, 0);
        for (n, (x, m)) in self.captured.iter().zip(self.expected(0, self.window)).enumerate() {
            sum += x * m - 0.5 * self.share * m * m;
            if sum < least {
                least = sum;
                at = n + 1;
            }
        }
        at as f64
    }

    /// True where the content is missing for an eighth of a period although it stands well over the noise.
    fn is_interrupted(&self, opened: f64, played_frames: usize) -> bool {
        let margin = self.frames / 16;
        let from = opened.max(0.0) as usize + margin;
        let to = (opened.max(0.0) as usize + played_frames).saturating_sub(margin).min(self.captured.len());
        let size = self.frames / 8;
        self.share > CLEAR_SHARE
            && (from..to.saturating_sub(size))
                .step_by(size)
                .any(|n| self.share_in(n, n + size) < MISSING * self.share && !self.is_quiet(n, n + size))
    }

    /// True where the stimulus itself hardly sounds: the tail of a sweep.
    fn is_quiet(&self, from: usize, to: usize) -> bool {
        mean_square(&self.expected(from, to)) < QUIET * self.power()
    }

    /// True where what is heard before the sound is well under it.
    fn is_quiet_before(&self, pre_roll: usize) -> bool {
        mean_square(&self.captured[..pre_roll.min(self.window)]) < QUIET_BEFORE * self.power()
    }

    /// True where it is as loud before the onset as within the sound, all the time and not for a bang.
    fn sounds_before(&self, opened: f64) -> bool {
        let block = self.frames / 32;
        let to = (opened.max(0.0) as usize).saturating_sub(ONSET_BLOCKS * block).min(self.captured.len());
        let Some(from) = to.checked_sub(LOUD_BLOCKS * block) else { return false };
        let heard = &self.captured[from..to];
        let least = heard.chunks_exact(block).map(mean_square).fold(f64::INFINITY, f64::min);
        mean_square(heard) > LOUD_BEFORE * self.power() && least > QUIET_BEFORE * self.power()
    }

    /// Mean square of the window.
    fn power(&self) -> f64 {
        mean_square(&self.captured[self.window..self.window + self.frames])
    }
}

fn mean_square(x: &[f64]) -> f64 {
    x.iter().map(|x| x * x).sum::<f64>() / x.len().max(1) as f64
}

/// The gain opens with frame 0 of the period, so where the onset and the phase agree the phase shows the delay exactly.
fn refine_onset(seen: f64, middle: &Match, modulus: f64, slope: f64, rate_hz: f64) -> f64 {
    let expected = seen - HALF_FADE_S * rate_hz;
    let origin_there = middle.origin + slope * (expected - middle.start as f64);
    let off = wrapped(origin_there - expected, modulus);
    if off.abs() < AGREE_S * rate_hz { expected + off } else { expected }
}
