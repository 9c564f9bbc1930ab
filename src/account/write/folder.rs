//! A report as a folder: everything is written beside its place and moved there when it is whole; nothing that is there is
//! ever overwritten.
//!
//! ```text
//! report/
//!   report.html  report.md
//!   tables/steps.csv …
//!   pictures/level-1920x1080-light.svg  level-1920x1080-light.png …
//! ```

use super::svg::{Frame, Look, svg};
use super::{csv, html, markdown};
use crate::account::document::{Document, Part, Table};
use crate::account::picture::Picture;
use crate::palette::{DARK, LIGHT};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Why a report was not written.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// Something is there.
    #[error("{} is there already and is left as it is; name another folder with --to", .0.display())]
    Exists(PathBuf),
    /// The disk.
    #[error("cannot write {}: {source}", path.display())]
    Io {
        /// Which file.
        path: PathBuf,
        /// The system's reason.
        source: io::Error,
    },
}

/// What was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// The folder.
    pub folder: PathBuf,
    /// Files in it.
    pub files: usize,
    /// Their bytes.
    pub bytes: u64,
}

impl Written {
    /// What lies where, in a line.
    pub fn words(&self) -> String {
        let (files, kilobytes) = (self.files, self.bytes.div_ceil(1000));
        format!("{files} files, {kilobytes} kB, written to {}; begin with report.html", self.folder.display())
    }
}

/// The first of `name`, `name-2`, `name-3`, … that is free in `parent`.
pub fn free_name(parent: &Path, name: &str) -> PathBuf {
    let numbered = (2..).map(|n| parent.join(format!("{name}-{n}")));
    std::iter::once(parent.join(name)).chain(numbered).find(|path| !path.exists()).unwrap_or_else(|| parent.join(name))
}

/// Writes the whole report into `folder`, which is made and must not be there yet (an empty one may be).
///
/// # Errors
/// [`ReportError`] names the file; nothing is left behind.
pub fn write(document: &Document, folder: &Path) -> Result<Written, ReportError> {
    let folder = std::path::absolute(folder).map_err(|source| ReportError::Io { path: folder.into(), source })?;
    let is_empty = || fs::read_dir(&folder).is_ok_and(|mut names| names.next().is_none());
    if folder.exists() && !is_empty() {
        return Err(ReportError::Exists(folder));
    }
    let mut part = folder.clone().into_os_string();
    part.push(".part");
    let part = PathBuf::from(part);
    let done = fill(document, &part).and_then(|(files, bytes)| {
        put(&part, &folder)?;
        Ok(Written { folder: folder.clone(), files, bytes })
    });
    if done.is_err() {
        // Half a report is none.
        let _ = fs::remove_dir_all(&part);
    }
    done
}

fn put(part: &Path, folder: &Path) -> Result<(), ReportError> {
    let failed = |source| ReportError::Io { path: folder.into(), source };
    if folder.exists() {
        // Only an empty folder can be removed like this.
        fs::remove_dir(folder).map_err(failed)?;
    }
    fs::rename(part, folder).map_err(failed)
}

/// Files and bytes.
fn fill(document: &Document, folder: &Path) -> Result<(usize, u64), ReportError> {
    let (mut files, mut bytes) = (0, 0);
    let mut put = |path: PathBuf, content: &[u8]| {
        let failed = |source| ReportError::Io { path: path.clone(), source };
        if let Some(parent) = path.parent() {
            fs::create_dir_all(parent).map_err(failed)?;
        }
        fs::write(&path, content).map_err(failed)?;
        files += 1;
        bytes += content.len() as u64;
        Ok(())
    };
    put(folder.join("report.html"), html(document).as_bytes())?;
    put(folder.join("report.md"), markdown(document).as_bytes())?;
    for table in tables(document) {
        put(folder.join("tables").join(format!("{}.csv", table.name)), csv(table).as_bytes())?;
    }
    for picture in pictures(document) {
        draw(picture, &folder.join("pictures"), &mut put)?;
    }
    Ok((files, bytes))
}

/// All tables, in order; those for machines last.
pub fn tables(document: &Document) -> impl Iterator<Item = &Table> {
    let shown = document.sections.iter().flat_map(|section| &section.parts).filter_map(|part| match part {
        Part::Table(table) => Some(table),
        _ => None,
    });
    shown.chain(&document.data)
}

/// All pictures, in order.
pub fn pictures(document: &Document) -> impl Iterator<Item = &Picture> {
    document.sections.iter().flat_map(|section| &section.parts).filter_map(|part| match part {
        Part::Picture(picture) => Some(picture.as_ref()),
        _ => None,
    })
}

/// `level-1920x1080-light.svg`; `level-1920x1080-light-bare.svg` without labels.
pub(super) fn picture_file(name: &str, frame: Frame, ground: &str, labels: bool, ending: &str) -> String {
    let bare = if labels { "" } else { "-bare" };
    format!("{name}-{}-{ground}{bare}.{ending}", frame.words())
}

/// Every file of one picture: both sizes, light and dark, with and without labels.
fn draw(
    picture: &Picture,
    folder: &Path,
    put: &mut impl FnMut(PathBuf, &[u8]) -> Result<(), ReportError>,
) -> Result<(), ReportError> {
    for frame in [Frame::WIDE, Frame::TALL] {
        for (ground, palette) in [("light", &LIGHT), ("dark", &DARK)] {
            for labels in [true, false] {
                let drawn = svg(picture, frame, Look::Alone { palette, labels });
                let path = |ending| folder.join(picture_file(&picture.name, frame, ground, labels, ending));
                put(path("svg"), drawn.as_bytes())?;
                #[cfg(feature = "pictures")]
                put(path("png"), &as_png(&drawn, path("png"))?)?;
            }
        }
    }
    Ok(())
}

#[cfg(feature = "pictures")]
fn as_png(svg: &str, path: PathBuf) -> Result<Vec<u8>, ReportError> {
    super::png::png(svg).map_err(|why| ReportError::Io { path, source: io::Error::other(why) })
}
