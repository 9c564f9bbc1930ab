//! What one take of stationary noise yields: level, response and coherence by cross-spectra. Nothing repeats, so the
//! clock is found from the delay between captured and played noise along the take.
//!
//! Half-overlapped Hann segments (Welch); `H1 = Sxy/Sxx`, `γ² = |Sxy|²/(Sxx Syy)`; relative standard deviation of |H1|
//! `√((1−γ²)/(2 γ² n))` with n = segments/1.0556 for the overlap; the bias (1−γ²)²/n of γ² is taken off (Bendat &
//! Piersol, *Random Data*, ch. 9, from memory).

use super::finding::{ClockFit, Common, Finding, Flaw, NoiseFinding, ResponsePoint, Window};
use super::played::{Peak, Played, played};
use super::prepare::AnalysisError;
use super::resample::{Path, Resampler};
use super::{Context, Measured, band, clock, fft, overload, periods};
use crate::signal::{LineKind, Lines, Noise};
use crate::stats::{Estimate, NORMAL_95};
use crate::take::Take;
use crate::units::{PeakDb, amplitude_from_db, db_from_power, tidy_signed};
use realfft::num_complex::Complex;
use realfft::num_traits::Zero;
use std::f64::consts::{LN_10, TAU};

/// Correlation between half-overlapped Hann segments makes as many of them count as one.
const OVERLAP_COST: f64 = 1.0556;
/// Neighbouring lines under a Hann window that count as one.
const HANN_LINES: f64 = 1.5;
/// Mean square of a Hann window.
const HANN_POWER: f64 = 0.375;
/// Peak of a correlation over its RMS from which the noise counts as found.
const FOUND: f64 = 8.0;
/// A delay off the straight line by more than this means lost samples, frames.
const JUMP_FRAMES: f64 = 3.0;
/// Places along the take at which the delay is looked for.
const PLACES: usize = 8;
/// Segments averaged for one delay of the fine clock fit; rounds of it.
const GROUP: usize = 4;
const ROUNDS: usize = 4;
/// Smallest half width given, dB.
const LEAST_HALF_WIDTH_DB: f64 = 1e-3;

/// Finding of a take of stationary noise.
///
/// # Errors
/// [`AnalysisError`] where the input is missing, not finite or shorter than one period.
pub fn measure(take: &Take, input: usize, context: &Context, noise: &Noise) -> Result<Measured, AnalysisError> {
    let raw = &take.inputs.get(input).ok_or(AnalysisError::NoSuchInput(input))?.samples;
    if let Some(bad) = raw.iter().position(|x| !x.is_finite()) {
        return Err(AnalysisError::NotFinite(bad));
    }
    let captured: Vec<f64> = raw.iter().map(|x| f64::from(*x)).collect();
    let setup = Setup::new(take, &captured, noise);
    if captured.len() < setup.need() {
        return Err(AnalysisError::TooShort { have: captured.len(), need: setup.need() });
    }
    let mut flaws = Vec::new();
    let placed = setup.place(&mut flaws);
    let (path, own) = match placed {
        Some(path) => setup.converge(path),
        None => (setup.assumed(context), None),
    };
    let (used_ppm, pooled) = match own {
        Some(own) => {
            let (used, pooled) = clock::used(own, context.pooled_clock);
            (used.value, pooled)
        }
        None => (context.pooled_clock.map_or(0.0, |p| p.value), context.pooled_clock.is_some()),
    };
    let path = if own.is_some() { setup.turned(&path, used_ppm) } else { path };
    if used_ppm.abs() > clock::WRONG_RATE_PPM {
        flaws.push(Flaw::void(
            "wrong-rate",
            format!(
                "The two cards run {} ppm apart: one is not at the rate it was asked for.",
                tidy_signed(used_ppm, 0)
            ),
        ));
    }
    let spectra = Cross::of(&setup.segments(&path), &setup, context);
    let back = spectra.lines.of(LineKind::Excited).map(|k| (k as f64 * spectra.spacing, spectra.back[k]));
    flaws.extend(context.correction.outside(back));
    let delay = placed.map(|p| (p.start / setup.ratio - setup.first() as f64 - setup.pre_roll()) / setup.played_hz);
    let (from, to) = (path.start.max(0.0) as usize, path.at(setup.count() as f64) as usize);
    let common = Common {
        window: Window { start_frame: path.start, periods: 1, left_out: 0, delay_s: delay },
        clock: ClockFit { own_ppm: own, used_ppm, pooled, drift_ppm_per_s: None },
        peak: PeakDb::from_amplitude(setup.resampler.true_peak(&captured, from, to)),
        hum: Vec::new(),
        overload: overload::overload(raw),
        flaws,
    };
    let heard = placed.is_some();
    let finding = NoiseFinding {
        level: spectra.level(),
        coherent: if heard { spectra.coherent() } else { None },
        response: if heard { spectra.response() } else { Vec::new() },
        averages: spectra.averages,
        common,
    };
    Ok(Measured { finding: Finding::Noise(Box::new(finding)), spectra: None })
}

