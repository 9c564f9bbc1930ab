//! An output that this computer cannot drive: the sound that `plan` writes is played by a simulated device on a clock of its
//! own, and what the bench makes of it, live or from a recording, is held against an ordinary climb on the same device and
//! against the device's set values.

use crate::common::sessions::{self, finish};
use loudenough::audio::simulated::{BenchSpec, CAPTURE_CHANNELS, Device, SimulatedCardSpec};
use loudenough::card::InputRole;
use loudenough::judgement::{Threshold, judge};
use loudenough::session::audio_file::AudioFile;
use loudenough::session::chain::Chain;
use loudenough::session::elsewhere::{
    Asked, ElsewhereRequest, HeardElsewhere, SampleFormat, SlotKind, SoundPlan, read_plan, sound_plan, write,
};
use loudenough::session::plan::{Ceilings, HeadroomRule, Plan};
use loudenough::session::protocol::Command;
use loudenough::session::reanalyse::reanalyse;
use loudenough::session::record::{Record, StepResult};
use loudenough::session::runner::Bench;
use loudenough::session::step::{Purpose, StopReason};
use loudenough::session::wav::Wav;
use loudenough::take::VoidReason;
use loudenough::units::{Dbfs, SampleRate};
use std::path::{Path, PathBuf};

/// Agreed: the same clip level and same level as a climb on the same path, dB.
const SAME_CLIP_DB: f64 = 0.1;
const SAME_LEVEL_DB: f64 = 0.05;
const TOP: Dbfs = Dbfs(-13.0);

/// A simulated output that clips at about −6 dB, on a clock of its own.
fn spec() -> BenchSpec {
    BenchSpec { playback_clock_ppm: -60.0, capture_clock_ppm: 35.0, ..BenchSpec::default() }
}

/// A short plan: silence, reference, four steps around the limit, reference again.
fn asked(rate: u32, channels: u16, format: SampleFormat) -> Asked {
    let rate = SampleRate::new(rate).unwrap();
    let ceilings = Ceilings { drive: Some(TOP), ..Ceilings::default() };
    let plan = Plan { ceilings, careful_periods: 2, step_db: 3.0, ..Plan::session(rate) };
    Asked { rate, channels, format, reference: Dbfs(-40.0), from: Some(Dbfs(-22.0)), plan }
}

fn written(folder: &Path, asked: &Asked) -> SoundPlan {
    write(&sound_plan(asked).unwrap(), &folder.join("sound.wav")).unwrap()
}

/// What the simulated desk captures while a player plays the file: left and right ear.
fn recorded(spec: &BenchSpec, sound: &SoundPlan, capture: u32) -> Wav {
    let sides = [sound.samples(0), sound.samples(sound.channels - 1)];
    let frames: Vec<[f32; 2]> = (0..sound.frames).map(|n| [sides[0][n] as f32, sides[1][n] as f32]).collect();
    let wanted = [true, true, false, false, false];
    let mut device = Device::new(spec, sound.rate, SampleRate::new(capture).unwrap()).wanting(wanted);
    let mut heard: Vec<[f32; CAPTURE_CHANNELS]> = Vec::new();
    for part in frames.chunks(48_000).chain([vec![[0.0; 2]; 48_000].as_slice()]) {
        device.play(part);
        device.capture(&mut heard);
    }
    Wav { rate_hz: capture, channels: vec![heard.iter().map(|f| f[0]).collect(), heard.iter().map(|f| f[1]).collect()] }
}

fn chain(spec: &BenchSpec, capture: u32) -> Chain {
    let mut chain = sessions::chain(spec);
    chain.routing.capture_rate = SampleRate::new(capture).unwrap();
    chain.offsets_belong_here([InputRole::LeftEar]);
    chain
}

fn request(sound: &SoundPlan, recording: Option<PathBuf>, chain: Chain, folder: &Path, id: &str) -> ElsewhereRequest {
    ElsewhereRequest {
        sound: sound.clone(),
        recording,
        chain,
        listening: None,
        rule: HeadroomRule::default(),
        sessions: folder.into(),
        id: Some(id.into()),
    }
}

