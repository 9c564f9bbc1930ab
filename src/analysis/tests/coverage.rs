//! Do the stated 95 % intervals hold the truth as often as they claim?
//!
//! A case is one take: level, response, noise and its colour, clocks and distortion are drawn at random. CI looks at a
//! hundred cases of fixed seeds; `sh tests/coverage.sh` at many (`LOUDENOUGH_CASES`) and prints the table.

use super::context;
use super::desk::{Desk, uniform};
use crate::analysis::band::lines_in;
use crate::analysis::{Correction, Finding, PinkFinding, ResponsePoint, SineFinding, fft, measure};
use crate::signal::{LineKind, Stimulus};
use crate::stats::{Estimate, Reading};
use crate::units::{Dbfs, db_from_power};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
use realfft::num_complex::Complex;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

/// Cases where nothing else is asked for.
const CASES: u64 = 100;
/// With a true coverage of 95 % less than this share of 100 cases holds once in 300 (binomial, computed).
const LEAST_OF_FEW: f64 = 0.88;
/// What is asked of many cases (a figure under 10 000 cases has a standard deviation of 0.22 % there).
const OF_MANY: std::ops::RangeInclusive<f64> = 0.938..=0.963;
/// Answers further off than twice their half width, of many cases.
const FAR: f64 = 0.005;

const QUANTITIES: [&str; 9] = [
    "level",
    "level of a band",
    "response",
    "even-order distortion",
    "odd-order distortion",
    "no even-order distortion",
    "THD",
    "THD+N",
    "clock",
];

#[derive(Clone, Copy, Debug, Default)]
struct Tally {
    cases: usize,
    told: usize,
    held: usize,
    /// Further off than twice, and than four times, the half width on the truth's side.
    twice: usize,
    four_times: usize,
}

impl Tally {
    fn add(&mut self, estimate: Option<&Estimate>, truth: f64) {
        let Some(e) = estimate else { return };
        self.cases += 1;
        self.told += 1;
        let half = if truth > e.value { e.interval.high - e.value } else { e.value - e.interval.low };
        let off = (truth - e.value).abs() / half.max(f64::MIN_POSITIVE);
        self.held += usize::from(off <= 1.0);
        self.twice += usize::from(off > 2.0);
        self.four_times += usize::from(off > 4.0);
    }

    fn add_reading(&mut self, reading: &Reading, truth: f64) {
        match reading {
            Reading::Told(e) => self.add(Some(e), truth),
            Reading::Below(high) => {
                self.cases += 1;
                self.held += usize::from(truth <= *high);
            }
            Reading::AtLeast(_) | Reading::NotTold(_) => {}
        }
    }
}

/// One case: a desk drawn from the seed, its pink take and its sine take.
fn case(seed: u64) -> [Tally; 9] {
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
    let mut tallies = [Tally::default(); 9];
    pink_case(&mut tallies, &desk, band, bends);
    let mut sine = Desk { stimulus: Stimulus::sine(frequency), ..desk };
    sine.noise = sine.signal_rms() * 10f64.powf(-over_noise_db / 20.0);
    sine_case(&mut tallies, &sine);
    tallies
}

fn pink_case(tallies: &mut [Tally; 9], desk: &Desk, band: i32, bends: bool) {
    let none = Correction::none();
    let Finding::Pink(f) = measure(&desk.take(), 0, &context(&none)).unwrap().finding else { panic!() };
    let truth = Truth::of(desk);
    let spacing = desk.period().line_spacing_hz();
    tallies[0].add(f.level_z.as_ref(), Dbfs::from_rms(desk.signal_rms()).unwrap().db());
    let in_band: f64 =
        truth.excited.iter().filter(|k| lines_in(band, spacing).contains(k)).map(|k| truth.lines[*k].norm_sqr()).sum();
    let told = f.bands.iter().find(|b| b.x == band).unwrap();
    tallies[1].add(told.level.as_ref(), db_from_power(2.0 * in_band).unwrap());
    if let Some(point) = nearest(&f, band) {
        let gain = truth.response_db(point.frequency_hz);
        tallies[2].add(Some(&Estimate::symmetric(point.gain_db, point.half_width_db)), gain);
    }
    if bends {
        tallies[3].add_reading(&f.even, truth.even_db);
        tallies[4].add_reading(&f.odd, truth.odd_db);
    } else {
        // In decibels every told distortion is infinitely far from none.
        tallies[5].cases += 1;
        tallies[5].told += usize::from(f.even.told().is_some());
        tallies[5].held += usize::from(f.even.told().is_none());
    }
    tallies[8].add(f.common.clock.own_ppm.as_ref(), desk.ppm);
}

