//! Every session at a glance: what was measured on what, what came of it, and what the user wrote beside it. Made from the
//! folders of the sessions, which alone are believed; [`index`] only saves reading again what has not changed.
//!
//! ```text
//! sessions/*/ ── head, steps, events ──► judge ──► Entry ──► filter, sort, trend ──► account::notebook
//! ```

pub mod index;
mod trend;

pub use index::{read, read_telling};
pub use trend::{Trend, TrendRow};

use super::fit::fit;
use super::learnt::OutputName;
use crate::analysis::Weight;
use crate::calibration::Coupler;
use crate::card::InputRole;
use crate::judgement::{Verdict, judge};
use crate::session::chain::Chain;
use crate::session::names;
use crate::session::plan::{Extent, ListeningLevel, Order};
use crate::session::record::{Happening, Record};
use crate::session::seats::Seats;
use crate::session::series::{Response, Stored};
use crate::session::step::Purpose;
use crate::stats::{Estimate, Reading};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Letters of the shortest name of a session: fewer say nothing to a reader.
const LEAST_LETTERS: usize = 4;
/// Names up to this length are shown whole: cut off they look like a mistake.
const SHOWN_WHOLE: usize = 16;

/// What kind of session it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The whole climb.
    Full,
    /// A quick look.
    Quick,
    /// A path check.
    PathCheck,
    /// The first output of a swap.
    SwapFirst,
    /// The second one.
    SwapSecond,
}

impl Kind {
    fn of(record: &Record) -> Kind {
        let plan = &record.head.plan;
        match (plan.extent, plan.swap.as_ref().map(|swap| swap.order)) {
            (Extent::Session, _) => Kind::Full,
            (Extent::QuickLook, _) => Kind::Quick,
            (Extent::PathCheck, _) => Kind::PathCheck,
            (Extent::Swap, Some(Order::Second)) => Kind::SwapSecond,
            (Extent::Swap, _) => Kind::SwapFirst,
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Kind::Full => "whole session",
            Kind::Quick => "quick look",
            Kind::PathCheck => "path check",
            Kind::SwapFirst => "swap, first output",
            Kind::SwapSecond => "swap, second output",
        }
    }
}

/// A note with its time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// RFC 3339.
    pub at: String,
    /// As typed.
    pub text: String,
}

/// What is known of a session that could be read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// When it began (RFC 3339).
    pub started_at: String,
    /// Output under test, as corrected.
    pub output: String,
    /// Its volume positions and switches, as corrected; empty where none is noted.
    pub volume: String,
    /// Headphone, as corrected.
    pub headphone: String,
    /// What it sat on.
    pub coupler: Coupler,
    /// Ears that were recorded.
    pub ears: Vec<InputRole>,
    /// What kind of session it is.
    pub kind: Kind,
    /// It was cut short and can go on.
    pub interrupted: bool,
    /// Seats of the headphone.
    pub seats: u32,
    /// Its levels are dB SPL.
    pub calibrated: bool,
    /// Its devices are invented.
    pub simulated: bool,
    /// The listening level of its plan.
    pub listening: Option<ListeningLevel>,
    /// Highest clean level, dB SPL, Z.
    pub highest_clean: Reading,
    /// Headroom over its own listening level, dB.
    pub headroom: Reading,
    /// What that is called.
    pub verdict: Verdict,
    /// Its doubts, in words.
    pub doubts: Vec<String>,
    /// A small curve: drive (dBFS RMS) and level at the deciding ear (dB SPL; dBFS without calibration) of each step that
    /// climbed, in the order of the drive.
    pub curve: Vec<(f64, f64)>,
    /// Level of pink noise at the deciding ear for a drive of 0 dBFS RMS, from the quiet reference, mean of the seats, dB SPL
    /// (dBFS without calibration).
    pub per_drive: Option<Estimate>,
    /// Per ear the level in each one-third octave (by number) for a drive of 0 dBFS RMS, mean of the seats that are tight, dB SPL
    /// (dBFS without calibration).
    pub responses: Vec<(InputRole, Response)>,
    /// Level at the electrical witness less the drive, dB, where there was one.
    pub witness_db: Option<f64>,
    /// Calibration offset of that ear, dB, and when it was taken.
    pub offset: Option<(Estimate, String)>,
    /// How far the calibration had moved when it was checked after the session, dB.
    pub drift_db: Option<f64>,
    /// Why it was set aside (may be empty), where it was.
    pub set_aside: Option<String>,
    /// Notes, in order.
    pub notes: Vec<Note>,
}

