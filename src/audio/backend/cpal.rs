//! Real sound cards through cpal. The only file that names its types.
//!
//! What cpal's hosts say is believed only as far as it is measured: block sizes are wishes, an ALSA route may resample
//! without a word, and a server that dies may report a million errors a second. So routes that can resample are named,
//! frame counters are held against the clock, and error callbacks only count.

use super::{Backend, Callbacks, OpenCards};
use crate::audio::callback::{CaptureCallback, CardSample, DITHERED_UP_TO_BITS, PlaybackCallback, code_of, unit_of};
use crate::audio::{AudioError, FaultKind, Faults};
use crate::card::{CardDescription, CardId, Direction, Granted, Routing};
use crate::units::SampleRate;
use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    BufferSize, Data, Device, ErrorKind, Host, HostId, I24, Sample, SampleFormat, Stream, StreamConfig,
    SupportedBufferSize, SupportedStreamConfigRange, U24,
};
use std::sync::Arc;
use std::time::Duration;

/// Rates listed where a card offers them, Hz.
const USUAL_RATES: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
/// Longest wait for a host to open a stream.
const OPEN_WAIT: Duration = Duration::from_secs(5);
/// Names of hosts that cpal has on any system, so that a card of a host that is not built in is named as such.
const HOSTS: [&str; 8] = ["alsa", "jack", "pulseaudio", "pipewire", "wasapi", "asio", "coreaudio", "oss"];

/// All cards of all hosts built in.
#[derive(Clone, Copy, Debug, Default)]
pub struct CpalBackend;

impl Backend for CpalBackend {
    fn name(&self) -> &str {
        "sound-card"
    }

    fn owns(&self, id: &CardId) -> bool {
        id.0.split_once(':').is_some_and(|(host, _)| HOSTS.contains(&host))
    }

    fn list(&self) -> Result<Vec<CardDescription>, AudioError> {
        let mut cards = Vec::new();
        let mut failed = None;
        let mut reached = false;
        for id in cpal::available_hosts() {
            match open_host(id) {
                Ok(host) => {
                    reached = true;
                    cards.extend(cards_of(&host));
                }
                // A server that does not run is no failure as long as another host answers.
                Err(error) => failed = Some(error),
            }
        }
        match failed {
            Some(error) if !reached => Err(error),
            _ => Ok(cards),
        }
    }

    fn open(&self, routing: &Routing, callbacks: Callbacks) -> Result<Box<dyn OpenCards>, AudioError> {
        let Callbacks { mut playback, mut capture, faults, around } = callbacks;
        let needed = |channels: &mut dyn Iterator<Item = u16>| channels.max().map_or(1, |highest| highest + 1);
        let out = Side {
            id: &routing.playback,
            direction: Direction::Playback,
            rate: routing.playback_rate,
            channels: needed(&mut routing.playback_channels.iter().copied()),
            block_frames: routing.block_frames,
        };
        let back = Side {
            id: &routing.capture,
            direction: Direction::Capture,
            rate: routing.capture_rate,
            channels: needed(&mut routing.capture_channels.iter().map(|c| c.channel)),
            block_frames: routing.block_frames,
        };
        let (out_device, back_device) = (out.find()?, back.find()?);
        let (out_choice, back_choice) = (out.choose(&out_device)?, back.choose(&back_device)?);

        let channels = usize::from(back_choice.config.channels);
        let heard = move |data: &Data, _: &_| around(&mut || accept(&mut capture, data, channels));
        let counted = Arc::clone(&faults);
        let failed = move |error| report(&counted, Direction::Capture, &error);
        let back_stream = back_device
            .build_input_stream_raw(back_choice.config, back_choice.format, heard, failed, Some(OPEN_WAIT))
            .map_err(|error| back.refused(&error))?;

        let channels = usize::from(out_choice.config.channels);
        let wanted = move |data: &mut Data, _: &_| around(&mut || render(&mut playback, data, channels));
        let failed = move |error| report(&faults, Direction::Playback, &error);
        let out_stream = out_device
            .build_output_stream_raw(out_choice.config, out_choice.format, wanted, failed, Some(OPEN_WAIT))
            .map_err(|error| out.refused(&error))?;

        back_stream.play().map_err(|error| back.refused(&error))?;
        out_stream.play().map_err(|error| out.refused(&error))?;
        let playback = out.granted(&out_choice, &out_stream);
        let capture = back.granted(&back_choice, &back_stream);
        Ok(Box::new(CpalCards { playback, capture, _streams: [out_stream, back_stream] }))
    }
}

