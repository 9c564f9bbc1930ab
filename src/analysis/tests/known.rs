//! Known answers: what the desk is set to, closed forms, and the noise-free period summed plainly.

use super::desk::Desk;
use super::{even_truth_db, odd_truth_db, pink, pink_with, stated};
use crate::analysis::{Context, Correction, Finding, Reference, Weight, measure, prepare};
use crate::signal::{LineKind, Stimulus};
use crate::stats::{Estimate, Reading};
use crate::units::{Dbfs, SampleRate, db_from_power};

/// Levels agree with the desk within this where noise stands 30 dB under them.
const LEVEL_DB: f64 = 0.01;
/// Agreed: single takes within this where the signal stands 30 dB over noise, ppm.
const CLOCK_PPM: f64 = 0.01;
/// Without noise single-precision samples and the resampler are all that is left.
const NOISELESS_DB: f64 = 0.001;

#[test]
fn level_and_clock_are_the_desks_over_the_whole_range_of_clocks() {
    for (seed, ppm) in [(1, -200.0), (2, -40.0), (3, 0.0), (4, 123.4), (5, 200.0)] {
        let mut desk = Desk { ppm, seed, resonance_db: 10.0, ..Desk::pink() };
        desk.noise = desk.signal_rms() * 10f64.powf(-30.0 / 20.0);
        let (f, _) = pink(&desk);
        let truth = Dbfs::from_rms(desk.signal_rms()).unwrap().db();
        let own = f.common.clock.own_ppm.unwrap_or_else(|| panic!("{:?}", f.common));
        assert!((own.value - ppm).abs() < CLOCK_PPM, "{ppm}: {own:?}");
        assert!((f.level_z.unwrap().value - truth).abs() < LEVEL_DB, "{ppm}: {:?}, true {truth}", f.level_z);
        assert!(f.common.flaws.is_empty(), "{:?}", f.common.flaws);
        assert!(matches!(f.even, Reading::Below(_)), "nothing is bent: {:?}", f.even);
    }
}

/// Ideal pink noise over the 31 bands reads −2.9875 dB (A) and −1.2286 dB (C) re Z (integral of the weightings of
/// IEC 61672-1 over 1/f); 100 Hz to 10 kHz holds 20 of its 31 thirds of an octave.
#[test]
fn weighted_levels_of_the_stimulus_itself_are_those_of_pink_noise() {
    // The lines sample the integral; between 17.8 and 50 Hz there are few.
    const LINES_DB: f64 = 0.05;
    let (f, _) = pink(&Desk { gain: 1.0, drive_db: -30.0, ..Desk::pink() });
    let z = f.level_z.unwrap().value;
    assert!((z + 30.0).abs() < NOISELESS_DB);
    assert!((f.level_a.unwrap().value - z + 2.9875).abs() < LINES_DB, "{:?}", f.level_a);
    assert!((f.level_c.unwrap().value - z + 1.2286).abs() < LINES_DB, "{:?}", f.level_c);
    assert!((f.level_mid.unwrap().value - z - 10.0 * (20.0f64 / 31.0).log10()).abs() < LINES_DB, "{:?}", f.level_mid);
    assert!((f.gain_db.unwrap().value).abs() < NOISELESS_DB);
    for band in &f.bands {
        // Every band holds exactly 1/31 of the power.
        assert!((band.level.unwrap().value - z + 10.0 * 31f64.log10()).abs() < NOISELESS_DB, "{band:?}");
    }
}

/// Pink noise has the same power in each of its 31 thirds of an octave, so a curve from 100 Hz to 10 kHz (band edges
/// 89.1 and 11 220 Hz lie 0.5 bands outside) leaves 11 of 31 outside, one from 1 to 2 kHz all but 3.
#[test]
fn what_lies_outside_the_curve_is_stated_with_its_share_of_the_power() {
    let corrected = |points: &[(f64, f64)]| {
        let curve = Correction::new(points.to_vec()).unwrap();
        let measured =
            measure(&Desk { gain: 1.0, drive_db: -30.0, ..Desk::pink() }.take(), 0, &Context::alone(&curve)).unwrap();
        let Finding::Pink(finding) = measured.finding else { panic!("pink in, pink out") };
        let flaw = finding.common.flaws.iter().find(|f| f.code == "outside-curve").cloned();
        (finding.level_z.unwrap().value, flaw)
    };
    let (level, flaw) = corrected(&[(100.0, 3.0), (10_000.0, 3.0)]);
    assert!((level + 27.0).abs() < NOISELESS_DB, "the ends hold: {level}");
    let flaw = flaw.unwrap();
    assert!(flaw.weight == Weight::Note && flaw.text.starts_with("35 %"), "{flaw:?}");
    let (_, flaw) = corrected(&[(1000.0, 3.0), (2000.0, 3.0)]);
    let flaw = flaw.unwrap();
    assert!(flaw.weight == Weight::Doubt && flaw.text.starts_with("90 %"), "{flaw:?}");
    let (_, flaw) = corrected(&[(10.0, 3.0), (24_000.0, 3.0)]);
    assert_eq!(flaw, None);
}

