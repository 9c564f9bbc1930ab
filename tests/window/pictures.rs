//! Some pages as they were looked at and found good, compared with what is drawn now: a change of looks is then seen in review.
//! `LOUDENOUGH_PICTURES=write` draws them anew; what differs is left beside the build, whole, to be looked at.

use super::painted::painted;
use super::side_by_side::leave_whole;
use super::*;
use loudenough::gui::followed::Followed;
use loudenough::session::protocol::{Following, SeriesEvent};
use loudenough::stock::folder;
use resvg::tiny_skia::Pixmap;

/// Channels that differ by less are the same: rounding of another processor, not another colour. Of 255.
const SAME_WITHIN: u8 = 12;
/// So many pixels may differ by more: an edge that rounds to its neighbour. A button that moves by one pixel changes hundreds.
const MAY_DIFFER: usize = 60;

fn differing(a: &Pixmap, b: &Pixmap) -> usize {
    let far = |(a, b): (&u8, &u8)| a.abs_diff(*b) > SAME_WITHIN;
    let pairs = a.data().chunks_exact(4).zip(b.data().chunks_exact(4));
    pairs.filter(|(a, b)| a.iter().zip(b.iter()).any(far)).count()
}

fn compare(window: &mut Window, name: &str) {
    // Nothing blinks, and no pointer rests anywhere.
    window.run_steps(4);
    let now = painted(window);
    let stored = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/window/pictures").join(format!("{name}.png"));
    if std::env::var("LOUDENOUGH_PICTURES").is_ok_and(|v| v == "write") {
        std::fs::create_dir_all(stored.parent().unwrap()).unwrap();
        now.save_png(&stored).unwrap();
        return;
    }
    let left = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{name}.png"));
    let before = Pixmap::load_png(&stored).unwrap_or_else(|e| panic!("{}: {e}", stored.display()));
    if (before.width(), before.height()) == (now.width(), now.height()) {
        let differ = differing(&before, &now);
        if differ <= MAY_DIFFER {
            return;
        }
        now.save_png(&left).unwrap();
        panic!("{differ} pixels of {name} differ from {}; it is drawn now as {}", stored.display(), left.display());
    }
    now.save_png(&left).unwrap();
    panic!("{name} has another size than {}; it is drawn now as {}", stored.display(), left.display());
}

fn page(width: f32, height: f32, scale: f32, theme: Theme, calibrated: bool) -> (Window, Bench) {
    let (mut app, bench) = start(records::chain(calibrated), records::plan());
    (app.desk.more_asked, app.desk.all_parts) = (false, false);
    let mut window = window(app, width, height, scale, theme);
    bench.events.send(Event::Cards { cards: records::cards(), failed: Vec::new() }).unwrap();
    window.run_steps(2);
    (window, bench)
}

#[test]
fn the_question_looks_as_it_did() {
    let (mut window, _bench) = page(800.0, 600.0, 1.0, Theme::Dark, false);
    compare(&mut window, "question-dark");
}

#[test]
fn an_answer_looks_as_it_did() {
    for (theme, name) in [(Theme::Light, "answer-light"), (Theme::Dark, "answer-dark")] {
        let (mut window, bench) = page(1280.0, 800.0, 1.0, theme, true);
        finish(&bench, &whole_session());
        compare(&mut window, name);
    }
}

#[test]
fn a_session_at_work_looks_as_it_did() {
    let (mut window, bench) = page(800.0, 600.0, 1.0, Theme::Light, true);
    press(&mut window, Key::F5);
    let record = whole_session();
    let mut so_far = Record::new(record.head.clone());
    bench
        .events
        .send(Event::Began { record: Arc::new(so_far.clone()), folder: "/s".into(), granted: granted() })
        .unwrap();
    let half = record.steps.len() / 2;
    so_far.steps = record.steps[..half].to_vec();
    bench.events.send(Event::StepDone(Arc::new(so_far))).unwrap();
    let step = record.steps[half].step.clone();
    bench.events.send(Event::StepBegan { step, expected_steps: 18, left_s: 42.0 }).unwrap();
    *bench.live.lock().unwrap() = Some(live());
    compare(&mut window, "at-work-light");
}

#[test]
fn the_chain_looks_as_it_did() {
    let (mut window, _bench) = page(640.0, 400.0, 2.0, Theme::Light, true);
    press(&mut window, Key::F2);
    compare(&mut window, "chain-light-twice");
}

#[test]
fn a_series_looks_as_it_did() {
    let (mut window, bench) = page(800.0, 600.0, 1.0, Theme::Dark, true);
    window.key_press_modifiers(Modifiers::COMMAND, Key::B);
    window.run_steps(2);
    bench.events.send(Event::Series(SeriesEvent::SwapNow { done: 0 })).unwrap();
    window.run_steps(2);
    for _ in 0..20 {
        // The sessions, of which there are none, are read by a thread.
        std::thread::sleep(std::time::Duration::from_millis(5));
        window.run_steps(1);
    }
    // A field that has the keyboard blinks.
    window.state_mut().desk.page = Page::Climb;
    window.ctx.memory_mut(|memory| memory.stop_text_input());
    compare(&mut window, "series-dark");
}

