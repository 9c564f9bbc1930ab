//! Volts and impedances by keyboard: what each step asks for, plays and keeps.

use super::{Bench, Window, press, records, retype, says, start, window};
use eframe::egui::{Key, Modifiers, Theme};
use loudenough::analysis::RatioPoint;
use loudenough::calibration::electrical::Meter;
use loudenough::card::{CaptureChannel, Hookup, InputRole, PluggedLoad};
use loudenough::gui::Page;
use loudenough::gui::electrical::Kind;
use loudenough::gui::view::Phase;
use loudenough::session::protocol::{Command, ElectricalHeard, ElectricalSound, ElectricalTake, Event, Failure};
use loudenough::signal::{Drive, DriveCeiling, Stimulus};
use loudenough::stats::Estimate;
use loudenough::units::{Dbfs, SampleRate};
use realfft::num_complex::Complex;
use std::sync::atomic::Ordering;

pub fn next(window: &mut Window) {
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run_steps(3);
}

pub fn guide(inputs: &[(u16, InputRole)], kind: Kind) -> (Window, Bench) {
    let mut chain = records::chain(true);
    let more = inputs.iter().map(|(channel, role)| CaptureChannel { channel: *channel, role: *role });
    chain.routing.capture_channels.extend(more);
    let (mut desk, bench) = start(chain, records::plan());
    desk.desk.guide.kind = Some(kind);
    let mut window = window(desk, 1280.0, 2000.0, 1.0, Theme::Light);
    press(&mut window, Key::F2);
    (window, bench)
}

fn asked(bench: &Bench) -> ElectricalTake {
    match bench.commands.try_recv() {
        Ok(Command::Electrical(take)) => *take,
        other => panic!("{other:?}"),
    }
}

fn stated(window: &mut Window, bench: &Bench, heard: ElectricalHeard) {
    bench.events.send(Event::Electrical(Box::new(heard))).unwrap();
    window.run_steps(3);
}

fn heard(drive_dbfs: f64, ratio: Option<f64>) -> ElectricalHeard {
    let stimulus = Stimulus::sine(50.0);
    let ceiling = DriveCeiling { rms: Dbfs(0.0), because: "full scale".into() };
    let drive = Drive::grant(Dbfs(drive_dbfs), &stimulus.period(SampleRate::DEFAULT), &ceiling).unwrap();
    let point = |f: i32, r: f64| RatioPoint {
        frequency_hz: 20.0 * 1.1f64.powi(f),
        ratio: Complex::new(r, 0.0),
        deviation: 1e-5,
    };
    ElectricalHeard {
        drive,
        frequency_hz: Some(50.0),
        levels: [(InputRole::Witness, Estimate::symmetric(-26.0206, 0.001))].into(),
        ratio: ratio.map_or(Vec::new(), |r| (0..72).map(|f| point(f, r)).collect()),
        flaws: Vec::new(),
    }
}

/// 44.72 mV at −30 dBFS is 1.414 V at full scale.
#[test]
fn output_volts_are_taken_by_one_key_and_a_reading() {
    let (desk, bench) = start(records::chain(true), records::plan());
    let mut window = window(desk, 1280.0, 2000.0, 1.0, Theme::Dark);
    next(&mut window);
    assert_eq!(window.state().desk.page, Page::Chain);
    assert!(says(&window, "Check an unknown output for DC with a voltmeter first"));
    retype(&mut window, "Its accuracy, %", "much");
    next(&mut window);
    assert!(says(&window, "“much” is not a number. Type the meter's accuracy in %"), "beside its field");
    retype(&mut window, "Its accuracy, %", "1,5");
    next(&mut window);
    assert!(says(&window, "Step 1 of 1: a tone for the meter"));
    assert!(says(&window, "Plug in: nothing plugged into the output but the inputs. Nothing sounds."));
    assert!(bench.commands.is_empty(), "nothing sounds before it is said that it is plugged in");
    next(&mut window);
    let take = asked(&bench);
    assert_eq!(take.hookup, Hookup { load: PluggedLoad::Open, series_ohm: None });
    assert_eq!(take.sound, ElectricalSound::Tone { frequency_hz: 50.0, seconds: 15.0 });
    assert!((take.drive.db() + 30.0).abs() < 1e-12 && !take.confirmed);
    assert_eq!(window.state().desk.view.phase, Phase::Electrical);
    bench.events.send(Event::Playing { done_s: 3.0, total_s: 15.0 }).unwrap();
    window.run_steps(3);
    assert!(says(&window, "sounds, about 12 s left; Esc ends it"));
    // The field has the keyboard already: the meter is read while it sounds.
    window.event(eframe::egui::Event::Text("44 m".into()));
    window.run_steps(2);
    stated(&mut window, &bench, heard(-30.0, None));
    next(&mut window);
    assert!(says(&window, "“44 m” is not a number"), "beside the field");
    retype(&mut window, "Meter shows, V", "0.04472");
    next(&mut window);
    assert!(says(&window, "0 dBFS = 1.414"), "told");
    assert!(says(&window, "0 dBFS: 1.414"), "and in the node");
    let (_, chain) = window.state().desk.form.ready().unwrap();
    let side = &chain.output_side;
    assert_eq!(side.volts_from.as_ref().map(|from| (from.meter, from.loaded)), Some((Meter::Mains, false)));
    assert_eq!(side.volts_taken_on, Some(chain.output_setting()));
    assert!((side.volts_per_full_scale.unwrap().value - 0.04472 / 10f64.powf(-1.5)).abs() < 1e-9);
}

