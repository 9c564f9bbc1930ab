//! What must hold for any take: drawn at random, seeds printed where one fails. `PROPTEST_CASES` sets how many.

use crate::common::takes::{self, Uniform};
use loudenough::analysis::live::LiveAnalyser;
use loudenough::audio::simulated::{BenchSpec, Device};
use loudenough::card::InputRole;
use loudenough::signal::Stimulus;
use loudenough::stats::Reading;
use loudenough::take::{Input, Take};
use loudenough::units::SampleRate;
use proptest::prelude::*;

/// Cases where `PROPTEST_CASES` does not say: a take costs a tenth of a second.
const CASES: u32 = 8;
/// Levels follow gain to this, dB: captured samples are single precision.
const LEVEL_DB: f64 = 1e-3;
/// Distortion figures are sums of few lines far below the stimulus; rounding moves them this much, dB.
const RATIO_DB: f64 = 0.01;

fn few(cases: u32) -> ProptestConfig {
    let asked = std::env::var("PROPTEST_CASES").ok().and_then(|n| n.parse().ok());
    ProptestConfig { cases: asked.unwrap_or(cases), failure_persistence: None, ..ProptestConfig::default() }
}

fn stated(reading: &Reading) -> f64 {
    reading.determined().unwrap_or_else(|| panic!("{reading:?}")).value
}

/// The same take at another gain.
fn amplified(take: &Take, gain: f32) -> Take {
    let inputs = take.inputs.iter();
    let inputs = inputs.map(|i| Input { role: i.role, samples: i.samples.iter().map(|x| gain * x).collect() });
    Take { head: take.head.clone(), inputs: inputs.collect() }
}

/// Bent, noisy, never at its own full scale.
fn bent(a2: f64, a3: f64, level: f64) -> impl Fn(f64) -> f64 {
    move |x| level * (x + a2 * x * x + a3 * x * x * x)
}

proptest! {
    #![proptest_config(few(CASES))]

    #[test]
    fn a_gain_moves_levels_by_itself_and_no_distortion(
        sine in any::<bool>(),
        (a2, a3) in (0.005..0.05f64, -0.05..-0.005f64),
        gain_db in -60.0..20.0f64,
    ) {
        let gain = 10f64.powf(gain_db / 20.0) as f32;
        let moved = 20.0 * f64::from(gain).log10();
        let device = bent(a2, a3, 0.05);
        if sine {
            let take = takes::through(&Stimulus::sine(997.0), 2, device, 1e-5);
            let (one, other) = (takes::sine(&take), takes::sine(&amplified(&take, gain)));
            prop_assert!((other.level.unwrap().value - one.level.unwrap().value - moved).abs() < LEVEL_DB);
            prop_assert!((other.noise.unwrap() - one.noise.unwrap() - moved).abs() < RATIO_DB);
            for (a, b) in [(&one.thd, &other.thd), (&one.thd_n, &other.thd_n)] {
                prop_assert!((stated(a) - stated(b)).abs() < RATIO_DB, "{a:?} {b:?}");
            }
        } else {
            let take = takes::through(&Stimulus::pink(SampleRate::DEFAULT), 2, device, 1e-5);
            let (one, other) = (takes::pink(&take), takes::pink(&amplified(&take, gain)));
            for (a, b) in [(one.level_z, other.level_z), (one.level_a, other.level_a), (one.gain_db, other.gain_db)] {
                prop_assert!((b.unwrap().value - a.unwrap().value - moved).abs() < LEVEL_DB, "{a:?} {b:?}");
            }
            prop_assert!((other.common.peak.unwrap().db() - one.common.peak.unwrap().db() - moved).abs() < LEVEL_DB);
            for (a, b) in [(&one.even, &other.even), (&one.odd, &other.odd)] {
                prop_assert!((stated(a) - stated(b)).abs() < RATIO_DB, "{a:?} {b:?}");
            }
            for (a, b) in one.response.iter().zip(&other.response) {
                prop_assert!((b.gain_db - a.gain_db - moved).abs() < RATIO_DB && (a.phase_rad - b.phase_rad).abs() < 1e-3);
            }
        }
    }

    #[test]
    fn band_levels_add_up_to_the_level(
        (a2, a3) in (0.0..0.05f64, -0.05..0.0f64),
        level_db in -80.0..-10.0f64,
        noise_db in -120.0..-60.0f64,
    ) {
        let noise = 10f64.powf((level_db + noise_db).max(-140.0) / 20.0);
        let device = bent(a2, a3, 10f64.powf(level_db / 20.0));
        let found = takes::pink(&takes::through(&Stimulus::pink(SampleRate::DEFAULT), 2, device, noise));
        let sum: f64 = found.bands.iter().map(|b| 10f64.powf(b.level.unwrap().value / 10.0)).sum();
        prop_assert!((10.0 * sum.log10() - found.level_z.unwrap().value).abs() < 1e-6);
    }

    /// The simulated card and the live picture do not know how the frames were cut into blocks.
    #[test]
    fn any_split_into_blocks_gives_the_same(
        seed in any::<u64>(),
        captured in prop::sample::select(vec![44_100u32, 48_000, 96_000]),
        cuts in prop::collection::vec(1usize..6_000, 1..20),
    ) {
        let (from, to) = (SampleRate::DEFAULT, SampleRate::new(captured).unwrap());
        let mut random = Uniform(seed);
        let played: Vec<[f32; 2]> = (0..30_000).map(|_| [random.next() as f32, random.next() as f32]).collect();
        let run = |cuts: &[usize]| {
            let mut device = Device::new(&BenchSpec::seeded(seed), from, to);
            let (mut out, mut at) = (Vec::new(), 0);
            for cut in cuts.iter().cycle() {
                let end = (at + cut).min(played.len());
                device.play(&played[at..end]);
                device.capture(&mut out);
                at = end;
                if at == played.len() {
                    break;
                }
            }
            out
        };
        let (whole, split) = (run(&[played.len()]), run(&cuts));
        prop_assert_eq!(whole.len(), split.len());
        prop_assert!(whole.iter().zip(&split).all(|(a, b)| a.map(f32::to_bits) == b.map(f32::to_bits)));

        // The live level is taken frame by frame: the last picture after both has the same one.
        let heard: Vec<f32> = whole.iter().map(|frame| frame[0]).collect();
        let level = |cuts: &[usize]| {
            let mut analyser = LiveAnalyser::new(to, [InputRole::LeftEar]);
            let mut at = 0;
            for cut in cuts.iter().cycle() {
                let end = (at + cut).min(heard.len());
                analyser.push(&[heard[at..end].to_vec()], 0);
                at = end;
                if at == heard.len() {
                    break;
                }
            }
            // Long enough to be due a picture in any case; quiet, so that what was heard decides.
            analyser.push(&[vec![0.0; 4_000]], 0).unwrap().inputs[0].level_z
        };
        prop_assert_eq!(level(&[heard.len()]), level(&cuts));
    }
}

