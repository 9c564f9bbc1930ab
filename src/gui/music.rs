//! The listener's own music in the window: files by path or dropped on it, measured beside the window by a thread of their
//! own, judged on the session shown.

use super::account;
use super::digest::Digest;
use super::parts;
use super::theme::STEP;
use crate::judgement::music::{PieceJudged, Way, judge_piece, lead};
use crate::session::music::measure;
use crossbeam_channel::{Receiver, Sender, unbounded};
use eframe::egui::{Context, Id, Key, ScrollArea, TextEdit, Ui};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// What a file gave, and for which session.
type Heard = (String, Result<PieceJudged, String>);

/// Pieces and what they need on the session shown.
pub struct MusicList {
    /// Path as typed.
    pub typed: String,
    /// Judged so far.
    pub pieces: Vec<PieceJudged>,
    /// Files that were no music, in words.
    pub wrong: Vec<String>,
    /// Verdict on them, which leads.
    pub lead: Option<String>,
    /// Files that are being read.
    reading: usize,
    /// The session they were judged on.
    session: String,
    inbox: (Sender<Heard>, Receiver<Heard>),
}

impl Default for MusicList {
    fn default() -> MusicList {
        MusicList {
            typed: String::new(),
            pieces: Vec::new(),
            wrong: Vec::new(),
            lead: None,
            reading: 0,
            session: String::new(),
            inbox: unbounded(),
        }
    }
}

impl MusicList {
    /// Reads a file on a thread of its own and judges it on this session.
    pub fn add(&mut self, file: PathBuf, digest: &Arc<Digest>, ctx: &Context) {
        self.belongs_to(&digest.record.head.id);
        let (answer, digest, woken) = (self.inbox.0.clone(), digest.clone(), ctx.clone());
        let spawned = std::thread::Builder::new().name("music".into()).spawn(move || {
            // A window that is closed meanwhile does not wait for it.
            let _ = answer.send((digest.record.head.id.clone(), judged(&file, &digest)));
            woken.request_repaint();
        });
        match spawned {
            Ok(_) => self.reading += 1,
            Err(error) => self.wrong.push(format!("The file was not read: {error}.")),
        }
    }

    /// Takes in what was read. Pieces of another session than the one shown are dropped.
    pub fn hear(&mut self, shown: Option<&Digest>) {
        let Some(shown) = shown else { return };
        let mut news = false;
        while let Ok((session, heard)) = self.inbox.1.try_recv() {
            if session != self.session {
                continue;
            }
            news = true;
            self.reading = self.reading.saturating_sub(1);
            match heard {
                Ok(piece) => self.pieces.push(piece),
                Err(why) => self.wrong.push(super::form::sentence(&why)),
            }
        }
        let other = shown.record.head.id != self.session;
        if news || other {
            self.belongs_to(&shown.record.head.id);
            self.lead = lead(&shown.record, &self.pieces, shown.record.head.plan.listening);
        }
    }

    fn belongs_to(&mut self, session: &str) {
        if self.session != session {
            self.session = session.into();
            self.pieces.clear();
            self.wrong.clear();
            self.lead = None;
            self.reading = 0;
        }
    }
}

fn judged(file: &Path, digest: &Digest) -> Result<PieceJudged, String> {
    let (record, listening) = (&digest.record, digest.record.head.plan.listening);
    let way = Way::of(record, listening);
    let music = measure(file, &[&|f_hz| way.power_at(f_hz)]).map_err(|error| error.to_string())?;
    Ok(judge_piece(record, &digest.judgement, listening, &music, (&way, 0)))
}

/// Where a path is typed.
pub fn file_id() -> Id {
    Id::unique("music-file")
}

/// The field, and a row per piece; returns the files that are to be read.
pub fn show(list: &mut MusicList, ui: &mut Ui, height: f32) -> Vec<PathBuf> {
    let mut asked = Vec::new();
    ui.horizontal(|ui| {
        let label = ui.label("Own music, WAV or FLAC");
        let width = (ui.available_width() - 14.0 * STEP).max(10.0 * STEP);
        let edit =
            ui.add(TextEdit::singleline(&mut list.typed).id(file_id()).desired_width(width)).labelled_by(label.id);
        let entered = edit.lost_focus() && ui.input(|i| i.key_pressed(Key::Enter));
        if (ui.button("Judge it").clicked() || entered) && !list.typed.trim().is_empty() {
            asked.push(PathBuf::from(list.typed.trim().trim_matches('"')));
            list.typed.clear();
        }
    });
    parts::quiet(
        ui,
        "Type a path, or drop files on the window. Nothing of the music is kept but figures, name and hash.",
    );
    ScrollArea::both().id_salt("music-rows").max_height((height - 6.0 * STEP).max(5.0 * STEP)).auto_shrink(false).show(
        ui,
        |ui| {
            if list.reading > 0 {
                parts::quiet(ui, format!("reading {} …", list.reading));
            }
            for wrong in &list.wrong {
                parts::wrong(ui, wrong);
            }
            if let Some(section) = crate::account::music::of(&list.pieces) {
                account::section(ui, &section);
            }
        },
    );
    asked
}
