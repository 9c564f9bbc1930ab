//! The window by role and label, without a display: what a key sends, what a wrong number says, and that every figure
//! shown is the stored one.

// Tests may fail loudly and print their figures.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

#[path = "window/asked.rs"]
mod asked;
#[path = "window/electrical.rs"]
mod electrical;
#[path = "window/first_run.rs"]
mod first_run;
#[path = "window/one_account.rs"]
mod one_account;
#[path = "window/real.rs"]
mod real;
#[path = "window/records.rs"]
mod records;
#[path = "window/side_by_side.rs"]
mod side_by_side;
#[path = "window/stillness.rs"]
mod stillness;
#[path = "window/stock.rs"]
mod stock;

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
    let (commands, asked) = bounded(16);
    let (events, told) = unbounded();
    let live: Arc<Mutex<Option<Arc<Live>>>> = Arc::default();
    let stops: Arc<AtomicUsize> = Arc::default();
    let leave: Arc<AtomicBool> = Arc::default();
    let ready: Arc<AtomicUsize> = Arc::default();
    let sat = ready.clone();
    let (shown, counted, left) = (live.clone(), stops.clone(), leave.clone());
    let link = BenchLink {
        commands,
        events: told,
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
    let mut desk = App::new(link, StartState { chain, plan, ..StartState::simulated(sessions) });
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

#[test]
fn start_by_keyboard_sends_the_plan_that_is_shown() {
    let (mut window, bench) = calibrated();
    retype(&mut window, "Listening, dB SPL", "72,5");
    press(&mut window, Key::F7);
    press(&mut window, Key::F5);
    let Ok(Command::Run(request)) = bench.commands.try_recv() else { panic!("nothing was asked to run") };
    let listening = request.plan.listening;
    assert_eq!(listening.unwrap().level.to_string(), "72.5 dB SPL");
    assert_eq!(request.plan.extent, Extent::QuickLook);
    assert_eq!(request.plan, Plan { listening, ..Plan::quick_look(SampleRate::DEFAULT) });
    assert_eq!(request.chain, records::chain(true));
    assert_eq!(window.state().desk.view.phase, Phase::Opening);
    press(&mut window, Key::F5);
    assert!(bench.commands.try_recv().is_err(), "a running bench is not asked twice");
}

#[test]
fn escape_stops_from_a_field_and_from_every_page() {
    let (mut window, bench) = calibrated();
    window.get_by_role_and_label(Role::TextInput, "Output").focus();
    window.run_steps(2);
    press(&mut window, Key::Escape);
    assert_eq!(bench.stops.load(Ordering::SeqCst), 1);
    press(&mut window, Key::F2);
    assert_eq!(window.state().desk.page, Page::Chain);
    window.key_press_modifiers(Modifiers::SHIFT, Key::Escape);
    window.run_steps(2);
    assert_eq!(bench.stops.load(Ordering::SeqCst), 2);
    press(&mut window, Key::F6);
    press(&mut window, Key::Escape);
    assert_eq!(bench.stops.load(Ordering::SeqCst), 3);
    assert_eq!(window.state().desk.next_headphone, None);
}

#[test]
fn a_program_asked_to_end_from_outside_stops_and_closes_its_window() {
    let (mut window, bench) = calibrated();
    bench.leave.store(true, Ordering::SeqCst);
    window.step();
    assert_eq!(bench.stops.load(Ordering::SeqCst), 1);
    let asked = window.output().viewport_output.values().flat_map(|v| v.commands.iter());
    assert!(asked.into_iter().any(|c| *c == eframe::egui::ViewportCommand::Close));
}

/// The bench forgets a stop that came before its cards were open: it has to be told again.
#[test]
fn a_stop_while_the_cards_are_opened_is_repeated_when_the_session_begins() {
    let (mut window, bench) = calibrated();
    press(&mut window, Key::F5);
    press(&mut window, Key::Escape);
    assert_eq!((window.state().desk.view.phase, bench.stops.load(Ordering::SeqCst)), (Phase::Stopping, 1));
    let record = Arc::new(Record::new(whole_session().head.clone()));
    bench.events.send(Event::Began { record, folder: "/s".into(), granted: granted() }).unwrap();
    window.run_steps(2);
    assert_eq!((window.state().desk.view.phase, bench.stops.load(Ordering::SeqCst)), (Phase::Stopping, 2));
}

#[test]
fn a_number_typed_wrong_says_so_beside_its_field_and_bars_start() {
    let (mut window, bench) = calibrated();
    retype(&mut window, "Listening, dB SPL", "7O");
    let message = window.get_by_label_contains("“7O” is not a number").rect();
    let field = window.get_by_role_and_label(Role::TextInput, "Listening, dB SPL").rect();
    assert!((message.top() - field.bottom()).abs() < 16.0, "the message stands beside its field");
    assert!(window.get_by_label("Start  F5").accesskit_node().is_disabled());
    press(&mut window, Key::F5);
    assert!(bench.commands.try_recv().is_err());
    assert!(says(&window, "Not started."));
    retype(&mut window, "Listening, dB SPL", "70");
    assert!(!window.get_by_label("Start  F5").accesskit_node().is_disabled());
}

#[test]
fn a_ceiling_above_its_default_has_to_be_typed_twice() {
    let (mut window, bench) = calibrated();
    retype(&mut window, "Ceiling, dB SPL", "118");
    assert!(says(&window, "118 dB SPL is above the default of 115 dB SPL"));
    press(&mut window, Key::F5);
    assert!(bench.commands.try_recv().is_err());
    retype(&mut window, "Ceiling again", "118");
    press(&mut window, Key::F5);
    let Ok(Command::Run(request)) = bench.commands.try_recv() else { panic!("nothing was asked to run") };
    assert_eq!(request.plan.ceilings.spl.to_string(), "118.0 dB SPL");
}

#[test]
fn without_calibration_the_ceiling_is_a_drive_and_the_axis_says_dbfs() {
    let (desk, _bench) = start(records::chain(false), records::plan());
    let mut window = window(desk, 1280.0, 800.0, 1.0, Theme::Dark);
    assert!(says(&window, "not calibrated: levels are in dBFS") && says(&window, "no offset of the left ear yet"));
    retype(&mut window, "Ceiling, dBFS", "-5");
    assert!(says(&window, "above full scale"));
}

#[test]
fn the_marker_and_the_sentence_carry_the_stored_values() {
    let (mut window, bench) = calibrated();
    let record = whole_session();
    let judgement = judge(&record);
    finish(&bench, &record);
    window.run_steps(2);
    let Threshold::Told(told) = &judgement.threshold else { panic!("the ideal desk clips") };
    let db = |v: f64| format!("{v:.1}").replace('-', "−");
    let (peak, pink) =
        (db(told.positive.told().unwrap().value), format!("{:.2}", told.pink_drive.value).replace('-', "−"));
    // The desk's own limit, so that the stored value itself is known from outside.
    assert_eq!(peak, "−2.9");
    window.get_by_label_contains(&format!("; peak {peak} dB re full scale; pink {pink}"));
    window.get_by_label(&judgement.sentence);
    window.get_by_label("The answer");
    assert!(says(&window, "notes 3 · doubts 0"), "coupler range, converter filter, and what clips");
    // While nothing is heard the last step is shown among the evidence, and says so; the last one is the reference.
    window.state_mut().desk.evidence = Evidence::Now;
    window.run_steps(2);
    let last = record.steps.last().unwrap();
    assert!(says(&window, "The last step, as stored"));
    window.get_by_label(&format!("Z, step {}, reference again, eardrum", last.step.number));
    let level = last.pink(0).unwrap().1.sound.unwrap().z.unwrap().value;
    assert!(says(&window, &format!("{} dB SPL", db(level))));
}

/// What is drawn large and on the scale says what the sentence says, and no other level is taken for it.
#[test]
fn nothing_on_the_page_contradicts_the_answer() {
    let (mut window, bench) = calibrated();
    let record = whole_session();
    let judgement = judge(&record);
    finish(&bench, &record);
    *bench.live.lock().unwrap() = None;
    window.run_steps(2);
    let headroom = judgement.headroom.headroom_db.told().unwrap();
    let db = |v: f64| format!("{v:.1}").replace('-', "−");
    let large = format!("headroom: {} ±{} dB", db(headroom.value), db(headroom.half_width()));
    window.get_by_label(&large);
    let clean = judgement.highest_clean.level_spl.told().unwrap();
    let on_scale = format!(
        "on the scale: output or capture chain clips from here, {} ±{} dB SPL",
        db(clean.value),
        db(clean.half_width())
    );
    window.get_by_label(&on_scale);
    window.get_by_label("on the scale: listening level, 70.0 dB SPL");
    assert!(judgement.sentence.contains(&format!("to {} dB SPL", db(clean.value))), "{}", judgement.sentence);
    assert!(judgement.sentence.contains(&format!("leaves {} dB", db(headroom.value))), "{}", judgement.sentence);
    for evidence in Evidence::ALL {
        window.state_mut().desk.evidence = evidence.0;
        window.run_steps(2);
        window.get_by_label(&large);
        window.get_by_label(&on_scale);
        window.get_by_label("level now: nothing is heard, dB SPL");
        assert!(!says(&window, "level of the last step"));
    }
}

/// Every figure of the sentence is one of the judgement's, rounded to the place shown.
#[test]
fn every_number_in_the_sentence_is_a_stored_one() {
    let record = whole_session();
    let judgement = judge(&record);
    let clean = judgement.highest_clean.level_spl.told().unwrap();
    let headroom = judgement.headroom.headroom_db.told().unwrap();
    let room = judgement.headroom.peak_room_db.told().unwrap();
    let stored = [clean.value, clean.half_width(), 70.0, headroom.value, room.value];
    let mut sentence = judgement.sentence.clone();
    for words in [&record.head.chain.volume, &record.head.chain.headphone] {
        sentence = sentence.replace(words.as_str(), "");
    }
    let figures: Vec<String> = sentence
        .split(|c: char| !(c.is_ascii_digit() || c == '.'))
        .map(|w| w.trim_matches('.').to_string())
        .filter(|w| !w.is_empty())
        .collect();
    assert_eq!(figures, stored.map(|v| format!("{v:.1}")), "{}", judgement.sentence);
}

#[test]
fn a_running_session_says_so_far_and_counts_steps_time_and_repeats() {
    let (mut window, bench) = calibrated();
    press(&mut window, Key::F5);
    let mut record = (*whole_session()).clone();
    record.events.clear();
    record.steps.truncate(6);
    let step = record.steps[5].step.clone();
    let head = Arc::new(Record::new(record.head.clone()));
    for event in [
        Event::Began { record: head, folder: "/s".into(), granted: granted() },
        Event::StepDone(Arc::new(record)),
        Event::StepBegan { step, expected_steps: 13, left_s: 18.0 },
        Event::Repeated { reason: VoidReason::ZeroInput },
    ] {
        bench.events.send(event).unwrap();
    }
    window.run_steps(2);
    window.get_by_label("The answer so far");
    for words in ["step 6 of at most 13", "18 s left", "climbing towards the limit", "Takes played again: 1"] {
        assert!(says(&window, words), "{words}");
    }
    // What is found out is said; nothing is called short or not determined before it is known.
    assert!(says(&window, "Clean up to ") && !says(&window, "not determined") && !says(&window, "short"));
    assert!(says(&window, "nobody wears the headphones while this runs"));
    press(&mut window, Key::F6);
    assert!(says(&window, "Plug and unplug only while silent: press Esc"));
}

#[test]
fn the_level_now_is_announced_with_unit_weighting_and_point() {
    let (mut window, bench) = calibrated();
    *bench.live.lock().unwrap() = Some(live());
    (window.state_mut().desk.asking, window.state_mut().desk.evidence) = (false, Evidence::Now);
    window.run_steps(20);
    // −23.9 dBFS at an offset of 120.0 dB.
    window.get_by_label("level now: 96.1 dB SPL Z, F, eardrum");
    // Crest: −15.5 dB re full scale less −23.9 dBFS, the RMS of a sine standing 3.01 dB under its peak: 8.4 + 3.01 dB.
    assert!(says(&window, "  11.4 dB"));
    assert!(says(&window, "0.63 %"));
}

#[test]
fn the_next_headphone_is_one_key_and_a_name_and_keeps_the_rest() {
    let (mut window, bench) = calibrated();
    finish(&bench, &whole_session());
    window.run_steps(2);
    press(&mut window, Key::F6);
    window.run_steps(2);
    window.event(eframe::egui::Event::Text("open 300 Ω".into()));
    window.run_steps(2);
    press(&mut window, Key::Enter);
    press(&mut window, Key::F5);
    let Ok(Command::Run(request)) = bench.commands.try_recv() else { panic!("nothing was asked to run") };
    let expected = Chain { headphone: "open 300 Ω".into(), ..records::chain(true) };
    assert_eq!(request.chain, expected);
}

#[test]
fn a_name_that_the_simulated_bench_does_not_know_says_what_is_simulated_in_its_place() {
    let (mut window, bench) = calibrated();
    bench.events.send(Event::Cards { cards: records::cards(), failed: Vec::new() }).unwrap();
    window.run_steps(2);
    press(&mut window, Key::F6);
    assert!(says(&window, "The simulated bench has closed 80 Ω, open 300 Ω."));
    window.event(eframe::egui::Event::Text("open 300".into()));
    press(&mut window, Key::Enter);
    assert_eq!(window.state().desk.form.chain.headphone, "open 300 Ω", "few keyboards have an Ω");
    assert!(!says(&window, "Simulated in its place"));
    retype(&mut window, "Headphone", "my own");
    assert!(says(&window, "Simulated in its place: closed 80 Ω. The simulated bench has closed 80 Ω, open 300 Ω."));
    retype(&mut window, "Headphone", "open 300 Ω");
    assert!(!says(&window, "Simulated in its place"));
}

/// Leaves a session in `sessions` that began at this hour, cut short or not.
fn leave_session(sessions: &Path, hour: u32, headphone: &str, ended: bool) -> SessionHead {
    let record = records::session(records::plan(), Chain { headphone: headphone.into(), ..records::chain(true) });
    let started_at = format!("2026-03-01T{hour:02}:00:00+00:00");
    let head = SessionHead { id: format!("at-{hour}"), started_at, ..record.head };
    let mut storage = Storage::create(sessions, &head).unwrap();
    if ended {
        storage.append_event(record.events.last().unwrap()).unwrap();
    }
    head
}

/// Until the thread has looked through the sessions.
fn looked_through(window: &mut Window) {
    for _ in 0..500 {
        window.run_steps(2);
        if window.state().desk.to_go_on.as_ref().is_some_and(|asked| asked.found.is_some()) {
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    panic!("the sessions were not looked through");
}

#[test]
fn a_session_that_was_cut_short_is_taken_up_by_keyboard_and_shown_as_it_was_asked() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    let (desk, bench) = start_in(sessions.clone(), records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 800.0, 1.0, Theme::Dark);
    press(&mut window, Key::F11);
    looked_through(&mut window);
    assert!(says(&window, "No session here was cut short."));
    press(&mut window, Key::Escape);
    leave_session(&sessions, 9, "closed 80 Ω", false);
    let head = leave_session(&sessions, 10, "open 300 Ω", false);
    leave_session(&sessions, 11, "planar 18 Ω", true);

    press(&mut window, Key::F11);
    looked_through(&mut window);
    assert_eq!(window.state().desk.to_go_on.as_ref().unwrap().name, "at-10");
    assert!(says(&window, "at-10: console phones socket with open 300 Ω") && says(&window, "at-9: "));
    assert!(!says(&window, "at-11"), "a finished session is offered");
    press(&mut window, Key::Enter);
    let Ok(Command::Continue { folder, .. }) = bench.commands.try_recv() else { panic!("nothing was taken up") };
    assert_eq!((folder.clone(), window.state().desk.view.phase), (sessions.join("at-10"), Phase::Opening));

    let record = Arc::new(Record::new(head));
    bench.events.send(Event::Began { record: record.clone(), folder: folder.clone(), granted: granted() }).unwrap();
    window.run_steps(2);
    assert_eq!(window.state().desk.form.chain.headphone, "open 300 Ω");
    press(&mut window, Key::F11);
    assert!(says(&window, "A session runs"));
    let mut stopped = Record::clone(&record);
    let what = Happening::Ended { stop: StopReason::Stopped };
    stopped.events.push(SessionEvent { at: "2026-03-01T12:00:00+00:00".into(), what });
    bench.events.send(Event::Ended { record: Arc::new(stopped), folder }).unwrap();
    window.run_steps(2);
    assert!(says(&window, "Ended early; F11 goes on"));
}

#[test]
fn on_a_small_window_the_field_that_a_key_opens_comes_into_sight() {
    let (desk, _bench) = start(records::chain(true), records::plan());
    let mut window = window(desk, 800.0, 600.0, 1.0, Theme::Dark);
    let opened = [
        (Key::F6, "Name of the next one", "Enter takes it, Esc leaves it; all the rest stays"),
        (Key::F11, "Session or its folder", "Enter plays the rest of it, Esc leaves it"),
    ];
    for (key, field, hint) in opened {
        press(&mut window, key);
        window.run_steps(30);
        let field_at = window.get_by_role_and_label(Role::TextInput, field).rect();
        let hint_at = window.get_by_label(hint).rect();
        // The answer begins where a good quarter of the window is left.
        assert!(
            field_at.top() > 0.0 && hint_at.bottom() < 0.79 * 600.0,
            "{field} at {field_at:?}, hint at {hint_at:?}"
        );
        window.event(eframe::egui::Event::Text("typed".into()));
        window.run_steps(2);
        let desk = &window.state().desk;
        assert!(desk.next_headphone.iter().chain(desk.to_go_on.iter().map(|s| &s.name)).all(|name| name == "typed"));
        press(&mut window, Key::Escape);
    }
}

#[test]
fn a_typed_offset_comes_into_force_and_another_channel_drops_it() {
    let (desk, bench) = start(records::chain(false), records::plan());
    let mut window = window(desk, 1280.0, 1400.0, 1.0, Theme::Light);
    press(&mut window, Key::F2);
    retype(&mut window, "Offset, dB", "12O");
    assert!(says(&window, "“12O” is not a number"));
    retype(&mut window, "Offset, dB", "118.5");
    window.get_by_label("Use typed offset").click();
    window.run_steps(2);
    assert!(says(&window, "left ear: offset 118.50 ±0.40 dB, typed, 2026-03-01 10:00"));
    retype(&mut window, "Input 1, channel", "2");
    assert!(says(&window, "is not used: the channel was 1, now 2"));
    assert!(!window.state().desk.form.is_calibrated());
    retype(&mut window, "Input 1, channel", "1");
    assert!(window.state().desk.form.is_calibrated() && !says(&window, "is not used"), "it belongs to channel 1");
    retype(&mut window, "Input 1, channel", "2");
    window.get_by_label("It still holds").click();
    window.run_steps(2);
    assert!(window.state().desk.form.is_calibrated() && !says(&window, "is not used"));
    retype(&mut window, "Input 1, channel", "1");
    assert!(says(&window, "is not used: the channel was 2, now 1"));
    press(&mut window, Key::F12);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Calibrate { role: InputRole::LeftEar, .. })));
    bench.events.send(Event::Failed(Failure { message: "no tone".into(), kept: None })).unwrap();
    window.run_steps(2);
    assert!(says(&window, "No tone."));
}

