//! Commands as typed.

use crate::judgement::comparison::SAME_WITHIN_DB;
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Will this output drive these headphones loud enough, with headroom, without audible distortion?
///
/// Without a command the window opens. Nobody wears the headphones while a session runs.
#[derive(Debug, Parser)]
#[command(name = "loudenough", version, about, long_about = None)]
pub struct Arguments {
    /// What to do; without a command the window opens.
    #[command(subcommand)]
    pub command: Option<Command>,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run a whole session on the simulated bench, faster than time, without hardware.
    Rehearse(Box<Rehearse>),
    /// List the sound cards.
    Cards {
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// List, show, make and check chains: the desk described once, from card to microphone, with its calibration.
    Chain {
        /// What to do.
        #[command(subcommand)]
        what: ChainCommand,
    },
    /// Calibrate a chain: the offset to dB SPL, volts of output and inputs, source and load impedance.
    Calibrate {
        /// What to calibrate.
        #[command(subcommand)]
        what: Calibrate,
    },
    /// Run a session on real cards.
    Run(Box<Run>),
    /// Hold quiet noise while the headphone is taken off and put on again, then add that seat to a finished session.
    Hold {
        /// Session folder.
        session: PathBuf,
        /// Measure the seat at once, without holding noise for it.
        #[arg(long)]
        at_once: bool,
        /// How results go.
        #[command(flatten)]
        keep: Shown,
    },
    /// Listen to an outside source at the open ear and with the headphone on: what the headphone keeps out, added to a
    /// finished session.
    Listen {
        /// Session folder.
        session: PathBuf,
        /// Ear as it is now.
        #[arg(long)]
        ear: OutsideEar,
        /// How results go.
        #[command(flatten)]
        keep: Shown,
    },
    /// Write a stimulus to a WAV.
    Stimulus(StimulusFile),
    /// Judge a stored session again, for another listening level or by another rule.
    Judge {
        /// Session folder.
        session: PathBuf,
        /// Who listens how loud and what headroom is called.
        #[command(flatten)]
        listener: Listener,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Two stored sessions of one headphone side by side, at matched level: what differs, and by how much.
    Compare(Compare),
    /// Recompute a stored session from its WAVs.
    Reanalyse {
        /// Session folder.
        session: PathBuf,
        /// Replace the stored numbers where they differ.
        #[arg(long)]
        write: bool,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
}

/// Options of `compare`.
#[derive(Debug, Args)]
pub struct Compare {
    /// Session folder of the first output.
    pub first: PathBuf,
    /// Session folder of the second.
    pub second: PathBuf,
    /// Level to match at, dB SPL (dBFS at the input without calibration); without it the highest clean level of the weaker.
    #[arg(long, value_name = "DB", allow_hyphen_values = true)]
    pub at: Option<f64>,
    /// Match the one-third octave at 1 kHz instead of all the noise.
    #[arg(long = "at-1-khz")]
    pub at_1_khz: bool,
    /// Differences within this are the same, dB.
    #[arg(long, value_name = "DB", default_value_t = SAME_WITHIN_DB)]
    pub within: f64,
    /// The headphone stayed on the coupler from the one session to the other.
    #[arg(long)]
    pub same_seat: bool,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

/// The ear that an outside source is heard at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum OutsideEar {
    /// Without the headphone.
    Open,
    /// With the headphone on.
    Covered,
}

/// How results go.
#[derive(Debug, Clone, Copy, Args)]
pub struct Shown {
    /// Print the record and the judgement as JSON.
    #[arg(long)]
    pub json: bool,
    /// No progress bar.
    #[arg(long)]
    pub no_progress: bool,
}

/// Options of `rehearse`.
#[derive(Debug, Args)]
pub struct Rehearse {
    /// Simulated output: `console phones socket`, `field recorder` or `desk amplifier`.
    #[arg(long, default_value = "console phones socket")]
    pub output: String,
    /// Simulated headphone: `closed 80 Ω`, `open 300 Ω`, `planar 18 Ω` or `in-ear 16 Ω`.
    #[arg(long, default_value = "closed 80 Ω")]
    pub headphone: String,
    /// Seed of the simulated noise.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// What is asked of the session.
    #[command(flatten)]
    pub ask: Ask,
    /// Where and how results go.
    #[command(flatten)]
    pub keep: Keep,
}

/// Options of `run`.
#[derive(Debug, Args)]
pub struct Run {
    /// Take up an interrupted session instead of starting one.
    #[arg(long = "continue", value_name = "SESSION", conflicts_with_all = ["chain", "playback", "capture"])]
    pub carry_on: Option<PathBuf>,
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// What is asked of the session.
    #[command(flatten)]
    pub ask: Ask,
    /// Where and how results go.
    #[command(flatten)]
    pub keep: Keep,
}

/// The desk: a chain file, and what differs from it.
#[derive(Debug, Args)]
pub struct Desk {
    /// Chain file (TOML), or the name of a chain that is kept; without it the chain that the window keeps.
    #[arg(long, value_name = "FILE|NAME")]
    pub chain: Option<PathBuf>,
    /// Card that plays, as `cards` lists it.
    #[arg(long, value_name = "CARD")]
    pub playback: Option<String>,
    /// Card that records, as `cards` lists it.
    #[arg(long, value_name = "CARD")]
    pub capture: Option<String>,
    /// Playback channels driven, from 1.
    #[arg(long, value_name = "N,…", value_delimiter = ',')]
    pub playback_channels: Option<Vec<u16>>,
    /// Capture channel of the left ear, from 1.
    #[arg(long, value_name = "N")]
    pub left_ear: Option<u16>,
    /// Capture channel of the right ear, from 1.
    #[arg(long, value_name = "N")]
    pub right_ear: Option<u16>,
    /// Capture channel of the electrical witness (across the headphone, through a divider), from 1.
    #[arg(long, value_name = "N")]
    pub witness: Option<u16>,
    /// Capture channel before the series resistor of a load measurement, from 1.
    #[arg(long, value_name = "N")]
    pub source_side: Option<u16>,
    /// Capture channel of the loopback: an output channel that is not loaded, straight back, from 1.
    #[arg(long, value_name = "N")]
    pub loopback: Option<u16>,
    /// Rate of both cards, Hz.
    #[arg(long, value_name = "HZ")]
    pub rate: Option<u32>,
    /// Rate of the capture card where it differs, Hz.
    #[arg(long, value_name = "HZ")]
    pub capture_rate: Option<u32>,
    /// Frames asked for per callback.
    #[arg(long, value_name = "FRAMES")]
    pub block: Option<u32>,
    /// Name of the output under test.
    #[arg(long = "output", value_name = "NAME")]
    pub output_name: Option<String>,
    /// Volume positions and gain switches of the output, in words.
    #[arg(long, value_name = "WORDS")]
    pub volume: Option<String>,
    /// Name of the headphone on the coupler.
    #[arg(long = "headphone", value_name = "NAME")]
    pub headphone_name: Option<String>,
    /// Gain setting of the input, in words; another one than the offset was taken with invalidates it.
    #[arg(long, value_name = "WORDS")]
    pub gain: Option<String>,
    /// What the headphone sits on: iec60318-1, -3, -4 or -5, manikin, flat-plate or other.
    #[arg(long, value_name = "KIND")]
    pub coupler: Option<String>,
    /// Calibration offset: dB SPL that 0 dBFS stands for.
    #[arg(long, value_name = "DB", allow_hyphen_values = true)]
    pub offset: Option<f64>,
    /// Half width of the offset's 95 % interval, dB.
    #[arg(long, value_name = "DB", default_value_t = 0.5)]
    pub offset_half_width: f64,
    /// Keep an offset although card, channel, rate, gain or curve changed: the offset, typed again.
    #[arg(long, value_name = "DB", allow_hyphen_values = true, conflicts_with = "offset")]
    pub confirm_offset: Option<f64>,
    /// Leave out an offset that was taken on another input; levels are then in dBFS.
    #[arg(long, conflicts_with_all = ["offset", "confirm_offset"])]
    pub forget_offset: bool,
    /// Keep volts and source impedance although card, output or volume changed: the volts at full scale, typed again.
    #[arg(long, value_name = "V")]
    pub confirm_volts: Option<f64>,
    /// Leave out volts and impedances that were taken on another output, headphone or input.
    #[arg(long, conflicts_with = "confirm_volts")]
    pub forget_volts: bool,
    /// Highest level the microphone takes, dB SPL peak.
    #[arg(long, value_name = "DB_SPL")]
    pub microphone_max: Option<f64>,
    /// Distortion of the capture card itself, dB re what it captures; figures it could explain are given as "below".
    #[arg(long, value_name = "DB", allow_hyphen_values = true)]
    pub card_distortion: Option<f64>,
}

/// What is asked of a session.
#[derive(Debug, Args)]
pub struct Ask {
    /// Only silence, probe, reference, one middle step and one at the wanted headroom.
    #[arg(long)]
    pub quick: bool,
    /// Who listens how loud and what headroom is called.
    #[command(flatten)]
    pub listener: Listener,
    /// Headroom wanted over the listening level, dB.
    #[arg(long, value_name = "DB", default_value_t = 20.0)]
    pub wanted: f64,
    /// Sines played beside the noise at every step, Hz.
    #[arg(long = "sine", value_name = "HZ,…", value_delimiter = ',')]
    pub sines: Vec<f64>,
    /// A series of sines instead of a list: from, to (Hz) and how many per octave.
    #[arg(long, value_name = "HZ,HZ,N", conflicts_with = "sines")]
    pub sine_series: Option<Numbers<3>>,
    /// Other sounds played beside the noise.
    #[arg(long, value_name = "SOUND,…", value_delimiter = ',')]
    pub beside: Vec<Sound>,
    /// Table of a spectrum: noise of this shape is played beside the noise too.
    #[command(flatten)]
    pub spectrum: Spectrum,
    /// Play sines and other sounds at these levels of pink noise only, dB SPL, before the climb; otherwise at every step.
    #[arg(long, value_name = "DB_SPL,…", value_delimiter = ',')]
    pub at: Vec<f64>,
    /// The same as RMS drives, dBFS.
    #[arg(long, value_name = "DBFS,…", value_delimiter = ',', allow_hyphen_values = true)]
    pub at_drive: Vec<f64>,
    /// Seats of the headphone: after the climb it is taken off and put on again so often less one (default: 3, and 1 for
    /// a quick look).
    #[arg(long, value_name = "N")]
    pub seats: Option<u32>,
    /// Distance between steps, dB.
    #[arg(long, value_name = "DB", default_value_t = 3.0)]
    pub step: f64,
    /// Ceiling at the calibrated point, dB SPL. Above 115 type it again with `--confirm-ceiling`.
    #[arg(long, value_name = "DB_SPL", default_value_t = 115.0)]
    pub ceiling: f64,
    /// Ceiling on the drive, dBFS RMS. Without calibration it is −20; higher: type it again with `--confirm-ceiling`.
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true)]
    pub ceiling_drive: Option<f64>,
    /// Ceiling at the load, volts RMS; acts once the output's volts are known.
    #[arg(long, value_name = "V")]
    pub ceiling_volts: Option<f64>,
    /// Ceiling in the load, milliwatts; acts once volts, source and load impedance are known.
    #[arg(long, value_name = "MW")]
    pub ceiling_milliwatts: Option<f64>,
    /// The raised ceiling, typed a second time.
    #[arg(long, value_name = "DB", allow_hyphen_values = true)]
    pub confirm_ceiling: Option<f64>,
    /// Distortion limit, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0)]
    pub distortion_limit: f64,
    /// Stop also where the distortion at the ear passes the limit, whoever makes it.
    #[arg(long)]
    pub stop_at_ear: bool,
}

/// A sound as typed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Sound {
    /// Periodic pink noise (the one that a session steps).
    Pink,
    /// Stationary pink noise that never repeats.
    Noise,
    /// Synchronised exponential sweep.
    Sweep,
    /// 60 Hz and 7 kHz, 4:1 (SMPTE RP 120).
    Modulation,
    /// 19 and 20 kHz, 1:1 (difference frequency, IEC 60268-3).
    Difference,
    /// 1 kHz bursts: 20 ms loud, the rest 20 dB lower.
    Burst,
}

