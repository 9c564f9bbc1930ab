//! An output that this computer cannot drive: what is typed for its sound file, for listening to it, and for a recording of it.

use super::form::{Form, sentence};
use super::work::Work;
use crate::asked::elsewhere::Sound;
use crate::asked::{self, Field, Read, Wrong, shown};
use crate::calibration::CLASS_1_HALF_WIDTH_DB;
use crate::card::{CaptureChannel, CardId, InputRole};
use crate::session::audio_file::AudioFile;
use crate::session::chain::Chain;
use crate::session::elsewhere::{Asked, BadLayout, SampleFormat, SoundPlan, plan_path, read_plan, sound_plan, write};
use crate::session::plan::{Plan, UNCALIBRATED_CEILING};
use crate::session::storage::name_of_time;
use crate::signal::{KINDS, Stimulus};
use crate::units::{Dbfs, SampleRate};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// RMS drive of the quiet reference and the marks, where no other is typed.
const REFERENCE: f64 = -40.0;
/// Distance between steps, where no other is typed, dB.
const STEP_DB: f64 = 3.0;
/// A recorder without a name.
const RECORDER: &str = "recorder";

/// What is done of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Part {
    /// The sound file is written.
    #[default]
    Write,
    /// It is followed while it plays elsewhere.
    Listen,
    /// A recording of it is taken in.
    Recording,
}

/// A field that a message stands beside.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// The sound file to write.
    Sound,
    /// Loudest step.
    Top,
    /// The raised one again.
    Again,
    /// Quiet reference.
    Reference,
    /// First step.
    From,
    /// Distance between steps.
    Step,
    /// What is played beside the noise.
    Beside,
    /// The plan file.
    Plan,
    /// The output that plays it.
    Output,
    /// The recording.
    Recording,
    /// What recorded it.
    Recorder,
    /// Channels of the ears.
    Ears,
    /// The recorder's offset.
    Offset,
    /// Half its interval.
    Half,
}

/// Messages beside their fields.
pub type Messages = BTreeMap<Place, String>;

/// What is to be followed, as a thread has read it.
#[derive(Debug)]
pub struct Found {
    /// What is played.
    pub sound: SoundPlan,
    /// A recording of it and its rate.
    pub recording: Option<(PathBuf, SampleRate)>,
}

/// What is typed, and what came of it.
#[derive(Debug)]
pub struct Elsewhere {
    /// It is shown in place of the question.
    pub open: bool,
    /// What is done.
    pub part: Part,
    /// Sound file to write.
    pub sound: String,
    /// Its rate.
    pub rate: SampleRate,
    /// Its samples.
    pub format: SampleFormat,
    /// One or two channels.
    pub channels: u16,
    /// Loudest step, dBFS.
    pub top: String,
    /// The raised one again.
    pub again: String,
    /// Drive of the quiet reference, dBFS.
    pub reference: String,
    /// Drive of the first step, dBFS; empty: one step over the reference.
    pub from: String,
    /// Distance between steps, dB.
    pub step: String,
    /// Plan file to follow.
    pub plan: String,
    /// The output that plays it, which is none of this computer's.
    pub output: String,
    /// Its volume.
    pub volume: String,
    /// Recording to take in.
    pub recording: String,
    /// It was made by the input of this desk, set as it is now.
    pub by_desk: bool,
    /// What else recorded it.
    pub recorder: String,
    /// Channels of the ears in it, counted from 1; the right one may be empty.
    pub ears: [String; 2],
    /// The recorder's offset, dB, and half its interval; empty: levels in dBFS.
    pub offset: [String; 2],
    /// What is wrong with a field.
    pub wrong: Messages,
    /// Why nothing was heard.
    pub failed: Option<String>,
    /// What was written last, in words.
    pub written: Option<String>,
    pub(super) writing: Work<Result<(PathBuf, SoundPlan), (Place, String)>>,
    pub(super) reading: Work<Result<Found, (Place, String)>>,
}

impl Default for Elsewhere {
    fn default() -> Elsewhere {
        Elsewhere {
            open: false,
            part: Part::Write,
            sound: String::new(),
            rate: SampleRate::DEFAULT,
            format: SampleFormat::Bits24,
            channels: 2,
            top: shown(UNCALIBRATED_CEILING.db()),
            again: String::new(),
            reference: shown(REFERENCE),
            from: String::new(),
            step: shown(STEP_DB),
            plan: String::new(),
            output: String::new(),
            volume: String::new(),
            recording: String::new(),
            by_desk: false,
            recorder: RECORDER.into(),
            ears: ["1".into(), String::new()],
            offset: [String::new(), shown(CLASS_1_HALF_WIDTH_DB)],
            wrong: Messages::new(),
            failed: None,
            written: None,
            writing: Work::default(),
            reading: Work::default(),
        }
    }
}

