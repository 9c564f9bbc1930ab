//! Page Chain: every field behind its node, and what is removed comes back.

use super::*;

#[test]
fn a_typed_offset_comes_into_force_and_another_channel_drops_it() {
    let (desk, bench) = start(records::chain(false), records::plan());
    let mut window = window(desk, 1280.0, 1400.0, 1.0, Theme::Light);
    press(&mut window, Key::F2);
    retype(&mut window, "Offset, dB", "12O");
    assert!(says(&window, "“12O” is not a number"));
    retype(&mut window, "Offset, dB", "118.5");
    window.get_by_label("Use typed offset").click();
    window.run_steps(2);
    assert!(says(&window, "left ear: offset 118.50 ±0.40 dB, typed, 2026-03-01 10:00"));
    retype(&mut window, "Input 1, channel", "2");
    assert!(says(&window, "is not used: the channel was 1, now 2"));
    assert!(!window.state().desk.form.is_calibrated());
    retype(&mut window, "Input 1, channel", "1");
    assert!(window.state().desk.form.is_calibrated() && !says(&window, "is not used"), "it belongs to channel 1");
    retype(&mut window, "Input 1, channel", "2");
    window.get_by_label("It still holds").click();
    window.run_steps(2);
    assert!(window.state().desk.form.is_calibrated() && !says(&window, "is not used"));
    retype(&mut window, "Input 1, channel", "1");
    assert!(says(&window, "is not used: the channel was 2, now 1"));
    press(&mut window, Key::F12);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Calibrate { role: InputRole::LeftEar, .. })));
    bench.events.send(Event::Failed(Failure { message: "no tone".into(), kept: None })).unwrap();
    window.run_steps(2);
    assert!(says(&window, "No tone."));
}

/// What the window does not show of a chain (here the gain note) still counts, and is sent on whole.
#[test]
fn an_offset_of_another_gain_is_not_taken_over_and_nothing_of_a_chain_is_lost() {
    let mut chain = records::chain(true);
    chain.gain = "+20 dB".into();
    chain.output_side.knob = "3 o'clock".into();
    let (desk, _bench) = start(chain.clone(), records::plan());
    let mut window = window(desk, 1280.0, 1400.0, 1.0, Theme::Light);
    press(&mut window, Key::F2);
    assert!(says(&window, "the gain was ``, now `+20 dB`"));
    assert!(!window.state().desk.form.is_calibrated());
    chain.drop_changed_offsets();
    assert_eq!(window.state().desk.form.ready().unwrap().1, chain);
}

/// 2 V behind 8 Ω into 32 Ω: 1.6 V and 80 mW at 0 dBFS.
#[test]
fn volts_and_impedances_are_typed_by_keyboard_and_a_ceiling_in_volts_acts() {
    let (desk, _bench) = start(records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 1400.0, 1.0, Theme::Light);
    press(&mut window, Key::F2);
    assert!(says(&window, "volts: not calibrated"));
    retype(&mut window, "Own ceiling, V RMS", "0.16");
    assert!(says(&window, "The ceiling in volts does not act, because the output's volts"));
    retype(&mut window, "0 dBFS is, V ±V", "2");
    assert!(says(&window, "the output's RMS volts at 0 dBFS in V and half its 95 % interval"));
    retype(&mut window, "0 dBFS is, V ±V", "2 0.02");
    assert!(says(&window, "0 dBFS: 2.000 ±0.020 V (6.0 dBV, 8.2 dBu), typed"));
    retype(&mut window, "Source, Ω ±Ω", "8 0.1");
    retype(&mut window, "Impedance, Ω ±Ω", "32 0.5");
    assert!(says(&window, "source 8.00 ±0.10 Ω at 1 kHz, typed"));
    assert!(says(&window, "80.0 ±"), "80 mW at full scale");
    let (plan, chain) = window.state().desk.form.ready().unwrap().clone();
    let ceiling = loudenough::session::climb::drive_ceiling(&plan, &chain).unwrap();
    // The upper end of 1.6 V decides.
    assert!(
        (-20.2..-20.0).contains(&ceiling.rms.db()) && ceiling.because.contains("0.16 V at the load"),
        "{ceiling:?}"
    );
}

#[test]
fn volts_of_another_volume_are_not_used_and_say_so() {
    let mut chain = records::chain(true);
    chain.volume = "full".into();
    chain.output_side.volts_per_full_scale = Some(loudenough::stats::Estimate::symmetric(2.0, 0.02));
    chain.electrical_belongs_here([loudenough::session::chain::ElectricalPart::Volts]);
    let (desk, _bench) = start(chain, records::plan());
    let mut window = window(desk, 1280.0, 1400.0, 1.0, Theme::Light);
    press(&mut window, Key::F2);
    assert!(says(&window, "2.000 ±0.020 V"));
    retype(&mut window, "Volume note", "half");
    assert!(says(&window, "is not used: the volume was `full`, now `half`"));
    assert!(window.state().desk.form.ready().unwrap().1.output_side.volts_per_full_scale.is_none());
    retype(&mut window, "Volume note", "full");
    assert!(says(&window, "2.000 ±0.020 V"));
}

