//! The window by role and label, without a display: what a key sends, what a wrong number says, and that every figure
//! shown is the stored one.

// Tests may fail loudly and print their figures.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

#[path = "window/after.rs"]
mod after;
#[path = "window/answer.rs"]
mod answer;
#[path = "window/asked.rs"]
mod asked;
#[path = "window/calibrator.rs"]
mod calibrator;
#[path = "window/chain.rs"]
mod chain;
#[path = "window/closing.rs"]
mod closing;
#[path = "window/copy.rs"]
mod copy;
#[path = "window/electrical.rs"]
mod electrical;
#[path = "window/elsewhere.rs"]
mod elsewhere;
#[path = "window/first_run.rs"]
mod first_run;
#[path = "window/frame.rs"]
mod frame;
#[path = "window/keys.rs"]
mod keys;
#[path = "window/notebook.rs"]
mod notebook;
#[path = "window/one_account.rs"]
mod one_account;
#[path = "window/own_level.rs"]
mod own_level;
#[path = "window/painted.rs"]
mod painted;
#[path = "window/pictures.rs"]
mod pictures;
#[path = "window/question.rs"]
mod question;
#[path = "window/real.rs"]
mod real;
#[path = "window/records.rs"]
mod records;
#[path = "window/remembered.rs"]
mod remembered;
#[path = "window/series.rs"]
mod series;
#[path = "window/settings.rs"]
mod settings;
#[path = "window/side_by_side.rs"]
mod side_by_side;
#[path = "window/sounds.rs"]
mod sounds;
#[path = "window/stillness.rs"]
mod stillness;
#[path = "window/stock.rs"]
mod stock;
#[path = "window/trouble.rs"]
mod trouble;

