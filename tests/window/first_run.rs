//! A fresh start on the simulated bench: from the question to a verdict by Enter alone.

use eframe::egui::{Key, Theme};
use egui_kittest::kittest::Queryable;
use loudenough::audio::Backend;
use loudenough::audio::simulated::{BenchSpec, Pace, SimulatedBackend, SimulatedCardSpec};
use loudenough::gui::view::Phase;
use loudenough::gui::{App, BenchLink, StartState};
use loudenough::judgement::path::{PathAnswer, PathFinding, PathQuestion, PathReport};
use loudenough::judgement::{Answer, judge};
use loudenough::session::plan::Extent;
use loudenough::session::protocol::{Command, Event, Failure};
use loudenough::session::runner::Bench;
use loudenough::stats::Reading;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// A whole session on the simulated bench, faster than time, on a machine that does other things beside.
const LONGEST: Duration = Duration::from_secs(120);

/// A second later each time: sessions are named after it.
fn now() -> String {
    static SECONDS: AtomicUsize = AtomicUsize::new(0);
    let s = SECONDS.fetch_add(1, Ordering::Relaxed);
    format!("2026-03-01T{:02}:{:02}:{:02}+01:00", 10 + s / 3600 % 10, s / 60 % 60, s % 60)
}

/// The simulated bench, as fast as it can.
pub fn bench() -> Bench {
    let desk = BenchSpec::named("console phones socket", "closed 80 Ω").unwrap();
    let backend = SimulatedBackend::new(desk, SimulatedCardSpec::default(), Pace::AsFastAsPossible);
    Bench::spawn(vec![Box::new(backend) as Box<dyn Backend>], now)
}

/// The window of a first start, keeping sessions in `sessions`.
pub fn fresh(bench: &Bench, sessions: &Path, width: f32, height: f32) -> super::Window {
    let app = App::new(BenchLink::to(bench, now, || false), StartState::simulated(sessions.into()));
    super::window(app, width, height, 1.0, Theme::Dark)
}

/// Draws until the bench is silent again.
pub fn settle(window: &mut super::Window) {
    let begun = Instant::now();
    loop {
        window.run_steps(1);
        let phase = window.state().desk.view.phase;
        if phase == Phase::Idle && !window.state().desk.side.is_working() {
            window.run_steps(3);
            return;
        }
        assert!(begun.elapsed() < LONGEST, "{phase:?} did not end");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Until the cards are listed.
pub fn listed(window: &mut super::Window) {
    let begun = Instant::now();
    while window.state().desk.view.cards.is_none() {
        assert!(begun.elapsed() < LONGEST, "no cards were listed");
        std::thread::sleep(Duration::from_millis(20));
        window.run_steps(1);
    }
    window.run_steps(2);
}

#[test]
fn enter_alone_leads_from_a_fresh_start_to_a_verdict_in_four_presses() {
    let home = tempfile::tempdir().unwrap();
    let bench = bench();
    let mut window = fresh(&bench, home.path(), 1280.0, 800.0);
    listed(&mut window);
    for (large, leaves) in [
        ("Use these cards  Enter", "cards: simulated bench"),
        ("Listen to the calibrator  Enter", "calibrate: offset "),
        ("Check the path  Enter", "path: checked, fault-free"),
        ("Start  Enter", ""),
    ] {
        window.get_by_label(large);
        super::press(&mut window, Key::Enter);
        settle(&mut window);
        assert!(leaves.is_empty() || super::says(&window, leaves), "{leaves} after {large}");
    }
    let view = &window.state().desk.view;
    let digest = view.digest.clone().unwrap_or_else(|| panic!("{:?} {:?}", view.failure, window.state().desk.refused));
    assert!(digest.finished && judge(&digest.record) == digest.judgement);
    assert_ne!(digest.judgement.headroom.verdict.answer, Answer::NotDetermined, "{}", digest.judgement.sentence);
    window.get_by_label(&digest.judgement.headroom.verdict.to_string());
    window.get_by_label("Ask the next question  Enter");
    // The fifth asks again, with everything else as it was.
    super::press(&mut window, Key::Enter);
    assert!(window.state().desk.asking);
    window.get_by_label("Start  Enter");
}

/// The path check ends with a doubt.
pub fn crooked(window: &mut super::Window) {
    let doubt = PathFinding {
        what: PathQuestion::Suppression,
        at: None,
        answer: PathAnswer::Doubt,
        reading: Reading::NotDetermined("invented".into()),
        text: "The noise is suppressed. Switch the suppression off.".into(),
    };
    let report = PathReport { findings: vec![doubt], sound_s: 18.0, sentence: "One doubt.".into() };
    let view = &mut window.state_mut().desk.view;
    (view.path, view.phase) = (Some(Arc::new(report)), Phase::Idle);
    window.run_steps(2);
}

/// What keeps a station from being done is said at it, and the large button is its remedy.
#[test]
fn each_station_that_fails_says_why_and_its_remedy_is_one_button() {
    let (app, bench) = super::start(super::records::chain(false), super::records::plan());
    let mut window = super::window(app, 1280.0, 800.0, 1.0, Theme::Light);
    bench.events.send(Event::Cards { cards: Vec::new(), failed: Vec::new() }).unwrap();
    window.run_steps(2);
    assert!(super::says(&window, "No card was found."));
    window.get_by_label("List the cards again  Enter");
    super::press(&mut window, Key::Enter);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::ListCards)));
    bench.events.send(Event::Cards { cards: super::records::cards(), failed: Vec::new() }).unwrap();
    window.run_steps(2);
    super::press(&mut window, Key::Enter);

    // The calibrator is not fitted: heard at the station, once more or without.
    super::press(&mut window, Key::Enter);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Calibrate { .. })));
    bench.events.send(Event::Failed(Failure { message: "no tone stood out".into(), kept: None })).unwrap();
    window.run_steps(2);
    assert!(super::says(&window, "No tone stood out."));
    window.get_by_label("Listen once more  Enter");
    window.get_by_label("Without dB SPL").click();
    window.run_steps(2);

    // A crooked path: what it is, once more, or all the same.
    super::press(&mut window, Key::Enter);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Run(request)) if request.plan.extent == Extent::PathCheck));
    crooked(&mut window);
    assert!(super::says(&window, "path: checked: one doubt") && super::says(&window, "The noise is suppressed."));
    window.get_by_label("Check the path once more  Enter");
    window.get_by_label("Continue anyway").click();
    window.run_steps(2);
    window.get_by_label("Start  Enter");
}
