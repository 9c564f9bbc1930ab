//! What a thread finds out about the chosen sessions.

use crate::account::{self, document::Section};
use crate::gui::{form, text};
use crate::judgement::attribution::attribution;
use crate::judgement::comparison::{sentence, target, whose_labels};
use crate::session::matching::Target;
use crate::session::record::Record;
use crate::session::storage::{self, Storage};
use crate::stock::side_by_side::{SideBySide, Wanted, side_by_side};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A session that can be chosen.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// Its folder.
    pub folder: PathBuf,
    /// Output, headphone and when.
    pub words: String,
}

/// What is drawn.
pub(in crate::gui) struct Drawn {
    pub(in crate::gui) both: Arc<SideBySide>,
    pub(in crate::gui) sentence: String,
    /// Whose labels they were, where the names are hidden.
    pub(in crate::gui) key: Option<String>,
    /// What follows the sentence.
    pub(in crate::gui) sections: Vec<Section>,
    /// Whose the first session's distortion is; not where the names are hidden.
    pub(in crate::gui) whose: Option<Section>,
}

pub(in crate::gui) type Answer = Result<Drawn, String>;

/// Finished sessions, the latest first.
pub(in crate::gui) fn choices(sessions: &Path) -> Vec<Choice> {
    let words = |glance: storage::Glance| {
        let chain = &glance.head.chain;
        let words = format!("{} · {} · {}", chain.output, chain.headphone, text::moment(&glance.head.started_at));
        Choice { words, folder: glance.folder }
    };
    storage::finished(sessions).into_iter().map(words).collect()
}

/// Compares the first two; a third one helps to tell whose the first one's distortion is.
pub(in crate::gui) fn answer(both: [&Path; 2], third: Option<&Path>, wanted: &Wanted, now: String) -> Answer {
    let found = side_by_side(both, wanted, now).map_err(|e| why(&e))?;
    let key = whose_labels(&found.first, &found.second).filter(|_| found.hidden);
    let key = key.map(|[blue, white]| format!("Blue label: {blue}. White label: {white}."));
    let third = third.map(|third| Storage::open(third).map(|(_, record)| record)).transpose().map_err(|e| why(&e))?;
    let all: Vec<&Record> = [&found.first, &found.second].into_iter().chain(&third).collect();
    let whose = attribution(&all).ok().filter(|_| !found.hidden);
    let whose = whose.map(|whose| account::attribution::section(&whose, &all));
    let sections = account::comparison::sections(&found, false).into_iter().chain(whose.clone()).collect();
    Ok(Drawn { sentence: sentence(&found.comparison), both: Arc::new(found), key, sections, whose })
}

/// The level of the first session for the output of the second.
pub(in crate::gui) fn level(first: &Path, second: &Path, wanted: &Wanted, by_hand: bool) -> Result<Target, String> {
    let open = |folder: &Path| Storage::open(folder).map(|(_, record)| record).map_err(|e| why(&e));
    target(&open(first)?, &open(second)?, &wanted.ask, by_hand).map_err(|e| why(&e))
}

fn why(error: &dyn std::fmt::Display) -> String {
    form::sentence(&error.to_string())
}
