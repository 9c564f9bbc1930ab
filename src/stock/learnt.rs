//! What one session teaches the stock: what the output gives, where it ends, and what the headphone makes of a volt.

use super::fit::fit;
use super::limits::LimitTest;
use super::ohms::{Ohms, band_db, divided_db, lost_db, peaks_db, share_db};
use crate::calibration::SoundField;
use crate::judgement::{Judgement, Threshold, Whose, highest_clean, judge, listening_as_z, loudest_clean};
use crate::session::chain::{Chain, Coupler};
use crate::session::plan::{Extent, ListeningLevel, Weighting};
use crate::session::record::Record;
use crate::stats::{Estimate, Reading};
use crate::units::DbSpl;
use serde::{Deserialize, Serialize};

/// An output as it was set: its name and its volume positions, in words.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct OutputName {
    /// In words.
    pub name: String,
    /// Volume positions and switches, in words; empty where none is noted.
    pub positions: String,
}

impl OutputName {
    /// Of a chain.
    pub fn of(chain: &Chain) -> OutputName {
        OutputName { name: chain.output.trim().into(), positions: chain.positions() }
    }

    /// For people: the positions in brackets.
    pub fn words(&self) -> String {
        match self.positions.as_str() {
            "" => self.name.clone(),
            positions => format!("{} ({positions})", self.name),
        }
    }
}

/// Sound at the point for one volt at the plug.
#[derive(Clone, Debug, PartialEq)]
pub struct PerVolt {
    /// Of each one-third octave (number and dB SPL for 1 V RMS in that band).
    pub bands: Vec<(i32, f64)>,
    /// How well all of them together are known on one seat, dB, 95 %.
    pub half_width_db: f64,
    /// What other seats leave open, dB, 95 %.
    pub fit_half_width_db: f64,
}

/// The response at the ear, where the volts at the plug are not known: its shape alone.
pub type Shape = Vec<(i32, f64)>;

/// What a session teaches.
#[derive(Clone, Debug)]
pub struct Learnt {
    /// Name of the session.
    pub id: String,
    /// RFC 3339.
    pub started_at: String,
    /// Played on the simulated bench: every device of it is invented.
    pub simulated: bool,
    /// The output.
    pub output: OutputName,
    /// The headphone.
    pub headphone: String,
    /// What the headphone sat on.
    pub coupler: Coupler,
    /// Volts RMS of the open output for a sine at 0 dBFS, dB re 1 V.
    pub open_db: Option<Estimate>,
    /// Source impedance.
    pub source: Option<Ohms>,
    /// Impedance of the headphone.
    pub load: Option<Ohms>,
    /// Limit of the output on this load; `None` where volts or impedances are not known.
    pub limit: Option<LimitTest>,
    /// The headphone, where volts and impedances and a calibration offset are known.
    pub per_volt: Option<PerVolt>,
    /// Response at the ear in one-third octaves, dB re 1 V at the plug or re the drive.
    pub shape: Shape,
    /// The listening level that its plan stated.
    pub listening: Option<ListeningLevel>,
    /// What a level as stated lacks to its Z at the point, for each weighting and field, dB; or why it is not determined.
    pub z_less_stated: Vec<(Weighting, Option<SoundField>, Result<f64, String>)>,
    /// Seats that stand behind its levels.
    pub seats: usize,
    /// It was not cut short.
    pub finished: bool,
    /// A whole session, no quick look.
    pub whole: bool,
    /// What was judged, the fit as its seats tell it.
    pub judgement: Judgement,
    /// Highest clean level on any seat, Z, dB SPL: as judged, with the stock's interval of the fit.
    pub level_spl: Reading,
    /// Highest drive there is, dBFS RMS of pink noise.
    pub full_drive_db: f64,
    /// True peak over RMS of its pink noise, dB.
    pub true_peak_factor_db: f64,
}

/// From a stored session; `None` where it climbed nothing or heard nothing.
pub fn learn(record: &Record) -> Option<Learnt> {
    if !record.head.plan.extent.climbs() {
        return None;
    }
    let chain = &record.head.chain;
    let clean = loudest_clean(record)?;
    let (input, role) = record.weaker_ear()?;
    let (pink, result) = clean.pink(input)?;
    let drive = clean.step.drive?;
    let period = record.head.plan.pink.period(record.head.playback.rate);
    let judgement = judge(record);
    let (source, load) = ohms_of(chain);
    let open_db = open_db(chain, source.as_ref(), load.as_ref());
    let full_drive_db = period.full_drive()?.db();
    let seats = judgement.seats.iter().find(|s| s.role == role);
    let fitted = fit(seats);
    let moved =
        |x: i32| seats.and_then(|s| s.bands.iter().find(|(band, ..)| *band == x)).map_or(0.0, |(_, mean, _)| *mean);
    let offset = chain.acoustic(role).map(|a| a.offset);
    let bands: Shape = pink
        .bands
        .iter()
        .filter_map(|b| Some((b.x, b.level?.value + moved(b.x) + offset.map_or(0.0, |o| o.value) - drive.db())))
        .collect();
    let level = record.sound(result).and_then(|sound| sound.z);
    let plug = open_db.zip(source.as_ref().zip(load.as_ref())).map(|(open, (source, load))| Plug {
        open,
        divided_db: divided_db(source, load),
        half_width_db: chain
            .at_load(drive, &crate::session::chain::pink_spectrum())
            .and_then(|at| Some(at.volts.in_db()?.half_width())),
    });
    let per_volt = plug.as_ref().zip(level).and_then(|(plug, level)| {
        let half_width_db = level.half_width().hypot(plug.half_width_db?);
        Some(PerVolt { bands: plug.per_volt(&bands), half_width_db, fit_half_width_db: fitted.half_width() })
    });
    let z_less_stated = conversions(record);
    let shape = plug.as_ref().map_or_else(|| bands.clone(), |plug| plug.per_volt(&bands));
    let limit = open_db.zip(source.as_ref().zip(load.as_ref())).map(|(open, (source, load))| LimitTest {
        from: format!("session {}", record.head.id),
        z_db: peaks_db(source, load),
        limit_db: limit(&judgement, &open, full_drive_db),
    });
    Some(Learnt {
        id: record.head.id.clone(),
        started_at: record.head.started_at.clone(),
        simulated: record.head.playback.simulates.is_some(),
        output: OutputName::of(chain),
        headphone: chain.headphone.trim().into(),
        coupler: chain.coupler,
        open_db,
        source,
        load,
        limit,
        per_volt,
        shape,
        listening: record.head.plan.listening,
        z_less_stated,
        seats: seats.map_or(1, |s| s.tight()),
        finished: !record.can_go_on(),
        whole: record.head.plan.extent == Extent::Session,
        level_spl: highest_clean(record, &judgement.threshold, &[]).level_spl.plus(&fitted),
        judgement,
        full_drive_db,
        true_peak_factor_db: period.true_peak_factor_db()?,
    })
}

