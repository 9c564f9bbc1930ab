//! From the bytes of a text file to its lines, in the encodings that spreadsheets and laboratory programs write.

use super::refused::Refused;

/// Larger files are no curves, bytes.
const LARGEST: usize = 16 << 20;

/// UTF-8 with or without its mark, UTF-16 of either order with or without it; what is none of them is read as Latin-1,
/// whose letters stand only in rows that are skipped.
///
/// # Errors
/// [`Refused::NoText`] for what is no text.
pub fn text_of(bytes: &[u8]) -> Result<String, Refused> {
    if bytes.len() > LARGEST {
        return Err(no_text(format!("it is larger than {} MB", LARGEST >> 20)));
    }
    let text = match bytes {
        [0xef, 0xbb, 0xbf, rest @ ..] => eight_bits(rest),
        [0xff, 0xfe, rest @ ..] => sixteen_bits(rest, u16::from_le_bytes)?,
        [0xfe, 0xff, rest @ ..] => sixteen_bits(rest, u16::from_be_bytes)?,
        _ if zero_at(bytes, 1) => sixteen_bits(bytes, u16::from_le_bytes)?,
        _ if zero_at(bytes, 0) => sixteen_bits(bytes, u16::from_be_bytes)?,
        _ => eight_bits(bytes),
    };
    if text.contains('\0') {
        return Err(no_text("it holds zero bytes".into()));
    }
    Ok(text)
}

/// Lines with their numbers from 1; a line ends at LF, CR LF or CR.
pub fn lines(text: &str) -> impl Iterator<Item = (usize, &str)> {
    text.split('\n')
        .flat_map(|line| line.strip_suffix('\r').unwrap_or(line).split('\r'))
        .enumerate()
        .map(|(i, line)| (i + 1, line))
}

fn eight_bits(bytes: &[u8]) -> String {
    match std::str::from_utf8(bytes) {
        Ok(text) => text.into(),
        Err(_) => bytes.iter().map(|byte| char::from(*byte)).collect(),
    }
}

fn sixteen_bits(bytes: &[u8], unit: fn([u8; 2]) -> u16) -> Result<String, Refused> {
    let pairs = bytes.chunks_exact(2);
    if !pairs.remainder().is_empty() {
        return Err(no_text("it is UTF-16 with half a character at its end".into()));
    }
    let units: Vec<u16> = pairs.map(|pair| unit([pair[0], pair[1]])).collect();
    String::from_utf16(&units).map_err(|_| no_text("it begins as UTF-16, which it does not keep to".into()))
}

/// True for UTF-16 without its mark: digits and separators have a zero byte on one side, always the same.
fn zero_at(bytes: &[u8], side: usize) -> bool {
    let zeros = |side: usize| bytes.iter().skip(side).step_by(2).filter(|byte| **byte == 0).count();
    let pairs = bytes.len() / 2;
    pairs > 0 && bytes.len().is_multiple_of(2) && zeros(1 - side) == 0 && 2 * zeros(side) > pairs
}

fn no_text(why: String) -> Refused {
    Refused::NoText(why)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_encoding_gives_the_same_text() {
        let text = "20;−0,5 µ\r\n";
        let wide = |unit: fn(u16) -> [u8; 2]| text.encode_utf16().flat_map(unit).collect::<Vec<u8>>();
        let (little, big) = (wide(u16::to_le_bytes), wide(u16::to_be_bytes));
        let marked = |mark: &[u8], bytes: &[u8]| [mark, bytes].concat();
        let all = [
            text.as_bytes().to_vec(),
            marked(b"\xef\xbb\xbf", text.as_bytes()),
            marked(b"\xff\xfe", &little),
            marked(b"\xfe\xff", &big),
            little,
            big,
        ];
        for bytes in all {
            assert_eq!(text_of(&bytes).unwrap(), text, "{bytes:x?}");
        }
        assert_eq!(text_of(b"\xb5V 1\n").unwrap(), "µV 1\n");
        assert_eq!(text_of(b"").unwrap(), "");
    }

    #[test]
    fn what_is_no_text_is_refused() {
        for bytes in [&b"20 0\0 1"[..], b"\xff\xfe2", b"\xff\xfe\x00\xd8", b"\0\0\0\0"] {
            assert!(matches!(text_of(bytes), Err(Refused::NoText(_))), "{bytes:x?}");
        }
    }

    #[test]
    fn lines_end_in_three_ways_and_keep_their_numbers() {
        let numbered: Vec<_> = lines("a\r\nb\rc\n\nd").collect();
        assert_eq!(numbered, [(1, "a"), (2, "b"), (3, "c"), (4, ""), (5, "d")]);
    }
}
