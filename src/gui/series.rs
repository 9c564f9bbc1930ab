//! A series: one output, headphone after headphone. What the window knows of it.

use super::work::{Lost, Wake, Work};
use crate::account::document::Table;
use crate::account::series as account;
use crate::card::CardId;
use crate::session::chain::Chain;
use crate::session::plan::Plan;
use crate::session::protocol::{NextHeadphone, SessionRequest};
use crate::session::record::Record;
use crate::session::series::{Stored, SwapChecked, check_s, request_of};
use crate::stock::notebook;
use std::path::PathBuf;
use std::sync::Arc;

/// Where a series stands.
#[derive(Clone, Debug, PartialEq)]
pub enum Stage {
    /// The cards are being opened.
    Opening,
    /// Silent: swap now.
    SwapNow,
    /// The bench listens after a swap.
    Checking,
    /// Something speaks against beginning; the person decides.
    Heard(Box<SwapChecked>),
    /// The session of a headphone, or a further seat of it.
    Measuring,
    /// The cards are being closed.
    Closing,
    /// Over: what was found stays in sight until the next question.
    Ended,
}

/// What follows an event of the bench once the window has shown it.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Due {
    /// The session of the headphone that was named.
    Start,
    /// A further seat of this session.
    Seat(PathBuf),
}

/// What a thread reads between two headphones.
pub(super) struct Found {
    known: Vec<String>,
    stored: Vec<Stored>,
    table: Option<Table>,
    sound: String,
}

/// A series under way.
pub struct Series {
    /// Where it stands.
    pub stage: Stage,
    /// Name of the next headphone, or its number, as typed.
    pub typed: String,
    /// Headphones are swapped at an extension lead: the output senses no new load.
    pub extension_lead: bool,
    /// Names to choose from, the last used first.
    pub known: Vec<String>,
    /// What was found so far.
    pub table: Option<Table>,
    /// How much of it was sound.
    pub sound: String,
    /// What was said last: the answer, or why there is none.
    pub said: Vec<String>,
    pub(super) due: Option<Due>,
    plan: Plan,
    chain: Chain,
    sessions: PathBuf,
    offered: Vec<String>,
    stored: Vec<Stored>,
    done: Vec<(Arc<Record>, PathBuf)>,
    reading: Work<Found>,
    /// A name was given while the stored sessions were still being read.
    waits: bool,
    seats_before: u32,
}

impl Series {
    /// On this chain with this plan; `offered`: names that are known without any session.
    pub(super) fn new(request: SessionRequest, offered: Vec<String>) -> Series {
        let SessionRequest { plan, chain, sessions, .. } = request;
        let extension_lead = chain.output_side.replugged_with_load == Some(false);
        Series {
            stage: Stage::Opening,
            typed: String::new(),
            extension_lead,
            known: offered.clone(),
            table: None,
            sound: String::new(),
            said: Vec::new(),
            due: None,
            plan,
            chain,
            sessions,
            offered,
            stored: Vec::new(),
            done: Vec::new(),
            reading: Work::default(),
            waits: false,
            seats_before: 0,
        }
    }

    /// The output that stays.
    pub fn output(&self) -> &str {
        &self.chain.output
    }

    /// Its volume as noted.
    pub fn volume(&self) -> &str {
        &self.chain.volume
    }

    /// Sessions that were finished or stopped.
    pub fn done(&self) -> usize {
        self.done.len()
    }

    /// The chain that the cards are opened with.
    pub(super) fn chain(&self) -> &Chain {
        &self.chain
    }

    /// Seconds of sound that a check takes.
    pub fn check_s(&self) -> f64 {
        check_s(&self.request(&self.chain.headphone))
    }

    fn request(&self, headphone: &str) -> SessionRequest {
        let mut request = request_of(headphone, &self.plan, &self.chain, &self.sessions);
        if self.extension_lead {
            request.chain.output_side.replugged_with_load = Some(false);
        }
        request
    }

    /// What the bench is asked once this headphone is on the coupler.
    pub(super) fn next(&self, headphone: &str) -> NextHeadphone {
        NextHeadphone { request: self.request(headphone), stored: self.stored.clone() }
    }

    /// Reads what is stored of all headphones, and tells what was found so far.
    pub(super) fn read(&mut self, wake: &Wake) {
        let (sessions, chain, offered) = (self.sessions.clone(), self.chain.clone(), self.offered.clone());
        let records: Vec<Arc<Record>> = self.done.iter().map(|(record, _)| record.clone()).collect();
        let each_s = self.check_s();
        let work = move || {
            let simulated = chain.routing.playback == CardId::simulated();
            let entries = notebook::read(&sessions);
            let known = super::remembered::offered(&notebook::headphones(&entries, simulated), &offered);
            let records: Vec<&Record> = records.iter().map(Arc::as_ref).collect();
            Found {
                known,
                stored: notebook::stored(&entries, &chain, simulated),
                table: (!records.is_empty()).then(|| account::table(&records)),
                sound: account::sound(&records, each_s),
            }
        };
        if let Err(error) = self.reading.begin("series", wake, work) {
            self.said = vec![format!("The sessions could not be read: {error}. The check knows no headphone.")];
        }
    }

    /// Takes what was read; true where a name waits for it.
    pub(super) fn look(&mut self) -> bool {
        match self.reading.look() {
            None => return false,
            Some(Err(Lost)) => self.said.push("The sessions could not be read: their reader ended.".into()),
            Some(Ok(found)) => {
                (self.known, self.stored) = (found.known, found.stored);
                (self.table, self.sound) = (found.table, found.sound);
            }
        }
        std::mem::take(&mut self.waits)
    }

    /// True where a name has to wait for what is being read.
    pub(super) fn must_wait(&mut self) -> bool {
        self.waits = self.reading.is_under_way();
        self.waits
    }

    /// A session began, or a further seat of it.
    pub(super) fn begins(&mut self, record: &Record) {
        let seats = if record.steps.is_empty() { 0 } else { record.seat() };
        (self.stage, self.seats_before) = (Stage::Measuring, seats);
    }

    /// It ended. True where a further seat was added, or it was the climb.
    pub(super) fn ended(&mut self, record: &Arc<Record>, folder: &PathBuf) -> bool {
        match self.done.iter_mut().find(|(_, of)| of == folder) {
            Some((known, _)) => *known = record.clone(),
            None => self.done.push((record.clone(), folder.clone())),
        }
        record.seat() > self.seats_before
    }
}
