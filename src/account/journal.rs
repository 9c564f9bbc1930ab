//! What the bench does, line by line, for a report of a problem: cards as asked for and as granted, steps, takes, flaws, lost
//! samples. No line names what a person typed; [`names`] gives what has to stay out of messages too.

use crate::figure::Figure;
use crate::session::chain::Chain;
use crate::session::elsewhere;
use crate::session::protocol::{Event, SeriesEvent};
use crate::session::record::{Record, SessionHead, StepResult, TakeResult};
use crate::take::Gap;
use crate::units::tidy;

/// What an event says; nothing for what comes many times a second.
pub fn words(event: &Event) -> Vec<String> {
    match event {
        Event::Cards { cards, failed } => {
            let listed = cards.iter().map(|card| format!("card {} ({} channels)", card.id, card.channels));
            listed.chain(failed.iter().map(|why| format!("not reached: {why}"))).collect()
        }
        Event::Began { record, .. } => began(&record.head),
        Event::StepBegan { step, expected_steps, left_s } => {
            let drive = step.drive.map_or(String::new(), |drive| format!(" at {drive}"));
            let (number, purpose) = (step.number, step.purpose);
            vec![format!("step {number} begins: {purpose}{drive}; {expected_steps} expected, {left_s:.0} s left")]
        }
        Event::Repeated { reason } => vec![format!("take void, played again: {reason}")],
        Event::StepDone(record) => record.steps.last().map_or(Vec::new(), |step| done(record, step)),
        Event::Ended { record, .. } => vec![ended(record)],
        Event::Listening { tone, because, .. } => {
            let heard = tone.as_ref().map_or("no tone", |_| "a tone");
            vec![because.as_ref().map_or(format!("calibrator: {heard}"), |why| format!("calibrator: {heard}; {why}"))]
        }
        Event::Seating { seat, .. } => vec![format!("noise is held for seat {seat}")],
        Event::Matching { .. } => vec!["noise is held while a knob is turned to a level".into()],
        Event::Turning { positions } => vec![format!("volume positions found: {}", positions.len())],
        Event::Calibrated { role, acoustic } => {
            vec![format!(
                "calibrated, {}: 0 dBFS = {} dB SPL",
                role.in_words(),
                Figure::new(acoustic.offset, 2).words()
            )]
        }
        Event::CalibrationChecked(_) => vec!["the calibration was checked after the session".into()],
        Event::Electrical(_) => vec!["a take of an electrical measurement is done".into()],
        Event::OwnLevel(_) => vec!["the listener's own level was measured".into()],
        Event::Series(SeriesEvent::SwapNow { done }) => vec![format!("series: swap now, {done} sessions done")],
        Event::Series(SeriesEvent::Checked(checked)) => {
            let codes: Vec<&str> = checked.flaws.iter().map(|flaw| flaw.code.as_str()).collect();
            vec![format!("series: the swap was checked; flaws: {}", listed(&codes))]
        }
        Event::Series(SeriesEvent::Ended { done }) => vec![format!("series: ended, {done} sessions")],
        Event::Elsewhere(now) => elsewhere::in_words(now).into_iter().collect(),
        Event::Failed(failure) => {
            let kept = if failure.kept.is_some() { "; finished steps are kept" } else { "" };
            vec![format!("failed: {}{kept}", failure.message)]
        }
        Event::Playing { .. } => Vec::new(),
    }
}

/// Names that a person gave to what an event is about.
pub fn names(event: &Event) -> Vec<String> {
    let (Event::Began { record, .. } | Event::StepDone(record) | Event::Ended { record, .. }) = event else {
        return Vec::new();
    };
    named(&record.head.chain)
}

fn named(chain: &Chain) -> Vec<String> {
    let side = &chain.output_side;
    let typed = [
        &chain.name,
        &chain.output,
        &chain.volume,
        &chain.headphone,
        &chain.gain,
        &side.knob,
        &side.gain_switch,
        &side.system_volume,
        &side.hardware_volume,
    ];
    let positions = [chain.positions()];
    typed.into_iter().chain(&positions).map(|name| name.trim().to_string()).filter(|name| !name.is_empty()).collect()
}

