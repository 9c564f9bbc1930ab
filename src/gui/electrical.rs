//! Volts and impedances, guided: which calibration, what is stated of it, then step by step what must be plugged in, what
//! sounds and what the meter showed. What comes of it stands in the nodes of the chain.

use super::app::Desk;
use super::chain_page::abreast;
use super::form::sentence;
use super::keys::Action;
use super::parts;
use super::text;
use super::theme::STEP;
use super::view::Phase;
use crate::calibration::electrical::{LoadSetup, METER_LIMIT_PERCENT, Meter, Resistor};
use crate::card::{CardId, InputRole};
use crate::session::chain::Chain;
use crate::session::electrical::{
    AUDIO_TONE_HZ, CAUTIONS, ElectricalProcedure, ElectricalRefused, ElectricalStep, INPUT_TOLERANCE_PERCENT,
    MAINS_TONE_HZ, MeterReading, StatedMeter,
};
use crate::session::plan::UNCALIBRATED_CEILING;
use crate::session::protocol::{ElectricalHeard, ElectricalTake};
use crate::stats::Estimate;
use crate::units::Dbfs;
use eframe::egui::{Align, Button, Id, Label, ProgressBar, RichText, TextEdit, Ui};

/// Which calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Volts at full scale of the output.
    Volts,
    /// Volts at full scale of an input.
    InputVolts,
    /// Source impedance.
    Source,
    /// Load impedance.
    Load,
}

impl Kind {
    const ALL: [(Kind, &'static str); 4] = [
        (Kind::Volts, "Output volts"),
        (Kind::InputVolts, "Input volts"),
        (Kind::Source, "Source impedance"),
        (Kind::Load, "Load impedance"),
    ];

    fn about(self) -> &'static str {
        match self {
            Kind::Volts => "A tone sounds while you read a voltmeter at the output: volts of a sine at 0 dBFS.",
            Kind::InputVolts => {
                "A tone sounds while a voltmeter reads what the input sees: volts of a sine at 0 dBFS there."
            }
            Kind::Source => {
                "The witness sees the output open, then on a known resistor; the loopback holds both takes together. Or type what a voltmeter read."
            }
            Kind::Load => {
                "Two inputs, source side and witness, on the same signal first, then on either side of a known resistor in series."
            }
        }
    }
}

/// A field that can be typed wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stated {
    /// Drive.
    Drive,
    /// The drive typed again.
    Again,
    /// Frequency of the tone.
    Frequency,
    /// Its length.
    Seconds,
    /// Accuracy of the meter.
    Accuracy,
    /// Divider.
    Divider,
    /// Known resistor: load or series.
    Resistor,
    /// Its tolerance.
    Tolerance,
    /// Second resistor: the lighter load, or the check.
    Second,
    /// Resistance of the input.
    Input,
    /// Cable.
    Cable,
    /// Readings of a voltmeter.
    Readings,
    /// What the meter showed.
    Reading,
}

/// Everything of the section.
#[derive(Clone, Debug)]
pub struct Guide {
    /// Which one is shown; `None`: none yet.
    pub kind: Option<Kind>,
    /// RMS drive, dBFS.
    pub drive: String,
    /// The drive above −20 dBFS, typed again.
    pub again: String,
    /// The meter.
    pub meter: Meter,
    /// Frequency of the tone, Hz; empty: the meter's usual one.
    pub frequency: String,
    /// Length of the tone.
    pub seconds: String,
    /// Accuracy of the meter, percent.
    pub accuracy: String,
    /// The headphone is connected while the meter reads.
    pub loaded: bool,
    /// Input that is calibrated.
    pub role: InputRole,
    /// Factor of divider or probe and half its interval; empty: none.
    pub divider: String,
    /// Known resistor, ohm.
    pub resistor: String,
    /// Its tolerance, percent.
    pub tolerance: String,
    /// Second resistor, ohm; empty: none.
    pub second: String,
    /// Resistance of the witness' input, ohm; empty: not allowed for.
    pub input: String,
    /// Cable and contacts, ohm, and their limits.
    pub cable: String,
    /// Two readings of a voltmeter instead of takes; empty: takes.
    pub readings: String,
    /// What the meter shows.
    pub reading: String,
    /// The field that is wrong, and its message.
    pub wrong: Option<(Stated, String)>,
    /// What could not be done.
    pub failure: Option<String>,
    /// What came of the last one.
    pub told: Vec<String>,
    /// The one on its way.
    pub on_its_way: Option<OnItsWay>,
}