/// What the window does not show of a chain (here the gain note) still counts, and is sent on whole.
#[test]
fn an_offset_of_another_gain_is_not_taken_over_and_nothing_of_a_chain_is_lost() {
    let mut chain = records::chain(true);
    chain.gain = "+20 dB".into();
    chain.output_side.knob = "3 o'clock".into();
    let (desk, _bench) = start(chain.clone(), records::plan());
    let mut window = window(desk, 1280.0, 1400.0, 1.0, Theme::Light);
    press(&mut window, Key::F2);
    assert!(says(&window, "the gain was ``, now `+20 dB`"));
    assert!(!window.state().desk.form.is_calibrated());
    chain.drop_changed_offsets();
    assert_eq!(window.state().desk.form.ready().unwrap().1, chain);
}

/// 2 V behind 8 Ω into 32 Ω: 1.6 V and 80 mW at 0 dBFS.
#[test]
fn volts_and_impedances_are_typed_by_keyboard_and_a_ceiling_in_volts_acts() {
    let (desk, _bench) = start(records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 1400.0, 1.0, Theme::Light);
    press(&mut window, Key::F2);
    assert!(says(&window, "volts: not calibrated"));
    retype(&mut window, "Own ceiling, V RMS", "0.16");
    assert!(says(&window, "The ceiling in volts does not act, because the output's volts"));
    retype(&mut window, "0 dBFS is, V ±V", "2");
    assert!(says(&window, "the output's RMS volts at 0 dBFS in V and half its 95 % interval"));
    retype(&mut window, "0 dBFS is, V ±V", "2 0.02");
    assert!(says(&window, "0 dBFS: 2.000 ±0.020 V (6.0 dBV, 8.2 dBu), typed"));
    retype(&mut window, "Source, Ω ±Ω", "8 0.1");
    retype(&mut window, "Impedance, Ω ±Ω", "32 0.5");
    assert!(says(&window, "source 8.00 ±0.10 Ω at 1 kHz, typed"));
    assert!(says(&window, "80.0 ±"), "80 mW at full scale");
    let (plan, chain) = window.state().desk.form.ready().unwrap().clone();
    let ceiling = loudenough::session::climb::drive_ceiling(&plan, &chain).unwrap();
    // The upper end of 1.6 V decides.
    assert!(
        (-20.2..-20.0).contains(&ceiling.rms.db()) && ceiling.because.contains("0.16 V at the load"),
        "{ceiling:?}"
    );
}

