//! What the user types, and what it means: every field is checked at each change, its message stands beside it, and
//! only a form without a message makes a session.

use super::StartState;
use super::particulars::Particulars;
use super::text;
use crate::calibration::{self, Acoustic, Calibrator, SENSITIVITY_HALF_WIDTH_DB};
use crate::card::{
    CaptureChannel, CardDescription, CardId, Direction, InputRole, Routing, SimulatedDevices, known_name,
};
use crate::session::chain::{Chain, ChainCeilings, Coupler, ElectricalPart, InputSetting};
use crate::session::plan::{
    AskedLevel, DEFAULT_CEILING, Extent, ListeningLevel, Plan, PlanError, UNCALIBRATED_CEILING, Weighting,
};
use crate::session::protocol::SessionRequest;
use crate::signal::{Burst, Noise, Stimulus, Sweep, TwoTones};
use crate::stats::Estimate;
use crate::units::{DbSpl, Dbfs, SampleRate};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Rates offered.
pub const RATES: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];

/// A field that can be typed wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Field {
    /// Output under test.
    Output,
    /// Headphone.
    Headphone,
    /// Listening level.
    Listening,
    /// Wanted headroom.
    Wanted,
    /// Ceiling: dB SPL where calibrated, else dBFS.
    Ceiling,
    /// The ceiling typed again.
    Again,
    /// Sines beside the noise.
    Sines,
    /// Levels at which sines and other sounds are played.
    Asked,
    /// Playback channels.
    PlaybackChannels,
    /// Capture channels.
    CaptureChannels,
    /// Cards and rates as a whole.
    Cards,
    /// Microphone's stated maximum.
    MicrophoneMax,
    /// Dates of certificates.
    Certificates,
    /// Age at which a certificate is doubted.
    CertificateMonths,
    /// Age at which an offset is doubted.
    OffsetHours,
    /// The chain's own ceiling.
    ChainCeiling,
    /// The same on the drive.
    ChainCeilingDrive,
    /// Distortion of the capture card.
    CardDistortion,
    /// Volts at full scale of the output.
    Volts,
    /// Source impedance.
    Source,
    /// Load impedance.
    Load,
    /// Ceiling in volts.
    CeilingVolts,
    /// Ceiling in milliwatts.
    CeilingMilliwatts,
    /// Typed calibration offset.
    Offset,
    /// Its half interval.
    OffsetHalfWidth,
    /// Frequency of the sound calibrator.
    CalibratorFrequency,
    /// What is added to its level.
    LevelCorrection,
    /// Sensitivity of the microphone.
    Sensitivity,
    /// Volts of a full-scale sine at the input.
    InputVolts,
    /// Level of the sound calibrator.
    CalibratorLevel,
    /// Half interval of the sound calibrator.
    CalibratorHalfWidth,
}

impl Field {
    /// A message here keeps a session from starting (those of the calibration box do not).
    pub fn bars_start(self) -> bool {
        self < Field::Offset
    }

    /// True for what is typed on page Chain.
    pub fn of_page_chain(self) -> bool {
        self >= Field::PlaybackChannels
    }
}

/// One capture channel as typed.
#[derive(Clone, Debug, PartialEq)]
pub struct InputRow {
    /// Channel, counted from 1 as on the card.
    pub channel: String,
    /// What is connected.
    pub role: InputRole,
}

