//! Tables of published standards and closed forms (`tests/data/`, each with its provenance), one test per table.
//!
//! | subject | tables | held elsewhere |
//! |---|---|---|
//! | frequency weightings | weightings | filters in time: `analysis/weighting_filter.rs` |
//! | time weightings, C peak | tonebursts, decay, ripple, peak_c | |
//! | one-third octaves | octave_bands, band_limits | |
//! | pink noise | weighted_noise, level_scatter | its crest factor: `signal/conformance.rs` |
//! | distortion | clipped_sine, clipped_one_side, polynomial, waveforms, overdrive, intermodulation | |
//! | sweeps | sweeps | harmonics of a polynomial: `analysis/tests/sounds.rs` |
//! | multisines, coherence | multisine, coherence | of stationary noise: `analysis/tests/sounds.rs` |
//! | windows | hann | the calibrator's flat top: `analysis/tone.rs` |
//! | levels | levels, pressures | |
//!
//! Without code to hold it against: sound exposure (LE of a toneburst), which nothing here tells.

mod time;

use crate::common::takes::{self, Uniform};
use loudenough::analysis::band::{BANDS, band_of, centre_hz, label, lines_in, lower_edge_hz};
use loudenough::analysis::live::LiveAnalyser;
use loudenough::analysis::sine::r_form;
use loudenough::analysis::weighting::Weighting;
use loudenough::analysis::{Finding, fft};
use loudenough::card::InputRole;
use loudenough::signal::{LineKind, Stimulus, Sweep, SweepShape, TwoTones};
use loudenough::stats::Reading;
use loudenough::units::{DbSpl, Dbfs, SampleRate};
use realfft::num_complex::Complex;
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::path::Path;

/// Analytic value against a table of four decimals.
const FOUR_DECIMALS: f64 = 6e-5;
/// A table of one decimal: half of its last place, and the rounding of the value beside it.
const ONE_DECIMAL: f64 = 0.05 + 1e-4;
/// Closed forms of distorted waveforms, share of the value (single-precision samples leave 1e-5).
const CLOSED_FORM: f64 = 1e-3;
/// Distortion of a random-phase multisine against the expectation over all of them, dB.
const OF_ONE_REALISATION_DB: f64 = 0.5;

/// One row of a table: column name → text.
type Row = BTreeMap<String, String>;

/// Rows of a comma-separated table under `tests/data`; lines beginning with # say where it comes from.
fn table(name: &str) -> Vec<Row> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name);
    let text = std::fs::read_to_string(&path).unwrap();
    let marked = ["computed", "found", "from memory"].iter().any(|mark| text.to_lowercase().contains(mark));
    assert!(text.starts_with('#') && marked, "{name} does not say where it comes from");
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    let columns: Vec<&str> = lines.next().unwrap().split(',').collect();
    let row = |line: &str| -> Row {
        let fields: Vec<&str> = line.split(',').collect();
        assert_eq!(fields.len(), columns.len(), "{name}: {line}");
        columns.iter().zip(fields).map(|(column, field)| (column.to_string(), field.to_string())).collect()
    };
    lines.map(row).collect()
}

fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column} of {row:?}"))
}

#[test]
fn weightings_are_those_of_iec_61672() {
    let rows = table("weightings.csv");
    assert_eq!(rows.len(), 34);
    for (row, n) in rows.iter().zip(10..) {
        let f = 1000.0 * 10f64.powf(0.1 * f64::from(n - 30));
        assert!((f - number(row, "exact_hz")).abs() < FOUR_DECIMALS);
        for (weighting, exact, printed) in
            [(Weighting::A, "a_db", "a_printed_db"), (Weighting::C, "c_db", "c_printed_db")]
        {
            let ours = weighting.db_at(f);
            assert!((ours - number(row, exact)).abs() < FOUR_DECIMALS, "{weighting:?} at {f}: {ours}");
            assert!((ours - number(row, printed)).abs() < ONE_DECIMAL, "{weighting:?} at {f}: {ours}");
        }
        assert!(Weighting::Z.db_at(f).abs() < 1e-12);
    }
}

