//! `loudenough`: a live measurement bench that answers whether an output drives headphones loud enough, with headroom
//! for peaks and without audible distortion.
//!
//! ```text
//!   asked: typed text → Plan, Chain
//!   Plan → Step → Stimulus → generator → card → capture        (clocks, threads, hardware)
//!                                 │
//!                    ═══════════ Take ═══════════               (the narrow waist)
//!                                 │
//!   analysis: Finding → session::evaluate: StepResult → session::record: Record → judgement: Verdict → account → cli, gui
//! ```
//!
//! Start reading at [`take`], then [`units`], [`analysis`], [`session`].
//!
//! # A session on the simulated bench
//!
//! The bench thread owns the cards; whoever asks it sends commands and reads events. Real cards are another back end in the
//! list (feature `sound-card`), and nothing else changes.
//!
//! ```
//! use loudenough::audio::simulated::{BenchSpec, Pace, SimulatedBackend, SimulatedCardSpec};
//! use loudenough::calibration::Acoustic;
//! use loudenough::card::InputRole;
//! use loudenough::session::chain::Chain;
//! use loudenough::session::plan::{ListeningLevel, Plan, Weighting};
//! use loudenough::session::protocol::{Command, Event, SessionRequest};
//! use loudenough::session::runner::Bench;
//! use loudenough::units::{DbSpl, SampleRate};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let time_of_day = || "2026-03-01T09:12:00+00:00".to_string();
//! let desk = BenchSpec::default();
//! let microphone_db_spl = desk.microphone.full_scale_db_spl;
//! let backend = SimulatedBackend::new(desk, SimulatedCardSpec::default(), Pace::AsFastAsPossible);
//! let bench = Bench::spawn(vec![Box::new(backend)], time_of_day);
//!
//! let mut chain = Chain::fresh("simulated:bench", "simulated:bench");
//! chain.take_offset(InputRole::LeftEar, Acoustic::typed(microphone_db_spl, 0.5, &time_of_day())?);
//! let listening = ListeningLevel { level: DbSpl(75.0), weighting: Weighting::Z, field: None };
//! let plan = Plan { listening: Some(listening), ..Plan::quick_look(SampleRate::DEFAULT) };
//! let home = tempfile::tempdir()?;
//! let request = SessionRequest { plan, chain, sessions: home.path().into(), id: Some("first".into()) };
//! bench.commands.send(Command::Run(Box::new(request)))?;
//!
//! let record = loop {
//!     match bench.events.recv()? {
//!         Event::StepDone(record) => println!("{} steps done", record.steps.len()),
//!         Event::Ended { record, .. } => break record,
//!         Event::Failed(failure) => return Err(failure.message.into()),
//!         _ => {}
//!     }
//! };
//! assert!(home.path().join("first/session.json").is_file());
//! println!("{}", loudenough::judgement::judge(&record).sentence);
//! # assert!(loudenough::judgement::judge(&record).headroom.listening_z.is_some());
//! # Ok(())
//! # }
//! ```
//!
//! # Judging a stored session
//!
//! ```
//! use loudenough::judgement::judge;
//! use loudenough::session::storage::Storage;
//! use std::path::Path;
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let (_, record) = Storage::open(Path::new("tests/data/session-v1"))?;
//! let judgement = judge(&record);
//! println!("{}", judgement.sentence);
//! for flaw in &judgement.flaws {
//!     println!("{}", flaw.text);
//! }
//! let clean = judgement.highest_clean.level_spl.determined().ok_or("not determined")?;
//! let headroom = judgement.headroom.headroom_db.determined().ok_or("not determined")?;
//! // The listener of that session listens at 80 dB SPL.
//! assert!((clean.value - 80.0 - headroom.value).abs() < 1e-9);
//! # Ok(())
//! # }
//! ```
//!
//! # Analysing samples of one's own
//!
//! Whatever was played and recorded becomes a take: the stimulus, when it sounded, and the samples. Here a device without memory
//! adds `0.02 x²` to a sine at full scale, which is a second harmonic of 1 %: −40 dB.
//!
//! ```
//! use loudenough::analysis::{Context, Correction, Finding, measure};
//! use loudenough::card::InputRole;
//! use loudenough::signal::{Drive, DriveCeiling, Stimulus};
//! use loudenough::take::{Input, Take, TakeHead};
//! use loudenough::units::{Dbfs, SampleRate};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let rate = SampleRate::DEFAULT;
//! let stimulus = Stimulus::sine(1_000.0);
//! let period = stimulus.period(rate);
//! let ceiling = DriveCeiling { rms: Dbfs(0.0), because: "an example".into() };
//! let drive = Drive::grant(Dbfs(0.0), &period, &ceiling)?;
//!
//! // Half a second of silence, the sound, and silence again.
//! let (silence, settle, periods) = (24_000, 12_000, 3);
//! let sounding = settle + (periods + 1) * period.samples.len();
//! let sound = (0..sounding).map(|n| period.samples[n % period.samples.len()]).map(|x| (x + 0.02 * x * x) as f32);
//! let quiet = || std::iter::repeat_n(0.0f32, silence);
//! let samples: Vec<f32> = quiet().chain(sound).chain(quiet()).collect();
//!
//! let head = TakeHead {
//!     stimulus,
//!     drive,
//!     played_rate: rate,
//!     captured_rate: rate,
//!     driven: vec![0],
//!     pre_roll: silence,
//!     settle,
//!     periods,
//!     played_frames: sounding,
//!     gaps: Vec::new(),
//!     void: None,
//! };
//! let take = Take { head, inputs: vec![Input { role: InputRole::LeftEar, samples }] };
//! let no_curve = Correction::none();
//! let Finding::Sine(sine) = measure(&take, 0, &Context::alone(&no_curve))?.finding else { unreachable!() };
//! let second = sine.harmonics[0].level.determined().ok_or("not determined")?;
//! assert!((second.value + 40.0).abs() < 0.01, "{second:?}");
//! # Ok(())
//! # }
//! ```

pub mod account;
pub mod analysis;
pub mod asked;
pub mod audio;
pub mod calibration;
pub mod card;
#[cfg(feature = "command-line")]
pub mod cli;
pub mod figure;
pub mod fingerprint;
#[cfg(feature = "gui")]
pub mod gui;
pub mod judgement;
pub mod palette;
pub mod session;
pub mod signal;
pub mod stats;
pub mod stock;
pub mod take;
pub mod units;
pub mod words;
