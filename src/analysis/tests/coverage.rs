//! Do the stated 95 % intervals hold the truth as often as they claim?
//!
//! A case is one take: level, response, noise and its colour, clocks and distortion are drawn at random. CI looks at a
//! hundred cases of fixed seeds; `sh tests/coverage.sh` at many (`LOUDENOUGH_CASES`) and prints the table.

use super::desk::{Desk, uniform};
use crate::analysis::band::lines_in;
use crate::analysis::clip::trial::{Gauss, Limit, Trial};
use crate::analysis::{Context, Correction, Finding, PinkFinding, ResponsePoint, SineFinding, fft, measure};
use crate::signal::{LineKind, Pink, Stimulus};
use crate::stats::{Estimate, Reading};
use crate::units::{Dbfs, db_from_power};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
use realfft::num_complex::Complex;
use std::ops::RangeInclusive;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

/// Cases where nothing else is asked for.
const CASES: u64 = 100;
/// With a true coverage of 95 % less than this share of 100 cases holds once in 300 (binomial, computed).
const LEAST_OF_FEW: f64 = 0.88;
/// What is asked of many cases (a figure under 10 000 cases has a standard deviation of 0.22 % there). Under the noise,
/// "below X" holds nearly always, as it should: there only the lower bound is asked for.
const OF_MANY: RangeInclusive<f64> = 0.938..=0.963;
/// The same of clip levels, which are fewer.
const OF_MANY_CLIPPED: RangeInclusive<f64> = 0.934..=0.966;
/// Cases from which the upper bound is asked for as well: then a true 95 % passes it once in 700 (binomial).
const MANY: u64 = 3_000;
/// A distortion is clear of the noise from this many standard deviations of its sum on.
const CLEAR: f64 = 2.0;
/// Answers further off than twice their half width, of many cases.
const FAR: f64 = 0.005;

/// Clip levels looked at where nothing else is asked for.
const CLIP_CASES: u64 = 20;
const HEAD: &str = "| quantity | cases | told | hold the truth | clear of the noise | of those hold | over 2 half widths off | over 4 |
|---|---|---|---|---|---|---|---|";

const QUANTITIES: [&str; 10] = [
    "level",
    "level of a band",
    "response",
    "even-order distortion",
    "odd-order distortion",
    "no even-order distortion",
    "THD",
    "no harmonics",
    "THD+N",
    "clock",
];

#[derive(Clone, Copy, Debug, Default)]
struct Tally {
    cases: usize,
    stated: usize,
    held: usize,
    /// Cases whose truth is clear of the noise, and how many of them hold.
    clear: usize,
    clear_held: usize,
    /// Further off than twice, and than four times, the half width on the truth's side.
    twice: usize,
    four_times: usize,
}

impl Tally {
    fn add(&mut self, estimate: Option<&Estimate>, truth: f64) {
        let Some(e) = estimate else { return };
        self.stated += 1;
        let half = if truth > e.value { e.interval.high - e.value } else { e.value - e.interval.low };
        let off = (truth - e.value).abs() / half.max(f64::MIN_POSITIVE);
        self.hold(off <= 1.0, true);
        self.twice += usize::from(off > 2.0);
        self.four_times += usize::from(off > 4.0);
    }

    fn hold(&mut self, held: bool, clear: bool) {
        self.cases += 1;
        self.held += usize::from(held);
        self.clear += usize::from(clear);
        self.clear_held += usize::from(held && clear);
    }

    fn add_reading(&mut self, reading: &Reading, truth: f64, clear: bool) {
        match reading {
            Reading::Determined(e) if clear => self.add(Some(e), truth),
            Reading::Determined(e) => {
                self.add(Some(e), truth);
                self.clear -= 1;
                self.clear_held -= usize::from(e.holds(truth));
            }
            Reading::Below(high) => self.hold(truth <= *high, clear),
            Reading::AtLeast(_) | Reading::NotDetermined(_) => {}
        }
    }