#[test]
fn volts_of_another_volume_are_not_used_and_say_so() {
    let mut chain = records::chain(true);
    chain.volume = "full".into();
    chain.output_side.volts_per_full_scale = Some(loudenough::stats::Estimate::symmetric(2.0, 0.02));
    chain.electrical_belongs_here([loudenough::session::chain::ElectricalPart::Volts]);
    let (desk, _bench) = start(chain, records::plan());
    let mut window = window(desk, 1280.0, 1400.0, 1.0, Theme::Light);
    press(&mut window, Key::F2);
    assert!(says(&window, "2.000 ±0.020 V"));
    retype(&mut window, "Volume note", "half");
    assert!(says(&window, "is not used: the volume was `full`, now `half`"));
    assert!(window.state().desk.form.ready().unwrap().1.output_side.volts_per_full_scale.is_none());
    retype(&mut window, "Volume note", "full");
    assert!(says(&window, "2.000 ±0.020 V"));
}

#[test]
fn a_route_that_can_resample_says_so_in_its_list() {
    let (mut window, bench) = calibrated();
    bench.events.send(Event::Cards { cards: records::cards(), failed: vec!["jack: no server".into()] }).unwrap();
    press(&mut window, Key::F2);
    assert!(says(&window, "jack: no server"));
    window.get_by_role_and_label(Role::ComboBox, "Plays").click();
    window.run_steps(3);
    assert!(says(&window, "(alsa, can resample)"));
}

