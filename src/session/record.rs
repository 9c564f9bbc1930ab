//! Everything that is needed to redo the analysis and to judge again: plan, chain, cards, steps and what ended it.

use super::chain::Chain;
use super::elsewhere::HeardElsewhere;
use super::plan::Plan;
use super::series::SwapChecked;
use super::step::{Purpose, Step, StopReason};
use crate::analysis::{Finding, Flaw, IntermodulationFinding, PinkFinding, SilenceFinding, SineFinding, SweepFinding};
use crate::calibration::Acoustic;
use crate::card::{CardId, Granted, InputRole};
use crate::signal::Stimulus;
use crate::stats::Estimate;
use crate::take::{TakeHead, VoidReason};
use serde::{Deserialize, Serialize};

/// Name and major version of the stored form; a newer major is refused, an older one migrated.
pub const SCHEMA: &str = "loudenough-session/1";

/// Written first, before any sound.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SessionHead {
    /// [`SCHEMA`]; always the first key.
    pub schema: String,
    /// Name of the session folder.
    pub id: String,
    /// RFC 3339.
    pub started_at: String,
    /// Name, version, commit, features and sound systems ([`program`](super::program::program)); of 0.1.0 name and version alone.
    pub program: String,
    /// What is asked.
    pub plan: Plan,
    /// The chain as used.
    pub chain: Chain,
    /// Playback as granted.
    pub playback: Granted,
    /// Capture as granted.
    pub capture: Granted,
}

/// A session: its head, its finished steps and what happened around them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Written first.
    pub head: SessionHead,
    /// Finished steps in order.
    pub steps: Vec<StepResult>,
    /// Append-only.
    pub events: Vec<SessionEvent>,
    /// Files of the session that were changed outside the program (`step 3`).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub changed: Vec<String>,
}

/// Something that happened around the steps, with its time (RFC 3339).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SessionEvent {
    /// When.
    pub at: String,
    /// What.
    #[serde(flatten)]
    pub what: Happening,
}

/// What can happen around the steps.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum Happening {
    /// The climb ended.
    Ended {
        /// Why.
        stop: StopReason,
    },
    /// An interrupted session was taken up again.
    Continued,
    /// The order of the labels was drawn, for comparisons that hide the names of the outputs: the key to them.
    LabelsDrawn {
        /// Id of the session this one is compared with.
        other: String,
        /// True where this one's output wears the blue label.
        blue: bool,
    },
    /// The output's knob was turned to give the level of another session; takes after it stand at another position.
    KnobTurned,
    /// The calibrator was fitted again after the session.
    CalibrationChecked {
        /// Which ear.
        role: InputRole,
        /// What it gives now.
        acoustic: Acoustic,
    },
    /// In a series: what was heard after the headphone was swapped, before its session began.
    SwapChecked {
        /// What.
        checked: Box<SwapChecked>,
    },
    /// The sound was played elsewhere; this was noticed of it.
    HeardElsewhere(Box<HeardElsewhere>),
    /// A name was written wrongly and is corrected. The head of the session keeps the first one.
    Renamed {
        /// Whose name.
        what: Named,
        /// The name until now.
        was: String,
        /// The name from now on.
        now: String,
        /// Only the spelling was wrong: volts and impedances that were taken under the old name still hold.
        same_device: bool,
    },
    /// Words of the user.
    Noted {
        /// As typed.
        text: String,
    },
    /// It does not count any more, in the stock or elsewhere; everything of it is kept.
    SetAside {
        /// Why, in the user's words; may be empty.
        because: String,
    },
    /// It counts again.
    TakenBack,
    /// What the user wrote last (note, corrected name, set aside, taken back) and did not undo yet does not stand.
    Undone,
}

impl Happening {
    /// Written by the user after the session, so that it can be undone.
    pub fn is_written(&self) -> bool {
        match self {
            Happening::Noted { .. } | Happening::Renamed { .. } | Happening::SetAside { .. } | Happening::TakenBack => {
                true
            }
            Happening::Ended { .. } | Happening::Continued | Happening::LabelsDrawn { .. } => false,
            Happening::KnobTurned | Happening::CalibrationChecked { .. } | Happening::Undone => false,
            Happening::SwapChecked { .. } | Happening::HeardElsewhere(_) => false,
        }
    }
}