fn followed(request: ElsewhereRequest) -> Result<(Record, PathBuf), String> {
    let bench = sessions::bench(&spec(), SimulatedCardSpec::default());
    bench.commands.send(Command::Elsewhere(Box::new(request))).unwrap();
    finish(&bench)
}

/// Takes in a recording under this name.
fn ingested(sound: &SoundPlan, wav: &Wav, folder: &Path, id: &str) -> Result<(Record, PathBuf), String> {
    let file = folder.join(format!("{id}.wav"));
    std::fs::write(&file, wav.to_bytes().unwrap()).unwrap();
    followed(request(sound, Some(file), chain(&spec(), wav.rate_hz), folder, id))
}

fn clip_db(record: &Record) -> f64 {
    match judge(record).threshold {
        Threshold::Determined(stated) => stated.positive.determined().unwrap().value,
        other => panic!("{other:?}"),
    }
}

/// Gain of the steps that are far under the limit, dB, the quiet reference first.
fn gains(record: &Record) -> Vec<f64> {
    let counts = |s: &&StepResult| s.step.purpose.counts() && s.step.drive.is_some_and(|d| d.db() < -20.0);
    let low = record.steps.iter().filter(counts);
    low.filter_map(|s| Some(s.pink(0)?.0.gain_db?.value)).collect()
}

fn codes(record: &Record) -> Vec<String> {
    judge(record).flaws.into_iter().map(|flaw| flaw.code).collect()
}

/// The frame in the middle of the sound of the step at −19 dBFS, of a recording at the rate of the file.
fn within_a_step(sound: &SoundPlan) -> usize {
    let opens = sound.slots.iter().find_map(|slot| match &slot.kind {
        SlotKind::Take(take) if sound.step(take.step)?.drive == Some(Dbfs(-19.0)) => Some(take.opens_at),
        _ => None,
    });
    opens.unwrap() + 60_000
}

/// The same device, climbed by the bench, heard live and from a recording at another rate: one clip level, one gain; the
/// stored session recomputes to the same numbers.
#[test]
fn what_is_played_elsewhere_reads_as_a_climb_on_the_same_device() {
    let folder = tempfile::tempdir().unwrap();
    let sound = written(folder.path(), &asked(48_000, 2, SampleFormat::Bits24));
    assert_eq!(read_plan(&folder.path().join("sound.json")).unwrap(), sound);
    let plan =
        Plan { ceilings: Ceilings { drive: Some(TOP), ..Ceilings::default() }, seats: 1, ..sessions::plan(70.0) };
    let climb = sessions::run(&spec(), SimulatedCardSpec::default(), plan, sessions::chain(&spec()), folder.path());
    let (climb, _) = climb.unwrap();
    let (clip, gain) = (clip_db(&climb), gains(&climb));
    let live = followed(request(&sound, None, sessions::chain(&spec()), folder.path(), "live")).unwrap();
    let wav = recorded(&spec(), &sound, 44_100);
    let offline = ingested(&sound, &wav, folder.path(), "offline").unwrap();
    for (record, path) in [&live, &offline] {
        assert!((clip_db(record) - clip).abs() < SAME_CLIP_DB, "{} and {clip}", clip_db(record));
        for own in gains(record) {
            assert!((own - gain[0]).abs() < SAME_LEVEL_DB, "{own} and {gain:?}");
        }
        assert_eq!(record.stop(), Some(&StopReason::ClipEvidence));
        assert!(record.steps.iter().any(|s| s.step.purpose == Purpose::Threshold), "the step over the limit decides");
        assert!(record.is_from_elsewhere() && !record.can_go_on());
        let codes = codes(record);
        assert!(codes.contains(&"played-elsewhere".to_string()), "{codes:?}");
        for wrong in ["volume-changed", "moved-in-time", "steps-missing", "channels-swapped", "channels-mixed", "lossy"]
        {
            assert!(!codes.contains(&wrong.to_string()), "{codes:?}");
        }
        assert_eq!(reanalyse(path, false).unwrap().changed, [] as [usize; 0]);
        let fit = record.steps[1].pink(0).unwrap().0.common.clock.own_ppm.unwrap();
        assert!((fit.value - 95.0).abs() < 0.02, "{fit:?}");
    }
}