    /// Nothing is there: in decibels every given figure is infinitely far from it.
    fn add_nothing(&mut self, reading: &Reading) {
        self.stated += usize::from(reading.determined().is_some());
        self.hold(reading.determined().is_none(), true);
    }

    fn print(&self, what: &str) {
        let percent = |n: usize, of: usize| 100.0 * share(n, of);
        println!(
            "| {what} | {} | {} | {:.1} % | {} | {:.1} % | {:.2} % | {:.2} % |",
            self.cases,
            self.stated,
            percent(self.held, self.cases),
            self.clear,
            percent(self.clear_held, self.clear),
            percent(self.twice, self.cases),
            percent(self.four_times, self.cases)
        );
    }

    /// True where as many hold as are asked to: of many cases the share that is stated, of `both_sides` no more either.
    fn allowed(&self, many: Option<RangeInclusive<f64>>, both_sides: bool) -> bool {
        let held = share(self.held, self.cases);
        let too_wide = both_sides && many.as_ref().is_some_and(|of| share(self.clear_held, self.clear) > *of.end());
        let enough = many.as_ref().map_or(LEAST_OF_FEW, |of| *of.start());
        let far = many.is_some() && share(self.twice, self.cases) > FAR;
        held >= enough && !too_wide && self.four_times == 0 && !far
    }

    fn sum(&mut self, other: Tally) {
        self.cases += other.cases;
        self.stated += other.stated;
        self.held += other.held;
        self.clear += other.clear;
        self.clear_held += other.clear_held;
        self.twice += other.twice;
        self.four_times += other.four_times;
    }
}

fn share(n: usize, of: usize) -> f64 {
    n as f64 / of.max(1) as f64
}

/// One case: a desk drawn from the seed, its pink take and its sine take.
fn case(seed: u64) -> [Tally; QUANTITIES.len()] {
    let mut random = Pcg64::seed_from_u64(seed);
    let mut draw = |low: f64, high: f64| low + (high - low) * uniform(&mut random);
    let periods = if draw(0.0, 1.0) < 0.7 { 4 } else { 2 };
    let mut desk = Desk {
        drive_db: draw(-30.0, -12.0),
        ppm: draw(-200.0, 200.0),
        delay: draw(100.0, 9_000.0),
        periods,
        gain: 10f64.powf(draw(-30.0, 0.0) / 20.0),
        resonance_db: draw(0.0, 14.0),
        pink_noise: draw(0.0, 1.0) < 0.5,
        seed,
        ..Desk::pink()
    };
    // Other phases and silent lines in every case: how far what falls on them stands for all odd lines is drawn too.
    desk.stimulus = Stimulus::Pink(Pink { seed, doubled: false });
    let over_noise_db = draw(10.0, 60.0);
    let drive = 10f64.powf(desk.drive_db / 20.0);
    // A fifth of the cases bends nothing at all.
    let bends = draw(0.0, 1.0) > 0.2;
    let (even_db, odd_db) = (draw(-75.0, -35.0), draw(-75.0, -35.0));
    if bends {
        // Of the second and third power of noise: σ√2 and σ²√6 re the noise itself (Gaussian moments).
        desk.square = 10f64.powf(even_db / 20.0) / drive;
        desk.cube = 10f64.powf(odd_db / 20.0) / (drive * drive) * if draw(0.0, 1.0) < 0.5 { -0.4 } else { 0.4 };
    }
    desk.noise = desk.signal_rms() * 10f64.powf(-over_noise_db / 20.0);
    let frequency = 10f64.powf(draw(2.0, 3.3));
    let band = draw(-12.0, 13.0).round() as i32;
    let mut tallies = [Tally::default(); QUANTITIES.len()];
    pink_case(&mut tallies, &desk, band, bends);
    let mut sine = Desk { stimulus: Stimulus::sine(frequency), ..desk };
    sine.noise = sine.signal_rms() * 10f64.powf(-over_noise_db / 20.0);
    sine_case(&mut tallies, &sine, bends);
    tallies
}

