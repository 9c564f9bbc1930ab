//! The listener's own music: what is read from files of every kind, what is said of broken ones, and what a pairing needs for
//! it, held against closed forms and the simulator's set values.

use crate::common::sessions::{chain, plan, run};
use crate::common::truth::{pascal_per_volt, steady_period, true_clip_peak};
use loudenough::account::document::{Cell, Part, Table};
use loudenough::account::{self, Added, write};
use loudenough::audio::simulated::{BenchSpec, SimulatedCardSpec};
use loudenough::calibration::SoundField;
use loudenough::judgement::music::{Needed, Needs, PieceJudged, Plays, Way, add_music};
use loudenough::judgement::{Judgement, Threshold, judge_for};
use loudenough::session::music::{Music, measure};
use loudenough::session::plan::{HeadroomRule, ListeningLevel, Weighting};
use loudenough::session::record::Record;
use loudenough::session::storage::Storage;
use loudenough::stats::{Draws, Estimate, Reading};
use loudenough::units::{DbSpl, SampleRate};
use std::f64::consts::{SQRT_2, TAU};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// What the figures of a piece must keep, dB.
const NEAR_DB: f64 = 0.05;

/// How samples are written.
#[derive(Clone, Copy, Debug)]
enum Format {
    Int(u16),
    Float(u16),
}

/// A WAV by the published layout (RIFF/WAVE, WAVEFORMATEXTENSIBLE), written here so that it shares nothing with the program.
fn wav(rate: u32, channels: &[Vec<f64>], format: Format, extensible: bool) -> Vec<u8> {
    let (tag, bits) = match format {
        Format::Int(bits) => (1u16, bits),
        Format::Float(bits) => (3, bits),
    };
    let frames = channels[0].len();
    let align = channels.len() as u16 * (bits / 8);
    let mut data = Vec::with_capacity(frames * usize::from(align));
    for n in 0..frames {
        for channel in channels {
            match format {
                Format::Int(8) => data.push((channel[n] * 128.0 + 128.0).round() as u8),
                Format::Int(bits) => {
                    let whole = (channel[n] * (2f64.powi(i32::from(bits) - 1) - 1.0)).round() as i64;
                    data.extend_from_slice(&whole.to_le_bytes()[..usize::from(bits / 8)]);
                }
                Format::Float(32) => data.extend_from_slice(&(channel[n] as f32).to_le_bytes()),
                Format::Float(_) => data.extend_from_slice(&channel[n].to_le_bytes()),
            }
        }
    }
    let mut header = Vec::new();
    header.extend_from_slice(&(if extensible { 0xFFFE } else { tag }).to_le_bytes());
    header.extend_from_slice(&(channels.len() as u16).to_le_bytes());
    header.extend_from_slice(&rate.to_le_bytes());
    header.extend_from_slice(&(rate * u32::from(align)).to_le_bytes());
    header.extend_from_slice(&align.to_le_bytes());
    header.extend_from_slice(&bits.to_le_bytes());
    if extensible {
        let mask: u32 = if channels.len() == 1 { 4 } else { (1 << channels.len()) - 1 };
        header.extend_from_slice(&22u16.to_le_bytes());
        header.extend_from_slice(&bits.to_le_bytes());
        header.extend_from_slice(&mask.to_le_bytes());
        header.extend_from_slice(&tag.to_le_bytes());
        header.extend_from_slice(&[0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71]);
    }
    let mut file = b"RIFF".to_vec();
    file.extend_from_slice(&((4 + 8 + header.len() + 8 + data.len()) as u32).to_le_bytes());
    file.extend_from_slice(b"WAVEfmt ");
    file.extend_from_slice(&(header.len() as u32).to_le_bytes());
    file.extend_from_slice(&header);
    file.extend_from_slice(b"data");
    file.extend_from_slice(&(data.len() as u32).to_le_bytes());
    file.extend_from_slice(&data);
    file
}

fn kept(folder: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, bytes).unwrap();
    path
}

fn tone(rate: u32, hz: f64, peak: f64, seconds: f64) -> Vec<f64> {
    let frames = (seconds * f64::from(rate)) as usize;
    // Faded in and out over 10 ms, so that nothing overshoots at the ends.
    let fade = |n: usize| (n.min(frames - n) as f64 / (0.01 * f64::from(rate))).min(1.0);
    (0..frames).map(|n| fade(n) * peak * (TAU * hz * n as f64 / f64::from(rate) + 0.3).sin()).collect()
}

