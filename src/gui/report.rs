//! Reports written from the window: on a thread of their own, for the pictures take a second or two.

use super::digest::Digest;
use super::work::{Lost, Wake, Work};
use crate::account::document::Section;
use crate::account::stock::About;
use crate::account::write::folder::{self, ReportError, Written};
use crate::account::{Added, Document, comparison, session, stock};
use crate::judgement::music::{PieceJudged, lead};
use crate::stock::side_by_side::SideBySide;
use crate::stock::{Listener, Stock};
use std::path::PathBuf;
use std::sync::Arc;

/// The report that was asked for last.
#[derive(Debug, Default)]
pub struct Writing {
    work: Work<Result<Written, ReportError>>,
    refused: Option<String>,
}

impl Writing {
    /// Begins to write `document` as the first free `report` in `parent`; the window is woken when it is done.
    pub fn begin(&mut self, document: impl FnOnce() -> Document + Send + 'static, parent: PathBuf, wake: &Wake) {
        let write = move || folder::write(&document(), &folder::free_name(&parent, "report"));
        if let Err(error) = self.work.begin("report", wake, write) {
            self.refused = Some(format!("No report: {error}."));
        }
    }

    /// True while one is written.
    pub fn is_under_way(&self) -> bool {
        self.work.is_under_way()
    }

    /// Waits for one that is being written: the program ends.
    pub fn finish(&mut self) {
        let _ = self.work.wait();
    }

    /// What the thread says, once: what lies where, and the page to begin with; or why there is none.
    pub fn look(&mut self) -> Option<Result<(String, PathBuf), String>> {
        if let Some(why) = self.refused.take() {
            return Some(Err(why));
        }
        Some(match self.work.look()? {
            Ok(Ok(written)) => Ok((format!("Report: {}.", written.words()), written.folder.join("report.html"))),
            Ok(Err(error)) => Err(format!("No report: {error}.")),
            Err(Lost) => Err("No report: its writer ended.".into()),
        })
    }
}

/// Of the session that is shown, with the listener's own music as far as it was judged.
pub fn of_session(digest: &Digest, music: &[PieceJudged], now: String) -> impl FnOnce() -> Document + Send + 'static {
    let (record, mut judgement) = (digest.record.clone(), digest.judgement.clone());
    if let Some(first) = lead(&record, music, record.head.plan.listening) {
        judgement.sentence = format!("{first} {}", judgement.sentence);
        judgement.music = music.to_vec();
    }
    move || session::document(&record, &judgement, &Added { now, ..Added::default() })
}

/// Of two sessions side by side.
pub fn of_comparison(
    both: Arc<SideBySide>,
    whose: Option<Section>,
    now: String,
) -> impl FnOnce() -> Document + Send + 'static {
    move || comparison::document(&both, &Added { now, further: whose.into_iter().collect(), ..Added::default() })
}

/// Of everything in stock.
pub fn of_stock(stock: &Stock, listener: Listener, now: String) -> impl FnOnce() -> Document + Send + 'static {
    let stock = stock.clone();
    move || stock::document(&stock, &listener, &About::All, &Added { now, ..Added::default() })
}
