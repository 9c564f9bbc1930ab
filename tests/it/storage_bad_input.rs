//! What does the session folder say to what it should not find: newer versions, half files, other programs' files, full
//! disks, numbers that are none? Always a message that names the thing and the way out, and nothing is lost.

mod full;

use crate::stored_session as stored;
use loudenough::analysis::Finding;
use loudenough::session::record::{Record, StepResult};
use loudenough::session::storage::{Storage, StorageError};
use loudenough::session::wav::Wav;
use loudenough::signal::Stimulus;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A whole session on the real file system.
struct Bench {
    _home: tempfile::TempDir,
    folder: PathBuf,
    record: Record,
}

fn bench() -> Bench {
    let home = tempfile::tempdir().unwrap();
    let head = stored::head("session-1");
    let mut record = Record::new(head.clone());
    let mut storage = Storage::create(&home.path().join("not/yet/there"), &head).unwrap();
    storage.save_period(&Stimulus::sine(997.0), &stored::small_period()).unwrap();
    for event in stored::events() {
        storage.append_event(&event).unwrap();
        record.events.push(event);
    }
    for number in 1..=3 {
        let result = store(&mut storage, &record, number, |_| {}).unwrap();
        record.steps.push(result);
    }
    Bench { folder: storage.folder().to_path_buf(), _home: home, record }
}

/// Stores step `number` of the script, its result altered by `change`.
fn store(
    storage: &mut Storage,
    record: &Record,
    number: usize,
    change: impl FnOnce(&mut StepResult),
) -> Result<StepResult, StorageError> {
    let (mut step, takes) = stored::script().swap_remove((number - 1).min(2));
    step.number = number;
    let files = takes.iter().map(|take| storage.save_take(&step, take)).collect::<Result<Vec<_>, _>>()?;
    let mut result = stored::result(&step, &takes, &files);
    change(&mut result);
    storage.commit_step(&result, record)?;
    Ok(result)
}

/// The message with which the folder cannot be opened; it must hold all of `parts`.
fn refused(folder: &Path, parts: &[&str]) -> String {
    let message = match Storage::open(folder) {
        Ok(_) => panic!("opened; expected a message with {parts:?}"),
        Err(e) => e.to_string(),
    };
    parts.iter().for_each(|part| assert!(message.contains(part), "{part:?} is not in: {message}"));
    message
}

fn alter(path: &Path, from: &str, to: &str) {
    let text = fs::read_to_string(path).unwrap();
    assert!(text.contains(from), "{from} is not in {}", path.display());
    fs::write(path, text.replacen(from, to, 1)).unwrap();
}

/// One digit changed in a file that stays valid: the session opens, and says that its figures are not what was stored. A session
/// of an earlier program has no seal and says nothing.
#[test]
fn a_changed_digit_is_noticed_and_named() {
    let bench = bench();
    let step = bench.folder.join("steps/0002/step.json");
    let text = fs::read_to_string(&step).unwrap();
    alter(&step, "\"periods\":2", "\"periods\":4");
    let (_, record) = Storage::open(&bench.folder).unwrap();
    assert_eq!(record.changed, ["step 2"]);
    let flaws = loudenough::judgement::judge(&record).flaws;
    let flaw = flaws.iter().find(|flaw| flaw.code == "changed-outside").unwrap();
    assert!(flaw.weight == loudenough::analysis::Weight::Doubt && flaw.text.contains("step 2"), "{flaw:?}");
    // As it was, with other white space at the end, and with the seal taken off.
    fs::write(&step, format!("{}\n\n", text.trim_end())).unwrap();
    assert!(Storage::open(&bench.folder).unwrap().1.changed.is_empty());
    let (before, _) = text.rsplit_once(",\"seal\"").unwrap();
    fs::write(&step, format!("{before}}}")).unwrap();
    assert!(Storage::open(&bench.folder).unwrap().1.changed.is_empty());
    fs::write(&step, format!("{before},\"seal\":\"0123\"}}")).unwrap();
    assert_eq!(Storage::open(&bench.folder).unwrap().1.changed, ["step 2"]);
}

