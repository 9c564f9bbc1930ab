//! What goes to the clipboard, to a picture file and to other programs; and what is said of it.

use super::{AfterOpening, Desk, Effect, Evidence, Page};
use crate::account::picture::Picture;
use crate::account::write::{Frame, Look, pixels, svg};
use crate::gui::wish::Wish;
use crate::gui::work::Lost;
use crate::gui::{form, open, report};
use crate::palette::{DARK, LIGHT};
use crate::session::toml_file;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A picture as pixels.
#[derive(Clone, PartialEq, Eq)]
pub struct Pixels {
    /// Width and height.
    pub size: [usize; 2],
    /// Red, green, blue, alpha, premultiplied.
    pub rgba: Vec<u8>,
}

impl std::fmt::Debug for Pixels {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Pixels {:?}", self.size)
    }
}

/// What an action did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notice {
    /// In words.
    pub words: String,
    /// What was written, which can be opened; its path can be copied.
    pub path: Option<PathBuf>,
}

/// A picture ready for the clipboard.
#[derive(Debug)]
pub(super) struct Copied {
    pixels: Pixels,
    path: PathBuf,
}

impl Desk {
    /// Does what a picture or a table was asked for by its own buttons.
    pub(in crate::gui) fn grant(&mut self, wish: Wish, dark: bool) -> Vec<Effect> {
        (self.refused, self.notice) = (None, None);
        match wish {
            Wish::Enlarge(picture) => self.enlarge(picture),
            Wish::Text { what, text } => self.copy(&what, text),
            Wish::Picture(picture) => self.copy_picture(picture, dark),
        }
        std::mem::take(&mut self.commands)
    }

    fn enlarge(&mut self, picture: Arc<Picture>) {
        let own = !matches!(
            self.evidence,
            Evidence::Numbers | Evidence::Sounds | Evidence::Music | Evidence::Now | Evidence::Steps
        );
        match self.page == Page::Climb && own {
            true => self.enlarged = !self.enlarged,
            false => self.large = self.large.is_none().then_some(picture),
        }
    }

    /// The answer of the page that is shown: number with unit and interval, then the sentence.
    pub(super) fn copy_answer(&mut self) {
        let answer = match (self.page, &self.view.digest) {
            (Page::SideBySide, _) => {
                self.side.answer.as_ref().and_then(|a| a.as_ref().ok()).map(|a| a.sentence.clone())
            }
            (Page::Stock, _) => self.stock.answer_words(),
            (Page::Notebook, _) => self.notebook.chosen_words(),
            (Page::Chain | Page::Climb, Some(digest)) if digest.finished => Some(digest.answer_words()),
            (Page::Chain | Page::Climb, _) => None,
        };
        match answer {
            Some(answer) => self.copy("the answer", answer),
            None => self.refused = Some("There is no answer to copy on this page yet.".into()),
        }
    }

    fn copy(&mut self, what: &str, text: String) {
        self.notice = Some(Notice { words: format!("Copied: {what}."), path: None });
        self.commands.push(Effect::CopyText(text));
    }

    /// Draws the publishable picture beside the window: on the clipboard as pixels, as an SVG beside the sessions.
    fn copy_picture(&mut self, picture: Arc<Picture>, dark: bool) {
        if self.drawing.is_under_way() {
            return;
        }
        let folder = self.form.sessions().with_file_name("pictures");
        let of = self.view.digest.as_ref().filter(|_| self.page == Page::Climb).map(|d| d.record.head.id.clone());
        let name = of.map_or_else(|| picture.name.clone(), |id| format!("{id}-{}", picture.name));
        let draw = move || copied(&picture, &folder, &name, dark);
        self.notice = Some(Notice { words: "The picture is being drawn.".into(), path: None });
        if let Err(error) = self.drawing.begin("picture", &self.wake, draw) {
            self.refused = Some(format!("The picture was not copied: {error}."));
        }
    }

    /// Takes what was drawn or opened.
    pub(super) fn look_at_copies(&mut self) {
        match self.drawing.look() {
            None => {}
            Some(Ok(Ok(Copied { pixels, path }))) => {
                let words = format!("Copied as a picture; also written to {}.", path.display());
                self.last_written = Some(path.clone());
                self.notice = Some(Notice { words, path: Some(path) });
                self.commands.push(Effect::CopyPicture(Box::new(pixels)));
            }
            Some(Ok(Err(why))) => self.refused = Some(format!("The picture was not copied: {why}.")),
            Some(Err(Lost)) => self.refused = Some("The picture was not copied: its thread ended.".into()),
        }
        match self.opening.look() {
            None | Some(Ok(Ok(()))) => {}
            Some(Ok(Err(why))) => self.refused = Some(form::sentence(&why)),
            Some(Err(Lost)) => self.refused = Some("It was not opened: its thread ended.".into()),
        }
    }