/// A calibration on its way.
#[derive(Clone, Debug)]
pub struct OnItsWay {
    procedure: ElectricalProcedure,
    chain: Chain,
    drive: Dbfs,
    confirmed: bool,
    heard: Vec<ElectricalHeard>,
    remarks: Vec<String>,
}

impl OnItsWay {
    fn next(&self) -> Option<ElectricalStep> {
        self.procedure.steps().get(self.heard.len()).cloned()
    }

    fn take(&self) -> Option<ElectricalTake> {
        let ElectricalStep { hookup, sound, .. } = self.next()?;
        Some(ElectricalTake { chain: self.chain.clone(), hookup, sound, drive: self.drive, confirmed: self.confirmed })
    }
}

impl Default for Guide {
    fn default() -> Guide {
        Guide {
            kind: None,
            drive: "−30".into(),
            again: String::new(),
            meter: Meter::Mains,
            frequency: String::new(),
            seconds: "15".into(),
            accuracy: METER_LIMIT_PERCENT.to_string(),
            loaded: false,
            role: InputRole::Witness,
            divider: String::new(),
            resistor: String::new(),
            tolerance: "1".into(),
            second: String::new(),
            input: String::new(),
            cable: String::new(),
            readings: String::new(),
            reading: String::new(),
            wrong: None,
            failure: None,
            told: Vec::new(),
            on_its_way: None,
        }
    }
}

type Read<T> = Result<T, (Stated, String)>;

fn number(which: Stated, typed: &str, what: &str, example: &str) -> Read<f64> {
    text::number(typed, what, example).map_err(|message| (which, message))
}

/// Two numbers, parted by a blank or ±; `None` where nothing is typed.
fn two(which: Stated, typed: &str, what: &str, example: &str) -> Read<Option<[f64; 2]>> {
    let parts: Vec<&str> = typed.split([' ', ';', '±']).filter(|s| !s.is_empty()).collect();
    match parts.as_slice() {
        [] => Ok(None),
        [a, b] => Ok(Some([number(which, a, what, example)?, number(which, b, what, example)?])),
        _ => Err((which, format!("Type {what}, for example {example}, or leave it empty."))),
    }
}

fn optional(which: Stated, typed: &str, what: &str, example: &str) -> Read<Option<f64>> {
    if typed.trim().is_empty() { Ok(None) } else { number(which, typed, what, example).map(Some) }
}

impl Guide {
    fn stated_meter(&self) -> Read<StatedMeter> {
        let usual_hz = if self.meter == Meter::Mains { MAINS_TONE_HZ } else { AUDIO_TONE_HZ };
        let frequency = optional(Stated::Frequency, &self.frequency, "the tone's frequency in Hz", "50")?;
        Ok(StatedMeter {
            meter: self.meter,
            frequency_hz: frequency.unwrap_or(usual_hz),
            seconds: number(Stated::Seconds, &self.seconds, "how long the tone sounds, in seconds", "15")?,
            accuracy_percent: number(Stated::Accuracy, &self.accuracy, "the meter's accuracy in percent", "1.5")?,
        })
    }

    /// What is stated, as a procedure.
    fn procedure(&self, kind: Kind) -> Read<ElectricalProcedure> {
        match kind {
            Kind::Volts => Ok(ElectricalProcedure::Volts { meter: self.stated_meter()?, loaded: self.loaded }),
            Kind::InputVolts => {
                let divider =
                    two(Stated::Divider, &self.divider, "the divider's factor and half its interval", "10 0.1")?;
                let divider = divider.map_or(Estimate::exact(1.0), |[factor, half]| Estimate::symmetric(factor, half));
                Ok(ElectricalProcedure::InputVolts { role: self.role, meter: self.stated_meter()?, divider })
            }
            Kind::Source | Kind::Load => self.with_resistors(kind),
        }
    }