impl Measured {
    /// From a record; the interval of the seats is the stock's.
    pub fn of(record: &Record) -> Measured {
        let chain = &record.head.chain;
        let judgement = judge(record);
        let ear = record.weaker_ear();
        let note = |event: &&crate::session::record::SessionEvent| match &event.what {
            Happening::Noted { text } => Some(Note { at: event.at.clone(), text: text.clone() }),
            _ => None,
        };
        let doubts = judgement.flaws.iter().filter(|flaw| flaw.weight == Weight::Doubt);
        Measured {
            started_at: record.head.started_at.clone(),
            output: chain.output.trim().into(),
            volume: chain.positions(),
            headphone: chain.headphone.trim().into(),
            coupler: chain.coupler,
            ears: chain.ears().map(|(_, role)| role).collect(),
            kind: Kind::of(record),
            interrupted: record.can_go_on(),
            seats: record.seat(),
            calibrated: chain.is_calibrated(),
            simulated: record.head.playback.simulates.is_some(),
            listening: record.head.plan.listening,
            doubts: doubts.map(|flaw| flaw.text.clone()).collect(),
            curve: curve(record),
            per_drive: per_drive(record, &judgement),
            responses: judgement.seats.iter().map(|seats| response(record, seats)).collect(),
            witness_db: witness_db(record),
            offset: ear.and_then(|(_, role)| chain.acoustic(role)).map(|a| (a.offset, a.taken_at.clone())),
            drift_db: ear.and_then(|(_, role)| record.calibration_drift_db(role)),
            set_aside: record.set_aside().map(str::to_string),
            notes: record.written().iter().filter_map(note).collect(),
            highest_clean: judgement.highest_clean.level_spl,
            headroom: judgement.headroom.headroom_db,
            verdict: judgement.headroom.verdict,
        }
    }

    /// Output and volume in one.
    pub fn output_name(&self) -> OutputName {
        OutputName { name: self.output.clone(), positions: self.volume.clone() }
    }

    /// Output, volume and headphone are those of another.
    pub fn same_pairing(&self, other: &Measured) -> bool {
        let of = |m: &Measured| (m.output_name(), m.headphone.clone());
        of(self) == of(other)
    }

    /// Kind and state in words: `quick look, interrupted, set aside`.
    pub fn kind_words(&self) -> String {
        let mut words = self.kind.words().to_string();
        for (is, word) in [(self.interrupted, ", interrupted"), (self.set_aside.is_some(), ", set aside")] {
            if is {
                words += word;
            }
        }
        words
    }

    /// The ears in words: `left`, `both`.
    pub fn ear_words(&self) -> &'static str {
        match self.ears.as_slice() {
            [InputRole::LeftEar] => "left",
            [InputRole::RightEar] => "right",
            [_, _] => "both",
            _ => "",
        }
    }
}

fn curve(record: &Record) -> Vec<(f64, f64)> {
    let input = record.deciding_input();
    let point = |step: &crate::session::record::StepResult| {
        let (pink, result) = step.pink(input)?;
        let level = result.sound.map_or(pink.level_z, |sound| sound.z)?;
        Some((step.step.drive?.db(), level.value))
    };
    let mut points: Vec<(f64, f64)> = record.climbed().filter(|s| s.step.purpose.counts()).filter_map(point).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points
}

fn per_drive(record: &Record, judgement: &crate::judgement::Judgement) -> Option<Estimate> {
    let (_, role) = record.weaker_ear()?;
    let seats = judgement.seats.iter().find(|seats| seats.role == role)?;
    let first = seats.fits.first()?.level_db;
    let mean = seats.level.map_or(0.0, |level| level.value);
    let of_seats = Estimate::symmetric(first + mean, fit(Some(seats)).half_width());
    Some(record.head.chain.acoustic(role).map_or(of_seats, |a| of_seats.plus(&a.offset)))
}

fn response(record: &Record, seats: &Seats) -> (InputRole, Response) {
    let raised = record.head.chain.acoustic(seats.role).map_or(0.0, |a| a.offset.value);
    let moved = |x: i32| seats.bands.iter().find(|(band, ..)| *band == x).map_or(0.0, |(_, mean, _)| *mean);
    let first = seats.fits.first().map_or(&[][..], |fit| fit.bands.as_slice());
    (seats.role, first.iter().map(|(x, db)| (*x, db + moved(*x) + raised)).collect())
}

fn witness_db(record: &Record) -> Option<f64> {
    let witness = record.head.chain.routing.capture_channels.iter().position(|c| c.role == InputRole::Witness)?;
    let reference = record.last(Purpose::Reference)?;
    Some(reference.pink(witness)?.0.level_z?.value - reference.step.drive?.db())
}

/// Headphones of the sessions that count, of invented devices or of real ones, the last used first.
pub fn headphones(entries: &[Entry], simulated: bool) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for m in entries.iter().filter_map(Entry::measured).filter(|m| m.set_aside.is_none() && m.simulated == simulated) {
        if !names.contains(&m.headphone) {
            names.push(m.headphone.clone());
        }
    }
    names
}

