//! The four stations on the way to an answer: cards, calibrate, path, climb. What each knows, and what the one large button
//! does next.

use super::{Desk, Page};
use crate::card::{CardId, Direction};
use crate::gui::form::{Field, Form, sentence};
use crate::gui::text::{self, moment};
use crate::gui::view::Phase;
use crate::judgement::path::PathAnswer;
use crate::session::chain::Chain;
use crate::session::plan::Extent;
use crate::session::protocol::Command;

/// A station of the track.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Station {
    /// Which cards play and record.
    Cards,
    /// What a level at the input means.
    Calibrate,
    /// Is the path to the ear fault-free?
    Path,
    /// The climb itself.
    Climb,
}

impl Station {
    /// All, in order, with their names.
    pub const ALL: [(Station, &'static str); 4] = [
        (Station::Cards, "cards"),
        (Station::Calibrate, "calibrate"),
        (Station::Path, "path"),
        (Station::Climb, "climb"),
    ];
}

/// How a station stands.
#[derive(Clone, Debug, PartialEq)]
pub struct State {
    /// Nothing more is to be done there.
    pub done: bool,
    /// In words.
    pub words: String,
    /// What stands in the way, if anything does.
    pub wrong: Option<String>,
}

/// What was agreed to and what was left out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Track {
    /// Cards that were agreed to.
    cards: Option<(CardId, CardId)>,
    /// Why cards that were agreed to did not open.
    failed: Option<String>,
    without_offset: bool,
    without_path: bool,
    /// Output and cards that the last path check was of.
    checked: Option<(CardId, CardId, String)>,
}

fn cards_of(chain: &Chain) -> (CardId, CardId) {
    (chain.routing.playback.clone(), chain.routing.capture.clone())
}

impl Track {
    /// A chain that was used before keeps its cards; the simulated bench is agreed to each time.
    pub(super) fn of(form: &Form) -> Track {
        let kept = form.chain.routing.playback != CardId::simulated();
        Track { cards: kept.then(|| cards_of(&form.chain)), ..Track::default() }
    }

    pub(super) fn skip(&mut self, station: Station) {
        match station {
            Station::Calibrate => self.without_offset = true,
            Station::Path => self.without_path = true,
            Station::Cards | Station::Climb => {}
        }
    }

    /// The cards opened.
    pub(super) fn opened(&mut self) {
        self.failed = None;
    }

    /// They did not, for this reason: they are to be agreed to again.
    pub(super) fn did_not_open(&mut self, why: &str) {
        (self.cards, self.failed) = (None, Some(sentence(why)));
    }

    pub(super) fn checked_on(&mut self, chain: &Chain) {
        let (playback, capture) = cards_of(chain);
        self.checked = Some((playback, capture, chain.output.clone()));
    }
}

impl Desk {
    /// The first station that is not done.
    pub fn next_station(&self) -> Station {
        let open = Station::ALL.into_iter().map(|(station, _)| station).find(|station| !self.state_of(*station).done);
        open.unwrap_or(Station::Climb)
    }

    /// How a station stands.
    pub fn state_of(&self, station: Station) -> State {
        match station {
            Station::Cards => self.cards_state(),
            Station::Calibrate => self.offset_state(),
            Station::Path => self.path_state(),
            Station::Climb => self.climb_state(),
        }
    }

