//! The table of fields: everything that can be typed wrong, with its unit, its range, an example, and why the range is
//! what it is. A range stands where it is enforced (a plan, a chain, a calibration) and is named here; a range of typed
//! text alone stands here. A new field is one line.

use super::text::shown;
use crate::calibration::electrical::{HIGHEST_ACCURACY_PERCENT, READING_V, limits as electrical};
use crate::calibration::{
    CERTIFICATE_MONTHS, MICROPHONE_INPUT_VOLTS, MV_PER_PA, OFFSET_DB, OFFSET_HALF_WIDTH_DB, OFFSET_HOURS,
};
use crate::session::chain::limits as chain;
use crate::session::plan::PlanValue;
use crate::units::RATES_HZ;

/// What a field takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Takes {
    /// One number.
    Number,
    /// One whole number.
    Whole,
    /// Any number of numbers.
    List,
    /// A number and half its 95 % interval.
    WithHalf,
    /// Two numbers.
    Two,
    /// A name.
    Words,
    /// A date.
    Date,
    /// Channels of a card, counted from 1.
    Channels,
}

/// The unit of a field.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Sound pressure level re 20 µPa.
    DbSpl,
    /// RMS re a full-scale sine.
    Dbfs,
    /// A difference of levels.
    Db,
    /// Frequency.
    Hertz,
    /// Percent.
    Percent,
    /// Volts RMS.
    Volts,
    /// Power.
    Milliwatts,
    /// Current.
    Milliamperes,
    /// Resistance, or magnitude of an impedance.
    Ohms,
    /// Sensitivity of a microphone.
    MillivoltsPerPascal,
    /// Time in seconds.
    Seconds,
    /// Time in hours.
    Hours,
    /// Time in months.
    Months,
    /// None.
    Plain,
}

impl Unit {
    /// How it is written first, then how else it may be typed; and what each is worth in it.
    const fn spellings(self) -> &'static [(&'static str, f64)] {
        match self {
            Unit::DbSpl => &[("dB SPL", 1.0), ("dBSPL", 1.0), ("dB", 1.0)],
            Unit::Dbfs => &[("dBFS", 1.0), ("dB FS", 1.0), ("dBFSRMS", 1.0), ("dBFS RMS", 1.0), ("dB", 1.0)],
            Unit::Db => &[("dB", 1.0)],
            Unit::Hertz => &[("Hz", 1.0), ("kHz", 1e3)],
            Unit::Percent => &[("%", 1.0), ("percent", 1.0)],
            Unit::Volts => &[("V", 1.0), ("VRMS", 1.0), ("V RMS", 1.0), ("mV", 1e-3)],
            Unit::Milliwatts => &[("mW", 1.0), ("W", 1e3)],
            Unit::Milliamperes => &[("mA", 1.0), ("A", 1e3)],
            Unit::Ohms => &[("Ω", 1.0), ("\u{2126}", 1.0), ("ohm", 1.0), ("ohms", 1.0), ("kΩ", 1e3), ("kohm", 1e3)],
            Unit::MillivoltsPerPascal => &[("mV/Pa", 1.0), ("V/Pa", 1e3)],
            Unit::Seconds => &[("s", 1.0), ("seconds", 1.0)],
            Unit::Hours => &[("h", 1.0), ("hours", 1.0)],
            Unit::Months => &[("months", 1.0)],
            Unit::Plain => &[("", 1.0)],
        }
    }

    /// As it is written.
    pub const fn symbol(self) -> &'static str {
        self.spellings()[0].0
    }

    /// A value with it.
    pub(super) fn after(self, value: f64) -> String {
        format!("{} {}", shown(value), self.symbol()).trim_end().into()
    }

    /// A number without its unit, and what that unit is worth.
    pub(super) fn taken_off(self, typed: &str) -> (&str, f64) {
        let ends = |spelling: &str| {
            let at = typed.len().checked_sub(spelling.len())?;
            let (number, unit) = typed.is_char_boundary(at).then(|| typed.split_at(at))?;
            // A capital M would be a million.
            (unit.eq_ignore_ascii_case(spelling) && !(unit.starts_with('M') && spelling.starts_with('m')))
                .then(|| number.trim_end())
        };
        let found = self.spellings().iter().filter_map(|(spelling, worth)| Some((ends(spelling)?, *worth)));
        found.min_by_key(|(number, _)| number.len()).unwrap_or((typed, 1.0))
    }
}

/// What is known of a field.
#[derive(Clone, Copy, Debug)]
pub struct Row {
    /// What it takes.
    pub takes: Takes,
    /// Its unit.
    pub unit: Unit,
    /// Lowest allowed.
    pub low: f64,
    /// Highest allowed.
    pub high: f64,
    /// Its name, to stand after "the".
    pub name: &'static str,
    /// What could be typed.
    pub example: &'static str,
    /// Why the range is what it is.
    pub why: &'static str,
}