fn pink_case(tallies: &mut [Tally; QUANTITIES.len()], desk: &Desk, band: i32, bends: bool) {
    let none = Correction::none();
    let Finding::Pink(f) = measure(&desk.take(), 0, &Context::alone(&none)).unwrap().finding else { panic!() };
    let truth = Truth::of(desk);
    let spacing = desk.period().line_spacing_hz();
    tallies[0].add(f.level_z.as_ref(), Dbfs::from_rms(desk.signal_rms()).unwrap().db());
    let in_band: f64 =
        truth.excited.iter().filter(|k| lines_in(band, spacing).contains(k)).map(|k| truth.lines[*k].norm_sqr()).sum();
    let stated = f.bands.iter().find(|b| b.x == band).unwrap();
    tallies[1].add(stated.level.as_ref(), db_from_power(2.0 * in_band).unwrap());
    if let Some(point) = nearest(&f, band) {
        let gain = truth.response_db(point.frequency_hz);
        tallies[2].add(Some(&Estimate::symmetric(point.gain_db, point.half_width_db)), gain);
    }
    if bends {
        let (even, odd) = truth.spreads_db(desk);
        tallies[3].add_reading(&f.even, truth.even_db, truth.even_db > even);
        tallies[4].add_reading(&f.odd, truth.odd_db, truth.odd_db > odd);
    } else {
        tallies[5].add_nothing(&f.even);
    }
    tallies[9].add(f.common.clock.own_ppm.as_ref(), desk.ppm);
}

fn nearest(f: &PinkFinding, band: i32) -> Option<ResponsePoint> {
    let centre = crate::analysis::band::centre_hz(band);
    let off = |p: &&ResponsePoint| (p.frequency_hz / centre).ln().abs();
    f.response.iter().min_by(|a, b| off(a).total_cmp(&off(b))).copied()
}

fn sine_case(tallies: &mut [Tally; QUANTITIES.len()], desk: &Desk, bends: bool) {
    let none = Correction::none();
    let Finding::Sine(f) = measure(&desk.take(), 0, &Context::alone(&none)).unwrap().finding else { panic!() };
    let f: &SineFinding = &f;
    let lines = desk.true_lines();
    let line = desk.period().lines.of(LineKind::Excited).next().unwrap();
    if bends {
        let at: Vec<usize> = (2..=f.highest_harmonic as usize).map(|n| n * line).collect();
        let harmonics: f64 = at.iter().map(|k| lines[*k].norm_sqr()).sum();
        let noise = line_noise(desk);
        let spread = CLEAR * spread_of_sum(desk.periods, at.iter().map(|k| (1.0, noise[*k])));
        let thd_db = db_from_power(harmonics / lines[line].norm_sqr()).unwrap_or(f64::NEG_INFINITY);
        tallies[6].add_reading(&f.thd, thd_db, harmonics > spread);
    } else {
        tallies[7].add_nothing(&f.thd);
    }
    let spacing = desk.period().line_spacing_hz();
    let audio = (20.0 / spacing).ceil() as usize..=(20_000.0 / spacing).floor() as usize;
    let rest: f64 = audio.clone().filter(|k| *k != line).map(|k| lines[k].norm_sqr()).sum();
    let noise = desk.noise.powi(2) * desk.noise_share(audio);
    tallies[8].add_reading(
        &f.thd_n,
        db_from_power((rest + noise) / (rest + noise + lines[line].norm_sqr())).unwrap(),
        true,
    );
}

/// The noise-free period, split into what follows the stimulus and what does not.
struct Truth {
    stimulus: f64,
    lines: Vec<Complex<f64>>,
    excited: Vec<usize>,
    /// Response of the desk times the gain that the bends leave (best linear approximation).
    linear: Vec<Complex<f64>>,
    spacing: f64,
    even_db: f64,
    odd_db: f64,
}