fn near(stated: f64, truth: f64, what: &str) {
    assert!((stated - truth).abs() < NEAR_DB, "{what}: {stated} for {truth}");
}

fn rms(channels: &[Vec<f64>]) -> f64 {
    let samples = channels.iter().flatten();
    (samples.clone().map(|x| x * x).sum::<f64>() / samples.count() as f64).sqrt()
}

/// Peak of the file, peak over average and level, against what was written.
fn holds(music: &Music, channels: &[Vec<f64>], peak: f64, what: &str) {
    let rms = rms(channels);
    let piece = &music.piece;
    near(20.0 * piece.waveform().largest().log10(), 20.0 * peak.log10(), what);
    near(piece.level_dbfs().unwrap(), 20.0 * (SQRT_2 * rms).log10(), what);
    near(piece.peak_over_average_db().unwrap(), 20.0 * (peak / rms).log10(), what);
}

#[test]
fn wav_of_every_usual_kind_gives_the_known_peak_and_average() {
    use Format::{Float, Int};
    let folder = tempfile::tempdir().unwrap();
    let kinds = [
        (Int(16), false),
        (Int(16), true),
        (Int(24), false),
        (Int(24), true),
        (Int(32), true),
        (Float(32), false),
        (Float(32), true),
        (Float(64), false),
    ];
    for (i, (format, extensible)) in kinds.into_iter().enumerate() {
        let rate = [44_100, 48_000, 96_000, 8_000][i % 4];
        let (left, right) = (tone(rate, 1_003.0, 0.5, 2.0), tone(rate, 301.0, 0.25, 2.0));
        let channels = if i % 3 == 0 { vec![left] } else { vec![left, right] };
        let path = kept(folder.path(), &format!("{i}.wav"), &wav(rate, &channels, format, extensible));
        let music = measure(&path, &[]).unwrap();
        holds(&music, &channels, 0.5, &format!("{format:?}, extensible {extensible}, {rate} Hz"));
        assert_eq!((music.piece.rate_hz, music.piece.channels), (rate, channels.len()));
        assert_eq!(music.hash, loudenough::fingerprint::of(&std::fs::read(&path).unwrap()));
        assert_eq!((music.file.as_str(), &music.mislabelled), (format!("{i}.wav").as_str(), &None));
    }
    // Eight bits are 48 dB: the average alone keeps the limit.
    let channels = vec![tone(22_050, 500.0, 0.9, 1.0)];
    let path = kept(folder.path(), "eight.wav", &wav(22_050, &channels, Format::Int(8), false));
    near(measure(&path, &[]).unwrap().piece.level_dbfs().unwrap(), 20.0 * (SQRT_2 * rms(&channels)).log10(), "8 bits");
}

