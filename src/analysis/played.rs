//! The played period and its lines, kept between takes: a session plays the same few stimuli over and over.

use super::fft::{self, OddLines};
use crate::signal::{LineKind, Period, Stimulus};
use crate::units::SampleRate;
use realfft::num_complex::Complex;
use realfft::num_traits::Zero;
use std::cell::RefCell;
use std::sync::Arc;

/// One period at unit true peak and its RMS phasors.
#[derive(Clone)]
pub struct Played {
    /// The period.
    pub period: Arc<Period>,
    /// Its lines at unit gain.
    pub lines: Arc<Vec<Complex<f64>>>,
    /// The strongest line where it carries more than a quarter of the power: a sine, two of them, or bursts of one. Such
    /// a stimulus is found by that tone; its correlation has no single peak.
    pub tone: Option<usize>,
    /// True where all excited lines are odd: it sounds all the time and returns after half a period with its sign turned.
    pub odd: bool,
    /// Conjugate of each excited line over its magnitude, zero elsewhere; of odd lines alone where `by_odd` is there.
    whitening: Arc<Vec<Complex<f64>>>,
    by_odd: Option<OddLines>,
}

/// Highest point of a correlation, of either sign.
pub struct Peak {
    /// Lag, frames.
    pub at: usize,
    /// The same with what a parabola finds between frames.
    pub lag: f64,
    /// Magnitude.
    pub height: f64,
    /// RMS of the whole correlation.
    pub rms: f64,
    /// True where the captured samples agree with the period's negative.
    pub inverted: bool,
}

/// Share of the power from which a line is the stimulus' tone.
const TONE_SHARE: f64 = 0.25;

impl Played {
    fn new(period: Arc<Period>) -> Played {
        let lines = fft::lines_of(&period.samples);
        let power = |k: usize| lines[k].norm_sqr();
        let all: f64 = (0..lines.len()).map(power).sum();
        let strongest = period.lines.of(LineKind::Excited).max_by(|a, b| power(*a).total_cmp(&power(*b)));
        let tone = strongest.filter(|k| power(*k) > TONE_SHARE * all);
        let odd = period.lines.all_odd();
        let by_odd = if odd && tone.is_none() { OddLines::new(period.samples.len()) } else { None };
        let mut whitening = whitening(&period, &lines);
        if by_odd.is_some() {
            whitening = whitening.into_iter().skip(1).step_by(2).collect();
        }
        Played { lines: Arc::new(lines), whitening: Arc::new(whitening), tone, odd, by_odd, period }
    }

    /// Where a period of captured samples agrees best with the period played, by their half-whitened correlation (a
    /// compromise between sharpness and robustness against coloured noise). Where all lines are odd it returns half a period
    /// later with its sign turned, and the peak stated is either.
    pub fn agreement(&self, captured: &[f64]) -> Peak {
        let whitened = |mut lines: Vec<Complex<f64>>| {
            lines.iter_mut().zip(self.whitening.iter()).for_each(|(line, whitening)| *line *= whitening);
            lines
        };
        let correlation = match &self.by_odd {
            Some(odd) => odd.samples_of(&whitened(odd.of(captured))),
            None => fft::samples_of(&whitened(fft::lines_of(captured)), captured.len()),
        };
        let count = correlation.len();
        let higher = |best: (usize, f64), (i, c): (usize, &f64)| if c.abs() > best.1 { (i, c.abs()) } else { best };
        let (at, height) = correlation.iter().enumerate().fold((0, 0.0), higher);
        let rms = (correlation.iter().map(|c| c * c).sum::<f64>() / count as f64).sqrt();
        let around = |ahead: usize| correlation[(at + ahead) % count].abs();
        let lag = at as f64 + parabola(around(count - 1), height, around(1));
        Peak { at, lag, height, rms, inverted: correlation[at] < 0.0 }
    }
}

/// Conjugate of each excited line over its magnitude, zero elsewhere.
fn whitening(period: &Period, lines: &[Complex<f64>]) -> Vec<Complex<f64>> {
    let mut whitening = vec![Complex::zero(); lines.len()];
    for k in period.lines.of(LineKind::Excited) {
        let size = lines[k].norm();
        if size > 0.0 {
            whitening[k] = lines[k].conj() / size;
        }
    }
    whitening
}

/// Offset of the vertex of a parabola through three equally spaced points from the middle one.
pub(super) fn parabola(before: f64, middle: f64, after: f64) -> f64 {
    let bend = before - 2.0 * middle + after;
    if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 }
}

/// Stimuli kept; a plan has a handful.
const KEPT: usize = 6;

thread_local! {
    static RECENT: RefCell<Vec<(Stimulus, SampleRate, Played)>> = const { RefCell::new(Vec::new()) };
}

/// The period of `stimulus` at `rate`, computed once.
pub fn played(stimulus: &Stimulus, rate: SampleRate) -> Played {
    RECENT.with(|recent| {
        let mut recent = recent.borrow_mut();
        if let Some((.., found)) = recent.iter().find(|(s, r, _)| s == stimulus && *r == rate) {
            return found.clone();
        }
        let period = stimulus.period(rate);
        let made = Played::new(period);
        if recent.len() == KEPT {
            recent.remove(0);
        }
        recent.push((stimulus.clone(), rate, made.clone()));
        made
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By definition: what odd lines alone tell is what all of them do, half a period apart with the sign turned.
    #[test]
    fn odd_lines_alone_agree_where_the_whole_period_does() {
        let by_odd = Played::new(Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT));
        let (period, lines) = (by_odd.period.clone(), by_odd.lines.clone());
        assert!(by_odd.by_odd.is_some());
        let whole = Played { by_odd: None, whitening: Arc::new(whitening(&period, &lines)), ..by_odd.clone() };
        let frames = period.samples.len();
        let half = 0.5 * frames as f64;
        for delay in [0.0, 0.3, 1234.5, half - 0.3, half + 5.0, 2.0 * half - 0.4] {
            for sign in [1.0, -1.0] {
                let mut moved: Vec<Complex<f64>> = lines.iter().map(|line| sign * line).collect();
                fft::delay(&mut moved, delay, frames);
                let captured = fft::samples_of(&moved, frames);
                let (a, b) = (by_odd.agreement(&captured), whole.agreement(&captured));
                let halves = (a.lag - delay) / half;
                assert!((halves - halves.round()).abs() * half < 0.1, "{delay}: {}", a.lag);
                let turned = (halves.round() as i64) % 2 != 0;
                assert_eq!(a.inverted != turned, sign < 0.0, "{delay}, {sign}");
                let apart = (a.lag - b.lag) / half;
                assert!((apart - apart.round()).abs() * half < 1e-6, "{delay}: {} and {}", a.lag, b.lag);
                assert!((a.height / b.height - 1.0).abs() < 1e-9 && (a.rms / b.rms - 1.0).abs() < 1e-9);
            }
        }
    }
}
