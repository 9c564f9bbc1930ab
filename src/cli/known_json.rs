//! `stock output` and `stock headphone` as JSON: units stand in the keys, a quantity carries its interval.

use crate::analysis::band;
use crate::stats::Estimate;
use crate::stock::{KnownHeadphone, KnownOutput, Ohms, response_change};
use serde_json::{Value, json};

/// What is known of an output.
pub(super) fn output(known: &KnownOutput) -> Value {
    let by_load = |(ohm, dbv): &(f64, Estimate)| json!({ "load_ohm": ohm, "open_full_scale_dbv": dbv });
    json!({
        "output": known.name,
        "open_full_scale_dbv": known.open_db,
        "by_load": known.gain_by_load.iter().map(by_load).collect::<Vec<_>>(),
        "source_ohm": known.source.as_ref().map(|source| source.magnitude),
        "source_is_default": known.source_is_default,
        "limit_peak_dbv": known.limits.volts_db(),
        "limit_peak_db_ampere": known.limits.amperes_db(),
        "in_doubt": known.in_doubt,
        "from": known.from,
    })
}

/// What is known of a headphone, and what a source does to its response where that is asked.
pub(super) fn headphone(known: &KnownHeadphone, change: Option<Value>) -> Value {
    let band = |(x, db): &(i32, f64)| json!({ "centre_hz": band::centre_hz(*x), "response_db": db });
    json!({
        "headphone": known.name,
        "pink_per_volt_db_spl": known.per_volt_db(),
        "not_determined_because": known.loudness.as_ref().err(),
        "impedance_at_1_khz_ohm": known.load.as_ref().map(|load| load.magnitude),
        "isolation_a_db": known.isolation_db,
        "response": known.shape.iter().map(band).collect::<Vec<_>>(),
        "seats": known.seats,
        "coupler": known.coupler,
        "in_doubt": known.in_doubt,
        "from": known.from,
        "change_by_source": change,
    })
}

/// What a source of so many ohms does to a headphone's response; `None` where its impedance over frequency is not known.
pub(super) fn change_by_source(known: &KnownHeadphone, ohm: f64) -> Option<Value> {
    let load = known.load.as_ref().filter(|load| load.curve.is_some())?;
    let source = Ohms { magnitude: Estimate::exact(ohm), curve: None };
    let at: Vec<f64> = band::BANDS.map(band::centre_hz).collect();
    let changes = response_change(&source, load, &at);
    let bands: Vec<Value> = changes.iter().map(|(hz, db)| json!({ "centre_hz": hz, "change_db": db })).collect();
    Some(json!({ "source_ohm": ohm, "bands": bands }))
}
