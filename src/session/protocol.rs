//! What a front end and the bench say to each other. A front end sends commands and draws events; it owns no
//! measurement state.

use super::chain::Chain;
use super::elsewhere::{ElsewhereRequest, MarkHeard};
use super::matching::Target;
use super::own_level::{OwnLevel, OwnLevelAsk};
use super::plan::Plan;
use super::record::Record;
use super::seats::Seats;
use super::series::{Stored, SwapChecked};
use super::step::Step;
use crate::analysis::{Flaw, RatioPoint, Tone};
use crate::calibration::{Acoustic, Calibrator};
use crate::card::{CardDescription, Granted, Hookup, InputRole};
use crate::signal::Drive;
use crate::stats::Estimate;
use crate::take::VoidReason;
use crate::units::{DbSpl, Dbfs};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

/// What a front end can ask for. Stop is not here: it acts through the stop handle, at once.
#[derive(Clone, Debug)]
pub enum Command {
    /// List all cards.
    ListCards,
    /// Run a session on the chain.
    Run(Box<SessionRequest>),
    /// Take up an interrupted session.
    Continue {
        /// Its folder.
        folder: PathBuf,
        /// The ceiling that was raised over its default, typed again.
        confirmed: Option<f64>,
    },
    /// Listen to the sound calibrator on one input and take the offset from it.
    Calibrate {
        /// Chain whose input listens.
        chain: Box<Chain>,
        /// Which input.
        role: InputRole,
        /// The calibrator as stated.
        calibrator: Calibrator,
    },
    /// Listen to the sound calibrator again after a session, and add what it gives now to the session.
    CheckCalibration {
        /// The session's folder.
        folder: PathBuf,
        /// Which input.
        role: InputRole,
        /// The calibrator as stated; where absent, that of the session.
        calibrator: Option<Calibrator>,
    },
    /// Add a seat of the headphone to a finished session.
    Seat {
        /// The session's folder.
        folder: PathBuf,
        /// Play quiet noise until the bench is told that the headphone sits.
        hold: bool,
    },
    /// Play the level of another session and add that step to a finished one.
    Match {
        /// The session's folder.
        folder: PathBuf,
        /// The level.
        target: Target,
    },
    /// Play one round of a swap.
    Round(Box<RoundRequest>),
    /// Hold quiet noise while the output's own volume control is turned, and add every position to a finished session.
    Positions {
        /// The session's folder.
        folder: PathBuf,
    },
    /// Add what an outside source gives at the open or the covered ear to a finished session.
    Listen {
        /// The session's folder.
        folder: PathBuf,
        /// The headphone is on.
        covered: bool,
    },
    /// Play one sound for an electrical measurement and tell what the electrical inputs saw.
    Electrical(Box<ElectricalTake>),
    /// Hear what the listener's own volume position gives.
    OwnLevel(Box<OwnLevelAsk>),
    /// Headphones swapped on one output while the streams stay open and silent.
    Series(SeriesCommand),
    /// Follow a sound that is played elsewhere, live or in a recording, and keep it as a session.
    Elsewhere(Box<ElsewhereRequest>),
    /// End the bench.
    Quit,
}

/// What a front end asks of a series, in this order: begin, then for every headphone next, start and its further seats
/// ([`Command::Seat`] with the folder of the session), at last end.
#[derive(Clone, Debug)]
pub enum SeriesCommand {
    /// Open the cards of this chain; they stay open and silent until the end.
    Begin(Box<Chain>),
    /// A headphone was swapped: listen for a few seconds whether it is the one that was named. May be asked again.
    Next(Box<NextHeadphone>),
    /// Begin the session of the headphone that was named last.
    Start,
    /// Close the cards.
    End,
}

/// The headphone that is on the coupler now.
#[derive(Clone, Debug)]
pub struct NextHeadphone {
    /// Its session: the plan of the series, and the chain with this headphone.
    pub request: SessionRequest,
    /// What is stored of all headphones.
    pub stored: Vec<Stored>,
}

/// What the bench tells of a series.
#[derive(Clone, Debug)]
pub enum SeriesEvent {
    /// It is silent: swap now. So many sessions of the series are done.
    SwapNow {
        /// Finished or stopped.
        done: usize,
    },
    /// What was heard after a swap; the bench waits.
    Checked(Box<SwapChecked>),
    /// The cards are closed.
    Ended {
        /// Sessions of the series.
        done: usize,
    },
}

/// One take of an electrical measurement. The cards are open for it alone, so that plugs can be changed in between.
#[derive(Clone, Debug)]
pub struct ElectricalTake {
    /// The chain as it stands.
    pub chain: Chain,
    /// What is plugged in; a simulated bench plugs it in by itself.
    pub hookup: Hookup,
    /// What is played.
    pub sound: ElectricalSound,
    /// RMS drive asked for.
    pub drive: Dbfs,
    /// True where a drive above what an uncalibrated output may be given was typed twice.
    pub confirmed: bool,
}

/// What an electrical measurement plays.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ElectricalSound {
    /// A sine near this frequency, for a meter, for so many seconds.
    Tone {
        /// Hz.
        frequency_hz: f64,
        /// How long.
        seconds: f64,
    },
    /// Pink noise, for one input over another.
    Pink {
        /// The input above the line.
        over: InputRole,
        /// The input below the line.
        under: InputRole,
    },
}