/// What is stored of every headphone for a series on this chain: of each the best session on the same output at the same volume,
/// else on another; not what was set aside, cut short, or measured on another coupler.
pub fn stored(entries: &[Entry], chain: &Chain, simulated: bool) -> Vec<Stored> {
    let output = OutputName::of(chain);
    let ears: Vec<InputRole> = chain.ears().map(|(_, role)| role).collect();
    let counts = |m: &Measured| {
        let alike = m.coupler == chain.coupler && m.calibrated == chain.is_calibrated() && m.simulated == simulated;
        alike && m.set_aside.is_none() && m.responses.iter().any(|(role, _)| ears.contains(role))
    };
    // Leaking or doubtful ones are the last; of equals the newest, which the entries begin with.
    let mut all: Vec<&Measured> = entries.iter().filter_map(Entry::measured).filter(|m| counts(m)).collect();
    all.sort_by_key(|m| (m.output_name() != output, m.interrupted, m.doubts.len(), std::cmp::Reverse(m.seats.min(3))));
    let mut stored: Vec<Stored> = Vec::new();
    for m in all {
        if stored.iter().all(|s| s.headphone != m.headphone) {
            stored.push(Stored {
                headphone: m.headphone.clone(),
                same_output: m.output_name() == output,
                ears: m.responses.iter().cloned().collect(),
                witness_db: m.witness_db,
            });
        }
    }
    stored
}

/// One session of the notebook.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Entry {
    /// Its folder.
    pub folder: PathBuf,
    /// Name of its folder.
    pub name: String,
    /// The shortest beginning of the name that means it alone.
    pub short: String,
    /// What is known of it; or why it cannot be read, with what to do (in JSON that text alone).
    #[serde(serialize_with = "known_or_why")]
    pub session: Result<Measured, String>,
}

fn known_or_why<S: serde::Serializer>(session: &Result<Measured, String>, to: S) -> Result<S::Ok, S::Error> {
    match session {
        Ok(measured) => measured.serialize(to),
        Err(why) => why.serialize(to),
    }
}

/// What a notebook is sorted by.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SortBy {
    /// The latest first.
    #[default]
    Date,
    /// Output, then headphone, then date.
    Output,
    /// Headphone, then output, then date.
    Headphone,
    /// The most headroom first.
    Headroom,
    /// The best verdict first, then by headroom.
    Verdict,
    /// The most doubts first.
    Doubts,
}

impl Entry {
    /// True where every word stands somewhere in it: name, date, output, volume, headphone, ear, kind, verdict, notes. Upper and
    /// lower case are the same, and `ohm` is `Ω`.
    pub fn matches(&self, words: &[String]) -> bool {
        if words.is_empty() {
            return true;
        }
        let text = self.text();
        words.iter().flat_map(|word| word.split_whitespace()).all(|word| text.contains(&plain(word)))
    }

    fn text(&self) -> String {
        let said = match &self.session {
            Ok(m) => {
                let notes: Vec<&str> = m.notes.iter().map(|note| note.text.as_str()).collect();
                [
                    m.started_at.as_str(),
                    &m.output,
                    &m.volume,
                    &m.headphone,
                    m.ear_words(),
                    &m.kind_words(),
                    &m.verdict.to_string(),
                    &notes.join(" "),
                    m.set_aside.as_deref().unwrap_or(""),
                ]
                .join(" ")
            }
            Err(why) => why.clone(),
        };
        plain(&format!("{} {said}", self.name))
    }

    /// What it was measured with and what came of it; `None` where it cannot be read.
    pub fn measured(&self) -> Option<&Measured> {
        self.session.as_ref().ok()
    }
}

fn plain(text: &str) -> String {
    text.to_lowercase().replace(['ω', 'Ω'], "ohm")
}

/// Sorts entries; what cannot be read comes first, because something has to be done about it.
pub fn sort(entries: &mut [Entry], by: SortBy) {
    let time = |m: &Measured| m.started_at.parse::<jiff::Timestamp>().ok();
    let headroom = |m: &Measured| m.headroom.estimate().map_or(f64::NEG_INFINITY, |h| h.value);
    entries.sort_by(|a, b| {
        let (Ok(one), Ok(other)) = (&a.session, &b.session) else {
            return a.session.is_ok().cmp(&b.session.is_ok()).then_with(|| a.name.cmp(&b.name));
        };
        let latest = time(other).cmp(&time(one)).then_with(|| b.name.cmp(&a.name));
        match by {
            SortBy::Date => latest,
            SortBy::Output => (&one.output, &one.volume, &one.headphone)
                .cmp(&(&other.output, &other.volume, &other.headphone))
                .then(latest),
            SortBy::Headphone => (&one.headphone, &one.output, &one.volume)
                .cmp(&(&other.headphone, &other.output, &other.volume))
                .then(latest),
            SortBy::Headroom => headroom(other).total_cmp(&headroom(one)).then(latest),
            SortBy::Verdict => one
                .verdict
                .answer
                .cmp(&other.verdict.answer)
                .then(headroom(other).total_cmp(&headroom(one)))
                .then(latest),
            SortBy::Doubts => other.doubts.len().cmp(&one.doubts.len()).then(latest),
        }
    });
}

/// Gives every entry the shortest name that means it alone.
fn name_shortly(entries: &mut [Entry]) {
    let names: Vec<String> = entries.iter().map(|entry| entry.name.clone()).collect();
    for (entry, short) in entries.iter_mut().zip(names::shortest(&names, LEAST_LETTERS)) {
        entry.short = if entry.name.chars().count() <= SHOWN_WHOLE { entry.name.clone() } else { short };
    }
}

fn entry(folder: &Path, name: &str, session: Result<Measured, String>) -> Entry {
    Entry { folder: folder.into(), name: name.into(), short: name.into(), session }
}
