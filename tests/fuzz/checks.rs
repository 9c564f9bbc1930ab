//! What must hold for every input, however broken.

use loudenough::calibration::Curve;
use loudenough::calibration::curve::{Column, Decimal, FrequencyUnit, Stated, rows};
use loudenough::session::chain_file::{from_toml, to_toml};

/// Interpolation may round on the way, dB.
const ROUNDING_DB: f64 = 1e-9;

/// The first byte says what is stated, the rest is the file.
///
/// # Panics
/// Where something does not hold.
pub fn curve(input: &[u8]) {
    let Some((first, bytes)) = input.split_first() else { return };
    let stated = Stated {
        decimal: [None, Some(Decimal::Point), Some(Decimal::Comma)][usize::from(first % 3)],
        frequencies: [None, Some(FrequencyUnit::Hertz), Some(FrequencyUnit::Kilohertz)][usize::from(first / 3 % 3)],
        column: [None, Some(Column::Gain), Some(Column::Correction)][usize::from(first / 9 % 3)],
    };
    let table = match rows(bytes, &stated) {
        Ok(table) => table,
        Err(refused) => {
            let said = refused.to_string();
            assert!(said.len() > 20, "{said:?} tells nothing");
            assert!(Curve::read("x", bytes, &stated).is_err(), "refused as a table, taken as a curve");
            return;
        }
    };
    assert!(!table.rows.is_empty());
    assert!(table.rows.iter().all(|r| r.frequency_hz > 0.0 && r.frequency_hz <= 1e6 && r.level_db.abs() <= 200.0));
    assert!(table.rows.windows(2).all(|w| w[0].frequency_hz < w[1].frequency_hz), "frequencies must rise");
    assert!(
        table.skipped.iter().all(|row| !row.text.contains(char::is_control)),
        "a terminal would obey {:?}",
        table.skipped
    );
    // Written the plain way, it says the same.
    let plain: String = table.rows.iter().map(|r| format!("{:?};{:?}\n", r.frequency_hz, r.level_db)).collect();
    let again = Stated { decimal: Some(Decimal::Point), frequencies: Some(FrequencyUnit::Hertz), ..stated };
    let again = rows(plain.as_bytes(), &again).unwrap_or_else(|refused| panic!("{plain:?}: {refused}"));
    let values = |table: &loudenough::calibration::curve::Rows| -> Vec<(f64, f64)> {
        table.rows.iter().map(|r| (r.frequency_hz, r.level_db)).collect()
    };
    assert_eq!(values(&again), values(&table), "{plain:?}");
    if let Ok(curve) = Curve::read("x", bytes, &stated) {
        let sign = if curve.column == Column::Gain { -1.0 } else { 1.0 };
        for row in &table.rows {
            let off = curve.correction.db_at(row.frequency_hz) - sign * row.level_db;
            assert!(off.abs() < ROUNDING_DB, "{off} dB off at {} Hz", row.frequency_hz);
        }
        let (low, high) = curve.correction.range_hz().expect("a curve has ends");
        assert!(low < high, "a curve has two frequencies");
        let _ = curve.remarks();
    }
}

/// The text of a chain file.
///
/// # Panics
/// Where something does not hold.
pub fn chain(input: &[u8]) {
    let Ok(text) = std::str::from_utf8(input) else { return };
    let chain = match from_toml(text) {
        Ok(chain) => chain,
        Err(why) => {
            assert!(why.len() > 10, "{why:?} tells nothing");
            return;
        }
    };
    chain.check().expect("what was read is checked");
    let written = to_toml(&chain).expect("what was read can be written");
    let again = from_toml(&written).unwrap_or_else(|why| panic!("{written}: {why}"));
    assert_eq!(again, chain, "{written}");
    let stored = serde_json::to_string(&chain).expect("sessions store it");
    assert_eq!(serde_json::from_str::<loudenough::session::chain::Chain>(&stored).expect("and read it"), chain);
    let _ = chain.changed_offsets();
}
