//! A record as it is drawn: judged, and turned into points, bars and table rows once, not once per picture.

use super::text;
use crate::account::document::{Section, Table};
use crate::account::{picture, session};
use crate::analysis::PinkFinding;
use crate::figure::Figure;
use crate::judgement::path::{PathReport, path_report};
use crate::judgement::{Judgement, Threshold, judge};
use crate::session::chain::{Chain, pink_spectrum};
use crate::session::clean::bend_word;
use crate::session::climb::{Purpose, drive_ceiling, spl_ceiling};
use crate::session::plan::{Extent, Plan, UNCALIBRATED_CEILING};
use crate::session::record::{Record, StepResult, TakeResult};
use crate::stats::{Estimate, Reading};
use crate::units::Dbfs;
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
    /// Level and distortion against drive.
    pub picture: Picture,
    /// What follows the sentence.
    pub answer: Vec<Section>,
    /// The step table.
    pub steps: Option<Table>,
    /// Sines and other sounds played beside the noise.
    pub sounds: Option<Section>,
    /// The clipping curve of the step that decides, or of the last one that has one.
    pub curve: Option<picture::Picture>,
    /// Response of the quiet reference, of the loudest clean step and of the last sweep.
    pub response: Option<picture::Picture>,
    /// Distortion by band of the loudest clean step.
    pub bands: Option<picture::Picture>,
    /// Harmonics of the last sweep.
    pub sweep: Option<picture::Picture>,
    /// Latest clock, `12.304 ±0.002 ppm`.
    pub clock: Option<String>,
    /// What a path check found.
    pub path: Option<Arc<PathReport>>,
}

/// What the level axis means.
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

    /// Axis title where there is little room.
    pub fn short_title(&self) -> String {
        match self {
            LevelUnit::Spl { point, .. } => format!("dB SPL, Z, {point}"),
            LevelUnit::Dbfs => "dBFS, not calibrated".into(),
        }
    }

    /// Axis title: says which and against what.
    pub fn title(&self) -> String {
        match self {
            LevelUnit::Spl { point, offset } => {
                format!("level, dB SPL, Z, {point} (calibration offset {} dB)", text::db(*offset))
            }
            LevelUnit::Dbfs => "level, dBFS at the input, Z (not calibrated)".into(),
        }
    }
}

/// Level and distortion against drive.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// What the level axis means.
    pub unit: LevelUnit,
    /// Ends of the drive axis, dBFS RMS.
    pub drive_range: (f64, f64),
    /// Ends of the level axis.
    pub level_range: (f64, f64),
    /// Ends of the distortion axis, dB re the stimulus lines.
    pub distortion_range: (f64, f64),
    /// Drive whose true peak stands at full scale, dBFS RMS.
    pub full_drive: f64,
    /// Level of each take.
    pub points: Vec<Point>,
    /// The straight line: level less drive, dB.
    pub gain: Option<f64>,
    /// Listening level as Z.
    pub listening: Option<f64>,
    /// Listening level plus wanted headroom, and that headroom.
    pub wanted: Option<(f64, f64)>,
    /// Ceiling on the level axis.
    pub ceiling: Option<f64>,
    /// Ceiling on the drive axis.
    pub drive_ceiling: Option<f64>,
    /// Which it is, in words; empty where it is the usual one.
    pub drive_ceiling_because: String,
    /// The clipping threshold.
    pub marker: Option<Marker>,
    /// Even-order distortion at the ear.
    pub even: Vec<Share>,
    /// Odd-order distortion at the ear.
    pub odd: Vec<Share>,
    /// Noise re the stimulus lines, with the drive.
    pub noise: Vec<[f64; 2]>,
    /// The plan's distortion limit, dB.
    pub limit_db: f64,
}

/// One take in the level picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// Number of its step.
    pub step: usize,
    /// dBFS RMS.
    pub drive: f64,
    /// On the level axis.
    pub level: f64,
    /// Interval's ends.
    pub interval: (f64, f64),
    /// A void take: drawn hollow, on the straight line.
    pub void: bool,
    /// Everything about it, exact, with units.
    pub says: Vec<String>,
}

/// Distortion of one take.
#[derive(Clone, Debug, PartialEq)]
pub struct Share {
    /// dBFS RMS.
    pub drive: f64,
    /// dB re the stimulus lines.
    pub at: f64,
    /// Interval's ends.
    pub interval: (f64, f64),
    /// Only known to be below `at`.
    pub below: bool,
}

/// The clipping threshold on the drive axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Marker {
    /// Pink RMS drive, dBFS.
    pub drive: f64,
    /// Its interval.
    pub interval: (f64, f64),
    /// On the flag, line by line.
    pub flag: Vec<String>,
    /// As announced; carries the stored values.
    pub label: String,
}