#[test]
fn numbers_that_no_measurement_gives_are_refused() {
    for (from, to, part) in [
        ("\"drive\":-", "\"drive\":", "drive"),
        ("\"drive\":-", "\"drive\":-9980", "drive"),
        ("\"low\":-", "\"low\":9", "lie between"),
    ] {
        let bench = bench();
        let step = bench.folder.join("steps/0002/step.json");
        alter(&step, from, to);
        let message = refused(&bench.folder, &["steps/0002/step.json", part]);
        assert!(message.contains("restore it from a copy"), "{message}");
    }
}

/// What never ends, and what never begins: neither is read. What is a link is not written through.
#[cfg(unix)]
#[test]
fn devices_pipes_and_links_are_left_alone() {
    use std::os::unix::fs::symlink;
    let bench = bench();
    let step = bench.folder.join("steps/0002/step.json");
    fs::remove_file(&step).unwrap();
    symlink("/dev/zero", &step).unwrap();
    refused(&bench.folder, &["steps/0002/step.json", "no plain file"]);
    fs::remove_file(&step).unwrap();
    assert!(Command::new("mkfifo").arg(&step).status().unwrap().success());
    refused(&bench.folder, &["steps/0002/step.json", "no plain file"]);

    let bench = self::bench();
    let elsewhere = bench.folder.join("../elsewhere");
    fs::write(&elsewhere, "mine").unwrap();
    symlink(&elsewhere, bench.folder.join("summary.csv.part")).unwrap();
    let (mut storage, record) = Storage::take_up(&bench.folder).unwrap();
    storage.refresh_summary(&record).unwrap();
    drop(storage);
    assert_eq!(fs::read_to_string(&elsewhere).unwrap(), "mine");
    let lock = bench.folder.join("session.lock");
    fs::remove_file(&lock).unwrap();
    symlink(&elsewhere, &lock).unwrap();
    let refused = Storage::take_up(&bench.folder).err().unwrap().to_string();
    assert!(refused.contains("symbolic link"), "{refused}");
    assert_eq!(fs::read_to_string(&elsewhere).unwrap(), "mine");
}

#[test]
fn a_session_reads_back_equal_to_the_last_bit_and_has_the_files_that_were_promised() {
    let bench = bench();
    let (storage, record) = Storage::open(&bench.folder).unwrap();
    assert_eq!(record, bench.record);
    let Finding::Pink(pink) = &record.steps[1].takes[1].inputs[0].finding else { panic!("no pink noise") };
    let numbers =
        pink.response.iter().flat_map(|p| [p.frequency_hz, p.gain_db, p.half_width_db, p.phase_rad, p.coherence]);
    let bits: Vec<u64> = numbers.map(f64::to_bits).collect();
    assert_eq!(bits, stored::awkward_numbers().into_iter().map(f64::to_bits).collect::<Vec<_>>());
    let clock = pink.common.clock.used_ppm;
    assert!(clock.to_bits() == (-0.0f64).to_bits(), "a negative zero stays one");

    for (result, (_, takes)) in record.steps.iter().zip(stored::script()) {
        for (kept, take) in result.takes.iter().zip(takes) {
            assert_eq!(storage.load_take(result.step.number, kept, &stored::ROLES).unwrap(), take);
        }
    }
    let mut files = Vec::new();
    walk(&bench.folder, &bench.folder, &mut files);
    files.sort();
    let stimulus = files.iter().position(|f| f.starts_with("stimuli/")).unwrap();
    assert_eq!(files.remove(stimulus).len(), "stimuli/0123456789abcdef.wav".len());
    let expected = "SHA256SUMS events/000001.json events/000002.json session.json session.lock steps/0001/silence-1.wav steps/0001/step.json \
        steps/0002/pink-1.wav steps/0002/pink-2.wav steps/0002/step.json steps/0003/pink-1.wav \
        steps/0003/sine-31.5hz-1.wav steps/0003/sine-997hz-1.wav steps/0003/step.json summary.csv";
    assert_eq!(files.join(" "), expected.split_whitespace().collect::<Vec<_>>().join(" "));
    for json in files.iter().filter(|f| f.ends_with(".json")) {
        let text = fs::read_to_string(bench.folder.join(json)).unwrap();
        assert!(text.starts_with("{\"schema\":\"loudenough-session/1\","), "{json}: {}", &text[..60]);
        assert_eq!(text.matches("\"schema\"").count(), 1, "{json}");
    }
}

