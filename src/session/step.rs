//! One step of a session: what it is for, what it plays, and why a climb ended.

use crate::signal::Stimulus;
use crate::take::VoidReason;
use crate::units::Dbfs;
use serde::{Deserialize, Serialize};
use std::fmt;

use Purpose::*;

/// What a step is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// Noise floor, hum, ambient level.
    Silence,
    /// Finds the level at which the stimulus is above the noise.
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

/// What holds for a purpose. Every set names every purpose, so that a new one does not compile before each is answered.
impl Purpose {
    /// Added to a session after its climb.
    pub fn is_added(self) -> bool {
        match self {
            Seat | Matched | OpenEar | CoveredEar | Position => true,
            Silence | Probe | Reference | Asked | Climb | Threshold | Bisect | ReferenceAgain => false,
            LeftAlone | RightAlone => false,
        }
    }

    /// The driven channel that sounds alone, from 0, so that an ear may rightly hear nothing.
    pub fn channel_alone(self) -> Option<usize> {
        match self {
            LeftAlone => Some(0),
            RightAlone => Some(1),
            Silence | Probe | Reference | Asked | Climb | Threshold | Bisect | ReferenceAgain => None,
            Seat | Matched | OpenEar | CoveredEar | Position => None,
        }
    }

    /// True where one channel sounds alone.
    pub fn is_alone(self) -> bool {
        self.channel_alone().is_some()
    }

    /// Comes before any level that somebody wants to know: the gain is not known until its last take.
    pub fn leads_up(self) -> bool {
        match self {
            Silence | Probe | Reference => true,
            Asked | Climb | Threshold | Bisect | ReferenceAgain | LeftAlone | RightAlone => false,
            Seat | Matched | OpenEar | CoveredEar | Position => false,
        }
    }

    /// Later takes are analysed with what its takes tell (hum, quiet reference).
    pub fn teaches(self) -> bool {
        match self {
            Silence | Reference => true,
            Probe | Asked | Climb | Threshold | Bisect | ReferenceAgain | LeftAlone | RightAlone => false,
            Seat | Matched | OpenEar | CoveredEar | Position => false,
        }
    }

    /// Analysed against the quiet reference. What leads up to it has none, and it is the first seat's: what is added may sit
    /// on another.
    pub fn uses_reference(self) -> bool {
        match self {
            Asked | Climb | Threshold | Bisect | ReferenceAgain | LeftAlone | RightAlone => true,
            Silence | Probe | Reference | Seat | Matched | OpenEar | CoveredEar | Position => false,
        }
    }

    /// The quiet reference of a seat, the first one's or another's.
    pub fn shows_seat(self) -> bool {
        match self {
            Reference | Seat => true,
            Silence | Probe | Asked | Climb | Threshold | Bisect | ReferenceAgain | LeftAlone | RightAlone => false,
            Matched | OpenEar | CoveredEar | Position => false,
        }
    }

    /// The quiet reference of the climb's seat, played first or again.
    pub fn is_reference(self) -> bool {
        match self {
            Reference | ReferenceAgain => true,
            Silence | Probe | Asked | Climb | Threshold | Bisect | LeftAlone | RightAlone => false,
            Seat | Matched | OpenEar | CoveredEar | Position => false,
        }
    }

    /// Part of the way up to the output's limit and around it.
    pub fn climbs(self) -> bool {
        match self {
            Climb | Threshold | Bisect => true,
            Silence | Probe | Reference | Asked | ReferenceAgain | LeftAlone | RightAlone => false,
            Seat | Matched | OpenEar | CoveredEar | Position => false,
        }
    }

    /// Tells where clean ends and unclean begins while the gain decides; the threshold step overdrives on purpose.
    pub fn brackets(self) -> bool {
        match self {
            Reference | Climb | Bisect => true,
            Silence | Probe | Asked | Threshold | ReferenceAgain | LeftAlone | RightAlone => false,
            Seat | Matched | OpenEar | CoveredEar | Position => false,
        }
    }

    /// Its readings count. A probe only looks for the level at which the noise is heard at all.
    pub fn counts(self) -> bool {
        match self {
            Probe => false,
            Silence | Reference | Asked | Climb | Threshold | Bisect | ReferenceAgain | LeftAlone | RightAlone => true,
            Seat | Matched | OpenEar | CoveredEar | Position => true,
        }
    }

    /// Its readings count as those of a level of its own: the reference again is the reference's.
    pub fn counts_once(self) -> bool {
        match self {
            Probe | ReferenceAgain => false,
            Silence | Reference | Asked | Climb | Threshold | Bisect | LeftAlone | RightAlone => true,
            Seat | Matched | OpenEar | CoveredEar | Position => true,
        }
    }