/// What of a chain can be named anew after the session.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Named {
    /// The output under test.
    Output,
    /// The headphone on the coupler.
    Headphone,
    /// The note on volume positions.
    Volume,
}

impl Named {
    /// In words.
    pub fn word(self) -> &'static str {
        match self {
            Named::Output => "output",
            Named::Headphone => "headphone",
            Named::Volume => "volume",
        }
    }

    /// The name in a chain.
    pub fn of(self, chain: &Chain) -> &str {
        match self {
            Named::Output => &chain.output,
            Named::Headphone => &chain.headphone,
            Named::Volume => &chain.volume,
        }
    }

    fn set(self, chain: &mut Chain, name: &str) {
        *match self {
            Named::Output => &mut chain.output,
            Named::Headphone => &mut chain.headphone,
            Named::Volume => &mut chain.volume,
        } = name.into();
    }
}

/// One finished step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StepResult {
    /// What was asked.
    pub step: Step,
    /// Seat of the headphone on the coupler, from 1.
    pub seat: u32,
    /// RFC 3339.
    pub finished_at: String,
    /// What its numbers were computed with ([`ARITHMETIC`](super::program::ARITHMETIC)); `None` of earlier programs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arithmetic: Option<u32>,
    /// Every take in the order played, void ones too.
    pub takes: Vec<TakeResult>,
}

/// One take of a step and what each input says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TakeResult {
    /// WAV file inside the step's folder.
    pub file: String,
    /// Everything but the samples.
    pub head: TakeHead,
    /// Why the take is void, by the card or by the analysis.
    pub void: Option<VoidReason>,
    /// Clock handed to the analysis (pooled over the takes so far), ppm, so that re-analysis repeats it.
    pub pooled_ppm: Option<Estimate>,
    /// Route delay handed to the analysis, seconds, likewise.
    pub route_delay_s: Option<f64>,
    /// One per capture channel; empty where void.
    pub inputs: Vec<InputResult>,
}

/// What one input of one take says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct InputResult {
    /// What is connected.
    pub role: InputRole,
    /// In full-scale terms.
    pub finding: Finding,
    /// Gain less that of the reference step, dB; `None` before there is one.
    pub gain_change_db: Option<Estimate>,
    /// As sound; `None` without a calibration offset for this ear.
    pub sound: Option<SoundLevels>,
}

/// Levels as sound at the calibrated point, intervals with the calibration's.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SoundLevels {
    /// Z, dB SPL.
    pub z: Option<Estimate>,
    /// A.
    pub a: Option<Estimate>,
    /// C.
    pub c: Option<Estimate>,
    /// Z, the range of the coupler only ([`Coupler::stated_hz`](super::chain::Coupler::stated_hz)).
    pub mid: Option<Estimate>,
    /// True peak, dB SPL.
    pub peak: Option<f64>,
}

impl InputResult {
    /// Of pink noise.
    pub fn pink(&self) -> Option<&PinkFinding> {
        match &self.finding {
            Finding::Pink(finding) => Some(finding),
            _ => None,
        }
    }
}

impl StepResult {
    /// What it was for; a further seat with its number.
    pub fn name(&self) -> String {
        match self.step.purpose {
            Purpose::Seat => format!("seat {}", self.seat),
            purpose => purpose.to_string(),
        }
    }

    /// Last usable take of pink noise, one input of it.
    pub fn pink(&self, input: usize) -> Option<(&PinkFinding, &InputResult)> {
        self.usable(input).find_map(|r| Some((r.pink()?, r)))
    }

    /// Usable sines of one input, in the order played.
    pub fn sines(&self, input: usize) -> impl Iterator<Item = &SineFinding> {
        self.takes.iter().filter_map(move |take| match &take.inputs.get(input)?.finding {
            Finding::Sine(finding) => Some(finding.as_ref()),
            _ => None,
        })
    }

