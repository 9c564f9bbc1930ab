//! A headphone's sensitivity from one statement to another: dB SPL per milliwatt, dB SPL per volt, the voltage for a level.
//!
//! `S_V = S_mW + 10 lg(1000/Z)`: one volt across `Z` ohm is `1000/Z` milliwatts. IEC 60268-7 states both at 500 Hz; makers
//! often state them at 1 kHz.

pub use crate::asked::sheet::Per;
use crate::units::amplitude_from_db;

/// Level of the characteristic voltage, dB SPL (IEC 60268-7).
pub const CHARACTERISTIC_DB_SPL: f64 = 94.0;
/// Half width of a maker's sensitivity where none is stated, dB (common practice, no source).
pub const MAKERS_HALF_WIDTH_DB: f64 = 3.0;
/// What pink noise through an unknown response may differ from one frequency's sensitivity, dB (common practice, no source).
pub const UNKNOWN_RESPONSE_DB: f64 = 4.0;

/// dB to add to a sensitivity in dB/mW for that in dB/V, at an impedance of `ohm`.
pub fn per_volt_less_per_milliwatt_db(ohm: f64) -> f64 {
    10.0 * (1000.0 / ohm).log10()
}

/// Volts RMS for a level, at a sensitivity in dB/V.
pub fn volts_for(level_db_spl: f64, per_volt_db: f64) -> f64 {
    amplitude_from_db(level_db_spl - per_volt_db)
}

/// Milliwatts that `volts` RMS make in `ohm`.
pub fn milliwatts(volts: f64, ohm: f64) -> f64 {
    1000.0 * volts * volts / ohm
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values of the tables are rounded to four places (five or six figures where they are smaller).
    const ROUNDED: f64 = 5.1e-5;

    /// Ohm; dB to add to dB/mW for dB/V; mV for 1 mW; mA at 1 V; mA for 1 mW. Computed from the algebra: 1 V across Z ohm is
    /// 1000/Z milliwatts and as many milliamperes, 1 mW is √(Z/1000) volts.
    const CONVERSIONS: [[f64; 5]; 16] = [
        [8.0, 20.9691, 89.4427, 125.0, 11.1803],
        [16.0, 17.9588, 126.4911, 62.5, 7.9057],
        [18.0, 17.4473, 134.1641, 55.5556, 7.4536],
        [24.0, 16.1979, 154.9193, 41.6667, 6.4550],
        [32.0, 14.9485, 178.8854, 31.25, 5.5902],
        [38.0, 14.2022, 194.9359, 26.3158, 5.1299],
        [50.0, 13.0103, 223.6068, 20.0, 4.4721],
        [62.0, 12.0761, 248.9980, 16.1290, 4.0161],
        [64.0, 11.9382, 252.9822, 15.6250, 3.9528],
        [80.0, 10.9691, 282.8427, 12.5, 3.5355],
        [120.0, 9.2082, 346.4102, 8.3333, 2.8868],
        [150.0, 8.2391, 387.2983, 6.6667, 2.5820],
        [250.0, 6.0206, 500.0, 4.0, 2.0],
        [300.0, 5.2288, 547.7226, 3.3333, 1.8257],
        [470.0, 3.2790, 685.5655, 2.1277, 1.4586],
        [600.0, 2.2185, 774.5967, 1.6667, 1.2910],
    ];

    /// Volts RMS that make so many milliwatts, found from a level: 0 dB at 1 mW is `-add` dB below 0 dB/V.
    fn volts_for_one_milliwatt(ohm: f64) -> f64 {
        volts_for(0.0, per_volt_less_per_milliwatt_db(ohm))
    }

    #[test]
    fn the_conversions_between_milliwatts_volts_and_milliamperes_come_out() {
        for [ohm, add_db, mv, ma_at_1_v, ma_at_1_mw] in CONVERSIONS {
            assert!((per_volt_less_per_milliwatt_db(ohm) - add_db).abs() < ROUNDED, "{ohm} Ω");
            let volts = volts_for_one_milliwatt(ohm);
            assert!((1000.0 * volts - mv).abs() < ROUNDED, "{ohm} Ω: {volts} V for 1 mW");
            assert!((milliwatts(volts, ohm) - 1.0).abs() < 1e-12, "{ohm} Ω");
            // At 1 V as many milliamperes as milliwatts.
            assert!((milliwatts(1.0, ohm) - ma_at_1_v).abs() < ROUNDED, "{ohm} Ω at 1 V");
            assert!((1000.0 * volts / ohm - ma_at_1_mw).abs() < ROUNDED, "{ohm} Ω for 1 mW");
        }
    }

    /// dB/mW and ohm; dB/V; mV for 94 dB; volts, mA and mW for 110 dB; volts and mW for 120 dB. Computed from the algebra.
    #[test]
    fn four_headphones_need_what_their_sensitivity_says() {
        for (per_mw, ohm, per_v, mv_94, [v_110, ma_110, mw_110], [v_120, mw_120]) in [
            (100.0, 32.0, 114.9485, 89.655, [0.565_685, 17.678, 10.0], [1.788_854, 100.0]),
            (96.0, 250.0, 102.0206, 397.164, [2.505_936, 10.024, 25.119], [7.924_466, 251.19]),
            (110.0, 16.0, 127.9588, 20.0475, [0.126_491, 7.906, 1.0], [0.4, 10.0]),
            (97.0, 300.0, 102.2288, 387.758, [2.446_587, 8.155, 19.953], [7.736_787, 199.53]),
        ] {
            let sensitivity: f64 = per_mw + per_volt_less_per_milliwatt_db(ohm);
            assert!((sensitivity - per_v).abs() < ROUNDED, "{sensitivity}");
            assert!((1000.0 * volts_for(CHARACTERISTIC_DB_SPL, sensitivity) - mv_94).abs() < 6e-4, "{per_mw} dB/mW");
            let (at_110, at_120) = (volts_for(110.0, sensitivity), volts_for(120.0, sensitivity));
            assert!((at_110 - v_110).abs() < 6e-7 && (at_120 - v_120).abs() < 6e-7, "{at_110} {at_120}");
            assert!((1000.0 * at_110 / ohm - ma_110).abs() < 6e-4, "{per_mw} dB/mW");
            assert!((milliwatts(at_110, ohm) - mw_110).abs() < 6e-4, "{per_mw} dB/mW");
            assert!((milliwatts(at_120, ohm) - mw_120).abs() < 6e-3, "{per_mw} dB/mW");
        }
    }
}
