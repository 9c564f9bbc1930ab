//! Short names of contents: tell files apart, keep no secret.

use std::io::Read;

/// Of no bytes.
const EMPTY: u64 = 0xcbf2_9ce4_8422_2325;

/// FNV-1a, 64 bits (Fowler, Noll, Vo; constants as in draft-eastlake-fnv).
pub fn fnv_1a(bytes: impl IntoIterator<Item = u8>) -> u64 {
    onward(EMPTY, bytes)
}

fn onward(hash: u64, bytes: impl IntoIterator<Item = u8>) -> u64 {
    bytes.into_iter().fold(hash, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
}

/// The same as 16 hexadecimal digits.
pub fn of(bytes: &[u8]) -> String {
    format!("{:016x}", fnv_1a(bytes.iter().copied()))
}

/// The same of everything that can be read, a piece at a time.
///
/// # Errors
/// Those of the reader.
pub fn of_reader(mut from: impl Read) -> std::io::Result<String> {
    let mut piece = vec![0; 1 << 16];
    let mut hash = EMPTY;
    loop {
        match from.read(&mut piece)? {
            0 => return Ok(format!("{hash:016x}")),
            read => hash = onward(hash, piece[..read].iter().copied()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Test vectors of draft-eastlake-fnv (64-bit FNV-1a of "", "a" and "foobar").
    #[test]
    fn fnv_1a_gives_the_published_vectors() {
        assert_eq!(fnv_1a("".bytes()), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv_1a("a".bytes()), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(of(b"foobar"), "85944171f73967e8");
        assert_eq!(of_reader(&b"foobar"[..]).unwrap(), "85944171f73967e8");
    }
}