/// Plan, and cards as asked for and as granted.
fn began(head: &SessionHead) -> Vec<String> {
    let (plan, routing) = (&head.plan, &head.chain.routing);
    let channels = |all: &mut dyn Iterator<Item = u16>| all.map(|c| (c + 1).to_string()).collect::<Vec<_>>().join(", ");
    let listening = plan.listening.map_or("none".into(), |level| level.to_string());
    let from_settings = match plan.from_settings.as_slice() {
        [] => String::new(),
        lines => format!("; from the settings: {}", lines.join(", ")),
    };
    let asked = |what: &str, card: &dyn std::fmt::Display, rate: &dyn std::fmt::Display, used: String| {
        format!("{what} asked for: {card} at {rate}, channels {used}, blocks of {} frames", routing.block_frames)
    };
    let granted = |what: &str, granted: &crate::card::Granted| {
        let block = granted.block_frames.map_or("of unknown size".into(), |frames| format!("of {frames} frames"));
        let resampled = granted.may_resample.as_ref().map_or(String::new(), |why| format!("; can resample: {why}"));
        format!(
            "{what} granted: {} at {}, {} channels, {}, blocks {block}{resampled}",
            granted.id, granted.rate, granted.channels, granted.format
        )
    };
    vec![
        format!(
            "session begins: {:?}, step {} dB, ceiling {}, listening level {listening}, calibrated: {}{from_settings}",
            plan.extent,
            plan.step_db,
            plan.ceilings.spl,
            if head.chain.is_calibrated() { "yes" } else { "no" }
        ),
        asked(
            "playback",
            &routing.playback,
            &routing.playback_rate,
            channels(&mut routing.playback_channels.iter().copied()),
        ),
        granted("playback", &head.playback),
        asked(
            "capture",
            &routing.capture,
            &routing.capture_rate,
            channels(&mut routing.capture_channels.iter().map(|input| input.channel)),
        ),
        granted("capture", &head.capture),
    ]
}

/// The step and each of its takes.
fn done(record: &Record, step: &StepResult) -> Vec<String> {
    let input = record.head.chain.deciding_input();
    let level = step.pink(input).map_or(String::new(), |(pink, result)| {
        let dbfs = pink.level_z.map(|level| format!("{} dBFS at the input", tidy(level.value, 2)));
        let spl = record.sound(result).and_then(|sound| sound.z).map(|z| format!("{} dB SPL", tidy(z.value, 2)));
        dbfs.into_iter().chain(spl).map(|words| format!("; {words}")).collect()
    });
    let takes = step.takes.iter().map(take);
    std::iter::once(format!("step {} done, seat {}{level}", step.step.number, step.seat)).chain(takes).collect()
}

fn take(take: &TakeResult) -> String {
    let mut codes: Vec<String> = take
        .inputs
        .iter()
        .flat_map(|input| &input.finding.common().flaws)
        .map(|flaw| format!("{} ({})", flaw.code, flaw.weight.in_words()))
        .collect();
    codes.sort_unstable();
    codes.dedup();
    let lost: Vec<String> = take.head.gaps.iter().map(gap).collect();
    let void = take.void.as_ref().map_or(String::new(), |why| format!("; void: {why}"));
    format!(
        "  take of {} periods, {}{}; flaws: {}; samples lost: {}{void}",
        take.head.periods,
        take.head.stimulus,
        take.head.drive.rms().map_or(String::new(), |drive| format!(" at {drive}")),
        listed(&codes),
        listed(&lost)
    )
}

fn gap(gap: &Gap) -> String {
    let frames = gap.frames.map_or("an unknown number".into(), |frames| frames.to_string());
    format!("{frames} near frame {} ({:?})", gap.near_frame, gap.seen_by)
}

fn ended(record: &Record) -> String {
    let stop = record.stop().map_or("not finished".into(), |stop| stop.to_string());
    let takes: usize = record.steps.iter().map(|step| step.takes.len()).sum();
    format!("session ends: {stop}; {} steps, {takes} takes, {} of them void", record.steps.len(), record.repeated())
}

fn listed<S: AsRef<str>>(all: &[S]) -> String {
    let all: Vec<&str> = all.iter().map(AsRef::as_ref).collect();
    if all.is_empty() { "none".into() } else { all.join(", ") }
}