    fn cards_state(&self) -> State {
        let (playback, capture) = cards_of(&self.form.chain);
        let found = self.view.cards.as_ref().map_or(&[][..], |c| &c.found);
        let name = |id: &CardId, way| {
            let card = found.iter().find(|c| c.id == *id && c.direction == way);
            card.map_or_else(|| id.to_string(), |c| c.name.clone())
        };
        let words = match self.form.chain.routing.playback == CardId::simulated() {
            true => "simulated bench: invented devices, nothing sounds".to_string(),
            false => {
                let (out, back) = (name(&playback, Direction::Playback), name(&capture, Direction::Capture));
                if out == back { out } else { format!("{out}, recorded by {back}") }
            }
        };
        let done = self.track.cards == Some((playback, capture));
        let wrong = [Field::Cards, Field::PlaybackChannels, Field::CaptureChannels];
        let wrong = wrong.iter().find_map(|field| self.form.wrong.get(field)).cloned();
        let failed = self.view.cards.as_ref().filter(|c| c.found.is_empty());
        let wrong = wrong.or(self.track.failed.clone());
        let wrong = wrong.or(failed.map(|_| "No card was found. Plug one in and list the cards again.".into()));
        State { done: done && wrong.is_none(), words, wrong }
    }

    fn offset_state(&self) -> State {
        let missing = self.form.ears().find(|ear| !self.form.acoustic.contains_key(ear));
        let shown = self.form.deciding_ear().and_then(|ear| self.form.acoustic.get(&ear));
        let wrong = self.view.calibration_failure.as_ref().map(|why| sentence(why)).or(self.form.not_used.clone());
        if self.view.phase == Phase::Calibrating {
            return State { done: false, words: self.hears_calibrator(), wrong: None };
        }
        let words = match (shown, missing) {
            (Some(offset), None) => {
                format!("offset {} dB, {}", text::db(offset.offset.value), self.when(&offset.taken_at))
            }
            _ if self.track.without_offset => "left out: levels are in dBFS, there is no headroom".into(),
            (_, Some(ear)) => {
                let typed = |field| self.form.typed.text(field).trim();
                let (level, at) = (typed(Field::CalibratorLevel), typed(Field::CalibratorFrequency));
                format!("no offset of the {} yet; the calibrator is taken as {level} dB SPL at {at} Hz", ear.in_words())
            }
            (None, None) => "no ear among the inputs".into(),
        };
        let done = missing.is_none() && shown.is_some() || self.track.without_offset;
        State { done, words, wrong: wrong.filter(|_| !done) }
    }

    fn hears_calibrator(&self) -> String {
        let heard = self.view.listening.as_ref();
        let tone = heard.and_then(|heard| Some((heard, heard.tone?)));
        match tone.and_then(|(heard, tone)| Some((heard, tone, tone.level?))) {
            None => "listening: fit the calibrator and switch it on".into(),
            Some((heard, tone, level)) => format!(
                "{} dBFS at {:.1} Hz, steady for {:.1} of {:.0} s{}",
                text::fixed(level.value, 2),
                tone.frequency_hz,
                heard.steady_s,
                crate::calibration::STEADY_S,
                heard.because.as_ref().map_or(String::new(), |because| format!("; {because}"))
            ),
        }
    }

    /// A moment as people say it: today with the time alone.
    fn when(&self, rfc3339: &str) -> String {
        let shown = moment(rfc3339);
        match shown.strip_prefix(self.now.get(..10).unwrap_or("-")) {
            Some(time) => format!("today{time}"),
            None => shown,
        }
    }

    fn path_state(&self) -> State {
        let chain = &self.form.chain;
        let (playback, capture) = cards_of(chain);
        let same = self.track.checked == Some((playback, capture, chain.output.clone()));
        let failure = self.view.path_failure.clone();
        if self.view.phase == Phase::Checking {
            let left = self.view.progress.as_ref().map(|p| format!(", {} left", text::seconds(p.left_now_s())));
            return State { done: false, words: format!("being checked{}", left.unwrap_or_default()), wrong: None };
        }
        let Some(report) = self.view.path.as_ref().filter(|_| same) else {
            let (done, words) = match self.track.without_path {
                true => (true, "left out".to_string()),
                false => (false, "not checked: under 20 s of quiet sound".into()),
            };
            return State { done, words, wrong: failure.filter(|_| !done) };
        };
        let doubts = report.findings.iter().filter(|f| f.answer == PathAnswer::Doubt).count();
        let first = report.findings.iter().find(|f| f.answer == PathAnswer::Doubt);
        let done = doubts == 0 || self.track.without_path;
        let words = match doubts {
            0 => "checked, fault-free".to_string(),
            1 => "checked: one doubt".into(),
            n => format!("checked: {n} doubts"),
        };
        State { done, words, wrong: first.map(|f| format!("{}: {}", f.what, f.text)).filter(|_| !done) }
    }