/// Bit for bit: however long something else was recorded before.
#[test]
fn the_same_samples_give_the_same_numbers_wherever_they_begin() {
    let folder = tempfile::tempdir().unwrap();
    let sound = written(folder.path(), &asked(48_000, 1, SampleFormat::Float));
    let wav = recorded(&spec(), &sound, 48_000);
    let mut noise = crate::common::takes::Uniform(3);
    let before: Vec<f32> = (0..30 * 48_000).map(|_| (0.02 * noise.next()) as f32).collect();
    let later = Wav {
        channels: wav.channels.iter().map(|c| before.iter().chain(c).copied().collect()).collect(),
        ..wav.clone()
    };
    let (first, _) = ingested(&sound, &wav, folder.path(), "first").unwrap();
    let (second, _) = ingested(&sound, &later, folder.path(), "second").unwrap();
    assert_eq!(first.steps.len(), sound.steps.len());
    for (a, b) in first.steps.iter().zip(&second.steps) {
        let findings = |s: &StepResult| s.takes.iter().flat_map(|t| t.inputs.clone()).collect::<Vec<_>>();
        assert_eq!(findings(a), findings(b), "step {}", a.step.number);
    }
}

/// A second cut out within a step, and a volume turned down within one: that take is void, named, and no number of it is
/// believed; what is not touched holds.
#[test]
fn a_cut_and_a_volume_that_changes_make_void_what_they_touch() {
    let folder = tempfile::tempdir().unwrap();
    let sound = written(folder.path(), &asked(48_000, 1, SampleFormat::Bits24));
    let whole = recorded(&spec(), &sound, 48_000);
    let at = within_a_step(&sound);
    let mut cut = whole.clone();
    cut.channels.iter_mut().for_each(|c| drop(c.drain(at..at + 48_000)));
    let (record, _) = ingested(&sound, &cut, folder.path(), "cut").unwrap();
    let void = |record: &Record| -> Vec<(f64, VoidReason)> {
        let takes = record.steps.iter().flat_map(|s| s.takes.iter().map(move |t| (s.step.drive, t.void.clone())));
        takes.filter_map(|(drive, void)| Some((drive?.db(), void?))).collect()
    };
    let voids = void(&record);
    assert!(
        matches!(voids.as_slice(), [(drive, VoidReason::LostSamples { .. })] if (*drive + 19.0).abs() < 1e-9),
        "{voids:?}"
    );
    let heard = HeardElsewhere::of(&record).unwrap();
    let late: Vec<f64> = heard.marks.iter().filter_map(|mark| mark.late_s).collect();
    assert!(late.len() == 1 && (late[0] + 1.0).abs() < 1e-3, "{late:?}");
    assert!((clip_db(&record) + 6.0).abs() < 0.1, "the steps after it hold");
    assert!(codes(&record).contains(&"moved-in-time".into()));

    let mut turned = whole.clone();
    turned.channels.iter_mut().for_each(|c| c[at..].iter_mut().for_each(|x| *x *= 0.944));
    let (record, _) = ingested(&sound, &turned, folder.path(), "turned").unwrap();
    let voids = void(&record);
    assert!(voids.len() == 4 && voids.iter().all(|(_, why)| matches!(why, VoidReason::GainMoves { .. })), "{voids:?}");
    assert!(codes(&record).contains(&"volume-changed".into()), "{:?}", codes(&record));
    assert!(matches!(judge(&record).threshold, Threshold::NoneUpTo { .. }));
    assert_eq!(record.stop(), Some(&StopReason::PlayedNoFurther));
}

