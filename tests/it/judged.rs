//! What a judgement rests on besides its own session: a capture chain that was once seen clean; and noise that rises with the sound.

use crate::common::sessions::{chain, plan, run};
use loudenough::analysis::{Finding, PinkFinding};
use loudenough::audio::simulated::{BenchSpec, Hum, SimulatedCardSpec};
use loudenough::judgement::{Threshold, Whose, judge};
use loudenough::session::chain::Chain;
use loudenough::session::plan::{AskedLevel, Plan};
use loudenough::session::record::{InputResult, Record};
use loudenough::session::step::{Purpose, StopReason};
use loudenough::stats::{Estimate, Reading};
use loudenough::units::{DbSpl, SampleRate};

/// The gain of the input, as noted.
const GAIN: &str = "3 o'clock";

fn session(spec: &BenchSpec, chain: Chain) -> Record {
    let home = tempfile::tempdir().unwrap();
    run(spec, SimulatedCardSpec::default(), plan(70.0), chain, home.path()).unwrap().0
}

fn noted(spec: &BenchSpec, gain: &str) -> Chain {
    Chain { gain: gain.into(), ..chain(spec) }
}

fn whose(record: &Record) -> Whose {
    let Threshold::Determined(found) = judge(record).threshold else { panic!("{}", judge(record).sentence) };
    found.whose
}

/// One output clips; a stronger one on the same input was clean at a higher captured level: then the input did not clip. Not where
/// no gain was noted, another is noted now, or it was only seen clean below.
#[test]
fn what_clips_under_a_level_at_which_the_input_was_seen_clean_is_the_outputs() {
    let weak = BenchSpec::default();
    let mut strong = weak.clone();
    (strong.output.positive_limit_v, strong.output.negative_limit_v, strong.output.current_limit_a) =
        (None, None, None);
    let clipped = session(&weak, noted(&weak, GAIN));
    assert_eq!(whose(&clipped), Whose::OutputOrCapture);

    let clean = session(&strong, noted(&strong, GAIN));
    let mut learns = noted(&weak, GAIN);
    assert!(learns.learn_seen_clean(&clean), "a level above the weak output's was news");
    assert!(!learns.learn_seen_clean(&clean), "the second time it is none");
    assert!(!noted(&weak, "").learn_seen_clean(&clean), "an unnoted knob may have been turned");
    assert!(!noted(&weak, "noon").learn_seen_clean(&clean), "another gain is another input");

    let with = |chain: &Chain| {
        let mut record = clipped.clone();
        record.head.chain.seen_clean = chain.seen_clean.clone();
        whose(&record)
    };
    assert_eq!(with(&learns), Whose::Output);
    let mut below = noted(&weak, GAIN);
    // Its own clean steps lie under those that clip.
    assert!(below.learn_seen_clean(&clipped));
    assert_eq!(with(&below), Whose::OutputOrCapture);
}

/// What does not repeat stays where it is in a room and in a converter; where it rises with the sound, something moves.
#[test]
fn noise_that_rises_with_the_sound_is_a_doubt() {
    let spec = BenchSpec::default();
    let mut record = session(&spec, chain(&spec));
    let restless = |record: &Record| judge(record).flaws.iter().any(|flaw| flaw.code == "restless");
    assert!(!restless(&record), "the simulated room is still");
    for take in record.steps.iter_mut().flat_map(|step| &mut step.takes) {
        for input in &mut take.inputs {
            if let Finding::Pink(pink) = &mut input.finding {
                pink.noise = pink.level_z.map(|level| level.value - 37.0);
            }
        }
    }
    assert!(restless(&record), "noise 37 dB under every step was not seen");
}

/// Every pink finding of the deciding ear, with the step's drive.
fn pinks(record: &mut Record) -> impl Iterator<Item = (f64, &mut InputResult)> {
    let steps = record.steps.iter_mut().filter_map(|step| Some((step.step.drive?.db(), &mut step.takes)));
    let inputs = steps.filter_map(|(drive, takes)| Some((drive, takes.first_mut()?.inputs.first_mut()?)));
    inputs.filter(|(_, input)| matches!(input.finding, Finding::Pink(_)))
}

fn pink(input: &mut InputResult) -> &mut PinkFinding {
    let Finding::Pink(pink) = &mut input.finding else { panic!("not the noise") };
    pink
}

/// A session on an output without a limit.
fn unlimited() -> Record {
    let mut spec = BenchSpec::default();
    (spec.output.positive_limit_v, spec.output.negative_limit_v, spec.output.current_limit_a) = (None, None, None);
    session(&spec, chain(&spec))
}

#[test]
fn nothing_above_an_unclean_step_is_called_clean() {
    let mut record = unlimited();
    let highest = |record: &Record| judge(record).highest_clean.drive.estimate().map(|e| e.value).unwrap();
    let before = highest(&record);
    let unclean = before - 12.0;
    let (drive, input) =
        pinks(&mut record).filter(|(drive, _)| *drive > unclean).min_by(|a, b| a.0.total_cmp(&b.0)).unwrap();
    input.gain_change_db = Some(Estimate::symmetric(-1.0, 0.01));
    assert!(highest(&record) < drive && drive < before, "{} with {drive} unclean", highest(&record));
}