#[test]
fn every_size_and_scale_lays_out_and_keeps_stop_inside_the_window() {
    let record = Arc::new(records::session_with_sounds());
    for (width, height, scale) in [
        (640.0, 480.0, 1.0),
        (800.0, 600.0, 1.0),
        (1280.0, 800.0, 1.0),
        (2560.0, 1440.0, 1.0),
        (1707.0, 1067.0, 0.75),
        (427.0, 267.0, 3.0),
    ] {
        for theme in [Theme::Dark, Theme::Light] {
            let (desk, bench) = start(records::chain(true), records::plan());
            let mut window = window(desk, width, height, scale, theme);
            finish(&bench, &record);
            for page in [Key::F2, Key::F3] {
                press(&mut window, page);
                for (evidence, ..) in Evidence::ALL {
                    window.state_mut().desk.evidence = evidence;
                    window.run_steps(1);
                }
                assert!(window.unnamed_widgets().is_empty(), "{:?}", window.unnamed_widgets());
                // The help lies over the page, not over the frame.
                press(&mut window, Key::F1);
                let stop = window.get_by_label("Stop  Esc").rect();
                let help = window.get_by_label_contains("Never wear the headphones").rect();
                assert!(
                    help.top() >= stop.bottom() - 1.0,
                    "{width} × {height}: help at {help:?} over Stop at {stop:?}"
                );
                press(&mut window, Key::F1);
                let inside =
                    stop.left() >= 0.0 && stop.top() >= 0.0 && stop.right() <= width && stop.bottom() <= height;
                assert!(inside, "{width} × {height}: Stop at {stop:?}");
            }
        }
    }
}

