//! The plan of a session as a sound: which frame of the file holds what. Plain data, kept beside the file.

use crate::analysis::marks::{self, Chirp};
use crate::fingerprint;
use crate::session::plan::{LONGEST_TAKE_S, Plan};
use crate::session::step::Step;
use crate::signal::{Drive, FADE_S, Stimulus, raised_cosine};
use crate::units::{Dbfs, SampleRate};
use serde::{Deserialize, Serialize};

/// Name and version of the stored form.
pub const SCHEMA: &str = "loudenough-sound-plan/1";
/// Longest sound, seconds.
pub const LONGEST_S: f64 = 1200.0;

/// What holds on this route, kept in the plan file and said wherever it is used.
pub const CAUTIONS: [&str; 4] = [
    "Do not wear the headphones while this plays: over 100 dB SPL is normal here and harms hearing in minutes.",
    "The bench does not play this sound, so it cannot stop it. Ceilings are stated here, not kept: stay at the player, and stop it there when the bench says stop, or at any sign of distress of the headphone.",
    "Begin with the volume low. Choose it before the sound begins, and leave it alone until the sound has ended.",
    "Switch off equaliser, loudness, sound effects, volume limit and notifications in the player. An equaliser that stays the same cannot be told apart from the headphone's own response.",
];

/// Samples of the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SampleFormat {
    /// 16-bit integer, dithered.
    Bits16,
    /// 24-bit integer, dithered.
    Bits24,
    /// 32-bit float.
    Float,
}

impl SampleFormat {
    /// Bits of an integer; `None` of a float.
    pub fn bits(self) -> Option<u16> {
        match self {
            SampleFormat::Bits16 => Some(16),
            SampleFormat::Bits24 => Some(24),
            SampleFormat::Float => None,
        }
    }

    /// In words.
    pub fn in_words(self) -> &'static str {
        match self {
            SampleFormat::Bits16 => "16 bits, dithered",
            SampleFormat::Bits24 => "24 bits, dithered",
            SampleFormat::Float => "32-bit float",
        }
    }
}

/// A whole session as one sound.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SoundPlan {
    /// `loudenough-sound-plan/1`; always the first key.
    pub schema: String,
    /// `loudenough 0.1.0`.
    pub program: String,
    /// What must be known by whoever plays it.
    pub cautions: Vec<String>,
    /// What is asked of the session.
    pub plan: Plan,
    /// Rate of the file.
    pub rate: SampleRate,
    /// One or two; both carry the same, but where the channels are told apart.
    pub channels: u16,
    /// Its samples.
    pub format: SampleFormat,
    /// Its frames.
    pub frames: usize,
    /// RMS of the marks.
    pub mark_drive: Dbfs,
    /// The session's steps, quiet to loud.
    pub steps: Vec<Step>,
    /// What comes when, each with a mark before it.
    pub slots: Vec<Slot>,
    /// Fingerprint of the file's bytes.
    pub sound_hash: String,
    /// Fingerprint of everything above.
    pub hash: String,
}

/// A stretch of the file with a mark of its own before it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Slot {
    /// Number of its mark.
    pub number: usize,
    /// Frame at which the mark begins.
    pub mark_at: usize,
    /// What follows it.
    pub kind: SlotKind,
}

/// What follows a mark.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum SlotKind {
    /// One take of a step.
    Take(SlotOfTake),
    /// Nothing: of the mark itself the rising chirp is left alone and the falling one right alone.
    Channels,
    /// Nothing: the sound ends here.
    End,
}

/// One stimulus of one step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SlotOfTake {
    /// Number of its step, from 1.
    pub step: usize,
    /// What is played.
    pub stimulus: Stimulus,
    /// How loud.
    pub drive: Drive,
    /// Frame at which its fade-in begins.
    pub opens_at: usize,
    /// Frames from there to the first one meant for analysis.
    pub settle: usize,
    /// Whole periods meant for analysis.
    pub periods: usize,
    /// Frames of sound, fades included.
    pub played: usize,
}

impl SoundPlan {
    /// Seconds.
    pub fn seconds(&self) -> f64 {
        self.frames as f64 / self.rate.hz()
    }

    /// Amplitude of the marks, units of full scale.
    pub fn mark_amplitude(&self) -> f64 {
        self.mark_drive.rms() / marks::chirp_rms()
    }

    /// Highest drive of any step.
    pub fn highest_drive(&self) -> Option<Dbfs> {
        self.steps.iter().filter_map(|step| step.drive).max_by(|a, b| a.db().total_cmp(&b.db()))
    }