/// Bursts (a tenth of the time) and Gaussian noise, encoded by the reference encoder.
#[test]
fn flac_of_the_reference_encoder_gives_the_known_peak_and_average() {
    let stored = measure(Path::new("tests/data/music/tone.flac"), &[]).unwrap();
    near(20.0 * stored.piece.waveform().largest().log10(), 20.0 * 0.5f64.log10(), "the stored tone");
    if Command::new("flac").arg("--version").output().is_err() {
        assert!(
            std::env::var_os("LOUDENOUGH_REQUIRE_AUDIO").is_none(),
            "the reference encoder `flac` is required here"
        );
        println!("skipped: FLAC of the reference encoder: `flac` is not installed");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let mut draws = Draws::new(11);
    let noise: Vec<f64> = (0..88_200).map(|_| 0.1 * draws.normal()).collect();
    let quiet = vec![0.0; 19_845];
    let bursts: Vec<f64> = (0..4).flat_map(|_| [tone(44_100, 997.0, 0.8, 0.05), quiet.clone()].concat()).collect();
    let frames = bursts.len().min(noise.len());
    let channels = vec![bursts[..frames].to_vec(), noise[..frames].to_vec()];
    for (bits, level) in [(16, "-0"), (24, "-8")] {
        let source = kept(folder.path(), "piece.wav", &wav(44_100, &channels, Format::Int(bits), bits > 16));
        let path = folder.path().join("piece.flac");
        let made = Command::new("flac").args(["-s", "-f", level, "-o"]).arg(&path).arg(&source).output().unwrap();
        assert!(made.status.success(), "{made:?}");
        let (flac, from_wav) = (measure(&path, &[]).unwrap(), measure(&source, &[]).unwrap());
        holds(&flac, &channels, 0.8, &format!("{bits} bits, {level}"));
        assert_eq!(flac.piece.blocks, from_wav.piece.blocks, "the same samples give the same figures");
        // Damaged in the middle: reported, and never a figure.
        let mut bytes = std::fs::read(&path).unwrap();
        let middle = bytes.len() / 2;
        bytes[middle..middle + 40].fill(0x5A);
        refused(&kept(folder.path(), "damaged.flac", &bytes), &["damaged.flac"]);
        refused(&kept(folder.path(), "cut.flac", &bytes[..middle]), &["cut.flac", "cut off"]);
    }
}

fn refused(path: &Path, words: &[&str]) {
    let said = measure(path, &[]).map(|_| ()).unwrap_err().to_string();
    for word in words {
        assert!(said.contains(word), "no `{word}` in: {said}");
    }
}

#[test]
fn a_file_that_is_no_music_is_named_with_what_is_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let keep = |name: &str, bytes: &[u8]| kept(folder.path(), name, bytes);
    let good = wav(48_000, &[tone(48_000, 440.0, 0.5, 1.0)], Format::Int(16), false);
    refused(&folder.path().join("none.wav"), &["none.wav", "cannot be read"]);
    refused(folder.path(), &["cannot be read"]);
    refused(&keep("empty.wav", b""), &["empty.wav", "empty"]);
    refused(&keep("cut.wav", &good[..good.len() / 2]), &["cut.wav", "cut off", "0.5 s", "1.0 s"]);
    refused(&keep("head.wav", &good[..30]), &["head.wav", "broken"]);
    refused(&keep("bare.wav", &wav(48_000, &[vec![]], Format::Int(16), false)), &["bare.wav", "no sound"]);
    refused(&keep("zero.wav", &wav(48_000, &[vec![0.0; 9_000]], Format::Int(16), false)), &["zero.wav", "silent"]);
    let holed = wav(48_000, &[vec![0.1, f64::NAN, 0.2]], Format::Float(32), false);
    refused(&keep("nan.wav", &holed), &["nan.wav", "not finite"]);
    let six = wav(48_000, &vec![tone(48_000, 440.0, 0.5, 0.1); 6], Format::Int(16), true);
    refused(&keep("six.wav", &six), &["six.wav", "6 channels"]);
    refused(&keep("song.wav", b"ID3\x04\0\0\0\0\0\0\0\0\0\0\0\0"), &["song.wav", "MP3"]);
    refused(&keep("song.flac", b"OggS\0\x02\0\0\0\0\0\0\0\0"), &["song.flac", "Ogg"]);
    refused(&keep("text.flac", b"once upon a time there was no music"), &["text.flac", "neither WAV nor FLAC"]);
    refused(&keep("no.flac", b"fLaC and then something else, for long enough"), &["no.flac", "broken"]);
    // A wrong name alone keeps nobody from reading it, and is said.
    let wrong = measure(&keep("wrong.flac", &good), &[]).unwrap();
    assert_eq!(wrong.mislabelled.as_deref(), Some("the file is named .flac and holds WAV"));
}

pub fn desk() -> BenchSpec {
    let mut spec = BenchSpec { seed: 7, ..BenchSpec::default() };
    spec.microphone.noise_db_spl = Some(15.0);
    spec
}

/// One session for all of these tests.
pub fn session() -> &'static Record {
    static SESSION: OnceLock<Record> = OnceLock::new();
    SESSION.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let mut chain = chain(&desk());
        chain.output_side.volts_per_full_scale = Some(Estimate::exact(desk().output.volts_per_fs / SQRT_2));
        run(&desk(), SimulatedCardSpec::default(), plan(70.0), chain, folder.path()).unwrap().0
    })
}

