//! What can go wrong before or between steps.

use super::super::plan::PlanError;
use super::super::step::StopReason;
use super::super::storage::StorageError;
use crate::audio::AudioError;
use crate::units::Dbfs;

/// What can go wrong before or between steps.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The plan.
    #[error("the plan cannot run: {0}")]
    Plan(#[from] PlanError),
    /// The plan as stored.
    #[error("the stored session cannot be taken up: {0}")]
    Stored(String),
    /// Its ceiling was raised.
    #[error(
        "the session was begun under a raised ceiling of {ceiling}: such levels destroy hearing and can destroy the headphone. If you mean it, type it again: `loudenough run --continue \"{folder}\" --confirm-ceiling {ceiling}`"
    )]
    RaisedCeiling {
        /// As stored.
        ceiling: f64,
        /// Its folder.
        folder: String,
    },
    /// The listener's own level.
    #[error("the listener's own level was not determined: {0}")]
    OwnLevel(String),
    /// Not the noise.
    #[error("nothing of the noise is heard at the ear; look at plug, cable, routing and volume")]
    NothingHeard,
    /// Nothing to go on with.
    #[error("no series is running; begin one with `loudenough run --series`")]
    NoSeries,
    /// Something else was asked.
    #[error("a series is running; end it first")]
    InSeries,
    /// Nothing was named.
    #[error("no headphone was named yet; name the one that is on the coupler")]
    NothingNamed,
    /// No place for a take that is not kept.
    #[error("the check of the swap needs a temporary folder, and none could be made: {0}")]
    Scratch(std::io::Error),
    /// A level.
    #[error("the step cannot be played: {0}")]
    Drive(#[from] crate::signal::DriveRefused),
    /// A card.
    #[error(transparent)]
    Audio(#[from] AudioError),
    /// The session folder.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// No back end has the card.
    #[error("no card is called {0}; `loudenough cards` lists what can be asked for")]
    UnknownCard(String),
    /// No capture channel.
    #[error("the chain records no ear; choose a capture channel")]
    NoEar,
    /// The calibrator's tone.
    #[error("the calibration was refused: {0}")]
    Calibration(#[from] crate::calibration::CalibrationRefused),
    /// Nothing to check against.
    #[error(
        "the session has no calibration offset of the {0} from a sound calibrator; state the calibrator's level and frequency"
    )]
    NoCalibrator(&'static str),
    /// The recording of the calibrator's tone was void.
    #[error("the calibrator could not be recorded: {0}; try again")]
    CalibratorNotHeard(crate::take::VoidReason),
    /// An electrical input is missing.
    #[error("the chain has no {0}; name its capture channel, or choose it on page Chain")]
    NoInput(&'static str),
    /// An electrical take was void.
    #[error("the take cannot be used: {0}")]
    TakeVoid(crate::take::VoidReason),
    /// An electrical input was overloaded.
    #[error("the {0} is overloaded; lower its gain or the drive, or take a divider that divides more")]
    Overloaded(&'static str),
    /// The analysis.
    #[error(transparent)]
    Analysis(#[from] crate::analysis::AnalysisError),
    /// Simulated and real cards cannot be mixed.
    #[error("{0} and {1} belong to different kinds of card; choose both from one")]
    MixedBackends(String, String),
    /// A seat or an outside source before the climb is over.
    #[error("seats and outside sources are added to a finished session; this one is not finished, or heard nothing")]
    AddedTooEarly,
    /// A seat without a reference.
    #[error("the session has no quiet reference to compare a seat with")]
    NoReference,
    /// Nobody said that the headphone sits, or that the knob is right.
    #[error("the noise was held for ten minutes without an answer; it is silent again, and nothing was added")]
    HeldTooLong,
    /// Protection closed the gain while noise was held: it would trip again at the same level.
    #[error(
        "the sound was faded out: {0}. Nothing was added. Turn the output or the input gain back to where the session was \
         measured, then begin again"
    )]
    TooLoudToHold(String),
    /// Half of a swap.
    #[error("{0} is one output of a swap; go on with it by `loudenough swap --continue \"{0}\"`")]
    OneOfASwap(String),
    /// A round of something else.
    #[error("{0} is not an output of a swap; begin one with `loudenough swap`")]
    NoSwap(String),
    /// The wrong output.
    #[error("this sounds like the other output, {by} dB off how {wanted} sounded before: plug {wanted} in and go on")]
    NotSwapped {
        /// The output that was expected.
        wanted: String,
        /// How far off it is, with its sign.
        by: String,
    },
    /// A round ended before its level.
    #[error("the round ended before its level was played: {0}")]
    RoundEnded(StopReason),
    /// The level of another session cannot be played.
    #[error(
        "the level of the other session needs a drive of {wanted}, but {because} at {limit}; match at a lower level"
    )]
    MatchOutOfReach {
        /// Drive it takes.
        wanted: Dbfs,
        /// Highest allowed.
        limit: Dbfs,
        /// What limits it.
        because: String,
    },
    /// The level does not follow the drive.
    #[error(
        "the level stays {0:.2} dB off that of the other session; check that nothing changes the volume while the bench plays"
    )]
    NotMatched(f64),
    /// A card was lost.
    #[error("the card failed: {0}; nothing was added to the session")]
    CardFailed(String),
    /// What is played elsewhere.
    #[error("{0}")]
    Elsewhere(String),
    /// Stopped by the user.
    #[error("stopped")]
    Stopped,
}