/// Lines of what was sent and of what came back in one segment.
type Segment = [Vec<Complex<f64>>; 2];

/// What does not change during the analysis of one take.
struct Setup<'a> {
    take: &'a Take,
    captured: &'a [f64],
    played: Played,
    played_hz: f64,
    ratio: f64,
    resampler: std::sync::Arc<Resampler>,
    /// Frames of one segment: half an analysis period.
    segment: usize,
}

impl<'a> Setup<'a> {
    fn new(take: &'a Take, captured: &'a [f64], noise: &Noise) -> Setup<'a> {
        let head = &take.head;
        let played = played(&head.stimulus, head.played_rate);
        let (played_hz, captured_hz) = (head.played_rate.hz(), head.captured_rate.hz());
        let segment = played.period.samples.len() / noise.spans / 2;
        let highest = band::lower_edge_hz(band::BANDS.end() + 1);
        let resampler = Resampler::cached(captured_hz, played_hz, highest);
        Setup { take, captured, played, played_hz, ratio: captured_hz / played_hz, resampler, segment }
    }

    fn frames(&self) -> usize {
        self.played.period.samples.len()
    }

    fn pre_roll(&self) -> f64 {
        self.take.head.pre_roll as f64 / self.ratio
    }

    /// First played frame analysed.
    fn first(&self) -> usize {
        self.take.head.settle
    }

    /// Played frames analysed: whole half segments of one period.
    fn count(&self) -> usize {
        let hop = self.segment / 2;
        // 300 ppm of a slow clock, and the margin of the interpolation.
        (self.frames() - self.frames() / 2000) / hop * hop
    }

    fn need(&self) -> usize {
        ((self.pre_roll() + (self.first() + self.count()) as f64) * self.ratio) as usize + 2 * self.resampler.reach()
    }

    /// Played samples of one segment, drive included.
    fn sent(&self, from: usize) -> impl Iterator<Item = f64> + '_ {
        let gain = self.take.head.drive.gain();
        let samples = &self.played.period.samples;
        (from..from + self.segment).map(move |n| gain * samples[n % samples.len()])
    }

    /// Where played frames come in the capture if nothing is known but the pre-roll and the route's delay.
    fn assumed(&self, context: &Context) -> Path {
        let delay = context.route_delay_s.unwrap_or(0.0) * self.played_hz;
        let start = (self.pre_roll() + delay + self.first() as f64) * self.ratio;
        Path { start, step: self.ratio, bend: 0.0 }
    }

    /// Captured position of the first analysed frame and the rate, from the delay at several places along the take;
    /// `None` where the noise is not heard.
    fn place(&self, flaws: &mut Vec<Flaw>) -> Option<Path> {
        let hop = self.count() / PLACES;
        let start = self.pre_roll() + self.first() as f64;
        let delays: Vec<(f64, f64)> = (0..PLACES)
            .filter_map(|i| {
                let from = start + (i * hop) as f64;
                let path = Path { start: from * self.ratio, step: self.ratio, bend: 0.0 };
                let heard = self.resampler.along(self.captured, &path, self.segment);
                Some((from, self.delay_of(&heard, from - start)?))
            })
            .collect();
        if delays.len() < PLACES / 2 {
            return None;
        }
        // Median of all pairs' slopes (Theil and Sen): one wrong place does not matter.
        let mut slopes: Vec<f64> = (0..delays.len())
            .flat_map(|i| (i + 1..delays.len()).map(move |j| (i, j)))
            .map(|(i, j)| (delays[j].1 - delays[i].1) / (delays[j].0 - delays[i].0))
            .collect();
        slopes.sort_by(f64::total_cmp);
        let slope = slopes[slopes.len() / 2];
        let mut levels: Vec<f64> = delays.iter().map(|(at, delay)| delay - slope * (at - start)).collect();
        levels.sort_by(f64::total_cmp);
        let delay = levels[levels.len() / 2];
        let worst = levels.iter().map(|l| (l - delay).abs()).fold(0.0, f64::max);
        if worst > JUMP_FRAMES {
            flaws.push(Flaw::void(
                "lost-samples",
                format!("Samples were lost or repeated on the path (the delay jumps by {worst:.0} frames), so the take is void. Close other programs or ask for larger blocks."),
            ));
        }
        Some(Path { start: (start + delay) * self.ratio, step: self.ratio * (1.0 + slope), bend: 0.0 })
    }

    /// How many frames later than undelayed this segment of the capture comes, which would begin with analysed frame
    /// `after` then.
    fn delay_of(&self, heard: &[f64], after: f64) -> Option<f64> {
        let frames = self.frames();
        let mut padded = heard.to_vec();
        padded.resize(frames, 0.0);
        let Peak { at, height, rms, .. } = self.played.agreement(&padded);
        if height < FOUND * rms {
            return None;
        }
        // The segment agrees with the played noise moved by −(first + after − delay).
        let delay = (at as f64 + self.first() as f64 + after).rem_euclid(frames as f64);
        Some(if delay > 0.5 * frames as f64 { delay - frames as f64 } else { delay })
    }

    /// Lines of half-overlapped Hann segments along `path`: what was sent and what came back.
    fn segments(&self, path: &Path) -> Vec<Segment> {
        let heard = self.resampler.along(self.captured, path, self.count());
        let hop = self.segment / 2;
        let window: Vec<f64> =
            (0..self.segment).map(|n| 0.5 - 0.5 * (TAU * n as f64 / self.segment as f64).cos()).collect();
        (0..=self.count() - self.segment)
            .step_by(hop)
            .map(|from| {
                let sent: Vec<f64> = self.sent(self.first() + from).zip(&window).map(|(x, w)| x * w).collect();
                let back: Vec<f64> = heard[from..from + self.segment].iter().zip(&window).map(|(y, w)| y * w).collect();
                [fft::lines_of(&sent), fft::lines_of(&back)]
            })
            .collect()
    }

    /// The same path at another rate, turned about its middle.
    fn turned(&self, path: &Path, ppm: f64) -> Path {
        let middle = 0.5 * self.count() as f64;
        let step = self.ratio * (1.0 + ppm * 1e-6);
        Path { start: path.at(middle) - step * middle, step, bend: 0.0 }
    }

    /// Fits the clock from the response of successive groups of segments, until it stays.
    fn converge(&self, mut path: Path) -> (Path, Option<Estimate>) {
        let mut own = None;
        let hop = self.segment / 2;
        let lines = self.lines();
        let excited: Vec<usize> = lines.of(LineKind::Excited).collect();
        for _ in 0..ROUNDS {
            let segments = self.segments(&path);
            let groups: Vec<Vec<Complex<f64>>> = segments.chunks_exact(GROUP).map(response_of).collect();
            let (mean, scatter) = periods::mean_and_scatter(&groups);
            let (variance, _) = periods::pooled_variance(&scatter, groups.len(), &lines, 20.0);
            let Some(offset) = clock::fit(&groups, &mean, &variance, &excited, self.segment) else { break };
            // The fit takes successive groups as one segment apart; they are GROUP hops apart.
            let per_group = self.segment as f64 / (GROUP * hop) as f64;
            let now = (path.step / self.ratio - 1.0) * 1e6;
            let moved = per_group * offset.ppm;
            let sigma = per_group * offset.sigma_ppm * HANN_LINES.sqrt();
            own = Some(Estimate::symmetric(now + moved, (NORMAL_95 * sigma).max(1e-4)));
            path = self.turned(&path, now + moved);
            if moved.abs() < 1e-4 {
                break;
            }
        }
        (path, own)
    }

    /// Lines of a segment.
    fn lines(&self) -> Lines {
        let spacing = self.played_hz / self.segment as f64;
        let top =
            band::lower_edge_hz(band::BANDS.end() + 1).min(0.48 * self.played_hz.min(self.played_hz * self.ratio));
        let span = band::lower_edge_hz(*band::BANDS.start())..top;
        let kind = |k: usize| {
            if span.contains(&(k as f64 * spacing)) { LineKind::Excited } else { LineKind::Outside }
        };
        Lines::new((0..=self.segment / 2).map(kind).collect())
    }
}