/// A tone on a line of the period, at each breakpoint of the standard: all of it in its band, nothing outside. (A tone
/// between lines leaks by the period's own window, −60 dB at eight lines' worth of octaves; what is played lies on lines.)
#[test]
fn bands_keep_within_class_1_of_iec_61260() {
    const BAND: i32 = 5;
    let spacing = 48_000.0 / 65_536.0;
    for row in table("band_limits.csv") {
        let inside = number(&row, "octaves") < 0.5;
        for (column, up) in [("above", true), ("below", false)] {
            let line = centre_hz(BAND) * number(&row, column) / spacing;
            let line = if inside == up { line.floor() } else { line.ceil() };
            let tone = |n: usize| 0.5 * (TAU * ((n as f64 * line) % 65_536.0) / 65_536.0).sin();
            let mut random = Uniform(1);
            let stimulus = Stimulus::silence();
            let found = takes::silence(&takes::take(&stimulus, 4, tone, |_| 1e-7 * random.next()));
            let level = found.bands.iter().find(|b| b.x == BAND).and_then(|b| b.level).unwrap().value;
            let attenuation = 20.0 * 0.5f64.log10() - level;
            let most = if row["most_db"].is_empty() { f64::INFINITY } else { number(&row, "most_db") };
            assert!((number(&row, "least_db")..=most).contains(&attenuation), "{row:?} {column}: {attenuation}");
            assert!(!inside || attenuation.abs() < 0.01, "{row:?} {column}: {attenuation}");
        }
    }
}

/// The interval of a silent take's bands is that of noise: 1.96 standard deviations.
#[test]
fn the_interval_of_a_band_of_noise_is_that_of_its_bandwidth_and_time() {
    /// Share of the half width: dB are no linear scale, and lines on both edges count as whole ones.
    const SHARE: f64 = 0.06;
    let seconds = 4f64 * 65_536.0 / 48_000.0;
    let mut random = Uniform(7);
    let noise = takes::take(&Stimulus::silence(), 4, |_| 0.0, |_| 1e-3 * random.gaussian());
    let found = takes::silence(&noise);
    for row in table("level_scatter.csv") {
        let x: i32 = row["x"].parse().unwrap();
        assert!((lower_edge_hz(x + 1) - lower_edge_hz(x) - number(&row, "bandwidth_hz")).abs() < 6e-4);
        let level = found.bands.iter().find(|b| b.x == x).and_then(|b| b.level).unwrap();
        let expected = 1.96 * number(&row, "scatter_db") * (10.0 / seconds).sqrt();
        assert!((level.half_width() / expected - 1.0).abs() < SHARE, "{row:?}: {level:?} for ±{expected}");
    }
}

#[test]
fn bands_are_those_of_iec_61260() {
    let rows = table("octave_bands.csv");
    assert_eq!(rows.len(), 34);
    for row in &rows {
        let x: i32 = row["x"].parse().unwrap();
        for (ours, column) in
            [(centre_hz(x), "centre_hz"), (lower_edge_hz(x), "lower_hz"), (lower_edge_hz(x + 1), "upper_hz")]
        {
            assert!((ours - number(row, column)).abs() < FOUR_DECIMALS, "{column} of band {x}: {ours}");
        }
        let exact = 1000.0 * 10f64.powf((2.0 * f64::from(x) - 1.0) / 20.0);
        assert!((lower_edge_hz(x) / exact - 1.0).abs() < 1e-9);
        assert_eq!(band_of(centre_hz(x)), x);
        let nominal = number(row, "nominal_hz");
        let shown = if nominal < 1000.0 { format!("{nominal} Hz") } else { format!("{} kHz", nominal / 1000.0) };
        assert_eq!(label(x), shown);
    }
    // White noise rises by exactly 1 dB per one-third octave; counted in lines of 1 mHz.
    for x in -5..=5 {
        let rise = 10.0 * (lines_in(x + 1, 1e-3).len() as f64 / lines_in(x, 1e-3).len() as f64).log10();
        assert!((rise - 1.0).abs() < 1e-3, "band {x}: {rise}");
    }
}