fn walk(root: &Path, folder: &Path, found: &mut Vec<String>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            walk(root, &path, found);
        } else {
            found.push(path.strip_prefix(root).unwrap().to_str().unwrap().replace('\\', "/"));
        }
    }
}

/// Cells written out by hand from the values of the script.
#[test]
fn the_summary_has_one_row_per_step_and_leaves_empty_what_was_not_measured() {
    let text = fs::read_to_string(bench().folder.join("summary.csv")).unwrap();
    assert!(text.is_ascii());
    let rows: Vec<&str> = text.lines().collect();
    let columns = rows[0].split(',').count();
    assert!(rows.iter().all(|row| row.split(',').count() == columns), "{text}");
    assert_eq!(
        rows[0],
        "step,purpose,drive_dbfs,level_dbfs,level_db_spl,even_order_db,odd_order_db,thd_db,clip_evidence,flaws,void_takes,volts_rms,dbv,dbu,milliwatts,volts_are"
    );
    assert_eq!(rows[1], "1,silence,,-90.250,,,,,,clock-drift coupler-range,0,,,,,");
    assert_eq!(rows[2], "2,reference,-40.100,-45.679,,-52.250,<-80.000,,no,clock-drift coupler-range,1,,,,,");
    assert_eq!(rows[3], "3,climb,-37.100,-45.679,,-52.250,<-80.000,>=-61.500,no,clock-drift coupler-range,0,,,,,");
    assert_eq!(rows.len(), 4);
}

#[test]
fn a_newer_major_version_is_refused_with_the_file_and_both_versions() {
    for file in ["session.json", "steps/0002/step.json", "events/000002.json"] {
        let bench = bench();
        alter(&bench.folder.join(file), "loudenough-session/1", "loudenough-session/2");
        refused(&bench.folder, &[file, "version 2", "version 1", "newer loudenough"]);
    }
}

#[test]
fn a_newer_minor_version_and_unknown_fields_are_read() {
    let bench = bench();
    for file in ["session.json", "steps/0002/step.json", "events/000001.json"] {
        alter(&bench.folder.join(file), "loudenough-session/1\",", "loudenough-session/1.7\",\"mood\":{\"of\":[1]},");
    }
    let step = bench.folder.join("steps/0003/step.json");
    alter(&step, "\"takes\":[{", "\"takes\":[{\"weather\":\"fair\",");
    alter(&step, "\"common\":{", "\"common\":{\"weather\":\"fair\",");
    let mut record = Storage::open(&bench.folder).unwrap().1;
    record.head.schema.clone_from(&bench.record.head.schema);
    // The program that wrote them so would have sealed them.
    assert_eq!(std::mem::take(&mut record.changed), ["session.json", "step 2", "step 3", "event 1"]);
    assert_eq!(record, bench.record);
}

#[test]
fn another_programs_json_is_named_as_such() {
    for text in [
        "{}",
        "{\"schema\": 3}",
        "{\"schema\": \"other/1\"}",
        "{\"schema\": \"loudenough-session/one\"}",
        "{\"schema\": \"loudenough-session/0\"}",
    ] {
        let bench = bench();
        fs::write(bench.folder.join("session.json"), text).unwrap();
        refused(&bench.folder, &["session.json", "not written by loudenough"]);
    }
    let bench = bench();
    fs::write(bench.folder.join("session.json"), "{\"schema\": \"loudenough-session/1\"}").unwrap();
    refused(&bench.folder, &["session.json", "missing field", "restore it from a copy"]);
}