fn judged(record: &Record, listening: Option<ListeningLevel>, pieces: &[PathBuf]) -> Judgement {
    let mut judgement = judge_for(record, listening, HeadroomRule::default());
    let way = Way::of(record, listening);
    let gain = |f_hz: f64| way.power_at(f_hz);
    let music: Vec<Music> = pieces.iter().map(|path| measure(path, &[&gain]).unwrap()).collect();
    add_music(record, &mut judgement, listening, &music, (&way, 0));
    judgement
}

fn at(level: f64) -> Option<ListeningLevel> {
    Some(ListeningLevel { level: DbSpl(level), weighting: Weighting::Z, field: None })
}

fn needed(piece: &PieceJudged) -> &Needed {
    match &piece.needs {
        Needs::Determined(needed) => needed,
        Needs::NotDetermined(why) => panic!("not determined: {why}"),
    }
}

/// Two tones (1 kHz and 60 Hz): level at the ear by the simulator's closed forms.
#[test]
fn the_gain_to_the_listening_level_is_that_of_the_bench() {
    let rate = 48_000;
    let folder = tempfile::tempdir().unwrap();
    let (high, low) = (tone(rate, 1_000.0, 0.05, 4.0), tone(rate, 60.0, 0.2, 4.0));
    let both: Vec<f64> = high.iter().zip(&low).map(|(a, b)| a + b).collect();
    let shortened =
        20.0 * (rms(std::slice::from_ref(&both)) / (0.5f64 * (0.05f64.powi(2) + 0.2f64.powi(2))).sqrt()).log10();
    let path = kept(folder.path(), "two tones.wav", &wav(rate, &[both], Format::Float(32), false));
    let spec = desk();
    let peak = |hz: f64, amplitude: f64| {
        let period: Vec<f64> =
            (0..800).map(|n| amplitude * (TAU * hz * f64::from(n) / f64::from(rate)).sin()).collect();
        steady_period(&spec, &period, 0.1, f64::from(rate)).level_db_spl() + 20.0
    };
    let power = |db: f64| 10f64.powf(db / 10.0);
    let plain = 10.0 * (power(peak(1_000.0, 0.05)) + power(peak(60.0, 0.2))).log10() + shortened;
    for (weighting, field, truth) in [
        (Weighting::Z, None, plain),
        // A: −27.0457 dB at 60 Hz (IEC 61672-1, computed from its equations).
        (
            Weighting::A,
            None,
            10.0 * (power(peak(1_000.0, 0.05)) + power(peak(60.0, 0.2) - 27.0457)).log10() + shortened,
        ),
        // Diffuse field: 5.0 dB at the eardrum at 1 kHz, none at 60 Hz (ITU-T P.58, 06/2021).
        (
            Weighting::A,
            Some(SoundField::Diffuse),
            10.0 * (power(peak(1_000.0, 0.05) - 5.0) + power(peak(60.0, 0.2) - 27.0457)).log10() + shortened,
        ),
    ] {
        let listening = Some(ListeningLevel { level: DbSpl(72.0), weighting, field });
        let judgement = judged(session(), listening, std::slice::from_ref(&path));
        let needed = needed(&judgement.music[0]);
        near(needed.gain_db.value, 72.0 - truth, &format!("{weighting:?} {field:?}"));
        near(needed.peak_db[0].value, 20.0 * 0.25f64.log10() + needed.gain_db.value, "peaks go with the gain");
        let volts = needed.peak_v.unwrap()[0].value;
        near(20.0 * volts.log10(), 20.0 * spec.output.volts_per_fs.log10() + needed.peak_db[0].value, "volts");
    }
    // The response itself, away from the session's own tones.
    assert!(pascal_per_volt(&spec, 1_000.0, f64::from(rate)).norm() > 0.0);
}

