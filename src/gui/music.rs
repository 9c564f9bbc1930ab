//! The listener's own music in the window: files by path or dropped on it, measured beside the window by a thread of their
//! own, judged on the session shown.

use super::digest::Digest;
use super::work::Wake;
use crate::judgement::music::{PieceJudged, Way, judge_piece, lead};
use crate::session::music::measure;
use crossbeam_channel::{Receiver, Sender, unbounded};
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
    pub reading: usize,
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
    pub fn add(&mut self, file: PathBuf, digest: &Arc<Digest>, wake: &Wake) {
        self.belongs_to(&digest.record.head.id);
        let (answer, digest, wake) = (self.inbox.0.clone(), digest.clone(), wake.clone());
        let spawned = std::thread::Builder::new().name("music".into()).spawn(move || {
            // A window that is closed meanwhile does not wait for it.
            let _ = answer.send((digest.record.head.id.clone(), judged(&file, &digest)));
            wake.now();
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