fn nearest(f: &PinkFinding, band: i32) -> Option<ResponsePoint> {
    let centre = crate::analysis::band::centre_hz(band);
    let off = |p: &&ResponsePoint| (p.frequency_hz / centre).ln().abs();
    f.response.iter().min_by(|a, b| off(a).total_cmp(&off(b))).copied()
}

fn sine_case(tallies: &mut [Tally; 9], desk: &Desk) {
    let none = Correction::none();
    let Finding::Sine(f) = measure(&desk.take(), 0, &context(&none)).unwrap().finding else { panic!() };
    let f: &SineFinding = &f;
    let lines = desk.true_lines();
    let line = desk.period().lines.of(LineKind::Excited).next().unwrap();
    let harmonics: f64 = (2..=f.highest_harmonic as usize).map(|n| lines[n * line].norm_sqr()).sum();
    tallies[6].add_reading(&f.thd, db_from_power(harmonics / lines[line].norm_sqr()).unwrap_or(f64::NEG_INFINITY));
    let spacing = desk.period().line_spacing_hz();
    let audio = (20.0 / spacing).ceil() as usize..=(20_000.0 / spacing).floor() as usize;
    let rest: f64 = audio.clone().filter(|k| *k != line).map(|k| lines[k].norm_sqr()).sum();
    let noise = desk.noise.powi(2) * desk.noise_share(audio);
    tallies[7].add_reading(&f.thd_n, db_from_power((rest + noise) / (rest + noise + lines[line].norm_sqr())).unwrap());
}

/// The noise-free period, split into what follows the stimulus and what does not.
struct Truth {
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
        Truth { even_db: db(even), odd_db: db(odd), excited, linear, spacing, lines }
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

fn run(first: u64, cases: u64) -> [Tally; 9] {
    let (next, total) = (AtomicU64::new(first), Mutex::new([Tally::default(); 9]));
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(2, usize::from) {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed >= first + cases {
                        return;
                    }
                    let own = case(seed);
                    for (sum, add) in total.lock().unwrap().iter_mut().zip(own) {
                        sum.cases += add.cases;
                        sum.told += add.told;
                        sum.held += add.held;
                        sum.twice += add.twice;
                        sum.four_times += add.four_times;
                    }
                }
            });
        }
    });
    total.into_inner().unwrap()
}

#[test]
fn intervals_of_random_takes_hold_the_truth() {
    let asked = std::env::var("LOUDENOUGH_CASES").ok().and_then(|n| n.parse().ok());
    let totals = run(1, asked.unwrap_or(CASES));
    println!(
        "| quantity | cases | told | hold the truth | off by over 2 half widths | over 4 |\n|---|---|---|---|---|---|"
    );
    let mut failed = Vec::new();
    for (what, t) in QUANTITIES.iter().zip(totals) {
        let share = |n: usize| n as f64 / t.cases.max(1) as f64;
        let held = share(t.held);
        println!(
            "| {what} | {} | {} | {:.1} % | {:.2} % | {:.2} % |",
            t.cases,
            t.told,
            100.0 * held,
            100.0 * share(t.twice),
            100.0 * share(t.four_times)
        );
        let allowed = match asked {
            None => held >= LEAST_OF_FEW && t.four_times == 0,
            // "Below" answers have one limit, so that what is under it may hold more often.
            Some(_) => held >= *OF_MANY.start() && share(t.twice) <= FAR && t.four_times == 0,
        };
        if !allowed {
            failed.push(format!("{what}: {:.1} % of {} hold, {} far off", 100.0 * held, t.cases, t.four_times));
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("; "));
}