/// Prints, so that the figure can be read; asserts only that it is not absurd (a timed test on a shared machine lies).
#[test]
fn a_picture_of_page_climb_is_quick() {
    const PICTURES: u32 = 100;
    const ABSURD_MS: f64 = 100.0;
    let (mut window, bench) = calibrated();
    finish(&bench, &whole_session());
    *bench.live.lock().unwrap() = Some(live());
    window.run_steps(10);
    let (mut longest, mut sum) = (0.0f64, 0.0);
    for _ in 0..PICTURES {
        let begun = Instant::now();
        window.step();
        let shapes = window.output().shapes.clone();
        let primitives = window.ctx.tessellate(shapes, 1.0);
        let took = begun.elapsed().as_secs_f64() * 1e3;
        assert!(!primitives.is_empty());
        longest = longest.max(took);
        sum += took;
    }
    let mean = sum / f64::from(PICTURES);
    println!("page Climb, ui and tessellation: mean {mean:.2} ms, longest {longest:.2} ms");
    assert!(mean < ABSURD_MS);
}

/// By its key from any page: for the session shown, and a word where there is none.
#[test]
fn the_calibration_is_checked_after_the_session_by_its_key() {
    let (mut window, bench) = calibrated();
    let check = |window: &mut Window| {
        window.key_press_modifiers(Modifiers::COMMAND, Key::K);
        window.run_steps(2);
    };
    check(&mut window);
    assert_eq!(window.state().desk.page, Page::Chain);
    assert!(says(&window, "The check belongs to a finished session; run one first."));
    assert!(bench.commands.is_empty());
    finish(&bench, &whole_session());
    window.run_steps(3);
    press(&mut window, Key::F3);
    check(&mut window);
    let Ok(Command::CheckCalibration { role, calibrator, .. }) = bench.commands.try_recv() else { panic!("not asked") };
    assert_eq!((role, calibrator), (InputRole::LeftEar, None));
    assert_eq!((window.state().desk.page, window.state().desk.view.phase), (Page::Chain, Phase::Calibrating));
}

/// While the bench listens: level and frequency large, how long it has been steady, and what stands in the way.
#[test]
fn the_calibrator_is_heard_in_large_type_until_it_is_steady() {
    let (desk, bench) = start(records::chain(false), records::plan());
    let mut window = window(desk, 1280.0, 1600.0, 1.0, Theme::Light);
    press(&mut window, Key::F12);
    let Ok(Command::Calibrate { calibrator, .. }) = bench.commands.try_recv() else { panic!("not asked") };
    assert!(says(&window, "fit the calibrator and switch it on"));
    let mut tone = loudenough::analysis::Tone {
        frequency_hz: 1000.2,
        level: Some(loudenough::stats::Estimate::symmetric(-26.04, 0.01)),
        instability_db: 0.01,
        distortion_db: -48.0,
        thd_db: Some(-50.0),
        hum: None,
        second: None,
        over_noise_db: 48.0,
        overloaded: false,
    };
    bench.events.send(Event::Listening { tone: Some(tone), steady_s: 3.2, because: None }).unwrap();
    window.run_steps(2);
    for words in ["-26.04 dBFS", "1000.2 Hz", "THD 0.32 %", "steady for 3.2 of 5 s"] {
        assert!(says(&window, words), "{words}");
    }
    let because = Some("the tone found is at 250.0 Hz".to_string());
    tone.frequency_hz = 250.0;
    bench.events.send(Event::Listening { tone: Some(tone), steady_s: 0.0, because }).unwrap();
    window.run_steps(2);
    assert!(says(&window, "The tone found is at 250.0 Hz."));
    let acoustic = loudenough::calibration::Acoustic::from_tones(
        calibrator,
        &[loudenough::analysis::Tone { frequency_hz: 1000.0, ..tone }],
        "2026-03-01T10:00:00Z",
    );
    bench.events.send(Event::Calibrated { role: InputRole::LeftEar, acoustic: acoustic.unwrap() }).unwrap();
    window.run_steps(2);
    assert!(says(&window, "left ear: offset 120.04 ±0.40 dB, sound calibrator 94.00 dB at 1000 Hz"));
    assert!(!says(&window, "steady for"));
}