/// A spectrum from a file.
#[derive(Debug, Args)]
pub struct Spectrum {
    /// Table of frequency (Hz) and level (dB), plain columns; noise of this spectrum.
    #[arg(long, value_name = "FILE")]
    pub spectrum: Option<PathBuf>,
    /// What the table's levels belong to.
    #[arg(long, value_enum, default_value_t = TypedPer::ThirdOctave)]
    pub per: TypedPer,
    /// How its numbers are written.
    #[command(flatten)]
    pub text: TextTable,
}

/// What cannot be told from a text table itself.
#[derive(Clone, Copy, Debug, Args)]
pub struct TextTable {
    /// Decimal mark, where the numbers can be read both ways.
    #[arg(long, value_enum)]
    pub decimal: Option<TypedDecimal>,
    /// What frequencies without a unit are counted in, where both are possible.
    #[arg(long, value_enum)]
    pub frequencies: Option<TypedFrequencies>,
}

/// A decimal mark as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedDecimal {
    /// 0.5
    Point,
    /// 0,5
    Comma,
}

/// A unit of frequency as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedFrequencies {
    /// Hz.
    Hz,
    /// kHz.
    Khz,
}

/// What a table's levels belong to, as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedPer {
    /// The one-third octave with that mid-band frequency.
    ThirdOctave,
    /// The density at that frequency.
    Line,
}