    /// Sweep of one input.
    pub fn sweep(&self, input: usize) -> Option<&SweepFinding> {
        self.usable(input).find_map(|r| match &r.finding {
            Finding::Sweep(finding) => Some(finding.as_ref()),
            _ => None,
        })
    }

    /// Two tones of one input.
    pub fn two_tones(&self, input: usize) -> impl Iterator<Item = &IntermodulationFinding> {
        self.usable(input).filter_map(|r| match &r.finding {
            Finding::TwoTones(finding) => Some(finding.as_ref()),
            _ => None,
        })
    }

    /// Usable takes of other sounds, one input of each, with what was played, in the order played.
    pub fn others(&self, input: usize) -> impl Iterator<Item = (&Stimulus, &InputResult)> {
        let main = |f: &Finding| matches!(f, Finding::Pink(_) | Finding::Sine(_) | Finding::Silence(_));
        self.takes
            .iter()
            .filter(|take| take.void.is_none())
            .filter_map(move |take| Some((&take.head.stimulus, take.inputs.get(input)?)))
            .filter(move |(_, result)| !main(&result.finding))
    }

    /// Silence of one input.
    pub fn silence(&self, input: usize) -> Option<&SilenceFinding> {
        self.usable(input).find_map(|r| match &r.finding {
            Finding::Silence(finding) => Some(finding.as_ref()),
            _ => None,
        })
    }

    fn usable(&self, input: usize) -> impl Iterator<Item = &InputResult> {
        self.takes.iter().rev().filter(|take| take.void.is_none()).filter_map(move |take| take.inputs.get(input))
    }

    /// The reason why none of the takes of one stimulus can be used, where that is so.
    pub fn given_up(&self) -> Option<&VoidReason> {
        let last = self.takes.last()?;
        last.void.as_ref()
    }

    /// Flaws of all usable takes, with the input that each is about.
    pub fn flaws(&self) -> impl Iterator<Item = (InputRole, &Flaw)> {
        let usable = self.takes.iter().filter(|take| take.void.is_none()).flat_map(|take| take.inputs.iter());
        usable.flat_map(|input| input.finding.common().flaws.iter().map(move |flaw| (input.role, flaw)))
    }
}

impl Record {
    /// A session that has not begun.
    pub fn new(head: SessionHead) -> Record {
        Record { head, steps: Vec::new(), events: Vec::new(), changed: Vec::new() }
    }

    /// Why the climb ended, if it did and was not taken up again.
    pub fn stop(&self) -> Option<&StopReason> {
        self.events.iter().rev().find_map(|event| match &event.what {
            Happening::Ended { stop } => Some(Some(stop)),
            Happening::Continued => Some(None),
            Happening::CalibrationChecked { .. } | Happening::LabelsDrawn { .. } | Happening::KnobTurned => None,
            Happening::Renamed { .. } | Happening::Noted { .. } | Happening::Undone => None,
            Happening::SetAside { .. } | Happening::TakenBack | Happening::SwapChecked { .. } => None,
            Happening::HeardElsewhere(_) => None,
        })?
    }

    /// What the user wrote into it and did not undo, in order.
    pub fn written(&self) -> Vec<&SessionEvent> {
        let mut standing = Vec::new();
        for event in &self.events {
            if event.what == Happening::Undone {
                standing.pop();
            } else if event.what.is_written() {
                standing.push(event);
            }
        }
        standing
    }

    /// Why it was set aside, where it was and was not taken back; may be empty.
    pub fn set_aside(&self) -> Option<&str> {
        self.written().into_iter().rev().find_map(|event| match &event.what {
            Happening::SetAside { because } => Some(Some(because.as_str())),
            Happening::TakenBack => Some(None),
            _ => None,
        })?
    }

    /// Puts the corrected names into its chain, as everybody who reads it sees them. Volts and impedances that were taken on
    /// the device that it was not are left out.
    pub(super) fn take_corrected_names(&mut self) {
        let written = self.written().into_iter().map(|event| event.what.clone()).collect::<Vec<_>>();
        let chain = &mut self.head.chain;
        for event in written {
            if let Happening::Renamed { what, now, same_device, .. } = &event {
                chain.complete_electrical();
                what.set(chain, now);
                if *same_device {
                    let parts: Vec<_> = chain.changed_electrical().into_iter().map(|changed| changed.part).collect();
                    chain.electrical_belongs_here(parts);
                } else {
                    chain.drop_changed_electrical();
                }
            }
        }
    }

