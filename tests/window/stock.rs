//! Page Stock by role and label: typed figures become a prediction, a key looks at another output, errors stand beside the
//! thing.

use super::*;
use loudenough::stock::{Figure, HeadphoneEntry, OutputEntry, Sensitivity, folder, sensitivity::Per};

fn figure(value: f64) -> Option<Figure> {
    Some(Figure { value, half_width: None, source: "invented".into(), date: None })
}

fn output(name: &str, volts: f64) -> OutputEntry {
    OutputEntry {
        name: name.into(),
        volts_per_full_scale: figure(volts),
        source_ohm: figure(1.0),
        voltage_limit_v: figure(2.0 * volts),
        current_limit_ma: figure(500.0),
        ..OutputEntry::default()
    }
}

/// Reads the stock to its end.
fn read(window: &mut Window) {
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
    window.get_by_role_and_label(Role::Button, "Keep this headphone").click();
    window.run_steps(1);
    read(&mut window);
    assert!(says(&window, "Type the impedance of the headphone in Ω"), "a wrong number is named beside the fields");
    retype(&mut window, "Impedance, Ω", "32");
    window.get_by_role_and_label(Role::Button, "Keep this headphone").click();
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
    assert!(says(&window, "Map of weak output"));
    assert_eq!(window.state().desk.stock.looked_at.as_ref().unwrap().name, "weak output");
    // The same name twice needs a word.
    window.get_by_role_and_label(Role::Button, "Keep this headphone").click();
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
    let file = folder::keep_headphone(&home.path().join("stock"), &entry, false).unwrap();
    std::fs::write(&file, "name = 3").unwrap();
    let (desk, _bench) = start_in(home.path().join("sessions"), records::chain(true), records::plan());
    let mut window = window(desk, 800.0, 600.0, 1.0, Theme::Light);
    window.key_press_modifiers(Modifiers::COMMAND, Key::T);
    read(&mut window);
    assert!(says(&window, "x.toml"));
}
