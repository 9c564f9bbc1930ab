//! What is heard now: the level for the frame, columns for the scale, and every figure beside.

use super::spine::EarNow;
use crate::gui::desk::Desk;
use crate::gui::digest::LevelUnit;
use crate::gui::link::LiveInput;
use crate::gui::parts;
use crate::gui::text;
use crate::gui::theme::{self, STEP};
use crate::session::chain::{Chain, pink_spectrum};
use crate::session::climb::spl_ceiling;
use crate::session::record::Record;
use crate::units::{Dbfs, db_from_power, power_from_db};
use eframe::egui::{Align, Id, Label, Layout, Pos2, Rect, RichText, Sense, Shape, Stroke, StrokeKind, Ui, pos2, vec2};
use std::time::Duration;

/// The large figure changes at most this often, seconds, so that it can be read.
const HOLD_S: f64 = 0.2;
/// Peak over RMS of a sine, dB: a peak is re a full-scale sine's peak, a level re its RMS.
const SINE_CREST_DB: f64 = 3.010_299_956_639_812;

/// What the deciding input hears, or the last step as stored, in full-scale terms.
#[derive(Default)]
struct Heard {
    step: Option<String>,
    level_z: Option<f64>,
    level_a: Option<f64>,
    level_c: Option<f64>,
    slow_z: Option<f64>,
    peak: Option<f64>,
    peak_c: Option<f64>,
    room: Option<f64>,
    distortion_db: Option<f64>,
    overloads: u64,
    spectrum: Vec<(f64, f64)>,
}

/// The same with what turns it into sound.
struct Figures {
    unit: LevelUnit,
    /// What is heard live has not gone through the ear's correction curve.
    before_curve: bool,
    ceiling: f64,
    heard: Heard,
    /// Pink noise as sent, in volts and milliwatts, where they are known.
    volts: Option<String>,
}

fn figures(desk: &Desk) -> Figures {
    let live = desk.view.live.as_ref();
    let digest = desk.view.digest.as_ref();
    // A running session, and a step that is shown while nothing is heard, have their own chain; else the form's holds: another
    // session may be shown while the calibrator or a swap is listened to, and its offset means nothing there.
    let head = digest.filter(|_| desk.view.session_sounds || live.is_none()).map(|d| &d.record.head);
    let ready = desk.form.ready();
    let chain: Option<&Chain> = head.map(|h| &h.chain).or(ready.map(|(_, c)| c));
    let plan = head.map(|h| &h.plan).or(ready.map(|(p, _)| p));
    let role = chain.and_then(|c| c.ears().next()).map(|(_, role)| role).or(desk.form.deciding_ear());
    let unit = chain.map_or(LevelUnit::Dbfs, LevelUnit::of);
    let ceiling = match (&unit, plan) {
        (LevelUnit::Spl { .. }, Some(plan)) => chain.map_or(plan.ceilings.spl, |c| spl_ceiling(plan, c)).db(),
        _ => 0.0,
    };
    let heard = live.and_then(|l| l.inputs.iter().find(|i| role.is_none_or(|r| r == i.role)));
    let last = digest.filter(|_| live.is_none()).and_then(|d| last_step(&d.record));
    let heard = match (heard, last) {
        (Some(input), _) => Heard::of_live(input),
        (None, Some(last)) => last,
        (None, None) => Heard::default(),
    };
    let curve = chain.zip(role).is_some_and(|(c, role)| !c.correction(role).is_none());
    let before_curve = curve && heard.step.is_none();
    // What plays now; while nothing is heard, what the last step played.
    let playing = desk.view.progress.as_ref().and_then(|p| p.step.drive);
    let stored = digest.and_then(|d| d.record.steps.iter().rev().find_map(|s| s.pink(0).and(s.step.drive)));
    let drive = if desk.view.phase.is_busy() { playing } else { stored };
    let volts = chain.zip(drive).and_then(|(chain, drive)| chain.at_load(drive, &pink_spectrum()));
    Figures { unit, before_curve, ceiling, heard, volts: volts.map(|at| at.to_string()) }
}

/// The last step as it is stored, shown while nothing is heard.
fn last_step(record: &Record) -> Option<Heard> {
    let input = record.head.chain.deciding_input();
    let (step, pink) = record.steps.iter().rev().find_map(|s| Some((s, s.pink(input)?.0)))?;
    let both = pink.even.determined().zip(pink.odd.determined());
    Some(Heard {
        step: Some(format!("step {}, {}", step.step.number, step.name())),
        level_z: pink.level_z.map(|l| l.value),
        level_a: pink.level_a.map(|l| l.value),
        level_c: pink.level_c.map(|l| l.value),
        slow_z: None,
        peak_c: None,
        peak: pink.common.peak.map(|p| p.db()),
        room: Some(pink.common.overload.room_db),
        distortion_db: both.and_then(|(e, o)| db_from_power(power_from_db(e.value) + power_from_db(o.value))),
        overloads: pink.common.overload.samples_at_limit as u64,
        spectrum: Vec::new(),
    })
}

