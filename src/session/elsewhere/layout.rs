//! What is asked → the steps of a session, quiet to loud, and where each lies in the file.
//!
//! ```text
//!  silence │ reference │ channels │ climb … │ reference again │ end      each: mark, pause, fade in, settle, periods, fade out, gap
//! ```
//!
//! A climb that is played elsewhere cannot wait for what the last step showed: every level is fixed before it begins. So it
//! rises from the quiet reference to the stated ceiling in equal steps, and nothing louder is in the file.

use super::sound_plan::{CAUTIONS, LONGEST_S, SCHEMA, SampleFormat, Slot, SlotKind, SlotOfTake, SoundPlan};
use crate::analysis::marks;
use crate::fingerprint::fnv_1a;
use crate::session::plan::{Plan, PlanError, SETTLE_S, UNCALIBRATED_CEILING};
use crate::session::step::{Purpose, Step};
use crate::signal::{Drive, DriveCeiling, DriveRefused, FADE_S, Stimulus};
use crate::units::{Dbfs, SampleRate};

/// Silence before the first mark, seconds: players fade in.
const LEAD_S: f64 = 1.0;
/// Silence between a mark and its sound, seconds.
const PAUSE_S: f64 = 0.3;
/// Sound after the last period, before the fade, seconds.
const MARGIN_S: f64 = 0.15;
/// Silence after each sound, seconds, and up to fifteen times so much more: the gaps are those of one plan alone, so that the
/// sound of another one is never read by it.
const GAP_S: f64 = 0.7;
pub(super) const GAP_STEP_S: f64 = 0.04;
/// The reference stays this far under the loudest step, dB.
const REFERENCE_BELOW_TOP_DB: f64 = 20.0;
/// Steps closer than this are one, dB.
const SAME_DB: f64 = 0.05;
/// Marks that can be told apart, so many stretches a file can have.
pub const MARK_NUMBERS: usize = marks::MOST_MARKS;

/// What is asked of the file.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked {
    /// Rate of the file.
    pub rate: SampleRate,
    /// One or two channels.
    pub channels: u16,
    /// Its samples.
    pub format: SampleFormat,
    /// RMS drive of the quiet reference and of the marks.
    pub reference: Dbfs,
    /// First step of the climb; `None`: one step over the reference.
    pub from: Option<Dbfs>,
    /// What is asked of the session; its drive ceiling is the loudest step.
    pub plan: Plan,
}

/// Why no file can be laid out.
#[derive(Debug, thiserror::Error)]
pub enum BadLayout {
    /// The plan itself.
    #[error("the plan cannot be written: {0}")]
    Plan(#[from] PlanError),
    /// A level.
    #[error("a step cannot be written: {0}")]
    Drive(#[from] DriveRefused),
    /// The reference is too near to the top.
    #[error(
        "the quiet reference of {reference} must stand at least {REFERENCE_BELOW_TOP_DB} dB under the loudest step of {top}; lower it"
    )]
    Reference {
        /// As asked.
        reference: Dbfs,
        /// Loudest step.
        top: Dbfs,
    },
    /// The climb begins above its end.
    #[error(
        "the climb would begin at {from}, which is not between the reference of {reference} and the loudest step of {top}"
    )]
    From {
        /// As asked.
        from: Dbfs,
        /// The reference.
        reference: Dbfs,
        /// Loudest step.
        top: Dbfs,
    },
    /// Too many steps.
    #[error(
        "it would have {0} stretches, more than the {MARK_NUMBERS} that can be told apart; take larger steps or fewer sounds"
    )]
    TooMany(usize),
    /// Too long.
    #[error("it would last {0:.0} s, more than {LONGEST_S:.0} s; take larger steps or fewer sounds")]
    TooLong(f64),
}

