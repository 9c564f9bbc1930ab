//! What is known of one output or one headphone: typed figures and what its sessions taught, a measurement before a
//! statement, the best session first.

use super::entry::{Figure, HeadphoneEntry, OutputEntry};
use super::evidence::{Standing, best_first, is_undoubted, limit_tests, one_of_each_load};
use super::fit::within_default;
use super::learnt::{Learnt, OutputName, PerVolt, full_scale_db};
use super::limits::{LimitTest, Limits};
use super::ohms::{Ohms, band_db, peaks_db};
use super::sensitivity::{self, MAKERS_HALF_WIDTH_DB, Per, UNKNOWN_RESPONSE_DB};
use crate::analysis::band;
use crate::calibration::electrical::{Impedance, ImpedanceFrom, at_1_khz};
use crate::session::chain::Coupler;
use crate::stats::{Estimate, Reading, mean_of};
use crate::units::{db_from_power, power_from_db, tidy};
use std::f64::consts::SQRT_2;

/// Half width of typed volts and source impedances where none is stated, a share (common practice, no source).
const TYPED_SHARE: f64 = 0.05;
/// Half width of a headphone's rated impedance where none is stated, a share: nowhere may it fall under 80 % of the rated one
/// (IEC 60268-7, rated impedance); as much upward is common practice, no source.
const RATED_OHM_SHARE: f64 = 0.20;
/// Source impedance of an output whose figures are stated without it, ohm: anything up to twice as much (common practice, no
/// source).
const UNSTATED_SOURCE_OHM: f64 = 5.0;
/// Half width of the volts behind a rated power, dB: data sheets do not say at which distortion, or do (common practice, no
/// source).
const RATED_HALF_WIDTH_DB: f64 = 1.0;
/// Two gains that differ by less and by less than their intervals are the same, dB.
const SAME_GAIN_DB: f64 = 0.3;

/// An output as far as it is known.
#[derive(Clone, Debug)]
pub struct KnownOutput {
    /// Which.
    pub name: OutputName,
    /// Volts RMS of the open output for a sine at 0 dBFS, dB re 1 V.
    pub open_db: Option<Estimate>,
    /// Source impedance.
    pub source: Option<Ohms>,
    /// True where nothing tells the source impedance and a default stands for it.
    pub source_is_default: bool,
    /// Its limits.
    pub limits: Limits,
    /// Open volts that differ with the load, as outputs do that sense it when it is plugged in: impedance at 1 kHz, ohm, and
    /// dB re 1 V. Empty where one gain fits all loads.
    pub gain_by_load: Vec<(f64, Estimate)>,
    /// True where a session behind it is in doubt.
    pub in_doubt: bool,
    /// Where each of these comes from, in words.
    pub from: Vec<String>,
}

/// How the sound per volt of a headphone is known.
#[derive(Clone, Debug, PartialEq)]
pub enum Loudness {
    /// Per one-third octave, from its sessions.
    Bands {
        /// Number and dB SPL for 1 V RMS in the band.
        bands: Vec<(i32, f64)>,
        /// Half width of all together, dB.
        half_width_db: f64,
    },
    /// Pink noise of 1 V RMS at the plug, from a stated sensitivity.
    Pink {
        /// dB SPL.
        db_per_volt: Estimate,
        /// True where no response showed what pink noise makes of it.
        response_unknown: bool,
    },
}

/// A headphone as far as it is known.
#[derive(Clone, Debug)]
pub struct KnownHeadphone {
    /// In words.
    pub name: String,
    /// Its impedance.
    pub load: Option<Ohms>,
    /// How loud it is; or what is missing, in words.
    pub loudness: Result<Loudness, String>,
    /// What it was measured on.
    pub coupler: Option<Coupler>,
    /// Response in one-third octaves, dB re an unknown level; empty where not measured.
    pub shape: Vec<(i32, f64)>,
    /// Seats behind its loudness; 0 where that is a stated figure.
    pub seats: usize,
    /// What it keeps out of an A-weighted room, dB.
    pub isolation_db: Option<Reading>,
    /// True where a session behind it is in doubt.
    pub in_doubt: bool,
    /// Where each of these comes from, in words.
    pub from: Vec<String>,
}