/// Options of `stimulus`.
#[derive(Debug, Args)]
pub struct StimulusFile {
    /// What to write.
    #[arg(value_enum, required_unless_present_any = ["sine", "spectrum"])]
    pub sound: Option<Sound>,
    /// A sine of this frequency instead, Hz.
    #[arg(long, value_name = "HZ", conflicts_with_all = ["sound", "spectrum"])]
    pub sine: Option<f64>,
    /// Noise of a spectrum instead.
    #[command(flatten)]
    pub spectrum: Spectrum,
    /// File to write; it must not exist yet.
    #[arg(long, short, value_name = "FILE")]
    pub out: PathBuf,
    /// Rate, Hz.
    #[arg(long, value_name = "HZ", default_value_t = 48_000)]
    pub rate: u32,
    /// RMS level, dBFS.
    #[arg(long, value_name = "DBFS", default_value_t = -20.0, allow_hyphen_values = true)]
    pub level: f64,
    /// Repetitions of its period, faded in and out.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub periods: usize,
    /// Whole periods without fades, to be played in a loop.
    #[arg(long)]
    pub no_fades: bool,
}

/// Who listens how loud and what headroom is called.
#[derive(Debug, Args)]
pub struct Listener {
    /// Listening level of pink noise at the calibrated point, dB SPL.
    #[arg(long, value_name = "DB_SPL")]
    pub listening: Option<f64>,
    /// Weighting of the listening level.
    #[arg(long, value_enum, default_value_t = TypedWeighting::Z)]
    pub weighting: TypedWeighting,
    /// The field that the listening level is related to; without it, it is that at the calibrated point.
    #[arg(long, value_enum, value_name = "FIELD")]
    pub field: Option<TypedField>,
    /// Headroom called ample from here on, dB (common practice, no source).
    #[arg(long, value_name = "DB")]
    pub ample: Option<f64>,
    /// Headroom called borderline from here on, dB (common practice, no source).
    #[arg(long, value_name = "DB")]
    pub borderline: Option<f64>,
}

