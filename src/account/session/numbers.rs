//! The numbers of the answer.

use crate::account::document::{Cell, Column, Part, Section, Table};
use crate::analysis::band;
use crate::figure::Figure;
use crate::judgement::{EXPOSURE_CAUTION, FoundThreshold, InVolts, Judgement, Needed, Threshold};
use crate::session::record::Record;
use crate::session::seats::Seats;
use crate::stats::{Estimate, Reading};
use crate::units::{dbu, dbv, tidy};

/// Places of levels.
const DB: usize = 2;

/// Hours of a day and of a week: an exposure lasts no longer.
const A_DAY_H: f64 = 24.0;
const A_WEEK_H: f64 = 168.0;

/// Rows of quantities, each with its own unit.
struct Quantities(Table);

impl Quantities {
    fn row(&mut self, what: &str, cell: Cell, unit: &str, remark: &str) {
        self.0.rows.push(vec![Cell::text(what), cell, Cell::text(unit), Cell::text(remark)]);
    }

    fn db(&mut self, what: &str, reading: &Reading, unit: &str, remark: &str) {
        let remark = match reading {
            Reading::NotDetermined(why) => why,
            _ => remark,
        };
        self.row(what, Cell::reading(Some(reading), DB), unit, remark);
    }
}

/// The key figures; `None` of what climbs nothing, as a path check.
pub fn section(record: &Record, judgement: &Judgement) -> Option<Section> {
    if !record.head.plan.extent.climbs() {
        return None;
    }
    let columns =
        vec![Column::text("quantity"), Column::readings("value", ""), Column::text("unit"), Column::text("remark")];
    let title = "The figures of the answer; intervals are 95 %";
    let mut quantities = Quantities(Table::new("numbers", title, columns));
    levels(record, judgement, &mut quantities);
    threshold(record, &judgement.threshold, &mut quantities);
    listener(record, judgement, &mut quantities);
    if let Some(volts) = &judgement.in_volts {
        in_volts(volts, &mut quantities);
    }
    let mut section = Section::new("The numbers");
    section.parts.push(Part::Table(quantities.0));
    let verdict = &judgement.headroom.verdict;
    section.paragraph(format!("Verdict: {verdict} ({}).", verdict.because));
    if let Some(stop) = record.stop() {
        section.paragraph(format!("The climb ended because {stop}."));
    }
    Some(section)
}

fn levels(record: &Record, judgement: &Judgement, into: &mut Quantities) {
    let (chain, clean) = (&record.head.chain, &judgement.highest_clean);
    let fit = match judgement.seats.first().filter(|seats| seats.level.is_some()) {
        Some(seats) => format!("mean of {} seats", seats.tight()),
        None => "one seat".into(),
    };
    let point = format!("pink noise, Z, {}, {fit}", chain.point());
    if chain.is_calibrated() {
        into.db("highest clean level", &clean.level_spl, "dB SPL", &point);
        let range = chain.coupler.stated_words();
        into.db(&format!("highest clean level, {range}"), &clean.mid_spl, "dB SPL", &point);
    } else {
        into.db("highest clean level", &clean.level_dbfs, "dBFS at the input", "pink noise, not calibrated");
    }
    let decided = format!("RMS of pink noise; {}", clean.decided_by);
    into.db("highest clean drive", &clean.drive, "dBFS", &decided);
    if let Some(difference) = judgement.left_less_right {
        into.row("left ear less right ear", Cell::estimate(Some(difference), DB), "dB", "includes both calibrations");
    }
    if let Some(level) = judgement.ear_limit_from {
        let limit = record.head.plan.distortion_limit_percent;
        let unit = if chain.is_calibrated() { "dB SPL" } else { "dBFS at the input" };
        into.row(
            &format!("distortion at the ear over {limit} % from"),
            Cell::estimate(Some(level), DB),
            unit,
            "output or headphone: not determined",
        );
    }
}

fn threshold(record: &Record, threshold: &Threshold, into: &mut Quantities) {
    match threshold {
        Threshold::Determined(stated) => {
            let words = peaks(stated);
            into.db("clipping threshold, positive peak", &stated.positive, "dB re full scale", &words);
            into.db("clipping threshold, negative peak", &stated.negative, "dB re full scale", &words);
            let reached = "RMS of pink noise whose peaks reach the nearer of the two";
            into.db("clipping threshold as pink noise", &Reading::Determined(stated.pink_drive), "dBFS", reached);
        }
        Threshold::NoneUpTo { drive, full_scale } => {
            let most = if *full_scale { "full scale" } else { "the highest drive played" };
            let at_least = Reading::AtLeast(Estimate::exact(drive.db()));
            let remark = format!("RMS of pink noise; no clipping up to {most}");
            into.db("clipping threshold as pink noise", &at_least, "dBFS", &remark);
        }
        Threshold::NotDetermined { because } => {
            into.db("clipping threshold as pink noise", &Reading::NotDetermined(because.clone()), "dBFS", because);
        }
    }
    let factor = record.head.plan.pink.period(record.head.playback.rate).true_peak_factor_db();
    into.row(
        "true-peak factor of the pink noise",
        Cell::number(factor, DB),
        "dB",
        "true peak over RMS, plain ratio; the highest drive is this far below +3.01 dBFS",
    );
}