impl KnownOutput {
    /// From its entry and its sessions.
    pub fn of(name: &OutputName, entry: Option<&OutputEntry>, sessions: &[&Learnt]) -> KnownOutput {
        let mut from = Vec::new();
        let mut said = |what: &str, source: String| from.push(format!("{what}: {source}"));
        let sorted = best_first(sessions.iter().copied());
        let best = |has: &dyn Fn(&Learnt) -> bool| sorted.iter().find(|s| has(s)).copied();
        let doubted = |session: Option<&Learnt>| session.is_some_and(|s| !is_undoubted(s));
        let (tests, limits_doubted) = limit_tests(sessions);
        let in_doubt =
            limits_doubted || doubted(best(&|s| s.open_db.is_some())) || doubted(best(&|s| s.source.is_some()));
        let measured = best(&|s| s.open_db.is_some());
        let typed = entry.and_then(|e| e.volts_per_full_scale.as_ref());
        let open_db = match (measured, typed) {
            (Some(session), _) => {
                said("volts at full scale", format!("session {}", session.id));
                session.open_db
            }
            (None, Some(figure)) => {
                said("volts at full scale", figure.source.clone());
                figure.estimate(TYPED_SHARE * figure.value).in_db()
            }
            (None, None) => None,
        };
        let measured = best(&|s| s.source.is_some());
        let source = match (measured, entry.and_then(|e| e.source_ohm.as_ref())) {
            (Some(session), _) => {
                said("source impedance", format!("session {}", session.id));
                session.source.clone()
            }
            (None, Some(figure)) => {
                said("source impedance", figure.source.clone());
                Some(Ohms { magnitude: figure.estimate(TYPED_SHARE * figure.value), curve: None })
            }
            (None, None) if entry.is_some_and(|e| e.volts_per_full_scale.is_some() || !e.power.is_empty()) => {
                said("source impedance", unstated_source());
                Some(Ohms { magnitude: Estimate::symmetric(UNSTATED_SOURCE_OHM, UNSTATED_SOURCE_OHM), curve: None })
            }
            (None, None) => None,
        };
        let source_is_default = source.is_some() && measured.is_none() && entry.is_some_and(|e| e.source_ohm.is_none());
        let gain_by_load = gains(&one_of_each_load(sessions));
        let limits = limits(entry, tests, source.as_ref(), &mut said);
        let open_db = if gain_by_load.is_empty() { open_db } else { None };
        KnownOutput { name: name.clone(), open_db, source, source_is_default, limits, gain_by_load, in_doubt, from }
    }

    /// Peak of the open output at digital full scale, dB re 1 V.
    pub fn full_scale_db(&self) -> Option<f64> {
        self.open_db.as_ref().map(full_scale_db)
    }
}

/// What is said where a default stands for a source impedance.
pub fn unstated_source() -> String {
    format!("not stated: anything up to {} Ω is taken (common practice, no source)", tidy(2.0 * UNSTATED_SOURCE_OHM, 0))
}

/// Open volts per load, where one gain does not fit them all.
fn gains(sessions: &[&Learnt]) -> Vec<(f64, Estimate)> {
    let mut all: Vec<(f64, Estimate)> =
        sessions.iter().filter_map(|s| Some((s.load.as_ref()?.magnitude.value, s.open_db?))).collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let apart = |a: &Estimate, b: &Estimate| {
        let over = (a.value - b.value).abs();
        over > SAME_GAIN_DB && over > a.half_width().hypot(b.half_width())
    };
    let differ = all.iter().any(|(ohm, a)| all.iter().any(|(other, b)| other > ohm && apart(a, b)));
    if differ { all } else { Vec::new() }
}

fn limits(
    entry: Option<&OutputEntry>,
    tests: Vec<LimitTest>,
    source: Option<&Ohms>,
    said: &mut dyn FnMut(&str, String),
) -> Limits {
    let rated: Vec<LimitTest> = entry.zip(source).map_or(Vec::new(), |(e, source)| {
        e.power.iter().filter_map(|power| rated(power.ohm, &power.milliwatts, source)).collect()
    });
    let has_limit = |limits: &Limits| {
        limits.explained.iter().any(|e| e.volts_db.determined().or(e.amperes_db.determined()).is_some())
    };
    let both = Limits::of(tests.iter().chain(&rated).cloned().collect());
    let measured = Limits::of(tests);
    let from_sheet = entry.and_then(stated);
    // A measurement before a statement: rated powers count beside sessions as far as they agree with them.
    match (has_limit(&measured), from_sheet) {
        (true, _) if rated.is_empty() || both.contradict() => {
            said("limits", "its sessions".into());
            measured
        }
        (false, Some((limits, source))) => {
            said("limits", source);
            limits
        }
        _ => {
            let names: Vec<&str> = both.tests.iter().map(|t| t.from.as_str()).collect();
            if !names.is_empty() {
                said("limits", names.join(", "));
            }
            both
        }
    }
}

