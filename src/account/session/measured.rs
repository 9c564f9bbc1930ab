//! How it was measured: enough that another bench could repeat it.

use crate::account::document::{Cell, Column, Part, Section, Table};
use crate::account::{chain, when};
use crate::calibration::Acoustic;
use crate::card::Granted;
use crate::figure::Figure;
use crate::judgement::Judgement;
use crate::session::climb::{drive_ceiling, spl_ceiling};
use crate::session::plan::{AskedLevel, Extent, Plan};
use crate::session::record::{Record, SessionHead, TakeResult};
use crate::session::step::Purpose;
use crate::signal::Stimulus;
use crate::take::VoidReason;
use crate::units::{tidy, tidy_signed};
use jiff::Timestamp;

/// Bench, chain, calibration, stimulus and plan.
pub fn section(record: &Record, name: &str, title: &str) -> Section {
    let columns = vec![Column::text("what"), Column::text("how")];
    let mut table =
        Table::new(name, format!("{title}: the bench from left to right, and what was asked of it"), columns);
    let rows = session(record).into_iter().chain(bench(&record.head)).chain(calibration(record)).chain(asked(record));
    for (what, how) in rows.filter(|(_, how)| !how.is_empty()) {
        table.rows.push(vec![Cell::text(what), Cell::text(how)]);
    }
    let mut section = Section::new(title);
    section.parts.push(Part::Table(table));
    section
}

type Row = (String, String);

fn row(what: &str, how: impl Into<String>) -> Row {
    (what.into(), how.into())
}

fn session(record: &Record) -> Vec<Row> {
    let head = &record.head;
    vec![
        row("session", format!("{}, started {}", head.id, when::words(&head.started_at))),
        row("program", format!("measured by {}", head.program)),
    ]
}

fn bench(head: &SessionHead) -> Vec<Row> {
    let mut rows = vec![row("chain", head.chain.name.clone())];
    let mut above = String::new();
    for (name, words) in chain::rows(&head.chain) {
        // Rows that go on or belong to the one above carry its name, so that each stands by itself.
        let what = match name.strip_prefix("  ") {
            Some(part) => format!("{above}, {part}"),
            None if name.is_empty() => above.clone(),
            None => name.to_string(),
        };
        if !name.starts_with("  ") && !name.is_empty() {
            above = name.to_string();
        }
        rows.push((what, words));
    }
    rows.push(row("playback as granted", granted(&head.playback)));
    rows.push(row("capture as granted", granted(&head.capture)));
    rows.extend(head.playback.simulates.as_ref().map(|devices| row("simulated", format!("{devices}, all invented"))));
    rows
}

fn granted(granted: &Granted) -> String {
    let block = granted.block_frames.map_or(String::new(), |frames| format!(", blocks of {frames} frames"));
    let resampled = granted.may_resample.as_ref().map_or(String::new(), |why| format!("; can resample: {why}"));
    format!("{} at {}, {} channels, {}{block}{resampled}", granted.id, granted.rate, granted.channels, granted.format)
}

fn calibration(record: &Record) -> Vec<Row> {
    let head = &record.head;
    let mut rows = Vec::new();
    for (_, role) in head.chain.ears() {
        let what = format!("calibration, {}", role.in_words());
        let Some(acoustic) = head.chain.acoustic(role) else {
            rows.push(row(&what, "none: levels are in dBFS at the input"));
            continue;
        };
        rows.push(row(&what, offset(acoustic, &head.started_at)));
        let drift = record.calibration_drift_db(role);
        rows.push(row(
            &format!("{what}, after"),
            drift.map_or("not checked after the session".into(), |drift| {
                format!("checked after the session: moved by {} dB", tidy_signed(drift, 2))
            }),
        ));
    }
    rows
}

fn offset(acoustic: &Acoustic, started_at: &str) -> String {
    let age =
        age_words(&acoustic.taken_at, started_at).map_or(String::new(), |age| format!(", {age} before the session"));
    format!(
        "0 dBFS = {} dB SPL; {}; taken {}{age}",
        Figure::new(acoustic.offset, 2).words(),
        acoustic.source,
        when::words(&acoustic.taken_at)
    )
}

