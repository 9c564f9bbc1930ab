//! The listener's own level in the window: measured, kept, asked for; and not kept while something is in doubt.

use super::first_run::{bench as simulated_bench, fresh, listed, settle};
use super::*;

fn own_level(window: &mut Window) {
    window.key_press_modifiers(Modifiers::COMMAND, Key::O);
    window.run_steps(2);
}

/// Draws until it is so.
fn until(window: &mut Window, so: impl Fn(&Window) -> bool) {
    for _ in 0..500 {
        window.run_steps(1);
        if so(window) {
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    panic!("it did not come: {:?}", window.state().desk.removed());
}

fn until_said(window: &mut Window, words: &str) {
    until(window, |window| says(window, words));
}

#[test]
fn the_own_level_is_measured_by_keyboard_kept_and_asked_for() {
    let home = tempfile::tempdir().unwrap();
    let bench = simulated_bench();
    let mut window = fresh(&bench, &home.path().join("sessions"), 1280.0, 800.0);
    listed(&mut window);
    own_level(&mut window);
    assert!(says(&window, "How loud do you listen?") && says(&window, "The bench plays nothing while you wear"));
    // Without an offset there is no dB SPL, and the way to it is a button.
    press(&mut window, Key::Enter);
    assert!(says(&window, "has no calibration offset"));
    window.get_by_label("Listen to the calibrator  F12");
    own_level(&mut window);
    press(&mut window, Key::Enter);
    press(&mut window, Key::Enter);
    settle(&mut window);

    own_level(&mut window);
    retype(&mut window, "RMS level of your music, dBFS", "\u{2212}2O");
    window.get_by_label("It is on the coupler: measure  Enter").click();
    window.run_steps(2);
    assert!(says(&window, "is not a number"));
    retype(&mut window, "RMS level of your music, dBFS", "\u{2212}30");
    window.get_by_label("It is on the coupler: measure  Enter").click();
    window.run_steps(2);
    settle(&mut window);
    assert!(says(&window, "this position gives"), "{:?}", window.state().desk.own.wrong);
    let level = window.state().desk.own.heard.as_ref().unwrap().0.listening().0.level.db();
    window.get_by_label("Keep it as my level  Enter").click();
    window.run_steps(2);
    let file = home.path().join("stock/listener.toml");
    for _ in 0..300 {
        window.run_steps(1);
        if file.exists() {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    assert!(std::fs::read_to_string(&file).unwrap().contains("pink noise"));
    let asked = window.state().desk.form.ready().unwrap().0.listening.unwrap();
    assert!((asked.level.db() - level).abs() <= 0.05 + 1e-9, "{asked} is asked for, {level} was measured");
    assert!(!window.state().desk.own.open, "the question is back");
    // All of it can be undone: nobody is kept again, and the question asks for what it asked before.
    let undone = |window: &mut Window, said: &str, kept: bool| {
        until_said(window, said);
        window.key_press_modifiers(Modifiers::COMMAND, Key::Z);
        until(window, |_| file.exists() == kept);
        window.state().desk.form.ready().unwrap().0.listening.unwrap().level.to_string()
    };
    assert_eq!(
        undone(&mut window, "An own level is kept; there was none before. Ctrl Z undoes it.", false),
        "70.0 dB SPL"
    );
    // One that was kept before comes back as it was, byte for byte.
    let (stated_at, level) = ("2026-02-01T10:00:00+01:00".to_string(), DbSpl(81.5));
    let before = loudenough::session::plan::ListeningLevel { level, ..records::plan().listening.unwrap() };
    loudenough::stock::folder::keep_level(file.parent().unwrap(), stated_at, before, None).unwrap();
    let bytes = std::fs::read(&file).unwrap();
    own_level(&mut window);
    window.get_by_label("It is on the coupler: measure  Enter").click();
    window.run_steps(2);
    settle(&mut window);
    window.get_by_label("Keep it as my level  Enter").click();
    window.run_steps(2);
    assert_eq!(undone(&mut window, "A new own level is kept; it was 81.5 dB", true), "70.0 dB SPL");
    until(&mut window, |_| std::fs::read(&file).is_ok_and(|now| now == bytes));

    // What sounds there outside is no music: said, and not kept.
    own_level(&mut window);
    window.get_by_label_contains("with my music").click();
    window.run_steps(2);
    retype(&mut window, "Listen for, s", "20");
    window.get_by_label("It is on the coupler: measure  Enter").click();
    window.run_steps(2);
    settle(&mut window);
    assert!(
        says(&window, "does not vary as music does") && says(&window, "It is not kept while something is in doubt")
    );
    window.get_by_label("Measure again  Enter");
    own_level(&mut window);
    assert!(says(&window, "4 climb") || !window.state().desk.own.open);
}