/// Limits typed as such.
fn stated(entry: &OutputEntry) -> Option<(Limits, String)> {
    let (volts, amperes) = (entry.voltage_limit_v.as_ref(), entry.current_limit_ma.as_ref());
    let reading = |figure: Option<&Figure>, scale: f64, what: &str| {
        let db = figure.and_then(|f| {
            let e = f.estimate(TYPED_SHARE * f.value);
            Estimate::symmetric(scale * e.value, scale * e.half_width()).in_db()
        });
        db.map_or_else(|| Reading::NotDetermined(format!("its limit in {what} is not stated")), Reading::Determined)
    };
    let source = volts.or(amperes)?.source.clone();
    Some((Limits::stated(reading(volts, 1.0, "volts"), reading(amperes, 1e-3, "milliamperes")), source))
}

/// A rated sine power as a test: its peak at the resistance, and what the source had to give for it.
fn rated(ohm: f64, power: &Figure, source: &Ohms) -> Option<LimitTest> {
    let at_load = SQRT_2 * (1e-3 * power.value * ohm).sqrt();
    let open = at_load * (ohm + source.magnitude.value) / ohm;
    let half = power.half_width.map_or(RATED_HALF_WIDTH_DB, |h| 10.0 * (1.0 + h / power.value).log10());
    let by_source = 20.0 * (1.0 + source.magnitude.half_width() / (ohm + source.magnitude.value)).log10();
    let load = Ohms { magnitude: Estimate::exact(ohm), curve: None };
    Some(LimitTest {
        from: format!("{} mW into {ohm} Ω ({})", power.value, power.source),
        z_db: peaks_db(source, &load),
        limit_db: Reading::Determined(Estimate::symmetric(20.0 * open.log10(), half.hypot(by_source))),
    })
}

impl KnownHeadphone {
    /// From its entry and its sessions.
    pub fn of(name: &str, entry: Option<&HeadphoneEntry>, sessions: &[&Learnt]) -> KnownHeadphone {
        let mut from = Vec::new();
        let sorted = best_first(sessions.iter().copied());
        let measured = sorted.iter().find_map(|s| Some((s.load.clone()?, format!("session {}", s.id))));
        let load = measured.or_else(|| typed_load(entry?)).map(|(load, source)| {
            from.push(format!("impedance: {source}"));
            load
        });
        let shape = sorted.iter().find(|s| !s.shape.is_empty()).map(|s| s.shape.clone()).unwrap_or_default();
        let loudness = loudness(entry, &sorted, load.as_ref(), &shape, &mut from);
        let isolation_db = sorted
            .iter()
            .find_map(|s| s.judgement.isolation.as_ref().map(|i| i.a_weighted.clone()))
            .or_else(|| entry?.isolation_db.as_ref().map(|f| Reading::Determined(f.estimate(0.0))));
        KnownHeadphone {
            name: name.into(),
            load,
            seats: as_good_as_the_best(&sorted).iter().map(|(_, session)| session.seats).sum(),
            in_doubt: as_good_as_the_best(&sorted).iter().any(|(_, session)| !is_undoubted(session)),
            loudness,
            coupler: sorted.first().map(|s| s.coupler),
            shape,
            isolation_db,
            from,
        }
    }
}

fn typed_load(entry: &HeadphoneEntry) -> Option<(Ohms, String)> {
    let typed = entry.impedance_ohm.as_ref();
    let source = typed.map_or("stated".to_string(), |f| f.source.clone());
    let curve = (!entry.impedance.is_empty()).then(|| Impedance {
        from: ImpedanceFrom::Stated { source: source.clone() },
        plane: String::new(),
        taken_at: typed.and_then(|f| f.date.clone()).unwrap_or_default(),
        points: entry.impedance.clone(),
    });
    let stated = typed.map(|f| f.estimate(RATED_OHM_SHARE * f.value)).or_else(|| at_1_khz(&entry.impedance))?;
    Some((Ohms { magnitude: stated, curve }, source))
}