fn peaks(stated: &FoundThreshold) -> String {
    let soft = if stated.soft { ", soft: the equivalent hard limit" } else { "" };
    format!("{}{soft}; {}; from step {}", stated.acts_on.in_words(), stated.whose.in_words(), stated.step)
}

fn listener(record: &Record, judgement: &Judgement, into: &mut Quantities) {
    let headroom = &judgement.headroom;
    if let Some(z) = headroom.listening_z {
        let stated = record.head.plan.listening.map_or(String::new(), |l| format!("stated as {l}"));
        into.row("listening level as Z", Cell::number(Some(z.db()), DB), "dB SPL", &stated);
    }
    into.db("headroom", &headroom.headroom_db, "dB", &headroom.verdict.because);
    let peak = "headroom and the true-peak factor of pink noise";
    into.db("peak headroom", &headroom.peak_headroom_db, "dB", peak);
    if let Some(needed) = &judgement.drive_needed {
        self::needed("listening level", &needed.listening, into);
        self::needed("listening level and wanted headroom", &needed.wanted, into);
    }
}

fn needed(name: &str, needed: &Needed, into: &mut Quantities) {
    let what = format!("drive for {name}");
    let level = format!("RMS of pink noise for {}", needed.level);
    into.row(&what, Cell::estimate(Some(needed.drive), DB), "dBFS", &level);
    let of_full = "of the volts at full drive";
    into.row(&what, Cell::estimate(Some(needed.share_percent), 1), "%", of_full);
    into.row(&what, Cell::estimate(Some(needed.peak_db), DB), "dB re full scale", "its true peak");
    if let Some(peak) = &needed.peak_v {
        into.row(&what, significant(peak), "V", "its true peak, open output");
    }
    if let Some(at) = &needed.at_load {
        let place = if at.open { "open output" } else { "at the load" };
        into.row(&what, significant(at.volts), "V RMS", place);
        if let Some(power) = &at.milliwatts {
            into.row(&what, significant(power), "mW", "in the load");
        }
    }
}

fn in_volts(volts: &InVolts, into: &mut Quantities) {
    if let Some(at) = &volts.highest_clean {
        let bound = |e: &Estimate| if volts.at_least { Reading::AtLeast(*e) } else { Reading::Determined(*e) };
        let place = if at.open { "open output" } else { "at the load" };
        into.row("highest clean volts", significant(bound(&at.volts)), "V RMS", &format!("pink noise, {place}"));
        into.row("highest clean volts", Cell::number(dbv(at.volts.value), 1), "dBV", "");
        into.row("highest clean volts", Cell::number(dbu(at.volts.value), 1), "dBu", "");
        if let Some(power) = &at.milliwatts {
            into.row("highest clean power", significant(bound(power)), "mW", "in the load");
        }
    }
    if let Some([positive, negative]) = &volts.clip_peak_v {
        for (name, peak) in [("positive", positive), ("negative", negative)] {
            into.row(&format!("clipping threshold, {name} peak"), significant(peak), "V", "of the output");
        }
    }
}

/// Volts and milliwatts span many decades.
fn significant(reading: impl Into<Reading>) -> Cell {
    Cell::Figure(Figure::significant(reading))
}

/// How long an ear may hear it, with its caution.
pub fn exposure(judgement: &Judgement) -> Option<Section> {
    let exposure = judgement.exposure.as_ref()?;
    let columns = vec![
        Column::text("at"),
        Column::readings("level, A, diffuse-field related", "dB"),
        Column::readings("a day, NIOSH", "h"),
        Column::readings("a week, H.870 adults", "h"),
        Column::readings("a week, H.870 sensitive listeners", "h"),
        Column::text("in words"),
    ];
    let mut table =
        Table::new("exposure", "Time in which steady pink noise of this level reaches the reference dose", columns);
    for (at, exposed) in [("listening level", exposure.listening), ("highest clean level", exposure.highest_clean)] {
        let Some(exposed) = exposed else { continue };
        table.rows.push(vec![
            Cell::text(at),
            Cell::estimate(Some(exposed.level), DB),
            hours(exposed.niosh_h, A_DAY_H),
            hours(exposed.week_h, A_WEEK_H),
            hours(exposed.sensitive_week_h, A_WEEK_H),
            Cell::text(exposed.times()),
        ]);
    }
    let mut section = Section::new("Exposure");
    section.parts.push(Part::Caution(EXPOSURE_CAUTION.into()));
    section.paragraph("NIOSH 98-126: 8 h a day at 85 dB(A), half as long for each 3 dB. WHO–ITU H.870: 40 h a week at 80 dB(A) for adults, at 75 dB(A) for children and sensitive listeners, of equal energy. Levels at the eardrum are related to a diffuse field by the table of ITU-T P.58.");
    section.parts.push(Part::Table(table));
    Some(section)
}