#[test]
fn half_a_json_is_named_with_the_way_out_and_the_way_out_works() {
    for file in ["session.json", "steps/0002/step.json", "events/000002.json"] {
        let bench = bench();
        let path = bench.folder.join(file);
        let whole = fs::read(&path).unwrap();
        // The last byte is the newline; without it the file is still whole.
        for length in (0..whole.len() - 1).step_by(1 + whole.len() / 40) {
            fs::write(&path, &whole[..length]).unwrap();
            refused(&bench.folder, &[file, "cannot be read", "restore it from a copy"]);
        }
        fs::write(&path, "no JSON at all").unwrap();
        refused(&bench.folder, &[file, "cannot be read"]);
    }
    let bench = bench();
    fs::write(bench.folder.join("steps/0002/step.json"), "{").unwrap();
    refused(&bench.folder, &["move the folder of this step and all later ones elsewhere", "--continue"]);
    for step in ["0002", "0003"] {
        fs::rename(bench.folder.join("steps").join(step), bench._home.path().join(step)).unwrap();
    }
    let (mut storage, mut record) = Storage::take_up(&bench.folder).unwrap();
    assert_eq!(record.steps[..], bench.record.steps[..1]);
    for number in [2, 3] {
        let result = store(&mut storage, &record, number, |_| {}).unwrap();
        record.steps.push(result);
    }
    assert_eq!(Storage::open(&bench.folder).unwrap().1, bench.record);
}

#[test]
fn a_step_behind_a_gap_or_under_another_number_is_not_taken_for_the_one_that_is_missing() {
    let bench = bench();
    let steps = bench.folder.join("steps");
    fs::rename(steps.join("0002/step.json"), steps.join("0002/kept.json")).unwrap();
    refused(&bench.folder, &["step 2", "step 3", "put it back"]);
    fs::rename(steps.join("0002"), steps.join("0004")).unwrap();
    fs::rename(steps.join("0003"), steps.join("0002")).unwrap();
    refused(&bench.folder, &["0002", "it holds step 3"]);
}

#[test]
fn files_of_other_programs_are_left_alone() {
    let bench = bench();
    let wav = Wav { rate_hz: 8000, channels: vec![vec![0.5; 3]] }.to_bytes().unwrap();
    for other in [
        "holiday.wav",
        "steps/0001/holiday.wav",
        "steps/holiday.wav",
        "stimuli/holiday.wav",
        "events/holiday.wav",
        "steps/0009",
        "events/1.json",
        "events/000009.json.part",
    ] {
        fs::write(bench.folder.join(other), &wav).unwrap();
    }
    fs::create_dir(bench.folder.join("steps/notes")).unwrap();
    assert_eq!(Storage::open(&bench.folder).unwrap().1, bench.record);
}

#[test]
fn another_wav_in_the_place_of_a_recording_is_named() {
    let original = stored::script()[1].1[1].inputs.iter().map(|i| i.samples.clone()).collect::<Vec<_>>();
    let wav = |rate_hz, channels| Wav { rate_hz, channels }.to_bytes().unwrap();
    let whole = wav(44_100, original.clone());
    let mut louder = original.clone();
    louder[1][59] += f32::EPSILON;
    let shorter = original.iter().map(|c| c[..59].to_vec()).collect();
    let mut integers = std::io::Cursor::new(Vec::new());
    integers.get_mut().extend_from_slice(
        b"RIFF\x26\0\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0\x44\xac\0\0\x88\x58\x01\0\x02\0\x10\0data\x02\0\0\0\0\0",
    );
    let swapped = original.iter().rev().cloned().collect();
    let cases: Vec<(Option<Vec<u8>>, &str)> = vec![
        (None, "it is missing"),
        (Some(wav(48_000, original.clone())), "its rate is 48000 Hz, 44100 Hz were recorded"),
        (Some(wav(44_100, original[..1].to_vec())), "it has 1 channels, 2 were recorded"),
        (Some(wav(44_100, shorter)), "it has 59 frames, 60 were recorded"),
        (Some(wav(44_100, louder)), "its samples are others"),
        (Some(wav(44_100, swapped)), "its samples are others"),
        (Some(whole[..whole.len() - 1].to_vec()), "cannot be read as WAV"),
        (Some(Vec::new()), "cannot be read as WAV"),
        (Some(b"ID3 not a WAV at all, but long enough for a header".to_vec()), "cannot be read as WAV"),
        (Some(integers.into_inner()), "16-bit integer"),
    ];
    let bench = bench();
    let path = bench.folder.join("steps/0002/pink-2.wav");
    let (storage, record) = Storage::open(&bench.folder).unwrap();
    let load = || storage.load_take(2, &record.steps[1].takes[1], &stored::ROLES);
    for (bytes, why) in cases {
        fs::remove_file(&path).unwrap();
        bytes.map_or(Ok(()), |bytes| fs::write(&path, bytes)).unwrap();
        let message = load().unwrap_err().to_string();
        for part in [why, "steps/0002/pink-2.wav", "restore it from a copy"] {
            assert!(message.replace('\\', "/").contains(part), "{part:?} is not in: {message}");
        }
        fs::write(&path, &whole).unwrap();
        assert!(load().is_ok(), "the original is taken again");
    }
    let mut outside = record.steps[1].takes[1].clone();
    outside.file = "../0003/pink-1.wav".into();
    assert!(storage.load_take(2, &outside, &stored::ROLES).unwrap_err().to_string().contains("leads out"));
}

