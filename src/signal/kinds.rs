//! The table of sounds that are asked for by a word. The command line, the window and the conformance test read it, so
//! that a new one is a line here, its own file, and its arms in [`Stimulus`].

use super::{Burst, Noise, Stimulus, Sweep, TwoTones};
use crate::units::SampleRate;

/// A sound that is asked for by a word.
#[derive(Clone, Copy, Debug)]
pub struct Kind {
    /// The word: its [`Stimulus::short_name`].
    pub word: &'static str,
    /// What it is.
    pub meaning: &'static str,
    /// The sound itself.
    pub make: fn(SampleRate) -> Stimulus,
}

/// All of them. The first is the one that a session steps; the others can be played beside it.
pub const KINDS: [Kind; 6] = [
    Kind { word: "pink", meaning: "Periodic pink noise (the one that a session steps)", make: Stimulus::pink },
    Kind { word: "sweep", meaning: "Synchronised exponential sweep", make: |_| Stimulus::Sweep(Sweep::STANDARD) },
    Kind {
        word: "modulation",
        meaning: "60 Hz and 7 kHz, 4:1 (SMPTE RP 120)",
        make: |_| Stimulus::TwoTones(TwoTones::Modulation),
    },
    Kind {
        word: "difference",
        meaning: "19 and 20 kHz, 1:1 (difference frequency, IEC 60268-3)",
        make: |_| Stimulus::TwoTones(TwoTones::DifferenceFrequency),
    },
    Kind {
        word: "burst",
        meaning: "1 kHz bursts: 20 ms loud, the rest 20 dB lower",
        make: |_| Stimulus::Burst(Burst {}),
    },
    Kind {
        word: "noise",
        meaning: "Stationary pink noise that never repeats",
        make: |_| Stimulus::Noise(Noise::STANDARD),
    },
];