/// So many hours; none beyond those that a day or a week has.
fn hours(hours: Estimate, most: f64) -> Cell {
    let reading = if hours.value < most { Reading::Determined(hours) } else { Reading::AtLeast(Estimate::exact(most)) };
    Cell::reading(Some(&reading), 1)
}

/// Every seat against the first.
pub fn seats(judgement: &Judgement) -> Option<Section> {
    let columns = vec![
        Column::text("ear"),
        Column::numbers("seat", ""),
        Column::numbers("level re seat 1", "dB"),
        Column::numbers("20–100 Hz re seat 1", "dB"),
        Column::text("remark"),
    ];
    let mut table = Table::new("seats", "Seats of the headphone", columns);
    let mut section = Section::new("What refitting changes");
    for ear in judgement.seats.iter().filter(|ear| ear.fits.len() > 1) {
        let Some(first) = ear.fits.first() else { continue };
        for fit in &ear.fits {
            let leak = ear.leaks.iter().find(|(seat, _)| *seat == fit.seat);
            let leak = leak.map(|(_, under)| format!("leaks: {} dB below the best seat, left out", tidy(*under, 1)));
            table.rows.push(vec![
                Cell::text(ear.role.in_words()),
                Cell::number(Some(f64::from(fit.seat)), 0),
                Cell::number(Some(fit.level_db - first.level_db), DB),
                Cell::number(fit.low_db.zip(first.low_db).map(|(low, first)| low - first), DB),
                Cell::text(leak.unwrap_or_default()),
            ]);
        }
        if let Some(words) = mean(ear) {
            section.paragraph(words);
        }
    }
    (!table.rows.is_empty()).then(|| {
        section.parts.push(Part::Table(table));
        section
    })
}

fn mean(ear: &Seats) -> Option<String> {
    let (level, spread, single) = (ear.level?, ear.spread_db?, ear.single_wearing()?);
    Some(format!(
        "The headphone was taken off and put on again. At the {} the mean of {} seats is {} dB above the first; standard deviation {} dB. A single seat on the coupler lies within ±{} dB of the mean (95 %).",
        ear.role.in_words(),
        ear.tight(),
        Figure::new(level, DB).words(),
        tidy(spread, DB),
        tidy(single.half_width(), DB)
    ))
}

/// What the headphone keeps out.
pub fn isolation(judgement: &Judgement) -> Option<Section> {
    let isolation = judgement.isolation.as_ref()?;
    let columns = vec![Column::text("band"), Column::readings("isolation", "dB")];
    let mut table = Table::new("isolation", "Open ear less covered ear, the same source outside", columns);
    table.rows.push(vec![Cell::text("all, A-weighted"), Cell::reading(Some(&isolation.a_weighted), 1)]);
    for (x, reading) in &isolation.bands {
        table.rows.push(vec![Cell::text(band::label(*x)), Cell::reading(Some(reading), 1)]);
    }
    let mut section = Section::new("What the headphone keeps out");
    section.paragraph("The A-weighted figure holds for the source that was played.");
    section.parts.push(Part::Table(table));
    Some(section)
}

/// The volume control as it was turned.
pub fn taper(judgement: &Judgement) -> Option<Section> {
    let taper = judgement.taper.as_ref()?;
    let columns = vec![Column::numbers("position", ""), Column::readings("level re the session's own", "dB")];
    let mut table = Table::new("volume-control", "Positions of the volume control, the quietest first", columns);
    for (number, position) in (1..).zip(&taper.positions) {
        table.rows.push(vec![Cell::number(Some(f64::from(number)), 0), Cell::estimate(Some(position.change_db), DB)]);
    }
    let mut section = Section::new("The volume control");
    section.paragraph(format!(
        "From its quietest to its loudest position it spans {} dB. Pink noise at full drive reaches the listening level {}.",
        tidy(taper.range_db, 1),
        taper.listening
    ));
    section.parts.push(Part::Table(table));
    Some(section)
}