/// Everything typed or chosen.
#[derive(Clone, Debug)]
pub struct Form {
    /// Name of the chain.
    pub chain_name: String,
    /// Output under test.
    pub output: String,
    /// Volume positions.
    pub volume: String,
    /// Headphone.
    pub headphone: String,
    /// Listening level, dB SPL; empty: none stated.
    pub listening: String,
    /// Its weighting, and the field it is related to.
    pub weighting: (Weighting, Option<calibration::Field>),
    /// Wanted headroom, dB.
    pub wanted: String,
    /// Ceiling, dB SPL.
    pub ceiling_spl: String,
    /// Ceiling, dBFS RMS, while nothing is calibrated.
    pub ceiling_drive: String,
    /// A raised ceiling typed again.
    pub again: String,
    /// Sines, Hz, parted by blanks.
    pub sines: String,
    /// Other sounds beside the noise.
    pub beside: Vec<Stimulus>,
    /// Levels at which sines and other sounds are played, parted by blanks: dB SPL where calibrated, else dBFS.
    pub asked: String,
    /// Quick look or session.
    pub extent: Extent,
    /// Card that plays.
    pub playback: CardId,
    /// Its channels from 1, parted by blanks.
    pub playback_channels: String,
    /// Card that records.
    pub capture: CardId,
    /// Its channels.
    pub inputs: Vec<InputRow>,
    /// Playback rate.
    pub playback_rate: SampleRate,
    /// Capture rate.
    pub capture_rate: SampleRate,
    /// What the headphone sits on.
    pub coupler: Coupler,
    /// Microphone's stated maximum, dB SPL peak; empty: unknown.
    pub microphone_max: String,
    /// Ear whose calibration is shown.
    pub ear: InputRole,
    /// Volts at full scale of the output and half their interval; empty: not known.
    pub volts: String,
    /// Source impedance likewise, ohm.
    pub source: String,
    /// Load impedance likewise, ohm.
    pub load: String,
    /// Ceiling of the chain, volts RMS; empty: none.
    pub ceiling_volts: String,
    /// Ceiling of the chain, milliwatts; empty: none.
    pub ceiling_milliwatts: String,
    /// Typed offset, dB.
    pub offset: String,
    /// Half interval of the typed offset, dB.
    pub offset_half_width: String,
    /// Stated level of the sound calibrator, dB SPL.
    pub calibrator_level: String,
    /// Its frequency, Hz.
    pub calibrator_frequency: String,
    /// Added to its level, dB.
    pub level_correction: String,
    /// Microphone, mV/Pa; with the next it gives the offset where no calibrator fits.
    pub sensitivity: String,
    /// RMS volts of a full-scale sine at the input.
    pub input_volts: String,
    /// Half interval of the sound calibrator, dB.
    pub calibrator_half_width: String,
    /// Offsets in force.
    pub acoustic: BTreeMap<InputRole, Acoustic>,
    /// What else is typed of the chain.
    pub particulars: Particulars,
    /// The chain as it was read; what is edited as it stands is edited here.
    pub(super) kept: Chain,
    block_frames: u32,
    base: Plan,
    sessions: PathBuf,
    /// Messages, beside their fields.
    pub wrong: BTreeMap<Field, String>,
    /// What the simulated bench takes for a name that it does not know, beside the field of the name.
    pub stands_in: BTreeMap<Field, String>,
    ready: Option<(Plan, Chain)>,
    full_drive: Option<(SampleRate, f64)>,
    /// The input that each offset was taken on.
    taken_on: BTreeMap<InputRole, InputSetting>,
    /// Offsets that were taken on another input than stands here now: not used, and in force again once it does.
    suspended: BTreeMap<InputRole, Acoustic>,
    /// Why they are not used.
    pub not_used: Option<String>,
    /// What of the electrical figures is not used, and why.
    pub electrical_dropped: Vec<String>,
}

/// Marks a drive among levels in dB SPL.
const DRIVE_UNIT: &str = "dBFS";

fn asked_words(level: &AskedLevel) -> String {
    match level {
        AskedLevel::Spl(spl) => shown(spl.db()),
        AskedLevel::Drive(drive) => shown(drive.db()) + DRIVE_UNIT,
    }
}

fn one_based(channels: impl Iterator<Item = u16>) -> String {
    channels.map(|c| (c + 1).to_string()).collect::<Vec<_>>().join(" ")
}

/// As typed: no more places than a person would type.
fn shown(value: f64) -> String {
    format!("{}", (value * 1e6).round() / 1e6).replace('-', "−")
}

/// Takes out what was taken on another output, headphone or input, and says so; and which ceilings cannot act.
fn electrical_not_used(chain: &mut Chain) -> Vec<String> {
    let dropped = chain.drop_changed_electrical();
    let words =
        dropped.iter().map(|one| sentence(&format!("{} ({}) is not used: {}", one.part.words(), one.told, one.what)));
    let words: Vec<String> = words.collect();
    words.into_iter().chain(chain.idle_ceilings(&ChainCeilings::default())).collect()
}

/// Value and half width, as typed.
fn shown_estimate(e: Option<Estimate>) -> String {
    e.map_or(String::new(), |e| format!("{} {}", shown(e.value), shown(e.half_width())))
}