    fn with_resistors(&self, kind: Kind) -> Read<ElectricalProcedure> {
        let tolerance_percent = number(Stated::Tolerance, &self.tolerance, "the resistors' tolerance in percent", "1")?;
        let resistor = |ohm: f64| Resistor { ohm, tolerance_percent };
        let known = resistor(number(Stated::Resistor, &self.resistor, "the known resistor in ohms", "33")?);
        let second = optional(Stated::Second, &self.second, "the second resistor in ohms", "100")?.map(resistor);
        let input = optional(Stated::Input, &self.input, "the input's resistance in ohms", "10000")?;
        let input = input.map(|ohm| Resistor { ohm, tolerance_percent: INPUT_TOLERANCE_PERCENT });
        if kind == Kind::Load {
            let usual = LoadSetup::through(known);
            let cable = two(Stated::Cable, &self.cable, "cable and contacts in ohms and their limits", "0.1 0.02")?;
            let cable_ohm = cable.map_or(usual.cable_ohm, |[ohm, limit]| Estimate::symmetric(ohm, limit));
            let setup = LoadSetup { input, cable_ohm, ..usual };
            return Ok(ElectricalProcedure::Load { setup, check: second, plane: "plug of the headphone".into() });
        }
        let plane = "plug of the output".to_string();
        let what = "the volts open (or on the lighter resistor) and on the known one";
        let Some(readings_v) = two(Stated::Readings, &self.readings, what, "2.000 1.500")? else {
            return Ok(ElectricalProcedure::Source { heavier: known, lighter: second, input, plane });
        };
        let digits =
            self.readings.split([' ', ';']).filter_map(|one| Some(MeterReading::typed(one).ok()?.last_digit_v));
        Ok(ElectricalProcedure::SourceByMeter {
            readings_v,
            heavier: known,
            lighter: second,
            input,
            // Two readings of one meter on one range (common practice, no source).
            straight_within_percent: 0.1,
            last_digit_v: digits.fold(0.0, f64::max),
            plane,
        })
    }

    /// The drive, and whether one above what an uncalibrated output may be given was typed twice.
    fn stated_drive(&self) -> Read<(Dbfs, bool)> {
        let drive = number(Stated::Drive, &self.drive, "the drive in dBFS RMS", "−30")?;
        if !(-120.0..=0.0).contains(&drive) {
            return Err((Stated::Drive, "A drive lies between −120 and 0 dBFS.".into()));
        }
        let again = text::number(&self.again, "", "").is_ok_and(|again| (again - drive).abs() < 1e-9);
        if drive > UNCALIBRATED_CEILING.db() && !again {
            let message = format!(
                "{} is above {UNCALIBRATED_CEILING}: it may be more than headphone, resistors and inputs bear. Type it again to allow it.",
                Dbfs(drive)
            );
            return Err((Stated::Again, message));
        }
        Ok((Dbfs(drive), again))
    }

    /// Begins on this chain; what cannot be is said beside its field.
    fn begin(&mut self, chain: &Chain) {
        let Some(kind) = self.kind else { return };
        (self.wrong, self.failure, self.on_its_way) = (None, None, None);
        self.told.clear();
        self.reading.clear();
        let both = self.procedure(kind).and_then(|procedure| Ok((procedure, self.stated_drive()?)));
        let (procedure, (drive, confirmed)) = match both {
            Ok(both) => both,
            Err(wrong) => {
                self.wrong = Some(wrong);
                return;
            }
        };
        if let Err(refused) = procedure.check(chain) {
            let missing = matches!(refused, ElectricalRefused::NoInput(_) | ElectricalRefused::NoLoopback);
            let help = if missing { ". Add it under the capture card" } else { "" };
            self.failure = Some(sentence(&format!("{refused}{help}")));
            return;
        }
        let chain = chain.clone();
        self.on_its_way = Some(OnItsWay { procedure, chain, drive, confirmed, heard: Vec::new(), remarks: Vec::new() });
    }
}

/// Identity of the field for the meter's reading, for focus.
pub(super) fn reading_id() -> Id {
    Id::unique("meter-reading")
}