/// Each alteration of a result hits another kind of field: required, optional, inside a reading, inside a list.
#[test]
fn a_number_that_is_none_is_refused_with_its_step_and_take_and_nothing_is_written() {
    fn pink(result: &mut StepResult) -> &mut loudenough::analysis::PinkFinding {
        match &mut result.takes[0].inputs[1].finding {
            Finding::Pink(pink) => pink,
            _ => panic!("no pink noise"),
        }
    }
    let changes: [fn(&mut StepResult, f64); 5] = [
        |r, x| pink(r).common.window.start_frame = x,
        |r, x| pink(r).noise = Some(x),
        |r, x| pink(r).odd = loudenough::stats::Reading::Below(x),
        |r, x| pink(r).response[3].phase_rad = x,
        |r, x| r.takes[0].inputs[1].gain_change_db.as_mut().unwrap().interval.high = x,
    ];
    let bench = bench();
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        for change in changes {
            let (mut storage, record) = Storage::take_up(&bench.folder).unwrap();
            let message = store(&mut storage, &record, 4, |r| change(r, bad)).unwrap_err().to_string();
            assert!(message.contains("step 4, pink-1.wav, input 2"), "{message}");
            assert!(!bench.folder.join("steps/0004/step.json").exists());
            assert_eq!(Storage::open(&bench.folder).unwrap().1, bench.record);
        }
    }
    let mut head = stored::head("session-2");
    head.plan.step_db = f64::NAN;
    let message = Storage::create(bench._home.path(), &head).err().unwrap().to_string();
    assert!(message.contains("head") && !bench._home.path().join("session-2").exists(), "{message}");
}

#[test]
fn no_session_is_overwritten_and_no_unsafe_name_becomes_a_folder() {
    let bench = bench();
    let sessions = bench.folder.parent().unwrap();
    let message = Storage::create(sessions, &bench.record.head).err().unwrap().to_string();
    assert!(message.contains("session-1") && message.contains("exists already"), "{message}");
    assert_eq!(Storage::open(&bench.folder).unwrap().1, bench.record);
    for id in ["../x", "a:b", "", "CON"] {
        let message = Storage::create(sessions, &stored::head(id)).err().unwrap().to_string();
        assert!(message.contains("cannot name a session"), "{message}");
    }
    let file = sessions.join("file");
    fs::write(&file, "x").unwrap();
    let message = Storage::create(&file, &bench.record.head).err().unwrap().to_string();
    assert!(message.contains("file"), "{message}");
}