#[test]
fn weighted_noise_has_the_level_of_its_integral() {
    for row in table("weighted_noise.csv") {
        let (low, high) = (number(&row, "low_hz"), number(&row, "high_hz"));
        for (weighting, name) in [(Weighting::A, "a"), (Weighting::C, "c")] {
            // Midpoints in log frequency: pink noise has equal power in each, white noise f times as much.
            const STEPS: u32 = 20_000;
            let at = |i: u32| low * (high / low).powf((f64::from(i) + 0.5) / f64::from(STEPS));
            let (mut pink, mut white, mut all) = (0.0, 0.0, 0.0);
            for f in (0..STEPS).map(at) {
                pink += weighting.power_at(f);
                white += weighting.power_at(f) * f;
                all += f;
            }
            let pink_db = 10.0 * (pink / f64::from(STEPS)).log10();
            let white_db = 10.0 * (white / all).log10();
            assert!((pink_db - number(&row, &format!("pink_{name}_db"))).abs() < 2e-4, "{row:?}: pink {pink_db}");
            assert!((white_db - number(&row, &format!("white_{name}_db"))).abs() < 2e-4, "{row:?}: white {white_db}");
        }
    }
}

/// The stimulus holds the 31 one-third octaves: second row of the table. Its lines are few in the lowest bands, where
/// neither weighting passes much, and each band is as loud as the next by construction.
#[test]
fn the_pink_stimulus_has_the_weighted_levels_of_pink_noise() {
    let row = &table("weighted_noise.csv")[1];
    let found = takes::pink(&takes::through(&Stimulus::pink(SampleRate::DEFAULT), 2, |x| x, 1e-6));
    let [z, a, c] = [found.level_z, found.level_a, found.level_c].map(|level| level.unwrap().value);
    assert!((a - z - number(row, "pink_a_db")).abs() < 0.05, "A {}", a - z);
    assert!((c - z - number(row, "pink_c_db")).abs() < 0.05, "C {}", c - z);
}

fn percent(reading: &Reading) -> f64 {
    100.0 * 10f64.powf(reading.determined().unwrap().value / 20.0)
}

/// A figure of the closed form; where the form itself passes through zero only its rounding is left to hold against.
fn agrees(ours: f64, table: f64) -> bool {
    (ours - table.abs()).abs() < CLOSED_FORM * table.abs() + 1e-5
}

#[test]
fn a_clipped_sine_has_the_harmonics_and_thd_of_its_fourier_series() {
    for row in table("clipped_sine.csv") {
        let limit = 10f64.powf(-number(&row, "overdrive_db") / 20.0);
        let found = takes::sine(&takes::through(&Stimulus::sine(997.0), 4, |x| x.clamp(-limit, limit), 1e-7));
        assert!((found.level.unwrap().value - number(&row, "b1_db")).abs() < 2e-4, "{row:?}: {:?}", found.level);
        for (order, column) in [(3, "h3_percent"), (5, "h5_percent"), (7, "h7_percent")] {
            let ours = percent(&found.harmonics[order - 2].level);
            assert!(agrees(ours, number(&row, column)), "{row:?}: {column} {ours}");
        }
        let thd = percent(&found.thd);
        assert!(agrees(thd, number(&row, "thd_to_10th_percent")), "{row:?}: THD {thd}");
        assert_eq!(found.highest_harmonic, 10, "what is counted is said");
    }
}