/// Field as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedField {
    /// Sound from everywhere.
    Diffuse,
    /// Sound from the front.
    Free,
}

/// Weighting as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedWeighting {
    /// None.
    Z,
    /// A.
    A,
    /// C.
    C,
}

/// So many numbers with commas between them, as one word.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Numbers<const N: usize>(pub [f64; N]);

impl<const N: usize> std::str::FromStr for Numbers<N> {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let numbers: Result<Vec<f64>, _> = text.split(',').map(|number| number.trim().parse()).collect();
        let numbers = numbers.ok().and_then(|all: Vec<f64>| all.try_into().ok());
        numbers.map(Numbers).ok_or_else(|| format!("give {N} numbers with commas between them"))
    }
}

/// Where and how results go.
#[derive(Debug, Args)]
pub struct Keep {
    /// Folder that sessions are kept in.
    #[arg(long, value_name = "FOLDER")]
    pub sessions: Option<PathBuf>,
    /// Name of the session's folder.
    #[arg(long, value_name = "NAME")]
    pub id: Option<String>,
    /// How results go.
    #[command(flatten)]
    pub shown: Shown,
}

/// What to calibrate.
#[derive(Debug, Subcommand)]
pub enum Calibrate {
    /// Calibration offset, from a sound calibrator or typed; kept in the chain file.
    Level {
        /// The desk.
        #[command(flatten)]
        desk: Box<Desk>,
        /// The sound calibrator.
        #[command(flatten)]
        calibrator: StatedCalibrator,
        /// The calibrator was taken off and fitted again: the mean of all fits counts, and their spread.
        #[arg(long, requires = "calibrator")]
        another_fit: bool,
        /// Type the offset instead: dB SPL that 0 dBFS stands for.
        #[arg(long, value_name = "DB", conflicts_with_all = ["calibrator", "sensitivity"], allow_hyphen_values = true)]
        typed: Option<f64>,
        /// Where no calibrator fits the coupler: the microphone's sensitivity from its certificate, mV/Pa, …
        #[arg(long, value_name = "MV_PER_PA", conflicts_with = "calibrator", requires = "input_volts")]
        sensitivity: Option<f64>,
        /// … and the RMS volts of a full-scale sine at the input it is connected to.
        #[arg(long, value_name = "V")]
        input_volts: Option<f64>,
        /// Ear whose microphone the calibrator is fitted to.
        #[arg(long, value_enum, default_value_t = Ear::Left)]
        ear: Ear,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Volts at full scale of the output: a tone for a voltmeter, whose reading is typed.
    Volts(Box<CalibrateVolts>),
    /// Volts at full scale of an electrical input, from a voltage that a voltmeter reads at the same time.
    InputVolts(Box<CalibrateInputVolts>),
    /// Source impedance of the output, from its voltage open and on a known resistor, or on two of them.
    Source(Box<CalibrateSource>),
    /// Impedance of the headphone over frequency, through a known series resistor between two inputs.
    Load(Box<CalibrateLoad>),
    /// After a session: fit the calibrator again; what the offset has moved since goes into the session's intervals.
    Check {
        /// Session folder.
        session: PathBuf,
        /// The sound calibrator; that of the session where not stated.
        #[command(flatten)]
        calibrator: StatedCalibrator,
        /// Ear whose microphone the calibrator is fitted to.
        #[arg(long, value_enum, default_value_t = Ear::Left)]
        ear: Ear,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
}

/// What an electrical calibration plays, and how it tells.
#[derive(Debug, Args)]
pub struct Electrical {
    /// RMS drive, dBFS. Above −20 type it again with `--confirm-drive`.
    #[arg(long, value_name = "DBFS", default_value_t = -30.0, allow_hyphen_values = true)]
    pub drive: f64,
    /// The drive above −20 dBFS, typed a second time.
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true)]
    pub confirm_drive: Option<f64>,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

/// A voltmeter as stated.
#[derive(Debug, Args)]
#[command(next_help_heading = "Voltmeter")]
pub struct StatedMeter {
    /// Up to where it reads true: at 50 and 60 Hz only (most handheld ones), or at audio frequencies. Such a tone is played.
    #[arg(long, value_enum, default_value_t = TypedMeter::Mains)]
    pub meter: TypedMeter,
    /// Frequency of the tone, Hz (default: 50 for a mains meter, 1000 for one that reads audio frequencies).
    #[arg(long, value_name = "HZ")]
    pub frequency: Option<f64>,
    /// Its accuracy, percent of the reading, a limit.
    #[arg(long, value_name = "PERCENT", default_value_t = crate::calibration::electrical::METER_LIMIT_PERCENT)]
    pub accuracy: f64,
    /// Its reading, volts RMS, digits as shown; without it the tone is played and the reading asked for.
    #[arg(long, value_name = "V")]
    pub reading: Option<String>,
    /// How long the tone is played, seconds.
    #[arg(long, value_name = "S", default_value_t = 15.0)]
    pub seconds: f64,
}

/// Up to where a meter reads true, as typed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum TypedMeter {
    /// 50 and 60 Hz.
    Mains,
    /// 1 kHz and beyond.
    Audio,
}