    /// Writes a report of what the page shows: a session beside its numbers, the stock beside the sessions.
    pub(super) fn report(&mut self) {
        if self.view.phase.is_busy() {
            self.refused = Some(self.busy_because());
            return;
        }
        if self.writing.is_under_way() {
            return;
        }
        let (now, wake) = (self.now.clone(), self.wake.clone());
        let beside = || self.form.sessions().parent().map_or_else(PathBuf::new, PathBuf::from);
        let nothing = match (self.page, self.stock.stock(), &self.view.digest, &self.view.folder) {
            (Page::Stock, Some(stock), ..) => {
                return self.writing.begin(report::of_stock(stock, self.listener(), now), beside(), &wake);
            }
            (Page::SideBySide, ..) => match self.side.report(now) {
                Some(document) => return self.writing.begin(document, beside(), &wake),
                None => "No report: there is nothing to compare yet; choose two sessions.",
            },
            (Page::Chain | Page::Climb, _, Some(digest), Some(folder)) => {
                let document = report::of_session(digest, &self.music.pieces, now);
                return self.writing.begin(document, folder.clone(), &wake);
            }
            (Page::Notebook, ..) => return self.open_chosen(AfterOpening::Report),
            (Page::Stock, None, ..) => "The stock is not read yet; try again in a moment.",
            _ => "There is no session to report yet; run one first.",
        };
        self.refused = Some(nothing.into());
    }

    /// A report that is written is shown with its buttons.
    pub(super) fn look_at_writing(&mut self) {
        match self.writing.look() {
            None => {}
            Some(Ok((words, path))) => {
                self.last_written = Some(path.clone());
                self.notice = Some(Notice { words, path: Some(path) });
            }
            Some(Err(why)) => self.refused = Some(why),
        }
    }

    /// Opens what was written last with the program that the system has for it.
    pub(super) fn open_written(&mut self) {
        let Some(path) = self.last_written.clone() else {
            self.refused = Some("Nothing was written that could be opened.".into());
            return;
        };
        if let Err(error) = self.opening.begin("open", &self.wake, move || open::open(&path)) {
            self.refused = Some(format!("It was not opened: {error}."));
        }
    }

    /// The path of what was written last on the clipboard.
    pub(super) fn copy_path(&mut self) {
        match self.last_written.clone() {
            Some(path) => self.copy("the path", path.display().to_string()),
            None => self.refused = Some("Nothing was written whose path could be copied.".into()),
        }
    }

    /// What was pasted while no field had the keyboard: a piece of music, else a path for the field that wants one.
    pub(in crate::gui) fn paste(&mut self, pasted: &str) {
        (self.refused, self.notice) = (None, None);
        let path = path_of(pasted);
        let ending = Path::new(&path).extension().map(|e| e.to_string_lossy().to_lowercase());
        match ending.as_deref() {
            Some("wav" | "flac" | "json") if self.take_file(Path::new(&path)) => {}
            Some("wav" | "flac") => self.judge_music(vec![path.into()]),
            Some(_) if self.page == Page::Chain => {
                self.form.particulars.curve_file = path;
                self.notice = Some(Notice { words: "Pasted as the curve file of the microphone.".into(), path: None });
            }
            _ => {
                self.refused =
                    Some("Pasted text has no place here: click into a field first. The path of a WAV or FLAC file is judged as music.".into());
            }
        }
    }
}

/// The path that was pasted: without quotes, and without what file managers put before it.
pub(in crate::gui) fn path_of(pasted: &str) -> String {
    let plain = pasted.lines().next().unwrap_or_default().trim().trim_matches(['"', '\'']);
    plain.strip_prefix("file://").map_or_else(|| plain.to_string(), decoded)
}

/// `%20` is a blank.
fn decoded(url: &str) -> String {
    let bytes = url.as_bytes();
    let (mut out, mut at) = (Vec::with_capacity(bytes.len()), 0);
    while at < bytes.len() {
        let hex =
            url.get(at + 1..at + 3).filter(|_| bytes[at] == b'%').and_then(|hex| u8::from_str_radix(hex, 16).ok());
        match hex {
            Some(byte) => (out.push(byte), at += 3).0,
            None => (out.push(bytes[at]), at += 1).0,
        }
    }
    String::from_utf8_lossy(&out).into_owned()
}

fn copied(picture: &Picture, folder: &Path, name: &str, dark: bool) -> Result<Copied, String> {
    let palette = if dark { &DARK } else { &LIGHT };
    let drawn = svg(picture, Frame::WIDE, Look::Alone { palette, labels: true });
    let (size, rgba) = pixels(&drawn)?;
    let free = std::iter::once(String::new()).chain((2..).map(|n| format!("-{n}")));
    let path = free.map(|n| folder.join(format!("{name}{n}.svg"))).find(|path| !path.exists());
    let path = path.ok_or("its folder is full")?;
    toml_file::write_whole(&path, &drawn).map_err(|error| format!("{}: {error}", path.display()))?;
    Ok(Copied { pixels: Pixels { size, rgba }, path })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pasted_path_loses_its_quotes_and_its_scheme() {
        for (pasted, path) in [
            ("\"/a b.wav\"\n", "/a b.wav"),
            ("file:///a%20b.wav", "/a b.wav"),
            ("file:///100%.wav", "/100%.wav"),
            ("  /a.flac ", "/a.flac"),
        ] {
            assert_eq!(path_of(pasted), path);
        }
    }
}