impl Truth {
    fn of(desk: &Desk) -> Truth {
        let period = desk.period();
        let spacing = period.line_spacing_hz();
        let lines = desk.true_lines();
        let gain = desk.drive().gain();
        let sent: Vec<Complex<f64>> = fft::lines_of(&period.samples).iter().map(|u| u * gain).collect();
        let excited: Vec<usize> = period.lines.of(LineKind::Excited).collect();
        // Best linear approximation over all lines: a cube adds the same gain everywhere.
        let response = |k: usize| desk.response(k as f64 * spacing) * desk.gain;
        let straight = |k: usize| sent[k] * response(k);
        let (cross, own) = excited.iter().fold((Complex::new(0.0, 0.0), 0.0), |(cross, own), k| {
            (cross + lines[*k] * straight(*k).conj() / response(*k).norm_sqr(), own + sent[*k].norm_sqr())
        });
        let factor = cross / own;
        let linear: Vec<Complex<f64>> = (0..lines.len()).map(|k| response(k) * factor).collect();
        let stimulus: f64 = excited.iter().map(|k| lines[*k].norm_sqr()).sum();
        let even: f64 = period.lines.of(LineKind::Even).filter(|k| *k > 0).map(|k| lines[k].norm_sqr()).sum();
        let odd: f64 = (-12..=13)
            .flat_map(|x| lines_in(x, spacing))
            .filter(|k| k % 2 == 1)
            .map(|k| (lines[k] - linear[k] * sent[k]).norm_sqr())
            .sum();
        let db = |power: f64| db_from_power(power / stimulus).unwrap_or(f64::NEG_INFINITY);
        Truth { even_db: db(even), odd_db: db(odd), excited, linear, spacing, lines, stimulus }
    }

    /// From which level on even- and odd-order distortion are clear of the noise, dB re the stimulus.
    fn spreads_db(&self, desk: &Desk) -> (f64, f64) {
        let period = desk.period();
        let noise = line_noise(desk);
        let even = spread_of_sum(desk.periods, period.lines.of(LineKind::Even).map(|k| (1.0, noise[k])));
        let mut odd = Vec::new();
        for x in -12..=13 {
            let all: Vec<usize> = lines_in(x, self.spacing).filter(|k| k % 2 == 1).collect();
            let detection: Vec<usize> =
                all.iter().copied().filter(|k| period.lines.kind(*k) == LineKind::Detection).collect();
            let scale = all.len() as f64 / detection.len() as f64;
            odd.extend(detection.into_iter().map(|k| (scale, noise[k])));
        }
        let odd = spread_of_sum(desk.periods, odd.into_iter());
        let db = |spread: f64| db_from_power(CLEAR * spread / self.stimulus).unwrap_or(f64::NEG_INFINITY);
        (db(even), db(odd))
    }

    /// Over the lines of one point of the grid (1/48 octave).
    fn response_db(&self, f_hz: f64) -> f64 {
        let cell = |f: f64| (48.0 * (f / 1000.0).log2()).round() as i64;
        let of = |k: &&usize| cell(**k as f64 * self.spacing) == cell(f_hz);
        let (sum, count) =
            self.excited.iter().filter(of).fold((0.0, 0), |(s, n), k| (s + self.linear[*k].norm_sqr(), n + 1));
        10.0 * (sum / f64::from(count)).log10()
    }
}

/// Power of the noise on each line of one period.
fn line_noise(desk: &Desk) -> Vec<f64> {
    let lines = desk.period().samples.len() / 2;
    let one = desk.noise.powi(2) * desk.noise_share(1..=1);
    let spacing = desk.period().line_spacing_hz();
    let falls = |k: usize| if desk.pink_noise { 20.0 / (k as f64 * spacing).max(20.0) } else { 1.0 };
    (0..=lines).map(|k| one * falls(k)).collect()
}

