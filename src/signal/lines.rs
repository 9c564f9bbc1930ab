//! Which lines of a period's spectrum carry the stimulus, and which listen for distortion.

use std::ops::Range;

/// What a line of the period's spectrum is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineKind {
    /// Carries the stimulus.
    Excited,
    /// Even line: hears even-order distortion.
    Even,
    /// Odd line left silent on purpose: hears odd-order distortion.
    Detection,
    /// Outside the excited range.
    Outside,
}

/// The lines of one period (index = line number, 0 = DC, up to and including Nyquist).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lines {
    kinds: Vec<LineKind>,
    /// Line numbers kind by kind, rising.
    by_kind: [Vec<usize>; 4],
}

impl Lines {
    /// No line excited, for a period of `frames`.
    pub fn none(frames: usize) -> Lines {
        Lines::new(vec![LineKind::Outside; frames / 2 + 1])
    }

    /// From one kind per line.
    pub fn new(kinds: Vec<LineKind>) -> Lines {
        let mut by_kind = [const { Vec::new() }; 4];
        kinds.iter().enumerate().for_each(|(k, kind)| by_kind[*kind as usize].push(k));
        Lines { kinds, by_kind }
    }

    /// Kind of line `k`; lines past Nyquist are outside.
    pub fn kind(&self, k: usize) -> LineKind {
        self.kinds.get(k).copied().unwrap_or(LineKind::Outside)
    }

    /// Line numbers of one kind, rising.
    pub fn of(&self, kind: LineKind) -> impl ExactSizeIterator<Item = usize> + '_ {
        self.by_kind[kind as usize].iter().copied()
    }

    /// Those of them within a span.
    pub fn within(&self, span: Range<usize>, kind: LineKind) -> &[usize] {
        let lines = &self.by_kind[kind as usize];
        let before = |end: usize| lines.partition_point(|k| *k < end);
        lines.get(before(span.start)..before(span.end)).unwrap_or_default()
    }

    /// True where every excited line is odd: half a period later the stimulus returns with its sign turned.
    pub fn all_odd(&self) -> bool {
        self.of(LineKind::Excited).all(|k| k % 2 == 1)
    }

    /// Number of lines, DC and Nyquist included.
    pub fn len(&self) -> usize {
        self.kinds.len()
    }

    /// True without any line at all.
    pub fn is_empty(&self) -> bool {
        self.kinds.is_empty()
    }
}