/// Two open streams; dropping them closes them.
struct CpalCards {
    playback: Granted,
    capture: Granted,
    _streams: [Stream; 2],
}

impl OpenCards for CpalCards {
    fn playback(&self) -> &Granted {
        &self.playback
    }

    fn capture(&self) -> &Granted {
        &self.capture
    }
}

fn open_host(id: HostId) -> Result<Host, AudioError> {
    complaints();
    cpal::host_from_id(id).map_err(|error| {
        let mut what = error.to_string();
        // What PipeWire's PulseAudio side answers to a program that brings no cookie.
        if id.to_string() == "pulseaudio" && what.contains("Invalid") {
            what += "; if ~/.config/pulse/cookie is missing, run `pactl info` once, which makes it";
        }
        AudioError::Host { host: id.to_string(), what }
    })
}

/// The last that ALSA's library complained of in this thread since it was asked before; from now on it is kept, not printed.
#[cfg(target_os = "linux")]
fn complaints() -> Option<String> {
    thread_local! {
        static KEPT: std::cell::RefCell<Option<std::rc::Rc<std::cell::RefCell<alsa::Output>>>> = const { std::cell::RefCell::new(None) };
    }
    let before = KEPT.replace(alsa::Output::local_error_handler().ok())?;
    let said = before.borrow().to_string();
    said.lines().map(str::trim).rfind(|line| !line.is_empty()).map(String::from)
}

/// Only Linux has ALSA.
#[cfg(not(target_os = "linux"))]
fn complaints() -> Option<String> {
    None
}

/// Everything a host lists, in both directions, without cards that cannot be opened now.
fn cards_of(host: &Host) -> Vec<CardDescription> {
    let mut cards = Vec::new();
    for device in host.devices().into_iter().flatten() {
        let Some(id) = id_of(&device) else { continue };
        for direction in [Direction::Playback, Direction::Capture] {
            if !moves(&device, direction) {
                continue;
            }
            let configs = configs_of(&device, direction);
            if configs.is_empty() {
                continue;
            }
            let resamples = may_resample(&id);
            cards.push(CardDescription {
                host: host.id().to_string(),
                name: device.description().map_or_else(|_| id.0.clone(), |d| d.name().to_string()),
                direction,
                channels: channels_of(&device, direction, &configs, resamples.is_some()),
                rates: rates_of(&configs),
                may_resample: resamples,
                simulates: None,
                id: id.clone(),
            });
        }
    }
    cards
}

fn id_of(device: &Device) -> Option<CardId> {
    let id = device.id().ok()?.to_string();
    // ALSA's null device has no clock: its callbacks spin.
    (id != "alsa:null").then_some(CardId(id))
}

fn moves(device: &Device, direction: Direction) -> bool {
    device.description().is_ok_and(|description| match direction {
        Direction::Playback => description.supports_output(),
        Direction::Capture => description.supports_input(),
    })
}

fn configs_of(device: &Device, direction: Direction) -> Vec<SupportedStreamConfigRange> {
    let usable = |config: &SupportedStreamConfigRange| rank(config.sample_format()).is_some();
    match direction {
        Direction::Playback => device.supported_output_configs().into_iter().flatten().filter(usable).collect(),
        Direction::Capture => device.supported_input_configs().into_iter().flatten().filter(usable).collect(),
    }
}

