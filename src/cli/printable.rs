//! What is written to a terminal stays text: a name in a file may hold the characters that move the cursor, change colours or
//! retitle the window. They are shown as `�`; text of any script passes. A reader that has seen enough (`| head`) ends no session.

use std::io::{ErrorKind, Result, Write};

/// Shown for a character that is none to be seen (U+FFFD).
const SHOWN: &[u8] = "\u{fffd}".as_bytes();

/// Writes text, control characters made visible; line feeds and tabs pass.
pub struct Printable<W> {
    to: W,
    /// The first byte of a character of two, which is a control character where the second says so (C1, U+0080 to U+009F).
    held: bool,
}

impl<W: Write> Printable<W> {
    /// Writes to `to`.
    pub fn new(to: W) -> Printable<W> {
        Printable { to, held: false }
    }
}

impl<W: Write> Write for Printable<W> {
    fn write(&mut self, bytes: &[u8]) -> Result<usize> {
        let mut clean = Vec::with_capacity(bytes.len());
        for byte in bytes {
            match (std::mem::take(&mut self.held), *byte) {
                (true, 0x80..=0x9f) => clean.extend_from_slice(SHOWN),
                (held, byte) => {
                    clean.extend(held.then_some(0xc2));
                    match byte {
                        0xc2 => self.held = true,
                        b'\n' | b'\t' => clean.push(byte),
                        0..0x20 | 0x7f => clean.extend_from_slice(SHOWN),
                        _ => clean.push(byte),
                    }
                }
            }
        }
        unless_closed(self.to.write_all(&clean))?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> Result<()> {
        unless_closed(self.to.flush())
    }
}

/// What nobody reads any more is not written, and that is no error.
fn unless_closed(written: Result<()>) -> Result<()> {
    match written {
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A pipe whose reader has gone.
    struct Closed;

    impl Write for Closed {
        fn write(&mut self, _: &[u8]) -> Result<usize> {
            Err(ErrorKind::BrokenPipe.into())
        }

        fn flush(&mut self) -> Result<()> {
            Err(ErrorKind::BrokenPipe.into())
        }
    }

    #[test]
    fn a_reader_that_has_gone_is_no_error() {
        let mut out = Printable::new(Closed);
        assert!(writeln!(out, "more").is_ok() && out.flush().is_ok());
    }

    fn shown(pieces: &[&[u8]]) -> String {
        let mut all = Vec::new();
        let mut out = Printable::new(&mut all);
        pieces.iter().for_each(|piece| out.write_all(piece).unwrap());
        String::from_utf8(all).unwrap()
    }

    #[test]
    fn control_characters_are_shown_and_every_script_passes() {
        assert_eq!(shown(&["80 Ω ±0.2\n\tя 耳 🎧 é".as_bytes()]), "80 Ω ±0.2\n\tя 耳 🎧 é");
        assert_eq!(shown(&[b"a\x1b[31mb\x07\r\x7f"]), "a\u{fffd}[31mb\u{fffd}\u{fffd}\u{fffd}");
        // CSI as one character (U+009B), also where it comes in two pieces.
        assert_eq!(shown(&["a\u{9b}b".as_bytes()]), "a\u{fffd}b");
        assert_eq!(shown(&[b"a\xc2", b"\x9bb\xc2", b"\xb1"]), "a\u{fffd}b±");
    }
}
