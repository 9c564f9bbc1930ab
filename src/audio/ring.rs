//! Sample rings between the audio threads and the rest: one writer, one reader, no lock, no allocation after set-up.
//!
//! The only file that names the ring-buffer library. Short counts are part of the contract here: a count that is
//! dropped on the floor is lost audio.

use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};

/// Seconds of sound every ring can hold: some servers deliver two seconds in one block, and two blocks must fit.
pub const CAPACITY_S: f64 = 8.0;

/// Writing end.
pub struct Writer<T>(HeapProd<T>);

/// Reading end.
pub struct Reader<T>(HeapCons<T>);

/// A ring for `items` samples.
pub fn ring<T: Copy + Send>(items: usize) -> (Writer<T>, Reader<T>) {
    let (writer, reader) = HeapRb::new(items.max(1)).split();
    (Writer(writer), Reader(reader))
}

impl<T: Copy> Writer<T> {
    /// Room left.
    pub fn room(&self) -> usize {
        self.0.vacant_len()
    }

    /// Samples written and not yet read.
    pub fn held(&self) -> usize {
        self.0.occupied_len()
    }

    /// Writes as much as fits; returns how many samples did.
    #[must_use = "samples that did not fit are lost"]
    pub fn write(&mut self, samples: &[T]) -> usize {
        self.0.push_slice(samples)
    }
}

impl<T: Copy> Reader<T> {
    /// Samples ready.
    pub fn ready(&self) -> usize {
        self.0.occupied_len()
    }

    /// Reads as much as is there; returns how many samples were.
    #[must_use = "only this many samples were filled in"]
    pub fn read(&mut self, into: &mut [T]) -> usize {
        self.0.pop_slice(into)
    }

    /// Next sample, if there is one.
    pub fn next(&mut self) -> Option<T> {
        self.0.try_pop()
    }

    /// Throws away what is there (plain numbers: nothing is freed, so callbacks may do it).
    pub fn discard(&mut self) {
        self.0.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_does_not_fit_is_counted_and_what_is_not_there_is_not_invented() {
        let (mut writer, mut reader) = ring::<f32>(4);
        assert_eq!(writer.write(&[1.0, 2.0, 3.0, 4.0, 5.0]), 4);
        assert_eq!((writer.room(), writer.held(), reader.ready()), (0, 4, 4));
        let mut out = [0.0; 6];
        assert_eq!(reader.read(&mut out), 4);
        assert_eq!(&out[..4], &[1.0, 2.0, 3.0, 4.0]);
        assert_eq!(reader.next(), None);
        assert_eq!(writer.write(&[6.0]), 1);
        reader.discard();
        assert_eq!(reader.ready(), 0);
    }
}
