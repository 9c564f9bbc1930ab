//! A series: begin, name after name, the check after each swap, the session and its further seats, end.

use super::{Desk, Page};
use crate::account;
use crate::card::CardId;
use crate::gui::remembered::offered;
use crate::gui::series::{Due, Series, Stage};
use crate::gui::view::Phase;
use crate::session::protocol::{Command, Event, SeriesCommand, SeriesEvent};
use crate::session::record::Record;
use crate::session::series::{SwapChecked, named, seat_is_due};
use eframe::egui::Id;
use std::path::PathBuf;
use std::sync::Arc;

/// Where the name of the headphone that is on the coupler is typed.
pub fn series_name_id() -> Id {
    Id::unique("series-headphone-name")
}

impl Desk {
    /// The key of a series: begins one; begins with a headphone against its check; ends the series.
    pub(super) fn series_key(&mut self) {
        self.page = Page::Climb;
        match (self.series.as_ref().map(|s| &s.stage), self.view.phase) {
            (None | Some(Stage::Ended), Phase::Idle) => self.begin_series(),
            (Some(Stage::Heard(_)), Phase::SwapNow) => self.start_in_series(),
            (Some(Stage::SwapNow), Phase::SwapNow) => self.end_series(),
            _ => self.refused = Some(self.busy_because()),
        }
    }

    fn begin_series(&mut self) {
        let Some(request) = self.form.request() else {
            self.refused = Some(self.not_ready_because());
            return;
        };
        self.view.put_aside_failure();
        self.keep_chain();
        self.goes_on = false;
        (self.next_headphone, self.to_go_on, self.removed) = (None, None, None);
        let names = match request.chain.routing.playback == CardId::simulated() {
            // What is invented and what is real are not mixed.
            true => self.simulated().map_or_else(Vec::new, |devices| devices.headphones.clone()),
            false => offered(&self.memory.now.headphones, &[]),
        };
        let mut series = Series::new(request, names);
        series.read(&self.wake);
        let begin = SeriesCommand::Begin(Box::new(series.chain().clone()));
        (self.series, self.asking) = (Some(series), true);
        (self.own.open, self.elsewhere.open) = (false, false);
        self.send(Command::Series(begin));
    }

    /// Ends it; what was measured is kept.
    fn end_series(&mut self) {
        if let Some(series) = &mut self.series {
            series.stage = Stage::Closing;
            self.send(Command::Series(SeriesCommand::End));
        }
    }

    /// Enter on page Climb. True where it belonged to the series.
    pub(super) fn series_enter(&mut self) -> bool {
        match (self.series.as_ref().map(|s| &s.stage), self.view.phase) {
            (Some(Stage::SwapNow | Stage::Heard(_)), Phase::SwapNow) => self.name_in_series(),
            (Some(Stage::Ended), Phase::Idle) => {
                self.series = None;
                self.asking = true;
            }
            (Some(_), phase) if phase != Phase::Seating => {}
            _ => return false,
        }
        true
    }

    /// A name of the list was chosen.
    pub(in crate::gui) fn pick_in_series(&mut self, name: &str) {
        if let Some(series) = &mut self.series {
            series.typed = name.into();
        }
        self.name_in_series();
    }

    /// The headphone that is named is on the coupler: listen.
    pub(super) fn name_in_series(&mut self) {
        if self.view.phase != Phase::SwapNow {
            return;
        }
        let Some(series) = &self.series else { return };
        let Some(name) = named(&series.typed, &series.known) else {
            self.refused = Some("Name the headphone that is on the coupler now, or choose one of the list.".into());
            self.wants_focus = Some(series_name_id());
            return;
        };
        let name = self.known_headphone(&name);
        let Some(series) = &mut self.series else { return };
        series.typed = name;
        if series.must_wait() {
            return;
        }
        series.stage = Stage::Checking;
        series.said.clear();
        let next = series.next(&series.typed);
        self.view.put_aside_failure();
        self.send(Command::Series(SeriesCommand::Next(Box::new(next))));
    }