/// Time from one to the other (RFC 3339) as people say it; `None` where it cannot be determined.
fn age_words(from: &str, to: &str) -> Option<String> {
    let seconds = to.parse::<Timestamp>().ok()?.as_second() - from.parse::<Timestamp>().ok()?.as_second();
    Some(match seconds {
        s if s < 0 => return None,
        s if s < 120 => format!("{s} s"),
        s if s < 7200 => format!("{} min", s / 60),
        s if s < 172_800 => format!("{} h", s / 3600),
        s => format!("{} days", s / 86_400),
    })
}

fn asked(record: &Record) -> Vec<Row> {
    let (plan, head) = (&record.head.plan, &record.head);
    let extent = match plan.extent {
        Extent::QuickLook => "quick look",
        Extent::Session => "session",
        Extent::PathCheck => "path check",
        Extent::Swap => "one output of a swap",
    };
    let mut rows = vec![
        row("plan", extent),
        row("stimulus", stimulus(head)),
        row(
            "steps",
            format!(
                "{} dB apart; {} periods each, {} at careful steps; a void take is repeated",
                plan.step_db, plan.climb_periods, plan.careful_periods
            ),
        ),
        row("further stimuli", beside(plan)),
        row("listening level", plan.listening.map_or("none stated".into(), |l| l.to_string())),
        row("wanted headroom", format!("{} dB", tidy(plan.wanted_headroom_db, 1))),
        row(
            "rule",
            format!(
                "ample from {} dB, borderline from {} dB (common practice, no source)",
                plan.rule.ample_db, plan.rule.borderline_db
            ),
        ),
        row("distortion limit", format!("{} %", plan.distortion_limit_percent)),
        row("ceilings", ceilings(head)),
    ];
    rows.push(row("from the settings", plan.from_settings.join(", ")));
    let seats = record.seat();
    rows.push(row("seats", format!("{seats} of {} planned", plan.seats.max(seats))));
    rows.extend(floor(record));
    rows.extend(clock(record));
    let takes: usize = record.steps.iter().map(|step| step.takes.len()).sum();
    rows.push(row("takes", format!("{takes} in {} steps, {} of them void", record.steps.len(), record.repeated())));
    rows.extend(disturbed(record));
    rows.push(row("the climb ended", record.stop().map_or("not yet".into(), |stop| format!("because {stop}"))));
    rows
}

/// Periods that something touched are in no number.
fn disturbed(record: &Record) -> Option<Row> {
    let takes = || record.steps.iter().flat_map(|step| &step.takes);
    let of_take = |take: &TakeResult| {
        // A door is heard at every input.
        let windows = take.inputs.iter().map(|input| input.finding.common().window);
        windows.max_by_key(|window| window.left_out)
    };
    let (left_out, played) = takes()
        .filter(|take| take.void.is_none())
        .filter_map(of_take)
        .fold((0, 0), |sum, window| (sum.0 + window.left_out, sum.1 + window.left_out + window.periods));
    let again = takes().filter(|take| matches!(take.void, Some(VoidReason::Disturbed { .. }))).count();
    (left_out + again > 0).then(|| {
        let again = if again > 0 {
            format!("; {again} takes played again, because fewer than two were left")
        } else {
            String::new()
        };
        row("periods disturbed and left out", format!("{left_out} of {played}{again}"))
    })
}

fn stimulus(head: &SessionHead) -> String {
    let rate = head.playback.rate;
    let period = head.plan.pink.period(rate);
    let seed = match &head.plan.pink {
        Stimulus::Pink(pink) => format!(", seed {}", pink.seed),
        _ => String::new(),
    };
    let factor =
        period.true_peak_factor_db().map_or(String::new(), |f| format!(", true-peak factor {} dB", tidy(f, 2)));
    format!(
        "{}, periodic: {} samples at {rate}, odd lines 17.8 Hz to 22.4 kHz with silent detection lines above 50 Hz{seed}{factor}; 0 dBFS is the RMS of a full-scale sine",
        head.plan.pink,
        period.samples.len()
    )
}

