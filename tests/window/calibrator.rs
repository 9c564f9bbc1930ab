//! The calibrator, heard and checked.

use super::*;

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
    for words in ["−26.04 dBFS", "1000.2 Hz", "THD 0.32 %", "steady for 3.2 of 5 s"] {
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
