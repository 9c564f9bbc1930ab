//! Data sheets as they are: a power and nothing else, volts and nothing else, an impedance without its tolerance.

use loudenough::session::plan::{HeadroomRule, ListeningLevel, Weighting};
use loudenough::stats::Reading;
use loudenough::stock::sensitivity::Per;
use loudenough::stock::{
    Cell, Figure, HeadphoneEntry, LevelFrom, Listener, OutputEntry, OutputName, Pairing, RatedPower, Sensitivity, Stock,
};
use loudenough::units::DbSpl;

/// The ratio of the standard pink noise is 12.5 ± 0.1 dB.
const PINK_DB: f64 = 0.15;

fn figure(value: f64) -> Figure {
    Figure { value, half_width: None, source: "invented data sheet".into(), date: None }
}

fn headphone(ohm: f64, level: f64, per: Per) -> HeadphoneEntry {
    let sensitivity = Some(Sensitivity { level: figure(level), per, at_hz: 1000.0 });
    HeadphoneEntry { name: "h".into(), sensitivity, impedance_ohm: Some(figure(ohm)), ..HeadphoneEntry::default() }
}

fn pairing(output: OutputEntry, headphone: HeadphoneEntry) -> Pairing {
    let name = OutputName { name: output.name.clone(), positions: String::new() };
    let stock = Stock { outputs: vec![output], headphones: vec![headphone], ..Stock::default() };
    let level = ListeningLevel { level: DbSpl(70.0), weighting: Weighting::Z, field: None };
    let listener = Listener {
        level: Some(level),
        level_from: LevelFrom::Stated,
        half_width_db: 0.0,
        rule: HeadroomRule::default(),
    };
    Cell::of(&stock, &name, "h", &listener).predicted
}

fn output() -> OutputEntry {
    OutputEntry { name: "o".into(), ..OutputEntry::default() }
}

fn says(pairing: &Pairing, words: &str) -> bool {
    pairing.remarks.iter().any(|remark| remark.contains(words))
}

/// 100 mW in 32 Ω are 1.789 V RMS of a sine, 2.530 V peak; the source impedance falls out on that load.
#[test]
fn a_power_alone_tells_the_load_it_is_stated_for_and_a_bound_above_it() {
    let rated = || OutputEntry { power: vec![RatedPower { ohm: 32.0, milliwatts: figure(100.0) }], ..output() };
    let same = pairing(rated(), headphone(32.0, 100.0, Per::Volt));
    let stated = same.level_spl.determined().unwrap_or_else(|| panic!("{same:?}"));
    let expected = 100.0 + 20.0 * (2.0 * 0.1 * 32.0f64).sqrt().log10() - 12.5;
    assert!((stated.value - expected).abs() < PINK_DB, "{stated:?} for {expected}");
    // The maker's ±3 dB, ±4 dB for the unknown response, 1 dB of the rated power and what the source may be.
    assert!(stated.half_width() > 5.0 && stated.half_width() < 6.0, "{stated:?}");
    assert!(says(&same, "up to 10 Ω"), "{same:?}");
    let above = pairing(rated(), headphone(300.0, 100.0, Per::Volt));
    assert!(matches!(above.level_spl, Reading::AtLeast(_)), "{above:?}");
    let known = pairing(OutputEntry { source_ohm: Some(figure(1.0)), ..rated() }, headphone(32.0, 100.0, Per::Volt));
    assert!(!says(&known, "up to 10 Ω") && known.level_spl.determined().is_some(), "{known:?}");
    assert!(known.level_spl.determined().unwrap().half_width() < stated.half_width());
}

/// 2 V at full scale, 2.828 V peak, behind 5 of 37 Ω: no more than that, and how much less its current allows is not known.
#[test]
fn volts_alone_are_an_upper_end() {
    let volts =
        pairing(OutputEntry { volts_per_full_scale: Some(figure(2.0)), ..output() }, headphone(32.0, 100.0, Per::Volt));
    let Reading::Below(high) = volts.level_spl else { panic!("{volts:?}") };
    let value = 100.0 + 20.0 * (8f64.sqrt() * 32.0 / 37.0).log10() - 12.5;
    assert!((high - value) > 5.0 && (high - value) < 6.0, "{high} for {value}");
    assert!(says(&volts, "`--power`") && volts.stopped_by.is_none(), "{volts:?}");
    assert_eq!(volts.verdict.to_string(), "not determined");
}

/// IEC 60268-7: nowhere under 80 % of the rated impedance.
#[test]
fn a_rated_impedance_without_its_tolerance_has_that_of_the_standard() {
    let ohm = |entry: HeadphoneEntry| {
        let stock = Stock { headphones: vec![entry], ..Stock::default() };
        stock.headphone("h", |_| true).load.unwrap().magnitude
    };
    let stated = ohm(headphone(32.0, 100.0, Per::Volt));
    assert!((stated.interval.low - 25.6).abs() < 1e-9 && (stated.value - 32.0).abs() < 1e-12, "{stated:?}");
    let mut stated = headphone(32.0, 100.0, Per::Volt);
    stated.impedance_ohm = Some(Figure { half_width: Some(4.8), ..figure(32.0) });
    assert!((ohm(stated).interval.low - 27.2).abs() < 1e-9);
}

/// 100 dB/mW in 32 Ω are 114.9485 dB/V (10 lg(1000/32)).
#[test]
fn a_sensitivity_per_milliwatt_and_per_volt_are_one_headphone() {
    let rated = || OutputEntry { power: vec![RatedPower { ohm: 32.0, milliwatts: figure(100.0) }], ..output() };
    let [mw, v] = [(100.0, Per::Milliwatt), (114.9485, Per::Volt)]
        .map(|(level, per)| pairing(rated(), headphone(32.0, level, per)).level_spl.determined().unwrap().value);
    assert!((mw - v).abs() < 1e-4, "{mw} {v}");
}
