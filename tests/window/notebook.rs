//! Page Notebook by role and label: found by typing, sorted by a head, opened, written into, compared; and quick with many.

use super::side_by_side::leave_whole;
use super::*;
use loudenough::gui::notebook::Notebook;
use loudenough::stock::notebook::{self, SortBy};

/// Reads, sorts and writes to their end.
pub fn settle(window: &mut Window) {
    for _ in 0..600 {
        window.run_steps(1);
        let desk = &window.state().desk;
        if !desk.notebook.is_working() && desk.notebook.is_read() && !desk.is_reopening() && !desk.side.is_working() {
            window.run_steps(3);
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    panic!("the notebook did not come to rest");
}

fn opened(sessions: &Path) -> (Window, Bench) {
    let (app, bench) = start_in(sessions.into(), records::chain(true), records::plan());
    let mut window = window(app, 1280.0, 1600.0, 1.0, Theme::Dark);
    window.key_press_modifiers(Modifiers::COMMAND, Key::N);
    settle(&mut window);
    assert_eq!(window.state().desk.page, Page::Notebook);
    (window, bench)
}

/// Rows in their order, by what they say.
fn rows(window: &Window, word: &str) -> Vec<String> {
    let nodes = window.query_all_by_role(Role::Button).filter_map(|n| n.accesskit_node().label());
    nodes.filter(|label| label.contains("; ") && label.contains(word)).collect()
}

#[test]
fn a_session_is_found_by_typing_written_into_set_aside_and_opened() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    leave_whole(&sessions, 9, "first output");
    let second = leave_whole(&sessions, 10, "second output");
    let (mut window, _bench) = opened(&sessions);
    assert!(says(&window, "2 sessions"));
    let all = rows(&window, "output");
    assert!(all.len() == 2 && all[0].contains("second output"), "the latest first: {all:?}");

    // What is typed finds; Down leaves the field and chooses.
    window.event(eframe::egui::Event::Text("SECOND".into()));
    window.run_steps(2);
    settle(&mut window);
    assert!(says(&window, "1 of 2 sessions") && rows(&window, "first output").is_empty());
    press(&mut window, Key::ArrowDown);
    assert_eq!(window.state().desk.notebook.chosen, Some(sessions.join("at-10")));
    window.get_by_role_and_label(Role::TextInput, "Find").focus();
    retype(&mut window, "Find", "");
    settle(&mut window);

    retype(&mut window, "Note", "felt pads were new");
    window.get_by_label("Keep the note").click();
    window.run_steps(2);
    settle(&mut window);
    assert!(says(&window, "Noted in at-10.") && !rows(&window, "felt pads were new").is_empty());
    retype(&mut window, "Output was", "another output");
    window.get_by_label("Correct the names").click();
    window.run_steps(2);
    settle(&mut window);
    assert!(says(&window, "the output is another output"), "{:?}", window.state().desk.notebook.said);
    window.get_by_label("Undo what was written last").click();
    window.run_steps(2);
    settle(&mut window);
    assert!(!rows(&window, "second output").is_empty());
    window.get_by_label("Set aside: it no longer counts").click();
    window.run_steps(2);
    settle(&mut window);
    assert!(!rows(&window, "set aside").is_empty());
    window.get_by_label("Take back: it counts again").click();
    window.run_steps(2);
    settle(&mut window);
    assert!(rows(&window, "set aside").is_empty());

    // Enter opens it: the answer is the stored one.
    press(&mut window, Key::Enter);
    settle(&mut window);
    let desk = &window.state().desk;
    assert_eq!((desk.page, desk.asking), (Page::Climb, false), "{:?}", desk.refused);
    window.get_by_label(&judge(&second).sentence);
}

#[test]
fn heads_sort_and_two_marked_sessions_stand_side_by_side() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    leave_whole(&sessions, 9, "b output");
    leave_whole(&sessions, 10, "a output");
    leave_whole(&sessions, 11, "c output");
    let (mut window, _bench) = opened(&sessions);
    window.get_by_label("Sort by output").click();
    window.run_steps(2);
    settle(&mut window);
    assert_eq!(window.state().desk.notebook.by, SortBy::Output);
    let order: Vec<char> = rows(&window, " output")
        .iter()
        .map(|row| row.split(" output").next().unwrap().chars().last().unwrap())
        .collect();
    assert_eq!(order, ['a', 'b', 'c']);
    for name in ["at-9", "at-10"] {
        window.get_by_role_and_label(Role::CheckBox, &format!("Compare {name}")).click();
        window.run_steps(2);
    }
    window.get_by_label("Compare the two marked").click();
    window.run_steps(2);
    settle(&mut window);
    let desk = &window.state().desk;
    assert_eq!(desk.page, Page::SideBySide);
    assert_eq!(desk.side.chosen, [Some(sessions.join("at-9")), Some(sessions.join("at-10"))]);
    assert!(says(&window, "add seats"), "they are compared at once");
}

/// Prints the time; asserts only that it is not absurd (a timed test on a shared machine lies).
#[test]
fn the_page_of_five_thousand_sessions_is_there_in_one_picture() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    leave_whole(&sessions, 9, "an output");
    let one = notebook::read(&sessions).remove(0);
    let many = (0..5000).map(|i| notebook::Entry {
        folder: sessions.join(format!("s{i}")),
        name: format!("s{i}"),
        short: format!("s{i}"),
        ..one.clone()
    });
    let (mut app, _bench) = start_in(sessions.clone(), records::chain(true), records::plan());
    app.desk.notebook = Notebook::of(many.collect());
    let mut window = window(app, 1280.0, 800.0, 1.0, Theme::Dark);
    window.state_mut().desk.page = Page::Notebook;
    let begun = Instant::now();
    window.step();
    let first = begun.elapsed();
    assert!(says(&window, "5000 sessions"));
    let drawn = rows(&window, "an output").len();
    assert!((10..60).contains(&drawn), "{drawn} rows are drawn");
    window.state_mut().desk.page = Page::Climb;
    window.step();
    window.state_mut().desk.page = Page::Notebook;
    let begun = Instant::now();
    window.step();
    let again = begun.elapsed();
    println!("page of 5000 sessions: {:.1} ms, again {:.1} ms", 1e3 * first.as_secs_f64(), 1e3 * again.as_secs_f64());
    assert!(again.as_secs_f64() < 0.25);
}