/// The waveforms as the sum of their harmonics: those that are counted.
#[test]
fn known_waveforms_have_their_thd_in_both_forms() {
    let stimulus = Stimulus::sine(997.0);
    let line = stimulus.period(SampleRate::DEFAULT).lines.of(LineKind::Excited).next().unwrap();
    for row in table("waveforms.csv") {
        let amplitude = |n: usize| match (row["waveform"].as_str(), n % 2) {
            ("sawtooth", _) | ("square", 1) => 1.0 / n as f64,
            ("triangle", 1) => 1.0 / (n * n) as f64,
            _ => 0.0,
        };
        let turn = |n: usize, h: usize| TAU * ((n * h * line) % 65_536) as f64 / 65_536.0;
        let wave = |n: usize| 0.4 * (1..=10).map(|h| amplitude(h) * turn(n, h).sin()).sum::<f64>();
        let mut random = Uniform(1);
        let found = takes::sine(&takes::take(&stimulus, 4, wave, |_| 1e-7 * random.next()));
        let (f, to_10th) = (percent(&found.thd), number(&row, "thd_f_to_10th_percent"));
        assert!(agrees(f, to_10th), "{row:?}: {f}");
        let r_of = |f: f64| 100.0 * (f / 100.0) / (1.0 + f * f / 1e4).sqrt();
        assert!(agrees(percent(&found.thd_r), r_of(to_10th)), "{row:?}: R {:?}", found.thd_r);
        // The closed forms of all harmonics, one from the other by our own formula.
        let all = Reading::Below(20.0 * (number(&row, "thd_f_percent") / 100.0).log10());
        let Reading::Below(r) = r_form(&all) else { panic!("{all:?}") };
        assert!((100.0 * 10f64.powf(r / 20.0) - number(&row, "thd_r_percent")).abs() < 1e-5, "{row:?}: R {r} dB");
    }
}

#[test]
fn a_sine_reaches_a_thd_at_the_overdrive_of_the_closed_form() {
    for row in table("overdrive.csv") {
        let limit = 10f64.powf(-number(&row, "to_10th_db") / 20.0);
        let found = takes::sine(&takes::through(&Stimulus::sine(997.0), 4, |x| x.clamp(-limit, limit), 1e-7));
        let thd = percent(&found.thd);
        assert!(agrees(thd, number(&row, "thd_percent")), "{row:?}: THD {thd}");
        assert_eq!(found.highest_harmonic, 10);
    }
}

#[test]
fn two_tones_through_a_polynomial_have_their_intermodulation() {
    /// Share of the value: resampling and single-precision samples.
    const SHARE: f64 = 2e-3;
    for row in table("intermodulation.csv") {
        let pair = match row["pair"].as_str() {
            "modulation" => TwoTones::Modulation,
            _ => TwoTones::DifferenceFrequency,
        };
        let device = |x: f64| 0.9 * (x + 0.01 * x * x + 0.004 * x * x * x);
        let found = takes::finding(&takes::through(&Stimulus::TwoTones(pair), 4, device, 1e-6)).unwrap();
        let Finding::TwoTones(found) = found else { panic!("{found:?}") };
        for (reading, column) in [(&found.second, "second_percent"), (&found.third, "third_percent")] {
            let ours = percent(reading);
            assert!((ours / number(&row, column) - 1.0).abs() < SHARE, "{row:?}: {column} {ours}");
        }
    }
}

#[test]
fn harmonics_of_a_sweep_arrive_when_they_should() {
    for row in table("sweeps.csv") {
        let shape = SweepShape::between(20.0, 20_000.0, number(&row, "seconds"));
        assert!((shape.length_s - number(&row, "length_s")).abs() < 1e-8, "{row:?}: {shape:?}");
        for n in [2, 3, 5] {
            let ours = shape.harmonic_before_s(n);
            assert!((ours - number(&row, &format!("before_{n}_s"))).abs() < 1e-8, "{row:?}: {n} {ours}");
        }
    }
    // The sweep played is that of its constants: its instantaneous frequency doubles every L·ln 2.
    let period = Stimulus::Sweep(Sweep::STANDARD).period(SampleRate::DEFAULT);
    let shape = Sweep::STANDARD.shape(SampleRate::DEFAULT, period.samples.len());
    let crossings = |from_s: f64, to_s: f64| {
        let part = &period.samples[(from_s * 48_000.0) as usize..(to_s * 48_000.0) as usize];
        part.windows(2).filter(|w| w[0] < 0.0 && w[1] >= 0.0).count() as f64
    };
    let at_1k = shape.length_s * (1000.0 / shape.from_hz).ln();
    let octave = crossings(at_1k, at_1k + shape.harmonic_before_s(2));
    // Cycles in the octave from f: L·f.
    assert!((octave - shape.length_s * 1000.0).abs() < 1.5, "{octave} for {}", shape.length_s * 1000.0);
}

