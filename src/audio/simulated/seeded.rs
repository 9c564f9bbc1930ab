//! Random plausible benches, the same for the same seed.

use super::bench::{
    ActsOn, BenchSpec, CouplerSpec, DriverDistortion, HeadphoneSpec, HookupSpec, Hum, Knee, LinesInSpec,
    MicrophoneSpec, NoiseSpectrum, OutputSpec, SeatSpec, SoundSource,
};
use super::filters::Shape;
use super::route::RouteSpec;
use crate::units::{DbSpl, SampleRate, amplitude_from_db};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use std::f64::consts::FRAC_1_SQRT_2;

/// True peak over RMS of the main stimulus, dB (method: 12.5 ± 0.1).
const PINK_PEAK_FACTOR_DB: f64 = 12.5;
/// Band of the main stimulus, Hz.
const PINK_BAND_HZ: (f64, f64) = (17.783, 22_387.0);

/// Uniform draws.
struct Draw(Pcg64);

impl Draw {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Even over the logarithm.
    fn log_between(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.between(0.0, 1.0))
    }

    fn chance(&mut self, share: f64) -> bool {
        self.between(0.0, 1.0) < share
    }
}

impl BenchSpec {
    /// A random bench. The loudest clean pink noise (at the clip level, or at full scale for the one in eight that
    /// does not clip) stands at 84 to 108 dB SPL and 20 to 70 dB over the noise; the driver's distortion at that
    /// drive is −60 to −45 dB; the clocks differ by up to 200 ppm.
    pub fn seeded(seed: u64) -> BenchSpec {
        let mut draw = Draw(Pcg64::seed_from_u64(seed));
        let output = draw_output(&mut draw);
        let load_ohm = draw.log_between(16.0, 300.0);
        let clean_v_rms = clean_volts(&output, load_ohm) / amplitude_from_db(PINK_PEAK_FACTOR_DB);
        let loudest_db_spl = draw.between(84.0, 108.0);
        let playback_clock_ppm = draw.between(-30.0, 30.0);
        let mut spec = BenchSpec {
            name: format!("output and headphone of seed {seed}"),
            seed,
            playback_clock_ppm,
            capture_clock_ppm: playback_clock_ppm - draw.between(-200.0, 200.0),
            clock_drift_ppm_per_s: 0.0,
            latency_s: draw.between(0.02, 0.15),
            route: RouteSpec::default(),
            headphone: draw_headphone(&mut draw, load_ohm, clean_v_rms),
            coupler: draw_coupler(&mut draw),
            microphone: draw_microphone(&mut draw, loudest_db_spl),
            lines_in: LinesInSpec::default(),
            seats: Vec::new(),
            hookup: HookupSpec::default(),
            output,
        };
        let pink_gain = mean_pink_power(&spec).sqrt();
        spec.headphone.sensitivity_pa_per_v = DbSpl(loudest_db_spl).pa() / (clean_v_rms * pink_gain);
        spec
    }
}

impl SeatSpec {
    /// An ordinary, tight seat: level within ±0.8 dB, treble within ±2 dB.
    pub(super) fn drawn(seed: u64, seat: u32) -> SeatSpec {
        let mut draw = Draw(Pcg64::new(u128::from(seed), u128::from(seat)));
        SeatSpec { louder_db: draw.between(-0.8, 0.8), treble_db: draw.between(-2.0, 2.0), leak_hz: None }
    }
}

fn draw_output(draw: &mut Draw) -> OutputSpec {
    let limit_v = draw.log_between(0.4, 4.0);
    let clips = !draw.chance(0.125);
    let asymmetry = if draw.chance(0.5) { amplitude_from_db(draw.between(-0.8, 0.8)) } else { 1.0 };
    OutputSpec {
        volts_per_fs: limit_v * if clips { draw.between(1.3, 3.0) } else { draw.between(0.5, 0.9) },
        source_ohm: draw.log_between(0.5, 120.0),
        coupling_f: None,
        positive_limit_v: Some(limit_v),
        negative_limit_v: Some(limit_v * asymmetry),
        current_limit_a: None,
        knee: if draw.chance(0.25) { Knee::Soft { width: draw.between(0.05, 0.3) } } else { Knee::Hard },
        acts_on: if draw.chance(0.5) { ActsOn::Samples } else { ActsOn::Waveform },
        noise_v_rms: limit_v * 1e-6,
        turns: Vec::new(),
        bend: None,
    }
}