#[test]
fn results_of_other_sounds_are_read_under_the_picture() {
    let (mut window, bench) = calibrated();
    window.state_mut().desk.evidence = Evidence::Sounds;
    window.run_steps(2);
    finish(&bench, &whole_session());
    window.run_steps(2);
    assert!(says(&window, "No sine and no other sound was played yet"));
    let record = Arc::new(records::session_with_sounds());
    finish(&bench, &record);
    window.run_steps(2);
    let step = record.steps.iter().rev().find(|s| s.others(0).count() > 0).unwrap().step.number;
    for part in [
        "Sine 997 Hz, at the ear",
        &format!("step {step}; drive "),
        "THD, F form, to harmonic 10 −61.30 ±0.50 dB; THD, R form −61.40 ±0.50 dB",
        "THD+N, R form, 20 Hz to 20 kHz −55.20 ±0.50 dB",
        "60 Hz + 7 kHz 4:1",
        "2nd order −71.20 ±0.50 dB; 3rd order below −84.00 dB",
        "Arithmetic sum over the 7 kHz tone",
        "harmonic 2 of 1000 Hz −68.40 ±0.50 dB",
    ] {
        assert!(says(&window, part), "{part}");
    }
    press(&mut window, Key::F8);
    assert_eq!(window.state().desk.evidence, Evidence::Numbers);
    press(&mut window, Key::Num6);
    assert_eq!(window.state().desk.evidence, Evidence::Sweep);
    assert!(says(&window, &format!("Harmonics of the sweep, step {step}")));
    window.state_mut().desk.evidence = Evidence::Response;
    window.run_steps(2);
    assert!(says(&window, "Frequency response at the eardrum"));
}

#[test]
fn other_sounds_and_their_levels_are_asked_for_in_the_form() {
    let (mut window, bench) = calibrated();
    retype(&mut window, "At, dB SPL", "80 90");
    window.get_by_role_and_label(Role::CheckBox, "sweep").click();
    window.run_steps(2);
    window.get_by_role_and_label(Role::CheckBox, "19 + 20 kHz 1:1").click();
    window.run_steps(2);
    press(&mut window, Key::F5);
    let Ok(Command::Run(request)) = bench.commands.try_recv() else { panic!("nothing was asked to run") };
    let (sweep, tones) = (Stimulus::Sweep(Sweep::STANDARD), Stimulus::TwoTones(TwoTones::DifferenceFrequency));
    assert_eq!(request.plan.beside, [sweep, tones]);
    assert_eq!(request.plan.asked, [80.0, 90.0].map(|db| AskedLevel::Spl(DbSpl(db))));

    // What a plan brought along is shown and kept, whatever its kind.
    let asked = vec![AskedLevel::Drive(Dbfs(-30.0)), AskedLevel::Spl(DbSpl(85.0))];
    let noise = Stimulus::Noise(Noise { spans: 3, ..Noise::STANDARD });
    let plan = Plan { asked: asked.clone(), beside: vec![noise], ..records::plan() };
    let (desk, bench) = start(records::chain(true), plan.clone());
    let mut window = self::window(desk, 1280.0, 800.0, 1.0, Theme::Dark);
    press(&mut window, Key::F5);
    let Ok(Command::Run(request)) = bench.commands.try_recv() else { panic!("nothing was asked to run") };
    assert_eq!((&request.plan.asked, &request.plan.beside), (&plan.asked, &plan.beside));
}

/// Live levels do not go through the correction curve: said, so that they are not taken for the steps'. The chain's own
/// ceiling is the one that is drawn.
#[test]
fn what_the_chain_adds_to_a_level_or_takes_from_a_ceiling_is_seen() {
    let mut chain = records::chain(true);
    let stated = Stated { column: Some(Column::Correction), ..Stated::default() };
    let curve = Curve::read("invented.txt", b"100 0\n1000 0\n10000 8\n", &stated).unwrap();
    chain.curves.insert(InputRole::LeftEar, Curves(vec![curve]));
    chain.offsets_belong_here([InputRole::LeftEar]);
    chain.output_side.ceilings.spl = Some(DbSpl(101.0));
    let (desk, bench) = start(chain, records::plan());
    let mut window = window(desk, 1280.0, 800.0, 1.0, Theme::Light);
    *bench.live.lock().unwrap() = Some(live());
    (window.state_mut().desk.asking, window.state_mut().desk.evidence) = (false, Evidence::Now);
    window.run_steps(20);
    window.get_by_label("level now: 96.1 dB SPL Z, F, eardrum, before its curve");
    assert!(says(&window, "thick rule: ceiling 101.0 dB SPL"));
}