#[test]
fn a_sine_clipped_on_one_side_has_its_even_harmonics() {
    for row in table("clipped_one_side.csv") {
        let limit = 10f64.powf(-number(&row, "overdrive_db") / 20.0);
        let found = takes::sine(&takes::through(&Stimulus::sine(997.0), 4, |x| x.min(limit), 1e-7));
        let level = 20.0 * number(&row, "h1").log10();
        assert!((found.level.unwrap().value - level).abs() < 2e-4, "{row:?}: {:?}", found.level);
        for order in 2..=5 {
            let ours = percent(&found.harmonics[order - 2].level);
            assert!(agrees(ours, number(&row, &format!("h{order}_percent"))), "{row:?}: H{order} {ours}");
        }
    }
}

#[test]
fn a_polynomial_gives_its_second_and_third_harmonic() {
    for row in table("polynomial.csv") {
        let amplitude = number(&row, "amplitude");
        let device = |x: f64| {
            let x = amplitude * x;
            0.9 * (x + 0.01 * x * x + 0.004 * x * x * x)
        };
        // −100 dB under a tenth of full scale: the noise must stand lower than single lines of it.
        let found = takes::sine(&takes::through(&Stimulus::sine(997.0), 4, device, 1e-9));
        let db = |n: usize| found.harmonics[n - 2].level.determined().unwrap().value;
        assert!((db(2) - number(&row, "h2_db")).abs() < 0.01, "{row:?}: H2 {}", db(2));
        assert!((db(3) - number(&row, "h3_db")).abs() < 0.01, "{row:?}: H3 {}", db(3));
        assert!(agrees(percent(&found.thd), number(&row, "thd_percent")), "{row:?}: {:?}", found.thd);
        // sin² = ½ − ½·cos 2ωt and sin³ = ¾·sin ωt − ¼·sin 3ωt: −90° and 180° in sine phase. As cosine phases re n times
        // the fundamental's (−90°): −180° − 2·(−90°) = 0 − … = 0° or 180° by sign of cos, +90° − 3·(−90°) = 0°.
        let phase = |n: usize| found.harmonics[n - 2].phase_rad.unwrap();
        assert!(phase(2).abs() < 0.01 && phase(3).abs() < 0.01, "{row:?}: {} {}", phase(2), phase(3));
    }
}