/// The file that is asked for. Its sound's fingerprint is still empty.
///
/// # Errors
/// [`BadLayout`] names what cannot be.
pub fn sound_plan(asked: &Asked) -> Result<SoundPlan, BadLayout> {
    let top = asked.plan.ceilings.drive.unwrap_or(UNCALIBRATED_CEILING);
    let mut plan = asked.plan.clone();
    plan.ceilings.drive = Some(top);
    plan.seats = 1;
    plan.check(asked.rate)?;
    let steps = steps(asked, &plan, top)?;
    let mut laid = SoundPlan {
        schema: SCHEMA.into(),
        program: format!("loudenough {}", env!("CARGO_PKG_VERSION")),
        cautions: CAUTIONS.map(String::from).into(),
        plan,
        rate: asked.rate,
        channels: asked.channels,
        format: asked.format,
        frames: asked.rate.frames_in(LEAD_S),
        mark_drive: asked.reference,
        steps: Vec::new(),
        slots: Vec::new(),
        sound_hash: String::new(),
        hash: String::new(),
    };
    // Everything that makes another sound of it, in one number.
    let made_of = serde_json::to_vec(&(&laid.plan, &steps, laid.rate, laid.channels, laid.mark_drive));
    let gaps = fnv_1a(made_of.unwrap_or_default());
    let ceiling = DriveCeiling { rms: top, because: "the loudest step of the file".into() };
    for step in steps {
        for stimulus in &step.stimuli {
            let take = |opens_at| slot_of_take(asked.rate, &step, stimulus, opens_at, &ceiling);
            add(&mut laid, gaps, |opens_at| take(opens_at).map(SlotKind::Take))?;
        }
        if step.purpose == Purpose::Reference && asked.channels > 1 {
            add(&mut laid, gaps, |_| Ok(SlotKind::Channels))?;
        }
        laid.steps.push(step);
    }
    add(&mut laid, gaps, |_| Ok(SlotKind::End))?;
    match (laid.slots.len(), laid.seconds()) {
        (count, _) if count > MARK_NUMBERS => Err(BadLayout::TooMany(count)),
        (_, seconds) if seconds > LONGEST_S => Err(BadLayout::TooLong(seconds)),
        _ => Ok(laid),
    }
}

/// Silence, reference, climb, reference again.
fn steps(asked: &Asked, plan: &Plan, top: Dbfs) -> Result<Vec<Step>, BadLayout> {
    let reference = asked.reference;
    if top.db() - reference.db() < REFERENCE_BELOW_TOP_DB - 1e-9 {
        return Err(BadLayout::Reference { reference, top });
    }
    let from = asked.from.unwrap_or(reference + plan.step_db);
    if from.db() < reference.db() || from.db() > top.db() {
        return Err(BadLayout::From { from, reference, top });
    }
    let count = ((top.db() - from.db() - SAME_DB) / plan.step_db).max(0.0).ceil() as usize;
    let climb = (0..count).map(|n| from + n as f64 * plan.step_db).chain([top]);
    let silence = [(Purpose::Silence, None), (Purpose::Reference, Some(reference))];
    let drives = silence
        .into_iter()
        .chain(climb.map(|drive| (Purpose::Climb, Some(drive))))
        .chain([(Purpose::ReferenceAgain, Some(reference))]);
    let stimuli = |purpose: Purpose| -> Vec<Stimulus> {
        let sines = plan.sines_hz.iter().map(|f| Stimulus::sine(*f));
        match purpose {
            Purpose::Silence => vec![Stimulus::silence()],
            Purpose::Climb => {
                std::iter::once(plan.pink.clone()).chain(sines).chain(plan.beside.iter().cloned()).collect()
            }
            _ => vec![plan.pink.clone()],
        }
    };
    let step = |(place, (purpose, drive)): (usize, (Purpose, Option<Dbfs>))| Step {
        number: place + 1,
        purpose,
        drive,
        stimuli: stimuli(purpose),
        periods: if purpose.is_short() { plan.climb_periods } else { plan.careful_periods },
    };
    Ok(drives.enumerate().map(step).collect())
}

/// Appends a mark and what follows it.
fn add(
    to: &mut SoundPlan,
    gaps: u64,
    kind: impl FnOnce(usize) -> Result<SlotKind, BadLayout>,
) -> Result<(), BadLayout> {
    let (rate, number, mark_at) = (to.rate, to.slots.len(), to.frames);
    let opens_at = mark_at + rate.frames_in(marks::mark_s(number) + PAUSE_S);
    let slot = Slot { number, mark_at, kind: kind(opens_at)? };
    let gap_s = GAP_S + GAP_STEP_S * (gaps >> (4 * (number % 16)) & 15) as f64;
    to.frames = to.end_of(&slot) + rate.frames_in(gap_s);
    to.slots.push(slot);
    Ok(())
}

fn slot_of_take(
    rate: SampleRate,
    step: &Step,
    stimulus: &Stimulus,
    opens_at: usize,
    ceiling: &DriveCeiling,
) -> Result<SlotOfTake, BadLayout> {
    let period = stimulus.period(rate);
    let drive = match step.drive {
        None => Drive::SILENT,
        Some(asked) => {
            // A sound of higher crest factor than the stepped noise reaches full scale at a lower drive.
            let full = period.full_drive().map_or(f64::INFINITY, Dbfs::db);
            Drive::grant(Dbfs(asked.db().min(full)), &period, ceiling)?
        }
    };
    let fade = rate.frames_in(FADE_S);
    let settle = fade + rate.frames_in(SETTLE_S);
    let periods = stimulus.periods_for(step.periods);
    let played = settle + periods * period.samples.len() + rate.frames_in(MARGIN_S) + fade;
    Ok(SlotOfTake { step: step.number, stimulus: stimulus.clone(), drive, opens_at, settle, periods, played })
}
