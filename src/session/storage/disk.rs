//! The few file operations a session needs, behind a trait, so that a test can cut the power after any of them.

use crate::session::plain_file;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Write};
use std::path::Path;

/// Files larger than this are not ours and are not read into memory, bytes (the largest take is under 2 GiB).
const LARGEST_READ: u64 = 1 << 31;

/// File operations. Each is one moment at which power can fail; nothing is certain on the disk until it is synced:
/// a file's content by syncing the file, its name by syncing the folder that holds it.
pub trait Disk: Send {
    /// Makes one folder; its parent exists, it does not.
    ///
    /// # Errors
    /// The system's, `AlreadyExists` among them.
    fn make_folder(&mut self, path: &Path) -> io::Result<()>;
    /// Writes a whole file, replacing what was there. Interrupted, it leaves part of it.
    ///
    /// # Errors
    /// The system's.
    fn write(&mut self, path: &Path, bytes: &[u8]) -> io::Result<()>;
    /// Returns once the file's content, or the folder's list of names, survives a loss of power.
    ///
    /// # Errors
    /// The system's.
    fn sync(&mut self, path: &Path) -> io::Result<()>;
    /// Moves a file or folder; a file already there is replaced in one moment.
    ///
    /// # Errors
    /// The system's.
    fn rename(&mut self, from: &Path, to: &Path) -> io::Result<()>;
    /// Names inside a folder, sorted; names that are not text are left out.
    ///
    /// # Errors
    /// The system's, `NotFound` among them.
    fn list(&self, folder: &Path) -> io::Result<Vec<String>>;
    /// A whole file.
    ///
    /// # Errors
    /// The system's.
    fn read(&self, path: &Path) -> io::Result<Vec<u8>>;
    /// Holds the lock that this file stands for until the result is dropped; the file is made where missing. `None`
    /// on a disk that no other program sees, or whose file system knows no locks.
    ///
    /// # Errors
    /// `WouldBlock` where it is held already, and the system's.
    fn lock(&mut self, path: &Path) -> io::Result<Option<File>>;
}

/// The file system.
#[derive(Clone, Copy, Debug, Default)]
pub struct FileSystem;

impl Disk for FileSystem {
    fn make_folder(&mut self, path: &Path) -> io::Result<()> {
        let made = fs::create_dir(path);
        if made.is_err() && is_link(path) {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, LINK));
        }
        made
    }

    fn write(&mut self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        check_size_limit(bytes.len() as u64)?;
        // Never into what is there: it may be a link to a file elsewhere.
        match fs::remove_file(path) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
            _ => {}
        }
        let made = OpenOptions::new().write(true).create_new(true).open(path);
        let written = made.and_then(|mut file| file.write_all(bytes));
        if written.is_err() {
            // Half a file on a full disk only takes the space that the user is about to free.
            let _ = fs::remove_file(path);
        }
        written
    }

    fn sync(&mut self, path: &Path) -> io::Result<()> {
        if path.is_dir() {
            // Other systems neither need this nor can open a folder.
            if cfg!(unix) { File::open(path)?.sync_all() } else { Ok(()) }
        } else {
            OpenOptions::new().write(true).open(path)?.sync_all()
        }
    }

    fn rename(&mut self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn list(&self, folder: &Path) -> io::Result<Vec<String>> {
        let names = fs::read_dir(folder)?.map(|entry| Ok(entry?.file_name().into_string().ok()));
        let mut names: Vec<String> = names.collect::<io::Result<Vec<_>>>()?.into_iter().flatten().collect();
        names.sort();
        Ok(names)
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        plain_file::read(path, LARGEST_READ)
    }

    fn lock(&mut self, path: &Path) -> io::Result<Option<File>> {
        if is_link(path) {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, LINK));
        }
        let file = OpenOptions::new().create(true).truncate(false).write(true).open(path)?;
        match file.try_lock() {
            Ok(()) => Ok(Some(file)),
            Err(TryLockError::WouldBlock) => Err(io::ErrorKind::WouldBlock.into()),
            Err(TryLockError::Error(e)) if e.kind() == io::ErrorKind::Unsupported => Ok(None),
            Err(TryLockError::Error(e)) => Err(e),
        }
    }
}

const LINK: &str = "it is a symbolic link; a session writes into its own folder only";

fn is_link(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok_and(|what| what.file_type().is_symlink())
}

/// Linux ends a process that writes past its file size limit (SIGXFSZ) before any message can be given, so the limit
/// is asked for first.
fn check_size_limit(bytes: u64) -> io::Result<()> {
    let Some(limit) = size_limit() else { return Ok(()) };
    if bytes <= limit { Ok(()) } else { Err(io::Error::from(io::ErrorKind::FileTooLarge)) }
}

/// Soft limit on file size, bytes; `None` where there is none or the system does not tell.
fn size_limit() -> Option<u64> {
    if !cfg!(target_os = "linux") {
        return None;
    }
    let limits = fs::read_to_string("/proc/self/limits").ok()?;
    let line = limits.lines().find_map(|line| line.strip_prefix("Max file size"))?;
    line.split_whitespace().next()?.parse().ok()
}