/// Source and load impedance of a chain, as far as they are known.
pub(super) fn ohms_of(chain: &Chain) -> (Option<Ohms>, Option<Ohms>) {
    let side = &chain.output_side;
    let ohms = |stated: Option<Estimate>, curve: &Option<_>| Some(Ohms { magnitude: stated?, curve: curve.clone() });
    (ohms(side.source_impedance_ohm, &side.source), ohms(side.load_impedance_ohm, &side.load))
}

/// Each weighting in each field, as the session's own headroom converts them.
fn conversions(record: &Record) -> Vec<(Weighting, Option<SoundField>, Result<f64, String>)> {
    let fields = [None, Some(SoundField::Diffuse), Some(SoundField::Free)];
    let all = [Weighting::Z, Weighting::A, Weighting::C].into_iter().flat_map(|w| fields.map(|f| (w, f)));
    all.map(|(weighting, field)| {
        let stated = ListeningLevel { level: DbSpl(0.0), weighting, field };
        (weighting, field, listening_as_z(record, stated).map(DbSpl::db))
    })
    .collect()
}

impl Learnt {
    /// A listening level as Z at the point, dB SPL.
    ///
    /// # Errors
    /// In words, where nothing tells it.
    pub fn listening_z(&self, stated: Option<&ListeningLevel>) -> Result<f64, String> {
        let stated = stated.ok_or_else(super::predict::not_stated)?;
        let this = self.z_less_stated.iter().find(|(w, f, _)| *w == stated.weighting && *f == stated.field);
        let less =
            this.map_or_else(|| Err("the listening level cannot be converted".into()), |(_, _, less)| less.clone());
        less.map(|less| stated.level.db() + less)
    }
}

/// What stands at the plug.
struct Plug {
    open: Estimate,
    divided_db: Vec<(i32, f64)>,
    half_width_db: Option<f64>,
}

impl Plug {
    /// Bands re the drive (dBFS RMS of all of the pink noise) as bands re 1 V RMS in each: every band has the same share.
    fn per_volt(&self, bands: &[(i32, f64)]) -> Vec<(i32, f64)> {
        let lost = |x: i32| band_db(&self.divided_db, x).unwrap_or(0.0);
        bands.iter().map(|(x, db)| (*x, db - self.open.value - share_db(&self.divided_db) - lost(*x))).collect()
    }
}

/// Open volts at 0 dBFS; where they were read at the load, what the source took is added again.
fn open_db(chain: &Chain, source: Option<&Ohms>, load: Option<&Ohms>) -> Option<Estimate> {
    let side = &chain.output_side;
    let read = side.volts_per_full_scale?.in_db()?;
    if !side.volts_from.as_ref().is_some_and(|from| from.loaded) {
        return Some(read);
    }
    Some(read.shifted(-lost_db(source?, load?, READ_AT_HZ)))
}

/// Frequency at which a meter read an output, as far as this matters, Hz.
const READ_AT_HZ: f64 = 1000.0;

/// Peak of the open output at its limit, dB re 1 V.
fn limit(judgement: &Judgement, open: &Estimate, full_drive_db: f64) -> Reading {
    let full = full_scale_db(open);
    let at = |drive: &Estimate| {
        // The volts' own interval is common to all loads of an output: it is added where limits are reported.
        Estimate::symmetric(full + drive.value - full_drive_db, drive.half_width())
    };
    // A hard limit may be the capture chain's too: sessions on several loads tell, and the lower figure is the safer one.
    let headphones = matches!(&judgement.threshold, Threshold::Determined(stated) if stated.whose == Whose::OutputHeadphoneOrCapture);
    let full_scale = matches!(judgement.threshold, Threshold::NoneUpTo { full_scale: true, .. });
    match &judgement.highest_clean.drive {
        Reading::Determined(drive) if headphones || full_scale => Reading::AtLeast(at(drive)),
        Reading::Determined(drive) => Reading::Determined(at(drive)),
        Reading::AtLeast(drive) => Reading::AtLeast(at(drive)),
        other => other.clone(),
    }
}

/// Peak of the open output at digital full scale, dB re 1 V.
pub(super) fn full_scale_db(open: &Estimate) -> f64 {
    open.value + 10.0 * 2f64.log10()
}