/// The best session that tells the loudness, and those as good as it: what is poorer takes nothing from them.
fn as_good_as_the_best<'a>(best_first: &[&'a Learnt]) -> Vec<(&'a PerVolt, &'a Learnt)> {
    let mut stated = best_first.iter().filter_map(|s| Some((s.per_volt.as_ref()?, *s)));
    let Some(best) = stated.next() else { return Vec::new() };
    let standing = Standing::of(best.1);
    let equals = stated.filter(|(_, session)| standing.is_as_good_as(&Standing::of(session)));
    std::iter::once(best).chain(equals).collect()
}

/// The mean of its best sessions where they tell it, else from a stated sensitivity.
fn loudness(
    entry: Option<&HeadphoneEntry>,
    sessions: &[&Learnt],
    load: Option<&Ohms>,
    shape: &[(i32, f64)],
    from: &mut Vec<String>,
) -> Result<Loudness, String> {
    let stated = as_good_as_the_best(sessions);
    if !stated.is_empty() {
        let ids: Vec<&str> = stated.iter().map(|(_, session)| session.id.as_str()).collect();
        from.push(format!("loudness: session {}", ids.join(", ")));
        return Ok(mean_of_sessions(&stated.iter().map(|(p, _)| *p).collect::<Vec<_>>()));
    }
    let Some(stated) = entry.and_then(|e| e.sensitivity.as_ref()) else {
        return Err(match sessions.is_empty() {
            true => "no session of it and no stated sensitivity".into(),
            false => {
                "its sessions were not calibrated in volts and dB SPL with both impedances, and no sensitivity is stated"
                    .into()
            }
        });
    };
    // A stated milliwatt is one in the rated impedance (IEC 60268-7, characteristic sensitivity), whatever was measured.
    let rated = entry.and_then(|e| e.impedance_ohm.as_ref()).map(|f| f.value);
    let ohm = rated.or_else(|| Some(load?.z(stated.at_hz).norm()));
    let per_volt = match (stated.per, ohm) {
        (Per::Volt, _) => 0.0,
        (Per::Milliwatt, Some(ohm)) => sensitivity::per_volt_less_per_milliwatt_db(ohm),
        (Per::Milliwatt, None) => {
            return Err("its sensitivity is stated per milliwatt and its impedance is not known".into());
        }
    };
    from.push(format!(
        "loudness: {} {} at {} Hz ({})",
        stated.level.value,
        stated.per.unit(),
        stated.at_hz,
        stated.level.source
    ));
    let level = stated.level.estimate(MAKERS_HALF_WIDTH_DB).shifted(per_volt);
    let pink = pink_less_tone_db(shape, stated.at_hz);
    let widened = |by: f64| Estimate::symmetric(level.value, level.half_width().hypot(by));
    Ok(Loudness::Pink {
        db_per_volt: pink.map_or_else(|| widened(UNKNOWN_RESPONSE_DB), |db| level.shifted(db)),
        response_unknown: pink.is_none(),
    })
}

/// What pink noise of a voltage stands over a sine of that voltage at `at_hz`, dB; `None` without a response there.
fn pink_less_tone_db(shape: &[(i32, f64)], at_hz: f64) -> Option<f64> {
    let tone = band_db(shape, band::band_of(at_hz))?;
    let all: f64 = shape.iter().map(|(_, db)| power_from_db(*db)).sum();
    Some(db_from_power(all / band::BANDS.count() as f64)? - tone)
}

/// Bands as the sessions' mean: what the best of them leaves open, and how the headphone sat in each.
fn mean_of_sessions(all: &[&PerVolt]) -> Loudness {
    let bands: Vec<(i32, f64)> = all[0]
        .bands
        .iter()
        .filter_map(|(x, _)| {
            let values: Option<Vec<f64>> = all.iter().map(|p| band_db(&p.bands, *x)).collect();
            let values = values?;
            Some((*x, values.iter().sum::<f64>() / values.len() as f64))
        })
        .collect();
    let least = |of: fn(&PerVolt) -> f64| all.iter().map(|p| of(p)).fold(f64::INFINITY, f64::min);
    let (own, fit) = (least(|p| p.half_width_db), least(|p| p.fit_half_width_db));
    let total = |p: &PerVolt| db_from_power(p.bands.iter().map(|(_, db)| power_from_db(*db)).sum());
    let totals: Vec<f64> = all.iter().filter_map(|p| total(p)).collect();
    let fit = mean_of(&totals).map_or(fit, |mean| within_default(&mean, &totals, fit));
    Loudness::Bands { bands, half_width_db: own.hypot(fit) }
}