/// Options of `calibrate volts`.
#[derive(Debug, Args)]
pub struct CalibrateVolts {
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// The voltmeter.
    #[command(flatten)]
    pub meter: StatedMeter,
    /// The headphone is connected while the meter reads: the volts are those at it.
    #[arg(long)]
    pub loaded: bool,
    /// What is played.
    #[command(flatten)]
    pub electrical: Electrical,
}

/// Options of `calibrate input-volts`.
#[derive(Debug, Args)]
pub struct CalibrateInputVolts {
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// Which input.
    #[arg(long, value_enum, default_value_t = TypedInput::Witness)]
    pub input: TypedInput,
    /// The voltmeter.
    #[command(flatten)]
    pub meter: StatedMeter,
    /// Factor of the divider or probe, where the meter reads behind it, at the input itself.
    #[arg(long, value_name = "FACTOR", conflicts_with = "divider_ohm")]
    pub divider: Option<f64>,
    /// Its tolerance, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0)]
    pub divider_tolerance: f64,
    /// The divider's resistors instead: in series and across the input, ohm.
    #[arg(long, value_name = "OHM,OHM")]
    pub divider_ohm: Option<Numbers<2>>,
    /// Resistance of the input, ohm.
    #[arg(long, value_name = "OHM")]
    pub input_ohm: Option<f64>,
    /// What is played.
    #[command(flatten)]
    pub electrical: Electrical,
}

