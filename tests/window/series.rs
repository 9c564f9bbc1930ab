//! A series of headphones in the window: by keyboard from the first swap to the table, and what speaks against beginning.

use super::first_run::{bench as simulated_bench, fresh, listed, settle};
use super::*;
use loudenough::analysis::Flaw;
use loudenough::gui::series::Stage;
use loudenough::session::protocol::{SeriesCommand, SeriesEvent};
use loudenough::session::series::SwapChecked;
use std::time::Duration;

/// A whole session on the simulated bench, on a machine that does other things beside.
const LONGEST: Duration = Duration::from_secs(120);

fn series_key(window: &mut Window) {
    window.key_press_modifiers(Modifiers::COMMAND, Key::B);
    window.run_steps(2);
}

/// Draws until the hands are asked for: a swap, or a seat.
fn until(window: &mut Window, wanted: &[Phase], done: usize) -> Phase {
    let begun = Instant::now();
    loop {
        window.run_steps(1);
        let desk = &window.state().desk;
        let still = desk.view.phase == Phase::SwapNow
            && desk.series.as_ref().is_some_and(|s| s.stage == Stage::Checking || s.done() < done);
        if wanted.contains(&desk.view.phase) && !still {
            window.run_steps(3);
            return window.state().desk.view.phase;
        }
        assert!(begun.elapsed() < LONGEST, "{:?} {:?} {:?}", desk.view.phase, desk.view.failure, desk.refused);
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn type_name(window: &mut Window, name: &str) {
    window.event(eframe::egui::Event::Text(name.into()));
    window.run_steps(2);
    press(window, Key::Enter);
}

#[test]
fn headphone_after_headphone_by_keyboard_from_the_first_swap_to_the_table() {
    let home = tempfile::tempdir().unwrap();
    let bench = simulated_bench();
    let mut window = fresh(&bench, &home.path().join("sessions"), 1280.0, 800.0);
    listed(&mut window);
    press(&mut window, Key::Enter);
    press(&mut window, Key::Enter);
    settle(&mut window);
    series_key(&mut window);
    until(&mut window, &[Phase::SwapNow], 0);
    assert!(says(&window, "Silent: swap now") && says(&window, "console phones socket, simulated stays; 0 done."));
    // The field has the keyboard; the bench begins by itself where nothing speaks against it.
    for (typed, name, done) in [("closed 80 ohm", "closed 80 Ω", 1), ("3", "planar 18 Ω", 2)] {
        if typed == "3" {
            assert_eq!(window.state().desk.series.as_ref().unwrap().known[2], "planar 18 Ω");
        }
        type_name(&mut window, typed);
        while until(&mut window, &[Phase::SwapNow, Phase::Seating], done) == Phase::Seating {
            // Enter says that it sits, as often as it takes: what comes before the noise is held is not heard.
            let begun = Instant::now();
            while window.state().desk.view.phase == Phase::Seating {
                assert!(begun.elapsed() < LONGEST, "the seat did not end");
                press(&mut window, Key::Enter);
                std::thread::sleep(Duration::from_millis(5));
            }
        }
        let desk = &window.state().desk;
        let record = desk.view.digest.as_ref().unwrap().record.clone();
        assert_eq!((record.head.chain.headphone.as_str(), desk.series.as_ref().unwrap().done()), (name, done));
        assert_eq!(record.seat(), record.head.plan.seats, "each further seat was asked for");
        assert!(record.events.iter().any(|e| matches!(e.what, Happening::SwapChecked { .. })), "the check is kept");
        assert!(says(&window, &format!("{name}: ")), "its answer stands under the field");
    }
    // Elsewhere it is refused by name; the key ends it.
    press(&mut window, Key::F5);
    assert!(says(&window, "A series is open; end it first on page Climb (Ctrl B)."));
    series_key(&mut window);
    settle(&mut window);
    assert!(says(&window, "The series is over"));
    let begun = Instant::now();
    while window.state().desk.series.as_ref().unwrap().table.as_ref().is_none_or(|t| t.rows.len() < 2) {
        assert!(begun.elapsed() < LONGEST, "the table was not made");
        std::thread::sleep(Duration::from_millis(20));
        window.run_steps(1);
    }
    window.run_steps(2);
    assert!(says(&window, "minutes for 2 pairings with their checks"));
    press(&mut window, Key::Enter);
    assert!(window.state().desk.series.is_none());
    window.get_by_label("Check the path  Enter");
}

/// A series on a bench of the test, silent.
fn silent() -> (Window, Bench) {
    let (mut window, bench) = calibrated();
    series_key(&mut window);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Series(SeriesCommand::Begin(_)))));
    bench.events.send(Event::Series(SeriesEvent::SwapNow { done: 0 })).unwrap();
    window.run_steps(2);
    (window, bench)
}

