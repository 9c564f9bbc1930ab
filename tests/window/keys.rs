//! Keys: what they send, and that Escape stops from everywhere.

use super::*;

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