/// An electrical input as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedInput {
    /// Across the headphone.
    Witness,
    /// Before the series resistor.
    SourceSide,
}

/// Options of `calibrate source`.
#[derive(Debug, Args)]
pub struct CalibrateSource {
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// The known resistor that loads the output, ohm.
    #[arg(long, value_name = "OHM")]
    pub resistor: f64,
    /// A second, lighter one instead of the open output, ohm.
    #[arg(long, value_name = "OHM")]
    pub lighter: Option<f64>,
    /// Tolerance of the resistors, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0)]
    pub tolerance: f64,
    /// Resistance of the witness' input (or of the voltmeter), ohm.
    #[arg(long, value_name = "OHM")]
    pub input_ohm: Option<f64>,
    /// Readings of a voltmeter instead of takes: open (or on the lighter resistor) and on the resistor, volts. Nothing is played.
    #[arg(long, value_name = "V,V")]
    pub readings: Option<Numbers<2>>,
    /// How far the voltmeter may be from straight between the two readings, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 0.1)]
    pub straight_within: f64,
    /// Worth of its last digit, volts.
    #[arg(long, value_name = "V", default_value_t = 0.001)]
    pub last_digit: f64,
    /// The plane that the impedance holds for, in words.
    #[arg(long, value_name = "WORDS", default_value = "plug of the output")]
    pub plane: String,
    /// What is played.
    #[command(flatten)]
    pub electrical: Electrical,
}

/// Options of `calibrate load`.
#[derive(Debug, Args)]
pub struct CalibrateLoad {
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// The known series resistor, ohm.
    #[arg(long, value_name = "OHM")]
    pub series: f64,
    /// Its tolerance, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0)]
    pub tolerance: f64,
    /// Resistance of the witness' input, ohm: it lies across the load.
    #[arg(long, value_name = "OHM")]
    pub input_ohm: Option<f64>,
    /// Tolerance of the input's resistance, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 5.0)]
    pub input_tolerance: f64,
    /// Cable and contacts from the witness to the plug of the headphone, and their limits, ohm.
    #[arg(long, value_name = "OHM,±OHM")]
    pub cable: Option<Numbers<2>>,
    /// Verify with a known resistor in the headphone's place first, and its tolerance in percent.
    #[arg(long, value_name = "OHM,PERCENT")]
    pub check: Option<Numbers<2>>,
    /// The plane that the impedance holds for, in words.
    #[arg(long, value_name = "WORDS", default_value = "plug of the headphone")]
    pub plane: String,
    /// What is played.
    #[command(flatten)]
    pub electrical: Electrical,
}

