//! `judge`: stored sessions for another listening level, by another rule, for the listener's own music.

use super::args::{Judge, Listener};
use super::{Environment, Exit, follow, request, show};
use crate::account;
use crate::judgement::attribution::{Attribution, attribution as attribute};
use crate::judgement::music::{Way, add_music};
use crate::judgement::{self, Judgement};
use crate::session::music::{Music, measure};
use crate::session::record::Record;
use crate::session::storage::Storage;
use anyhow::Result;
use serde::Serialize;
use std::path::PathBuf;

/// Several sessions as JSON.
#[derive(Serialize)]
struct Several<'a> {
    judgements: Vec<&'a Judgement>,
    attribution: &'a Option<Attribution>,
}

pub(super) fn judge(wanted: &Judge, env: &mut Environment) -> Result<()> {
    let sessions = judged(&wanted.sessions, &wanted.listener, &wanted.music)?;
    let records: Vec<&Record> = sessions.iter().map(|(record, _)| record).collect();
    let whose = attribute(&records).ok();
    if let [(record, judgement)] = &sessions[..] {
        env.exit = Exit::of(record, judgement);
    }
    let out = &mut *env.out;
    if wanted.json {
        let judgements: Vec<&Judgement> = sessions.iter().map(|(_, judgement)| judgement).collect();
        return match (&judgements[..], &whose) {
            ([one], _) => show::json(one, out),
            (_, attribution) => show::json(&Several { judgements, attribution }, out),
        };
    }
    for (record, judgement) in &sessions {
        match wanted.details {
            true => show::judgement(record, judgement, out)?,
            false => show::brief(record, judgement, out)?,
        }
    }
    let pairings = (sessions.len() > 1).then(|| account::music::pairings(&sessions)).flatten();
    let whose = whose.map(|whose| account::attribution::section(&whose, &records));
    show::sections(&pairings.into_iter().chain(whose).collect::<Vec<_>>(), out)?;
    Ok(())
}

/// Every session as this listener judges it, with their own music.
pub(super) fn judged(folders: &[PathBuf], listener: &Listener, music: &[PathBuf]) -> Result<Vec<(Record, Judgement)>> {
    let mut sessions = Vec::new();
    for folder in folders {
        let (_, mut record) = Storage::open(folder)?;
        listens(&mut record, listener)?;
        let judgement = judgement::judge(&record);
        sessions.push((record, judgement));
    }
    play(music, &mut sessions)?;
    Ok(sessions)
}

/// Every piece is read once, for all sessions together.
fn play(files: &[PathBuf], sessions: &mut [(Record, Judgement)]) -> Result<()> {
    if files.is_empty() {
        return Ok(());
    }
    let ways: Vec<Way> = sessions.iter().map(|(record, _)| Way::of(record, record.head.plan.listening)).collect();
    let gains: Vec<_> = ways.iter().map(|way| |f_hz: f64| way.power_at(f_hz)).collect();
    let gains: Vec<&dyn Fn(f64) -> f64> = gains.iter().map(|gain| gain as &dyn Fn(f64) -> f64).collect();
    let bar = follow::busy();
    let read = |file: &PathBuf| {
        bar.set_message(format!("reading {}", file.display()));
        measure(file, &gains)
    };
    let pieces: Vec<Music> = files.iter().map(read).collect::<Result<_, _>>()?;
    bar.finish_and_clear();
    for (place, ((record, judgement), way)) in sessions.iter_mut().zip(&ways).enumerate() {
        add_music(record, judgement, record.head.plan.listening, &pieces, (way, place));
    }
    Ok(())
}

/// Puts this listener in the place of the one that the session was planned for.
fn listens(record: &mut Record, listener: &Listener) -> Result<()> {
    let plan = &mut record.head.plan;
    plan.listening = request::listening(listener).or(plan.listening);
    plan.rule = request::rule(listener, plan.rule)?;
    Ok(())
}
