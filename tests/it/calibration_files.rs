//! Do the files under `calibration/` load, say where they come from, and give the levels that check values state?

use loudenough::analysis::Weight;
use loudenough::analysis::weighting::Weighting;
use loudenough::calibration::{Coupler, FieldCurve, Point, SoundField};
use std::path::Path;

fn field_files() -> Vec<(String, FieldCurve)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("calibration");
    let paths = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let read = |path: std::path::PathBuf| {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let text = std::fs::read_to_string(&path).unwrap();
        (name.clone(), FieldCurve::from_toml(&text).unwrap_or_else(|why| panic!("{name}: {why}")))
    };
    paths.filter(|path| path.extension().is_some_and(|end| end == "toml")).map(read).collect()
}

#[test]
fn every_field_table_loads_and_says_where_it_comes_from() {
    let files = field_files();
    assert_eq!(files.len(), 2);
    for (name, table) in files {
        assert!(table.source.contains("ITU-T P.58") && table.provenance.len() > 40, "{name}");
        assert_eq!(FieldCurve::of(table.field), Some(&table), "{name} is not what is built in");
        assert_eq!(table.points.len(), 24, "{name}");
        assert!(table.points.iter().all(|p| p.low < 0.0 && p.high > 0.0), "{name}");
    }
}

#[test]
fn a_table_fits_couplers_with_an_eardrum_only() {
    for field in [SoundField::Diffuse, SoundField::Free] {
        let table = FieldCurve::of(field).unwrap();
        for (coupler, word) in Coupler::ALL {
            assert_eq!(table.fit(coupler).is_some(), coupler.point() == Point::Eardrum, "{word}");
        }
        assert!(table.fit(Coupler::Manikin).unwrap().note.is_none());
        assert!(table.fit(Coupler::EarSimulator603184).unwrap().note.as_deref().unwrap().contains("no head"));
    }
}

/// 70 dB in each of the 31 one-third octaves from 20 Hz to 20 kHz at the eardrum: 84.9136 dB Z, 81.9268 dB A there;
/// 75.9798 dB A related to the diffuse and 76.6503 dB to the free field (computed from the table of P.58 and the formula
/// of IEC 61672-1 at exact mid-band frequencies).
#[test]
fn seventy_decibels_in_every_band_have_their_field_related_levels() {
    const COMPUTED_DB: f64 = 1e-4;
    const NOMINAL: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];
    let level = |add: &dyn Fn(i32, f64) -> f64| {
        let band = |x: i32| {
            let nominal_hz = NOMINAL[(x + 30).rem_euclid(10) as usize] * 10f64.powi((x + 30).div_euclid(10));
            10f64.powf((70.0 + add(x, nominal_hz)) / 10.0)
        };
        10.0 * (-17..=13).map(band).sum::<f64>().log10()
    };
    let a_db = |x: i32| 10.0 * Weighting::A.power_at(1000.0 * 10f64.powf(f64::from(x) / 10.0)).log10();
    let related = |field| {
        let correction = FieldCurve::of(field).unwrap().correction();
        level(&|x, hz| a_db(x) + correction.db_at(hz))
    };
    let found = [level(&|_, _| 0.0), level(&|x, _| a_db(x)), related(SoundField::Diffuse), related(SoundField::Free)];
    for (found, stated) in found.into_iter().zip([84.9136, 81.9268, 75.9798, 76.6503]) {
        assert!((found - stated).abs() < COMPUTED_DB, "{found} for {stated}");
    }
}

#[test]
fn a_table_that_is_broken_is_named() {
    let good =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("calibration/eardrum-to-free-field.toml"));
    let good = good.unwrap();
    for (from, to, says) in [
        ("hz = 125.0", "hz = 12.5", "rising"),
        ("field = \"free\"", "field = \"anechoic\"", "anechoic"),
        ("source", "sauce", "sauce"),
        ("\"manikin\"", "\"moon\"", "moon"),
    ] {
        let why = FieldCurve::from_toml(&good.replacen(from, to, 1)).unwrap_err();
        assert!(why.contains(says), "{why}");
    }
    // Outside the table the ends hold, and the share is reported.
    let flaw = FieldCurve::of(SoundField::Free).unwrap().correction().outside([(50.0, 1.0), (1000.0, 9.0)]).unwrap();
    assert_eq!(flaw.weight, Weight::Note);
}