#[test]
fn the_next_seat_is_one_key_and_the_same_key_says_that_it_sits() {
    let (mut window, bench) = calibrated();
    let seat = |window: &mut Window| {
        window.key_press_modifiers(Modifiers::COMMAND, Key::H);
        window.run_steps(2);
    };
    seat(&mut window);
    assert!(says(&window, "A further seat is added to a finished session"));
    let record = whole_session();
    finish(&bench, &record);
    window.run_steps(3);
    assert!(says(&window, "Next seat  Ctrl H") && says(&window, "seat 1 of 3"));
    seat(&mut window);
    let folder = match bench.commands.try_recv() {
        Ok(Command::Seat { folder, hold: true }) => folder,
        other => panic!("{other:?}"),
    };
    bench.events.send(Event::Began { record: record.clone(), folder: folder.clone(), granted: granted() }).unwrap();
    let fit = |seat, level_db, low_db| Fit { seat, level_db, mid_db: None, low_db: Some(low_db), bands: Vec::new() };
    let sits = Seats::from(InputRole::LeftEar, vec![fit(1, 0.0, 0.0), fit(2, -1.26, -4.0)]).unwrap();
    bench.events.send(Event::Seating { seat: 2, ears: vec![(InputRole::LeftEar, sits)] }).unwrap();
    window.run_steps(3);
    assert_eq!(window.state().desk.view.phase, Phase::Seating);
    assert!(says(&window, "It sits  Ctrl H") && says(&window, "level −1.3 dB, 20–100 Hz −4.0 dB, LEAKS"));
    assert!(says(&window, "How seat 2 sits at the left ear, against seat 1"), "and as a picture, whatever was open");
    assert_eq!(bench.ready.load(Ordering::SeqCst), 0);
    seat(&mut window);
    assert_eq!(bench.ready.load(Ordering::SeqCst), 1);
    press(&mut window, Key::Escape);
    assert!(bench.stops.load(Ordering::SeqCst) > 0, "Escape stops what is held");
    bench.events.send(Event::Ended { record, folder }).unwrap();
    window.run_steps(3);
    assert_eq!(window.state().desk.view.phase, Phase::Idle);
}