/// Standard deviation of a sum of powers of mean lines, the noise's own estimate taken off, that noise alone gives it;
/// of (scale, noise of one period) per line.
fn spread_of_sum(periods: usize, lines: impl Iterator<Item = (f64, f64)>) -> f64 {
    let count = periods as f64;
    lines.map(|(scale, noise)| (scale * noise / count).powi(2)).sum::<f64>().sqrt() * (count / (count - 1.0)).sqrt()
}

/// The cases from `first` on, on all cores.
fn totals<const N: usize>(first: u64, cases: u64, case: fn(u64) -> [Tally; N]) -> [Tally; N] {
    let (next, total) = (AtomicU64::new(first), Mutex::new([Tally::default(); N]));
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(2, usize::from) {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed >= first + cases {
                        return;
                    }
                    let own = case(seed);
                    total.lock().unwrap().iter_mut().zip(own).for_each(|(sum, add)| sum.sum(add));
                }
            });
        }
    });
    total.into_inner().unwrap()
}

fn asked_cases() -> Option<u64> {
    std::env::var("LOUDENOUGH_CASES").ok().and_then(|n| n.parse().ok())
}

#[test]
fn intervals_of_random_takes_hold_the_truth() {
    let asked = asked_cases();
    let totals = totals(1, asked.unwrap_or(CASES), case);
    println!("{HEAD}");
    let mut failed = Vec::new();
    for (what, t) in QUANTITIES.iter().zip(totals) {
        t.print(what);
        let both_sides = asked.is_some_and(|cases| cases >= MANY) && !what.starts_with("no ");
        if !t.allowed(asked.map(|_| OF_MANY), both_sides) {
            failed.push(format!("{what}: {t:?}"));
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("; "));
}

/// A hard limit of a random bench: its kind, each polarity's overdrive of 0.5 to 4 dB, the headphone's distortion, the
/// noise and the number of periods are drawn.
fn clip_case(seed: u64) -> [Tally; 2] {
    let mut random = Gauss::new(seed ^ 0xC0FE);
    let mut draw = |low: f64, high: f64| low + (high - low) * random.uniform();
    let (up, down) = (draw(-4.0, -0.5), draw(-4.0, -0.5));
    let amplitudes = (10f64.powf(up / 20.0), 10f64.powf(down / 20.0));
    let limit = match draw(0.0, 1.0) < 0.5 {
        true => Limit::Samples(amplitudes.0, amplitudes.1),
        false => Limit::Waveform(amplitudes.0, amplitudes.1),
    };
    let bench = Trial {
        limit,
        headphone_db: Some((draw(-60.0, -45.0), draw(-60.0, -45.0))),
        headphone_hz: draw(100.0, 300.0),
        over_noise_db: draw(30.0, 60.0),
        periods: if draw(0.0, 1.0) < 0.7 { 4 } else { 2 },
        ..Trial::new(seed)
    };
    let mut tallies = [Tally::default(); 2];
    let reference = bench.reference(10f64.powf(-20.0 / 20.0));
    if let Some(level) = crate::analysis::clip::judge(&bench.step(1.0), &reference).unwrap().level {
        let both = [(&level.positive, up), (&level.negative, down)];
        for (tally, (reading, truth)) in tallies.iter_mut().zip(both) {
            tally.add_reading(reading, truth, true);
        }
    }
    tallies
}

/// A take's own interval; what a real limiter leaves beside it is added where the threshold is judged.
#[test]
fn clip_levels_of_random_benches_hold_the_truth() {
    let asked = asked_cases().map(|cases| cases / 5);
    let total = totals(1, asked.unwrap_or(CLIP_CASES), clip_case).into_iter().fold(Tally::default(), |mut sum, t| {
        sum.sum(t);
        sum
    });
    println!("{HEAD}");
    total.print("clip level");
    let both_sides = asked.is_some_and(|cases| cases >= MANY / 5);
    assert!(total.cases > 0 && total.allowed(asked.map(|_| OF_MANY_CLIPPED), both_sides), "{total:?}");
}
