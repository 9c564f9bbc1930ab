//! Recordings that are damaged or gone: what is computed from them keeps its stored numbers and is named; all else is
//! recomputed as ever.

use crate::common::sessions::{chain, plan, run};
use loudenough::audio::simulated::{BenchSpec, SimulatedCardSpec};
use loudenough::session::plan::Plan;
use loudenough::session::reanalyse::reanalyse;
use loudenough::session::step::Purpose;
use loudenough::units::SampleRate;
use std::fs;

#[test]
fn a_damaged_recording_costs_what_is_computed_from_it_and_no_more() {
    let home = tempfile::tempdir().unwrap();
    let spec = BenchSpec::default();
    let quick = Plan { listening: plan(60.0).listening, ..Plan::quick_look(SampleRate::DEFAULT) };
    let (record, folder) = run(&spec, SimulatedCardSpec::default(), quick, chain(&spec), home.path()).unwrap();
    let last = record.steps.last().unwrap();
    let reference = record.steps.iter().find(|step| step.step.purpose == Purpose::Reference).unwrap();
    let recording = |step: usize, file: &str| folder.join(format!("steps/{step:04}/{file}"));
    let named = |kept: &[loudenough::session::reanalyse::Kept]| -> Vec<usize> { kept.iter().map(|k| k.step).collect() };

    // Half of the last step's recording is lost.
    let path = recording(last.step.number, &last.takes.last().unwrap().file);
    let bytes = fs::read(&path).unwrap();
    fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let again = reanalyse(&folder, false).unwrap();
    assert_eq!((named(&again.kept), again.changed), (vec![last.step.number], Vec::new()));
    assert!(again.kept[0].why.contains("restore it from a copy"), "{}", again.kept[0].why);
    assert_eq!(again.record.steps, record.steps);

    // Every later take was measured with the quiet reference.
    fs::write(&path, bytes).unwrap();
    fs::remove_file(recording(reference.step.number, &reference.takes.last().unwrap().file)).unwrap();
    let again = reanalyse(&folder, true).unwrap();
    let from = reference.step.number;
    assert_eq!(named(&again.kept)[0], from);
    assert!(again.kept[0].why.contains("missing"), "{}", again.kept[0].why);
    let later = record.steps.iter().filter(|step| step.step.number > from);
    let takes = later.flat_map(|step| step.takes.iter().filter(|t| t.head.void.is_none()).map(|_| step.step.number));
    assert_eq!(named(&again.kept)[1..], takes.collect::<Vec<_>>());
    assert!(again.kept[1].why.contains(&format!("measured with step {from}")), "{}", again.kept[1].why);
    assert_eq!((again.record.steps, again.changed), (record.steps, Vec::new()));
}