/// A value with half its interval; `None` where nothing is typed.
fn estimate(typed: &str, what: &str, example: &str) -> Result<Option<Estimate>, String> {
    let numbers: Vec<&str> = typed.split([' ', ';', '±']).filter(|s| !s.is_empty()).collect();
    let message = || format!("Type {what} and half its 95 % interval, for example {example}, or leave it empty.");
    match numbers.as_slice() {
        [] => Ok(None),
        [value, half] => {
            let number = |typed: &str| text::number(typed, what, example).map_err(|_| message());
            let (value, half) = (number(value)?, number(half)?);
            if value > 0.0 && (0.0..=value).contains(&half) {
                Ok(Some(Estimate::symmetric(value, half)))
            } else {
                Err(message())
            }
        }
        _ => Err(message()),
    }
}

impl Form {
    /// As the program starts.
    pub fn new(start: StartState) -> Form {
        let StartState { chain, plan, sessions, .. } = start;
        let kept = chain.clone();
        let particulars = Particulars::of(&chain);
        let row = |c: &CaptureChannel| InputRow { channel: (c.channel + 1).to_string(), role: c.role };
        let inputs: Vec<InputRow> = chain.routing.capture_channels.iter().map(row).collect();
        let ear = chain.ears().next().map_or(InputRole::LeftEar, |(_, role)| role);
        let mut form = Form {
            listening: plan.listening.map_or(String::new(), |l| shown(l.level.db())),
            weighting: plan.listening.map_or((Weighting::Z, None), |l| (l.weighting, l.field)),
            wanted: shown(plan.wanted_headroom_db),
            ceiling_spl: shown(plan.ceilings.spl.db()),
            ceiling_drive: shown(plan.ceilings.drive.unwrap_or(UNCALIBRATED_CEILING).db()),
            again: String::new(),
            sines: plan.sines_hz.iter().map(|f| shown(*f)).collect::<Vec<_>>().join(" "),
            beside: plan.beside.clone(),
            asked: plan.asked.iter().map(asked_words).collect::<Vec<_>>().join(" "),
            extent: plan.extent,
            playback_channels: one_based(chain.routing.playback_channels.iter().copied()),
            inputs,
            ear,
            microphone_max: chain.microphone_max_db_spl.map_or(String::new(), shown),
            volts: shown_estimate(chain.output_side.volts_per_full_scale),
            source: shown_estimate(chain.output_side.source_impedance_ohm),
            load: shown_estimate(chain.output_side.load_impedance_ohm),
            ceiling_volts: chain.output_side.ceilings.volts.map_or(String::new(), shown),
            ceiling_milliwatts: chain.output_side.ceilings.milliwatts.map_or(String::new(), shown),
            electrical_dropped: Vec::new(),
            offset: String::new(),
            offset_half_width: "0.4".into(),
            calibrator_level: "94".into(),
            calibrator_frequency: "1000".into(),
            level_correction: "0".into(),
            sensitivity: String::new(),
            input_volts: String::new(),
            calibrator_half_width: shown(crate::calibration::Calibrator::at_1_khz(94.0).level.half_width()),
            chain_name: chain.name,
            output: chain.output,
            volume: chain.volume,
            headphone: chain.headphone,
            playback: chain.routing.playback,
            capture: chain.routing.capture,
            playback_rate: chain.routing.playback_rate,
            capture_rate: chain.routing.capture_rate,
            coupler: chain.coupler,
            particulars,
            acoustic: chain.acoustic,
            kept,
            block_frames: chain.routing.block_frames,
            base: plan,
            sessions,
            wrong: BTreeMap::new(),
            stands_in: BTreeMap::new(),
            ready: None,
            full_drive: None,
            taken_on: chain.taken_on,
            suspended: BTreeMap::new(),
            not_used: None,
        };
        form.check(&[]);
        form
    }

    /// True where the deciding ear has an offset.
    pub fn is_calibrated(&self) -> bool {
        self.deciding_ear().is_some_and(|role| self.acoustic.contains_key(&role))
    }

    /// The first ear among the inputs.
    pub fn deciding_ear(&self) -> Option<InputRole> {
        self.ears().next()
    }