/// One key writes a report beside the session's numbers and says where it lies; without a session it says so.
#[test]
fn a_report_is_one_key_and_the_window_says_where_it_lies() {
    let (mut window, bench) = calibrated();
    let report = |window: &mut Window| {
        window.key_press_modifiers(Modifiers::COMMAND, Key::R);
        window.run_steps(2);
    };
    report(&mut window);
    assert!(says(&window, "There is no session to report yet"));
    let (folder, record) = (tempfile::tempdir().unwrap(), whole_session());
    let head = Arc::new(Record::new(record.head.clone()));
    let path = folder.path().to_path_buf();
    bench.events.send(Event::Began { record: head, folder: path.clone(), granted: granted() }).unwrap();
    bench.events.send(Event::Ended { record: record.clone(), folder: path }).unwrap();
    window.run_steps(3);
    report(&mut window);
    assert!(says(&window, "A report is being written"));
    // Written by a thread of its own.
    for _ in 0..3000 {
        if says(&window, "begin with report.html") {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
        window.run_steps(1);
    }
    let page = std::fs::read_to_string(folder.path().join("report/report.html")).unwrap();
    assert!(page.contains(&judge(&record).sentence.replace('\'', "&#39;")), "the sentence of the window comes first");
}

/// The volume control is turned while noise is held; each position that is found is said.
#[test]
fn a_volume_control_is_turned_while_noise_is_held() {
    let (mut window, bench) = calibrated();
    let record = whole_session();
    finish(&bench, &record);
    window.run_steps(3);
    window.get_by_label("volume control").click();
    window.run_steps(3);
    let Ok(Command::Positions { folder }) = bench.commands.try_recv() else { panic!("not asked for") };
    bench.events.send(Event::Began { record: record.clone(), folder: folder.clone(), granted: granted() }).unwrap();
    bench.events.send(Event::Turning { positions: vec![0.0, -12.04] }).unwrap();
    window.run_steps(3);
    assert_eq!(window.state().desk.view.phase, Phase::Turning);
    assert!(says(&window, "position 2 found, −12.0 dB; turn on") && says(&window, "Done  Ctrl H"));
    window.key_press_modifiers(Modifiers::COMMAND, Key::H);
    window.run_steps(2);
    assert_eq!(bench.ready.load(Ordering::SeqCst), 1);
    bench.events.send(Event::Ended { record, folder }).unwrap();
    window.run_steps(3);
    assert_eq!(window.state().desk.view.phase, Phase::Idle);
}

/// Music by path, with the keyboard: its row and its verdict, which leads; a file that is none is named.
#[test]
fn own_music_is_judged_on_the_session_shown() {
    let (mut window, bench) = calibrated();
    finish(&bench, &whole_session());
    window.run_steps(3);
    window.get_by_label("own music").click();
    window.run_steps(3);
    let mut judge = |path: &str, until: &str| {
        retype(&mut window, "Own music, WAV or FLAC", path);
        press(&mut window, Key::Enter);
        // Read by a thread of its own.
        for _ in 0..500 {
            if says(&window, until) {
                return;
            }
            std::thread::sleep(std::time::Duration::from_millis(10));
            window.run_steps(2);
        }
        panic!("`{until}` was never said");
    };
    judge("no/such.flac", "No/such.flac: it cannot be read");
    judge("tests/data/music/longer-tone.flac", "longer-tone.flac: plays it clean");
    assert!(
        says(&window, "closed 80 Ω at 70.0 dB, longer-tone.flac: plays it clean. Its peaks need"),
        "the verdict leads"
    );
    assert_eq!(window.state().desk.music.pieces.len(), 1);
}

/// A path check by keyboard: asked for the chain shown, kept apart from the session shown, told finding by finding.
#[test]
fn a_path_check_runs_on_its_key_and_tells_its_findings_under_the_chain() {
    let (mut window, bench) = calibrated();
    window.key_press_modifiers(Modifiers::COMMAND, Key::P);
    window.run_steps(2);
    let plan = match bench.commands.try_recv() {
        Ok(Command::Run(request)) => request.plan,
        other => panic!("{other:?}"),
    };
    assert_eq!(plan.extent, Extent::PathCheck);
    assert_eq!((window.state().desk.page, window.state().desk.view.phase), (Page::Chain, Phase::Checking));

    let mut record = whole_session().as_ref().clone();
    record.head.plan = plan;
    let what = Happening::Ended { stop: StopReason::PathChecked };
    record.events = vec![SessionEvent { at: "2026-03-01T10:00:00+01:00".into(), what }];
    finish(&bench, &Arc::new(record));
    window.run_steps(4);
    let desk = &window.state().desk;
    assert!(desk.view.digest.is_none() && desk.view.phase == Phase::Idle, "the session shown stays");
    let report = desk.view.path.clone().unwrap();
    assert!(says(&window, &report.sentence));
    for finding in &report.findings {
        assert!(says(&window, &finding.text), "{}", finding.text);
    }
}

/// Until the thread has read the curve.
fn read_to_its_end(window: &mut Window) {
    window.run_steps(2);
    for _ in 0..500 {
        if window.state().desk.form.particulars.read.is_some() {
            window.run_steps(2);
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
        window.run_steps(2);
    }
    panic!("the curve was not read");
}

#[test]
fn what_else_is_known_of_a_chain_is_typed_and_its_curve_read() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("curve.txt");
    std::fs::write(&file, "Hz dB\n20 -1.5\n1000 0\n20000 2.5\n").unwrap();
    let (desk, _bench) = start(records::chain(false), records::plan());
    let mut window = window(desk, 1280.0, 2400.0, 1.0, Theme::Dark);
    press(&mut window, Key::F2);
    for (field, typed) in [
        ("Knob at", "12 o'clock"),
        ("Own ceiling, dB SPL", "108"),
        ("Microphone", "invented half-inch"),
        ("Certificate of", "2025-06-31"),
        ("Input gain note", "+20 dB"),
        ("Offset good for, h", "24"),
        ("Curve file", file.to_str().unwrap()),
    ] {
        retype(&mut window, field, typed);
    }
    assert!(says(&window, "“2025-06-31” is not a date") && window.state().desk.form.ready().is_none());
    retype(&mut window, "Certificate of", "2025-06-30");
    window.get_by_label("Read the curve").click();
    read_to_its_end(&mut window);
    assert!(says(&window, "column 2"), "whether a gain or a correction must be said");
    window.get_by_role_and_label(Role::ComboBox, "Its dB are").click();
    window.run_steps(2);
    window.get_by_label("the microphone's gain").click();
    window.run_steps(2);
    window.get_by_label("Read the curve").click();
    read_to_its_end(&mut window);
    assert!(says(&window, "curve.txt: 3 points, 20 Hz to 20000 Hz") && says(&window, "line 1 was skipped"));
    let chain = window.state().desk.form.ready().unwrap().1.clone();
    assert_eq!((chain.output_side.knob.as_str(), chain.gain.as_str()), ("12 o'clock", "+20 dB"));
    assert_eq!(chain.output_side.ceilings.spl, Some(DbSpl(108.0)));
    assert!((chain.ages.offset_hours - 24.0).abs() < 1e-12);
    let microphone = &chain.microphones[&InputRole::LeftEar];
    assert_eq!(microphone.certificate.as_deref(), Some("2025-06-30"));
    assert!((chain.correction(InputRole::LeftEar).db_at(20.0) - 1.5).abs() < 1e-9, "a gain is taken off");
    window.get_by_label("Leave out curve 1").click();
    window.run_steps(2);
    assert!(window.state().desk.form.ready().unwrap().1.curves.is_empty());
}

#[test]
fn what_was_removed_comes_back_by_its_key() {
    let (desk, _bench) = start(records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 1600.0, 1.0, Theme::Dark);
    press(&mut window, Key::F2);
    window.get_by_label("Forget the offset").click();
    window.run_steps(2);
    assert!(!window.state().desk.form.is_calibrated());
    assert!(says(&window, "The offset of the left ear was forgotten. Ctrl Z brings it back."));
    let undo = |window: &mut Window| {
        window.key_press_modifiers(Modifiers::COMMAND, Key::Z);
        window.run_steps(2);
    };
    undo(&mut window);
    assert!(window.state().desk.form.is_calibrated() && !says(&window, "brings it back"));
    undo(&mut window);
    assert!(says(&window, "Nothing was removed that could come back."));
}

#[test]
fn a_piece_of_evidence_takes_the_whole_page_and_stands_beside_the_scale_again() {
    let (mut window, bench) = calibrated();
    finish(&bench, &whole_session());
    window.run_steps(2);
    let wide = |window: &Window| window.get_by_label_contains("Level against drive:").rect().width();
    let beside = wide(&window);
    for (size, enlarged) in [(1.5, true), (1.0, false)] {
        window.key_press_modifiers(Modifiers::COMMAND, Key::L);
        window.run_steps(2);
        assert_eq!(window.state().desk.enlarged, enlarged);
        assert!(
            wide(&window) >= size * beside && (enlarged || wide(&window) <= beside),
            "{beside} and {}",
            wide(&window)
        );
    }
}

/// One node of the chain is open at a time, and none of its fields is lost: together they have every field there is.
#[test]
fn every_field_of_the_chain_lies_behind_one_of_its_nodes() {
    let (desk, _bench) = start(records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 3000.0, 1.0, Theme::Light);
    press(&mut window, Key::F2);
    let fields = |window: &Window| -> BTreeSet<String> {
        let named = [Role::TextInput, Role::ComboBox].map(|role| {
            let nodes = window.query_all_by_role(role);
            nodes.map(|n| format!("{role:?} {}", n.accesskit_node().label().unwrap_or_default())).collect::<Vec<_>>()
        });
        named.concat().into_iter().collect()
    };
    let all = fields(&window);
    window.get_by_label("One part at a time").click();
    window.run_steps(2);
    let mut behind = BTreeSet::new();
    for node in ["Playback card", "Output", "Headphone", "Coupler and microphone", "Capture card"] {
        window.get_by_role_and_label(Role::Button, node).click();
        window.run_steps(3);
        let shown = fields(&window);
        assert!(shown.len() < all.len() / 2 + 4, "{node} shows {} of {} fields", shown.len(), all.len());
        behind.extend(shown);
    }
    assert_eq!(all, behind);
    assert!(all.len() > 30, "{all:?}");
}