    /// The chain under the names that it was measured with: a simulated bench takes the devices of these names.
    pub(super) fn chain_as_begun(&self) -> Chain {
        let mut chain = self.head.chain.clone();
        for event in self.events.iter().rev() {
            if let Happening::Renamed { what, was, .. } = &event.what {
                what.set(&mut chain, was);
            }
        }
        chain
    }

    /// The calibration offset of the last check after the session less the one it was measured with, dB; `None` without
    /// a check.
    pub fn calibration_drift_db(&self, role: InputRole) -> Option<f64> {
        let before = self.head.chain.acoustic(role)?;
        self.events.iter().rev().find_map(|event| match &event.what {
            Happening::CalibrationChecked { role: checked, acoustic } if *checked == role => {
                Some(acoustic.offset.value - before.offset.value)
            }
            _ => None,
        })
    }

    /// Levels of one input as sound, with what the calibration has drifted since in their intervals.
    pub fn sound(&self, result: &InputResult) -> Option<SoundLevels> {
        let drift = self.calibration_drift_db(result.role).unwrap_or(0.0);
        let widened = |level: Option<Estimate>| level.map(|l| l.plus(&Estimate::symmetric(0.0, drift.abs())));
        let sound = result.sound?;
        Some(SoundLevels {
            z: widened(sound.z),
            a: widened(sound.a),
            c: widened(sound.c),
            mid: widened(sound.mid),
            peak: sound.peak,
        })
    }

    /// True where the climb was cut short, so that taking the session up plays the rest.
    pub fn can_go_on(&self) -> bool {
        use StopReason::{Card, Stopped, TakesVoid};
        let cut_short = matches!(self.stop(), None | Some(Stopped | Card { .. } | TakesVoid { .. }));
        cut_short && !self.is_from_elsewhere()
    }

    /// True where none of this computer's cards played it: nothing can be added to it, and it cannot go on.
    pub fn is_from_elsewhere(&self) -> bool {
        self.head.playback.id == CardId::elsewhere()
    }

    /// The steps of the climb: all but what was added after it.
    pub fn climbed(&self) -> impl DoubleEndedIterator<Item = &StepResult> {
        self.steps.iter().filter(|s| !s.step.purpose.is_added())
    }

    /// Number of the last seat, from 1.
    pub fn seat(&self) -> u32 {
        self.steps.iter().map(|step| step.seat).max().unwrap_or(1)
    }

    /// True where the climb heard something that a further seat can be held against.
    pub fn judgeable(&self) -> bool {
        self.head.plan.extent.climbs() && self.last(Purpose::Reference).is_some()
    }

    /// The last step of one purpose.
    pub fn last(&self, purpose: Purpose) -> Option<&StepResult> {
        self.steps.iter().rev().find(|s| s.step.purpose == purpose)
    }

    /// Of the calibrated ears the one that the quiet reference is less loud at: it decides how loud the output plays. The first
    /// ear where only one, or none, is calibrated or heard.
    pub fn weaker_ear(&self) -> Option<(usize, InputRole)> {
        let reference = self.last(Purpose::Reference);
        let level = |input: usize| Some(self.sound(reference?.pink(input)?.1)?.z?.value);
        let heard = self.head.chain.ears().filter_map(|(input, role)| Some((input, role, level(input)?)));
        let weaker = heard.min_by(|a, b| a.2.total_cmp(&b.2)).map(|(input, role, _)| (input, role));
        weaker.or_else(|| self.head.chain.ears().next())
    }

    /// Input of the weaker ear.
    pub fn deciding_input(&self) -> usize {
        self.weaker_ear().map_or(self.head.chain.deciding_input(), |(input, _)| input)
    }

    /// Takes that had to be played again.
    pub fn repeated(&self) -> usize {
        self.steps.iter().flat_map(|s| &s.takes).filter(|take| take.void.is_some()).count()
    }
}