/// A sound calibrator as stated.
#[derive(Debug, Args)]
pub struct StatedCalibrator {
    /// Level of the sound calibrator, dB SPL (usual: 94 or 114 at 1 kHz, 124 at 250 Hz).
    #[arg(long, value_name = "DB_SPL")]
    pub calibrator: Option<f64>,
    /// Its frequency, Hz.
    #[arg(long, value_name = "HZ", default_value_t = 1000.0)]
    pub frequency: f64,
    /// Half width of the 95 % interval of what is stated, dB (default: 0.4 for a calibrator (class 1, IEC 60942:2003,
    /// from memory) and a typed offset, 1.5 for a sensitivity).
    #[arg(long, value_name = "DB")]
    pub half_width: Option<f64>,
    /// Added to its level, dB: static pressure (pistonphone), volume of an adapter.
    #[arg(long, value_name = "DB", default_value_t = 0.0, allow_hyphen_values = true)]
    pub level_correction: f64,
}

/// An ear as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum Ear {
    /// Left.
    Left,
    /// Right.
    Right,
}

/// Where a calibrator is fitted, as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedFitted {
    /// On the bare capsule.
    BareCapsule,
    /// On an adapter, whose volume corrects its level.
    Adapter,
    /// At the coupler's entrance.
    CouplerEntrance,
}

