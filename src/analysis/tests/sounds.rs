//! Two tones, sweep, bursts and stationary noise against closed forms and what the desk is set to.

use super::desk::Desk;
use super::stated;
use crate::analysis::{Context, Correction, Finding, HarmonicPoint, ResponsePoint, measure};
use crate::signal::{Burst, Noise, Stimulus, Sweep, TwoTones};
use crate::stats::Reading;
use crate::units::SampleRate;

/// A desk that plays this at the highest drive, on a fast capture clock.
fn desk(stimulus: Stimulus) -> Desk {
    let full = stimulus.period(SampleRate::DEFAULT).full_drive().unwrap();
    Desk { stimulus, drive_db: full.db(), ppm: 37.0, ..Desk::pink() }
}

fn finding(desk: &Desk) -> Finding {
    let none = Correction::none();
    let found = measure(&desk.take(), 0, &Context::alone(&none)).unwrap().finding;
    assert!(found.common().flaws.is_empty(), "{:?}", found.common().flaws);
    found
}

macro_rules! finding_of {
    ($kind:ident, $desk:expr) => {
        match finding($desk) {
            Finding::$kind(f) => *f,
            other => panic!("{other:?}"),
        }
    };
}

fn percent(reading: &Reading) -> f64 {
    100.0 * 10f64.powf(stated(reading).value / 20.0)
}

/// Closed form (check values, two tones through x + a₂x² + a₃x³, a₂ = 0.01, a₃ = 0.004, full scale): modulation
/// 1.593689 % and 0.382485 %, difference frequency 0.249439 % and 0.074832 %.
#[test]
fn a_polynomial_gives_the_intermodulation_of_its_closed_form() {
    /// Share of the value: clock, resampling and single-precision samples.
    const SHARE: f64 = 2e-3;
    for (pair, second, third) in
        [(TwoTones::Modulation, 1.593_689, 0.382_485), (TwoTones::DifferenceFrequency, 0.249_439, 0.074_832)]
    {
        let bent = Desk { square: 0.01, cube: 0.004, noise: 1e-6, ..desk(Stimulus::TwoTones(pair)) };
        let f = finding_of!(TwoTones, &bent);
        assert!((percent(&f.second) / second - 1.0).abs() < SHARE, "{pair:?}: {} for {second}", percent(&f.second));
        assert!((percent(&f.third) / third - 1.0).abs() < SHARE, "{pair:?}: {} for {third}", percent(&f.third));
        let own = f.common.clock.own_ppm.unwrap();
        assert!((own.value - 37.0).abs() < 0.05, "{own:?}");
        let clean = Desk { noise: 1e-4, ..desk(Stimulus::TwoTones(pair)) };
        let f = finding_of!(TwoTones, &clean);
        assert!(matches!(f.second, Reading::Below(b) if b < -80.0), "{:?}", f.second);
    }
}

/// Closed form: at amplitude 1 the same polynomial has H1 = 1.003, H2/H1 = −46.0466 dB and H3/H1 = −60.0260 dB at every
/// frequency; nothing stands at the fourth harmonic.
#[test]
fn a_sweep_shows_response_and_harmonics_of_a_polynomial() {
    /// Cutting the harmonics apart costs this much, dB.
    const HARMONIC_DB: f64 = 0.05;
    let bent = Desk { square: 0.01, cube: 0.004, noise: 1e-6, periods: 2, ..desk(Stimulus::Sweep(Sweep::STANDARD)) };
    let f = finding_of!(Sweep, &bent);
    for (order, truth, from_hz, to_hz) in [(2, -46.0466, 100.0, 7_000.0), (3, -60.0260, 100.0, 5_000.0)] {
        let curve = f.harmonics.iter().find(|h| h.order == order).unwrap();
        let inside: Vec<_> = curve.points.iter().filter(|p| (from_hz..to_hz).contains(&p.frequency_hz)).collect();
        assert!(inside.len() > 30, "{}", inside.len());
        for point in inside {
            let level = stated(&point.level).value;
            assert!((level - truth).abs() < HARMONIC_DB, "H{order} at {:.0} Hz: {level}", point.frequency_hz);
        }
    }
    let truth = 20.0 * (0.5f64 * 1.003).log10();
    for p in f.response.iter().filter(|p| (18.0..15_000.0).contains(&p.frequency_hz)) {
        // What harmonics of the lowest octaves leave under the window.
        let allowed = if p.frequency_hz < 100.0 { 0.05 } else { 0.01 };
        assert!((p.gain_db - truth).abs() < allowed, "{p:?}, true {truth}");
    }
    let peak = f.impulse.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    assert!((peak - 0.5).abs() < 0.1, "an impulse of the gain, less what lies over 20 kHz: {peak}");
    let clean = Desk { noise: 1e-5, periods: 2, ..desk(Stimulus::Sweep(Sweep::STANDARD)) };
    let f = finding_of!(Sweep, &clean);
    // Noise of −97 dB re the sweep, and what cutting leaves.
    let stated = |p: &&HarmonicPoint| p.level.determined().is_some();
    let made_up: Vec<_> = f.harmonics.iter().flat_map(|h| &h.points).filter(stated).collect();
    assert!(made_up.is_empty(), "{made_up:?}");
}