    /// The step of this number.
    pub fn step(&self, number: usize) -> Option<&Step> {
        self.steps.iter().find(|step| step.number == number)
    }

    /// Frame after the last one of a slot.
    pub fn end_of(&self, slot: &Slot) -> usize {
        match &slot.kind {
            SlotKind::Take(take) => take.opens_at + take.played,
            SlotKind::Channels | SlotKind::End => slot.mark_at + self.rate.frames_in(marks::mark_s(slot.number)),
        }
    }

    /// The sound of one channel (0 left, 1 right), units of full scale.
    pub fn samples(&self, channel: u16) -> Vec<f64> {
        let mut samples = vec![0.0; self.frames];
        for slot in &self.slots {
            self.add_mark(&mut samples, slot, channel);
            if let SlotKind::Take(take) = &slot.kind {
                self.add_take(&mut samples, take);
            }
        }
        samples
    }

    fn add_mark(&self, samples: &mut [f64], slot: &Slot, channel: u16) {
        let alone = slot.kind == SlotKind::Channels && self.channels > 1;
        let apart = self.rate.frames_in(marks::apart_s(slot.number));
        for (chirp, at, own) in [(Chirp::Rising, slot.mark_at, 0), (Chirp::Falling, slot.mark_at + apart, 1)] {
            if alone && channel != own {
                continue;
            }
            let wave = chirp.samples(self.rate, 1.0);
            for (to, x) in samples.iter_mut().skip(at).zip(wave) {
                *to += self.mark_amplitude() * x;
            }
        }
    }

    fn add_take(&self, samples: &mut [f64], take: &SlotOfTake) {
        if take.stimulus.is_silent() {
            return;
        }
        let period = take.stimulus.period(self.rate);
        let fade = FADE_S * self.rate.hz();
        for (n, to) in samples.iter_mut().skip(take.opens_at).take(take.played).enumerate() {
            let (since, left) = ((n as f64 + 0.5) / fade, (take.played as f64 - n as f64 - 0.5) / fade);
            *to = take.drive.gain()
                * raised_cosine(since)
                * raised_cosine(left)
                * period.samples[n % period.samples.len()];
        }
    }

    /// The fingerprint that `hash` must be.
    pub fn own_hash(&self) -> String {
        let plain = SoundPlan { hash: String::new(), ..self.clone() };
        // What serde cannot write has no fingerprint and is refused where it is read.
        serde_json::to_vec(&plain).map_or_else(|_| String::new(), |bytes| fingerprint::of(&bytes))
    }

    /// Is it a plan that can be followed?
    ///
    /// # Errors
    /// What cannot be, in words.
    pub fn check(&self) -> Result<(), String> {
        if self.schema != SCHEMA {
            return Err(format!("it says {:?}, this program knows {SCHEMA:?}", self.schema));
        }
        if self.hash != self.own_hash() {
            return Err("it was changed since it was written (its fingerprint does not fit)".into());
        }
        self.plan.check(self.rate).map_err(|e| e.to_string())?;
        if !(1..=2).contains(&self.channels) || self.seconds() > LONGEST_S || self.slots.is_empty() {
            return Err("no such file could have been made: channels, length or steps are out of range".into());
        }
        let mut before = 0;
        for (place, slot) in self.slots.iter().enumerate() {
            let end = self.end_of(slot);
            let ordered = slot.number == place && slot.mark_at >= before && end > slot.mark_at && end <= self.frames;
            let fits = match &slot.kind {
                SlotKind::Take(take) => self.fits(slot, take),
                SlotKind::Channels | SlotKind::End => true,
            };
            if !ordered || !fits || place >= marks::MOST_MARKS {
                return Err(format!("its entry {} cannot be", place + 1));
            }
            before = end;
        }
        Ok(())
    }

    fn fits(&self, slot: &Slot, take: &SlotOfTake) -> bool {
        let frames = take.periods.checked_mul(take.stimulus.period_frames(self.rate));
        let step = self.step(take.step).is_some_and(|step| step.stimuli.contains(&take.stimulus));
        let mark = slot.mark_at + self.rate.frames_in(marks::mark_s(slot.number));
        step && take.opens_at >= mark
            && frames.and_then(|f| f.checked_add(take.settle)).is_some_and(|needed| needed <= take.played)
            && (take.played as f64) < LONGEST_TAKE_S * self.rate.hz()
    }
}