/// Pintelon & Schoukens (closed form, check value 7): y = u + a₂u² + a₃u³ of Gaussian-like u of variance s puts
/// 2a₂²s² on even lines and 6a₃²s³ beside the best linear approximation, whose gain is 1 + 3a₃s.
#[test]
fn a_polynomial_puts_its_closed_form_on_even_and_detection_lines() {
    // One period is one draw of phases: its Gaussian moments scatter (4 000 lines a band above 1 kHz, few below).
    const ONE_PERIOD_DB: f64 = 0.7;
    let (square, cube, s) = (0.2, 1.0, 0.5 * 10f64.powf(-1.4));
    let desk = Desk { square, cube, drive_db: -14.0, gain: 1.0, ppm: 35.0, ..Desk::pink() };
    let (f, _) = pink(&desk);
    let linear = (1.0 + 3.0 * cube * s).powi(2) * s;
    // Products above 22.4 kHz fall outside the lines that are summed; for pink noise they are few.
    let even = db_from_power(2.0 * square * square * s * s / linear).unwrap();
    let odd = db_from_power(6.0 * cube * cube * s * s * s / linear).unwrap();
    assert!((stated(&f.even).value - even).abs() < ONE_PERIOD_DB, "{:?}, closed form {even}", f.even);
    assert!((stated(&f.odd).value - odd).abs() < 2.0 * ONE_PERIOD_DB, "{:?}, closed form {odd}", f.odd);
    let gain = 20.0 * (1.0 + 3.0 * cube * s).log10();
    assert!((f.gain_db.unwrap().value - gain).abs() < 0.1, "{:?}, closed form {gain}", f.gain_db);
    // And against this very period, summed plainly.
    assert!((stated(&f.even).value - even_truth_db(&desk)).abs() < 0.02);
    assert!((stated(&f.odd).value - odd_truth_db(&desk)).abs() < 0.02);
}

/// Uncorrected, 40 ppm read as −16 dB of even-order distortion.
#[test]
fn forty_parts_per_million_leave_no_false_distortion() {
    const LEFT_DB: f64 = -105.0;
    for ppm in [0.0, 40.0] {
        let (f, _) = pink(&Desk { ppm, resonance_db: 10.0, ..Desk::pink() });
        for reading in [&f.even, &f.odd] {
            let upper = match reading {
                Reading::Determined(e) => e.interval.high,
                Reading::Below(high) => *high,
                other => panic!("{other:?}"),
            };
            assert!(upper < LEFT_DB, "{ppm} ppm: {reading:?}");
        }
    }
}

#[test]
fn two_cards_at_different_rates_agree_with_the_desk() {
    for (played, captured) in [(48_000, 44_100), (44_100, 48_000), (48_000, 96_000), (96_000, 48_000)] {
        let (played_rate, captured_rate) = (SampleRate::new(played).unwrap(), SampleRate::new(captured).unwrap());
        let stimulus = Stimulus::pink(played_rate);
        let desk = Desk { stimulus, played_rate, captured_rate, ppm: -70.0, periods: 2, ..Desk::pink() };
        let (f, m) = pink(&desk);
        let s = m.spectra.unwrap();
        let truth = desk.true_power(s.period.lines.of(LineKind::Excited).filter(|k| s.usable[*k]));
        let level = f.level_z.unwrap_or_else(|| panic!("{played} to {captured}: {:?}", f.common)).value;
        assert!((level - db_from_power(2.0 * truth).unwrap()).abs() < NOISELESS_DB, "{played} to {captured}: {level}");
        assert!((f.common.clock.used_ppm + 70.0).abs() < 1e-3, "{:?}", f.common.clock);
        assert!(f.common.flaws.is_empty(), "{played} to {captured}: {:?}", f.common.flaws);
    }
}