#[test]
fn a_drive_above_the_usual_is_typed_twice() {
    let (mut window, bench) = guide(&[], Kind::Volts);
    retype(&mut window, "Drive, dBFS RMS", "-10");
    next(&mut window);
    assert!(says(&window, "is above −20.0 dBFS") && says(&window, "type −10 again"));
    retype(&mut window, "The drive again", "-10");
    next(&mut window);
    next(&mut window);
    let take = asked(&bench);
    assert!(take.confirmed && (take.drive.db() + 10.0).abs() < 1e-12);
}

/// The witness tells 0.05 of full scale at 44.72 mV.
#[test]
fn input_volts_need_the_input_and_take_its_level() {
    let (mut window, _bench) = guide(&[], Kind::InputVolts);
    next(&mut window);
    assert!(says(&window, "The chain has no witness across the headphone. Add it under the capture card."));
    let (mut window, bench) = guide(&[(2, InputRole::Witness)], Kind::InputVolts);
    next(&mut window);
    next(&mut window);
    asked(&bench);
    stated(&mut window, &bench, heard(-30.0, None));
    retype(&mut window, "Meter shows, V", "0.04472");
    next(&mut window);
    assert!(says(&window, "witness across the headphone: 0 dBFS is 0.894"), "in the node of the capture card");
    let (_, chain) = window.state().desk.form.ready().unwrap();
    assert!((chain.input_volts[&InputRole::Witness].volts_per_full_scale.value - 0.8944).abs() < 1e-3);
}

/// Open 1, on 33 Ω 0.75: 33 (1/0.75 − 1) = 11 Ω; and the same from a meter's 2.0 and 1.5 V without any sound.
#[test]
fn source_impedance_is_taken_in_two_steps_or_from_two_readings() {
    let (mut window, bench) = guide(&[(2, InputRole::Witness)], Kind::Source);
    retype(&mut window, "Known load, Ω", "33");
    next(&mut window);
    assert!(says(&window, "The chain has no loopback"));
    retype(&mut window, "Or readings, V V", "2.000 1.500");
    next(&mut window);
    assert!(bench.commands.is_empty() && says(&window, "source impedance: 11.0"));
    assert!(says(&window, "source 11.0"), "in the node");

    let (mut window, bench) = guide(&[(2, InputRole::Witness), (3, InputRole::Loopback)], Kind::Source);
    retype(&mut window, "Known load, Ω", "33");
    for (ratio, load) in [(1.0, PluggedLoad::Open), (0.75, PluggedLoad::Resistor(33.0))] {
        if load == PluggedLoad::Open {
            next(&mut window);
        }
        next(&mut window);
        assert_eq!(asked(&bench).hookup.load, load);
        stated(&mut window, &bench, heard(-30.0, Some(ratio)));
    }
    let (_, chain) = window.state().desk.form.ready().unwrap();
    assert!((chain.output_side.source_impedance_ohm.unwrap().value - 11.0).abs() < 0.02);
    assert!(says(&window, "source 11.0"), "in the node");
}

/// Matched inputs, a check of 50 Ω and the headphone of 80 Ω behind 100 Ω. Escape in between keeps the step.
#[test]
fn load_impedance_is_verified_stopped_and_taken() {
    let both = [(2, InputRole::Witness), (3, InputRole::SourceSide)];
    let (mut window, bench) = guide(&both, Kind::Load);
    retype(&mut window, "In series, Ω", "100");
    retype(&mut window, "Check first, Ω", "50");
    next(&mut window);
    next(&mut window);
    assert_eq!(asked(&bench).hookup, Hookup { load: PluggedLoad::Open, series_ohm: None });
    stated(&mut window, &bench, heard(-30.0, Some(1.0)));
    assert!(says(&window, "Step 2 of 3: the check resistor"));
    next(&mut window);
    assert_eq!(asked(&bench).hookup.series_ohm, Some(100.0));
    let stops = bench.stops.load(Ordering::SeqCst);
    press(&mut window, Key::Escape);
    assert_eq!(bench.stops.load(Ordering::SeqCst), stops + 1);
    let failure = Failure { message: "the take was stopped".into(), kept: None };
    bench.events.send(Event::Failed(failure)).unwrap();
    window.run_steps(3);
    assert!(says(&window, "The take was stopped.") && says(&window, "Step 2 of 3"));
    assert_eq!((window.state().desk.view.phase, window.state().desk.view.failure.is_none()), (Phase::Idle, true));
    next(&mut window);
    asked(&bench);
    stated(&mut window, &bench, heard(-30.0, Some(50.0 / 150.0)));
    assert!(says(&window, "check resistor: 50.0"));
    next(&mut window);
    assert_eq!(asked(&bench).hookup.load, PluggedLoad::Headphone);
    stated(&mut window, &bench, heard(-30.0, Some(80.0 / 180.0)));
    assert!(says(&window, "impedance of closed 80 Ω: 80.0"));
    assert!(says(&window, "impedance 80.0"), "in the node");

    // A check that does not hold ends it: nothing is kept.
    let (mut window, bench) = guide(&both, Kind::Load);
    retype(&mut window, "In series, Ω", "100");
    retype(&mut window, "Check first, Ω", "50");
    next(&mut window);
    for ratio in [1.0, 0.5] {
        next(&mut window);
        asked(&bench);
        stated(&mut window, &bench, heard(-30.0, Some(ratio)));
    }
    assert!(says(&window, "The check resistor of 50 Ω ±1 % reads 100.0"));
    assert!(window.state().desk.form.ready().unwrap().1.output_side.load_impedance_ohm.is_none());
}