    /// Ears among the inputs.
    pub fn ears(&self) -> impl Iterator<Item = InputRole> + '_ {
        let ear = |role: &InputRole| matches!(role, InputRole::LeftEar | InputRole::RightEar);
        self.inputs.iter().map(|i| i.role).filter(ear)
    }

    /// Folder that sessions are kept in.
    pub fn sessions(&self) -> &Path {
        &self.sessions
    }

    /// The plan and chain, where nothing is wrong.
    pub fn ready(&self) -> Option<&(Plan, Chain)> {
        self.ready.as_ref()
    }

    /// The sounds that can be chosen, and those that a plan brought along.
    pub fn sounds(&self) -> Vec<Stimulus> {
        let usual = [
            Stimulus::Sweep(Sweep::STANDARD),
            Stimulus::TwoTones(TwoTones::Modulation),
            Stimulus::TwoTones(TwoTones::DifferenceFrequency),
            Stimulus::Burst(Burst {}),
            Stimulus::Noise(Noise::STANDARD),
        ];
        let brought = self.beside.iter().filter(|s| !usual.contains(s)).cloned().collect::<Vec<_>>();
        usual.into_iter().chain(brought).collect()
    }

    /// Chooses a sound, or leaves it out again.
    pub fn toggle(&mut self, sound: &Stimulus) {
        match self.beside.iter().position(|s| s == sound) {
            Some(at) => drop(self.beside.remove(at)),
            None => self.beside.push(sound.clone()),
        }
    }

    /// The session as it would start now.
    pub fn request(&self) -> Option<SessionRequest> {
        let (plan, chain) = self.ready.clone()?;
        Some(SessionRequest { plan, chain, sessions: self.sessions.clone(), id: None })
    }

    /// Drive at which the noise reaches full scale, at the playback rate (kept: it costs a spectrum).
    pub fn full_drive(&mut self) -> f64 {
        match self.full_drive {
            Some((rate, full)) if rate == self.playback_rate => full,
            _ => {
                let stimulus = crate::signal::Stimulus::pink(self.playback_rate);
                let full = stimulus.period(self.playback_rate).full_drive().map_or(0.0, Dbfs::db);
                self.full_drive = Some((self.playback_rate, full));
                full
            }
        }
    }

    /// Reads every field again and sets the messages.
    pub fn check(&mut self, cards: &[CardDescription]) {
        let mut wrong = BTreeMap::new();
        let mut chain = self.read_chain(cards, &mut wrong);
        if let Some(chain) = &mut chain {
            self.settle_offsets(chain);
        }
        self.electrical_dropped = chain.as_mut().map_or(Vec::new(), electrical_not_used);
        let plan = self.read_plan(&mut wrong);
        self.read_calibration(&mut wrong);
        let bars = wrong.keys().any(|f: &Field| f.bars_start());
        self.ready = plan.zip(chain).filter(|_| !bars);
        self.wrong = wrong;
        self.stands_in = self.simulated(cards).map_or_else(BTreeMap::new, |devices| {
            let fields = [
                (Field::Output, &self.output, &devices.outputs),
                (Field::Headphone, &self.headphone, &devices.headphones),
            ];
            fields.into_iter().filter_map(|(field, name, all)| Some((field, stands_in(name.trim(), all)?))).collect()
        });
    }

    /// What the chosen playback card can simulate; `None` for a real card.
    pub fn simulated<'a>(&self, cards: &'a [CardDescription]) -> Option<&'a SimulatedDevices> {
        let card = cards.iter().find(|c| c.id == self.playback && c.direction == Direction::Playback)?;
        card.simulates.as_ref()
    }

    /// An offset belongs to one input as it was set: on another it would turn into a wrong number.
    fn settle_offsets(&mut self, chain: &mut Chain) {
        chain.acoustic.extend(std::mem::take(&mut self.suspended));
        chain.taken_on = self.taken_on.clone();
        let new: Vec<InputRole> =
            chain.acoustic.keys().filter(|role| !chain.taken_on.contains_key(role)).copied().collect();
        chain.offsets_belong_here(new);
        self.taken_on = chain.taken_on.clone();
        let all = chain.acoustic.clone();
        let changed = chain.drop_changed_offsets();
        self.acoustic = chain.acoustic.clone();
        self.suspended = all.into_iter().filter(|(role, _)| changed.iter().any(|c| c.role == *role)).collect();
        self.not_used = changed.first().map(|offset| {
            let ear = offset.role.in_words();
            format!(
                "The offset of the {ear} is not used: {}. Calibrate this input, or say that it still holds.",
                offset.what
            )
        });
    }

    /// The offsets that are not used hold for the inputs as they are now.
    pub fn offsets_still_hold(&mut self) {
        for role in self.suspended.keys() {
            self.taken_on.remove(role);
        }
    }

    /// Takes an offset into force.
    pub fn take_offset(&mut self, role: InputRole, acoustic: Acoustic) {
        self.acoustic.insert(role, acoustic);
        self.suspended.remove(&role);
        self.taken_on.remove(&role);
    }

    fn read_plan(&self, wrong: &mut BTreeMap<Field, String>) -> Option<Plan> {
        let rate = self.playback_rate;
        let mut plan = match self.extent {
            Extent::Session => Plan::session(rate),
            Extent::QuickLook => Plan::quick_look(rate),
            Extent::PathCheck => Plan::path_check(rate),
        };
        plan.rule = self.base.rule;
        plan.step_db = self.base.step_db;
        plan.distortion_limit_percent = self.base.distortion_limit_percent;
        plan.stop_at_ear = self.base.stop_at_ear;
        plan.seats = if self.extent == self.base.extent { self.base.seats } else { plan.seats };
        plan.ceilings = self.base.ceilings;
        let mut read = |field, typed: &str, what, example| {
            text::number(typed, what, example).map_err(|message| wrong.insert(field, message)).ok()
        };
        let listening = match self.listening.trim() {
            "" => None,
            typed => Some(read(Field::Listening, typed, "the listening level in dB SPL, or leave it empty", "70")?),
        };
        let (weighting, field) = self.weighting;
        plan.listening = listening.map(|l| ListeningLevel { level: DbSpl(l), weighting, field });
        plan.wanted_headroom_db = read(Field::Wanted, &self.wanted, "the wanted headroom in dB", "20")?;
        for typed in self.sines.split([' ', ';']).filter(|s| !s.is_empty()) {
            plan.sines_hz.push(read(Field::Sines, typed, "frequencies in Hz, or leave it empty", "997 63")?);
        }
        plan.beside.clone_from(&self.beside);
        for typed in self.asked.split([' ', ';']).filter(|s| !s.is_empty()) {
            let (what, example) = match self.is_calibrated() {
                true => ("levels in dB SPL, or leave it empty", "80 90"),
                false => ("drives in dBFS RMS, or leave it empty", "−40 −30"),
            };
            let level = read(Field::Asked, typed.trim_end_matches(DRIVE_UNIT), what, example)?;
            let is_drive = typed.ends_with(DRIVE_UNIT) || !self.is_calibrated();
            plan.asked.push(if is_drive { AskedLevel::Drive(Dbfs(level)) } else { AskedLevel::Spl(DbSpl(level)) });
        }
        let (asked, default) = if self.is_calibrated() {
            let asked = read(Field::Ceiling, &self.ceiling_spl, "the ceiling in dB SPL", "115")?;
            plan.ceilings.spl = DbSpl(asked);
            (asked, DEFAULT_CEILING.db())
        } else {
            let asked = read(Field::Ceiling, &self.ceiling_drive, "the ceiling of the drive in dBFS RMS", "−20")?;
            let default = UNCALIBRATED_CEILING.db();
            plan.ceilings.drive = (asked.to_bits() != default.to_bits()).then_some(Dbfs(asked));
            (asked, default)
        };
        if let Err(error) = plan.check(rate) {
            wrong.insert(field_of(&error), sentence(&error.to_string()));
        } else if asked > default && text::number(&self.again, "", "").ok() != Some(asked) {
            let message = format!(
                "{} is above the default of {}. Levels over it harm hearing and can damage drivers: type {} again to allow it.",
                shown(asked),
                shown(default),
                shown(asked)
            );
            wrong.insert(Field::Again, message);
        }
        Some(plan)
    }

    /// True where the ceiling stands above its default, so that it has to be typed again.
    pub fn ceiling_is_raised(&self) -> bool {
        let (typed, default) = if self.is_calibrated() {
            (&self.ceiling_spl, DEFAULT_CEILING.db())
        } else {
            (&self.ceiling_drive, UNCALIBRATED_CEILING.db())
        };
        text::number(typed, "", "").is_ok_and(|v| v > default)
    }

    fn read_chain(&self, cards: &[CardDescription], wrong: &mut BTreeMap<Field, String>) -> Option<Chain> {
        if self.output.trim().is_empty() {
            wrong.insert(Field::Output, "Name the output, for example \u{201c}console phones socket\u{201d}.".into());
        }
        if self.headphone.trim().is_empty() {
            wrong.insert(Field::Headphone, "Name the headphone, for example \u{201c}closed 80 Ω\u{201d}.".into());
        }
        let microphone_max_db_spl = match self.microphone_max.trim() {
            "" => None,
            typed => {
                let read = text::number(typed, "the highest dB SPL the microphone takes, or leave it empty", "130");
                read.map_err(|message| wrong.insert(Field::MicrophoneMax, message)).ok()
            }
        };
        let most = |id: &CardId, way| cards.iter().find(|c| c.id == *id && c.direction == way).map(|c| c.channels);
        let playback = channels(&self.playback_channels, most(&self.playback, Direction::Playback))
            .map_err(|message| wrong.insert(Field::PlaybackChannels, message));
        let capture = self
            .capture_channels(most(&self.capture, Direction::Capture))
            .map_err(|message| wrong.insert(Field::CaptureChannels, message));
        if let Some(message) = missing_card(cards, &self.playback, &self.capture) {
            wrong.insert(Field::Cards, message);
        }
        let mut chain = Chain {
            name: self.chain_name.trim().into(),
            routing: Routing {
                playback: self.playback.clone(),
                playback_channels: playback.ok()?,
                playback_rate: self.playback_rate,
                capture: self.capture.clone(),
                capture_channels: capture.ok()?,
                capture_rate: self.capture_rate,
                block_frames: self.block_frames,
            },
            output: self.output.trim().into(),
            volume: self.volume.trim().into(),
            headphone: self.headphone.trim().into(),
            coupler: self.coupler,
            acoustic: self.acoustic.clone(),
            microphone_max_db_spl,
            ..self.kept.clone()
        };
        self.particulars.read_into(&mut chain, wrong);
        self.read_electrical(&mut chain, wrong);
        Some(chain)
    }

    /// Volts, impedances and ceilings as typed: what is typed otherwise than it was kept replaces what was measured.
    fn read_electrical(&self, chain: &mut Chain, wrong: &mut BTreeMap<Field, String>) {
        let mut read = |field, typed: &str, kept: Option<Estimate>, what, example| {
            if typed.trim() == shown_estimate(kept) {
                return None;
            }
            estimate(typed, what, example).map_err(|message| wrong.insert(field, message)).ok()
        };
        let side = &mut chain.output_side;
        let volts = read(Field::Volts, &self.volts, side.volts_per_full_scale, "the volts RMS at 0 dBFS", "1.41 0.02");
        let source =
            read(Field::Source, &self.source, side.source_impedance_ohm, "the source impedance in ohms", "10 0.5");
        let load = read(Field::Load, &self.load, side.load_impedance_ohm, "the impedance in ohms", "80 8");
        let mut typed = Vec::new();
        if let Some(volts) = volts {
            (side.volts_per_full_scale, side.volts_from, side.volts_taken_on) = (volts, None, None);
            typed.extend(volts.map(|_| ElectricalPart::Volts));
        }
        if let Some(source) = source {
            (side.source_impedance_ohm, side.source, side.source_taken_on) = (source, None, None);
            typed.extend(source.map(|_| ElectricalPart::Source));
        }
        if let Some(load) = load {
            (side.load_impedance_ohm, side.load, side.load_taken_on) = (load, None, None);
            typed.extend(load.map(|_| ElectricalPart::Load));
        }
        let mut ceiling = |field, typed: &str, what, example| match typed.trim() {
            "" => None,
            typed => match text::number(typed, what, example) {
                Ok(limit) if (1e-6..=1e6).contains(&limit) => Some(limit),
                Ok(_) => {
                    wrong.insert(field, format!("Type {what}, for example {example}, or leave it empty."));
                    None
                }
                Err(message) => {
                    wrong.insert(field, message);
                    None
                }
            },
        };
        side.ceilings.volts =
            ceiling(Field::CeilingVolts, &self.ceiling_volts, "the ceiling in volts RMS, or leave it empty", "0.5");
        side.ceilings.milliwatts = ceiling(
            Field::CeilingMilliwatts,
            &self.ceiling_milliwatts,
            "the ceiling in milliwatts, or leave it empty",
            "20",
        );
        chain.electrical_belongs_here(typed);
    }

    /// Takes over what an electrical calibration found on `chain`.
    pub fn take_electrical(&mut self, part: ElectricalPart, chain: &Chain) {
        let (kept, found) = (&mut self.kept.output_side, chain.output_side.clone());
        match part {
            ElectricalPart::Volts => {
                self.volts = shown_estimate(found.volts_per_full_scale);
                kept.volts_per_full_scale = found.volts_per_full_scale;
                (kept.volts_from, kept.volts_taken_on) = (found.volts_from, found.volts_taken_on);
            }
            ElectricalPart::Source => {
                self.source = shown_estimate(found.source_impedance_ohm);
                kept.source_impedance_ohm = found.source_impedance_ohm;
                (kept.source, kept.source_taken_on) = (found.source, found.source_taken_on);
            }
            ElectricalPart::Load => {
                self.load = shown_estimate(found.load_impedance_ohm);
                kept.load_impedance_ohm = found.load_impedance_ohm;
                (kept.load, kept.load_taken_on) = (found.load, found.load_taken_on);
            }
            ElectricalPart::Input(role) => {
                self.kept.input_volts.extend(chain.input_volts.get(&role).map(|volts| (role, volts.clone())));
                self.kept.inputs_taken_on.extend(chain.inputs_taken_on.get(&role).map(|on| (role, on.clone())));
            }
        }
    }

    fn capture_channels(&self, most: Option<u16>) -> Result<Vec<CaptureChannel>, String> {
        let mut kept: Vec<CaptureChannel> = Vec::new();
        for row in &self.inputs {
            let channel = match channels(&row.channel, most)?.as_slice() {
                [one] => *one,
                _ => return Err("One channel for each input, for example 1.".into()),
            };
            if kept.iter().any(|k| k.channel == channel || k.role == row.role) {
                return Err("Each channel and each role can stand once.".into());
            }
            kept.push(CaptureChannel { channel, role: row.role });
        }
        if self.deciding_ear().is_none() {
            return Err("One input must listen to an ear: the level is taken there.".into());
        }
        Ok(kept)
    }

    fn read_calibration(&self, wrong: &mut BTreeMap<Field, String>) {
        if !self.offset.trim().is_empty()
            && let Err((field, message)) = self.typed_offset("")
        {
            wrong.insert(field, message);
        }
        if let Err((field, message)) = self.calibrator() {
            wrong.insert(field, message);
        }
    }

    /// The typed offset, taken at `now`.
    ///
    /// # Errors
    /// The field and its message.
    pub fn typed_offset(&self, now: &str) -> Result<Acoustic, (Field, String)> {
        let offset = text::number(&self.offset, "the dB SPL that 0 dBFS stands for", "120")
            .map_err(|message| (Field::Offset, message))?;
        let half = text::number(&self.offset_half_width, "half the 95 % interval in dB", "0.4")
            .map_err(|message| (Field::OffsetHalfWidth, message))?;
        if !(0.0..=20.0).contains(&half) {
            return Err((Field::OffsetHalfWidth, "Half the interval lies between 0 and 20 dB.".into()));
        }
        Acoustic::typed(offset, half, now).map_err(|e| (Field::Offset, sentence(&e.to_string())))
    }

    /// The sound calibrator as stated.
    ///
    /// # Errors
    /// The field and its message.
    pub fn calibrator(&self) -> Result<Calibrator, (Field, String)> {
        let level = text::number(&self.calibrator_level, "the calibrator's level in dB SPL", "94")
            .map_err(|message| (Field::CalibratorLevel, message))?;
        if !(60.0..=140.0).contains(&level) {
            let message = "A sound calibrator gives 60 to 140 dB SPL, usually 94 or 114.".into();
            return Err((Field::CalibratorLevel, message));
        }
        let half = text::number(&self.calibrator_half_width, "half the 95 % interval in dB", "0.4")
            .map_err(|message| (Field::CalibratorHalfWidth, message))?;
        if !(0.0..=3.0).contains(&half) {
            return Err((Field::CalibratorHalfWidth, "Half the interval lies between 0 and 3 dB.".into()));
        }
        let frequency_hz = text::number(&self.calibrator_frequency, "the calibrator's frequency in Hz", "1000")
            .map_err(|message| (Field::CalibratorFrequency, message))?;
        if !(20.0..=20_000.0).contains(&frequency_hz) {
            let message = "A sound calibrator gives 20 Hz to 20 kHz, usually 1000 or 250.".into();
            return Err((Field::CalibratorFrequency, message));
        }
        let correction_db = text::number(&self.level_correction, "what is added to the calibrator's level in dB", "0")
            .map_err(|message| (Field::LevelCorrection, message))?;
        if !(-10.0..=10.0).contains(&correction_db) {
            return Err((Field::LevelCorrection, "A correction lies between −10 and 10 dB.".into()));
        }
        Ok(Calibrator { level: Estimate::symmetric(level, half), frequency_hz, correction_db })
    }

    /// The offset from the microphone's sensitivity, taken at `now`.
    ///
    /// # Errors
    /// The field and its message.
    pub fn sensitivity_offset(&self, now: &str) -> Result<Acoustic, (Field, String)> {
        let mv_per_pa = text::number(&self.sensitivity, "the microphone's sensitivity in mV/Pa", "12.5")
            .map_err(|message| (Field::Sensitivity, message))?;
        let volts = text::number(&self.input_volts, "the RMS volts of a full-scale sine at the input", "1")
            .map_err(|message| (Field::InputVolts, message))?;
        Acoustic::from_sensitivity(mv_per_pa, volts, SENSITIVITY_HALF_WIDTH_DB, now)
            .map_err(|e| (Field::Sensitivity, sentence(&e.to_string())))
    }
}

