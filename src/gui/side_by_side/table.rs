//! A row for each one-third octave and each distortion, with one of three words.

use crate::analysis::{Residue, band};
use crate::gui::parts;
use crate::gui::text;
use crate::gui::theme::{self, SMALL, STEP};
use crate::judgement::comparison::{Comparison, Distorted, Played, Told, Where};
use crate::stats::Reading;
use eframe::egui::{Label, RichText, ScrollArea, Ui};

pub(super) fn show(c: &Comparison, ui: &mut Ui) {
    ui.add_space(STEP);
    if let Some((first, second)) = &c.played {
        for (output, played) in [(&c.outputs.0, first), (&c.outputs.1, second)] {
            parts::quiet(ui, format!("{output}: {}", drive(played)));
        }
    }
    parts::quiet(
        ui,
        match c.seats {
            None => "One seat for both: the fit is not in it.".into(),
            Some((a, b)) => format!("Means of {a} and {b} seats: what the fit changes is in every interval."),
        },
    );
    ScrollArea::horizontal().id_salt("side-by-side-table").show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 1.0;
        line(ui, format!("{:>9} {:>8} {:>6}  {:<24} {}", "response", "dB", "±", "word", "smallest told, dB"), true);
        for b in &c.bands {
            let d = &b.difference_db;
            let row = format!(
                "{:>9} {:>8} {:>6}  {:<24} {}",
                band::label(b.x),
                text::fixed(d.value, 2),
                text::fixed(d.half_width(), 2),
                b.told.in_words(c.within_db, &Reading::Told(*d)),
                text::fixed(b.smallest_db, 2)
            );
            line(ui, row, false);
        }
        let head =
            format!("{:>22} {:>9} {:>9} {:>9} {:>9}  word", "distortion, dB", "first", "second", "noise", "noise");
        line(ui, head, true);
        let d = &c.distortions;
        let whole = |q: &Distorted| matches!(q.place, Where::Overall | Where::Sine { .. });
        for q in d.quantities.iter().filter(|q| whole(q) || q.told == Told::Differs) {
            let row = format!(
                "{:>22} {} {} {} {}  {}",
                q.name(),
                text::cell(Some(&q.of.0), 9),
                text::cell(Some(&q.of.1), 9),
                text::column(q.noise_db.0, 9),
                text::column(q.noise_db.1, 9),
                q.told.in_words(d.within_db, &q.difference_db)
            );
            line(ui, row, false);
        }
        if let Some(left) = &c.residue {
            subtracted(left, ui);
            if let Some(words) = c.fit_is_left() {
                line(ui, words.into(), true);
            }
        }
    });
}

/// What the response does and what distortion does, as two numbers.
fn subtracted(left: &Residue, ui: &mut Ui) {
    let polarity = if left.inverted { ", polarity turned" } else { "" };
    let gain = text::fixed(left.gain_db, 2);
    line(ui, "first take subtracted from the second: what is left, re the second".into(), true);
    for (after, reading) in [
        (format!("clock, delay and gain ({gain} dB{polarity})"), &left.plain),
        (format!("the best linear filter of {} taps too", left.taps), &left.filtered),
    ] {
        line(ui, format!("{:>26}  after {after}", text::reading(reading)), false);
    }
}

pub(super) fn line(ui: &mut Ui, text: String, head: bool) {
    let t = theme::tokens(ui);
    let colour = if head { t.quiet } else { t.text };
    ui.add(Label::new(RichText::new(text).font(theme::figures(SMALL)).color(colour)).extend());
}

fn drive(played: &Played) -> String {
    let volts = played.at_load.as_ref().map_or(String::new(), |at| format!(" = {at}"));
    format!("drive {} dBFS RMS{volts}, {}", text::fixed(played.drive_dbfs, 2), played.basis)
}