/// The session's own noise as music needs exactly the headroom that there is no more than none of: 0 dB.
#[test]
fn the_noise_itself_needs_no_headroom_over_itself_and_its_room_is_the_headroom() {
    let record = session();
    let period = record.head.plan.pink.period(SampleRate::DEFAULT);
    let thrice: Vec<f64> = period.samples.iter().cycle().take(3 * period.samples.len()).map(|x| 0.5 * x).collect();
    let folder = tempfile::tempdir().unwrap();
    let path = kept(folder.path(), "noise.wav", &wav(48_000, &[thrice.clone(), thrice], Format::Float(32), false));
    let judgement = judged(record, at(70.0), &[path]);
    let piece = &judgement.music[0];
    near(piece.headroom_needed_db.determined().unwrap().value, 0.0, "headroom needed");
    near(piece.peak_over_average_db, period.true_peak_factor_db().unwrap(), "factor");
    let headroom = judgement.headroom.headroom_db.determined().unwrap();
    near(piece.room_db.determined().unwrap().value, headroom.value, "room");
    assert_eq!(piece.plays, Plays::Clean);
    assert!(judgement.sentence.contains("noise.wav: plays it clean"), "{}", judgement.sentence);
}

/// A click of 1 % of the time far over a quiet tone: the same pairing has the one and not the other, the limit being the
/// simulator's.
#[test]
fn room_is_held_against_the_true_limit_of_each_polarity() {
    let folder = tempfile::tempdir().unwrap();
    let quiet = tone(48_000, 1_000.0, 0.02, 10.0);
    let click = |sign: f64| {
        let mut samples = quiet.clone();
        for n in 0..4_800 {
            samples[240_000 + n] += sign * 0.45 * (1.0 - (TAU * n as f64 / 4_800.0).cos());
        }
        samples
    };
    let file =
        |name: &str, samples: Vec<f64>| kept(folder.path(), name, &wav(48_000, &[samples], Format::Int(24), true));
    let pieces = [file("quiet.wav", quiet.clone()), file("up.wav", click(1.0)), file("down.wav", click(-1.0))];
    let judgement = judged(session(), at(80.0), &pieces);
    assert!(matches!(judgement.threshold, Threshold::Determined(_)), "{:?}", judgement.threshold);
    let (above, below) = true_clip_peak(&desk());
    let clip = [above.unwrap(), below.unwrap()];
    for (piece, side) in judgement.music.iter().zip([0, 0, 1]) {
        let needed = needed(piece);
        let truth = (0..2).map(|s| clip[s] - needed.peak_db[s].value).fold(f64::INFINITY, f64::min);
        near(piece.room_db.estimate().unwrap().value, truth, &piece.file);
        let expected = if truth > 0.0 { Plays::Clean } else { Plays::NotClean };
        assert_eq!(piece.plays, expected, "{}: room {truth}", piece.file);
        assert!(needed.peak_db[side].value >= needed.peak_db[1 - side].value - NEAR_DB);
    }
    assert_eq!(judgement.music[0].plays, Plays::Clean);
    assert_eq!((judgement.music[1].plays, judgement.music[2].plays), (Plays::NotClean, Plays::NotClean));
    // The click lies in one or two of fifty fifths of a second.
    let past = needed(&judgement.music[1]).past_limit.unwrap();
    assert!((0.02..=0.04).contains(&past), "{past}");
    assert!(judgement.sentence.starts_with("Of 3 pieces"), "{}", judgement.sentence);
}

#[test]
fn without_listening_level_or_calibration_the_drive_is_not_determined_and_the_rest_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = kept(folder.path(), "a.wav", &wav(48_000, &[tone(48_000, 1_000.0, 0.5, 3.0)], Format::Int(16), false));
    let nobody = judged(session(), None, std::slice::from_ref(&path));
    assert!(matches!(&nobody.music[0].needs, Needs::NotDetermined(why) if why.contains("listening level")));
    assert_eq!(nobody.music[0].plays, Plays::NotDetermined);
    near(nobody.music[0].peak_over_average_db, 3.05, "peak over average");
    let mut record = session().clone();
    record.head.chain.acoustic.clear();
    for input in record.steps.iter_mut().flat_map(|s| &mut s.takes).flat_map(|t| &mut t.inputs) {
        input.sound = None;
    }
    let uncalibrated = judged(&record, at(70.0), &[path]);
    let piece = &uncalibrated.music[0];
    assert!(matches!(&piece.needs, Needs::NotDetermined(why) if why.contains("calibration")), "{:?}", piece.needs);
    assert!(matches!(piece.headroom_needed_db, Reading::Determined(_)), "it takes no calibration");
    assert!(uncalibrated.sentence.contains("not determined"), "{}", uncalibrated.sentence);
}

