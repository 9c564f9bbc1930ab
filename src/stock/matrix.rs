//! Outputs × headphones: what was measured, what is predicted, and both where both exist.

use super::Stock;
use super::evidence::{Standing, best_first, contradicting, leading};
use super::fit::one_seat;
use super::known::KnownOutput;
use super::learnt::{Learnt, OutputName};
use super::predict::{Listener, Pairing, available_db, pairing, predict};
use super::words::reading_words;
use crate::analysis::Weight;
use crate::judgement::Threshold;
use crate::stats::Reading;
use crate::units::amplitude_from_db;
use serde::{Deserialize, Serialize};

/// One output with one headphone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Cell {
    /// The output.
    pub output: OutputName,
    /// The headphone.
    pub headphone: String,
    /// The best session of this pairing, with its name.
    pub measured: Option<(String, Pairing)>,
    /// Its other sessions, the best first, each with what speaks for the one that leads.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub others: Vec<(String, String)>,
    /// From everything but the sessions of this pairing.
    pub predicted: Pairing,
    /// Predicted less measured highest clean level, dB, where both are determined.
    pub error_db: Option<f64>,
}

/// All of them, output by output.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Matrix {
    /// Who listens, and whose level it is.
    pub listener: Listener,
    /// In the order of the stock.
    pub outputs: Vec<OutputName>,
    /// In the order of the stock.
    pub headphones: Vec<String>,
    /// Row by row: one output with every headphone.
    pub cells: Vec<Cell>,
}

impl Cell {
    /// What counts: the measurement where there is one.
    pub fn best(&self) -> &Pairing {
        self.measured.as_ref().map_or(&self.predicted, |(_, pairing)| pairing)
    }
}

impl Matrix {
    /// Of a stock for a listener.
    pub fn of(stock: &Stock, listener: &Listener) -> Matrix {
        let (outputs, headphones) = (stock.output_names(), stock.headphone_names());
        let cells = outputs.iter().flat_map(|o| headphones.iter().map(|h| Cell::of(stock, o, h, listener))).collect();
        Matrix { listener: *listener, outputs, headphones, cells }
    }

    /// What one output drives, most headroom first; what is not determined last.
    pub fn ranking(&self, output: &OutputName) -> Vec<&Cell> {
        let mut cells: Vec<&Cell> = self.cells.iter().filter(|cell| cell.output == *output).collect();
        let headroom = |cell: &&Cell| cell.best().headroom_db.estimate().map_or(f64::NEG_INFINITY, |h| h.value);
        cells.sort_by(|a, b| headroom(b).total_cmp(&headroom(a)));
        cells
    }
}

impl Cell {
    /// Of one pairing: what the matrix, the map and every report say of it.
    pub fn of(stock: &Stock, output: &OutputName, headphone: &str, listener: &Listener) -> Cell {
        let of_pairing = |s: &&Learnt| s.output == *output && s.headphone == headphone;
        let sessions = best_first(stock.sessions.iter().filter(of_pairing));
        let lead = leading(&sessions);
        let others: Vec<&Learnt> =
            sessions.iter().filter(|s| lead.is_some_and(|lead| s.id != lead.id)).copied().collect();
        let measured = lead.map(|session| {
            let mut pairing = as_measured(session, &others, &stock.output(output, |_| true), listener);
            pairing.remarks.extend(contradicting(session, &others).into_iter().map(contradicts));
            (session.id.clone(), pairing)
        });
        // Never from itself: a prediction that knew the answer would say nothing about the next one.
        let rest = |s: &&Learnt| !of_pairing(s);
        let (known, worn) = (stock.output(output, rest), stock.headphone(headphone, rest));
        let predicted = predict(&known, &worn, listener, stock.true_peak_factor_db());
        let stated = |reading: &Reading| reading.determined().map(|e| e.value);
        let error_db = measured.as_ref().and_then(|(_, m)| Some(stated(&predicted.level_spl)? - stated(&m.level_spl)?));
        let others = lead.map_or(Vec::new(), |lead| others.iter().map(|s| (s.id.clone(), why_led(lead, s))).collect());
        Cell { output: output.clone(), headphone: headphone.into(), measured, others, predicted, error_db }
    }
}

/// What speaks for the session that leads, against another.
fn why_led(lead: &Learnt, other: &Learnt) -> String {
    match (Standing::of(lead), Standing::of(other)) {
        (lead, better) if better > lead => "it shows a higher lower bound".into(),
        (lead, other) => lead.leads_by(&other).into(),
    }
}

fn contradicts(other: &Learnt) -> String {
    format!(
        "session {} says {} dB SPL, outside both intervals: something differed between the two; measure again",
        other.id,
        reading_words(&other.level_spl)
    )
}

/// A session's own answer for this listener; how a weighted level stands at this headphone another session of the pairing may
/// tell.
fn as_measured(session: &Learnt, others: &[&Learnt], output: &KnownOutput, listener: &Listener) -> Pairing {
    let judgement = &session.judgement;
    let level = session.level_spl.clone();
    let stated = listener.level.as_ref();
    let listening = session.listening_z(stated).or_else(|why| {
        let elsewhere = others.iter().find_map(|s| s.listening_z(stated).ok());
        elsewhere.ok_or(why)
    });
    let doubts = judgement.flaws.iter().filter(|f| f.weight == Weight::Doubt).count();
    // Level over drive is a straight line below the limit.
    let at_full = level.estimate().zip(judgement.highest_clean.drive.estimate());
    let at_full = at_full.map(|(level, drive)| level.value + session.full_drive_db - drive.value);
    let share = listening.as_ref().ok().zip(at_full).map(|(l, full)| amplitude_from_db(l - full));
    let remarks = if session.seats > 1 { Vec::new() } else { vec![one_seat()] };
    // What ends a climb that found no limit is its ceiling, not the output.
    let seen = match &judgement.threshold {
        Threshold::Determined(_) | Threshold::NoneUpTo { full_scale: true, .. } => level.determined().is_some(),
        _ => false,
    };
    let test = session.limit.as_ref().filter(|_| seen);
    let by = test.and_then(|test| available_db(output, &test.z_db).1);
    pairing(level, listening, listener, doubts, share, by, remarks)
}
