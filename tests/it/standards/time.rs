//! Time weightings and the C peak.

use super::{ONE_DECIMAL, number, table};
use loudenough::analysis::live::LiveAnalyser;
use loudenough::analysis::time_weighting::{FAST_S, SLOW_S, TimeWeighting};
use loudenough::analysis::weighting::Weighting;
use loudenough::card::InputRole;
use loudenough::units::SampleRate;
use std::f64::consts::TAU;

/// Ripple against its formula of four decimals, dB: the filter acts on samples, not on time (1 kHz at 48 kHz).
const RIPPLE_DB: f64 = 3e-4;
/// Peak under C, dB: of the 24 samples of a cycle of 8 kHz the highest may stand half a sample beside the top,
/// 20 lg cos(π/24).
const PEAK_C_DB: f64 = 0.08;
/// The same at 31.5 Hz, dB: the live picture's high-pass of 2 Hz, which keeps a converter's offset out, bends a cycle.
const PEAK_C_LOW_DB: f64 = 0.3;
/// Live level against the formula, dB; the 4 kHz tone's own ripple is under 0.001 dB.
const LIVE_DB: f64 = 0.02;

/// Levels F and S (dBFS, Z) of the last live picture of these samples.
fn last_levels(samples: &[f32]) -> [f64; 2] {
    let mut analyser = LiveAnalyser::new(SampleRate::DEFAULT, [InputRole::LeftEar]);
    let pictures = samples.chunks(800).filter_map(|block| analyser.push(&[block.to_vec()], 0));
    let heard = pictures.last().unwrap().inputs.remove(0);
    [heard.level_z, heard.slow_z].map(|level| level.unwrap().db())
}

/// A sample of a 4 kHz tone.
fn tone_4k(n: usize) -> f32 {
    (0.5 * (TAU * 4000.0 * n as f64 / 48_000.0).sin()) as f32
}

/// Time weightings of the live picture: a burst that ends with a picture, so that its highest reading is the last one.
#[test]
fn tonebursts_read_what_time_weightings_f_and_s_demand() {
    let steady = 20.0 * 0.5f64.log10();
    for row in table("tonebursts.csv") {
        let frames = (number(&row, "milliseconds") * 48.0) as usize;
        let mut samples = vec![0.0; 96_000 - frames];
        samples.extend((0..frames).map(tone_4k));
        for (ours, name) in last_levels(&samples).into_iter().zip(["f", "s"]) {
            let formula = number(&row, &format!("{name}_db"));
            assert!((ours - steady - formula).abs() < LIVE_DB, "{row:?}: {name} {}", ours - steady);
            // The standard prints no S value under 2 ms.
            if !row[&format!("{name}_printed_db")].is_empty() {
                let printed = number(&row, &format!("{name}_printed_db"));
                assert!((formula - printed).abs() < ONE_DECIMAL, "{row:?}: {name}");
            }
        }
    }
}

#[test]
fn levels_fall_as_fast_as_their_time_constant_lets_them() {
    const QUIET_S: f64 = 0.5;
    /// Share of the rate.
    const RATE: f64 = 0.005;
    let mut samples: Vec<f32> = (0..96_000).map(tone_4k).collect();
    let before = last_levels(&samples);
    samples.extend(vec![0.0; (QUIET_S * 48_000.0) as usize]);
    let after = last_levels(&samples);
    for (row, (before, after)) in table("decay.csv").iter().zip(before.into_iter().zip(after)) {
        let (ours, formula) = ((before - after) / QUIET_S, number(row, "computed_db_per_s"));
        assert!((ours / formula - 1.0).abs() < RATE, "{row:?}: {ours}");
        assert!((10.0 * std::f64::consts::E.log10() / number(row, "time_constant_s") / formula - 1.0).abs() < 1e-6);
        assert!((number(row, "lowest")..number(row, "highest")).contains(&ours), "{row:?}: {ours}");
    }
}

#[test]
fn levels_of_a_steady_tone_ripple_as_their_time_constant_lets_them() {
    const RATE_HZ: f64 = 48_000.0;
    for row in table("ripple.csv") {
        let f = number(&row, "f_hz");
        for (tau, name) in [(FAST_S, "fast"), (SLOW_S, "slow")] {
            let mut weighting = TimeWeighting::new(tau, RATE_HZ);
            let (mut low, mut high) = (f64::MAX, 0.0f64);
            let settled = (15.0 * tau * RATE_HZ) as usize;
            for n in 0..settled + (2.0 * RATE_HZ / f) as usize {
                weighting.take((TAU * f * n as f64 / RATE_HZ).sin());
                if n >= settled {
                    (low, high) = (low.min(weighting.rms()), high.max(weighting.rms()));
                }
            }
            for (rms, way) in [(high, "up"), (low, "down")] {
                let ours = 20.0 * (rms * 2f64.sqrt()).log10();
                let formula = number(&row, &format!("{name}_{way}_db"));
                assert!((ours - formula).abs() < RIPPLE_DB, "{row:?}: {name} {way} {ours}");
            }
        }
    }
}

/// The live picture's highest sample under C, at a rate at which samples stand close, re the C level of the steady sine.
#[test]
fn single_cycles_have_the_c_peak_of_the_formula() {
    let rate = SampleRate::new(192_000).unwrap();
    for row in table("peak_c.csv") {
        let (f, cycles) = (number(&row, "f_hz"), number(&row, "cycles"));
        let frames = (cycles.abs() * rate.hz() / f).round() as usize;
        let sign = 0.5 * cycles.signum();
        let mut samples = vec![0.0f32; 19_200];
        samples.extend((0..frames).map(|n| (sign * (TAU * f * n as f64 / rate.hz()).sin()) as f32));
        samples.extend(vec![0.0f32; 19_200]);
        let mut analyser = LiveAnalyser::new(rate, [InputRole::LeftEar]);
        let pictures = samples.chunks(3_200).filter_map(|block| analyser.push(&[block.to_vec()], 0));
        let peak = pictures.filter_map(|p| p.inputs[0].peak_c).map(|p| p.db()).fold(f64::MIN, f64::max);
        // A peak is re the peak of a full-scale sine, a level re its RMS.
        let ours = peak + 10.0 * 2f64.log10() - (20.0 * 0.5f64.log10() + Weighting::C.db_at(f));
        println!("{f} Hz, {cycles} cycles: {ours:.3} dB for {}", row["computed_db"]);
        let off = ours - number(&row, "computed_db");
        let allowed = if f < 100.0 { PEAK_C_LOW_DB } else { PEAK_C_DB };
        assert!(off.abs() < allowed, "{row:?}: {ours}");
        assert!((ours - number(&row, "printed_db")).abs() < number(&row, "class_1_db"), "{row:?}: {ours}");
    }
}
