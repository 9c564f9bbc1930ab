//! What is added to an answer: seats, reports, volume positions, music, a path check.

use super::*;

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
    assert!(says(&window, "Seated  Ctrl H") && says(&window, "level −1.3 dB, 20–100 Hz −4.0 dB, LEAKS"));
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
    assert!(says(&window, "position 2 found, −12.0 dB; turn it further") && says(&window, "Done  Ctrl H"));
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

/// A path check by keyboard: asked for the chain shown, kept apart from the session shown, reported finding by finding.
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