fn default_channels(device: &Device, direction: Direction) -> Option<u16> {
    let config = match direction {
        Direction::Playback => device.default_output_config(),
        Direction::Capture => device.default_input_config(),
    };
    config.ok().map(|config| config.channels())
}

/// A route that converts offers any number of channels; what it has is what it prefers.
fn channels_of(device: &Device, direction: Direction, configs: &[SupportedStreamConfigRange], converts: bool) -> u16 {
    let most = configs.iter().map(SupportedStreamConfigRange::channels).max().unwrap_or(0);
    if converts { default_channels(device, direction).unwrap_or(most) } else { most }
}

fn rates_of(configs: &[SupportedStreamConfigRange]) -> Vec<SampleRate> {
    let offered = |hz: &&u32| configs.iter().any(|config| config.contains_rate(**hz));
    USUAL_RATES.iter().filter(offered).filter_map(|hz| SampleRate::new(*hz).ok()).collect()
}

/// Why a route may resample, judged by its name: only routes known to be direct are trusted.
fn may_resample(id: &CardId) -> Option<String> {
    const DIRECT: [&str; 6] = ["hw:", "front:", "surround", "iec958:", "hdmi:", "usbstream:"];
    let (host, device) = id.0.split_once(':').unwrap_or((&id.0, ""));
    match host {
        "alsa" if DIRECT.iter().any(|direct| device.starts_with(direct)) => None,
        "alsa" => Some("this ALSA route may convert sample rates; a name that starts with hw: does not".into()),
        "pulseaudio" | "pipewire" => Some("the sound server converts where its rate differs".into()),
        "wasapi" => Some("shared mode converts where the system's rate differs".into()),
        _ => None,
    }
}

/// Preference among formats: float as it is, then the widest integers; `None` for what we cannot speak.
fn rank(format: SampleFormat) -> Option<u8> {
    Some(match format {
        SampleFormat::F32 => 0,
        SampleFormat::F64 => 1,
        SampleFormat::I32 => 2,
        SampleFormat::U32 => 3,
        SampleFormat::I24 => 4,
        SampleFormat::U24 => 5,
        SampleFormat::I64 => 6,
        SampleFormat::U64 => 7,
        SampleFormat::I16 => 8,
        SampleFormat::U16 => 9,
        SampleFormat::I8 => 10,
        SampleFormat::U8 => 11,
        _ => return None,
    })
}

/// One direction as asked for.
struct Side<'a> {
    id: &'a CardId,
    direction: Direction,
    rate: SampleRate,
    channels: u16,
    block_frames: u32,
}

/// What will be asked of the host.
struct Choice {
    config: StreamConfig,
    format: SampleFormat,
}

