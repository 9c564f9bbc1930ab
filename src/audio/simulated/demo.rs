//! Named benches: a small radio station's listening room with three outputs and four headphones. All invented.
//!
//! Loudest clean pink noise at the left ear, dB SPL, full range, Z-weighted (rounded; a test recomputes the table).
//! The desk amplifier stays clean up to full scale with *closed* and *open*; its current limit clips the other two:
//!
//! | | closed 80 Ω | open 300 Ω | planar 18 Ω | in-ear 16 Ω |
//! |---|---|---|---|---|
//! | console phones socket (1.0 V, 68 Ω) | 95 | 92 | 88 | 100 |
//! | field recorder (0.7 V, 10 Ω) | 96 | 90 | 95 | 107 |
//! | desk amplifier (6 V, 0.15 A, 0.5 Ω) | 113 | 107 | 110 | 122 |

use super::bench::{ActsOn, BenchSpec, CouplerSpec, DriverDistortion, HeadphoneSpec, Hum, Knee, OutputSpec};
use super::filters::Shape;
use crate::card::{known_name, pair_in_words};

/// Names of the outputs on the simulated desk; the first stands in for any other name.
pub const OUTPUTS: [&str; 3] = ["console phones socket", "field recorder", "desk amplifier"];
/// Names of the headphones on the simulated desk; likewise.
pub const HEADPHONES: [&str; 4] = ["closed 80 Ω", "open 300 Ω", "planar 18 Ω", "in-ear 16 Ω"];

impl BenchSpec {
    /// One of the named outputs with one of the named headphones ([`OUTPUTS`], [`HEADPHONES`]); `None` for a name
    /// that is not among them ([`known_name`]). All values are invented.
    pub fn named(output: &str, headphone: &str) -> Option<BenchSpec> {
        let (output, headphone) = (known_name(output, OUTPUTS)?, known_name(headphone, HEADPHONES)?);
        let name = pair_in_words(output, headphone);
        let (output, noise_v_rms) = match output {
            "console phones socket" => (console_phones_socket(), 8e-6),
            "field recorder" => (field_recorder(), 4e-6),
            "desk amplifier" => (desk_amplifier(), 6e-6),
            _ => return None,
        };
        let (headphone, coupler) = match headphone {
            "closed 80 Ω" => (closed_80(), CouplerSpec::default()),
            "open 300 Ω" => (open_300(), CouplerSpec::default()),
            "planar 18 Ω" => (planar_18(), CouplerSpec::default()),
            "in-ear 16 Ω" => (in_ear_16(), closed_ear_canal()),
            _ => return None,
        };
        let mut spec = BenchSpec {
            name,
            output: OutputSpec { noise_v_rms, ..output },
            headphone,
            coupler,
            ..BenchSpec::default()
        };
        spec.microphone.hum = vec![
            Hum { frequency_hz: 50.02, level_db_spl: 34.0 },
            Hum { frequency_hz: 100.04, level_db_spl: 27.0 },
            Hum { frequency_hz: 150.06, level_db_spl: 24.0 },
        ];
        Some(spec)
    }
}

fn console_phones_socket() -> OutputSpec {
    OutputSpec { noise_v_rms: 0.0, ..OutputSpec::default() }
}

fn field_recorder() -> OutputSpec {
    OutputSpec {
        volts_per_fs: 1.2,
        source_ohm: 10.0,
        coupling_f: None,
        positive_limit_v: Some(0.71),
        negative_limit_v: Some(0.70),
        current_limit_a: None,
        knee: Knee::Hard,
        acts_on: ActsOn::Samples,
        noise_v_rms: 0.0,
        turns: Vec::new(),
        bend: None,
    }
}

fn desk_amplifier() -> OutputSpec {
    OutputSpec {
        volts_per_fs: 4.5,
        source_ohm: 0.5,
        coupling_f: None,
        positive_limit_v: Some(6.0),
        negative_limit_v: Some(6.0),
        current_limit_a: Some(0.15),
        knee: Knee::Hard,
        acts_on: ActsOn::Waveform,
        noise_v_rms: 0.0,
        turns: Vec::new(),
        bend: None,
    }
}

fn closed_80() -> HeadphoneSpec {
    HeadphoneSpec::default()
}

fn open_300() -> HeadphoneSpec {
    HeadphoneSpec {
        load_ohm: 300.0,
        sensitivity_pa_per_v: 3.5,
        response: vec![
            Shape::HighPass { corner_hz: 32.0, q: 0.6 },
            Shape::Peak { frequency_hz: 95.0, q: 0.9, gain_db: 1.5 },
            Shape::Peak { frequency_hz: 5_900.0, q: 2.5, gain_db: 3.0 },
            Shape::LowPass { corner_hz: 18_000.0, q: 0.7 },
        ],
        distortion: DriverDistortion { even_db: Some(-48.0), odd_db: Some(-54.0), at_v_rms: 1.0, below_hz: 150.0 },
        right_louder_db: -0.3,
        isolation: Vec::new(),
        ..HeadphoneSpec::default()
    }
}

fn planar_18() -> HeadphoneSpec {
    HeadphoneSpec {
        load_ohm: 18.0,
        sensitivity_pa_per_v: 8.5,
        response: vec![
            Shape::HighPass { corner_hz: 9.0, q: 0.7 },
            Shape::Peak { frequency_hz: 1_900.0, q: 1.2, gain_db: -3.0 },
            Shape::Peak { frequency_hz: 8_200.0, q: 4.0, gain_db: 4.0 },
            Shape::LowPass { corner_hz: 19_000.0, q: 0.7 },
        ],
        distortion: DriverDistortion { even_db: Some(-60.0), odd_db: Some(-60.0), at_v_rms: 0.5, below_hz: 120.0 },
        right_louder_db: 0.2,
        isolation: vec![Shape::Peak { frequency_hz: 4_000.0, q: 0.5, gain_db: -6.0 }],
        ..HeadphoneSpec::default()
    }
}

fn in_ear_16() -> HeadphoneSpec {
    HeadphoneSpec {
        load_ohm: 16.0,
        sensitivity_pa_per_v: 36.0,
        response: vec![
            Shape::FirstOrderHighPass { corner_hz: 8.0 },
            Shape::Peak { frequency_hz: 70.0, q: 0.6, gain_db: 4.0 },
            Shape::Peak { frequency_hz: 7_400.0, q: 5.0, gain_db: 6.0 },
            Shape::LowPass { corner_hz: 15_000.0, q: 0.9 },
        ],
        distortion: DriverDistortion { even_db: Some(-44.0), odd_db: Some(-50.0), at_v_rms: 0.2, below_hz: 250.0 },
        right_louder_db: -0.6,
        isolation: vec![Shape::Peak { frequency_hz: 1_500.0, q: 0.25, gain_db: -34.0 }],
        ..HeadphoneSpec::default()
    }
}

/// The canal is shorter with an earphone in it.
fn closed_ear_canal() -> CouplerSpec {
    CouplerSpec {
        response: vec![Shape::Peak { frequency_hz: 2_700.0, q: 1.6, gain_db: 8.0 }],
        ..CouplerSpec::default()
    }
}