#[test]
fn two_programs_do_not_write_into_one_session() {
    let bench = bench();
    let folder = bench.folder.to_str().unwrap();
    let program = |arguments: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_loudenough")).args(arguments).output().unwrap();
        (output.status.success(), String::from_utf8_lossy(&output.stderr).into_owned())
    };
    let (storage, _) = Storage::take_up(&bench.folder).unwrap();
    for arguments in [&["run", "--continue", folder][..], &["reanalyse", "--write", folder]] {
        let (accepted, said) = program(arguments);
        assert!(!accepted && said.contains(folder) && said.contains("in use by another loudenough"), "{said}");
    }
    // Reading hurts nobody.
    let (accepted, said) = program(&["judge", folder]);
    assert!(accepted, "{said}");
    assert_eq!(Storage::open(&bench.folder).unwrap().1, bench.record);
    drop(storage);
    let (_, said) = program(&["run", "--continue", folder]);
    assert!(!said.contains("in use"), "{said}");
}

#[test]
fn what_is_no_session_is_said_to_be_none() {
    let bench = bench();
    for other in [bench.folder.join("steps"), bench.folder.join("nowhere"), bench.folder.join("session.json")] {
        refused(&other, &[other.to_str().unwrap(), "not a session folder", "session.json"]);
    }
}

#[test]
fn a_step_out_of_turn_or_with_a_take_that_was_never_stored_is_refused() {
    let bench = bench();
    let (mut storage, record) = Storage::take_up(&bench.folder).unwrap();
    for (number, why) in [(2, "finished already"), (5, "step 4 comes first")] {
        let message = store(&mut storage, &record, number, |_| {}).unwrap_err().to_string();
        assert!(message.contains(why), "{message}");
    }
    let unknown = |r: &mut StepResult| r.takes[1].file = "sine-997hz-9.wav".into();
    let message = store(&mut storage, &record, 4, unknown).unwrap_err().to_string();
    assert!(message.contains("sine-997hz-9.wav was never stored"), "{message}");
    assert_eq!(Storage::open(&bench.folder).unwrap().1, bench.record);
}

#[test]
fn analysing_again_replaces_a_finished_step_and_keeps_its_recordings_known() {
    let bench = bench();
    let (mut storage, mut record) = Storage::take_up(&bench.folder).unwrap();
    record.steps[1].seat = 2;
    let result = record.steps[1].clone();
    storage.replace_step(&result, &record).unwrap();
    drop(storage);
    let (mut storage, again) = Storage::take_up(&bench.folder).unwrap();
    assert_eq!(again, record);
    let wav = bench.folder.join("steps/0002/pink-1.wav");
    let mut bytes = fs::read(&wav).unwrap();
    *bytes.last_mut().unwrap() ^= 1;
    fs::write(&wav, bytes).unwrap();
    let message = storage.load_take(2, &result.takes[0], &stored::ROLES).unwrap_err().to_string();
    assert!(message.contains("its samples are others"), "{message}");
    let mut fourth = result;
    fourth.step.number = 4;
    assert!(storage.replace_step(&fourth, &record).unwrap_err().to_string().contains("not finished"));
}

#[test]
fn a_period_is_kept_once_and_another_one_under_its_name_is_refused() {
    let bench = bench();
    let mut storage = Storage::take_up(&bench.folder).unwrap().0;
    let sine = Stimulus::sine(997.0);
    let name = fs::read_dir(bench.folder.join("stimuli")).unwrap().next().unwrap().unwrap().path();
    let stored = Wav::from_bytes(&fs::read(&name).unwrap()).unwrap();
    let expected: Vec<f32> = stored::small_period().samples.iter().map(|x| *x as f32).collect();
    assert_eq!(stored, Wav { rate_hz: 48_000, channels: vec![expected] });
    storage.save_period(&sine, &stored::small_period()).unwrap();
    let mut other = stored::small_period();
    other.samples[2] += 1e-4;
    let message = storage.save_period(&sine, &other).unwrap_err().to_string();
    assert!(message.contains(name.to_str().unwrap()) && message.contains("sine 997 Hz"), "{message}");
    storage.save_period(&Stimulus::sine(1000.0), &other).unwrap();
    assert_eq!(fs::read_dir(bench.folder.join("stimuli")).unwrap().count(), 2);
}
