//! A listening level as people state it: weighted, or related to a field by the table of a manikin.

use crate::common::sessions::{chain, plan, run};
use loudenough::audio::simulated::{BenchSpec, SimulatedCardSpec};
use loudenough::calibration::SoundField;
use loudenough::judgement::{EXPOSURE_CAUTION, judge_for};
use loudenough::session::chain::Coupler;
use loudenough::session::plan::{HeadroomRule, ListeningLevel, Plan, Weighting};
use loudenough::session::record::Record;
use loudenough::stats::Reading;
use loudenough::units::{DbSpl, SampleRate};

fn quick_look() -> Record {
    let folder = tempfile::tempdir().unwrap();
    let spec = BenchSpec::named("desk amplifier", "closed 80 Ω").unwrap();
    let plan = Plan { listening: plan(70.0).listening, ..Plan::quick_look(SampleRate::DEFAULT) };
    run(&spec, SimulatedCardSpec::default(), plan, chain(&spec), folder.path()).unwrap().0
}

fn stated(weighting: Weighting, field: Option<SoundField>) -> Option<ListeningLevel> {
    Some(ListeningLevel { level: DbSpl(65.0), weighting, field })
}

/// For responses like an ear's, Z at the eardrum stands 9 to 11 dB over the field-related A level.
#[test]
fn a_field_related_level_is_converted_with_the_measured_spectrum() {
    let record = quick_look();
    let at = |listening| judge_for(&record, listening, HeadroomRule::default());
    let (z, a) = (at(stated(Weighting::Z, None)), at(stated(Weighting::A, None)));
    for field in [SoundField::Diffuse, SoundField::Free] {
        let related = at(stated(Weighting::A, Some(field)));
        let listening_z = related.headroom.listening_z.unwrap().db();
        assert!((9.0..11.0).contains(&(listening_z - 65.0)), "{field:?}: {listening_z}");
        assert!(listening_z > a.headroom.listening_z.unwrap().db() + 3.0);
        let headroom = |j: &loudenough::judgement::Judgement| j.headroom.headroom_db.estimate().unwrap().value;
        assert!((headroom(&z) - headroom(&related) - (listening_z - 65.0)).abs() < 1e-9);
        assert!(related.sentence.contains("field related"), "{}", related.sentence);
        assert!(related.flaws.iter().any(|f| f.code == "field-related" && f.text.contains("P.58")));
    }
}

#[test]
fn a_coupler_without_a_table_does_not_pretend() {
    let mut record = quick_look();
    record.head.chain.coupler = Coupler::FlatPlate;
    let judged = judge_for(&record, stated(Weighting::A, Some(SoundField::Diffuse)), HeadroomRule::default());
    let Reading::NotDetermined(why) = &judged.headroom.headroom_db else { panic!("{:?}", judged.headroom) };
    assert!(why.contains("no table fits"), "{why}");
    assert_eq!(judged.exposure, None);
}

/// 65 dB(A) in the field is no exposure that either rule limits within a day or a week.
#[test]
fn exposure_is_that_of_the_field_related_level() {
    let record = quick_look();
    let judged = judge_for(&record, stated(Weighting::A, Some(SoundField::Diffuse)), HeadroomRule::default());
    let exposure = judged.exposure.unwrap();
    let listening = exposure.listening.unwrap();
    assert!((listening.level.value - 65.0).abs() < 1e-9, "{listening:?}");
    assert!(listening.niosh_h.value > 24.0 && listening.week_h.value > 168.0);
    let (highest, spl) = (exposure.highest_clean.unwrap(), judged.highest_clean.level_spl.estimate().unwrap().value);
    let listening_z = judged.headroom.listening_z.unwrap().db();
    assert!((highest.level.value - (65.0 + spl - listening_z)).abs() < 1e-9);
    assert!(EXPOSURE_CAUTION.contains("not medical"));
}