#[test]
fn the_response_is_the_desks_in_size_and_phase() {
    let desk = Desk { resonance_db: 12.0, ppm: 80.0, delay: 20_000.25, ..Desk::pink() };
    let (f, _) = pink(&desk);
    // The peak of the impulse response is taken for zero; a delay remains that is common to all.
    let (a, b) = (&f.response[300], &f.response[301]);
    let truth = |hz: f64| desk.response(hz) * 0.5;
    let turn = |p: &crate::analysis::ResponsePoint| p.phase_rad - truth(p.frequency_hz).arg();
    let tau = (turn(b) - turn(a)) / (b.frequency_hz - a.frequency_hz);
    for p in f.response.iter().filter(|p| (100.0..20_000.0).contains(&p.frequency_hz)) {
        let h = truth(p.frequency_hz);
        assert!((p.gain_db - 20.0 * h.norm().log10()).abs() < 0.02, "{p:?} {}", 20.0 * h.norm().log10());
        let off = turn(p) - turn(a) - tau * (p.frequency_hz - a.frequency_hz);
        assert!(off.sin().abs() < 0.05, "{p:?}: {off}");
    }
    assert!((f.common.window.delay_s.unwrap() - desk.delay / 48_000.0).abs() < 5e-4, "{:?}", f.common.window);
}

/// A headphone's resonance of 20 dB raises what falls on it; referred to the output it is taken off again.
#[test]
fn distortion_referred_to_the_output_is_that_before_the_headphone() {
    let quiet = Desk { drive_db: -40.0, resonance_db: 20.0, ..Desk::pink() };
    let (_, measured) = pink(&quiet);
    let reference = Reference::from_spectra(&measured.spectra.unwrap());
    let loud = Desk { drive_db: -14.0, square: 0.05, cube: 0.5, ppm: 12.0, ..quiet.clone() };
    let (f, _) = pink_with(&loud, Some(&reference));
    let before = Desk { resonance_db: 0.0, ..loud.clone() };
    assert!((stated(&f.even).value - even_truth_db(&loud)).abs() < 0.05, "{:?}", f.even);
    let (even, odd) = (stated(f.even_output.as_ref().unwrap()).value, stated(f.odd_output.as_ref().unwrap()).value);
    assert!((even - even_truth_db(&before)).abs() < 0.1, "{even}, before the headphone {}", even_truth_db(&before));
    assert!((odd - odd_truth_db(&before)).abs() < 0.2, "{odd}, before the headphone {}", odd_truth_db(&before));
    assert!((even_truth_db(&before) - even_truth_db(&loud)).abs() > 1.0, "the test must tell the two apart");
}

#[test]
fn a_louder_take_shares_the_references_time_base() {
    let quiet = Desk { drive_db: -40.0, resonance_db: 10.0, delay: 4321.3, noise: 1e-6, ..Desk::pink() };
    let (_, measured) = pink(&quiet);
    let reference = Reference::from_spectra(&measured.spectra.unwrap());
    let (_, m) = pink_with(&Desk { drive_db: -20.0, delay: 7000.77, ppm: 90.0, ..quiet }, Some(&reference));
    let s = m.spectra.unwrap();
    let worst = s
        .period
        .lines
        .of(LineKind::Excited)
        .map(|k| (s.mean[k] / (s.played[k] * reference.response[k])).arg().abs())
        .fold(0.0, f64::max);
    assert!(worst < 0.01, "{worst} rad");
}

#[test]
fn a_curve_is_added_before_bands_are_summed() {
    let curve = Correction::new(vec![(20.0, 3.0), (20_000.0, 3.0)]).unwrap();
    let desk = Desk { periods: 2, ..Desk::pink() };
    let plain = pink(&desk).0;
    let Finding::Pink(raised) = measure(&desk.take(), 0, &Context::alone(&curve)).unwrap().finding else { panic!() };
    assert!((raised.level_a.unwrap().value - plain.level_a.unwrap().value - 3.0).abs() < 1e-9);
    assert!((raised.bands[5].level.unwrap().value - plain.bands[5].level.unwrap().value - 3.0).abs() < 1e-9);
}