/// Where a name is none of those that the simulated bench knows: which of them it takes.
fn stands_in(name: &str, known: &[String]) -> Option<String> {
    let first = known.first().filter(|_| known_name(name, known.iter().map(String::as_str)).is_none())?;
    Some(format!("Simulated in its place: {first}. The simulated bench has {}.", known.join(", ")))
}

fn missing_card(cards: &[CardDescription], playback: &CardId, capture: &CardId) -> Option<String> {
    if cards.is_empty() {
        return None;
    }
    let here = |id: &CardId, way| cards.iter().any(|c| c.id == *id && c.direction == way);
    let (id, side) = match (here(playback, Direction::Playback), here(capture, Direction::Capture)) {
        (false, _) => (playback, "playback"),
        (_, false) => (capture, "capture"),
        _ => return None,
    };
    Some(format!("The {side} card {id} is not listed now. Plug it in and list the cards again, or choose another."))
}

/// Channels as typed from 1, as the card counts from 0.
fn channels(typed: &str, most: Option<u16>) -> Result<Vec<u16>, String> {
    let mut kept = Vec::new();
    for word in typed.split([' ', ',', ';', '+']).filter(|w| !w.is_empty()) {
        let channel: u16 =
            word.parse().ok().filter(|c| *c >= 1).ok_or_else(|| {
                format!("\u{201c}{word}\u{201d} is no channel. Channels count from 1, for example 1 2.")
            })?;
        if let Some(most) = most
            && channel > most
        {
            return Err(format!("This card has {most} channels; {channel} is not one of them."));
        }
        if !kept.contains(&(channel - 1)) {
            kept.push(channel - 1);
        }
    }
    if kept.is_empty() { Err("Type at least one channel, for example 1.".into()) } else { Ok(kept) }
}

fn field_of(error: &PlanError) -> Field {
    match error {
        PlanError::OutOfRange { what, .. } if what.contains("listening") => Field::Listening,
        PlanError::OutOfRange { what, .. } if what.contains("wanted") => Field::Wanted,
        PlanError::OutOfRange { what, .. } if what.contains("sine") => Field::Sines,
        PlanError::OutOfRange { what, .. } if what.contains("asked") => Field::Asked,
        PlanError::NothingAsked | PlanError::NotBeside(_) => Field::Asked,
        _ => Field::Ceiling,
    }
}

/// A message as a sentence: capital letter, full stop.
pub fn sentence(message: &str) -> String {
    let mut letters = message.chars();
    let first: String = letters.next().map(|c| c.to_uppercase().collect()).unwrap_or_default();
    let stop = if message.ends_with('.') { "" } else { "." };
    format!("{first}{}{stop}", letters.as_str())
}
