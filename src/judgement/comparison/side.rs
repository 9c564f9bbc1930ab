//! One session: its steps against level, and where in it the matched level lies.

use super::fit::{Fits, Part};
use super::{Ask, Basis, MatchedOn, NotComparable};
use crate::analysis::PinkFinding;
use crate::card::InputRole;
use crate::judgement::clipping_threshold;
use crate::judgement::highest_clean::{highest_clean, is_clean};
use crate::session::matching::MATCHED_DB;
use crate::session::record::{Record, StepResult};
use crate::session::step::Purpose;
use crate::session::swap::Round;
use crate::stats::Reading;

/// Cells of the fine grid per octave.
const CELLS_PER_OCTAVE: f64 = 48.0;

/// Number of the 1/48-octave cell that holds this frequency, 0 is 1 kHz.
pub(super) fn cell(f_hz: f64) -> i64 {
    (CELLS_PER_OCTAVE * (f_hz / 1000.0).log2()).round() as i64
}

/// One session.
pub(super) struct Side<'a> {
    pub(super) record: &'a Record,
    pub(super) input: usize,
    pub(super) role: InputRole,
    pub(super) is_spl: bool,
    on: MatchedOn,
    /// What dBFS at the input are to be raised by.
    pub(super) offset: f64,
    /// Of the climb, rising in drive.
    climb: Vec<Point<'a>>,
    /// Played at matched levels on purpose.
    matched: Vec<Point<'a>>,
    pub(super) fits: Fits,
}

/// One step that shows a level.
#[derive(Clone, Copy)]
pub(super) struct Point<'a> {
    pub(super) step: &'a StepResult,
    pub(super) pink: &'a PinkFinding,
    drive_db: f64,
    /// At the seat it was played on, dBFS.
    raw_db: f64,
    /// At the seat (or the mean seat) that is compared, in the unit of the comparison.
    level_db: f64,
    is_clean: bool,
}

/// The matched level in one session: at one step, or so far on the way from one to the next.
pub(super) struct Place<'a> {
    pub(super) below: Point<'a>,
    pub(super) above: Option<Point<'a>>,
    share: f64,
    /// Drive that gives the level, dBFS RMS.
    pub(super) drive_db: f64,
    /// Level of the one step less the matched one, dB; zero between two.
    pub(super) off_db: f64,
}

/// A level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Level {
    /// dB.
    pub(super) value: f64,
    /// Half width of its 95 % interval, dB.
    pub(super) half: f64,
    /// What has moved from round to round adds so much to a difference, dB.
    pub(super) moved: f64,
}

impl Level {
    pub(super) fn new(value: f64, half: f64) -> Level {
        Level { value, half, moved: 0.0 }
    }
}

impl<'a> Side<'a> {
    pub(super) fn of(record: &'a Record, role: InputRole, is_spl: bool, ask: &Ask, is_earlier: bool) -> Side<'a> {
        let chain = &record.head.chain;
        let input = chain.deciding_input();
        let only = ask.same_seat.then(|| if is_earlier { record.seat() } else { 1 });
        let fits = Fits::of(record, input, role, ask.on, only);
        let offset = chain.acoustic(role).filter(|_| is_spl).map_or(0.0, |a| a.offset.value);
        let point = |step: &'a StepResult| {
            let (pink, _) = step.pink(input)?;
            let raw_db = ask.on.level_of(pink)?.value;
            let level_db = raw_db + offset + fits.level_moved(step.seat);
            Some(Point {
                step,
                pink,
                drive_db: step.step.drive?.db(),
                raw_db,
                level_db,
                is_clean: is_clean(record, step),
            })
        };
        let of_climb = |s: &&StepResult| s.step.purpose.counts_once();
        let mut climb: Vec<Point> = record.climbed().filter(of_climb).filter_map(point).collect();
        climb.sort_by(|a, b| a.drive_db.total_cmp(&b.drive_db));
        let matched = record.steps.iter().filter(|s| s.step.purpose == Purpose::Matched).filter_map(point).collect();
        Side { record, input, role, is_spl, on: ask.on, offset, climb, matched, fits }
    }