    /// One of many, so that each may be short; the others are measured carefully.
    pub fn is_short(self) -> bool {
        match self {
            Probe | Climb => true,
            Silence | Reference | Asked | Threshold | Bisect | ReferenceAgain | LeftAlone | RightAlone => false,
            Seat | Matched | OpenEar | CoveredEar | Position => false,
        }
    }

    /// Its level is unknown until it is heard: another seat, another volume position, one channel alone.
    pub fn is_of_unknown_level(self) -> bool {
        match self {
            Seat | Position | LeftAlone | RightAlone => true,
            Silence | Probe | Reference | Asked | Climb | Threshold | Bisect | ReferenceAgain => false,
            Matched | OpenEar | CoveredEar => false,
        }
    }
}

impl fmt::Display for Purpose {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Silence => "silence",
            Probe => "probe",
            Reference => "reference",
            Asked => "asked",
            Climb => "climb",
            Threshold => "threshold",
            Bisect => "bisect",
            ReferenceAgain => "reference again",
            Seat => "seat",
            Matched => "matched",
            OpenEar => "open ear",
            CoveredEar => "covered ear",
            Position => "position",
            LeftAlone => "left channel only",
            RightAlone => "right channel only",
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
    /// The round of a swap is complete.
    RoundPlayed,
    /// What was played elsewhere ended before its plan did.
    PlayedNoFurther,
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
    /// What ends a climb whose last step was given up for this.
    pub fn given_up(reason: &VoidReason) -> StopReason {
        match reason {
            VoidReason::Stopped => StopReason::Stopped,
            VoidReason::Card { what } => StopReason::Card { what: what.clone() },
            other => StopReason::TakesVoid { reason: other.clone() },
        }
    }

    /// The input was exactly zero: muted, or another one.
    pub fn is_dead_input(&self) -> bool {
        matches!(self, StopReason::TakesVoid { reason: VoidReason::ZeroInput })
    }

    /// A card failed, lost samples, or ran at another rate than it was asked for.
    pub fn is_of_cards(&self) -> bool {
        let of_cards =
            |reason: &VoidReason| matches!(reason, VoidReason::WrongRate { .. } | VoidReason::LostSamples { .. });
        match self {
            StopReason::Card { .. } => true,
            StopReason::TakesVoid { reason } => of_cards(reason),
            _ => false,
        }
    }

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
            StopReason::Bend => write!(f, "nonlinearity was seen that no clipping limit explains"),
            StopReason::Ceiling { which } => write!(f, "the ceiling of {which} was reached"),
            StopReason::FullScale => write!(f, "the stimulus reached full scale"),
            StopReason::WantedHeadroom => write!(f, "the quick look reached the wanted headroom"),
            StopReason::DistortionAtEar => write!(f, "the distortion at the ear passed its limit"),
            StopReason::GainChange => write!(f, "the gain moved against the quiet reference"),
            StopReason::DistortionJumps => write!(
                f,
                "the distortion rose faster with the level than any smooth distortion does: a limiter, a slew limit or a gain control is at work"
            ),
            StopReason::InputOverload => write!(f, "the capture card's input has no headroom left; lower its gain"),
            StopReason::MicrophoneLimit => write!(f, "the microphone's stated maximum is near"),
            StopReason::PathChecked => write!(f, "the path check is complete"),
            StopReason::RoundPlayed => write!(f, "the round is complete"),
            StopReason::PlayedNoFurther => {
                write!(f, "what was played elsewhere ended, or could not be used, before its plan did")
            }
            StopReason::NoSignal => {
                write!(
                    f,
                    "nothing was heard up to the highest allowed probe; check routing, volume and the coupler; where the ceiling is low, a louder probe is allowed once the output's volts are known: measured (`loudenough calibrate volts`) or typed from its data sheet (`loudenough chain new NAME --volts 2,0.2`)"
                )
            }
            StopReason::NotTheSound => {
                write!(
                    f,
                    "something was heard while the noise played, but not that noise: the path changes it into another sound. Look for a speech codec (a wireless headset's call profile), noise suppression, echo cancelling or another program's sound, and switch it off"
                )
            }
            StopReason::TakesVoid { reason } => write!(f, "a take stayed void: {reason}"),
            StopReason::Stopped => write!(f, "it was stopped"),
            StopReason::Card { what } => write!(f, "{what}"),
        }
    }
}