/// The stimulus is nearly Gaussian and pink; the table is the expectation over Gaussian signals of any spectrum. Lines
/// under 18 Hz and over 22 kHz, where products fall as well, are not summed by the analysis: a twentieth of them.
#[test]
fn a_multisine_separates_even_and_odd_order_distortion() {
    let row = &table("multisine.csv")[0];
    let (a2, a3) = (number(row, "a2"), number(row, "a3"));
    let stimulus = Stimulus::pink(SampleRate::DEFAULT);
    let rms = stimulus.period(SampleRate::DEFAULT).rms;
    let scaled = |a2: f64, a3: f64| {
        move |x: f64| {
            let u = x / rms;
            0.05 * (u + a2 * u * u + a3 * u * u * u)
        }
    };
    let both = takes::pink(&takes::through(&stimulus, 4, scaled(a2, a3), 1e-7));
    let clean = takes::pink(&takes::through(&stimulus, 4, scaled(0.0, 0.0), 1e-7));
    let gain_db = both.gain_db.unwrap().value - clean.gain_db.unwrap().value;
    assert!((gain_db - 20.0 * number(row, "gain").log10()).abs() < 0.02, "gain {gain_db}");
    // Both re the stimulus lines, which the gain has raised.
    for (reading, column) in [(&both.even, "even_power"), (&both.odd, "odd_power")] {
        let expected = 10.0 * number(row, column).log10() - 20.0 * number(row, "gain").log10();
        let ours = reading.determined().unwrap().value;
        assert!((ours - expected).abs() < OF_ONE_REALISATION_DB, "{column}: {ours} for {expected}");
    }
    // Exact for every multisine: x² leaves odd lines silent, x³ even ones.
    let squared = takes::pink(&takes::through(&stimulus, 4, scaled(a2, 0.0), 1e-9));
    let cubed = takes::pink(&takes::through(&stimulus, 4, scaled(0.0, a3), 1e-9));
    for (what, reading) in [("x² at odd lines", &squared.odd), ("x³ at even lines", &cubed.even)] {
        let high = match reading {
            Reading::Determined(e) => e.interval.high,
            Reading::Below(high) => *high,
            other => panic!("{other:?}"),
        };
        // Single-precision samples leave about −150 dB.
        assert!(high < -120.0, "{what}: {reading:?}");
    }
}

#[test]
fn coherence_tells_how_far_the_noise_stands_under_the_stimulus() {
    let stimulus = Stimulus::pink(SampleRate::DEFAULT);
    let period = stimulus.period(SampleRate::DEFAULT);
    let frames = period.samples.len();
    // Density of the noise: power of the nearest excited line below.
    let mut density = 0.0;
    let power: Vec<f64> = fft::lines_of(&period.samples)
        .iter()
        .enumerate()
        .map(|(k, line)| {
            if period.lines.kind(k) == LineKind::Excited {
                density = line.norm_sqr();
            }
            density
        })
        .collect();
    for row in table("coherence.csv") {
        let share = 10f64.powf(-number(&row, "snr_db") / 20.0);
        let mut random = Uniform(3);
        // Stationary: one draw eight periods long, its lines eight times as close.
        let drawn: Vec<Complex<f64>> = (0..4 * frames)
            .map(|j| Complex::new(random.gaussian(), random.gaussian()) * (share * (power[j / 8] / 16.0).sqrt()))
            .collect();
        let noise = fft::samples_of(&drawn, 8 * frames);
        let take = takes::take(&stimulus, 4, |n| 0.5 * (period.samples[n % frames] + noise[n]), |_| 0.0);
        let found = takes::pink(&take);
        let mean = |v: Vec<f64>| v.iter().sum::<f64>() / v.len() as f64;
        let ours = mean(found.response.iter().filter(|p| p.frequency_hz > 200.0).map(|p| 1.0 - p.coherence).collect());
        let expected = 1.0 - number(&row, "coherence");
        // Three real degrees of freedom per line and 20 000 lines: 1 %; the bias of a quotient of few lines the rest.
        assert!((ours / expected - 1.0).abs() < 0.04, "{row:?}: 1 − γ² {ours} for {expected}");
    }
}

#[test]
fn known_waveforms_have_their_level_in_dbfs() {
    const FRAMES: usize = 65_536;
    let mut random = Uniform(1);
    for row in table("levels.csv") {
        let turn = |n: usize| (7 * n % FRAMES) as f64 / FRAMES as f64;
        let wave: Vec<f64> = (0..FRAMES)
            .map(|n| match row["waveform"].as_str() {
                "sine" => (TAU * turn(n)).sin(),
                "square" => {
                    if turn(n) < 0.5 {
                        1.0
                    } else {
                        -1.0
                    }
                }
                "triangle" => 4.0 * (turn(n) - 0.5).abs() - 1.0,
                "uniform-noise" => 2.0 * random.next(),
                other => panic!("{other}"),
            })
            .collect();
        let mean_square = wave.iter().map(|x| x * x).sum::<f64>() / FRAMES as f64;
        let by_rms = Dbfs::from_rms(mean_square.sqrt()).unwrap().db();
        let by_lines = 10.0 * (2.0 * fft::lines_of(&wave).iter().map(|l| l.norm_sqr()).sum::<f64>()).log10();
        // Noise: standard deviation of its mean square, 4.343·√(4/5)/√65536 = 0.015 dB.
        let allowed = if row["waveform"] == "uniform-noise" { 0.05 } else { 1e-3 };
        assert!((by_rms - number(&row, "dbfs")).abs() < allowed, "{row:?}: {by_rms}");
        assert!((by_lines - by_rms).abs() < 1e-9, "{row:?}: by lines {by_lines}");
    }
}