impl Desk {
    /// The one key of the section: begins, plays what is plugged in, keeps what the meter showed.
    pub(super) fn electrical_step(&mut self) {
        self.page = super::app::Page::Chain;
        self.view.electrical_is_news = true;
        self.guide.failure = None;
        if self.view.phase != Phase::Idle {
            self.guide.failure = Some(self.busy_because());
            return;
        }
        if self.guide.kind.is_none() {
            self.guide.kind = Some(Kind::Volts);
            return;
        }
        match &self.guide.on_its_way {
            None => self.begin_electrical(),
            Some(way) => match way.take() {
                Some(take) => self.play_electrical(take),
                None => self.finish_electrical(),
            },
        }
    }

    fn begin_electrical(&mut self) {
        let Some((_, chain)) = self.form.ready() else {
            self.guide.failure = Some(self.not_ready_because());
            return;
        };
        self.guide.begin(&chain.clone());
        // What asks for no take is done.
        if self.guide.on_its_way.as_ref().is_some_and(|way| way.procedure.steps().is_empty()) {
            self.finish_electrical();
        }
    }

    fn play_electrical(&mut self, take: ElectricalTake) {
        self.view.phase = Phase::Electrical;
        self.view.playing = None;
        self.wants_focus = Some(reading_id());
        self.send(crate::session::protocol::Command::Electrical(Box::new(take)));
    }

    /// A take is done.
    pub(super) fn electrical_heard(&mut self, heard: ElectricalHeard) {
        self.guide.failure = None;
        let Some(way) = &mut self.guide.on_its_way else { return };
        way.remarks.extend(heard.flaws.iter().map(|flaw| flaw.text.clone()));
        way.heard.push(heard);
        match way.procedure.so_far(&way.heard) {
            Ok(words) => way.remarks.extend(words),
            Err(refused) => {
                self.guide.failure = Some(sentence(&refused.to_string()));
                self.guide.on_its_way = None;
                return;
            }
        }
        if way.next().is_none() && way.procedure.meter().is_none() {
            self.finish_electrical();
        }
    }

    fn finish_electrical(&mut self) {
        let Some(way) = &self.guide.on_its_way else { return };
        self.guide.wrong = None;
        let reading = match way.procedure.meter().map(|_| MeterReading::typed(&self.guide.reading)) {
            None => None,
            Some(Ok(reading)) => Some(reading),
            Some(Err(message)) => {
                self.guide.wrong = Some((Stated::Reading, sentence(&message)));
                self.wants_focus = Some(reading_id());
                return;
            }
        };
        match way.procedure.result(&way.chain, &way.heard, reading, &self.now()) {
            Ok(result) => {
                self.guide.on_its_way = None;
                self.guide.told = result.words;
                self.form.take_electrical(result.part, &result.chain);
                self.changed();
                self.keep_chain();
            }
            Err(refused) => self.guide.failure = Some(sentence(&refused.to_string())),
        }
    }
}

/// Draws the section.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    let top = eframe::egui::Rect::from_min_size(ui.cursor().min, eframe::egui::vec2(1.0, 1.0));
    parts::heading(ui, "Volts and impedances");
    if std::mem::take(&mut desk.view.electrical_is_news) {
        ui.scroll_to_rect(top, Some(Align::Min));
    }
    let free = desk.view.phase == Phase::Idle && desk.guide.on_its_way.is_none();
    ui.horizontal_wrapped(|ui| {
        for (kind, name) in Kind::ALL {
            ui.add_enabled_ui(free, |ui| {
                if parts::choice(ui, desk.guide.kind == Some(kind), name).clicked() {
                    desk.guide.kind = Some(kind);
                    (desk.guide.wrong, desk.guide.failure) = (None, None);
                    desk.guide.told.clear();
                }
            });
        }
    });
    let Some(kind) = desk.guide.kind else {
        parts::quiet(
            ui,
            "Measured here or typed above: with them every drive is told in volts and milliwatts at the load too.",
        );
        return;
    };
    parts::quiet(ui, kind.about());
    ui.add_space(0.5 * STEP);
    abreast(desk, ui, [stated, steps, result]);
}