/// White noise of RMS σ puts σ²·B/(fs/2) into a band of width B.
#[test]
fn silence_tells_the_noise_it_was_made_of() {
    let desk = Desk { stimulus: Stimulus::silence(), noise: 1e-3, ..Desk::pink() };
    let measured = measure(&desk.take(), 0, &Context::alone(&Correction::none())).unwrap();
    let Finding::Silence(f) = measured.finding else { panic!() };
    let density = 1e-6 / 24_000.0;
    let truth = |width_hz: f64| db_from_power(2.0 * density * width_hz).unwrap();
    assert!((f.noise_z.unwrap().value - truth(19_980.0)).abs() < 0.05, "{:?}", f.noise_z);
    let band = f.bands.iter().find(|b| b.x == 0).unwrap().level.unwrap();
    assert!(band.holds(truth(230.7675)), "{band:?} {}", truth(230.7675));
    let zero = Desk { noise: 0.0, ..desk };
    let Finding::Silence(f) = measure(&zero.take(), 0, &Context::alone(&Correction::none())).unwrap().finding else {
        panic!()
    };
    assert_eq!(f.noise_z, None, "digital zero has no level");
}

/// A probe under the noise left a pooled clock of 49 ± 381 ppm; the next fit began there with all lines, whose phases had
/// turned more than once, and stated +50.5 ±0.3 for −56.3 ppm.
#[test]
fn a_pooled_clock_that_is_hardly_known_is_no_place_to_start_from() {
    for (seed, off_ppm) in [(1, 105.0), (2, -80.0), (3, 40.0), (4, 20.0), (5, -200.0)] {
        let mut desk = Desk { ppm: -56.3, periods: 2, seed, ..Desk::pink() };
        desk.noise = desk.signal_rms() * 10f64.powf(-15.0 / 20.0);
        let none = Correction::none();
        let pooled = Some(Estimate::symmetric(-56.3 + off_ppm, 381.0));
        let measured = measure(&desk.take(), 0, &Context { pooled_clock: pooled, ..Context::alone(&none) }).unwrap();
        let Finding::Pink(f) = &measured.finding else { panic!() };
        let own = f.common.clock.own_ppm.unwrap();
        assert!((own.value + 56.3).abs() < 2.0 * own.half_width(), "{off_ppm}: {own:?}");
    }
}

#[test]
fn a_pooled_clock_serves_where_the_own_fit_is_poor() {
    let mut desk = Desk { ppm: 60.0, ..Desk::pink() };
    desk.noise = desk.signal_rms();
    let none = Correction::none();
    let pooled = Some(Estimate::symmetric(60.0, 0.002));
    let measured = measure(&desk.take(), 0, &Context { pooled_clock: pooled, ..Context::alone(&none) }).unwrap();
    let clock = measured.finding.common().clock;
    assert!(clock.pooled && (clock.used_ppm - 60.0).abs() < 0.002, "{clock:?}");
    assert!(clock.own_ppm.unwrap().half_width() > 0.005);
    // Inverse-variance mean of both, whichever is the better one.
    let pooled = Estimate::symmetric(60.0, 0.1);
    let with = Context { pooled_clock: Some(pooled), ..Context::alone(&none) };
    let clock = measure(&desk.take(), 0, &with).unwrap().finding.common().clock;
    let own = clock.own_ppm.unwrap();
    let weight = |e: Estimate| e.half_width().powi(-2);
    let mean = (weight(own) * own.value + weight(pooled) * pooled.value) / (weight(own) + weight(pooled));
    assert!(clock.pooled && (clock.used_ppm - mean).abs() < 1e-9, "{clock:?}, {mean}");
}

#[test]
fn a_known_route_delay_places_the_window_where_nothing_is_seen() {
    let mut desk = Desk { periods: 2, ..Desk::pink() };
    desk.noise = 300.0 * desk.signal_rms();
    let none = Correction::none();
    let with = Context { route_delay_s: Some(desk.delay / 48_000.0), ..Context::alone(&none) };
    let measured = measure(&desk.take(), 0, &with).unwrap();
    // 0.3 s of pre-roll, the delay, 0.25 s of settling.
    assert!((measured.finding.common().window.start_frame - (14_400.0 + 4_321.0 + 12_000.0)).abs() < 2.0);
}

