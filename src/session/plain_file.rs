//! Reads files that somebody named: plain files only, and no more than a stated size. A pipe would hang the program for ever, a
//! device would fill its memory.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::Path;

/// Largest text file of this program that is read, bytes: chains, stock entries, correction curves.
pub const LARGEST_TEXT: u64 = 16 << 20;

/// All of a plain file of at most `most` bytes; a link to one counts as one.
///
/// # Errors
/// The system's; `InvalidInput` for anything but a plain file, `FileTooLarge` over `most`.
pub fn read(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    // It may grow while it is read.
    open(path)?.take(most + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most {
        let why = format!("it is larger than {} MB, more than any file of this kind", most >> 20);
        return Err(io::Error::new(io::ErrorKind::FileTooLarge, why));
    }
    Ok(bytes)
}

/// The same as text.
///
/// # Errors
/// As [`read`], and `InvalidData` for what is not UTF-8.
pub fn read_text(path: &Path) -> io::Result<String> {
    let bytes = read(path, LARGEST_TEXT)?;
    String::from_utf8(bytes).map_err(|_| io::Error::new(io::ErrorKind::InvalidData, "it is not text in UTF-8"))
}

/// Opens a plain file.
///
/// # Errors
/// The system's, and `InvalidInput` for anything else.
pub fn open(path: &Path) -> io::Result<File> {
    let kind = fs::metadata(path)?;
    if kind.is_dir() {
        return Err(io::Error::new(io::ErrorKind::IsADirectory, "it is a folder"));
    }
    if !kind.is_file() {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "it is no plain file (a pipe, a socket or a device)"));
    }
    File::open(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_read_up_to_its_limit_and_a_folder_is_not() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("file");
        fs::write(&path, [1, 2, 3]).unwrap();
        assert_eq!(read(&path, 3).unwrap(), [1, 2, 3]);
        assert_eq!(read(&path, 2).unwrap_err().kind(), io::ErrorKind::FileTooLarge);
        assert_eq!(read(home.path(), 9).unwrap_err().kind(), io::ErrorKind::IsADirectory);
        fs::write(&path, [0xff]).unwrap();
        assert_eq!(read_text(&path).unwrap_err().kind(), io::ErrorKind::InvalidData);
    }

    /// `/dev/zero` never ends, and a pipe without a writer never begins.
    #[cfg(unix)]
    #[test]
    fn neither_a_device_nor_a_link_to_one_is_read() {
        let home = tempfile::tempdir().unwrap();
        let link = home.path().join("link");
        std::os::unix::fs::symlink("/dev/zero", &link).unwrap();
        for path in [Path::new("/dev/zero"), &link] {
            assert_eq!(read(path, 100).unwrap_err().kind(), io::ErrorKind::InvalidInput);
        }
        let pipe = home.path().join("pipe");
        if std::process::Command::new("mkfifo").arg(&pipe).status().is_ok_and(|made| made.success()) {
            assert_eq!(read(&pipe, 100).unwrap_err().kind(), io::ErrorKind::InvalidInput);
        }
    }
}
