//! What the user types, and what it means: every field is checked at each change, its message stands beside it, and
//! only a form without a message makes a session. Fields, limits and messages are those of the command line
//! ([`crate::asked`]); here is one file per page.

mod calibration;
mod chain;
mod climb;
mod particulars;

pub use crate::asked::{Field, sentence};
pub use particulars::{Particulars, curve_words};

use super::StartState;
use crate::asked::{Read, Typed, plan};
use crate::calibration::{Acoustic, CLASS_1_HALF_WIDTH_DB, SoundField};
use crate::card::{CaptureChannel, CardDescription, Direction, InputRole, SimulatedDevices};
use crate::session::chain::Chain;
use crate::session::plan::{Extent, Plan, UNCALIBRATED_CEILING, Weighting};
use crate::session::protocol::SessionRequest;
use crate::signal::Stimulus;
use crate::units::{DbSpl, Dbfs, SampleRate};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Rates offered.
pub const RATES: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];

/// Fields of the calibration box: a message there keeps no session from starting.
const CALIBRATION_BOX: [Field; 8] = [
    Field::Offset,
    Field::OffsetHalfWidth,
    Field::CalibratorLevel,
    Field::CalibratorFrequency,
    Field::CalibratorHalfWidth,
    Field::LevelCorrection,
    Field::Sensitivity,
    Field::InputVolts,
];

/// Messages, by field.
type Messages = BTreeMap<Field, String>;

/// Keeps the message of what was typed wrong.
fn keep<T>(wrong: &mut Messages, read: Read<T>) -> Option<T> {
    read.map_err(|w| wrong.insert(w.field, w.to_string())).ok()
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
    /// Every number as typed.
    pub typed: Typed,
    /// The chain as it was read, with what is edited as it stands. Offsets of inputs that were set otherwise stay in it.
    pub chain: Chain,
    /// Weighting of the listening level, and the field it is related to.
    pub weighting: (Weighting, Option<SoundField>),
    /// Other sounds beside the noise.
    pub beside: Vec<Stimulus>,
    /// Quick look or session.
    pub extent: Extent,
    /// Channels of the capture card.
    pub inputs: Vec<InputRow>,
    /// Ear whose calibration is shown.
    pub ear: InputRole,
    /// Offsets in force.
    pub acoustic: BTreeMap<InputRole, Acoustic>,
    /// Dates and curves.
    pub particulars: Particulars,
    base: Plan,
    sessions: PathBuf,
    /// Messages, beside their fields.
    pub wrong: Messages,
    /// What the simulated bench takes for a name that it does not know, beside the field of the name.
    pub stands_in: Messages,
    ready: Option<(Plan, Chain)>,
    full_drive: Option<(SampleRate, f64)>,
    /// Why an offset of the chain is not used.
    pub not_used: Option<String>,
    /// What of the electrical figures is not used, and why.
    pub electrical_dropped: Vec<String>,
}

/// Every number as it stands at the start.
fn typed(plan: &Plan, chain: &Chain) -> Typed {
    let mut typed = Typed::default();
    let side = &chain.output_side;
    typed.show(Field::Listening, plan.listening.map(|l| l.level.db()));
    typed.show(Field::Wanted, Some(plan.wanted_headroom_db));
    typed.show(Field::CeilingSpl, Some(plan.ceilings.spl.db()));
    typed.show(Field::CeilingDrive, Some(plan.ceilings.drive.unwrap_or(UNCALIBRATED_CEILING).db()));
    typed.show_all(Field::Sines, &plan.sines_hz);
    typed.set(Field::AskedSpl, plan::levels_shown(&plan.asked));
    typed.set(Field::AskedDrive, plan::levels_shown(&plan.asked));
    let channels: Vec<f64> = chain.routing.playback_channels.iter().map(|c| f64::from(c + 1)).collect();
    typed.show_all(Field::PlaybackChannels, &channels);
    typed.show(Field::MicrophoneMax, chain.microphone_max_db_spl);
    typed.show(Field::CardDistortion, chain.card_distortion_db);
    typed.show(Field::CertificateMonths, Some(f64::from(chain.ages.certificate_months)));
    typed.show(Field::OffsetHours, Some(chain.ages.offset_hours));
    typed.show_with_half(Field::Volts, side.volts_per_full_scale.as_ref());
    typed.show_with_half(Field::Source, side.source_impedance_ohm.as_ref());
    typed.show_with_half(Field::Load, side.load_impedance_ohm.as_ref());
    typed.show(Field::ChainCeilingSpl, side.ceilings.spl.map(DbSpl::db));
    typed.show(Field::ChainCeilingDrive, side.ceilings.drive.map(Dbfs::db));
    typed.show(Field::ChainCeilingVolts, side.ceilings.volts);
    typed.show(Field::ChainCeilingMilliwatts, side.ceilings.milliwatts);
    typed.show(Field::OffsetHalfWidth, Some(CLASS_1_HALF_WIDTH_DB));
    typed.show(Field::CalibratorLevel, Some(94.0));
    typed.show(Field::CalibratorFrequency, Some(1000.0));
    typed.show(Field::CalibratorHalfWidth, Some(CLASS_1_HALF_WIDTH_DB));
    typed.show(Field::LevelCorrection, Some(0.0));
    typed
}