/// Samples that no measurement should meet.
fn weird(kind: u32, scale: f64, seed: u64, n: usize, played: &[f64]) -> f32 {
    let noise = Uniform(seed.wrapping_add(n as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15)).next();
    let wave = if played.is_empty() { 0.0 } else { played[n % played.len()] };
    let sign = |positive: bool| if positive { 1.0 } else { -1.0 };
    let only = |there: bool| f64::from(u8::from(there));
    let value = match kind {
        0 => 0.0,
        1 => scale,
        2 => scale * noise,
        3 => scale * wave,
        4 => scale * sign(n.is_multiple_of(2)),
        5 => scale * only(n == 70_000),
        6 => scale * wave * only(n < 100_000),
        7 => scale * wave * (n as f64 * 1e-5),
        8 => scale * wave + 1e3 * scale * noise,
        9 => scale * (n as f64 * 0.01).sin().signum(),
        10 if n == 50_000 => f64::NAN,
        11 if n == 50_000 => f64::INFINITY,
        10 | 11 => scale * wave,
        _ => f64::from(f32::from_bits((noise * 1e9) as u32)) * noise.signum(),
    };
    value as f32
}

/// Numbers that are none, as words of the debug text.
fn not_numbers(text: &str) -> Vec<&str> {
    text.split(|c: char| !c.is_alphanumeric()).filter(|word| ["NaN", "inf"].contains(word)).collect()
}

proptest! {
    #![proptest_config(few(4 * CASES))]

    #[test]
    fn no_input_lets_a_nan_or_an_infinity_out(
        kind in 0u32..13,
        exponent in -45.0..38.0f64,
        seed in any::<u64>(),
        stimulus in prop::sample::select(vec![
            Stimulus::pink(SampleRate::DEFAULT), Stimulus::sine(997.0), Stimulus::sine(19_999.0), Stimulus::silence(),
        ]),
        length in prop_oneof![3 => Just(200_000usize), 1 => 0usize..200_000],
    ) {
        check_no_nan(kind, exponent, seed, &stimulus, length)?;
    }
}

fn check_no_nan(kind: u32, exponent: f64, seed: u64, stimulus: &Stimulus, length: usize) -> Result<(), TestCaseError> {
    let period = stimulus.period(SampleRate::DEFAULT);
    let scale = 10f64.powf(exponent);
    let samples: Vec<f32> = (0..length).map(|n| weird(kind, scale, seed, n, &period.samples)).collect();
    let bad = samples.iter().any(|x| !x.is_finite());
    let head = takes::head(stimulus, 2, takes::played_frames(stimulus, 2));
    let take = Take { head, inputs: vec![Input { role: InputRole::LeftEar, samples }] };
    match takes::finding(&take) {
        Ok(finding) => {
            prop_assert!(!bad, "a sample that is no number was measured");
            let text = format!("{finding:?}");
            prop_assert!(not_numbers(&text).is_empty(), "kind {kind}: {text}");
        }
        Err(error) => prop_assert!(!error.to_string().is_empty()),
    }
    Ok(())
}

/// Found by the property above: one window alone has no slope.
#[test]
fn a_sound_that_swells_has_a_clock_that_is_a_number() {
    check_no_nan(7, 0.0, 0, &Stimulus::pink(SampleRate::DEFAULT), 200_000).unwrap();
}
