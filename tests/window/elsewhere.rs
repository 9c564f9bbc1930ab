//! An output that this computer cannot drive, in the window: its sound is written, followed live and taken from a recording, by
//! keyboard; what cannot be kept on this route is said before and while it runs; every error stands beside its field.

use super::first_run::{bench as simulated_bench, fresh, listed, settle};
use super::*;
use eframe::egui::{DroppedFile, Event as Input};
use loudenough::audio::simulated::{BenchSpec, CAPTURE_CHANNELS, Device};
use loudenough::gui::elsewhere::{Part, Place};
use loudenough::judgement::Answer;
use loudenough::session::elsewhere::{Asked, SampleFormat, SoundPlan, read_plan, sound_plan, write};
use loudenough::session::plan::Ceilings;
use loudenough::session::protocol::Following;
use loudenough::session::wav::Wav;
use std::time::Duration;

/// Reading and writing on a thread, on a machine that does other things beside.
const THREAD: Duration = Duration::from_secs(60);
const STOP_IS_SAID: &str = "The bench does not play this sound, so it cannot stop it.";
const NOT_KEPT: &str = "The bench cannot stop this sound: ceilings are stated, not kept; stop it at the player.";

fn key(window: &mut Window) {
    window.key_press_modifiers(Modifiers::COMMAND, Key::D);
    window.run_steps(2);
}

/// Draws until nothing is written or read any more.
fn worked(window: &mut Window) {
    let begun = Instant::now();
    while window.state().desk.elsewhere.is_at_work() {
        assert!(begun.elapsed() < THREAD);
        std::thread::sleep(Duration::from_millis(10));
        window.run_steps(1);
    }
    window.run_steps(3);
}

/// Enter, and what a thread makes of it.
fn enter(window: &mut Window) {
    press(window, Key::Enter);
    worked(window);
}

fn wrong(window: &Window, place: Place) -> String {
    window.state().desk.elsewhere.wrong.get(&place).cloned().unwrap_or_default()
}

/// A short sound and its plan.
fn plan_in(folder: &Path) -> SoundPlan {
    let rate = SampleRate::DEFAULT;
    let ceilings = Ceilings { drive: Some(Dbfs(-13.0)), ..Ceilings::default() };
    let plan = Plan { ceilings, careful_periods: 2, step_db: 3.0, ..Plan::session(rate) };
    let (format, reference, from) = (SampleFormat::Bits24, Dbfs(-40.0), Some(Dbfs(-22.0)));
    let asked = Asked { rate, channels: 2, format, reference, from, plan };
    write(&sound_plan(&asked).unwrap(), &folder.join("phone.wav")).unwrap()
}

/// What a recorder beside the simulated desk captures while a player plays it; and the desk's own offset.
fn recorded(sound: &SoundPlan, file: &Path) -> f64 {
    let spec = BenchSpec { playback_clock_ppm: -60.0, capture_clock_ppm: 35.0, ..BenchSpec::default() };
    let sides = [sound.samples(0), sound.samples(1)];
    let frames: Vec<[f32; 2]> = (0..sound.frames).map(|n| [sides[0][n] as f32, sides[1][n] as f32]).collect();
    let rate = SampleRate::new(44_100).unwrap();
    let mut device = Device::new(&spec, sound.rate, rate).wanting([true, false, false, false, false]);
    let mut heard: Vec<[f32; CAPTURE_CHANNELS]> = Vec::new();
    for part in frames.chunks(48_000).chain([vec![[0.0; 2]; 48_000].as_slice()]) {
        device.play(part);
        device.capture(&mut heard);
    }
    let wav = Wav { rate_hz: rate.get(), channels: vec![heard.iter().map(|f| f[0]).collect()] };
    std::fs::write(file, wav.to_bytes().unwrap()).unwrap();
    spec.microphone.full_scale_db_spl
}