    fn unit(&self) -> &'static str {
        if self.is_spl { "dB SPL" } else { "dBFS" }
    }

    fn who(&self) -> String {
        self.record.head.chain.output.clone()
    }

    /// The highest clean level, at the seat that is compared, on what is matched.
    pub(super) fn highest_clean(&self) -> Result<f64, NotComparable> {
        let outcome = highest_clean(self.record, &clipping_threshold(self.record), &[]);
        let drive = outcome.drive.estimate().ok_or_else(|| NotComparable::NoLevel(self.who()))?.value;
        let loudest = self.climb.iter().rev().find(|p| p.is_clean && p.drive_db <= drive + MATCHED_DB);
        let loudest = loudest.ok_or_else(|| NotComparable::NoLevel(self.who()))?;
        Ok(loudest.level_db + drive - loudest.drive_db)
    }

    /// A level of the comparison as the input hears it on the seat that is on the coupler now, dBFS.
    pub(super) fn as_played_now(&self, level_db: f64) -> f64 {
        level_db - self.offset - self.fits.level_moved(self.record.seat())
    }

    /// Where the level lies: at a step played there on purpose, else between two clean steps, else straight on from a
    /// clean one as far as the output is clean.
    pub(super) fn place(&self, level_db: f64) -> Result<Place<'a>, NotComparable> {
        let near = |p: &&Point| (p.level_db - level_db).abs() <= MATCHED_DB;
        if let Some(point) = self.matched.iter().rev().find(near) {
            return Ok(Place::straight(*point, level_db));
        }
        let outside = || {
            let levels = || self.climb.iter().map(|p| p.level_db);
            NotComparable::Outside {
                level: level_db,
                unit: self.unit(),
                who: self.who(),
                low: levels().fold(f64::INFINITY, f64::min),
                high: levels().fold(f64::NEG_INFINITY, f64::max),
            }
        };
        let not_clean = || NotComparable::NotClean { level: level_db, unit: self.unit(), who: self.who() };
        let above = self.climb.iter().position(|p| p.level_db >= level_db);
        match above {
            None => {
                // Readings of the top step scatter: a hair over it is still there.
                let top = self.climb.last().filter(|p| level_db - p.level_db <= MATCHED_DB).ok_or_else(outside)?;
                if top.is_clean { Ok(Place::straight(*top, level_db)) } else { Err(not_clean()) }
            }
            Some(0) => {
                let bottom = self.climb[0];
                if bottom.level_db - level_db > MATCHED_DB {
                    return Err(outside());
                }
                if bottom.is_clean { Ok(Place::straight(bottom, level_db)) } else { Err(not_clean()) }
            }
            Some(i) => {
                let (below, above) = (self.climb[i - 1], self.climb[i]);
                if below.is_clean && above.is_clean {
                    return Ok(Place::between(below, above, level_db));
                }
                let highest = self.highest_clean().is_ok_and(|highest| level_db <= highest + MATCHED_DB);
                if below.is_clean && highest { Ok(Place::straight(below, level_db)) } else { Err(not_clean()) }
            }
        }
    }

    /// Where the level lies in each round: at the step that was played there on purpose.
    pub(super) fn in_rounds(&self, rounds: &[Round], level_db: f64) -> Vec<Place<'a>> {
        rounds.iter().filter_map(|round| Some(Place::straight(*self.point_of(round)?, level_db))).collect()
    }

    /// The level that a round was played at, in the unit of the comparison.
    pub(super) fn level_in(&self, round: &Round) -> Option<f64> {
        Some(self.point_of(round)?.level_db)
    }

    fn point_of(&self, round: &Round) -> Option<&Point<'a>> {
        self.matched.iter().find(|p| p.step.step.number == round.matched.step.number)
    }

    /// A one-third octave less the matched level, at the seat that is compared.
    pub(super) fn band(&self, place: &Place, x: i32) -> Option<Level> {
        let at = |p: &Point| {
            let band = p.pink.band(x)?.level?;
            let level_half = self.on.level_of(p.pink)?.half_width();
            let moved = self.fits.moved(p.step.seat, Part::Band(x))?;
            Some(Level::new(band.value - p.raw_db + moved, band.half_width().hypot(level_half)))
        };
        place.mixed(at)
    }

    /// A point of the response less the gain that the matched level has, likewise.
    pub(super) fn cell(&self, place: &Place, of: i64) -> Option<Level> {
        let at = |p: &Point| {
            // Points rise in frequency.
            let i = p.pink.response.binary_search_by_key(&of, |point| cell(point.frequency_hz)).ok()?;
            let point = p.pink.response.get(i)?;
            let moved = self.fits.moved(p.step.seat, Part::Cell(of))?;
            Some(Level::new(point.gain_db - (p.raw_db - p.drive_db) + moved, point.half_width_db))
        };
        place.mixed(at)
    }
}