/// Channels that are swapped or mixed to one show at the ears.
#[test]
fn swapped_and_mixed_channels_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let sound = written(folder.path(), &asked(48_000, 2, SampleFormat::Bits16));
    let straight = recorded(&spec(), &sound, 48_000);
    let both = |id: &str, wav: &Wav| {
        let mut chain = chain(&spec(), 48_000);
        chain.routing.capture_channels.push(loudenough::card::CaptureChannel { channel: 1, role: InputRole::RightEar });
        let file = folder.path().join(format!("{id}.wav"));
        std::fs::write(&file, wav.to_bytes().unwrap()).unwrap();
        codes(&followed(request(&sound, Some(file), chain, folder.path(), id)).unwrap().0)
    };
    let named = |codes: &[String], code: &str| codes.iter().any(|c| c == code);
    let codes = both("straight", &straight);
    assert!(!named(&codes, "channels-swapped") && !named(&codes, "channels-mixed"), "{codes:?}");
    let [left, right] = [straight.channels[0].clone(), straight.channels[1].clone()];
    let mixed: Vec<f32> = left.iter().zip(&right).map(|(l, r)| 0.5 * (l + r)).collect();
    assert!(named(&both("swapped", &Wav { channels: vec![right, left], ..straight.clone() }), "channels-swapped"));
    assert!(named(&both("mixed", &Wav { channels: vec![mixed.clone(), mixed], ..straight }), "channels-mixed"));
}

/// An encoder's noise follows the sound: named, and neither distortion nor clipping is determined. The stand-in adds to each
/// sample noise of its own share, 20 dB under it.
#[test]
fn noise_that_follows_the_sound_hides_distortion_and_clipping() {
    let folder = tempfile::tempdir().unwrap();
    let sound = written(folder.path(), &asked(48_000, 1, SampleFormat::Bits24));
    let mut wav = recorded(&spec(), &sound, 48_000);
    let mut noise = crate::common::takes::Uniform(11);
    wav.channels[0].iter_mut().for_each(|x| *x *= 1.0 + 0.1 * noise.gaussian() as f32);
    let (record, _) = ingested(&sound, &wav, folder.path(), "coded").unwrap();
    assert!(codes(&record).contains(&"lossy".into()), "{:?}", codes(&record));
    let judgement = judge(&record);
    assert!(matches!(judgement.threshold, Threshold::NotDetermined { .. }) && judgement.ear_limit_from.is_none());
}

/// What is none of this plan, or plays at another speed, is refused and leaves no session; a plan that was changed is refused.
#[test]
fn another_sound_another_speed_and_a_changed_plan_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let sound = written(folder.path(), &asked(44_100, 1, SampleFormat::Bits16));
    let samples: Vec<f32> = sound.samples(0).into_iter().map(|x| x as f32).collect();
    let fast = Wav { rate_hz: 48_000, channels: vec![samples.clone()] };
    let error = ingested(&sound, &fast, folder.path(), "fast").unwrap_err();
    assert!(error.contains("8.8 % faster"), "{error}");
    let mut noise = crate::common::takes::Uniform(3);
    let other = Wav { rate_hz: 48_000, channels: vec![(0..480_000).map(|_| noise.next() as f32).collect()] };
    let error = ingested(&sound, &other, folder.path(), "other").unwrap_err();
    assert!(error.contains("no mark of this plan"), "{error}");
    assert!(!folder.path().join("fast").exists() && !folder.path().join("other").exists());
    let plan = folder.path().join("sound.json");
    let text = std::fs::read_to_string(&plan).unwrap();
    std::fs::write(&plan, text.replacen("\"mark_drive\": -40.0", "\"mark_drive\": -30.0", 1)).unwrap();
    assert!(read_plan(&plan).unwrap_err().to_string().contains("was changed"));
    assert!(write(&sound, &folder.path().join("sound.wav")).is_err(), "nothing is written over");
}