impl Heard {
    fn of_live(input: &LiveInput) -> Heard {
        Heard {
            step: None,
            level_z: input.level_z.map(Dbfs::db),
            level_a: input.level_a.map(Dbfs::db),
            level_c: input.level_c.map(Dbfs::db),
            slow_z: input.slow_z.map(Dbfs::db),
            peak_c: input.peak_c.map(|p| p.db()),
            peak: input.peak.map(|p| p.db()),
            room: input.room_db,
            distortion_db: input.distortion_db,
            overloads: input.overloads,
            spectrum: input.spectrum.clone(),
        }
    }
}

impl Figures {
    fn shifted(&self, level: Option<f64>) -> Option<f64> {
        let offset = match self.unit {
            LevelUnit::Spl { offset, .. } => offset,
            LevelUnit::Dbfs => 0.0,
        };
        level.map(|l| l + offset).filter(|l| l.is_finite())
    }

    fn level(&self) -> Option<f64> {
        self.shifted(self.heard.level_z)
    }

    /// A peak in dB SPL is 3.01 dB over the peak of a sine at that level; without calibration it stays re full scale.
    fn peak(&self, heard: Option<f64>) -> Option<f64> {
        let more = if self.unit == LevelUnit::Dbfs { 0.0 } else { SINE_CREST_DB };
        self.shifted(heard).map(|p| p + more)
    }

    fn crest(&self) -> Option<f64> {
        Some(self.heard.peak? - self.heard.level_z? + SINE_CREST_DB)
    }

    /// Weighting, time or step, and point.
    fn point(&self) -> String {
        let when = self.heard.step.as_ref().map_or("F", |s| s.as_str());
        match &self.unit {
            LevelUnit::Spl { point, .. } if self.before_curve => format!("Z, {when}, {point}, before its curve"),
            LevelUnit::Spl { point, .. } => format!("Z, {when}, {point}"),
            LevelUnit::Dbfs => format!("Z, {when}, at the input, not calibrated"),
        }
    }
}

fn hold(desk: &mut Desk, ui: &Ui, level: Option<f64>) -> Option<f64> {
    let now = ui.input(|i| i.time);
    let (held, since_s) = desk.held;
    let stale = now - since_s >= HOLD_S;
    if stale || held.is_some() != level.is_some() {
        desk.held = (level, now);
    } else if held != level {
        ui.ctx().request_repaint_after(Duration::from_secs_f64(HOLD_S));
    }
    desk.held.0
}

/// The level of the deciding ear, held long enough to be read.
pub(in crate::gui) struct LevelNow {
    /// Level; `None` while nothing is heard.
    pub level: Option<f64>,
    /// Its unit.
    pub unit: &'static str,
    /// Weighting, time and point.
    pub point: String,
}

/// What is heard now.
pub(in crate::gui) fn level_now(desk: &mut Desk, ui: &Ui) -> LevelNow {
    let f = figures(desk);
    let level = hold(desk, ui, f.level().filter(|_| f.heard.step.is_none()));
    LevelNow { level, unit: f.unit.word(), point: f.point() }
}

/// The same as it was held last, for a second place.
pub(super) fn held(desk: &Desk) -> (Option<f64>, &'static str, String) {
    let f = figures(desk);
    (desk.held.0, f.unit.word(), f.point())
}

/// What each ear hears now, on the scale of levels.
pub(super) fn ears(desk: &Desk) -> Vec<EarNow> {
    let ready = desk.form.ready();
    let head = desk.view.digest.as_ref().filter(|_| !desk.asking).map(|d| &d.record.head.chain);
    let Some(chain) = head.or(ready.map(|(_, chain)| chain)) else { return Vec::new() };
    let many = chain.ears().count() > 1;
    let one = |(_, role): (usize, crate::card::InputRole)| {
        let live = desk.view.live.as_ref().and_then(|l| l.inputs.iter().find(|i| i.role == role));
        let offset = chain.acoustic(role).map(|a| a.offset.value);
        let shifted =
            |v: Option<f64>, more: f64| v.map(|v| v + offset.map_or(0.0, |o| o + more)).filter(|v| v.is_finite());
        EarNow {
            name: if many { role.in_words().into() } else { String::new() },
            level: shifted(live.and_then(|l| l.level_z).map(Dbfs::db), 0.0),
            peak: shifted(live.and_then(|l| l.peak).map(|p| p.db()), SINE_CREST_DB),
        }
    };
    chain.ears().map(one).collect()
}

/// Everything that is heard now, or the last step as stored while nothing is.
pub(super) fn column(desk: &mut Desk, ui: &mut Ui) {
    let f = figures(desk);
    parts::heading(ui, if f.heard.step.is_some() { "The last step, as stored" } else { "Now" });
    level_bar(ui, &f, f.level());
    let level = format!("{} {}", text::column(f.level(), 6), f.unit.word());
    row(ui, &f.point(), &level);
    rows(desk, ui, &f);
    spectrum(ui, &f);
}