/// Closed form: sin² = (1 − cos 2ωt)/2, so y = u + a·u² has a second harmonic of a·û²/2; as cosines the fundamental
/// stands at −π/2 and the harmonic at π, and φ₂ − 2φ₁ is a whole turn.
#[test]
fn a_sine_arrives_on_the_same_lines_with_its_harmonics_in_phase() {
    for (hz, ppm) in [(997.0, 150.0), (61.0, -180.0), (9_000.0, 200.0)] {
        let mut desk = Desk { stimulus: Stimulus::sine(hz), drive_db: -20.0, square: 0.1, ppm, ..Desk::pink() };
        desk.noise = desk.signal_rms() * 1e-3;
        let prepared = prepare(&desk.take(), 0, &Context::alone(&Correction::none())).unwrap();
        let s = &prepared.spectra;
        let line = s.period.lines.of(LineKind::Excited).next().unwrap();
        let clock = prepared.common.clock;
        assert!((clock.used_ppm - ppm).abs() < 0.05 && clock.own_ppm.unwrap().half_width() < 0.1, "{hz}: {clock:?}");
        assert!(prepared.common.flaws.is_empty(), "{hz}: {:?}", prepared.common.flaws);
        let level = db_from_power(s.mean[line].norm_sqr() / desk.signal_rms().powi(2)).unwrap();
        assert!(level.abs() < LEVEL_DB, "{hz}: {level}");
        let (first, second) = (s.mean[line], s.mean[2 * line]);
        let ratio = 20.0 * (second.norm() / first.norm()).log10();
        // û = 0.1: second harmonic of 0.1·0.1/2 re the fundamental, −46.02 dB; noise per line is 105 dB down.
        assert!((ratio + 46.02).abs() < 0.05, "{hz}: {ratio}");
        let phase = (second * first.conj() * first.conj()).arg();
        assert!(phase.abs() < 0.02, "{hz}: {phase}");
    }
}

#[test]
fn a_clock_that_drifts_within_a_take_is_followed() {
    // 0.05 ppm/s over 5.5 s, the fit follows the second order.
    let (f, _) = pink(&Desk { ppm: 30.0, drift_ppm_per_s: 0.05, ..Desk::pink() });
    let drift = f.common.clock.drift_ppm_per_s.unwrap_or_else(|| panic!("{:?}", f.common.clock));
    assert!((drift - 0.05).abs() < 0.005, "{drift}");
    assert!(stated(&f.even).interval.high < -90.0, "{:?}", f.even);
    let (steady, _) = pink(&Desk { ppm: 30.0, ..Desk::pink() });
    assert_eq!(steady.common.clock.drift_ppm_per_s, None);
}

#[test]
fn a_clock_that_drifts_is_not_put_on_others() {
    let mut desk = Desk { ppm: 30.0, drift_ppm_per_s: 0.2, ..Desk::pink() };
    desk.noise = desk.signal_rms() * 10f64.powf(-15.0 / 20.0);
    let none = Correction::none();
    let pooled = Some(Estimate::symmetric(30.0, 1.0));
    let clock = measure(&desk.take(), 0, &Context { pooled_clock: pooled, ..Context::alone(&none) }).unwrap();
    let clock = clock.finding.common().clock;
    assert!(clock.own_ppm.unwrap().half_width() > 0.005 && !clock.pooled, "{clock:?}");
    let drift = clock.drift_ppm_per_s.unwrap_or_else(|| panic!("{clock:?}"));
    assert!((drift - 0.2).abs() < 0.05, "{drift}");
}

#[test]
#[ignore = "prints the time of one analysis"]
fn time_of_a_take() {
    let desk = Desk { ppm: 40.0, noise: 1e-4, resonance_db: 10.0, ..Desk::pink() };
    let take = desk.take();
    let none = Correction::none();
    for pooled in [None, Some(Estimate::symmetric(40.0, 0.003))] {
        let context = Context { pooled_clock: pooled, ..Context::alone(&none) };
        measure(&take, 0, &context).unwrap();
        let now = std::time::Instant::now();
        measure(&take, 0, &context).unwrap();
        println!("{:?}", now.elapsed());
    }
}