/// What the electrical inputs saw.
#[derive(Clone, Debug)]
pub struct ElectricalHeard {
    /// What was played, after the ceilings.
    pub drive: Drive,
    /// Frequency of the sine as played, Hz; `None` for noise.
    pub frequency_hz: Option<f64>,
    /// Level of the sine at each electrical input, dBFS; empty for noise.
    pub levels: BTreeMap<InputRole, Estimate>,
    /// One input over the other; empty for a sine.
    pub ratio: Vec<RatioPoint>,
    /// What is wrong or limited.
    pub flaws: Vec<Flaw>,
}

/// A session to run.
#[derive(Clone, Debug)]
pub struct SessionRequest {
    /// What is asked.
    pub plan: Plan,
    /// The chain as it stands.
    pub chain: Chain,
    /// Folder that sessions are kept in.
    pub sessions: PathBuf,
    /// Name of the session's folder; made from the time where absent.
    pub id: Option<String>,
}

/// One round of a swap. The cards are open for it alone, so that outputs are swapped in silence.
#[derive(Clone, Debug)]
pub struct RoundRequest {
    /// The session of the output that is plugged in.
    pub output: RoundOf,
    /// Folder of the other output's session; `None`: it was not heard yet.
    pub other: Option<PathBuf>,
    /// The knob of the second output is turned until its level is that of the first.
    pub by_hand: bool,
}

/// The session a round belongs to.
#[derive(Clone, Debug)]
pub enum RoundOf {
    /// Its first one.
    New(Box<SessionRequest>),
    /// A later one, or one that was interrupted.
    Again {
        /// The session's folder.
        folder: PathBuf,
        /// The ceiling that was raised over its default, typed again.
        confirmed: Option<f64>,
    },
}

/// What the bench tells. Records are shared, whole and never change once sent.
#[derive(Clone, Debug)]
pub enum Event {
    /// Cards found and hosts that could not be asked (with the reason).
    Cards {
        /// All of them.
        cards: Vec<CardDescription>,
        /// Plain messages.
        failed: Vec<String>,
    },
    /// Cards are open; the session folder exists.
    Began {
        /// Head only, no steps yet (or the finished ones of a session taken up again).
        record: Arc<Record>,
        /// Where.
        folder: PathBuf,
        /// Playback and capture as granted.
        granted: (Granted, Granted),
    },
    /// A step starts.
    StepBegan {
        /// Which.
        step: Step,
        /// Steps expected in all.
        expected_steps: usize,
        /// Sound and silence still to come by plan, seconds.
        left_s: f64,
    },
    /// Where in the running take it is.
    Playing {
        /// Seconds done.
        done_s: f64,
        /// Seconds of the take.
        total_s: f64,
    },
    /// A take was void and is played again.
    Repeated {
        /// Why.
        reason: VoidReason,
    },
    /// A step is finished and stored.
    StepDone(Arc<Record>),
    /// The session ended and is complete on disk.
    Ended {
        /// All of it.
        record: Arc<Record>,
        /// Where.
        folder: PathBuf,
    },
    /// One more reading of the sound calibrator; its tone is not steady yet.
    Listening {
        /// What it holds; `None` for no tone at all.
        tone: Option<Tone>,
        /// Seconds for which the level has been steady.
        steady_s: f64,
        /// What stands in the way, in words.
        because: Option<String>,
    },
    /// Quiet noise is held while the headphone is refitted: how it sits now, against the seats before.
    Seating {
        /// Number of the seat.
        seat: u32,
        /// Per ear, with this look as its last fit; empty before the first look.
        ears: Vec<(InputRole, Seats)>,
    },
    /// Quiet noise is held while a knob is turned: how far its level lies over the one wanted, dB; `None` before the first
    /// look, or where nothing is heard.
    Matching {
        /// To be turned until it is zero.
        off_db: Option<f64>,
    },
    /// Quiet noise is held while a volume control is turned.
    Turning {
        /// Positions found, in order: level less that of the session's own position, dB.
        positions: Vec<f64>,
    },
    /// A calibration offset was taken.
    Calibrated {
        /// Which input.
        role: InputRole,
        /// The offset.
        acoustic: Acoustic,
    },
    /// The calibration was checked after a session; the record has the event.
    CalibrationChecked(Arc<Record>),
    /// The take of an electrical measurement is done.
    Electrical(Box<ElectricalHeard>),
    /// What the listener's own volume position gives.
    OwnLevel(Box<OwnLevel>),
    /// Of a series.
    Series(SeriesEvent),
    /// A sound that is played elsewhere is listened to.
    Elsewhere(Following),
    /// Something could not be done; what was finished before is kept.
    Failed(Failure),
}

/// What is heard of a sound that is played elsewhere.
#[derive(Clone, Debug, PartialEq)]
pub enum Following {
    /// The bench listens.
    Listening {
        /// For so long, seconds.
        seconds: f64,
        /// A mark was heard.
        begun: bool,
    },
    /// A mark: the step after it begins.
    Mark(MarkHeard),
    /// The level of the last half second at the louder ear, Z. Over the ceiling the person at the player has to stop it.
    Level {
        /// Which ear.
        role: InputRole,
        /// How loud.
        level: DbSpl,
        /// What it must not pass.
        ceiling: DbSpl,
    },
    /// A step clips: what comes after it is louder, and shows nothing more.
    Clips {
        /// Its drive.
        drive: Dbfs,
    },
}

/// A plain message: what happened, where, what to do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Failure {
    /// The message.
    pub message: String,
    /// Session folder whose finished steps are kept, where there is one.
    pub kept: Option<PathBuf>,
}