#[test]
fn the_sound_is_written_and_followed_by_keyboard_to_an_answer() {
    let home = tempfile::tempdir().unwrap();
    let bench = simulated_bench();
    let mut window = fresh(&bench, &home.path().join("sessions"), 1280.0, 800.0);
    listed(&mut window);
    press(&mut window, Key::Enter);
    press(&mut window, Key::Enter);
    settle(&mut window);
    key(&mut window);
    assert!(says(&window, STOP_IS_SAID) && says(&window, "Do not wear the headphones while this plays"));
    // Louder than the default is typed twice.
    retype(&mut window, "Loudest step, dBFS", "\u{2212}13");
    window.get_by_label("Write the sound  Enter").click();
    window.run_steps(2);
    worked(&mut window);
    assert!(says(&window, "such levels destroy hearing"), "{:?}", window.state().desk.elsewhere.wrong);
    retype(&mut window, "Loudest step again", "\u{2212}13");
    enter(&mut window);
    assert!(says(&window, "Written: "), "{:?}", window.state().desk.elsewhere.wrong);
    let plan = PathBuf::from(&window.state().desk.elsewhere.plan);
    let sound = read_plan(&plan).unwrap();
    assert_eq!((sound.channels, sound.rate.get(), sound.highest_drive()), (2, 48_000, Some(Dbfs(-13.0))));
    assert!(plan.with_extension("wav").exists());
    // On it goes: Enter turns to the live part, Enter listens.
    enter(&mut window);
    assert_eq!(window.state().desk.elsewhere.part, Part::Listen);
    assert!(says(&window, STOP_IS_SAID));
    // Whose output it is must be said: it is not the one that the question names.
    enter(&mut window);
    assert!(!wrong(&window, Place::Output).is_empty() && window.state().desk.view.phase == Phase::Idle);
    retype(&mut window, "Output that plays it", "a telephone");
    press(&mut window, Key::Enter);
    let begun = Instant::now();
    let (mut said_first, mut said_within, mut steps) = (false, false, 0);
    while window.state().desk.view.phase != Phase::Idle || window.state().desk.elsewhere.is_at_work() {
        window.run_steps(1);
        let desk = &window.state().desk;
        assert!(begun.elapsed() < THREAD * 2, "{:?} {:?}", desk.view.phase, desk.elsewhere.failed);
        match &desk.view.followed {
            Some(followed) if !followed.begun => said_first |= says(&window, NOT_KEPT),
            Some(followed) => {
                said_within |= says(&window, NOT_KEPT) && followed.step.is_some();
                steps = steps.max(desk.view.digest.as_ref().map_or(0, |d| d.record.steps.len()));
            }
            None => {}
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    window.run_steps(3);
    assert!(said_first && said_within, "before {said_first}, while it runs {said_within}");
    assert!(steps > 2, "steps are shown as they are found: {steps}");
    let desk = &window.state().desk;
    let digest = desk.view.digest.clone().unwrap_or_else(|| panic!("{:?}", desk.elsewhere.failed));
    assert!(digest.finished && digest.record.is_from_elsewhere() && judge(&digest.record) == digest.judgement);
    assert_ne!(digest.judgement.headroom.verdict.answer, Answer::NotDetermined, "{}", digest.judgement.sentence);
    window.get_by_label(&digest.judgement.headroom.verdict.to_string());
    // It opens as any session; nothing can be added to it from here.
    let folder = desk.view.folder.clone().unwrap();
    assert_eq!(Storage::open(&folder).unwrap().1, *digest.record);
    assert!(!desk.can_add() && !desk.elsewhere.open);
    assert!(window.query_by_label("Next seat  Ctrl H").is_none());
    assert_eq!(desk.memory.now.plan_file, plan.display().to_string());
}

#[derive(Debug)]
struct Dropped(PathBuf);

impl DroppedFile for Dropped {
    fn path(&self) -> &Path {
        &self.0
    }

    fn bytes(&self) -> Result<Vec<u8>, String> {
        Err("nobody reads it here".into())
    }
}

#[test]
fn a_recording_is_dropped_and_pasted_and_gives_the_session_that_was_played() {
    let home = tempfile::tempdir().unwrap();
    let sound = plan_in(home.path());
    let wav = home.path().join("a recording.wav");
    let offset = recorded(&sound, &wav);
    let bench = simulated_bench();
    let mut window = fresh(&bench, &home.path().join("sessions"), 800.0, 600.0);
    listed(&mut window);
    key(&mut window);
    // The plan is pasted, the recording dropped.
    window.event(Input::Paste(format!("\"{}\"", home.path().join("phone.json").display())));
    window.run_steps(2);
    assert_eq!(window.state().desk.elsewhere.part, Part::Listen);
    window.input_mut().dropped_files.push(Arc::new(Dropped(wav)));
    window.run_steps(2);
    assert_eq!(window.state().desk.elsewhere.part, Part::Recording);
    assert!(says(&window, "no ceiling was kept while it was recorded"));
    // The offset of the simulated bench is none of this recorder's.
    window.get_by_label_contains("the input of this desk").click();
    window.run_steps(2);
    retype(&mut window, "Output that plays it", "a telephone");
    enter(&mut window);
    assert!(says(&window, "no recording was made with it"));
    window.get_by_label("another recorder").click();
    window.run_steps(2);
    retype(&mut window, "Its offset, dB", &format!("{offset:.1}"));
    press(&mut window, Key::Escape);
    window.get_by_label("Take in the recording  Enter").click();
    window.run_steps(2);
    worked(&mut window);
    settle(&mut window);
    let desk = &window.state().desk;
    let digest =
        desk.view.digest.clone().unwrap_or_else(|| panic!("{:?} {:?}", desk.elsewhere.failed, desk.elsewhere.wrong));
    let head = &digest.record.head;
    assert!(head.capture.id.0.starts_with("recording:") && head.chain.output == "a telephone");
    let taken = head.chain.acoustic(InputRole::LeftEar).unwrap().offset.value;
    assert!((taken - offset).abs() < 0.05 + 1e-9, "{taken} and {offset}");
    assert!(matches!(digest.judgement.threshold, Threshold::Determined(_)), "{}", digest.judgement.sentence);
    window.get_by_label(&digest.judgement.headroom.verdict.to_string());
}

#[test]
fn what_is_wrong_stands_beside_its_field_and_nothing_is_followed() {
    let home = tempfile::tempdir().unwrap();
    let (app, bench) = start_in(home.path().join("sessions"), records::chain(true), records::plan());
    let mut window = super::window(app, 1280.0, 800.0, 1.0, Theme::Light);
    key(&mut window);
    let write = |window: &mut Window, field: &str, typed: &str, place: Place, words: &str| {
        let before = window.get_by_role_and_label(Role::TextInput, field).value().unwrap();
        retype(window, field, typed);
        enter(window);
        let said = wrong(window, place);
        assert!(said.contains(words) && says(window, &said), "{field}: {said}");
        retype(window, field, &before);
        assert_eq!(wrong(window, place), "", "typed anew, it is not wrong any more");
    };
    write(&mut window, "Loudest step, dBFS", "loud", Place::Top, "is not a number");
    write(&mut window, "Steps, dB", "0", Place::Step, "must lie between");
    write(&mut window, "Quiet reference, dBFS", "\u{2212}30", Place::Reference, "at least 20 dB under");
    write(&mut window, "First step, dBFS", "\u{2212}10", Place::From, "not between the reference");
    let sound = plan_in(home.path());
    let there = home.path().join("phone.wav").display().to_string();
    write(&mut window, "Sound file to write", &there, Place::Sound, "exists already");
    write(&mut window, "Sound file to write", "/nowhere/at/all.wav", Place::Sound, "cannot be written");
    write(&mut window, "Sound file to write", "", Place::Sound, "Name the file to write");

    window.get_by_label("2  Follow it live").click();
    window.run_steps(2);
    write(&mut window, "Plan file (.json)", &there, Place::Plan, "not a plan file");
    write(&mut window, "Plan file (.json)", "", Place::Plan, "Name the plan file");

    window.get_by_label("or take in a recording of it").click();
    window.run_steps(2);
    retype(&mut window, "Plan file (.json)", &home.path().join("phone.json").display().to_string());
    write(&mut window, "Recording, WAV or FLAC", "", Place::Recording, "Name the recording");
    let plain = home.path().join("plain.wav").display().to_string();
    std::fs::write(&plain, "no samples").unwrap();
    write(&mut window, "Recording, WAV or FLAC", &plain, Place::Recording, "neither WAV");
    recorded(&sound, &home.path().join("heard.wav"));
    retype(&mut window, "Recording, WAV or FLAC", &home.path().join("heard.wav").display().to_string());
    write(&mut window, "Output that plays it", "", Place::Output, "Name the output");
    retype(&mut window, "Output that plays it", "a telephone");
    write(&mut window, "Left ear on channel", "", Place::Ears, "at least one ear");
    write(&mut window, "Left ear on channel", "left", Place::Ears, "channel");
    write(&mut window, "Its offset, dB", "loud", Place::Offset, "is not a number");
    assert!(bench.commands.try_recv().is_err(), "nothing was asked of the bench");
    assert!(window.unnamed_widgets().is_empty(), "{:?}", window.unnamed_widgets());
    // The key leads back to the question.
    key(&mut window);
    assert!(!window.state().desk.elsewhere.open && says(&window, "dB to spare?"));
}

/// Too loud: stop is said large, at once, on the page and in the strip; and it goes away when it is quiet again.
#[test]
fn the_screen_says_stop_where_the_level_passes_the_ceiling_and_when_it_clips() {
    let home = tempfile::tempdir().unwrap();
    plan_in(home.path());
    let (app, bench) = start_in(home.path().join("sessions"), records::chain(true), records::plan());
    let mut window = super::window(app, 1280.0, 800.0, 1.0, Theme::Dark);
    key(&mut window);
    window.state_mut().desk.elsewhere.plan = home.path().join("phone.json").display().to_string();
    window.get_by_label("2  Follow it live").click();
    window.run_steps(2);
    retype(&mut window, "Output that plays it", "a telephone");
    enter(&mut window);
    let Ok(Command::Elsewhere(request)) = bench.commands.try_recv() else { panic!("it is not followed") };
    assert!(request.recording.is_none() && request.listening == records::plan().listening);
    assert_eq!(window.state().desk.view.phase, Phase::Following);
    assert!(says(&window, "Start it on the player now") && says(&window, NOT_KEPT) && says(&window, STOP_IS_SAID));
    let level = |db| Following::Level { role: InputRole::LeftEar, level: DbSpl(db), ceiling: DbSpl(110.0) };
    let mut hear = |now: Following| {
        bench.events.send(Event::Elsewhere(now)).unwrap();
        window.run_steps(2);
        window.query_all_by_label_contains("STOP THE PLAYER NOW").count()
    };
    assert_eq!(hear(level(80.0)), 0);
    // The page, the strip, and the line that every page has.
    assert!(hear(level(110.4)) >= 3);
    assert_eq!(hear(level(80.0)), 0);

    // Nothing was heard yet: what stands in the way is said here, and the page stays.
    bench
        .events
        .send(Event::Failed(Failure { message: "the card is used by another program".into(), kept: None }))
        .unwrap();
    window.run_steps(2);
    assert!(says(&window, "The card is used by another program.") && window.state().desk.view.failure.is_none());
    enter(&mut window);
    assert!(matches!(bench.commands.try_recv(), Ok(Command::Elsewhere(_))));

    // It began: the page of a session at work, with what has to be known first.
    let record = whole_session();
    let head = Arc::new(Record::new(record.head.clone()));
    bench.events.send(Event::Began { record: head, folder: "/s".into(), granted: granted() }).unwrap();
    bench.events.send(Event::Elsewhere(level(80.0))).unwrap();
    bench.events.send(Event::Elsewhere(Following::Clips { drive: Dbfs(-13.0) })).unwrap();
    window.run_steps(3);
    assert_eq!(window.state().desk.view.phase, Phase::Following);
    assert!(says(&window, "It clips at") && says(&window, "the player may be stopped now") && says(&window, NOT_KEPT));
    press(&mut window, Key::Escape);
    assert_eq!(bench.stops.load(Ordering::SeqCst), 1);
    // Stop ends the listening alone.
    assert!(
        says(&window, "what plays elsewhere goes on until you stop it there") && says(&window, "stop it at the player")
    );
    // A full disk ends it: said in the strip, with what is kept.
    let failure = Failure { message: "no space left".into(), kept: Some("/s".into()) };
    bench.events.send(Event::Failed(failure)).unwrap();
    window.run_steps(2);
    assert!(says(&window, "No space left.") && says(&window, "Finished steps are kept in /s."));
}