/// Headers of recorders as published: RF64 (EBU Tech 3306) with its sizes in `ds64`, a length that was never filled in, the
/// extensible form; 24 bits and FLAC by the programs at hand. Samples are those of the plain file.
#[test]
fn recordings_of_any_header_hold_the_same_samples() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let samples: Vec<i16> = (0..5_000).map(|n| ((n as f64 * 0.1).sin() * 20_000.0) as i16).collect();
    let data: Vec<u8> = samples.iter().flat_map(|x| x.to_le_bytes()).collect();
    let format = |tag: u16| -> Vec<u8> {
        let mut bytes = Vec::new();
        bytes.extend(tag.to_le_bytes());
        bytes.extend(1u16.to_le_bytes());
        bytes.extend(48_000u32.to_le_bytes());
        bytes.extend(96_000u32.to_le_bytes());
        bytes.extend(2u16.to_le_bytes());
        bytes.extend(16u16.to_le_bytes());
        if tag == 0xFFFE {
            bytes.extend([22, 0, 16, 0, 4, 0, 0, 0, 1, 0]);
            bytes.extend([0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xAA, 0x00, 0x38, 0x9B, 0x71]);
        }
        bytes
    };
    let chunk = |name: &[u8; 4], length: u32, bytes: &[u8]| [name.as_slice(), &length.to_le_bytes(), bytes].concat();
    let file = |first: &[u8; 4], chunks: &[Vec<u8>]| {
        [first.as_slice(), &u32::MAX.to_le_bytes(), b"WAVE", &chunks.concat()].concat()
    };
    let sizes: Vec<u8> = [0u64, data.len() as u64, 5_000].iter().flat_map(|x| x.to_le_bytes()).chain([0; 4]).collect();
    let odd = chunk(b"note", 3, &[1, 2, 3, 0]);
    let plain = |tag: u16| chunk(b"fmt ", format(tag).len() as u32, &format(tag));
    let long = [chunk(b"ds64", 28, &sizes), plain(1), chunk(b"data", u32::MAX, &data), chunk(b"tail", 4, &[9; 4])];
    for (name, bytes) in [
        ("plain.wav", file(b"RIFF", &[plain(1), odd.clone(), chunk(b"data", data.len() as u32, &data)])),
        ("extensible.wav", file(b"RIFF", &[plain(0xFFFE), chunk(b"data", data.len() as u32, &data)])),
        ("unfinished.wav", file(b"RIFF", &[plain(1), chunk(b"data", 0, &data)])),
        ("long.wav", file(b"RF64", &long)),
    ] {
        std::fs::write(path(name), bytes).unwrap();
        let mut recording = AudioFile::open(&path(name)).unwrap();
        let piece = recording.next_piece().unwrap().unwrap();
        assert_eq!((recording.rate.get(), piece.len(), piece[0].len()), (48_000, 1, 5_000), "{name}");
        assert!(piece[0].iter().zip(&samples).all(|(a, b)| (a - f64::from(*b) / 32_768.0).abs() < 1e-12), "{name}");
    }
    std::fs::write(path("mp3.wav"), file(b"RIFF", &[plain(0x55), chunk(b"data", 4, &data[..4])])).unwrap();
    assert!(AudioFile::open(&path("mp3.wav")).err().unwrap().to_string().contains("compressed"));
    let flac = Path::new("tests/data/music/tone.flac");
    let mut recording = AudioFile::open(flac).unwrap();
    let piece = recording.next_piece().unwrap().unwrap();
    assert_eq!(piece.len(), recording.channels);
    assert!(piece[0].iter().any(|x| x.abs() > 0.01));
}

/// By the definition of RMS: a drive of −13 dBFS of pink noise is that, dithered or not; silence is digital zero, and nothing
/// is louder than the loudest step.
#[test]
fn the_file_holds_the_levels_that_it_states() {
    let folder = tempfile::tempdir().unwrap();
    let sound = written(folder.path(), &asked(48_000, 1, SampleFormat::Bits16));
    let mut recording = AudioFile::open(&folder.path().join("sound.wav")).unwrap();
    let mut samples: Vec<f64> = Vec::new();
    while let Some(piece) = recording.next_piece().unwrap() {
        samples.extend(&piece[0]);
    }
    assert_eq!(samples.len(), sound.frames);
    let mut top = 0.0f64;
    for slot in &sound.slots {
        let SlotKind::Take(take) = &slot.kind else { continue };
        let from = take.opens_at + take.settle;
        let part = &samples[from..from + take.periods * take.stimulus.period_frames(sound.rate)];
        let rms = (part.iter().map(|x| x * x).sum::<f64>() / part.len() as f64).sqrt();
        match sound.step(take.step).unwrap().drive {
            None => assert!(samples[take.opens_at..take.opens_at + take.played].iter().all(|x| x.abs() <= 0.0)),
            Some(drive) => {
                let level = 20.0 * (rms * std::f64::consts::SQRT_2).log10();
                assert!((level - drive.db()).abs() < 0.002, "{level} for {drive}");
                top = top.max(take.drive.gain());
            }
        }
    }
    let peak = samples.iter().fold(0.0f64, |most, x| most.max(x.abs()));
    assert!(peak <= top + 2.0 / 32_768.0);
    assert_eq!(sound.plan.ceilings.drive, Some(TOP));
}

