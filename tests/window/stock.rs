//! Page Stock by role and label: typed figures become a prediction, a key looks at another output, errors stand beside the
//! thing.

use super::*;
use loudenough::stock::{Figure, HeadphoneEntry, OutputEntry, Sensitivity, folder, sensitivity::Per};

fn figure(value: f64) -> Option<Figure> {
    Some(Figure { value, half_width: None, source: "invented".into(), date: None })
}

pub fn output(name: &str, volts: f64) -> OutputEntry {
    OutputEntry {
        name: name.into(),
        volts_per_full_scale: figure(volts),
        source_ohm: figure(1.0),
        voltage_limit_v: figure(2.0 * volts),
        current_limit_ma: figure(500.0),
        ..OutputEntry::default()
    }
}

pub fn headphone(name: &str, per_milliwatt: f64, ohm: f64) -> HeadphoneEntry {
    let sensitivity = Sensitivity { level: figure(per_milliwatt).unwrap(), per: Per::Milliwatt, at_hz: 1000.0 };
    HeadphoneEntry {
        name: name.into(),
        sensitivity: Some(sensitivity),
        impedance_ohm: figure(ohm),
        ..HeadphoneEntry::default()
    }
}

/// Reads the stock to its end.
pub fn read(window: &mut Window) {
    for _ in 0..200 {
        window.run_steps(1);
        if !window.state().desk.stock.is_reading() {
            window.run_steps(2);
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    panic!("the stock was not read");
}

#[test]
fn typed_figures_become_a_prediction_and_a_key_looks_at_another_output() {
    let home = tempfile::tempdir().unwrap();
    let stock = home.path().join("stock");
    folder::keep_output(&stock, &output("weak output", 0.2), false).unwrap();
    folder::keep_output(&stock, &output("strong output", 4.0), false).unwrap();
    let (desk, _bench) = start_in(home.path().join("sessions"), records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 1600.0, 1.0, Theme::Dark);
    window.key_press_modifiers(Modifiers::COMMAND, Key::T);
    read(&mut window);
    assert_eq!(window.state().desk.page, Page::Stock);
    assert!(says(&window, "Nothing in stock yet"));

    // A headphone typed by keyboard: 100 dB/mW at 32 Ω is 114.9485 dB/V (worked example); 0.2 V RMS at full scale is
    // 0.283 V peak, so pink noise stands its true-peak factor lower, less what 1 Ω takes.
    let factor = Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT).true_peak_factor_db().unwrap();
    let expected = 100.0 + 14.9485 + 20.0 * (0.2 * 2f64.sqrt() * 32.0 / 33.0).log10() - factor;
    retype(&mut window, "Headphone", "small 32 Ω");
    retype(&mut window, "Sensitivity, dB SPL", "100");
    retype(&mut window, "Impedance, Ω", "3x2");
    window.get_by_role_and_label(Role::Button, "Keep this headphone").click_accesskit();
    window.run_steps(1);
    read(&mut window);
    assert!(says(&window, "Type the impedance of the headphone in Ω"), "a wrong number is named beside the fields");
    retype(&mut window, "Impedance, Ω", "32");
    window.get_by_role_and_label(Role::Button, "Keep this headphone").click_accesskit();
    window.run_steps(1);
    read(&mut window);
    assert!(stock.join("headphones/small-32-ohm.toml").exists());
    let cells: Vec<String> =
        window.query_all_by_label_contains(" with small 32 Ω").filter_map(|n| n.accesskit_node().label()).collect();
    assert!(
        cells.iter().any(|c| c.contains(&format!("weak output with small 32 Ω: {expected:.1} ±5.0 dB SPL"))),
        "{cells:?}"
    );
    assert!(says(&window, "predicted"));
    assert!(says(&window, "Map of strong output"));

    window.get_by_role_and_label(Role::Button, "Look at weak output").focus();
    press(&mut window, Key::Enter);
    read(&mut window);
    assert!(says(&window, "Map of weak output"));
    assert_eq!(window.state().desk.stock.looked_at.as_ref().unwrap().name, "weak output");
    // The same name twice needs a word.
    window.get_by_role_and_label(Role::Button, "Keep this headphone").click_accesskit();
    window.run_steps(1);
    read(&mut window);
    assert!(says(&window, "is there already"));
}

#[test]
fn a_stock_file_that_is_not_understood_is_named_on_the_page() {
    let home = tempfile::tempdir().unwrap();
    let entry = HeadphoneEntry {
        name: "x".into(),
        sensitivity: Some(Sensitivity { level: figure(100.0).unwrap(), per: Per::Volt, at_hz: 500.0 }),
        ..HeadphoneEntry::default()
    };
    let file = folder::keep_headphone(&home.path().join("stock"), &entry, false).unwrap().path;
    std::fs::write(&file, "name = 3").unwrap();
    let (desk, _bench) = start_in(home.path().join("sessions"), records::chain(true), records::plan());
    let mut window = window(desk, 800.0, 600.0, 1.0, Theme::Light);
    window.key_press_modifiers(Modifiers::COMMAND, Key::T);
    read(&mut window);
    assert!(says(&window, "x.toml"));
}

/// Two measured pairings and one predicted: a cell opens its evidence, its session opens from there, a predicted one is asked for.
#[test]
fn a_cell_opens_its_evidence_and_the_evidence_its_session() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    let record = side_by_side::leave_whole(&sessions, 9, "console phones socket");
    folder::keep_output(&home.path().join("stock"), &output("strong output", 4.0), false).unwrap();
    let (desk, _bench) = start_in(sessions.clone(), records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 1600.0, 1.0, Theme::Dark);
    window.key_press_modifiers(Modifiers::COMMAND, Key::T);
    read(&mut window);
    let headphone = &record.head.chain.headphone;
    window.query_all_by_label_contains(&format!(" with {headphone}: ")).next().unwrap();
    window.get_by_label_contains(&format!("strong output with {headphone}: ")).click();
    window.run_steps(3);
    window.get_by_label("Measure this pairing");
    assert!(says(&window, "Predicted from the sessions and figures"));
    let output = window.state().desk.stock.stock().unwrap().sessions[0].output.words();
    window.get_by_label_contains(&format!("{output} with {headphone}: ")).click();
    window.run_steps(3);
    window.get_by_label("Open at-9").click();
    window.run_steps(2);
    for _ in 0..300 {
        window.run_steps(1);
        if !window.state().desk.is_reopening() {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    window.run_steps(3);
    assert_eq!(window.state().desk.page, Page::Climb, "{:?}", window.state().desk.refused);
    window.get_by_label(&judge(&record).sentence);

    // Back, and a predicted pairing becomes the question.
    window.key_press_modifiers(Modifiers::COMMAND, Key::T);
    read(&mut window);
    window.get_by_label_contains(&format!("strong output with {headphone}: ")).click();
    window.run_steps(3);
    window.get_by_label("Measure this pairing").click();
    window.run_steps(3);
    let desk = &window.state().desk;
    assert_eq!((desk.page, desk.asking, desk.form.chain.output.as_str()), (Page::Climb, true, "strong output"));
}

/// Who listens is read from the stock, kept and forgotten by a button; and no page of the window names a command of the terminal.
#[test]
fn the_listener_is_kept_by_a_button_and_no_command_is_named() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    side_by_side::leave_whole(&sessions, 9, "console phones socket");
    let (desk, _bench) = start_in(sessions, records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 1600.0, 1.0, Theme::Dark);
    let file = home.path().join("stock/listener.toml");
    window.key_press_modifiers(Modifiers::COMMAND, Key::T);
    read(&mut window);
    assert!(says(&window, "For 70.0 dB, as typed on page Climb."));
    window.get_by_label("Keep as my level").click();
    window.run_steps(1);
    read(&mut window);
    assert!(std::fs::read_to_string(&file).unwrap().contains("70"));
    assert!(says(&window, "For 70.0 dB, your own level as kept."));
    // Where the question asks for none, the kept one holds.
    press(&mut window, Key::F3);
    retype(&mut window, "Listening, dB SPL", "");
    window.key_press_modifiers(Modifiers::COMMAND, Key::T);
    read(&mut window);
    assert!(says(&window, "your own level as kept"));
    let cited = |window: &Window| {
        let all = window.query_all_by_label_contains("`").filter_map(|n| n.accesskit_node().label());
        all.collect::<Vec<_>>()
    };
    assert_eq!(cited(&window), Vec::<String>::new());
    window.get_by_label("Forget my level").click();
    window.run_steps(1);
    read(&mut window);
    assert!(!file.exists() && says(&window, "No listening level"));
    assert!(says(&window, "Your own level, 70.0 dB, was forgotten. Ctrl Z undoes it."));
    window.key_press_modifiers(Modifiers::COMMAND, Key::Z);
    window.run_steps(1);
    read(&mut window);
    assert!(std::fs::read_to_string(&file).unwrap().contains("70") && says(&window, "your own level as kept"));
    assert_eq!(cited(&window), Vec::<String>::new());
}

/// As a data sheet prints it, as the command line reads it.
#[test]
fn figures_are_typed_as_a_data_sheet_prints_them() {
    let home = tempfile::tempdir().unwrap();
    let (desk, _bench) = start_in(home.path().join("sessions"), records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 1600.0, 1.0, Theme::Dark);
    window.key_press_modifiers(Modifiers::COMMAND, Key::T);
    read(&mut window);
    window.get_by_label("Measure a pairing  F3");
    // The last of each name: the page's own, not the question's.
    for (field, typed) in
        [("Headphone", "sheet 32"), ("Sensitivity, dB SPL", "98 ±3 dB/mW @ 500 Hz"), ("Impedance, Ω", "32 Ω ±15 %")]
    {
        retype(&mut window, field, typed);
    }
    window.get_by_role_and_label(Role::Button, "Keep this headphone").click_accesskit();
    window.run_steps(1);
    read(&mut window);
    retype(&mut window, "Output", "sheet output");
    retype(&mut window, "Volts RMS at 0 dBFS, open", "5.6569 Vpp");
    retype(&mut window, "Source impedance, Ω", "< 1 Ω");
    retype(&mut window, "Highest power, mW", "150 mW @ 32 Ω");
    window.get_by_role_and_label(Role::Button, "Keep this output").click_accesskit();
    window.run_steps(1);
    read(&mut window);
    let stock = window.state().desk.stock.stock().unwrap();
    let (h, o) = (&stock.headphones[0], &stock.outputs[0]);
    let sensitivity = h.sensitivity.clone().unwrap();
    assert_eq!(
        (sensitivity.level.value, sensitivity.level.half_width, sensitivity.per),
        (98.0, Some(3.0), Per::Milliwatt)
    );
    assert!((sensitivity.at_hz - 500.0).abs() < 1e-9);
    let ohm = h.impedance_ohm.clone().unwrap();
    assert!((ohm.value - 32.0).abs() < 1e-9 && (ohm.half_width.unwrap() - 4.8).abs() < 1e-9);
    // From peak to peak to RMS of a sine: 2·√2.
    assert!((o.volts_per_full_scale.clone().unwrap().value - 2.0).abs() < 1e-4);
    assert!((o.source_ohm.clone().unwrap().value - 0.5).abs() < 1e-9);
    assert!((o.power[0].ohm - 32.0).abs() < 1e-9 && (o.power[0].milliwatts.value - 150.0).abs() < 1e-9);

    // Replaced, it comes back by one key.
    retype(&mut window, "Volts RMS at 0 dBFS, open", "9 V");
    window.get_by_label("Replace one that is kept under the same name").click_accesskit();
    window.run_steps(1);
    window.get_by_role_and_label(Role::Button, "Keep this output").click_accesskit();
    window.run_steps(1);
    read(&mut window);
    let volts = |window: &Window| window.state().desk.stock.stock().unwrap().outputs[0].volts_per_full_scale.clone();
    assert!((volts(&window).unwrap().value - 9.0).abs() < 1e-9);
    window.get_by_label_contains("What was kept of sheet output was replaced");
    // Out of the field, whose own typing the key undoes.
    press(&mut window, Key::Escape);
    window.key_press_modifiers(Modifiers::COMMAND, Key::Z);
    window.run_steps(1);
    read(&mut window);
    assert!((volts(&window).unwrap().value - 2.0).abs() < 1e-4);
}