impl Side<'_> {
    /// The device of exactly this name.
    fn find(&self) -> Result<Device, AudioError> {
        let name = self.id.0.split_once(':').map_or("", |(host, _)| host);
        let Some(host) = cpal::available_hosts().into_iter().find(|host| host.to_string() == name) else {
            let built_in: Vec<String> = cpal::available_hosts().iter().map(HostId::to_string).collect();
            let what = format!("it is not built into this program or not installed; there is {}", built_in.join(", "));
            return Err(AudioError::Host { host: name.into(), what });
        };
        let host = open_host(host)?;
        let mut known = Vec::new();
        for device in host.devices().into_iter().flatten().filter(|device| moves(device, self.direction)) {
            match id_of(&device) {
                Some(id) if id == *self.id => return Ok(device),
                Some(id) => known.push(id.0),
                None => {}
            }
        }
        Err(AudioError::UnknownCard { asked: self.id.clone(), direction: self.direction.into(), known })
    }

    /// Format, channels and block to ask for.
    fn choose(&self, device: &Device) -> Result<Choice, AudioError> {
        let configs = configs_of(device, self.direction);
        if configs.is_empty() {
            let alsa = complaints().map_or(String::new(), |said| format!("; ALSA says: {said}"));
            return Err(self.refused_because(&format!(
                "it offers no format this program can use; it may be in use by another program, or speak packed \
                 24-bit samples only: try its plughw: name{alsa}",
            )));
        }
        if !configs.iter().any(|config| config.contains_rate(self.rate.get())) {
            return Err(AudioError::RateNotOffered {
                card: self.id.clone(),
                direction: self.direction.into(),
                asked: self.rate,
                offers: rates_of(&configs).iter().map(SampleRate::to_string).collect(),
            });
        }
        let fits = |config: &&SupportedStreamConfigRange| {
            config.channels() >= self.channels && config.contains_rate(self.rate.get())
        };
        let fitting: Vec<_> = configs.iter().filter(fits).collect();
        // The preferred number of channels, if it is enough: fewer would be mixed, more would be invented.
        let preferred = default_channels(device, self.direction).unwrap_or(0);
        let choice = fitting.iter().min_by_key(|c| (c.channels() != preferred, c.channels(), rank(c.sample_format())));
        let Some(choice) = choice else {
            return Err(AudioError::NoSuchChannel {
                card: self.id.clone(),
                direction: self.direction.into(),
                channel: self.channels - 1,
                has: configs.iter().map(SupportedStreamConfigRange::channels).max().unwrap_or(0),
            });
        };
        let config = StreamConfig {
            channels: choice.channels(),
            sample_rate: self.rate.get(),
            buffer_size: self.buffer_size(choice.buffer_size()),
        };
        Ok(Choice { config, format: choice.sample_format() })
    }

    fn buffer_size(&self, offered: &SupportedBufferSize) -> BufferSize {
        match offered {
            // JACK's block is the server's and nobody else's.
            _ if self.id.0.starts_with("jack:") => BufferSize::Default,
            SupportedBufferSize::Range { min, max } if min <= max => {
                BufferSize::Fixed(self.block_frames.clamp(*min, *max))
            }
            _ => BufferSize::Fixed(self.block_frames),
        }
    }

    fn granted(&self, choice: &Choice, stream: &Stream) -> Granted {
        let bits = choice.format.bits_per_sample();
        let plays = self.direction == Direction::Playback;
        let dithered = plays && !choice.format.is_float() && bits <= DITHERED_UP_TO_BITS;
        Granted {
            id: self.id.clone(),
            rate: self.rate,
            channels: choice.config.channels,
            block_frames: stream.buffer_size().ok(),
            format: format!("{}{}", choice.format, if dithered { " dithered" } else { "" }),
            may_resample: may_resample(self.id),
            simulates: None,
        }
    }

    fn refused(&self, error: &cpal::Error) -> AudioError {
        match error.kind() {
            ErrorKind::DeviceBusy => self.refused_because("another program is using it; close that one"),
            ErrorKind::PermissionDenied => self.refused_because("the system does not permit it; allow this program"),
            _ => self.refused_because(&error.to_string()),
        }
    }

    fn refused_because(&self, what: &str) -> AudioError {
        AudioError::Refused { card: self.id.clone(), direction: self.direction.into(), what: what.into() }
    }
}

/// The error callback: counts.
fn report(faults: &Faults, direction: Direction, error: &cpal::Error) {
    let kind = match error.kind() {
        ErrorKind::Xrun => FaultKind::Xrun,
        ErrorKind::RealtimeDenied => FaultKind::Harmless,
        // Rerouted means: no longer the card that was chosen.
        ErrorKind::DeviceNotAvailable
        | ErrorKind::HostUnavailable
        | ErrorKind::StreamInvalidated
        | ErrorKind::DeviceChanged
        | ErrorKind::PermissionDenied => FaultKind::Fatal,
        _ => FaultKind::Other,
    };
    faults.report(kind, || format!("{}: {error}", crate::audio::Side::from(direction)));
}