impl Digest {
    /// Judges the record and prepares its pictures.
    pub fn of(record: &Arc<Record>) -> Digest {
        let judgement = judge(record);
        Digest {
            finished: record.stop().is_some(),
            picture: Picture::of(record, &judgement),
            answer: session::answer(record, &judgement),
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

/// Range rounded outwards to tens.
fn tens(low: f64, high: f64) -> (f64, f64) {
    ((low / 10.0).floor() * 10.0, (high / 10.0).ceil() * 10.0)
}

impl Picture {
    /// Before a session: axes, zones and ceilings only. `full_drive` of the plan's noise is handed in because it costs
    /// a spectrum to compute.
    pub fn empty(plan: &Plan, chain: &Chain, full_drive: f64) -> Picture {
        let mut picture = Picture::axes(plan, LevelUnit::of(chain), full_drive);
        picture.ceiling = picture.ceiling.map(|_| spl_ceiling(plan, chain).db());
        let usual = picture.drive_ceiling.unwrap_or(f64::INFINITY);
        if let Some(ceiling) = drive_ceiling(plan, chain).filter(|ceiling| ceiling.rms.db() <= usual) {
            picture.drive_ceiling = Some(ceiling.rms.db());
            picture.drive_ceiling_because = ceiling.because;
        }
        picture
    }

    /// Before a session and without a chain.
    pub fn uncalibrated(plan: &Plan, full_drive: f64) -> Picture {
        Picture::axes(plan, LevelUnit::Dbfs, full_drive)
    }

    fn axes(plan: &Plan, unit: LevelUnit, full_drive: f64) -> Picture {
        let calibrated = unit != LevelUnit::Dbfs;
        // Without a measured spectrum a weighted listening level cannot be placed on a Z axis.
        let placed = plan
            .listening
            .filter(|l| l.weighting == crate::session::plan::Weighting::Z && l.field.is_none() && calibrated);
        let listening = placed.map(|l| l.level.db());
        let drive_ceiling = plan.ceilings.drive.or((!calibrated).then_some(UNCALIBRATED_CEILING)).map(Dbfs::db);
        let ceiling = calibrated.then_some(plan.ceilings.spl.db());
        Picture {
            level_range: if calibrated { (30.0, 120.0) } else { (-110.0, 0.0) },
            unit,
            drive_range: (-75.0, (full_drive + 5.0).max(0.0)),
            distortion_range: (-90.0, 0.0),
            full_drive,
            points: Vec::new(),
            gain: None,
            listening,
            wanted: listening.map(|l| (l + plan.wanted_headroom_db, plan.wanted_headroom_db)),
            ceiling,
            drive_ceiling,
            drive_ceiling_because: String::new(),
            marker: None,
            even: Vec::new(),
            odd: Vec::new(),
            noise: Vec::new(),
            limit_db: 20.0 * (plan.distortion_limit_percent / 100.0).log10(),
        }
    }

    fn of(record: &Record, judgement: &Judgement) -> Picture {
        let (plan, chain) = (&record.head.plan, &record.head.chain);
        let full = plan.pink.period(record.head.playback.rate).full_drive().map_or(0.0, Dbfs::db);
        let mut picture = Picture::empty(plan, chain, full);
        let calibrated = picture.unit != LevelUnit::Dbfs;
        picture.listening = judgement.headroom.listening_z.filter(|_| calibrated).map(|l| l.db());
        picture.wanted = picture.listening.map(|l| (l + plan.wanted_headroom_db, plan.wanted_headroom_db));
        picture.gain = straight_line(record, judgement, calibrated);
        picture.marker = marker(&judgement.threshold, &picture);
        for step in record.climbed() {
            picture.add_step(record, step);
        }
        picture.fit_ranges();
        picture
    }

    fn add_step(&mut self, record: &Record, step: &StepResult) {
        let input = record.head.chain.deciding_input();
        for take in step.takes.iter().filter(|t| t.void.is_some()) {
            self.points.extend(self.void_point(step, take));
        }
        let (Some(drive), Some((pink, result))) = (step.step.drive.map(Dbfs::db), step.pink(input)) else { return };
        let level = match self.unit {
            LevelUnit::Spl { .. } => record.sound(result).and_then(|s| s.z),
            LevelUnit::Dbfs => pink.level_z,
        };
        if let Some(level) = level.filter(|l| l.value.is_finite()) {
            let says = self.says(record, step, pink, &level, drive);
            let interval = (level.interval.low, level.interval.high);
            self.points.push(Point { step: step.step.number, drive, level: level.value, interval, void: false, says });
        }
        if step.step.purpose != Purpose::Probe {
            self.even.extend(share(drive, &pink.even));
            self.odd.extend(share(drive, &pink.odd));
            if let Some(over) = pink.over_noise_db.filter(|o| o.is_finite()) {
                self.noise.push([drive, -over]);
            }
        }
    }

    fn void_point(&self, step: &StepResult, take: &TakeResult) -> Option<Point> {
        let drive = take.head.drive.rms()?.db();
        let level = drive + self.gain?;
        let says = vec![
            format!("step {}, {}: void take", step.step.number, step.step.purpose),
            take.void.as_ref().map(ToString::to_string).unwrap_or_default(),
            "drawn on the straight line: it has no level of its own".into(),
        ];
        Some(Point { step: step.step.number, drive, level, interval: (level, level), void: true, says })
    }

    fn says(
        &self,
        record: &Record,
        step: &StepResult,
        pink: &PinkFinding,
        level: &Estimate,
        drive: f64,
    ) -> Vec<String> {
        let chain = &record.head.chain;
        let mut lines = vec![
            format!(
                "step {}, {}{}",
                step.step.number,
                step.step.purpose,
                bend_word(&record.steps, step, chain).map_or(String::new(), |word| format!(": {word}"))
            ),
            format!("drive {} dBFS RMS, peak {} dB re full scale", text::db(drive), text::db(drive - self.full_drive)),
            format!("level {} {}", Figure::new(level, 2).words(), self.unit.word()),
        ];
        lines.extend(chain.at_load(Dbfs(drive), &pink_spectrum()).map(|at| at.to_string()));
        lines.extend([
            format!("even-order at the ear {}", Figure::new(&pink.even, 1).in_unit("dB")),
            format!("odd-order at the ear {}", Figure::new(&pink.odd, 1).in_unit("dB")),
        ]);
        if let Some(over) = pink.over_noise_db {
            lines.push(format!("noise {} dB", text::db(-over)));
        }
        lines
    }

    fn fit_ranges(&mut self) {
        let drives = self.points.iter().map(|p| p.drive);
        let low = drives.fold(self.drive_range.0, |a, d| a.min(d - 3.0));
        self.drive_range.0 = low;
        let ends = self.points.iter().flat_map(|p| [p.interval.0, p.interval.1, p.level]).filter(|v| v.is_finite());
        let (mut bottom, mut top) = ends.fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(v), b.max(v)));
        if bottom > top {
            return;
        }
        for v in [self.ceiling, self.listening, self.wanted.map(|w| w.0)].into_iter().flatten() {
            (bottom, top) = (bottom.min(v), top.max(v));
        }
        self.level_range = tens(bottom - 3.0, top + 3.0);
        let shares = self.even.iter().chain(&self.odd).flat_map(|s| [s.at, s.interval.1]);
        let shares = shares.chain(self.noise.iter().map(|n| n[1])).filter(|v| v.is_finite());
        let (bottom, top) =
            shares.fold((-80.0f64.min(self.limit_db), self.limit_db.max(-23.0)), |(a, b), v| (a.min(v), b.max(v)));
        self.distortion_range = tens((bottom - 3.0).max(-140.0), (top + 3.0).min(20.0));
    }
}

/// Level less drive, dB: as the judgement used it, else from the last step that has a level.
fn straight_line(record: &Record, judgement: &Judgement, calibrated: bool) -> Option<f64> {
    let input = record.head.chain.deciding_input();
    let last = || {
        record.climbed().rev().find_map(|s| {
            let (pink, result) = s.pink(input)?;
            let level = if calibrated { result.sound?.z? } else { pink.level_z? };
            Some(level.value - s.step.drive?.db())
        })
    };
    session::straight_line(record, judgement).or_else(last)
}

fn share(drive: f64, reading: &Reading) -> Option<Share> {
    match reading {
        Reading::Told(e) if e.value.is_finite() => {
            let (low, high) = (e.interval.low, e.interval.high);
            // A lower end of zero power has no place on a decibel axis: the bar runs off the picture.
            let low = if low.is_finite() { low } else { -200.0 };
            Some(Share { drive, at: e.value, interval: (low, high), below: false })
        }
        Reading::Below(at) if at.is_finite() => Some(Share { drive, at: *at, interval: (*at, *at), below: true }),
        _ => None,
    }
}

fn marker(threshold: &Threshold, picture: &Picture) -> Option<Marker> {
    let Threshold::Told(told) = threshold else { return None };
    let pink = told.pink_drive;
    let mut flag = Vec::from(session::clipping_words(told));
    let mut label = format!("clipping threshold {}, pink {} dBFS", session::peaks(told), text::db(pink.value));
    if let (LevelUnit::Spl { offset, .. }, Some(gain)) = (&picture.unit, picture.gain) {
        flag.push(format!("= {} dB SPL at offset {} dB", text::db(pink.value + gain), text::db(*offset)));
        label.push_str(&format!(
            ", {} dB SPL at calibration offset {} dB",
            text::db(pink.value + gain),
            text::db(*offset)
        ));
    }
    Some(Marker { drive: pink.value, interval: (pink.interval.low, pink.interval.high), flag, label })
}
