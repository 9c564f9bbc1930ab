//! What comes back at the next start, and what a damaged file does.

use super::*;
use loudenough::gui::remembered::{Ground, Pairing, Remembered};

/// A window that remembers in `home`, as the program starts it.
fn begun(home: &Path, remembered: Remembered) -> (Window, Bench) {
    let state = StartState { remembered, window_file: Some(home.join("window.toml")), ..started(home) };
    let (app, bench) = start_with(state);
    (window(app, 1280.0, 800.0, 1.0, Theme::Dark), bench)
}

fn started(home: &Path) -> StartState {
    StartState { chain: records::chain(true), plan: records::plan(), ..StartState::simulated(home.join("sessions")) }
}

/// Draws until the file says this, at most two seconds of the window's own clock.
fn kept(window: &mut Window, home: &Path, holds: impl Fn(&Remembered) -> bool) -> Remembered {
    for _ in 0..200 {
        window.run_steps(3);
        if let Ok(found) = Remembered::load(&home.join("window.toml"))
            && holds(&found)
        {
            return found;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    panic!("never written: {:?}", Remembered::load(&home.join("window.toml")));
}

#[test]
fn page_theme_names_and_listener_come_back_at_the_next_start() {
    let home = tempfile::tempdir().unwrap();
    let (mut window, bench) = begun(home.path(), Remembered::default());
    retype(&mut window, "Listening, dB SPL", "72.5");
    let output = records::chain(true).output;
    press(&mut window, Key::F5);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Run(_))));
    press(&mut window, Key::F10);
    press(&mut window, Key::F2);
    let found = kept(&mut window, home.path(), |found| found.page == Page::Chain);
    assert_eq!(found.theme, Ground::Light);
    assert_eq!(found.outputs, std::slice::from_ref(&output));
    let pairing = found.simulated.clone().or_else(|| {
        // The chain of this test stands on invented real cards.
        found.listening.map(|level| Pairing { listening: Some(level), ..Pairing::default() })
    });
    assert_eq!(pairing.unwrap().listening.unwrap().level, DbSpl(72.5));

    // The next start: the page, and the last name first among those to choose from.
    let (mut window, _bench) = begun(home.path(), found);
    assert_eq!(window.state().desk.page, Page::Chain);
    assert_eq!(window.ctx.theme(), Theme::Light);
    press(&mut window, Key::F3);
    window.get_by_label("Known outputs").click();
    window.run_steps(3);
    window.get_by_role_and_label(Role::Button, &output);
}

/// The file is named, left as it is, and the window works.
#[test]
fn a_damaged_file_is_named_and_nothing_of_it_is_lost() {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("window.toml");
    std::fs::write(&path, "page = \"climb\"\nsise = [900, 700]\n").unwrap();
    let why = Remembered::load(&path).unwrap_err();
    let (app, bench) = start_with(StartState { problems: vec![why], ..started(home.path()) });
    let mut window = window(app, 1280.0, 800.0, 1.0, Theme::Dark);
    assert!(says(&window, "`sise`") && says(&window, "window.toml") && says(&window, "set it right or delete it"));
    press(&mut window, Key::F5);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Run(_))));
    press(&mut window, Key::F2);
    window.run_steps(80);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "page = \"climb\"\nsise = [900, 700]\n");
}