/// What to do with chains.
#[derive(Debug, Subcommand)]
pub enum ChainCommand {
    /// List the chains that are kept.
    List {
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Show a chain, how old its calibration is and what of it does not hold any more.
    Show {
        /// Name or file; without it the chain that the window keeps.
        chain: Option<PathBuf>,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Keep a chain under a name: the one that is kept or named, with what is typed here.
    New(Box<NewChain>),
    /// Path check, under 20 s of sound: is the way to the ear straight? No automatic gain, no noise suppression, no other
    /// rate, left on the left, polarity, crosstalk, delay, noise, hum.
    Check(Box<CheckChain>),
}

/// Options of `chain check`.
#[derive(Debug, Args)]
pub struct CheckChain {
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// Who listens how loud: the noise is held against the quietest step that a session for this listener plays.
    #[command(flatten)]
    pub listener: Listener,
    /// Where and how results go.
    #[command(flatten)]
    pub keep: Keep,
}

/// Options of `chain new`.
#[derive(Debug, Args)]
pub struct NewChain {
    /// Its name, plain letters and digits.
    pub name: String,
    /// What it is, for people.
    #[arg(long, value_name = "WORDS")]
    pub title: Option<String>,
    /// Replace the chain that is kept under this name.
    #[arg(long)]
    pub replace: bool,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// Point that levels stand for, where it is not the coupler's own.
    #[arg(long, value_enum, help_heading = "Ear")]
    pub point: Option<TypedPoint>,
    /// Ear that microphone and curves belong to.
    #[arg(long, value_enum, default_value_t = Ear::Left, help_heading = "Ear")]
    pub ear: Ear,
    /// Microphone, in words.
    #[arg(long, value_name = "WORDS", help_heading = "Ear")]
    pub microphone: Option<String>,
    /// Its serial number.
    #[arg(long, value_name = "SERIAL", help_heading = "Ear")]
    pub microphone_serial: Option<String>,
    /// Date of its certificate, 2025-06-30.
    #[arg(long, value_name = "DATE", help_heading = "Ear")]
    pub microphone_certificate: Option<String>,
    /// Correction curve, plain text columns; several are added up. Those of a chain started from are replaced.
    #[arg(long = "curve", value_name = "FILE", help_heading = "Ear")]
    pub curves: Vec<PathBuf>,
    /// What the dB of the curves are.
    #[arg(long, value_enum, help_heading = "Ear")]
    pub column: Option<TypedColumn>,
    /// Half width of the curves' 95 % interval, dB, as the certificate states it.
    #[arg(long, value_name = "DB", help_heading = "Ear", requires = "curves")]
    pub curve_half_width: Option<f64>,
    /// How their numbers are written.
    #[command(flatten)]
    pub text: TextTable,
    /// Where the calibrator is fitted.
    #[arg(long, value_enum, help_heading = "Calibrator")]
    pub fitted: Option<TypedFitted>,
    /// Sound calibrator, in words.
    #[arg(long, value_name = "WORDS", help_heading = "Calibrator")]
    pub calibrator: Option<String>,
    /// Its serial number.
    #[arg(long, value_name = "SERIAL", help_heading = "Calibrator")]
    pub calibrator_serial: Option<String>,
    /// Date of its certificate, 2025-06-30.
    #[arg(long, value_name = "DATE", help_heading = "Calibrator")]
    pub calibrator_certificate: Option<String>,
    /// Certificates older than this are doubted, months.
    #[arg(long, value_name = "MONTHS", help_heading = "Calibrator")]
    pub certificate_months: Option<u32>,
    /// Offsets older than this are doubted, hours.
    #[arg(long, value_name = "HOURS", help_heading = "Calibrator")]
    pub offset_hours: Option<f64>,
    /// The output side.
    #[command(flatten)]
    pub side: TypedOutputSide,
}

/// The output side as typed.
#[derive(Debug, Args)]
#[command(next_help_heading = "Output side")]
pub struct TypedOutputSide {
    /// Volume of the operating system, in words.
    #[arg(long, value_name = "WORDS")]
    pub system_volume: Option<String>,
    /// Volume of the card or device, in words.
    #[arg(long, value_name = "WORDS")]
    pub hardware_volume: Option<String>,
    /// Position of a knob, in words.
    #[arg(long, value_name = "WORDS")]
    pub knob: Option<String>,
    /// Position of a gain switch, in words.
    #[arg(long, value_name = "WORDS")]
    pub gain_switch: Option<String>,
    /// How the headphone is connected.
    #[arg(long, value_enum)]
    pub wiring: Option<TypedWiring>,
    /// Which channels drive a load.
    #[arg(long, value_enum)]
    pub driven: Option<TypedDriven>,
    /// What feeds the output.
    #[arg(long, value_enum)]
    pub supply: Option<TypedSupply>,
    /// Was it plugged in again with this load?
    #[arg(long, value_name = "true|false")]
    pub replugged: Option<bool>,
    /// Volts RMS, open, of a sine at 0 dBFS, and its half width.
    #[arg(long, value_name = "V,±V")]
    pub volts: Option<Numbers<2>>,
    /// Source impedance, ohm, and its half width.
    #[arg(long, value_name = "OHM,±OHM")]
    pub source_impedance: Option<Numbers<2>>,
    /// Impedance of the headphone, ohm, and its half width.
    #[arg(long, value_name = "OHM,±OHM")]
    pub load_impedance: Option<Numbers<2>>,
    /// Ceiling of this chain, dB SPL.
    #[arg(long, value_name = "DB_SPL")]
    pub ceiling: Option<f64>,
    /// Ceiling of this chain on the drive, dBFS RMS.
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true)]
    pub ceiling_drive: Option<f64>,
    /// Ceiling of this chain, volts RMS.
    #[arg(long, value_name = "V")]
    pub ceiling_volts: Option<f64>,
    /// Ceiling of this chain, milliwatts in the load.
    #[arg(long, value_name = "MW")]
    pub ceiling_milliwatts: Option<f64>,
}

/// A point as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedPoint {
    /// Eardrum reference point.
    Eardrum,
    /// Ear reference point.
    EarReferencePoint,
    /// The microphone's own place.
    Microphone,
}

/// What a curve's dB are, as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedColumn {
    /// The microphone's own response: it is taken off.
    Gain,
    /// What must be added.
    Correction,
}

/// How a headphone is connected, as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedWiring {
    /// Two driven wires per ear.
    Balanced,
    /// One driven wire and a common return.
    SingleEnded,
}

/// Which channels drive a load, as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedDriven {
    /// Both, each with its load.
    Both,
    /// One.
    One,
}

/// What feeds the output, as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedSupply {
    /// A mains supply.
    Mains,
    /// Its battery.
    Battery,
    /// The bus it is plugged into.
    Bus,
}