impl Takes {
    /// What typed text is not, where it is none of these.
    pub(super) fn in_words(self) -> &'static str {
        match self {
            Takes::Number | Takes::List | Takes::WithHalf | Takes::Two => "a number",
            Takes::Whole => "a whole number",
            Takes::Words => "a name",
            Takes::Date => "a date",
            Takes::Channels => "a channel",
        }
    }
}

impl Row {
    /// `between 20 and 120 dB SPL`.
    pub fn range_in_words(&self) -> String {
        format!("between {} and {}", shown(self.low), self.unit.after(self.high))
    }

    /// What should be typed, a sentence.
    pub(super) fn what_to_type(&self) -> String {
        let Row { name, example, unit, .. } = self;
        let unit = if *unit == Unit::Plain { String::new() } else { format!(" in {}", unit.symbol()) };
        match self.takes {
            Takes::Number | Takes::Whole | Takes::List => format!("Type the {name}{unit}, for example {example}."),
            Takes::WithHalf => format!("Type the {name}{unit} and half its 95 % interval, for example {example}."),
            Takes::Two => format!("Type the {name}{unit}, two numbers, for example {example}."),
            Takes::Words => format!("Name the {name}, for example \u{201c}{example}\u{201d}."),
            Takes::Date => format!("Type the {name}, for example {example}."),
            Takes::Channels => format!("Type the {name}, counted from 1, for example {example}."),
        }
    }
}

/// The fields, one line each: what it takes, unit, range, name, example, why.
macro_rules! fields {
    ($($field:ident: $takes:ident, $unit:ident, $range:expr, $name:literal, $example:literal, $why:literal;)*) => {
        /// A field that can be typed wrong.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Field {
            $(#[doc = concat!("The ", $name, ".")] $field,)*
        }

        impl Field {
            /// All of them.
            pub const ALL: &[Field] = &[$(Field::$field),*];

            /// What is known of it.
            pub const fn row(self) -> Row {
                match self {
                    $(Field::$field => Row {
                        takes: Takes::$takes,
                        unit: Unit::$unit,
                        low: $range.0,
                        high: $range.1,
                        name: $name,
                        example: $example,
                        why: $why,
                    },)*
                }
            }
        }
    };
}

/// Words, dates and channels have no range.
const NONE: (f64, f64) = (f64::NEG_INFINITY, f64::INFINITY);
/// An honest wide interval does no harm; one that is refused tempts to type a narrow one.
const HALF_WIDTH_DB: (f64, f64) = (0.0, 5.0);
const AUDIBLE_HZ: (f64, f64) = (20.0, 20_000.0);