    /// The session of the headphone that was named.
    fn start_in_series(&mut self) {
        let Some(series) = &mut self.series else { return };
        series.stage = Stage::Measuring;
        let headphone = series.typed.trim().to_string();
        let next = series.next(&headphone);
        self.form.chain.headphone = headphone;
        self.pinned = None;
        self.changed();
        self.used(&next.request.plan, &next.request.chain);
        self.send(Command::Series(SeriesCommand::Start));
    }

    /// Stop: the person goes back to the names.
    pub(super) fn stop_in_series(&mut self) {
        if let Some(series) = &mut self.series
            && matches!(series.stage, Stage::Heard(_))
        {
            series.stage = Stage::SwapNow;
            self.wants_focus = Some(series_name_id());
        }
    }

    /// What one event means for the series.
    pub(super) fn series_hears(&mut self, event: &Event) {
        if self.series.is_none() {
            return;
        }
        match event {
            Event::Series(SeriesEvent::SwapNow { .. }) => self.swap_now(),
            Event::Series(SeriesEvent::Checked(found)) => self.series_checked(found),
            Event::Series(SeriesEvent::Ended { .. }) => self.series_is_over(),
            Event::Began { record, .. } => {
                if let Some(series) = &mut self.series {
                    series.begins(record);
                }
            }
            Event::Ended { record, folder } => self.series_measured(record, folder),
            Event::Failed(failure) => {
                let opening = self.series.as_ref().is_some_and(|s| s.stage == Stage::Opening);
                if opening {
                    self.series = None;
                    return;
                }
                if let Some(series) = &mut self.series {
                    series.said = vec![failure.message.clone()];
                }
                self.swap_now();
            }
            _ => {}
        }
    }

    fn swap_now(&mut self) {
        if let Some(series) = &mut self.series {
            series.stage = Stage::SwapNow;
        }
        self.asking = true;
        self.wants_focus = Some(series_name_id());
    }

    fn series_checked(&mut self, found: &SwapChecked) {
        let Some(series) = self.series.as_mut().filter(|s| s.stage == Stage::Checking) else { return };
        series.said = found.words();
        match found.is_clean() {
            true => series.due = Some(Due::Start),
            false => series.stage = Stage::Heard(Box::new(found.clone())),
        }
    }

    fn series_measured(&mut self, record: &Arc<Record>, folder: &PathBuf) {
        let Some(series) = &mut self.series else { return };
        let added = series.ended(record, folder);
        if added && seat_is_due(record) {
            series.due = Some(Due::Seat(folder.clone()));
            return;
        }
        series.typed.clear();
        // The answer takes its place.
        series.said.clear();
        series.read(&self.wake);
        self.swap_now();
    }

    fn series_is_over(&mut self) {
        if let Some(series) = &mut self.series {
            series.stage = Stage::Ended;
        }
    }

    /// What the series does next, now that the window has shown what happened.
    pub(super) fn settle_series(&mut self) {
        if self.view.phase == Phase::Gone {
            self.series = None;
            return;
        }
        // The answer of the headphone before, in a line.
        if let (Some(series), Some(digest)) = (&mut self.series, &self.view.digest)
            && series.stage == Stage::SwapNow
            && series.said.is_empty()
            && series.done() > 0
        {
            series.said = vec![account::series::line(&digest.record, &digest.judgement)];
        }
        match self.series.as_mut().and_then(|series| series.due.take()) {
            Some(Due::Start) => self.start_in_series(),
            Some(Due::Seat(folder)) => self.send(Command::Seat { folder, hold: true }),
            None => {}
        }
    }

    /// Takes what was read of the stored sessions.
    pub(super) fn look_at_series(&mut self) {
        if self.series.as_mut().is_some_and(Series::look) {
            self.name_in_series();
        }
    }
}
