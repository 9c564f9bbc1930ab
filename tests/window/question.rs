//! The question: what is typed wrong, the next headphone, a session that is taken up.

use super::*;

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
    let asks = |window: &Window| window.get_by_role_and_label(Role::TextInput, "Output").rect();
    let before = asks(&window);
    for (key, field, hint) in opened {
        press(&mut window, key);
        assert_eq!(asks(&window), before, "the question keeps its place");
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