fn name(window: &mut Window, bench: &Bench, name: &str) -> loudenough::session::protocol::NextHeadphone {
    let begun = Instant::now();
    type_name(window, name);
    loop {
        window.run_steps(1);
        match bench.commands.try_recv() {
            Ok(Command::Series(SeriesCommand::Next(next))) => return *next,
            Ok(other) => panic!("{other:?}"),
            Err(_) => assert!(begun.elapsed() < LONGEST, "nobody listened"),
        }
        std::thread::sleep(Duration::from_millis(10));
    }
}

fn checked(flaws: Vec<Flaw>) -> Event {
    let checked = SwapChecked {
        headphone: "open 300 Ω".into(),
        most_like: None,
        volume: None,
        flaws,
        not_determined: Vec::new(),
    };
    Event::Series(SeriesEvent::Checked(Box::new(checked)))
}

/// Nothing is begun against the check unless somebody says so; each way on has its key.
#[test]
fn what_speaks_against_beginning_is_said_large_and_a_key_decides() {
    let (mut window, bench) = silent();
    press(&mut window, Key::Enter);
    assert!(says(&window, "Name the headphone that is on the coupler now, or choose one of the list."));
    assert!(bench.commands.is_empty());
    window.get_by_label("Swapped at an extension lead: the output senses no new load").click();
    window.run_steps(2);
    press(&mut window, Key::F6);
    let next = name(&mut window, &bench, "open 300 Ω");
    assert_eq!(next.request.chain.headphone, "open 300 Ω");
    assert_eq!(next.request.chain.output_side.replugged_with_load, Some(false));
    assert_eq!(next.request.plan, window.state().desk.form.ready().unwrap().0);
    assert!(says(&window, "Hands off: listening"));
    let doubt = || vec![Flaw::doubt("swap-leaks", "It leaks: invented.")];
    bench.events.send(checked(doubt())).unwrap();
    window.run_steps(3);
    assert!(says(&window, "Look at this first") && says(&window, "It leaks: invented."));
    assert!(bench.commands.is_empty(), "nothing begins by itself");

    // Enter listens again; Escape goes back to the names; the key of the series begins all the same.
    press(&mut window, Key::Enter);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Series(SeriesCommand::Next(_)))));
    bench.events.send(checked(doubt())).unwrap();
    window.run_steps(3);
    press(&mut window, Key::Escape);
    assert!(says(&window, "Silent: swap now"));
    assert_eq!(window.state().desk.series.as_ref().unwrap().typed, "open 300 Ω", "the name is still there");
    window.run_steps(2);
    press(&mut window, Key::Enter);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Series(SeriesCommand::Next(_)))));
    bench.events.send(checked(doubt())).unwrap();
    window.run_steps(3);
    series_key(&mut window);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Series(SeriesCommand::Start))));
    // A card that fails leaves the series open: the others are still to be measured.
    bench.events.send(Event::Failed(Failure { message: "The card is gone.".into(), kept: None })).unwrap();
    window.run_steps(3);
    assert!(says(&window, "Silent: swap now") && says(&window, "The card is gone."));
    // Nothing against it: it begins without a key.
    name(&mut window, &bench, "");
    bench.events.send(checked(Vec::new())).unwrap();
    window.run_steps(3);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Series(SeriesCommand::Start))));
}

/// Stop between two headphones ends nothing, and cards that do not open leave no series.
#[test]
fn stop_while_silent_loses_nothing_and_cards_that_do_not_open_leave_no_series() {
    let (mut window, bench) = silent();
    window.event(eframe::egui::Event::Text("in-ear".into()));
    window.run_steps(2);
    press(&mut window, Key::Escape);
    assert_eq!(window.state().desk.view.phase, Phase::SwapNow);
    assert_eq!(window.state().desk.series.as_ref().unwrap().typed, "in-ear");
    series_key(&mut window);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Series(SeriesCommand::End))));
    bench.events.send(Event::Series(SeriesEvent::Ended { done: 0 })).unwrap();
    window.run_steps(2);
    assert_eq!(window.state().desk.view.phase, Phase::Idle);
    series_key(&mut window);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Series(SeriesCommand::Begin(_)))));
    bench.events.send(Event::Failed(Failure { message: "The card is busy.".into(), kept: None })).unwrap();
    window.run_steps(2);
    assert!(window.state().desk.series.is_none() && says(&window, "The card is busy."));
    assert_eq!(window.state().desk.view.phase, Phase::Idle);
}