#[test]
fn a_route_that_can_resample_says_so_in_its_list() {
    let (mut window, bench) = calibrated();
    bench.events.send(Event::Cards { cards: records::cards(), failed: vec!["jack: no server".into()] }).unwrap();
    press(&mut window, Key::F2);
    assert!(says(&window, "jack: no server"));
    window.get_by_role_and_label(Role::ComboBox, "Plays").click();
    window.run_steps(3);
    assert!(says(&window, "(alsa, can resample)"));
}

/// Until the thread has read the curve.
fn read_to_its_end(window: &mut Window) {
    window.run_steps(2);
    for _ in 0..500 {
        if window.state().desk.form.particulars.read.is_some() {
            window.run_steps(2);
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
        window.run_steps(2);
    }
    panic!("the curve was not read");
}

#[test]
fn what_else_is_known_of_a_chain_is_typed_and_its_curve_read() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("curve.txt");
    std::fs::write(&file, "Hz dB\n20 -1.5\n1000 0\n20000 2.5\n").unwrap();
    let (desk, _bench) = start(records::chain(false), records::plan());
    let mut window = window(desk, 1280.0, 2400.0, 1.0, Theme::Dark);
    press(&mut window, Key::F2);
    for (field, typed) in [
        ("Knob at", "12 o'clock"),
        ("Own ceiling, dB SPL", "108"),
        ("Microphone", "invented half-inch"),
        ("Certificate of", "2025-06-31"),
        ("Input gain note", "+20 dB"),
        ("Offset good for, h", "24"),
        ("Curve file", file.to_str().unwrap()),
    ] {
        retype(&mut window, field, typed);
    }
    assert!(says(&window, "“2025-06-31” is not a date") && window.state().desk.form.ready().is_none());
    retype(&mut window, "Certificate of", "2025-06-30");
    window.get_by_label("Read the curve").click();
    read_to_its_end(&mut window);
    assert!(says(&window, "column 2"), "whether a gain or a correction must be said");
    window.get_by_role_and_label(Role::ComboBox, "Its dB are").click();
    window.run_steps(2);
    window.get_by_label("the microphone's gain").click();
    window.run_steps(2);
    window.get_by_label("Read the curve").click();
    read_to_its_end(&mut window);
    assert!(says(&window, "curve.txt: 3 points, 20 Hz to 20000 Hz") && says(&window, "line 1 was skipped"));
    let chain = window.state().desk.form.ready().unwrap().1.clone();
    assert_eq!((chain.output_side.knob.as_str(), chain.gain.as_str()), ("12 o'clock", "+20 dB"));
    assert_eq!(chain.output_side.ceilings.spl, Some(DbSpl(108.0)));
    assert!((chain.ages.offset_hours - 24.0).abs() < 1e-12);
    let microphone = &chain.microphones[&InputRole::LeftEar];
    assert_eq!(microphone.certificate.as_deref(), Some("2025-06-30"));
    assert!((chain.correction(InputRole::LeftEar).db_at(20.0) - 1.5).abs() < 1e-9, "a gain is taken off");
    window.get_by_label("Leave out curve 1").click();
    window.run_steps(2);
    assert!(window.state().desk.form.ready().unwrap().1.curves.is_empty());
}

#[test]
fn what_was_removed_comes_back_by_its_key() {
    let (desk, _bench) = start(records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 1600.0, 1.0, Theme::Dark);
    press(&mut window, Key::F2);
    window.get_by_label("Forget the offset").click();
    window.run_steps(2);
    assert!(!window.state().desk.form.is_calibrated());
    assert!(says(&window, "The offset of the left ear was forgotten. Ctrl Z undoes it."));
    let undo = |window: &mut Window| {
        window.key_press_modifiers(Modifiers::COMMAND, Key::Z);
        window.run_steps(2);
    };
    undo(&mut window);
    assert!(window.state().desk.form.is_calibrated() && !says(&window, "undoes it"));
    undo(&mut window);
    assert!(says(&window, "Nothing was removed that could come back."));
}

/// One node of the chain is open at a time, and none of its fields is lost: together they have every field there is.
#[test]
fn every_field_of_the_chain_lies_behind_one_of_its_nodes() {
    let (desk, _bench) = start(records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 3000.0, 1.0, Theme::Light);
    press(&mut window, Key::F2);
    let fields = |window: &Window| -> BTreeSet<String> {
        let named = [Role::TextInput, Role::ComboBox].map(|role| {
            let nodes = window.query_all_by_role(role);
            nodes.map(|n| format!("{role:?} {}", n.accesskit_node().label().unwrap_or_default())).collect::<Vec<_>>()
        });
        named.concat().into_iter().collect()
    };
    let all = fields(&window);
    window.get_by_label("One part at a time").click();
    window.run_steps(2);
    let mut behind = BTreeSet::new();
    for node in ["Playback card", "Output", "Headphone", "Coupler and microphone", "Capture card"] {
        window.get_by_role_and_label(Role::Button, node).click();
        window.run_steps(3);
        let shown = fields(&window);
        assert!(shown.len() < all.len() / 2 + 4, "{node} shows {} of {} fields", shown.len(), all.len());
        behind.extend(shown);
    }
    assert_eq!(all, behind);
    assert!(all.len() > 30, "{all:?}");
}
