//! What every stimulus keeps, at every usual rate. Those of [`KINDS`] are checked by themselves.

use super::pink::third_octave_hz;
use super::*;
use crate::units::Dbfs;

const RATES: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
/// The oversampled peak stands at full scale within this, dB: the interpolation of this test reads 16 points a sample.
const PEAK_DB: f64 = 0.02;
/// Levels are stated this well (agreed: 0.001 dB).
const LEVEL_DB: f64 = 0.001;

fn all(rate: SampleRate) -> Vec<Stimulus> {
    let tilted = Shaped::new(flat_table(|f| -3.0 * (f / 1000.0).log2().abs()), Per::ThirdOctave, 3).unwrap();
    let lines = Shaped::new(flat_table(|f| -6.0 * (f / 1000.0).log2().abs()), Per::Line, 4).unwrap();
    let others = [Stimulus::sine(997.0), Stimulus::Shaped(tilted), Stimulus::Shaped(lines), Stimulus::silence()];
    // Two analysis periods of noise are enough here and keep the test short.
    let short = |kind: &Kind| match (kind.make)(rate) {
        Stimulus::Noise(noise) => Stimulus::Noise(Noise { spans: 2, ..noise }),
        other => other,
    };
    KINDS.iter().map(short).chain(others).collect()
}

#[test]
fn a_kind_is_asked_for_by_its_own_word() {
    for kind in KINDS {
        assert_eq!((kind.make)(SampleRate::DEFAULT).short_name(), kind.word);
    }
}

#[test]
fn every_stimulus_keeps_peak_level_ceiling_and_identity_at_every_rate() {
    for hz in RATES {
        let rate = SampleRate::new(hz).unwrap();
        for stimulus in all(rate) {
            let period = stimulus.compute(rate);
            let name = format!("{stimulus} at {hz} Hz");
            assert_eq!(period.samples.len(), stimulus.period_frames(rate), "{name}");
            assert_eq!(stimulus.compute(rate).samples, period.samples, "{name}: same value, same samples");
            let stored: Stimulus = serde_json::from_str(&serde_json::to_string(&stimulus).unwrap()).unwrap();
            assert_eq!(stored, stimulus, "{name} survives a file");
            if stimulus.is_silent() {
                assert!(period.samples.iter().all(|x| x.abs() < f64::MIN_POSITIVE) && period.full_drive().is_none());
                continue;
            }
            let peak = oversampled_peak(&period.samples);
            assert!((20.0 * peak.log10()).abs() < PEAK_DB, "{name}: peak {peak}");
            assert!((period.peaks.largest() - 1.0).abs() < 1e-9, "{name}");
            let mean_square = period.samples.iter().map(|x| x * x).sum::<f64>() / period.samples.len() as f64;
            let off_db = 10.0 * mean_square.log10() - 20.0 * period.rms.log10();
            assert!(off_db.abs() < LEVEL_DB, "{name}: RMS {off_db:+.5} dB off");
            assert!(period.lines.of(LineKind::Excited).next().is_some(), "{name}");
            let full = period.full_drive().unwrap();
            let ceiling = |db| DriveCeiling { rms: Dbfs(db), because: "test".into() };
            assert!(Drive::grant(full, &period, &ceiling(10.0)).is_ok(), "{name}");
            assert!(Drive::grant(full + 0.01, &period, &ceiling(10.0)).is_err(), "{name}: above full scale");
            assert!(Drive::grant(Dbfs(-39.9), &period, &ceiling(-40.0)).is_err(), "{name}: above the ceiling");
        }
    }
}

/// A table of the 31 one-third octaves.
fn flat_table(levels: impl Fn(f64) -> f64) -> Vec<TableRow> {
    let row = |frequency_hz| TableRow { frequency_hz, level_db: levels(frequency_hz) };
    (-17..=13).map(third_octave_hz).map(row).collect()
}

/// Another seed, other samples.
#[test]
fn another_seed_gives_other_noise() {
    let rate = SampleRate::DEFAULT;
    let noise = |seed| Stimulus::Noise(Noise { seed, spans: 1 }).compute(rate).samples;
    assert_ne!(noise(1), noise(2));
    let shaped = |seed| Shaped::new(flat_table(|_| 0.0), Per::ThirdOctave, seed).unwrap().period(rate, 65_536).samples;
    assert_ne!(shaped(1), shaped(2));
}

/// A flat table of one-third octaves is pink noise: the period is that of the same seed, line by line.
#[test]
fn a_flat_table_of_third_octaves_is_pink_noise() {
    let rate = SampleRate::DEFAULT;
    let shaped = Shaped::new(flat_table(|_| 0.0), Per::ThirdOctave, 6).unwrap().period(rate, 65_536);
    let pink = Pink { seed: 6, doubled: false }.period(rate, 65_536);
    // Sums over odd lines replace the exact share of a band: its edges make up to half a line of difference.
    let off = shaped.samples.iter().zip(&pink.samples).map(|(a, b)| (a - b).powi(2)).sum::<f64>();
    let all = pink.samples.iter().map(|x| x * x).sum::<f64>();
    assert!(10.0 * (off / all).log10() < -20.0, "{:.1} dB", 10.0 * (off / all).log10());
}

#[test]
fn a_table_out_of_order_is_refused_with_its_row() {
    let row = |frequency_hz, level_db| TableRow { frequency_hz, level_db };
    assert_eq!(Shaped::new(vec![row(100.0, 0.0)], Per::Line, 1), Err(BadTable::TooShort(1)));
    let falling = Shaped::new(vec![row(100.0, 0.0), row(90.0, 0.0)], Per::Line, 1);
    assert!(matches!(falling, Err(BadTable::Row { row: 2, .. })));
    assert!(Shaped::new(vec![row(100.0, f64::NAN), row(200.0, 0.0)], Per::Line, 1).is_err());
}

/// Largest excursion around the twelve largest samples, by zero-padding the spectrum of a tapered piece around each.
fn oversampled_peak(samples: &[f64]) -> f64 {
    const PIECE: usize = 2048;
    const FINER: usize = 16;
    let mut largest: Vec<usize> = (0..samples.len()).collect();
    largest.sort_by(|a, b| samples[*b].abs().total_cmp(&samples[*a].abs()));
    let forward = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(PIECE);
    let peak_near = |at: usize| {
        let first = at + samples.len() - PIECE / 2;
        let mut piece: Vec<f64> = (0..PIECE)
            .map(|i| {
                let taper = raised_cosine(i.min(PIECE - 1 - i) as f64 / (PIECE / 4) as f64);
                taper * samples[(first + i) % samples.len()]
            })
            .collect();
        let mut spectrum = forward.make_output_vec();
        forward.process(&mut piece, &mut spectrum).unwrap();
        let fine = synthesis::inverse(&spectrum, PIECE * FINER);
        let middle = FINER * (PIECE / 2 - 2)..FINER * (PIECE / 2 + 2);
        fine[middle].iter().fold(0.0f64, |m, x| m.max(x.abs())) / PIECE as f64
    };
    largest[..12].iter().map(|at| peak_near(*at)).fold(0.0, f64::max)
}