fields! {
    // What is asked of a session.
    Output: Words, Plain, NONE, "output under test", "console phones socket", "the answer holds for it";
    Headphone: Words, Plain, NONE, "headphone", "closed 80 Ω", "the answer holds for it";
    Listening: Number, DbSpl, PlanValue::Listening.limits(), "listening level", "70", "a lower level is inaudible, a higher one injures the ear";
    Wanted: Number, Db, PlanValue::Wanted.limits(), "wanted headroom", "20", "peaks of music are less than 60 dB above its mean";
    Ample: Number, Db, PlanValue::Ample.limits(), "headroom that counts as ample", "20", "peaks of music are less than 60 dB above its mean";
    Borderline: Number, Db, PlanValue::Borderline.limits(), "headroom that counts as borderline", "15", "peaks of music are less than 60 dB above its mean";
    CeilingSpl: Number, DbSpl, PlanValue::CeilingSpl.limits(), "ceiling", "110", "a lower one leaves nothing to measure, a higher one does damage";
    CeilingDrive: Number, Dbfs, PlanValue::CeilingDrive.limits(), "ceiling of the drive", "−20", "0 dBFS is full scale";
    CeilingVolts: Number, Volts, PlanValue::CeilingVolts.limits(), "ceiling in volts", "2", "no headphone output reaches higher";
    CeilingMilliwatts: Number, Milliwatts, PlanValue::CeilingMilliwatts.limits(), "ceiling in milliwatts", "100", "no headphone withstands more";
    CeilingAgain: Number, Db, NONE, "raised ceiling a second time", "118", "it must be the same number";
    Sines: List, Hertz, PlanValue::Sine.limits(), "frequencies of the sines", "63 997", "it must be audible and below 0.45 of the rate";
    SinesPerOctave: Number, Plain, (1.0, 48.0), "number of sines per octave", "3", "more cannot be resolved";
    AskedSpl: List, DbSpl, PlanValue::AskedSpl.limits(), "levels to play at", "80 90", "it must stay under the ceiling";
    AskedDrive: List, Dbfs, PlanValue::AskedDrive.limits(), "drives to play at", "−40 −30", "0 dBFS is full scale";
    Seats: Whole, Plain, PlanValue::Seats.limits(), "number of seats", "3", "each one costs a take";
    Step: Number, Db, PlanValue::Step.limits(), "distance between steps", "3", "smaller steps take too long, larger ones jump over the threshold";
    DistortionLimit: Number, Percent, PlanValue::DistortionLimit.limits(), "distortion limit", "1", "less is below the noise, more is no limit";

    // The chain.
    PlaybackChannels: Channels, Plain, NONE, "playback channels", "1 2", "the card must have them";
    CaptureChannels: Channels, Plain, NONE, "capture channel", "1", "the card must have it";
    Rate: Whole, Hertz, RATES_HZ, "sample rate", "48000", "sound cards use no other";
    Block: Whole, Plain, (16.0, 192_000.0), "number of frames per callback", "4096", "cards accept no others";
    Cards: Words, Plain, NONE, "card", "simulated:bench", "it must be plugged in";
    MicrophoneMax: Number, DbSpl, chain::MICROPHONE_MAX_DB_SPL, "highest level that the microphone withstands", "130", "no microphone lies outside this range";
    Certificate: Date, Plain, NONE, "date of a certificate", "2025-06-30", "its age is counted from it";
    CertificateMonths: Whole, Months, CERTIFICATE_MONTHS, "age at which a certificate is doubted", "12", "a century is the longest";
    OffsetHours: Number, Hours, OFFSET_HOURS, "age at which an offset is doubted", "12", "a session takes minutes, and a century is the longest";
    ChainCeilingSpl: Number, DbSpl, PlanValue::CeilingSpl.limits(), "chain's own ceiling", "108", "a lower one leaves nothing to measure, a higher one does damage";
    ChainCeilingDrive: Number, Dbfs, PlanValue::CeilingDrive.limits(), "chain's own ceiling of the drive", "−12", "0 dBFS is full scale";
    ChainCeilingVolts: Number, Volts, PlanValue::CeilingVolts.limits(), "chain's own ceiling in volts", "0.5", "no headphone output reaches higher";
    ChainCeilingMilliwatts: Number, Milliwatts, PlanValue::CeilingMilliwatts.limits(), "chain's own ceiling in milliwatts", "20", "no headphone withstands more";
    CardDistortion: Number, Db, (-200.0, 0.0), "capture card's own distortion", "−95", "it is below what the card captures";
    Volts: WithHalf, Volts, chain::OUTPUT_VOLTS, "output's RMS volts at 0 dBFS", "1.41 0.02", "no headphone output reaches higher";
    Source: WithHalf, Ohms, chain::SOURCE_OHM, "source impedance", "10 0.5", "it is not negative";
    Load: WithHalf, Ohms, chain::LOAD_OHM, "impedance of the headphone", "80 8", "no headphone lies outside this range";
    CurveHalfWidth: Number, Db, HALF_WIDTH_DB, "half width of the curve's interval", "0.2", "a wider one is of no use";

    // The calibration offset.
    Offset: Number, Db, OFFSET_DB, "calibration offset, the dB SPL that 0 dBFS stands for,", "120", "no microphone and input lie outside this range";
    OffsetHalfWidth: Number, Db, OFFSET_HALF_WIDTH_DB, "half width of the offset's 95 % interval", "0.4", "a wider one is of no use";
    CalibratorLevel: Number, DbSpl, (60.0, 140.0), "level of the sound calibrator", "94", "calibrators give 94 or 114, pistonphones 124";
    CalibratorFrequency: Number, Hertz, AUDIBLE_HZ, "frequency of the sound calibrator", "1000", "calibrators give 1000 or 250";
    CalibratorHalfWidth: Number, Db, HALF_WIDTH_DB, "half width of the calibrator's 95 % interval", "0.4", "a wider one is of no use";
    LevelCorrection: Number, Db, (-10.0, 10.0), "correction of the calibrator's level", "0.2", "pressure and adapters change no more";
    Sensitivity: Number, MillivoltsPerPascal, MV_PER_PA, "microphone's sensitivity", "12.5", "no microphone lies outside this range";
    InputVolts: Number, Volts, MICROPHONE_INPUT_VOLTS, "RMS volts of a full-scale sine at the input", "1.2", "no input lies outside this range";

    // Volts and impedances.
    Drive: Number, Dbfs, PlanValue::AskedDrive.limits(), "drive of the tone", "−30", "0 dBFS is full scale";
    DriveAgain: Number, Db, NONE, "raised drive a second time", "−10", "it must be the same number";
    ToneFrequency: Number, Hertz, electrical::TONE_HZ, "frequency of the tone", "50", "no headphone output passes other frequencies";
    ToneSeconds: Number, Seconds, electrical::TONE_S, "length of the tone", "15", "a meter must settle, and a take must end";
    MeterAccuracy: Number, Percent, (0.0, HIGHEST_ACCURACY_PERCENT), "meter's accuracy", "1.5", "a worse meter is of no use";
    Reading: Number, Volts, READING_V, "RMS volts that the meter shows", "0.452", "no meter reads outside this range";
    Readings: Two, Volts, READING_V, "RMS volts open (or on the lighter resistor) and on the known one", "2.000 1.500", "no meter reads outside this range";
    LastDigit: Number, Volts, (0.0, 1.0), "worth of the meter's last digit", "0.001", "a coarser meter is of no use";
    StraightWithin: Number, Percent, (0.0, 10.0), "nonlinearity of the meter", "0.1", "a worse meter is of no use";
    Divider: WithHalf, Plain, electrical::DIVIDER, "factor of the divider", "10 0.1", "a divider does not amplify";
    DividerResistor: Number, Ohms, (0.1, 1e8), "resistor of the divider", "90000", "no probe lies outside this range";
    Resistor: Number, Ohms, electrical::LOAD_OHM, "known resistor", "33", "less is a short circuit, more is no load";
    SecondResistor: Number, Ohms, electrical::LOAD_OHM, "second resistor", "100", "less is a short circuit, more is no load";
    SeriesResistor: Number, Ohms, electrical::SERIES_OHM, "resistor in series", "100", "less or more leaves nothing to compare";
    CheckResistor: Number, Ohms, electrical::SERIES_OHM, "check resistor", "47", "less or more leaves nothing to compare";
    Tolerance: Number, Percent, (0.0, 20.0), "tolerance of the resistor", "1", "no resistor is sold with a wider one";
    InputResistance: Number, Ohms, (100.0, 1e9), "resistance of the input", "10000", "line inputs have kilohms, meters megohms";
    Cable: WithHalf, Ohms, (0.0, 100.0), "resistance of cable and contacts", "0.1 0.02", "a cable has less";

    // What two sessions are compared by.
    MatchLevel: Number, Db, (-120.0, 140.0), "level to match at", "85", "dBFS and dB SPL lie there";
    Rounds: Whole, Plain, (3.0, 21.0), "number of rounds", "3", "the first output is heard again after the second";
    SameWithin: Number, Db, (0.01, 10.0), "difference of response that counts as none", "0.2", "less is below the noise, more is audible";
    DistortionWithin: Number, Db, (0.01, 20.0), "difference of distortion that counts as none", "1", "less is below the noise, more is audible";

    // What a listener states that they hear.
    HearsResponse: Number, Db, (0.01, 20.0), "difference of response that the listener hears", "0.5", "nobody hears less, everybody hears more";
    HearsDistortion: Number, Db, (-140.0, 0.0), "distortion that the listener hears, re what is played,", "−50", "nobody hears less, and more is not music";
    HearsNoise: Number, DbSpl, (-20.0, 80.0), "A-weighted level of noise that the listener hears", "10", "nobody hears less, everybody hears more";

    // What data sheets say.
    LimitVolts: Number, Volts, chain::OUTPUT_VOLTS, "highest peak volts of the output", "3", "no headphone output reaches higher";
    LimitMilliamperes: Number, Milliamperes, (1e-3, 1e5), "highest peak current of the output", "100", "no headphone output reaches higher";
    SheetVolts: Number, Volts, chain::OUTPUT_VOLTS, "output's RMS volts at 0 dBFS", "2", "no headphone output reaches higher";
    SheetSource: Number, Ohms, chain::SOURCE_OHM, "source impedance", "10", "it is not negative";
    SheetPower: Number, Milliwatts, PlanValue::CeilingMilliwatts.limits(), "highest power", "150", "no headphone withstands more";
    SheetPowerInto: Number, Ohms, (1.0, 1e5), "resistance of the highest power", "32", "no headphone lies outside this range";
    HeadphoneSensitivity: Number, DbSpl, (40.0, 160.0), "sensitivity of the headphone", "96", "no headphone lies outside this range";
    SensitivityFrequency: Number, Hertz, AUDIBLE_HZ, "frequency of the sensitivity", "1000", "it must be audible";
    SensitivityHalfWidth: Number, Db, OFFSET_HALF_WIDTH_DB, "half width of the sensitivity's 95 % interval", "3", "a wider one is of no use";
    HeadphoneImpedance: Number, Ohms, (1.0, 1e5), "impedance of the headphone", "80", "no headphone lies outside this range";
    Isolation: Number, Db, (-20.0, 80.0), "isolation of the headphone", "12", "no headphone blocks more";
}