fn beside(plan: &Plan) -> String {
    let sines = plan.sines_hz.iter().map(|hz| format!("sine {hz:.0} Hz"));
    let mut words: Vec<String> = sines.chain(plan.beside.iter().map(ToString::to_string)).collect();
    let asked = |level: &AskedLevel| match level {
        AskedLevel::Spl(spl) => spl.to_string(),
        AskedLevel::Drive(drive) => drive.to_string(),
    };
    if !plan.asked.is_empty() {
        words.push(format!("at {}", plan.asked.iter().map(asked).collect::<Vec<_>>().join(", ")));
    }
    words.join(", ")
}

fn ceilings(head: &SessionHead) -> String {
    let spl = head.chain.is_calibrated().then(|| spl_ceiling(&head.plan, &head.chain).to_string());
    let drive = drive_ceiling(&head.plan, &head.chain).map(|c| format!("{} of drive ({})", c.rms, c.because));
    [spl, drive].into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// What the bench hears in silence.
fn floor(record: &Record) -> Option<Row> {
    let chain = &record.head.chain;
    let silence = record.last(Purpose::Silence)?.silence(chain.deciding_input())?;
    let offset = chain.ears().next().and_then(|(_, role)| chain.acoustic(role));
    let unit = if offset.is_some() { "dB SPL" } else { "dBFS" };
    let raised = |level: f64| tidy(level + offset.map_or(0.0, |a| a.offset.value), 1);
    let z = silence.noise_z.map(|z| format!("{} {unit} Z", raised(z.value)));
    let a = silence.noise_a.map(|a| format!("{} {unit} A", raised(a.value)));
    let hum = (!silence.common.hum.is_empty())
        .then(|| Some(format!("{} {unit} Z with the hum", raised(silence.everything_dbfs()?))))
        .flatten();
    let all: Vec<String> = z.into_iter().chain(a).chain(hum).collect();
    Some(row("silence", if all.is_empty() { "digital zero".into() } else { all.join(", ") }))
}

/// Capture clock less playback clock as found last, ppm.
pub fn clock_ppm(record: &Record) -> Option<Figure> {
    let input = record.head.chain.deciding_input();
    let takes = record.steps.iter().flat_map(|s| &s.takes).rev();
    let ppm = takes.filter_map(|t| t.inputs.get(input)?.finding.common().clock.own_ppm).next()?;
    Some(Figure::new(ppm, 3))
}

fn clock(record: &Record) -> Option<Row> {
    let words = format!("{} ppm, taken out by resampling", clock_ppm(record)?.words());
    Some(row("capture clock less playback clock", words))
}

/// Where the interval of a level comes from.
pub fn uncertainty(judgement: &Judgement) -> Option<Section> {
    let budget = judgement.budget.as_ref()?;
    let columns = vec![
        Column::text("contribution"),
        Column::numbers("half width", "dB"),
        Column::text("distribution"),
        Column::text("basis"),
    ];
    let title = format!("Combined ±{} dB (95 %)", tidy(budget.half_width_db, 2));
    let mut table = Table::new("uncertainty", title, columns);
    for c in &budget.contributions {
        table.rows.push(vec![
            Cell::text(&c.what),
            Cell::number(Some(c.half_width_db), 3),
            Cell::text(c.distribution.to_string()),
            Cell::text(if c.measured { "measured" } else { "stated" }),
        ]);
    }
    let mut section = Section::new("Where the interval of a level comes from");
    section.parts.push(Part::Table(table));
    if !budget.left_out.is_empty() {
        let items = budget.left_out.iter().map(|what| format!("Not included: {what}.")).collect();
        section.parts.push(Part::List(items));
    }
    Some(section)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_age_is_said_in_the_unit_that_fits() {
        let from = "2026-03-01T09:00:00+01:00";
        assert_eq!(age_words(from, "2026-03-01T08:00:30Z").unwrap(), "30 s");
        assert_eq!(age_words(from, "2026-03-01T08:41:00Z").unwrap(), "41 min");
        assert_eq!(age_words(from, "2026-03-01T20:10:00Z").unwrap(), "12 h");
        assert_eq!(age_words(from, "2026-03-05T08:00:00Z").unwrap(), "4 days");
        assert_eq!(age_words(from, "2026-03-01T07:00:00Z"), None);
    }
}