/// Peak volts across the load that this output gives without touching a limit of either polarity.
fn clean_volts(output: &OutputSpec, load_ohm: f64) -> f64 {
    let limits = [output.positive_limit_v, output.negative_limit_v];
    let open = limits.into_iter().flatten().fold(output.volts_per_fs, f64::min);
    open * load_ohm / (load_ohm + output.source_ohm)
}

fn draw_headphone(draw: &mut Draw, load_ohm: f64, clean_v_rms: f64) -> HeadphoneSpec {
    let mut response = vec![Shape::HighPass { corner_hz: draw.log_between(8.0, 40.0), q: draw.between(0.5, 0.9) }];
    for (low_hz, high_hz) in [(60.0, 300.0), (1_500.0, 4_500.0), (5_000.0, 10_000.0)] {
        response.push(Shape::Peak {
            frequency_hz: draw.log_between(low_hz, high_hz),
            q: draw.between(0.7, 4.0),
            gain_db: draw.between(-5.0, 5.0),
        });
    }
    response.push(Shape::LowPass { corner_hz: draw.between(14_000.0, 20_000.0), q: FRAC_1_SQRT_2 });
    HeadphoneSpec {
        load_ohm,
        inductance_h: 0.0,
        resonances: Vec::new(),
        sensitivity_pa_per_v: 1.0,
        response,
        distortion: DriverDistortion {
            even_db: Some(draw.between(-60.0, -45.0)),
            odd_db: Some(draw.between(-60.0, -45.0)),
            at_v_rms: clean_v_rms,
            below_hz: draw.between(120.0, 300.0),
        },
        right_louder_db: draw.between(-1.0, 1.0),
        isolation: Vec::new(),
    }
}

fn draw_coupler(draw: &mut Draw) -> CouplerSpec {
    CouplerSpec {
        response: vec![Shape::Peak {
            frequency_hz: draw.between(2_500.0, 3_500.0),
            q: draw.between(1.0, 2.0),
            gain_db: draw.between(6.0, 12.0),
        }],
        source: SoundSource::Headphone,
    }
}

fn draw_microphone(draw: &mut Draw, loudest_db_spl: f64) -> MicrophoneSpec {
    let mains_hz = if draw.chance(0.5) { 50.0 } else { 60.0 } + draw.between(-0.1, 0.1);
    let strongest_db_spl = loudest_db_spl - draw.between(50.0, 75.0);
    let hum = if draw.chance(0.6) {
        [(1.0, 0.0), (2.0, -8.0), (3.0, -5.0), (5.0, -14.0)]
            .map(|(n, db)| Hum { frequency_hz: n * mains_hz, level_db_spl: strongest_db_spl + db })
            .to_vec()
    } else {
        Vec::new()
    };
    MicrophoneSpec {
        full_scale_db_spl: draw.between(125.0, 135.0),
        response: vec![Shape::FirstOrderHighPass { corner_hz: draw.log_between(0.3, 6.0) }],
        noise_db_spl: Some(loudest_db_spl - draw.between(20.0, 70.0)),
        noise_spectrum: if draw.chance(0.5) { NoiseSpectrum::Pink } else { NoiseSpectrum::White },
        hum,
        disturbances: Vec::new(),
        bits: Some(24),
        bend: None,
    }
}

/// Power of pink noise behind the response over its power at 1 kHz: the mean over the logarithm of frequency.
fn mean_pink_power(spec: &BenchSpec) -> f64 {
    const POINTS: usize = 2_000;
    let response = spec.acoustic_response(SampleRate::DEFAULT);
    let ratio = PINK_BAND_HZ.1 / PINK_BAND_HZ.0;
    let at = |i: usize| PINK_BAND_HZ.0 * ratio.powf((i as f64 + 0.5) / POINTS as f64);
    (0..POINTS).map(|i| response.power(at(i))).sum::<f64>() / POINTS as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_bench_and_neighbours_differ() {
        assert_eq!(BenchSpec::seeded(7), BenchSpec::seeded(7));
        assert_ne!(BenchSpec::seeded(7).output, BenchSpec::seeded(8).output);
    }

    #[test]
    fn a_bench_survives_being_stored() {
        for spec in [BenchSpec::default(), BenchSpec::seeded(3), BenchSpec::seeded(4).with_calibrator(94.0)] {
            let text = serde_json::to_string(&spec).unwrap();
            assert_eq!(serde_json::from_str::<BenchSpec>(&text).unwrap(), spec);
        }
        assert!(serde_json::from_str::<BenchSpec>(r#"{"sead": 1}"#).is_err());
    }
}