/// Largest difference from the desk's response between two frequencies, dB.
fn worst_db(desk: &Desk, response: &[ResponsePoint], from_hz: f64, to_hz: f64) -> f64 {
    let off = |p: &ResponsePoint| p.gain_db - 20.0 * (desk.gain * desk.response(p.frequency_hz).norm()).log10();
    response.iter().filter(|p| (from_hz..to_hz).contains(&p.frequency_hz)).map(|p| off(p).abs()).fold(0.0, f64::max)
}

/// Agreed: the same response from pink noise, sweep and stationary noise within 0.05 dB at a quiet level.
#[test]
fn pink_noise_sweep_and_stationary_noise_tell_the_same_response() {
    const SAME_DB: f64 = 0.05;
    let through =
        |stimulus, periods| Desk { drive_db: -40.0, resonance_db: 10.0, noise: 1e-6, periods, ..desk(stimulus) };
    let pink = through(Stimulus::pink(SampleRate::DEFAULT), 4);
    let f = finding_of!(Pink, &pink);
    let worst = worst_db(&pink, &f.response, 40.0, 16_000.0);
    assert!(worst < SAME_DB, "pink {worst}");
    let sweep = through(Stimulus::Sweep(Sweep::STANDARD), 2);
    let f = finding_of!(Sweep, &sweep);
    let worst = worst_db(&sweep, &f.response, 18.0, 16_000.0);
    assert!(worst < SAME_DB, "sweep {worst}");
    let noise = through(Stimulus::Noise(Noise { spans: 4, ..Noise::STANDARD }), 1);
    let f = finding_of!(Noise, &noise);
    let worst = worst_db(&noise, &f.response, 100.0, 16_000.0);
    assert!(worst < SAME_DB, "stationary noise {worst}");
    assert!((f.common.clock.own_ppm.unwrap().value - 37.0).abs() < 0.05, "{:?}", f.common.clock);
}

/// Welch: coherence is SNR/(1+SNR); pink noise of power P over 17.8 Hz to 22.4 kHz has the density P/(ln 1259·f), white
/// noise of power s² the density s²/24 000 Hz.
#[test]
fn the_coherence_of_stationary_noise_is_that_of_its_signal_to_noise_ratio() {
    const SCATTER: f64 = 0.03;
    let mut noisy =
        Desk { periods: 1, drive_db: -30.0, gain: 1.0, ..desk(Stimulus::Noise(Noise { spans: 4, ..Noise::STANDARD })) };
    let power = 0.5 * 10f64.powf(-3.0);
    // Equal densities at 1 kHz.
    noisy.noise = (power / (22_387.0f64 / 17.783).ln() / 1000.0 * 24_000.0).sqrt();
    let f = finding_of!(Noise, &noisy);
    for centre in [500.0, 1000.0, 2000.0] {
        let near: Vec<f64> =
            f.response.iter().filter(|p| (p.frequency_hz / centre).log2().abs() < 0.2).map(|p| p.coherence).collect();
        let mean = near.iter().sum::<f64>() / near.len() as f64;
        let snr = 1000.0 / centre;
        assert!((mean - snr / (1.0 + snr)).abs() < SCATTER, "{centre}: {mean} for {}", snr / (1.0 + snr));
    }
    let coherent = f.coherent.unwrap();
    assert!((coherent.value + 30.0).abs() < 0.2 && coherent.holds(-30.0), "{coherent:?}");
}

/// Closed form: a tone of amplitude A through x + a₃x³ has the gain 1 + ¾a₃A², so a₃ = −0.05 takes 0.3320 dB from the
/// loud part (A = 1) and 0.0033 dB from the quiet one (A = 0.1).
#[test]
fn bursts_tell_how_much_their_loud_part_is_compressed() {
    let bent = Desk { cube: -0.05, noise: 1e-5, periods: 8, ..desk(Stimulus::Burst(Burst {})) };
    let f = finding_of!(Burst, &bent);
    let truth = 20.0 * ((1.0f64 - 0.0375).log10() - (1.0f64 - 0.000_375).log10());
    let compression = f.compression_db.unwrap();
    assert!((compression.value + truth).abs() < 0.005, "{compression:?}, true {truth}");
    assert!((f.played_step_db - 20.0).abs() < 0.01, "{}", f.played_step_db);
    let peak = f.peak.unwrap().db() - 20.0 * (0.5f64 * 0.95).log10();
    assert!(peak.abs() < 0.02, "{peak}");
}

/// A lost sample voids each of them.
#[test]
fn a_lost_sample_voids_a_take_of_every_sound() {
    let none = Correction::none();
    for (stimulus, periods) in [
        (Stimulus::TwoTones(TwoTones::Modulation), 4),
        (Stimulus::Sweep(Sweep::STANDARD), 2),
        (Stimulus::Burst(Burst {}), 8),
        (Stimulus::Noise(Noise { spans: 4, ..Noise::STANDARD }), 1),
    ] {
        let lossy = Desk { noise: 1e-5, periods, loss: Some((150_000, 64)), ..desk(stimulus) };
        let found = measure(&lossy.take(), 0, &Context::alone(&none)).unwrap().finding;
        let void = found.common().flaws.iter().any(|f| f.code == "lost-samples");
        assert!(void, "{}: {:?}", lossy.stimulus, found.common().flaws);
    }
}