#[test]
fn sound_pressure_levels_have_their_pressure() {
    for row in table("pressures.csv") {
        let (level, pa) = (number(&row, "db_spl"), number(&row, "pa"));
        assert!((DbSpl(level).pa() / pa - 1.0).abs() < 1e-5, "{row:?}: {}", DbSpl(level).pa());
        assert!((DbSpl::from_pa(pa).unwrap().db() - level).abs() < 1e-4, "{row:?}");
    }
}

/// The live spectrum is made with a Hann window: the tone's power over its lobe, divided by the window's noise bandwidth,
/// is the tone's level, wherever between two lines it lies.
#[test]
fn the_live_spectrum_holds_a_tones_level_on_and_between_lines() {
    let row = &table("hann.csv")[0];
    let window: Vec<f64> = (0..4096).map(|n| 0.5 - 0.5 * (TAU * f64::from(n) / 4096.0).cos()).collect();
    let (sum, squares) = window.iter().fold((0.0, 0.0), |(s, q), w| (s + w, q + w * w));
    assert!((4096.0 * squares / (sum * sum) - number(row, "enbw_lines")).abs() < 1e-9);
    assert!((20.0 * (8.0 / (3.0 * std::f64::consts::PI)).log10() - number(row, "loss_half_line_db")).abs() < 1e-6);
    // Lines of the picture are 48 000/8192 = 5.859375 Hz apart.
    for lines in [170.0, 170.25, 170.5] {
        let f = lines * 48_000.0 / 8192.0;
        let mut analyser = LiveAnalyser::new(SampleRate::DEFAULT, [InputRole::LeftEar]);
        let tone: Vec<f32> = (0..48_000).map(|n| (0.1 * (TAU * f * f64::from(n) / 48_000.0).sin()) as f32).collect();
        let pictures = tone.chunks(800).filter_map(|block| analyser.push(&[block.to_vec()], 0));
        let spectrum = pictures.last().unwrap().inputs.remove(0).spectrum;
        let total = 10.0 * spectrum.iter().map(|(_, db)| 10f64.powf(db / 10.0)).sum::<f64>().log10();
        assert!((total + 20.0).abs() < 0.01, "{lines}: {total}");
    }
}

/// Every band of ideal pink noise has the same level, and together they have the level of the whole.
#[test]
fn bands_share_the_pink_stimulus_equally() {
    let stimulus = Stimulus::pink(SampleRate::DEFAULT);
    let found = takes::pink(&takes::through(&stimulus, 2, |x| x, 1e-7));
    let whole = found.level_z.unwrap().value;
    for band in &found.bands {
        let below = band.level.unwrap().value - whole;
        assert!((below + 10.0 * 31f64.log10()).abs() < 0.01, "band {}: {below}", band.x);
    }
    let sum: f64 = found.bands.iter().map(|b| 10f64.powf(b.level.unwrap().value / 10.0)).sum();
    assert!((10.0 * sum.log10() - whole).abs() < 1e-6);
    let period = stimulus.period(SampleRate::DEFAULT);
    assert_eq!(found.bands.len(), BANDS.count());
    assert!(period.lines.of(LineKind::Excited).all(|k| BANDS.contains(&band_of(k as f64 * period.line_spacing_hz()))));
}
