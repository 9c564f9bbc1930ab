//! The table of choices: what is chosen from a few, by its word on the command line and from a list in the window.

use super::settings::Theme;
use crate::calibration::curve::{Column, Decimal, FrequencyUnit};
use crate::calibration::electrical::Meter;
use crate::calibration::{Point, SoundField};
use crate::card::InputRole;
use crate::session::chain::{Driven, Fitted, Supply, Wiring};
use crate::session::plan::Weighting;
use crate::signal::Per;

/// One of a few: its value, its word for the command line, its words for a list, and what it means.
#[derive(Clone, Copy, Debug)]
pub struct Choice<T: 'static> {
    /// What is chosen.
    pub value: T,
    /// As it is typed.
    pub word: &'static str,
    /// As it stands in a list.
    pub words: &'static str,
    /// What it means.
    pub meaning: &'static str,
}

/// A name, the type of the values, and a line for each.
macro_rules! choices {
    ($($(#[$doc:meta])* $name:ident: $type:ty { $($value:expr, $word:literal, $words:literal, $meaning:literal;)* })*) => {
        $($(#[$doc])* pub const $name: &[Choice<$type>] =
            &[$(Choice { value: $value, word: $word, words: $words, meaning: $meaning }),*];)*
    };
}

choices! {
    /// Weighting of a listening level.
    WEIGHTING: Weighting {
        Weighting::Z, "z", "Z", "None";
        Weighting::A, "a", "A", "A";
        Weighting::C, "c", "C", "C";
    }
    /// The field that a listening level is related to.
    SOUND_FIELD: SoundField {
        SoundField::Diffuse, "diffuse", "diffuse field", "Sound from everywhere";
        SoundField::Free, "free", "free field", "Sound from the front";
    }
    /// How the window looks.
    THEME: Theme {
        Theme::System, "system", "as the system", "As the system has it";
        Theme::Dark, "dark", "dark", "Light on dark";
        Theme::Light, "light", "light", "Dark on light";
    }
    /// An ear.
    EAR: InputRole {
        InputRole::LeftEar, "left", "left ear", "Left";
        InputRole::RightEar, "right", "right ear", "Right";
    }
    /// How a headphone is connected.
    WIRING: Wiring {
        Wiring::SingleEnded, "single-ended", "single-ended", "One driven wire and a common return";
        Wiring::Balanced, "balanced", "balanced", "Two driven wires per ear";
    }
    /// Which channels drive a load.
    DRIVEN: Driven {
        Driven::Both, "both", "both channels", "Both, each with its load";
        Driven::One, "one", "one channel", "One";
    }
    /// What feeds an output.
    SUPPLY: Supply {
        Supply::Mains, "mains", "mains", "A mains supply";
        Supply::Battery, "battery", "battery", "Its battery";
        Supply::Bus, "bus", "bus", "The bus it is plugged into";
    }
    /// Was it plugged in again with this load?
    REPLUGGED: bool {
        true, "true", "with this load", "With this load";
        false, "false", "with another load", "With another load";
    }
    /// Where a calibrator is fitted.
    FITTED: Fitted {
        Fitted::BareCapsule, "bare-capsule", "on the bare capsule", "On the bare capsule";
        Fitted::Adapter, "adapter", "on an adapter", "On an adapter, whose volume corrects its level";
        Fitted::CouplerEntrance, "coupler-entrance", "at the coupler's entrance", "At the coupler's entrance";
    }
    /// The point that levels stand for.
    POINT: Point {
        Point::Eardrum, "eardrum", "eardrum", "Eardrum reference point";
        Point::EarReferencePoint, "ear-reference-point", "ear reference point", "Ear reference point";
        Point::Microphone, "microphone", "microphone", "The microphone's own place";
    }
    /// What the dB of a curve are.
    COLUMN: Column {
        Column::Gain, "gain", "the microphone's gain", "The microphone's own response: it is taken off";
        Column::Correction, "correction", "a correction to add", "What must be added";
    }
    /// Decimal mark of a text table.
    DECIMAL: Decimal {
        Decimal::Point, "point", "point", "0.5";
        Decimal::Comma, "comma", "comma", "0,5";
    }
    /// What frequencies without a unit are counted in.
    FREQUENCIES: FrequencyUnit {
        FrequencyUnit::Hertz, "hz", "Hz", "Hz";
        FrequencyUnit::Kilohertz, "khz", "kHz", "kHz";
    }
    /// What the levels of a spectrum belong to.
    PER: Per {
        Per::ThirdOctave, "third-octave", "one-third octave", "The one-third octave with that mid-band frequency";
        Per::Line, "line", "density", "The density at that frequency";
    }
    /// Up to where a voltmeter reads true.
    METER: Meter {
        Meter::Mains, "mains", "for 50 and 60 Hz", "50 and 60 Hz";
        Meter::Audio, "audio", "for audio too", "1 kHz and beyond";
    }
    /// An electrical input.
    ELECTRICAL_INPUT: InputRole {
        InputRole::Witness, "witness", "witness across the headphone", "Across the headphone";
        InputRole::SourceSide, "source-side", "source side of the series resistor", "Before the series resistor";
    }
}