/// H1 of a few segments.
fn response_of(segments: &[Segment]) -> Vec<Complex<f64>> {
    let count = segments.first().map_or(0, |s| s[0].len());
    (0..count)
        .map(|k| {
            let cross: Complex<f64> = segments.iter().map(|[x, y]| y[k] * x[k].conj()).sum();
            let own: f64 = segments.iter().map(|[x, _]| x[k].norm_sqr()).sum();
            if own > 0.0 { cross / own } else { Complex::zero() }
        })
        .collect()
}

/// Averaged spectra, one value per line of a segment.
struct Cross {
    spacing: f64,
    lines: Lines,
    sent: Vec<f64>,
    back: Vec<f64>,
    cross: Vec<Complex<f64>>,
    averages: f64,
}

impl Cross {
    fn of(segments: &[Segment], setup: &Setup, context: &Context) -> Cross {
        let count = setup.segment / 2 + 1;
        let spacing = setup.played_hz / setup.segment as f64;
        let mean = |f: &dyn Fn(&Segment, usize) -> f64, k: usize| {
            segments.iter().map(|s| f(s, k)).sum::<f64>() / segments.len() as f64 / HANN_POWER
        };
        let gain: Vec<f64> =
            (0..count).map(|k| amplitude_from_db(context.correction.db_at((k.max(1)) as f64 * spacing))).collect();
        Cross {
            spacing,
            lines: setup.lines(),
            sent: (0..count).map(|k| mean(&|s, k| s[0][k].norm_sqr(), k)).collect(),
            back: (0..count).map(|k| gain[k].powi(2) * mean(&|s, k| s[1][k].norm_sqr(), k)).collect(),
            cross: (0..count)
                .map(|k| {
                    let sum: Complex<f64> = segments.iter().map(|s| s[1][k] * s[0][k].conj()).sum();
                    sum * gain[k] / segments.len() as f64 / HANN_POWER
                })
                .collect(),
            averages: segments.len() as f64 / OVERLAP_COST,
        }
    }

