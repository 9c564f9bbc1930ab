//! The simulated bench: a desk with an output, a headphone, a coupler and microphones, on two clocks.
//!
//! Start reading at [`BenchSpec`]; [`Device`] is the desk at work.

mod backend;
mod bench;
mod card;
mod circuit;
mod clock;
mod demo;
mod device;
mod filters;
mod headphone;
mod microphone;
mod noise;
mod output;
mod route;
mod seeded;

pub use backend::SimulatedBackend;
pub use bench::{
    ActsOn, BenchSpec, Bend, CouplerSpec, Disturbance, DriverDistortion, HeadphoneSpec, HookupSpec, Hum, Knee,
    LinesInSpec, MicrophoneSpec, NoiseSpectrum, OutputSpec, PluggedIn, Resonance, SeatSpec, SoundSource, Turn,
};
pub use card::{Blocks, Fault, FaultAction, Format, Pace, SimulatedCardSpec};
pub use demo::{HEADPHONES, OUTPUTS};
pub use device::{CAPTURE_CHANNELS, Device, INPUTS};
pub use filters::Shape;
pub use route::{GainControl, LookAhead, Processing, RouteSpec, Suppression};
