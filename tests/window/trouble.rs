//! What goes wrong says so where it happened, and one button leads to its remedy.

use super::*;
use loudenough::gui::desk::{ChainPart, Station};

fn ended(window: &mut Window, bench: &Bench, stop: StopReason, calibrated: bool) {
    let mut record = records::session(records::plan(), records::chain(calibrated));
    // Nothing was heard: no step came of it.
    record.steps.clear();
    record.events = vec![SessionEvent { at: "2026-03-01T10:00:00+01:00".into(), what: Happening::Ended { stop } }];
    finish(bench, &Arc::new(record));
    window.run_steps(3);
}

/// A session without an answer: the large button is what to do about it, and Enter does it.
#[test]
fn a_session_that_found_nothing_leads_to_its_remedy_by_the_large_button() {
    let (mut window, bench) = calibrated();
    ended(&mut window, &bench, StopReason::TakesVoid { reason: VoidReason::ZeroInput }, true);
    window.get_by_label("Choose another input  Enter");
    press(&mut window, Key::Enter);
    assert_eq!((window.state().desk.page, window.state().desk.open_part), (Page::Chain, ChainPart::Capture));
    window.get_by_role_and_label(Role::TextInput, "Input 1, channel");

    // What a lost card cut short goes on once it is back.
    let (mut window, bench) = calibrated();
    ended(&mut window, &bench, StopReason::Card { what: "it was unplugged".into() }, true);
    window.get_by_label("Go on with this session  Enter");
    press(&mut window, Key::Enter);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Continue { .. })));

    let (mut window, bench) = calibrated();
    ended(&mut window, &bench, StopReason::NoSignal, true);
    window.get_by_label("Check the path  Enter");
    // The question is still one button away.
    window.get_by_label("Ask the next question");
    press(&mut window, Key::Enter);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Run(request)) if request.plan.extent == Extent::PathCheck));

    let (app, bench) = start(records::chain(false), records::plan());
    let mut window = super::window(app, 1280.0, 800.0, 1.0, Theme::Dark);
    finish(&bench, &Arc::new(records::session(records::plan(), records::chain(false))));
    window.run_steps(3);
    window.get_by_label("Calibrate the input  Enter");
    press(&mut window, Key::Enter);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Calibrate { .. })));
}

/// Cards that do not open are a matter of their station: it says why, and the large button lists them again.
#[test]
fn cards_that_do_not_open_send_back_to_their_station() {
    let (mut window, bench) = calibrated();
    bench.events.send(Event::Cards { cards: records::cards(), failed: Vec::new() }).unwrap();
    window.run_steps(2);
    press(&mut window, Key::F5);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Run(_))));
    let failure = Failure { message: "the card is used by another program; close it".into(), kept: None };
    bench.events.send(Event::Failed(failure)).unwrap();
    window.run_steps(2);
    assert_eq!(window.state().desk.next_station(), Station::Cards);
    assert!(says(&window, "The card is used by another program; close it."));
    window.get_by_label("List the cards again  Enter");
    press(&mut window, Key::Enter);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::ListCards)));
    assert_eq!(window.state().desk.state_of(Station::Cards).wrong, None);
    window.get_by_label("Use these cards  Enter");
}

/// A level is read with the offset of the chain that is heard, whatever session is shown beside it.
#[test]
fn the_level_while_the_calibrator_is_heard_does_not_take_the_offset_of_the_session_shown() {
    let (app, bench) = start(records::chain(false), records::plan());
    let mut window = super::window(app, 1280.0, 800.0, 1.0, Theme::Dark);
    finish(&bench, &whole_session());
    window.run_steps(3);
    press(&mut window, Key::F12);
    assert_eq!(window.state().desk.view.phase, Phase::Calibrating);
    *bench.live.lock().unwrap() = Some(live());
    window.run_steps(3);
    assert!(says(&window, "level now: -23.9 dBFS") || says(&window, "level now: \u{2212}23.9 dBFS"));
}