    /// Power that follows what was sent, the bias of few averages taken off.
    fn coherent_power(&self, k: usize) -> f64 {
        if self.sent[k] <= 0.0 {
            return 0.0;
        }
        let follows = self.cross[k].norm_sqr() / self.sent[k];
        follows - (self.back[k] - follows) / (self.averages - 1.0)
    }

    fn level(&self) -> Option<Estimate> {
        self.sum_db(|k| self.back[k])
    }

    fn coherent(&self) -> Option<Estimate> {
        self.sum_db(|k| self.coherent_power(k))
    }

    /// Sum over the band; the scatter of noise: each line's power has a relative variance of 1/n.
    fn sum_db(&self, power: impl Fn(usize) -> f64) -> Option<Estimate> {
        let (sum, squares) = self
            .lines
            .of(LineKind::Excited)
            .map(power)
            .fold((0.0, 0.0), |(sum, squares), p| (sum + p, squares + p * p));
        let half = NORMAL_95 * 10.0 / LN_10 * (HANN_LINES * squares / self.averages).sqrt() / sum;
        Some(Estimate::symmetric(db_from_power(sum / super::level::FULL_SCALE_MS)?, half))
    }

    /// H1 on its grid; points whose coherence noise alone would give are left out.
    fn response(&self) -> Vec<ResponsePoint> {
        let excited: Vec<usize> = self.lines.of(LineKind::Excited).collect();
        band::cells(&excited, self.spacing).filter_map(|lines| self.point(lines)).collect()
    }

    fn point(&self, lines: &[usize]) -> Option<ResponsePoint> {
        let sum = |f: &dyn Fn(usize) -> f64| lines.iter().map(|k| f(*k)).sum::<f64>();
        let (sent, back, coherent) = (sum(&|k| self.sent[k]), sum(&|k| self.back[k]), sum(&|k| self.coherent_power(k)));
        let coherence = (coherent / back).clamp(0.0, 1.0);
        let count = self.averages * (lines.len() as f64 / HANN_LINES).max(1.0);
        // 95 % of what incoherent noise gives (Bendat & Piersol): 1 − 0.05^(1/(n−1)).
        if coherence < 1.0 - 0.05f64.powf(1.0 / (count - 1.0).max(1.0)) {
            return None;
        }
        let half = NORMAL_95 * 20.0 / LN_10 * ((1.0 - coherence) / (2.0 * coherence * count)).sqrt();
        let cross: Complex<f64> = lines.iter().map(|k| self.cross[*k]).sum();
        Some(ResponsePoint {
            frequency_hz: sum(&|k| k as f64 * self.spacing) / lines.len() as f64,
            gain_db: db_from_power(coherent / sent)?,
            half_width_db: half.max(LEAST_HALF_WIDTH_DB),
            phase_rad: cross.arg(),
            coherence,
        })
    }
}
