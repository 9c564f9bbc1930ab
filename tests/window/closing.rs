//! Closing the window: at once while it is silent, asked by name while it sounds.

use super::*;
use eframe::egui::{ViewportCommand, ViewportEvent};

fn asks(window: &Window, wanted: &ViewportCommand) -> bool {
    window.output().viewport_output.values().flat_map(|v| v.commands.iter()).any(|c| c == wanted)
}

/// Somebody presses the cross of the window.
fn cross(window: &mut Window) {
    let viewport = window.input_mut().viewports.entry(eframe::egui::ViewportId::ROOT).or_default();
    viewport.events.push(ViewportEvent::Close);
    window.step();
    let viewport = window.input_mut().viewports.entry(eframe::egui::ViewportId::ROOT).or_default();
    viewport.events.clear();
}

fn running() -> (Window, Bench, Arc<Record>) {
    let (mut window, bench) = calibrated();
    press(&mut window, Key::F5);
    let record = whole_session();
    let head = Arc::new(Record::new(record.head.clone()));
    bench.events.send(Event::Began { record: head, folder: "/s".into(), granted: granted() }).unwrap();
    window.run_steps(2);
    (window, bench, record)
}

#[test]
fn a_silent_window_closes_at_once() {
    let (mut window, _bench) = calibrated();
    cross(&mut window);
    assert!(!asks(&window, &ViewportCommand::CancelClose));
    let (key, modifiers, input) = (Key::Q, Modifiers::COMMAND, window.input_mut());
    input.events.push(eframe::egui::Event::Key { key, physical_key: None, pressed: true, repeat: false, modifiers });
    window.step();
    assert!(asks(&window, &ViewportCommand::Close));
}

/// By the cross and by its key: what runs is named; Enter fades, waits until it is kept, and closes.
#[test]
fn closing_while_it_sounds_asks_by_name_fades_keeps_and_closes() {
    let (mut window, bench, record) = running();
    cross(&mut window);
    assert!(asks(&window, &ViewportCommand::CancelClose), "the cross alone ends nothing");
    window.run_steps(2);
    let chain = &record.head.chain;
    assert!(says(&window, "A session runs:") && says(&window, &chain.output) && says(&window, &chain.headphone));
    assert_eq!(bench.stops.load(Ordering::SeqCst), 0);
    window.get_by_label("Stay").click();
    window.run_steps(2);
    assert!(!says(&window, "A session runs:") && bench.stops.load(Ordering::SeqCst) == 0);

    window.key_press_modifiers(Modifiers::COMMAND, Key::Q);
    window.run_steps(2);
    assert!(says(&window, "Finished steps are kept"));
    window.key_press(Key::Enter);
    window.step();
    assert_eq!(bench.stops.load(Ordering::SeqCst), 1);
    assert!(!asks(&window, &ViewportCommand::Close), "not before it is kept");
    bench.events.send(Event::Ended { record, folder: "/s".into() }).unwrap();
    let mut closed = false;
    for _ in 0..4 {
        window.step();
        closed |= asks(&window, &ViewportCommand::Close);
    }
    assert!(closed && window.state().desk.may_close());
}

#[test]
fn escape_at_the_question_stops_the_sound_and_leaves_the_window_open() {
    let (mut window, bench, record) = running();
    window.key_press_modifiers(Modifiers::COMMAND, Key::Q);
    window.run_steps(2);
    press(&mut window, Key::Escape);
    assert_eq!(bench.stops.load(Ordering::SeqCst), 1);
    assert!(!says(&window, "A session runs:"));
    bench.events.send(Event::Ended { record, folder: "/s".into() }).unwrap();
    for _ in 0..3 {
        window.step();
        assert!(!asks(&window, &ViewportCommand::Close));
    }
}
