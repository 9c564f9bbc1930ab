//! A record as it is drawn: judged, and turned into the account's tables and pictures once, not once per picture.

use super::plot::Note;
use crate::account::document::{Section, Table};
use crate::account::picture::Picture;
use crate::account::session::{self, Ends, Scale};
use crate::card::pair_in_words;
use crate::figure::Figure;
use crate::judgement::path::{PathReport, path_report};
use crate::judgement::{Judgement, judge};
use crate::session::chain::Chain;
use crate::session::plan::Extent;
use crate::session::record::Record;
use std::sync::Arc;

/// One session, ready to draw.
#[derive(Debug)]
pub struct Digest {
    /// As stored.
    pub record: Arc<Record>,
    /// As judged by its own plan.
    pub judgement: Judgement,
    /// True once the climb ended.
    pub finished: bool,
    /// What the answer stands between.
    pub scale: Scale,
    /// Level against drive.
    pub level: Option<Picture>,
    /// What is said of its points.
    pub notes: Vec<Note>,
    /// Distortion against drive.
    pub distortion: Option<Picture>,
    /// What follows the sentence.
    pub answer: Vec<Section>,
    /// What its numbers stand on.
    pub stands_on: Vec<Section>,
    /// The step table.
    pub steps: Option<Table>,
    /// Sines and other sounds played beside the noise.
    pub sounds: Option<Section>,
    /// The clipping curve of the step that decides, or of the last one that has one.
    pub curve: Option<Picture>,
    /// Response of the quiet reference, of the loudest clean step and of the last sweep.
    pub response: Option<Picture>,
    /// Distortion by band of the loudest clean step.
    pub bands: Option<Picture>,
    /// Harmonics of the last sweep.
    pub sweep: Option<Picture>,
    /// Latest clock, `12.304 ±0.002 ppm`.
    pub clock: Option<String>,
    /// What a path check found.
    pub path: Option<Arc<PathReport>>,
}

/// What a level on the page means.
#[derive(Clone, Debug, PartialEq)]
pub enum LevelUnit {
    /// Sound, against this calibration offset.
    Spl {
        /// Where the level stands for.
        point: &'static str,
        /// dB SPL that 0 dBFS stands for.
        offset: f64,
    },
    /// Nothing is calibrated.
    Dbfs,
}

impl LevelUnit {
    /// As the chain has it.
    pub fn of(chain: &Chain) -> LevelUnit {
        match chain.ears().next().and_then(|(_, role)| chain.acoustic(role)) {
            Some(a) => LevelUnit::Spl { point: chain.point().words(), offset: a.offset.value },
            None => LevelUnit::Dbfs,
        }
    }

    /// Unit alone.
    pub fn word(&self) -> &'static str {
        match self {
            LevelUnit::Spl { .. } => "dB SPL",
            LevelUnit::Dbfs => "dBFS",
        }
    }
}

impl Digest {
    /// The answer for the clipboard: each number with its unit and interval, then the sentence.
    pub fn answer_words(&self) -> String {
        let (chain, judgement) = (&self.record.head.chain, &self.judgement);
        let clean = &judgement.highest_clean;
        let level = match chain.is_calibrated() {
            true => Figure::new(&clean.level_spl, 1).in_unit("dB SPL"),
            false => Figure::new(&clean.level_dbfs, 1).in_unit("dBFS at the input"),
        };
        let headroom = Figure::new(&judgement.headroom.headroom_db, 1).in_unit("dB");
        let pair = pair_in_words(&chain.output, &chain.headphone);
        format!(
            "{pair}: headroom {headroom} ({}); highest clean level {level}; intervals are 95 %. {}",
            judgement.headroom.verdict, judgement.sentence
        )
    }

    /// Judges the record and prepares its pictures.
    pub fn of(record: &Arc<Record>) -> Digest {
        let judgement = judge(record);
        Digest {
            finished: record.stop().is_some(),
            scale: Scale::of(record, &judgement),
            level: session::level(record, &judgement, Ends::Plan),
            notes: notes(record),
            distortion: session::distortion(record, &judgement, Ends::Plan),
            answer: session::answer(record, &judgement),
            stands_on: session::stands_on(&judgement),
            steps: session::steps(record),
            curve: session::clipping_curve(record, &judgement),
            response: session::response(record),
            bands: session::bands(record),
            sounds: session::sounds(record),
            sweep: session::sweep(record),
            clock: session::clock_ppm(record).map(|ppm| ppm.in_unit("ppm")),
            path: (record.head.plan.extent == Extent::PathCheck).then(|| Arc::new(path_report(record))),
            judgement,
            record: Arc::clone(record),
        }
    }
}

/// What is said of each point of the level picture.
fn notes(record: &Record) -> Vec<Note> {
    let (chain, input) = (&record.head.chain, record.head.chain.deciding_input());
    let noted = record.climbed().filter_map(|step| {
        let (pink, result) = step.pink(input)?;
        let level = if chain.is_calibrated() { record.sound(result)?.z? } else { pink.level_z? };
        let says = session::step_words(record, step)?;
        Some(Note { step: step.step.number, x: step.step.drive?.db(), y: level.value, says })
    });
    noted.collect()
}