    fn climb_state(&self) -> State {
        let words = match self.form.ready() {
            Some((plan, _)) if plan.extent == Extent::QuickLook => "ready: a quick look, under 20 s of sound",
            Some(_) => "ready: under 2 minutes of sound",
            None => "not ready: a field has a message beside it",
        };
        State { done: false, words: words.into(), wrong: None }
    }

    /// What the large button does, by name and key; `None` while the bench works.
    pub fn next_name(&self) -> Option<(&'static str, String)> {
        if self.view.phase != Phase::Idle {
            return None;
        }
        let enter = "Enter".to_string();
        if !self.asking {
            let remedy = self.remedy().map(|(name, _)| name);
            return Some((remedy.unwrap_or("Ask the next question"), enter));
        }
        Some(match self.next_station() {
            Station::Cards if self.state_of(Station::Cards).wrong.is_some() => ("List the cards again", enter),
            Station::Cards => ("Use these cards", enter),
            Station::Calibrate if self.view.calibration_failure.is_some() => ("Listen once more", enter),
            Station::Calibrate => ("Listen to the calibrator", enter),
            Station::Path if self.state_of(Station::Path).wrong.is_some() => ("Check the path once more", enter),
            Station::Path => ("Check the path", enter),
            Station::Climb => ("Start", enter),
        })
    }

    /// The large button.
    pub(super) fn next(&mut self) {
        if self.leaving.is_asked() {
            return self.close_now();
        }
        if std::mem::take(&mut self.cautions_open) {
            return;
        }
        if self.page == Page::SideBySide {
            let named = self.side.swap.names.iter().all(|name| !name.trim().is_empty());
            return match (self.side.swap.turns.is_some(), self.view.phase) {
                (true, _) => self.swap_round(),
                (false, Phase::Idle) if named => self.swap_begin(),
                (false, _) => {}
            };
        }
        if self.page == Page::Notebook && self.notebook.chosen.is_some() {
            return self.open_chosen(super::AfterOpening::Show);
        }
        if self.page != Page::Climb {
            return;
        }
        if self.series_enter() || self.own_level_enter() || self.elsewhere_enter() {
            return;
        }
        match self.view.phase {
            Phase::Seating | Phase::Turning => return self.ready_now(),
            Phase::Idle => {}
            _ => return,
        }
        if !self.asking {
            return match self.remedy() {
                Some((_, action)) => {
                    let commands = self.reduce(action);
                    self.commands.extend(commands);
                }
                None => self.ask_again(),
            };
        }
        match self.next_station() {
            Station::Cards if self.state_of(Station::Cards).wrong.is_some() => {
                self.list_cards();
            }
            Station::Cards => self.track.cards = Some(cards_of(&self.form.chain)),
            Station::Calibrate => {
                let missing = self.form.ears().find(|ear| !self.form.acoustic.contains_key(ear));
                self.form.ear = missing.unwrap_or(self.form.ear);
                self.calibrate();
            }
            Station::Path => self.check_path(),
            Station::Climb => self.start(),
        }
    }

    /// Lists the cards anew; what did not open before may do so now.
    pub(super) fn list_cards(&mut self) {
        self.track.opened();
        self.send(Command::ListCards);
    }

    /// The question once more; the answer stays where it is.
    pub(super) fn ask_again(&mut self) {
        self.page = Page::Climb;
        self.asking = !self.view.phase.is_busy();
        (self.own.open, self.elsewhere.open) = (false, false);
    }
}
