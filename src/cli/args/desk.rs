//! The desk as typed: a chain file, and what differs from it.

use super::typed::{Channels, channel, channels, name, number, whole};
use crate::asked::Field;
use crate::calibration::CLASS_1_HALF_WIDTH_DB;
use clap::Args;
use std::path::PathBuf;

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
    #[arg(long, value_name = "N,…", value_parser = channels)]
    pub playback_channels: Option<Channels>,
    /// Capture channel of the left ear, from 1.
    #[arg(long, value_name = "N", value_parser = channel)]
    pub left_ear: Option<u16>,
    /// Capture channel of the right ear, from 1.
    #[arg(long, value_name = "N", value_parser = channel)]
    pub right_ear: Option<u16>,
    /// Capture channel of the electrical witness (across the headphone, through a divider), from 1.
    #[arg(long, value_name = "N", value_parser = channel)]
    pub witness: Option<u16>,
    /// Capture channel before the series resistor of a load measurement, from 1.
    #[arg(long, value_name = "N", value_parser = channel)]
    pub source_side: Option<u16>,
    /// Capture channel of the loopback: an output channel that is not loaded, straight back, from 1.
    #[arg(long, value_name = "N", value_parser = channel)]
    pub loopback: Option<u16>,
    /// Rate of both cards, Hz.
    #[arg(long, value_name = "HZ", value_parser = whole(Field::Rate))]
    pub rate: Option<u32>,
    /// Rate of the capture card where it differs, Hz.
    #[arg(long, value_name = "HZ", value_parser = whole(Field::Rate))]
    pub capture_rate: Option<u32>,
    /// Frames asked for per callback.
    #[arg(long, value_name = "FRAMES", value_parser = whole(Field::Block))]
    pub block: Option<u32>,
    /// Name of the output under test.
    #[arg(long = "output", value_name = "NAME", value_parser = name(Field::Output))]
    pub output_name: Option<String>,
    /// Volume positions and gain switches of the output, in words.
    #[arg(long, value_name = "WORDS")]
    pub volume: Option<String>,
    /// Name of the headphone on the coupler.
    #[arg(long = "headphone", value_name = "NAME", value_parser = name(Field::Headphone))]
    pub headphone_name: Option<String>,
    /// Gain setting of the input, in words; an offset that was taken with a different one is not used.
    #[arg(long, value_name = "WORDS")]
    pub gain: Option<String>,
    /// What the headphone sits on: iec60318-1, -3, -4 or -5, manikin, flat-plate or other.
    #[arg(long, value_name = "KIND")]
    pub coupler: Option<String>,
    /// Calibration offset: dB SPL that 0 dBFS stands for.
    #[arg(long, value_name = "DB", allow_hyphen_values = true, value_parser = number(Field::Offset))]
    pub offset: Option<f64>,
    /// Half width of the offset's 95 % interval, dB.
    #[arg(long, value_name = "DB", default_value_t = CLASS_1_HALF_WIDTH_DB, value_parser = number(Field::OffsetHalfWidth))]
    pub offset_half_width: f64,
    /// Keep an offset although card, channel, rate, gain or curve changed: the offset, typed again.
    #[arg(long, value_name = "DB", allow_hyphen_values = true, conflicts_with = "offset", value_parser = number(Field::Offset))]
    pub confirm_offset: Option<f64>,
    /// Leave out an offset that was taken on another input; levels are then in dBFS.
    #[arg(long, conflicts_with_all = ["offset", "confirm_offset"])]
    pub forget_offset: bool,
    /// Keep volts and source impedance although card, output or volume changed: the volts at full scale, typed again.
    #[arg(long, value_name = "V", value_parser = number(Field::SheetVolts))]
    pub confirm_volts: Option<f64>,
    /// Leave out volts and impedances that were taken on another output, headphone or input.
    #[arg(long, conflicts_with = "confirm_volts")]
    pub forget_volts: bool,
    /// Highest level that the microphone withstands undistorted, dB SPL peak.
    #[arg(long, value_name = "DB_SPL", value_parser = number(Field::MicrophoneMax))]
    pub microphone_max: Option<f64>,
    /// Distortion of the capture card itself, dB re what it captures; figures it could explain are given as "below".
    #[arg(long, value_name = "DB", allow_hyphen_values = true, value_parser = number(Field::CardDistortion))]
    pub card_distortion: Option<f64>,
}