fn level_bar(ui: &mut Ui, f: &Figures, level: Option<f64>) {
    let t = theme::tokens(ui);
    let (low, high) = if f.unit == LevelUnit::Dbfs { (-110.0, 6.0) } else { (20.0, f.ceiling + 10.0) };
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width().max(STEP), 2.5 * STEP), Sense::hover());
    let painter = ui.painter().with_clip_rect(rect);
    let at = |v: f64| rect.left() + rect.width() * (((v - low) / (high - low)).clamp(0.0, 1.0) as f32);
    painter.rect_filled(rect, 0.0, t.ground);
    if let Some(level) = level {
        painter.rect_filled(Rect::from_min_max(rect.min, pos2(at(level), rect.bottom())), 0.0, t.level);
    }
    if let Some(peak) = f.peak(f.heard.peak).filter(|p| p.is_finite()) {
        painter.vline(at(peak), rect.y_range(), Stroke::new(1.5, t.text));
    }
    let mark = at(f.ceiling);
    painter.vline(mark, rect.y_range(), Stroke::new(3.0, t.threshold));
    painter.rect_stroke(rect, 0.0, Stroke::new(1.0, t.quiet), StrokeKind::Inside);
    let words = match f.unit {
        LevelUnit::Spl { .. } => {
            format!("bar: level, thin rule: peak, thick rule: ceiling {} dB SPL", text::db(f.ceiling))
        }
        LevelUnit::Dbfs => "bar: level, thin rule: peak, thick rule: full scale of the input".into(),
    };
    parts::quiet(ui, words);
}

fn rows(desk: &Desk, ui: &mut Ui, f: &Figures) {
    let unit = f.unit.word();
    let (peak_name, peak_unit) =
        if f.unit == LevelUnit::Dbfs { ("peak re full scale, Z, C", "dB") } else { ("peak Z, C", "dB SPL") };
    let two =
        |a: Option<f64>, b: Option<f64>, unit: &str| format!("{} {} {unit}", text::column(a, 6), text::column(b, 6));
    row(ui, "A, C", &two(f.shifted(f.heard.level_a), f.shifted(f.heard.level_c), unit));
    row(ui, "slow, Z", &format!("{} {unit}", text::column(f.shifted(f.heard.slow_z), 6)));
    row(ui, peak_name, &two(f.peak(f.heard.peak), f.peak(f.heard.peak_c), peak_unit));
    if let Some(volts) = &f.volts {
        parts::quiet(ui, volts);
    }
    row(ui, "crest", &format!("{} dB", text::column(f.crest(), 6)));
    let ear = match f.heard.distortion_db.filter(|d| d.is_finite()) {
        Some(d) => format!("{}  {} dB", text::percent(d), text::column(Some(d), 5)),
        None => "     –".into(),
    };
    row(ui, "distortion at ear", &ear);
    let room = if f.heard.overloads > 0 {
        format!("OVERLOADED, {} samples", f.heard.overloads)
    } else {
        format!("{} dB", text::column(f.heard.room, 6))
    };
    row(ui, "input headroom", &room);
    let clock = desk.view.digest.as_ref().and_then(|d| d.clock.clone()).unwrap_or_else(|| "–".into());
    row(ui, "clocks", &clock);
}

fn row(ui: &mut Ui, name: &str, value: &str) {
    ui.horizontal(|ui| {
        ui.add(Label::new(RichText::new(name).color(theme::tokens(ui).quiet)).extend());
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            ui.add(Label::new(RichText::new(value).monospace()).extend());
        });
    });
}

/// Small spectrum, 20 Hz to 20 kHz on a logarithmic axis, 90 dB high.
fn spectrum(ui: &mut Ui, f: &Figures) {
    let t = theme::tokens(ui);
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width().max(STEP), 9.0 * STEP), Sense::hover());
    let painter = ui.painter().with_clip_rect(rect);
    painter.rect_filled(rect, 0.0, t.ground);
    let x = |hz: f64| rect.left() + rect.width() * ((hz / 20.0).log10() / 3.0) as f32;
    for decade in [100.0, 1000.0, 10_000.0] {
        painter.vline(x(decade), rect.y_range(), Stroke::new(1.0, t.rule));
    }
    let sound = f.heard.spectrum.iter().filter(|(hz, l)| *hz > 0.0 && l.is_finite());
    let top = sound.clone().map(|(_, l)| *l).fold(f64::MIN, f64::max);
    let line: Vec<Pos2> = sound
        .map(|(hz, l)| {
            pos2(x(*hz), rect.top() + 2.0 + (rect.height() - 4.0) * (((top - l) / 90.0).clamp(0.0, 1.0) as f32))
        })
        .collect();
    if line.len() > 1 {
        painter.add(Shape::line(line, Stroke::new(1.5, t.level)));
    }
    painter.rect_stroke(rect, 0.0, Stroke::new(1.0, t.rule), StrokeKind::Inside);
    parts::announce(ui, rect, Id::unique("spectrum-now"), "spectrum now, 20 Hz to 20 kHz, 90 dB high", false);
    let caption = if f.heard.spectrum.is_empty() {
        "spectrum: nothing is heard now"
    } else {
        "spectrum, 20 Hz to 20 kHz, rules at 100, 1 k, 10 k; 90 dB"
    };
    parts::quiet(ui, caption);
}