fn field(ui: &mut Ui, desk: &mut Desk, which: Stated, label: &str, pick: fn(&mut Guide) -> &mut String) {
    parts::named(ui, label, false, |ui, name| {
        let edit = TextEdit::singleline(pick(&mut desk.guide)).desired_width(ui.available_width() - 1.5 * STEP);
        ui.add(edit).labelled_by(name);
    });
    if let Some((at, message)) = &desk.guide.wrong
        && *at == which
    {
        parts::wrong(ui, message);
    }
}

/// What is stated before anything sounds.
fn stated(desk: &mut Desk, ui: &mut Ui) {
    let Some(kind) = desk.guide.kind else { return };
    let free = desk.view.phase == Phase::Idle && desk.guide.on_its_way.is_none();
    ui.add_enabled_ui(free, |ui| {
        match kind {
            Kind::Volts => {
                meter(desk, ui);
                let places = [(false, "open output".to_string()), (true, "at the headphone".to_string())];
                if let Some(loaded) = parts::list(ui, "Meter reads", &desk.guide.loaded, &places) {
                    desk.guide.loaded = loaded;
                }
            }
            Kind::InputVolts => {
                let roles = [InputRole::Witness, InputRole::SourceSide].map(|r| (r, r.in_words().to_string()));
                if let Some(role) = parts::list(ui, "Which input", &desk.guide.role, &roles) {
                    desk.guide.role = role;
                }
                meter(desk, ui);
                field(ui, desk, Stated::Divider, "Divider, ×  ±", |g| &mut g.divider);
                parts::quiet(ui, "Where the meter reads behind a divider or probe, at the input itself; else empty.");
            }
            Kind::Source => {
                field(ui, desk, Stated::Resistor, "Known load, Ω", |g| &mut g.resistor);
                field(ui, desk, Stated::Second, "Lighter one, Ω", |g| &mut g.second);
                field(ui, desk, Stated::Tolerance, "Tolerance, %", |g| &mut g.tolerance);
                field(ui, desk, Stated::Input, "Input, Ω", |g| &mut g.input);
                field(ui, desk, Stated::Readings, "Or readings, V V", |g| &mut g.readings);
                parts::quiet(ui, "Lighter: a second load instead of the open output. Input: the witness' own resistance, or the meter's.");
            }
            Kind::Load => {
                field(ui, desk, Stated::Resistor, "In series, Ω", |g| &mut g.resistor);
                field(ui, desk, Stated::Second, "Check first, Ω", |g| &mut g.second);
                field(ui, desk, Stated::Tolerance, "Tolerance, %", |g| &mut g.tolerance);
                field(ui, desk, Stated::Input, "Witness, Ω", |g| &mut g.input);
                field(ui, desk, Stated::Cable, "Cable, Ω ±Ω", |g| &mut g.cable);
                parts::quiet(ui, "A resistor in the headphone's place first shows that the set-up reads true. Witness: its own resistance.");
            }
        }
        field(ui, desk, Stated::Drive, "Drive, dBFS RMS", |g| &mut g.drive);
        let raised = text::number(&desk.guide.drive, "", "").is_ok_and(|d| d > UNCALIBRATED_CEILING.db());
        if raised || desk.guide.wrong.as_ref().is_some_and(|(at, _)| *at == Stated::Again) {
            field(ui, desk, Stated::Again, "The drive again", |g| &mut g.again);
        }
    });
}

fn meter(desk: &mut Desk, ui: &mut Ui) {
    let kinds = [(Meter::Mains, "for 50 and 60 Hz".to_string()), (Meter::Audio, "for audio too".to_string())];
    if let Some(meter) = parts::list(ui, "Voltmeter", &desk.guide.meter, &kinds) {
        desk.guide.meter = meter;
    }
    field(ui, desk, Stated::Accuracy, "Its accuracy, %", |g| &mut g.accuracy);
    field(ui, desk, Stated::Frequency, "Tone, Hz", |g| &mut g.frequency);
    field(ui, desk, Stated::Seconds, "Sounds for, s", |g| &mut g.seconds);
    parts::quiet(ui, "Most handheld meters are wrong at 1 kHz. Empty: 50 Hz, or 1 kHz for a meter made for it.");
}