impl<'a> Place<'a> {
    fn straight(point: Point<'a>, level_db: f64) -> Place<'a> {
        let drive_db = point.drive_db + level_db - point.level_db;
        Place { below: point, above: None, share: 0.0, drive_db, off_db: point.level_db - level_db }
    }

    fn between(below: Point<'a>, above: Point<'a>, level_db: f64) -> Place<'a> {
        let rise = above.level_db - below.level_db;
        let share = if rise > 0.0 { (level_db - below.level_db) / rise } else { 0.0 };
        let drive_db = below.drive_db + share * (above.drive_db - below.drive_db);
        Place { below, above: Some(above), share, drive_db, off_db: 0.0 }
    }

    /// Says so, with the steps.
    pub(super) fn basis(&self) -> Basis {
        let (step, off_db) = (self.below.step.step.number, self.off_db);
        match self.above {
            Some(above) => Basis::Between { steps: (step, above.step.step.number) },
            None if self.below.step.step.purpose == Purpose::Matched => Basis::MatchedStep { step, off_db },
            None => Basis::StraightOn { step, off_db },
        }
    }

    /// The step nearest the level.
    pub(super) fn nearest(&self) -> &'a StepResult {
        self.above.as_ref().filter(|_| self.share > 0.5).unwrap_or(&self.below).step
    }

    /// A number of one or both steps, in dB along the way between them; the wider one's half width counts.
    pub(super) fn mixed(&self, at: impl Fn(&Point) -> Option<Level>) -> Option<Level> {
        let low = at(&self.below)?;
        let Some(above) = &self.above else { return Some(low) };
        let high = at(above)?;
        Some(Level::new(low.value + self.share * (high.value - low.value), low.half.max(high.half)))
    }

    /// A reading likewise. Between one that is given and one that is not, less is given than by the first alone.
    pub(super) fn reading(&self, at: impl Fn(&Point) -> Option<Reading>) -> Option<Reading> {
        let low = at(&self.below)?;
        let Some(above) = &self.above else { return Some(low) };
        let high = at(above)?;
        let between = |a: f64, b: f64| a + self.share * (b - a);
        Some(match (&low, &high) {
            (Reading::Determined(a), Reading::Determined(b)) => {
                let value = between(a.value, b.value);
                let down = (a.value - a.interval.low).max(b.value - b.interval.low);
                let up = (a.interval.high - a.value).max(b.interval.high - b.value);
                let interval = crate::stats::Interval { low: value - down, high: value + up };
                Reading::Determined(crate::stats::Estimate { value, interval })
            }
            (Reading::Below(a), Reading::Below(b)) => Reading::Below(a.max(*b)),
            (Reading::Below(a), Reading::Determined(b)) | (Reading::Determined(b), Reading::Below(a)) => {
                Reading::Below(a.max(b.interval.high))
            }
            (Reading::NotDetermined(why), _) | (_, Reading::NotDetermined(why)) => Reading::NotDetermined(why.clone()),
            _ => Reading::NotDetermined("the steps on both sides show it in different ways".into()),
        })
    }
}