use crossbeam_channel::{Receiver, Sender, bounded, unbounded};
use eframe::egui::{Key, Modifiers, Role, Theme, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use loudenough::calibration::Curve;
use loudenough::calibration::curve::{Column, Stated};
use loudenough::card::InputRole;
use loudenough::gui::desk::Evidence;
use loudenough::gui::keys::Action;
use loudenough::gui::view::Phase;
use loudenough::gui::{App, BenchLink, Live, LiveInput, Page, StartState, theme};
use loudenough::judgement::{Threshold, judge};
use loudenough::session::chain::{Chain, Curves};
use loudenough::session::plan::{AskedLevel, Extent, Plan};
use loudenough::session::protocol::{Command, Event, Failure};
use loudenough::session::record::{Happening, Record, SCHEMA, SessionEvent, SessionHead};
use loudenough::session::seats::{Fit, Seats};
use loudenough::session::step::StopReason;
use loudenough::session::storage::Storage;
use loudenough::signal::{Noise, Stimulus, Sweep, TwoTones};
use loudenough::take::VoidReason;
use loudenough::units::{DbSpl, Dbfs, PeakDb, SampleRate};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Instant;

/// A bench played by the test.
struct Bench {
    commands: Receiver<Command>,
    events: Sender<Event>,
    live: Arc<Mutex<Option<Arc<Live>>>>,
    stops: Arc<AtomicUsize>,
    ready: Arc<AtomicUsize>,
    leave: Arc<AtomicBool>,
}

type Window = Harness<'static, App>;

fn start(chain: Chain, plan: Plan) -> (App, Bench) {
    start_in("/nowhere".into(), chain, plan)
}

fn start_in(sessions: PathBuf, chain: Chain, plan: Plan) -> (App, Bench) {
    start_with(StartState { chain, plan, ..StartState::simulated(sessions) })
}

fn start_with(state: StartState) -> (App, Bench) {
    let (commands, asked) = bounded(16);
    let (events, stated) = unbounded();
    let live: Arc<Mutex<Option<Arc<Live>>>> = Arc::default();
    let stops: Arc<AtomicUsize> = Arc::default();
    let leave: Arc<AtomicBool> = Arc::default();
    let ready: Arc<AtomicUsize> = Arc::default();
    let sat = ready.clone();
    let (shown, counted, left) = (live.clone(), stops.clone(), leave.clone());
    let link = BenchLink {
        commands,
        events: stated,
        live: Box::new(move || shown.lock().unwrap().clone()),
        stop: Box::new(move || {
            counted.fetch_add(1, Ordering::SeqCst);
        }),
        ready: Box::new(move || {
            sat.fetch_add(1, Ordering::SeqCst);
        }),
        leave: Box::new(move || left.load(Ordering::SeqCst)),
        now: Box::new(|| "2026-03-01T10:00:00+01:00".into()),
    };
    let mut desk = App::new(link, state);
    (desk.desk.more_asked, desk.desk.all_parts) = (true, true);
    let bench = Bench { commands: asked, events, live, stops, ready, leave };
    assert!(matches!(bench.commands.try_recv(), Ok(Command::ListCards)), "cards are listed at once");
    (desk, bench)
}

fn window(desk: App, width: f32, height: f32, scale: f32, theme: Theme) -> Window {
    let mut window = Harness::builder()
        .with_size(vec2(width, height))
        .with_pixels_per_point(scale)
        .with_theme(theme)
        .with_context_setup(theme::install)
        .build_ui_state(
            |ui, desk: &mut App| {
                desk.logic(&ui.ctx().clone());
                desk.ui(ui);
            },
            desk,
        );
    window.run_steps(2);
    window
}

fn calibrated() -> (Window, Bench) {
    let (desk, bench) = start(records::chain(true), records::plan());
    (window(desk, 1280.0, 800.0, 1.0, Theme::Dark), bench)
}

fn press(window: &mut Window, key: Key) {
    window.key_press(key);
    window.run_steps(2);
}

/// Replaces all of a named field's text by keyboard.
fn retype(window: &mut Window, field: &str, text: &str) {
    window.get_by_role_and_label(Role::TextInput, field).focus();
    window.run_steps(2);
    window.key_press_modifiers(Modifiers::COMMAND, Key::A);
    window.key_press(Key::Delete);
    window.run_steps(2);
    if !text.is_empty() {
        window.event(eframe::egui::Event::Text(text.into()));
    }
    window.run_steps(2);
}

fn granted() -> (loudenough::card::Granted, loudenough::card::Granted) {
    (records::granted(), records::granted())
}

fn finish(bench: &Bench, record: &Arc<Record>) {
    let folder = std::path::PathBuf::from("/sessions/2026-03-01_09-12-33");
    let head = Arc::new(Record::new(record.head.clone()));
    bench.events.send(Event::Began { record: head, folder: folder.clone(), granted: granted() }).unwrap();
    bench.events.send(Event::Ended { record: record.clone(), folder }).unwrap();
}

fn whole_session() -> Arc<Record> {
    Arc::new(records::session(records::plan(), records::chain(true)))
}

fn says(window: &Window, part: &str) -> bool {
    window.query_all_by_label_contains(part).next().is_some()
}

fn live() -> Arc<Live> {
    let spectrum = (0..200).map(|i| (20.0 * 1000f64.powf(f64::from(i) / 199.0), -60.0 - f64::from(i) / 10.0));
    Arc::new(Live {
        inputs: vec![LiveInput {
            role: InputRole::LeftEar,
            level_z: Some(Dbfs(-23.9)),
            level_a: Some(Dbfs(-27.0)),
            level_c: Some(Dbfs(-24.3)),
            slow_z: Some(Dbfs(-23.8)),
            slow_a: Some(Dbfs(-26.9)),
            slow_c: Some(Dbfs(-24.2)),
            peak: Some(PeakDb(-15.5)),
            peak_c: Some(PeakDb(-15.9)),
            room_db: Some(15.5),
            distortion_db: Some(-44.0),
            spectrum: spectrum.collect(),
            overloads: 0,
        }],
    })
}