/// What to do now, and what went wrong of it.
fn steps(desk: &mut Desk, ui: &mut Ui) {
    now(desk, ui);
    if let Some(message) = &desk.guide.failure {
        parts::wrong(ui, message);
    }
}

fn now(desk: &mut Desk, ui: &mut Ui) {
    let ctx = ui.ctx().clone();
    let playing = desk.view.phase == Phase::Electrical;
    let idle = desk.view.phase == Phase::Idle;
    let simulated = desk.form.playback == CardId::simulated();
    let Some(way) = &desk.guide.on_its_way else {
        for caution in CAUTIONS {
            parts::quiet(ui, caution);
        }
        if ui.add_enabled(idle, Button::new(format!("Begin  {}", Action::Electrical.key()))).clicked() {
            desk.act(Action::Electrical, &ctx);
        }
        return;
    };
    let all = way.procedure.steps();
    let (asks, next, remarks) = (way.procedure.meter().copied(), way.next(), way.remarks.clone());
    let number = way.heard.len() + 1;
    for remark in &remarks {
        parts::quiet(ui, remark);
    }
    if let Some(step) = &next {
        let words = format!("Step {number} of {}: {}", all.len(), step.purpose);
        ui.add(Label::new(RichText::new(words).strong()).wrap());
        if playing {
            progress(desk, ui);
        } else {
            ui.add(Label::new(format!("Plug in: {}. Nothing sounds.", step.hookup)).wrap());
            if simulated {
                parts::quiet(ui, "The simulated bench plugs it in by itself.");
            }
            if ui
                .add_enabled(idle, Button::new(format!("It is plugged in: play  {}", Action::Electrical.key())))
                .clicked()
            {
                desk.act(Action::Electrical, &ctx);
            }
        }
    }
    if asks.is_some() && (playing || next.is_none()) {
        reading(desk, ui);
        if next.is_none() {
            if ui.add_enabled(idle, Button::new(format!("Keep it  {}", Action::Electrical.key()))).clicked() {
                desk.act(Action::Electrical, &ctx);
            }
            if ui.add_enabled(idle, Button::new("Play it again")).clicked()
                && let Some(way) = &mut desk.guide.on_its_way
            {
                way.heard.clear();
                desk.act(Action::Electrical, &ctx);
            }
        }
    }
    if !playing && ui.add_enabled(idle, Button::new("Leave it")).clicked() {
        desk.guide.on_its_way = None;
    }
}

fn reading(desk: &mut Desk, ui: &mut Ui) {
    parts::named(ui, "Meter shows, V", false, |ui, name| {
        let width = ui.available_width() - 1.5 * STEP;
        let edit = ui.add(TextEdit::singleline(&mut desk.guide.reading).id(reading_id()).desired_width(width));
        if desk.wants_focus == Some(reading_id()) {
            edit.request_focus();
            desk.wants_focus = None;
        }
        edit.labelled_by(name);
    });
    if let Some((Stated::Reading, message)) = &desk.guide.wrong {
        parts::wrong(ui, message);
    }
}

fn progress(desk: &Desk, ui: &mut Ui) {
    let Some((done_s, total_s)) = desk.view.playing else {
        parts::quiet(ui, "The cards are being opened.");
        return;
    };
    let left_s = (total_s - done_s).max(0.0);
    let words = format!("sounds, about {left_s:.0} s left; {} ends it", Action::Stop.key());
    ui.add(ProgressBar::new((done_s / total_s.max(1e-9)).clamp(0.0, 1.0) as f32).text(words));
}

/// What came of it.
fn result(desk: &mut Desk, ui: &mut Ui) {
    let Some((first, more)) = desk.guide.told.split_first() else { return };
    let label = ui.add(Label::new(RichText::new(first).strong()).wrap());
    ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(eframe::egui::accesskit::Live::Polite));
    for line in more {
        ui.label(RichText::new(line).monospace().size(super::theme::SMALL));
    }
    parts::quiet(ui, "Kept in the chain; it stands above, in the nodes.");
}
