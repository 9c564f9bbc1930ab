//! Page Side by side by role and label: two sessions chosen by keyboard, the answer first, labels hidden, and what to do
//! where there is nothing to compare.

use super::*;
use loudenough::judgement::comparison::{Ask, compare, sentence};
use loudenough::session::protocol::RoundOf;

/// Reads and compares to the end.
fn settle(window: &mut Window) {
    for _ in 0..500 {
        window.run_steps(1);
        if !window.state().desk.side.is_working() {
            window.run_steps(2);
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    panic!("the sessions were not compared");
}

/// A whole stored session of this output.
pub fn leave_whole(sessions: &Path, hour: u32, output: &str) -> Record {
    let chain = Chain { output: output.into(), ..records::chain(true) };
    let mut record = records::session(records::plan(), chain);
    record.head.started_at = format!("2026-03-01T{hour:02}:00:00+00:00");
    record.head.id = format!("at-{hour}");
    let mut storage = Storage::create(sessions, &record.head).unwrap();
    for step in &record.steps {
        // No recordings: a comparison reads findings alone, so the commit marks are written by hand.
        let folder = storage.folder().join("steps").join(format!("{:04}", step.step.number));
        std::fs::create_dir_all(&folder).unwrap();
        let mut marked = serde_json::to_value(step).unwrap();
        marked["schema"] = SCHEMA.into();
        std::fs::write(folder.join("step.json"), marked.to_string()).unwrap();
    }
    for event in &record.events {
        storage.append_event(event).unwrap();
    }
    record
}

#[test]
fn an_empty_page_says_what_to_do() {
    let home = tempfile::tempdir().unwrap();
    let (desk, _bench) = start_in(home.path().join("sessions"), records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 800.0, 1.0, Theme::Light);
    window.key_press_modifiers(Modifiers::COMMAND, Key::S);
    settle(&mut window);
    assert_eq!(window.state().desk.page, Page::SideBySide);
    assert!(says(&window, "A comparison needs two finished sessions") && says(&window, "there is none so far"));
    window.key_press_modifiers(Modifiers::COMMAND, Key::M);
    window.run_steps(2);
    assert!(says(&window, "Choose both sessions first"));
}

#[test]
fn two_sessions_are_compared_and_their_names_hidden() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    let (a, b) = (leave_whole(&sessions, 9, "first output"), leave_whole(&sessions, 10, "second output"));
    let (desk, bench) = start_in(sessions.clone(), records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 2400.0, 1.0, Theme::Dark);
    window.key_press_modifiers(Modifiers::COMMAND, Key::S);
    settle(&mut window);
    let chosen = [Some(sessions.join("at-9")), Some(sessions.join("at-10"))];
    window.state_mut().desk.side.chosen = chosen;
    window.state_mut().desk.ask(Action::CompareAgain);
    settle(&mut window);
    assert!(says(&window, "add seats"), "between two seats nothing is told, and the page says what to do");
    window.get_by_role_and_label(Role::CheckBox, "the headphone stayed on the coupler").click();
    window.run_steps(2);
    settle(&mut window);
    let expected = sentence(&compare(&a, &b, &Ask { same_seat: true, ..Ask::default() }).unwrap());
    assert!(says(&window, &expected), "{expected}");
    assert!(says(&window, "Response of second output less that of first output"));
    assert!(says(&window, "Where the distortion comes from"));
    window.key_press_modifiers(Modifiers::COMMAND, Key::R);
    let page = home.path().join("report/report.html");
    for _ in 0..3000 {
        window.run_steps(1);
        if says(&window, "begin with report.html") {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    let page = std::fs::read_to_string(page).unwrap();
    assert!(
        page.contains(&expected) && page.contains("Where the distortion comes from"),
        "the sentence of the window comes first"
    );
    // These sessions have no recordings.
    window.get_by_role_and_label(Role::CheckBox, "subtract one take from the other").click();
    window.run_steps(2);
    settle(&mut window);
    assert!(says(&window, "pink-1.wav"), "the recording that is missing is named");
    window.get_by_role_and_label(Role::CheckBox, "subtract one take from the other").click();
    window.run_steps(2);
    retype(&mut window, "Level, dB", "8O");
    settle(&mut window);
    assert!(says(&window, "is not a number"));
    retype(&mut window, "Level, dB", "");
    window.get_by_role_and_label(Role::CheckBox, "hide the names").click();
    window.run_steps(2);
    settle(&mut window);
    assert!(says(&window, "white label against blue label") && !says(&window, "second output against"));
    assert!(!says(&window, "Blue label:") && !says(&window, "Open the first session"), "the names stay hidden");
    window.get_by_role_and_label(Role::CheckBox, "show which output has which label").click();
    window.run_steps(2);
    assert!(says(&window, "Blue label:"));
    // The level of the first is asked of the bench for the second.
    let _ = bench.commands.try_iter().count();
    window.key_press_modifiers(Modifiers::COMMAND, Key::M);
    window.run_steps(1);
    settle(&mut window);
    let sent =
        bench.commands.try_iter().any(|c| matches!(c, Command::Match { folder, .. } if folder.ends_with("at-10")));
    assert!(sent);
    window.state_mut().desk.view.phase = Phase::Idle;
    window.state_mut().desk.ask(Action::CompareAgain);
    settle(&mut window);
    // A swap can be begun while a comparison is shown.
    assert!(window.query_by_label("Begin the swap  Enter").is_none());
    retype(&mut window, "The first one", "output one");
    retype(&mut window, "The second one", "output two");
    window.get_by_label("Begin the swap  Enter");
    window.get_by_label("Open the second session").click();
    for _ in 0..300 {
        window.run_steps(1);
        if window.state().desk.page == Page::Climb {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    assert_eq!(window.state().desk.view.folder, Some(sessions.join("at-10")));
}

#[test]
fn a_knob_is_turned_by_a_large_figure() {
    let home = tempfile::tempdir().unwrap();
    let (desk, bench) = start_in(home.path().join("sessions"), records::chain(true), records::plan());
    let mut window = window(desk, 800.0, 600.0, 1.0, Theme::Dark);
    window.key_press_modifiers(Modifiers::COMMAND, Key::S);
    settle(&mut window);
    window.state_mut().desk.view.phase = Phase::Matching;
    bench.events.send(Event::Matching { off_db: Some(1.24) }).unwrap();
    window.run_steps(2);
    assert!(says(&window, "+1.2 dB") && says(&window, "until 0.0"));
    window.key_press_modifiers(Modifiers::COMMAND, Key::M);
    window.run_steps(1);
    assert_eq!(bench.ready.load(Ordering::Relaxed), 1);
}

/// A list closes when a key has chosen from it, and the next key goes on from there.
#[test]
fn both_sessions_are_chosen_by_keyboard_alone() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    leave_whole(&sessions, 9, "first output");
    leave_whole(&sessions, 10, "second output");
    let (desk, _bench) = start_in(sessions.clone(), records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 800.0, 1.0, Theme::Dark);
    window.key_press_modifiers(Modifiers::COMMAND, Key::S);
    settle(&mut window);
    let press = |window: &mut Window, keys: &[Key]| {
        for key in keys {
            window.key_press(*key);
            window.run_steps(3);
        }
        settle(window);
    };
    window.get_by_role_and_label(Role::ComboBox, "First output").focus();
    window.run_steps(2);
    // The latest session stands first.
    press(&mut window, &[Key::Space, Key::ArrowDown, Key::ArrowDown, Key::ArrowDown, Key::Space]);
    assert_eq!(window.state().desk.side.chosen[0], Some(sessions.join("at-9")));
    assert!(window.get_by_role_and_label(Role::ComboBox, "First output").is_focused());
    press(&mut window, &[Key::Tab, Key::Space, Key::ArrowDown, Key::ArrowDown, Key::Space]);
    assert_eq!(window.state().desk.side.chosen, [Some(sessions.join("at-9")), Some(sessions.join("at-10"))]);
    assert!(says(&window, "add seats"), "they are compared at once");
}

/// Begun, left after the first round, resumed, and walked to its answer: one key a round, and nothing sounds between them.
#[test]
fn a_swap_is_walked_by_one_key_a_round_and_can_be_resumed() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    let bench = first_run::bench();
    let mut window = first_run::fresh(&bench, &sessions, 1280.0, 1000.0);
    first_run::listed(&mut window);
    for _ in 0..2 {
        press(&mut window, Key::Enter);
        first_run::settle(&mut window);
    }
    assert!(window.state().desk.form.is_calibrated());
    window.key_press_modifiers(Modifiers::COMMAND, Key::S);
    settle(&mut window);
    retype(&mut window, "The first one", "console phones socket");
    retype(&mut window, "The second one", "console phones socket");
    window.get_by_label("Begin the swap  Enter").click();
    window.run_steps(2);
    settle(&mut window);
    assert!(says(&window, "give them two names"), "one output is no swap: {:?}", window.state().desk.side.swap);
    retype(&mut window, "The second one", "desk amplifier");
    // The first one leaves the field.
    press(&mut window, Key::Enter);
    press(&mut window, Key::Enter);
    settle(&mut window);
    assert!(says(&window, "Plug in console phones socket.") && says(&window, "Nothing plays now."));
    let round = |window: &mut Window, number: usize| {
        window.get_by_label(&format!("It is plugged in: play round {number}  Enter"));
        press(window, Key::Enter);
        first_run::settle(window);
        settle(window);
    };
    round(&mut window, 1);
    assert!(says(&window, "Plug in desk amplifier.") && says(&window, "round 1: console phones socket, played"));
    window.get_by_label("Leave the swap").click();
    window.run_steps(2);
    settle(&mut window);
    assert!(says(&window, "a second one not heard yet") && says(&window, "1 of 3 rounds played"));
    window.get_by_label("Resume swap 1").click();
    window.run_steps(2);
    settle(&mut window);
    round(&mut window, 2);
    round(&mut window, 3);
    let chosen = window.state().desk.side.chosen.clone().map(|folder| folder.unwrap());
    let [first, second] = chosen.map(|folder| Storage::open(&folder).unwrap().1);
    let compared = compare(&first, &second, &Ask::default()).unwrap();
    assert_eq!(compared.rounds, Some(3));
    let expected = sentence(&compared);
    assert!(says(&window, &expected), "{expected}");
    assert!(says(&window, "Does it matter?"), "the sections of the account");
    assert!(window.state().desk.view.digest.is_none(), "one output of a swap is no session with an answer");
    window.get_by_label("Another swap");
}

/// Both outputs named and begun, on a bench that the test plays.
fn begun(sessions: &Path) -> (Window, Bench) {
    let (desk, bench) = start_in(sessions.into(), records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 1000.0, 1.0, Theme::Dark);
    window.key_press_modifiers(Modifiers::COMMAND, Key::S);
    settle(&mut window);
    retype(&mut window, "The first one", "output one");
    retype(&mut window, "The second one", "output two");
    press(&mut window, Key::Enter);
    window.get_by_label("Begin the swap  Enter").click();
    window.run_steps(2);
    settle(&mut window);
    assert!(says(&window, "Plug in output one."), "{:?}", window.state().desk.side.swap.wrong);
    (window, bench)
}

/// Its folder is there although the round failed: what was begun is taken up, not begun again ("exists already").
#[test]
fn a_first_round_that_failed_is_played_anew_in_the_folder_that_it_left() {
    let home = tempfile::tempdir().unwrap();
    let (mut window, bench) = begun(home.path());
    press(&mut window, Key::Enter);
    let Ok(Command::Round(round)) = bench.commands.try_recv() else { panic!("no round was asked for") };
    let RoundOf::New(new) = round.output else { panic!("{:?}", round.output) };
    let head = SessionHead { plan: new.plan.clone(), chain: new.chain.clone(), ..whole_session().head.clone() };
    let folder = home.path().join(new.id.clone().unwrap());
    let record = Arc::new(Record::new(head));
    bench.events.send(Event::Began { record, folder: folder.clone(), granted: granted() }).unwrap();
    let failure = Failure { message: "the card went away".into(), kept: Some(folder.clone()) };
    bench.events.send(Event::Failed(failure)).unwrap();
    window.run_steps(3);
    assert!(says(&window, "The card went away"));
    press(&mut window, Key::Enter);
    match bench.commands.try_recv() {
        Ok(Command::Round(round)) => assert!(
            matches!(&round.output, RoundOf::Again { folder: again, .. } if *again == folder),
            "{:?}",
            round.output
        ),
        other => panic!("{other:?}"),
    }
}

/// The second output has a knob: noise is held, the figure is large, one key says that it is right, and the swap goes on.
#[test]
fn a_swap_is_levelled_by_hand() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    let bench = first_run::bench();
    let mut window = first_run::fresh(&bench, &sessions, 1280.0, 1000.0);
    first_run::listed(&mut window);
    for _ in 0..2 {
        press(&mut window, Key::Enter);
        first_run::settle(&mut window);
    }
    window.key_press_modifiers(Modifiers::COMMAND, Key::S);
    settle(&mut window);
    window.get_by_role_and_label(Role::CheckBox, "the second has a knob: turn it to the level").click();
    window.run_steps(2);
    retype(&mut window, "The first one", "console phones socket");
    retype(&mut window, "The second one", "desk amplifier");
    press(&mut window, Key::Enter);
    press(&mut window, Key::Enter);
    settle(&mut window);
    press(&mut window, Key::Enter);
    first_run::settle(&mut window);
    press(&mut window, Key::Enter);
    let until = Instant::now();
    while window.state().desk.view.phase != Phase::Matching {
        window.run_steps(1);
        assert!(until.elapsed().as_secs() < 60, "{:?}", window.state().desk.view.phase);
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    window.run_steps(2);
    assert!(says(&window, "Turn the knob of desk amplifier until 0.0."));
    window.key_press_modifiers(Modifiers::COMMAND, Key::M);
    window.run_steps(1);
    first_run::settle(&mut window);
    settle(&mut window);
    assert!(says(&window, "round 2: desk amplifier, played"), "{:?}", window.state().desk.side.swap.wrong);
    let second = window.state().desk.side.swap.turns.as_ref().unwrap().halves[1].folder().unwrap().to_path_buf();
    let record = Storage::open(&second).unwrap().1;
    assert!(record.events.iter().any(|event| event.what == Happening::KnobTurned));
}