/// The same samples in either kind of file, by our reader and by the decoder of FLAC's own authors where it is installed.
#[test]
#[cfg(feature = "music")]
fn a_flac_holds_the_samples_of_the_wav() {
    let folder = tempfile::tempdir().unwrap();
    for (format, channels) in [(SampleFormat::Bits16, 1), (SampleFormat::Bits24, 2)] {
        let plan = sound_plan(&asked(44_100, channels, format)).unwrap();
        let samples = |ending: &str| {
            let path = folder.path().join(format!("{channels}.{ending}"));
            let hash = write(&plan, &path).unwrap().sound_hash;
            assert_eq!(hash, loudenough::fingerprint::of(&std::fs::read(&path).unwrap()));
            let mut recording = AudioFile::open(&path).unwrap();
            assert_eq!((recording.channels, recording.rate.get()), (usize::from(channels), 44_100));
            let mut all = vec![Vec::new(); recording.channels];
            while let Some(piece) = recording.next_piece().unwrap() {
                all.iter_mut().zip(piece).for_each(|(all, piece)| all.extend(piece));
            }
            (all, path)
        };
        let ((flac, path), (wav, _)) = (samples("flac"), samples("wav2.wav"));
        assert_eq!((flac.len(), flac[0].len()), (wav.len(), plan.frames));
        assert!(
            flac == wav,
            "the samples differ from frame {:?} on",
            flac[0].iter().zip(&wav[0]).position(|(a, b)| a.to_bits() != b.to_bits())
        );
        if let Ok(test) = std::process::Command::new("flac").args(["--test", "--silent"]).arg(&path).status() {
            assert!(test.success(), "the encoder's checksums do not hold");
        }
    }
    let plan = sound_plan(&asked(48_000, 2, SampleFormat::Float)).unwrap();
    let refused = write(&plan, &folder.path().join("float.flac")).unwrap_err().to_string();
    assert!(refused.contains("float.flac") && refused.contains("16 or 24 bits"), "{refused}");
}

/// Two plans of one number of steps whose drives differ: the sound of one is never read by the other.
#[test]
fn the_sound_of_another_plan_is_not_read() {
    let folder = tempfile::tempdir().unwrap();
    let sound = written(folder.path(), &asked(48_000, 1, SampleFormat::Float));
    let other = Asked { reference: Dbfs(-41.0), ..asked(48_000, 1, SampleFormat::Float) };
    let other = sound_plan(&other).unwrap();
    assert_eq!(other.slots.len(), sound.slots.len());
    let wav = recorded(&spec(), &sound, 48_000);
    let error = ingested(&other, &wav, folder.path(), "other-plan").unwrap_err();
    assert!(error.contains("another plan"), "{error}");
}

/// Its output is not this computer's: a further seat cannot be played.
#[test]
fn nothing_is_added_to_what_was_played_elsewhere() {
    let folder = tempfile::tempdir().unwrap();
    let sound = written(folder.path(), &asked(48_000, 1, SampleFormat::Float));
    let wav = recorded(&spec(), &sound, 48_000);
    let (_, path) = ingested(&sound, &wav, folder.path(), "added").unwrap();
    let bench: Bench = sessions::bench(&spec(), SimulatedCardSpec::default());
    bench.commands.send(Command::Seat { folder: path, hold: false }).unwrap();
    let error = finish(&bench).unwrap_err();
    assert!(error.contains("played elsewhere"), "{error}");
}