/// A page that reads stored sessions.
fn page_of(home: &Path, (width, height): (f32, f32), theme: Theme, key: Key) -> (Window, Bench) {
    let (mut app, bench) = start_in(home.join("sessions"), records::chain(true), records::plan());
    (app.desk.more_asked, app.desk.all_parts) = (false, false);
    let window = window(app, width, height, 1.0, theme);
    window.key_press_modifiers(Modifiers::COMMAND, key);
    (window, bench)
}

#[test]
fn the_stock_looks_as_it_did() {
    let home = tempfile::tempdir().unwrap();
    let stock = home.path().join("stock");
    for (name, volts) in [("weak output", 0.2), ("strong output", 4.0)] {
        folder::keep_output(&stock, &super::stock::output(name, volts), false).unwrap();
    }
    for (name, sensitivity, ohm) in [("small 32 Ω", 98.0, 32.0), ("large 300 Ω", 94.0, 300.0)] {
        folder::keep_headphone(&stock, &super::stock::headphone(name, sensitivity, ohm), false).unwrap();
    }
    let (mut window, _bench) = page_of(home.path(), (1280.0, 800.0), Theme::Light, Key::T);
    super::stock::read(&mut window);
    compare(&mut window, "stock-light");
}

#[test]
fn the_notebook_looks_as_it_did() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    leave_whole(&sessions, 9, "first output");
    leave_whole(&sessions, 10, "second output");
    let (mut window, _bench) = page_of(home.path(), (800.0, 600.0), Theme::Dark, Key::N);
    super::notebook::settle(&mut window);
    press(&mut window, Key::ArrowDown);
    super::notebook::settle(&mut window);
    compare(&mut window, "notebook-dark");
}

/// A crooked path, where there is little room: what it is, and three ways on.
#[test]
fn a_trouble_looks_as_it_did() {
    let (mut window, _bench) = page(800.0, 600.0, 1.0, Theme::Light, true);
    press(&mut window, Key::Enter);
    press(&mut window, Key::Enter);
    super::first_run::crooked(&mut window);
    compare(&mut window, "crooked-path-light");
}

#[test]
fn an_output_elsewhere_looks_as_it_did() {
    let (mut window, _bench) = page(1280.0, 800.0, 1.0, Theme::Light, true);
    window.key_press_modifiers(Modifiers::COMMAND, Key::D);
    window.run_steps(2);
    compare(&mut window, "elsewhere-light");
    // Too loud: the one thing on the page.
    let (mut window, bench) = page(800.0, 600.0, 1.0, Theme::Dark, true);
    window.key_press_modifiers(Modifiers::COMMAND, Key::D);
    window.run_steps(2);
    let view = &mut window.state_mut().desk.view;
    (view.phase, view.followed) = (Phase::Following, Some(Followed::default()));
    let record = whole_session();
    let mut so_far = Record::new(record.head.clone());
    let head = Arc::new(so_far.clone());
    bench.events.send(Event::Began { record: head, folder: "/s".into(), granted: granted() }).unwrap();
    so_far.steps = record.steps[..6].to_vec();
    bench.events.send(Event::StepDone(Arc::new(so_far))).unwrap();
    let (level, ceiling) = (DbSpl(112.3), DbSpl(110.0));
    let loud = Following::Level { role: InputRole::LeftEar, level, ceiling };
    bench.events.send(Event::Elsewhere(loud)).unwrap();
    compare(&mut window, "too-loud-elsewhere-dark");
}

/// The comparison is no formality: a colour a shade off and a page a pixel off are noticed.
#[test]
fn another_colour_and_another_place_are_noticed() {
    let (mut window, _bench) = page(800.0, 600.0, 1.0, Theme::Dark, false);
    window.run_steps(4);
    let before = painted(&window);
    let mut shade = before.clone();
    let button = before.pixels().iter().find(|p| (p.red(), p.green(), p.blue()) == (0x01, 0xa2, 0xf5)).copied();
    let button = button.expect("the large button has the colour of a level");
    for bytes in shade.data_mut().chunks_exact_mut(4) {
        if bytes[..3] == [button.red(), button.green(), button.blue()] {
            bytes[2] = bytes[2].saturating_sub(SAME_WITHIN + 1);
        }
    }
    assert!(differing(&before, &shade) > MAY_DIFFER, "another shade of the main button");
    let (mut moved, _bench) = page(800.0, 601.0, 1.0, Theme::Dark, false);
    moved.run_steps(4);
    let moved = painted(&moved);
    let same_rows = 800 * 600 * 4;
    let cut = |p: &Pixmap| {
        Pixmap::from_vec(p.data()[..same_rows].to_vec(), resvg::tiny_skia::IntSize::from_wh(800, 600).unwrap()).unwrap()
    };
    assert!(differing(&before, &cut(&moved)) > MAY_DIFFER, "a strip that is a pixel lower");
}
