//! One step of a session: what it is for, what it plays, and why a climb ended.

use crate::signal::Stimulus;
use crate::take::VoidReason;
use crate::units::Dbfs;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What a step is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// Noise floor, hum, ambient level.
    Silence,
    /// Finds the level at which the stimulus stands over the noise.
    Probe,
    /// The quiet reference.
    Reference,
    /// A level that was asked for.
    Asked,
    /// A step upward.
    Climb,
    /// Just above the fitted clip level.
    Threshold,
    /// Between the highest clean and the lowest unclean step.
    Bisect,
    /// Has seat, gain or chain moved?
    ReferenceAgain,
    /// The quiet reference on another seat of the headphone, after the climb.
    Seat,
    /// The level of another session, played on purpose after the climb (`compare`).
    Matched,
    /// An outside source at the open ear, after the climb; the bench itself is silent.
    OpenEar,
    /// The same with the headphone on.
    CoveredEar,
    /// The quiet reference at one position of the output's volume control, after the climb.
    Position,
    /// The first driven channel alone (path check).
    LeftAlone,
    /// The second one alone.
    RightAlone,
}

impl Purpose {
    /// True for what is added to a session after its climb.
    pub fn is_added(self) -> bool {
        matches!(self, Purpose::Seat | Purpose::Matched | Purpose::OpenEar | Purpose::CoveredEar | Purpose::Position)
    }

    /// True where one channel sounds alone, so that an ear may rightly hear nothing.
    pub fn is_alone(self) -> bool {
        matches!(self, Purpose::LeftAlone | Purpose::RightAlone)
    }
}

impl fmt::Display for Purpose {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Purpose::Silence => "silence",
            Purpose::Probe => "probe",
            Purpose::Reference => "reference",
            Purpose::Asked => "asked",
            Purpose::Climb => "climb",
            Purpose::Threshold => "threshold",
            Purpose::Bisect => "bisect",
            Purpose::ReferenceAgain => "reference again",
            Purpose::Seat => "seat",
            Purpose::Matched => "matched",
            Purpose::OpenEar => "open ear",
            Purpose::CoveredEar => "covered ear",
            Purpose::Position => "position",
            Purpose::LeftAlone => "left alone",
            Purpose::RightAlone => "right alone",
        })
    }
}

/// One step: its stimuli are played one after the other at one RMS drive.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// From 1.
    pub number: usize,
    /// What it is for.
    pub purpose: Purpose,
    /// RMS drive; `None` for silence.
    pub drive: Option<Dbfs>,
    /// What is played.
    pub stimuli: Vec<Stimulus>,
    /// Whole periods analysed.
    pub periods: usize,
}

/// Why a climb ended.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "because", rename_all = "kebab-case")]
pub enum StopReason {
    /// The output (or headphone, or input) clips.
    ClipEvidence,
    /// A bend was seen that no limit explains.
    Bend,
    /// A ceiling.
    Ceiling {
        /// Which one.
        which: String,
    },
    /// The stimulus' true peak stands at full scale.
    FullScale,
    /// The quick look reached listening level plus wanted headroom.
    WantedHeadroom,
    /// Distortion at the ear passed the limit and the plan stops there.
    DistortionAtEar,
    /// The gain moved against the reference without clipping.
    GainChange,
    /// The distortion rose faster than any smooth bend lets it.
    DistortionJumps,
    /// The capture card's own full scale.
    InputOverload,
    /// The microphone's stated maximum.
    MicrophoneLimit,
    /// The path check is complete.
    PathChecked,
    /// Nothing was heard up to the highest allowed probe.
    NoSignal,
    /// Something was heard while the noise played, but not the noise.
    NotTheSound,
    /// A take stayed void after all attempts.
    TakesVoid {
        /// Why.
        reason: VoidReason,
    },
    /// The user.
    Stopped,
    /// The card failed.
    Card {
        /// Plain message.
        what: String,
    },
}

impl StopReason {
    /// True where the climb ended before it could show the output's limit: what it shows is a lower bound.
    pub fn is_lower_bound(&self) -> bool {
        use StopReason::{Bend, ClipEvidence, DistortionJumps, FullScale, GainChange};
        !matches!(self, Bend | ClipEvidence | GainChange | DistortionJumps | FullScale)
    }
}

impl fmt::Display for StopReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            StopReason::ClipEvidence => write!(f, "it clips"),
            StopReason::Bend => write!(f, "a bend was seen that no limit explains"),
            StopReason::Ceiling { which } => write!(f, "the ceiling of {which} was reached"),
            StopReason::FullScale => write!(f, "the stimulus reached full scale"),
            StopReason::WantedHeadroom => write!(f, "the quick look reached the wanted headroom"),
            StopReason::DistortionAtEar => write!(f, "the distortion at the ear passed its limit"),
            StopReason::GainChange => write!(f, "the gain moved against the quiet reference"),
            StopReason::DistortionJumps => write!(
                f,
                "the distortion rose faster with the level than any smooth distortion does: a limiter, a slew limit or a gain control is at work"
            ),
            StopReason::InputOverload => write!(f, "the capture card's input has no room left; lower its gain"),
            StopReason::MicrophoneLimit => write!(f, "the microphone's stated maximum is near"),
            StopReason::PathChecked => write!(f, "the path check is complete"),
            StopReason::NoSignal => {
                write!(
                    f,
                    "nothing was heard up to the highest allowed probe; check routing, volume and the coupler; where the ceiling is low, `loudenough calibrate volts` allows a louder probe"
                )
            }
            StopReason::NotTheSound => {
                write!(
                    f,
                    "while the noise played something was heard, but not that noise: what is on the path makes another sound of it. Look for a speech codec (a wireless headset's call profile), noise suppression, echo cancelling or another program's sound, and switch it off"
                )
            }
            StopReason::TakesVoid { reason } => write!(f, "a take stayed void: {reason}"),
            StopReason::Stopped => write!(f, "it was stopped"),
            StopReason::Card { what } => write!(f, "{what}"),
        }
    }
}