/// The fit to a smooth curve follows the drive: its level is stated only where two drives give the same.
#[test]
fn the_level_of_a_soft_limit_takes_two_drives_that_agree() {
    let spec = BenchSpec::default();
    let hard = session(&spec, chain(&spec));
    assert!(matches!(judge(&hard).threshold, Threshold::Determined(_)));
    let soft = |shifts: &[f64]| {
        let mut record = hard.clone();
        let mut evident: Vec<_> = pinks(&mut record).map(|(_, input)| pink(input)).collect();
        evident.retain(|pink| pink.clip.as_ref().is_some_and(|clip| clip.level.is_some()));
        assert!(evident.len() >= 2, "a climb and a threshold step have read it");
        for (i, pink) in evident.into_iter().enumerate() {
            let clip = pink.clip.as_mut().unwrap();
            let Some(shift) = shifts.get(i) else {
                (clip.evidence, clip.level) = (0.0, None);
                continue;
            };
            let level = clip.level.as_mut().unwrap();
            level.soft = true;
            for side in [&mut level.positive, &mut level.negative] {
                *side = side.plus(&Estimate::exact(*shift));
            }
        }
        judge(&record).threshold
    };
    assert!(matches!(soft(&[0.0, 0.0]), Threshold::Determined(_)));
    let Threshold::NotDetermined { because } = soft(&[0.0, 2.0]) else { panic!("2 dB apart") };
    assert!(because.contains("changes with the drive"), "{because}");
    let Threshold::NotDetermined { because } = soft(&[0.0]) else { panic!("one drive") };
    assert!(because.contains("one drive only"), "{because}");
}

/// A residue of the same level whatever the drive: its distortion falls by 1 dB a dB, it is a note, and a bend of it is none.
#[test]
fn what_falls_while_the_drive_rises_is_resolution_and_no_limit() {
    let mut record = unlimited();
    let mut quiet = None;
    for (drive, input) in pinks(&mut record) {
        let pink = pink(input);
        let Some(level) = pink.level_z else { continue };
        let middle = pink.middle.as_mut().unwrap();
        middle.level = Reading::Determined(level);
        middle.odd = Reading::Determined(Estimate::symmetric(-100.0 - level.value, 0.5));
        middle.even = Reading::Below(-130.0);
        if let Some(clip) = pink.clip.as_mut().filter(|_| quiet.is_none()) {
            clip.evidence = 10.0 * clip.threshold;
            quiet = Some(drive);
        }
    }
    assert!(quiet.is_some());
    let judgement = judge(&record);
    assert!(judgement.flaws.iter().any(|flaw| flaw.code == "resolution"), "{:?}", judgement.flaws);
    assert!(matches!(judgement.threshold, Threshold::NoneUpTo { .. }), "{}", judgement.sentence);
    assert!(judgement.highest_clean.drive.estimate().unwrap().value > quiet.unwrap() + 6.0);
}

/// A level that was asked for, played before a quick look's own steps and above its top, clips: that is the answer, not "no clipping".
#[test]
fn a_step_that_was_asked_for_counts_like_any_other() {
    let spec = BenchSpec::default();
    let home = tempfile::tempdir().unwrap();
    let asked = vec![AskedLevel::Spl(DbSpl(104.0))];
    let quick = Plan { asked, listening: plan(60.0).listening, ..Plan::quick_look(SampleRate::DEFAULT) };
    let (record, _) = run(&spec, SimulatedCardSpec::default(), quick, chain(&spec), home.path()).unwrap();
    let loudest_other = record.steps.iter().filter(|s| s.step.purpose != Purpose::Asked).filter_map(|s| s.step.drive);
    let loudest_other = loudest_other.map(|drive| drive.db()).fold(f64::MIN, f64::max);
    let asked = record.steps.iter().find(|s| s.step.purpose == Purpose::Asked).unwrap().step.drive.unwrap().db();
    assert!(asked > loudest_other + 3.0, "{asked} and {loudest_other}");
    let judgement = judge(&record);
    assert!(!matches!(judgement.threshold, Threshold::NoneUpTo { .. }), "{}", judgement.sentence);
    assert_eq!(record.stop(), Some(&StopReason::ClipEvidence));
}

/// A tone that sounds in the silence already (a converter's spur, on an even line of the noise) is known afterwards and left out: it
/// stands 30 dB under the reference and would read as even-order distortion of −30 dB.
#[test]
fn a_steady_tone_of_the_silence_is_no_distortion() {
    let mut spec = BenchSpec::default();
    let line_hz = 1370.0 * 48_000.0 / 65_536.0;
    spec.microphone.hum = vec![Hum { frequency_hz: line_hz, level_db_spl: 40.0 }];
    let mut record = session(&spec, chain(&spec));
    let silence = record.last(Purpose::Silence).and_then(|step| step.silence(0)).unwrap();
    let tone = silence.tones.iter().find(|tone| (tone.frequency_hz - line_hz).abs() < 0.5);
    assert!(tone.is_some(), "{:?}", silence.tones);
    let mut seen = 0;
    for (drive, input) in pinks(&mut record) {
        let even = pink(input).even.clone();
        if let Some(even) = even.determined() {
            assert!(even.value < -45.0, "{even:?} at {drive}");
        }
        seen += 1;
    }
    assert!(seen > 5);
}