impl Elsewhere {
    /// A file beside the sessions that nobody has yet.
    pub(super) fn name_sound(&mut self, sessions: &Path, now: &str) {
        self.sound = sessions.with_file_name(format!("sound-{}.wav", name_of_time(now))).display().to_string();
    }

    /// True where the loudest step has to be typed twice.
    pub fn is_raised(&self) -> bool {
        Field::CeilingDrive.read(&self.top).is_ok_and(|top| asked::plan::needs_again(Field::CeilingDrive, top))
    }

    /// True while a file is written or read.
    pub fn is_at_work(&self) -> bool {
        self.writing.is_under_way() || self.reading.is_under_way()
    }

    /// Something was typed: what was said of it before holds no more.
    pub(super) fn edited(&mut self, place: Place) {
        self.wrong.remove(&place);
        (self.failed, self.written) = (None, None);
    }

    /// The sound that is asked for; what the question asks for beside the noise is in it too.
    pub(super) fn asked(&mut self, form: &Form) -> Option<Asked> {
        let mut wrong = Messages::new();
        let drive = |field: Field, typed: &str| field.read(typed).map(Dbfs);
        let top = put(&mut wrong, Place::Top, drive(Field::CeilingDrive, &self.top));
        let again = self.is_raised().then(|| Field::CeilingAgain.read(&self.again).ok()).flatten();
        let reference = put(&mut wrong, Place::Reference, drive(Field::Drive, &self.reference));
        let from = Some(self.from.trim()).filter(|typed| !typed.is_empty()).map(|typed| drive(Field::Drive, typed));
        let from = put(&mut wrong, Place::From, from.transpose());
        let step_db = put(&mut wrong, Place::Step, Field::Step.read(&self.step));
        let sines_hz = put(&mut wrong, Place::Beside, form.typed.numbers(Field::Sines));
        let made = top.zip(reference).zip(from).zip(step_db).zip(sines_hz);
        let asked = made.and_then(|((((top, reference), from), step_db), sines_hz)| {
            let sound = Sound {
                rate: self.rate,
                channels: self.channels,
                format: self.format,
                top,
                reference,
                from,
                step_db,
                sines_hz,
                beside: beside(form, self.rate),
            };
            let asked = sound.over(Plan::session(self.rate), again);
            asked.map_err(|w| wrong.insert(place_of(w.field), w.to_string())).ok()
        });
        self.wrong = wrong;
        asked.filter(|_| self.wrong.is_empty())
    }

    /// The desk's chain with the output that plays the sound. What is known of the question's own output, another device,
    /// holds for it only where both have one name.
    pub(super) fn named(&mut self, desk: &Chain) -> Option<Chain> {
        let output = put(&mut self.wrong, Place::Output, asked::chain::name(Field::Output, &self.output))?;
        let mut chain = desk.clone();
        if output != chain.output {
            let before = std::mem::take(&mut chain.output_side);
            let side = &mut chain.output_side;
            // The headphone is the same one.
            (side.load_impedance_ohm, side.load, side.load_taken_on) =
                (before.load_impedance_ohm, before.load, before.load_taken_on);
        }
        (chain.output, chain.volume) = (output, self.volume.trim().into());
        chain.drop_changed_electrical();
        Some(chain)
    }

    /// The chain that a recording was made with.
    pub(super) fn chain_of(&mut self, desk: &Chain, rate: SampleRate, now: &str) -> Option<Chain> {
        if self.by_desk {
            if desk.routing.capture == CardId::simulated() {
                let no = "The chain is the simulated bench, and no recording was made with it. Choose another recorder, or the cards of the desk.";
                self.wrong.insert(Place::Recorder, no.into());
                return None;
            }
            return Some(desk.clone());
        }
        let mut wrong = Messages::new();
        let ears = put(&mut wrong, Place::Ears, self.channels_of_ears());
        let offset = match self.offset[0].trim() {
            "" => Some(None),
            typed => {
                let value = put(&mut wrong, Place::Offset, Field::Offset.read(typed));
                let half = put(&mut wrong, Place::Half, Field::OffsetHalfWidth.read(&self.offset[1]));
                let taken = value.zip(half).map(|(value, half)| asked::calibration::offset(value, half, now));
                // What was typed wrong is not left out in silence: levels would be in dBFS instead.
                taken.and_then(|taken| put(&mut wrong, Place::Offset, taken)).map(Some)
            }
        };
        self.wrong = wrong;
        let (ears, offset) = ears.zip(offset)?;
        let name = Some(self.recorder.trim()).filter(|name| !name.is_empty()).unwrap_or(RECORDER);
        let mut chain = desk.clone();
        (chain.routing.capture, chain.routing.capture_rate) = (CardId(name.into()), rate);
        chain.routing.capture_channels = ears;
        // What was taken on the desk's input means nothing on another one.
        chain.acoustic.clear();
        chain.taken_on.clear();
        let roles: Vec<InputRole> = chain.ears().map(|(_, role)| role).collect();
        for (role, acoustic) in roles.into_iter().filter_map(|role| Some((role, offset.clone()?))) {
            chain.take_offset(role, acoustic);
        }
        Some(chain)
    }