macro_rules! by_format {
    ($data:expr, $slice:ident, $call:expr, [$($format:ident => $type:ty),*]) => {
        match $data.sample_format() {
            $(SampleFormat::$format => {
                if let Some(samples) = $data.$slice::<$type>() {
                    $call(samples);
                }
            })*
            // Never chosen.
            _ => {}
        }
    };
}

fn render(playback: &mut PlaybackCallback, data: &mut Data, channels: usize) {
    by_format!(data, as_slice_mut, |out| playback.render(out, channels), [
        F32 => f32, F64 => f64, I8 => i8, I16 => i16, I24 => I24, I32 => i32, I64 => i64,
        U8 => u8, U16 => u16, U24 => U24, U32 => u32, U64 => u64
    ]);
}

fn accept(capture: &mut CaptureCallback, data: &Data, channels: usize) {
    by_format!(data, as_slice, |heard| capture.accept(heard, channels), [
        F32 => f32, F64 => f64, I8 => i8, I16 => i16, I24 => I24, I32 => i32, I64 => i64,
        U8 => u8, U16 => u16, U24 => U24, U32 => u32, U64 => u64
    ]);
}

/// 24 bits in the low three bytes of four; the highest byte may hold anything when captured.
impl CardSample for I24 {
    const DITHERED: bool = false;
    const SILENCE: Self = <I24 as Sample>::EQUILIBRIUM;
    fn from_unit(value: f64, _dither: f64) -> Self {
        I24::new_unchecked(code_of(value, 24, 0.0) as i32)
    }
    fn to_unit(self) -> f64 {
        unit_of(i64::from((self.inner() << 8) >> 8), 24)
    }
}

/// The same with the origin in the middle.
impl CardSample for U24 {
    const DITHERED: bool = false;
    const SILENCE: Self = <U24 as Sample>::EQUILIBRIUM;
    fn from_unit(value: f64, _dither: f64) -> Self {
        U24::new_unchecked(code_of(value, 24, 0.0) as i32 + (1 << 23))
    }
    fn to_unit(self) -> f64 {
        unit_of(i64::from(self.inner() & 0x00ff_ffff) - (1 << 23), 24)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twenty_four_bits_come_back_as_they_went_whatever_the_fourth_byte_holds() {
        for x in [-1.0, -0.3, 0.0, 1e-6, 0.7, 1.0] {
            let tolerance = 0.5 / 8_388_607.0;
            assert!((I24::from_unit(x, 0.0).to_unit() - x).abs() <= tolerance);
            assert!((U24::from_unit(x, 0.0).to_unit() - x).abs() <= tolerance);
            let dirty = I24::new_unchecked(I24::from_unit(x, 0.0).inner() ^ 0x5500_0000);
            assert!((dirty.to_unit() - x).abs() <= tolerance);
        }
    }

    #[test]
    fn only_direct_routes_are_trusted_not_to_resample() {
        let named = |id: &str| may_resample(&CardId(id.into())).is_some();
        for id in ["alsa:default", "alsa:pulse", "alsa:pipewire", "alsa:plughw:CARD=0,DEV=0", "alsa:dmix:CARD=0"] {
            assert!(named(id), "{id}");
        }
        assert!(named("pulseaudio:bench") && named("alsa:bench_out"));
        assert!(!named("alsa:hw:CARD=PCH,DEV=0") && !named("jack:output"));
    }

    #[test]
    fn a_card_of_a_host_that_is_not_built_in_is_stated_as_such() {
        let backend = CpalBackend;
        assert!(backend.owns(&CardId("asio:any".into())) && !backend.owns(&CardId::simulated()));
        let side = Side {
            id: &CardId("coreaudio:any".into()),
            direction: Direction::Playback,
            rate: SampleRate::DEFAULT,
            channels: 1,
            block_frames: 2048,
        };
        let stated = side.find().map(|_| ()).unwrap_err().to_string();
        assert!(cfg!(target_os = "macos") || stated.contains("not built into"), "{stated}");
    }
}