/// Under three seconds there is no average of music; the peak stands in the file all the same.
#[test]
fn a_piece_that_is_too_short_has_no_average_to_judge_by() {
    let folder = tempfile::tempdir().unwrap();
    let of = |seconds: f64| {
        let bytes = wav(48_000, &[tone(48_000, 1_000.0, 0.5, seconds)], Format::Int(16), false);
        let path = kept(folder.path(), &format!("{seconds}.wav"), &bytes);
        judged(session(), at(70.0), &[path]).music.remove(0)
    };
    let (short, long) = (of(2.9), of(3.0));
    assert!(matches!(&short.needs, Needs::NotDetermined(why) if why.contains("lasts 2.9 s")), "{:?}", short.needs);
    assert!(matches!(short.headroom_needed_db, Reading::NotDetermined(_)) && short.plays == Plays::NotDetermined);
    near(short.peak_db, 20.0 * 0.5f64.log10(), "peak of the short one");
    assert!(matches!(long.needs, Needs::Determined(_)));
}

/// A tone limited at 0.5 stands still twice a cycle; the same tone unlimited nowhere.
#[test]
fn a_piece_that_is_clipped_itself_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let whole = tone(48_000, 500.0, 0.7, 3.0);
    let limited: Vec<f64> = whole.iter().map(|x| x.clamp(-0.5, 0.5)).collect();
    let pieces = [("whole.wav", whole), ("limited.wav", limited)];
    let paths =
        pieces.map(|(name, samples)| kept(folder.path(), name, &wav(48_000, &[samples], Format::Int(16), false)));
    let judgement = judged(session(), at(70.0), &paths);
    assert_eq!(judgement.music[0].clipped_places, None);
    // Two a cycle; the few of the fades stay under the limit.
    let places = judgement.music[1].clipped_places.unwrap();
    assert!((2_960..=3_000).contains(&places), "{places}");
    let section = account::music::section(&judgement).unwrap();
    let words = format!("limited.wav: the file itself is clipped, in {places} places");
    let said = |part: &Part| matches!(part, Part::List(items) if items.iter().any(|item| item.contains(&words)));
    assert!(section.parts.iter().any(said), "{:?}", section.parts);
}

/// A report has the figures of every piece, on one pairing and on several.
#[test]
fn a_report_tells_what_every_piece_needs_and_on_which_pairing_it_has_it() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/session-v1");
    let (_, record) = Storage::open(&folder).unwrap();
    let home = tempfile::tempdir().unwrap();
    let tone = wav(48_000, &[tone(48_000, 1_000.0, 0.5, 3.0)], Format::Float(32), false);
    let file = kept(home.path(), "=a <b>piece.wav", &tone);
    let judgement = judged(&record, at(70.0), &[file]);
    let piece = &judgement.music[0];
    let added = Added { now: "2026-03-01T10:00:00+01:00".into(), ..Added::default() };
    let document = account::session::document(&record, &judgement, &added);
    let all: Vec<&Table> = write::folder::tables(&document).collect();
    let table = |name: &str| *all.iter().find(|table| table.name == name).unwrap();
    let row = &table("music").rows[0];
    assert_eq!(row[3], Cell::estimate(Some(needed(piece).average_dbfs), 1));
    assert_eq!(row[6], Cell::reading(Some(&piece.headroom_needed_db), 1));
    assert_eq!(row[8], Cell::reading(Some(&piece.room_db), 1));
    let over_time = &table("music-over-time").rows;
    let levels: Vec<&Cell> = over_time.iter().map(|row| &row[2]).collect();
    assert_eq!(levels, piece.short_term_db.map(|db| Cell::number(db, 1)).iter().collect::<Vec<_>>());
    let page = write::html(&document);
    assert!(page.contains("=a &lt;b&gt;piece.wav") && page.contains(&piece.hash));
    let two = [(record.clone(), judgement.clone()), (record, judgement.clone())];
    let section = account::music::pairings(&two).unwrap();
    let Part::Table(both) = &section.parts[0] else { panic!("no table") };
    assert!(both.rows.len() == 2 && both.rows[1][2] == Cell::reading(Some(&judgement.music[0].room_db), 1));
    assert!(account::music::pairings(&[]).is_none());
}
