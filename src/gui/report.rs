//! Reports written from the window: on a thread of their own, for the pictures take a second or two.

use super::digest::Digest;
use crate::report::folder::{self, ReportError, Written};
use crate::report::stock::About;
use crate::report::{Added, Document, session, stock};
use crate::stock::{Listener, Stock};
use crossbeam_channel::{Receiver, TryRecvError, bounded};
use eframe::egui::Context;
use std::path::PathBuf;
use std::thread;

/// How far a report has come.
#[derive(Debug, Default)]
pub enum Writing {
    /// None was asked for.
    #[default]
    None,
    /// It is being written.
    UnderWay(Receiver<Result<Written, ReportError>>),
    /// What lies where.
    Done(String),
    /// Why there is none.
    Failed(String),
}

impl Writing {
    /// Begins to write `document` as the first free `report` in `parent`; the window is woken when it is done.
    pub fn begin(document: impl FnOnce() -> Document + Send + 'static, parent: PathBuf, ctx: &Context) -> Writing {
        let (done, told) = bounded(1);
        let woken = ctx.clone();
        let started = thread::Builder::new().name("report".into()).spawn(move || {
            let written = folder::write(&document(), &folder::free_name(&parent, "report"));
            // Nobody waits for it where the window is closed.
            let _ = done.send(written);
            woken.request_repaint();
        });
        match started {
            Ok(_) => Writing::UnderWay(told),
            Err(error) => Writing::Failed(format!("No report: {error}.")),
        }
    }

    /// Takes over what the thread says.
    pub fn look(&mut self) {
        let Writing::UnderWay(told) = self else { return };
        *self = match told.try_recv() {
            Ok(Ok(written)) => Writing::Done(format!("Report: {}.", written.words())),
            Ok(Err(error)) => Writing::Failed(format!("No report: {error}.")),
            Err(TryRecvError::Disconnected) => Writing::Failed("No report: its writer ended.".into()),
            Err(TryRecvError::Empty) => return,
        };
    }
}

/// Of the session that is shown.
pub fn of_session(digest: &Digest, now: String) -> impl FnOnce() -> Document + Send + 'static {
    let (record, judgement) = (digest.record.clone(), digest.judgement.clone());
    move || session::document(&record, &judgement, &Added { now, text: None })
}

/// Of everything in stock.
pub fn of_stock(stock: &Stock, listener: Listener, now: String) -> impl FnOnce() -> Document + Send + 'static {
    let stock = stock.clone();
    move || stock::document(&stock, &listener, &About::All, &Added { now, text: None })
}