impl Form {
    /// As the program starts.
    pub fn new(start: StartState) -> Form {
        let StartState { chain, plan, sessions, .. } = start;
        let row = |c: &CaptureChannel| InputRow { channel: (c.channel + 1).to_string(), role: c.role };
        let ear = chain.ears().next().map_or(InputRole::LeftEar, |(_, role)| role);
        let mut form = Form {
            typed: typed(&plan, &chain),
            weighting: plan.listening.map_or((Weighting::Z, None), |l| (l.weighting, l.field)),
            beside: plan.beside.clone(),
            extent: plan.extent,
            inputs: chain.routing.capture_channels.iter().map(row).collect(),
            ear,
            particulars: Particulars::of(&chain),
            acoustic: chain.acoustic.clone(),
            chain,
            base: plan,
            sessions,
            wrong: Messages::new(),
            stands_in: Messages::new(),
            ready: None,
            full_drive: None,
            not_used: None,
            electrical_dropped: Vec::new(),
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
        self.inputs.iter().map(|i| i.role).filter(|role| role.is_ear())
    }

    /// Folder that sessions are kept in.
    pub fn sessions(&self) -> &Path {
        &self.sessions
    }

    /// The plan and chain, where nothing is wrong.
    pub fn ready(&self) -> Option<&(Plan, Chain)> {
        self.ready.as_ref()
    }

    /// The session as it would start now.
    pub fn request(&self) -> Option<SessionRequest> {
        let (plan, chain) = self.ready.clone()?;
        Some(SessionRequest { plan, chain, sessions: self.sessions.clone(), id: None })
    }

    /// The first message that keeps a session from starting and stands on page Chain alone.
    pub fn wrong_on_page_chain(&self) -> Option<&str> {
        let there = |field: &Field| *field >= Field::PlaybackChannels && !CALIBRATION_BOX.contains(field);
        self.wrong.iter().find(|(field, _)| there(field)).map(|(_, message)| message.as_str())
    }

    /// Drive at which the noise reaches full scale, at the playback rate (kept: it costs a spectrum).
    pub fn full_drive(&mut self) -> f64 {
        match self.full_drive {
            Some((rate, full)) if rate == self.chain.routing.playback_rate => full,
            _ => {
                let stimulus = Stimulus::pink(self.chain.routing.playback_rate);
                let full = stimulus.period(self.chain.routing.playback_rate).full_drive().map_or(0.0, Dbfs::db);
                self.full_drive = Some((self.chain.routing.playback_rate, full));
                full
            }
        }
    }

    /// Reads every field again and sets the messages.
    pub fn check(&mut self, cards: &[CardDescription]) {
        let mut wrong = Messages::new();
        let mut chain = self.read_chain(cards, &mut wrong);
        if let Some(chain) = &mut chain {
            self.settle_offsets(chain);
        }
        self.electrical_dropped = chain.as_mut().map_or(Vec::new(), chain::electrical_not_used);
        let plan = self.read_plan(&mut wrong);
        self.ready = plan.zip(chain).filter(|_| wrong.is_empty());
        self.check_calibration(&mut wrong);
        self.wrong = wrong;
        self.stands_in = self.simulated(cards).map_or_else(BTreeMap::new, |devices| self.stand_ins(devices));
    }

    /// What the chosen playback card can simulate; `None` for a real card.
    pub fn simulated<'a>(&self, cards: &'a [CardDescription]) -> Option<&'a SimulatedDevices> {
        let card = cards.iter().find(|c| c.id == self.chain.routing.playback && c.direction == Direction::Playback)?;
        card.simulates.as_ref()
    }
}
