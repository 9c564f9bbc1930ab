//! The clipboard: the answer, a table, a picture, a path; and what was written opens from here.

use super::*;
use eframe::egui::{Event as Input, OutputCommand};

fn copied(window: &Window) -> Option<String> {
    window.output().platform_output.commands.iter().rev().find_map(|command| match command {
        OutputCommand::CopyText(text) => Some(text.clone()),
        _ => None,
    })
}

/// A key with Ctrl in one picture, so that what it puts out can be seen.
fn key(window: &mut Window, key: Key) {
    let (modifiers, input) = (Modifiers::COMMAND, window.input_mut());
    input.events.push(Input::Key { key, physical_key: None, pressed: true, repeat: false, modifiers });
}

/// What one step puts on the clipboard, within a few.
fn text(window: &mut Window) -> String {
    for _ in 0..4 {
        window.step();
        if let Some(text) = copied(window) {
            return text;
        }
    }
    panic!("nothing was copied");
}

fn finished() -> (Window, Bench, Arc<Record>) {
    let (mut window, bench) = calibrated();
    let record = whole_session();
    finish(&bench, &record);
    window.run_steps(3);
    (window, bench, record)
}

#[test]
fn the_answer_is_copied_with_unit_and_interval_by_key_and_by_button() {
    let (mut window, _bench, record) = finished();
    let judgement = judge(&record);
    let e = judgement.headroom.headroom_db.determined().unwrap();
    let figure = format!("headroom {:.1} ±{:.1} dB", e.value, e.half_width());
    for way in 0..3 {
        match way {
            0 => key(&mut window, Key::C),
            1 => window.event(Input::Copy),
            _ => window.get_by_label("Copy the answer  Ctrl C").click(),
        }
        let text = text(&mut window);
        assert!(text.contains(&figure) && text.contains(&judgement.sentence), "{way}: {text}");
        window.run_steps(2);
        assert!(says(&window, "Copied: the answer."));
    }
    // In a field the same key is the field's.
    window.state_mut().desk.asking = true;
    window.run_steps(2);
    window.get_by_role_and_label(Role::TextInput, "Output").focus();
    window.run_steps(2);
    key(&mut window, Key::C);
    window.step();
    assert_eq!(copied(&window), None);
}

#[test]
fn values_and_tables_are_copied_as_they_are_stored() {
    let (mut window, _bench, record) = finished();
    window.get_by_label_contains("Copy the values of ").click();
    let text = text(&mut window);
    let last = record.climbed().rfind(|s| s.pink(0).is_some()).unwrap();
    let level = last.pink(0).unwrap().1.sound.unwrap().z.unwrap().value;
    assert!(text.lines().count() > record.climbed().count() && text.contains(&format!("{level:.2}")), "{text}");
    window.state_mut().desk.evidence = Evidence::Numbers;
    window.run_steps(2);
    window.query_all_by_label_contains("Copy the table ").next().unwrap().click();
    let text = self::text(&mut window);
    assert!(text.contains("\r\n") && text.contains(','), "{text}");
}

/// The publishable picture: pixels on the clipboard, an SVG beside the sessions, its path on a button.
#[test]
fn a_picture_is_copied_and_written() {
    let home = tempfile::tempdir().unwrap();
    let (app, bench) = start_in(home.path().join("sessions"), records::chain(true), records::plan());
    let mut window = window(app, 1280.0, 800.0, 1.0, Theme::Dark);
    finish(&bench, &whole_session());
    window.run_steps(3);
    window.get_by_label_contains("Copy the picture ").click();
    window.step();
    let mut size = None;
    for _ in 0..1000 {
        window.step();
        let commands = &window.output().platform_output.commands;
        size = commands.iter().find_map(|command| match command {
            OutputCommand::CopyImage(image) => Some(image.size),
            _ => None,
        });
        if size.is_some() {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    assert_eq!(size, Some([1920, 1080]));
    let written: Vec<_> = std::fs::read_dir(home.path().join("pictures")).unwrap().map(|e| e.unwrap().path()).collect();
    assert!(std::fs::read_to_string(&written[0]).unwrap().starts_with("<svg"), "{written:?}");
    window.run_steps(2);
    window.get_by_label("Open");
    window.get_by_label("Copy path").click();
    assert_eq!(text(&mut window), written[0].display().to_string());
}

#[test]
fn a_pasted_path_is_music_and_other_text_says_where_it_goes() {
    let (mut window, _bench, _record) = finished();
    window.event(Input::Paste("hello".into()));
    window.run_steps(2);
    assert!(says(&window, "click into a field first"));
    window.event(Input::Paste("\"tests/data/music/longer-tone.flac\"\n".into()));
    for _ in 0..3000 {
        window.run_steps(2);
        if says(&window, "tone.flac: plays it clean") {
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    panic!("the music was not judged");
}