    fn channels_of_ears(&self) -> Read<Vec<CaptureChannel>> {
        let roles = [InputRole::LeftEar, InputRole::RightEar];
        let typed = self.ears.iter().zip(roles).filter(|(typed, _)| !typed.trim().is_empty());
        let channel = |(typed, role): (&String, InputRole)| {
            asked::chain::channel(Field::CaptureChannels, typed, None).map(|channel| CaptureChannel { channel, role })
        };
        let all = typed.map(channel).collect::<Read<Vec<_>>>()?;
        if all.is_empty() {
            return Err(Wrong::says(Field::CaptureChannels, "name the channel of at least one ear"));
        }
        asked::chain::inputs(&all).map(|()| all)
    }
}

/// Keeps the message of what was typed wrong beside its field.
fn put<T>(wrong: &mut Messages, place: Place, read: Read<T>) -> Option<T> {
    read.map_err(|w| wrong.insert(place, w.to_string())).ok()
}

/// Further sounds that the question asks for, at the rate of the file.
fn beside(form: &Form, rate: SampleRate) -> Vec<Stimulus> {
    let of_desk = form.chain.routing.playback_rate;
    let again =
        |sound: &Stimulus| KINDS.iter().find(|kind| (kind.make)(of_desk) == *sound).map(|kind| (kind.make)(rate));
    form.beside.iter().map(|sound| again(sound).unwrap_or_else(|| sound.clone())).collect()
}

/// The field of a plan that a message stands beside.
fn place_of(field: Field) -> Place {
    match field {
        Field::CeilingAgain => Place::Again,
        Field::Step => Place::Step,
        Field::Sines | Field::AskedSpl => Place::Beside,
        _ => Place::Top,
    }
}

/// Lays the sound out and writes it with its plan, on a thread.
pub(super) fn written(asked: &Asked, sound: &Path) -> Result<(PathBuf, SoundPlan), (Place, String)> {
    let laid = sound_plan(asked).map_err(|error| {
        let place = match &error {
            BadLayout::Plan(_) | BadLayout::Drive(_) => Place::Top,
            BadLayout::Reference { .. } => Place::Reference,
            BadLayout::From { .. } => Place::From,
            BadLayout::TooMany(_) | BadLayout::TooLong(_) => Place::Step,
        };
        (place, sentence(&error.to_string()))
    })?;
    let plan = write(&laid, sound).map_err(|error| (Place::Sound, sentence(&error.to_string())))?;
    Ok((sound.to_path_buf(), plan))
}

/// What was written, in words.
pub(super) fn in_words(sound: &Path, plan: &SoundPlan) -> String {
    let channels = if plan.channels > 1 { "two channels" } else { "one channel" };
    format!(
        "Written: {}, {:.0} s at {}, {channels}, {}, {} steps up to {}. Its plan is {}: keep both.",
        sound.display(),
        plan.seconds(),
        plan.rate,
        plan.format.in_words(),
        plan.steps.len(),
        plan.highest_drive().map_or("silence".into(), |drive| drive.to_string()),
        plan_path(sound).display()
    )
}

/// Reads the plan file, and what a recording says of itself, on a thread.
pub(super) fn found(plan: &Path, recording: Option<PathBuf>) -> Result<Found, (Place, String)> {
    let sound = read_plan(plan).map_err(|error| (Place::Plan, sentence(&error.to_string())))?;
    let opened = |path: PathBuf| match AudioFile::open(&path) {
        Ok(recording) => Ok((path, recording.rate)),
        Err(error) => Err((Place::Recording, format!("{}: {error}", path.display()))),
    };
    Ok(Found { sound, recording: recording.map(opened).transpose()? })
}
