//! Do sessions of every version of the stored form still open, and do they still say the same?

use crate::common::truth;
use loudenough::audio::simulated::BenchSpec;
use loudenough::judgement::{Threshold, judge, judge_for};
use loudenough::session::plan::{ListeningLevel, Weighting};
use loudenough::session::record::Record;
use loudenough::session::step::StopReason;
use loudenough::session::storage::Storage;
use loudenough::signal::Stimulus;
use loudenough::units::{DbSpl, SampleRate};
use std::path::{Path, PathBuf};

/// Level and clip level of a session, dB: as asked of every simulated session.
const LEVEL_DB: f64 = 0.1;

fn stored(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

/// What the stored numbers say about the bench that they were taken on.
fn holds_the_truth(record: &Record) {
    let spec = BenchSpec::named(&record.head.chain.output, &record.head.chain.headphone).unwrap();
    let period = Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT);
    let (clean_spl, _) = truth::highest_clean_level(&spec, &period);
    let judgement = judge(record);
    let Threshold::Determined(stated) = &judgement.threshold else { panic!("{:?}", judgement.threshold) };
    let (positive, negative) = truth::true_clip_peak(&spec);
    for (found, true_db) in [(&stated.positive, positive), (&stated.negative, negative)] {
        let found = found.determined().unwrap().value;
        assert!((found - true_db.unwrap()).abs() < LEVEL_DB, "{found} for {true_db:?}");
    }
    let other = ListeningLevel { level: DbSpl(70.0), weighting: Weighting::Z, field: None };
    let for_another = judge_for(record, Some(other), record.head.plan.rule);
    for (listening_db, judgement) in [(80.0, judgement), (70.0, for_another)] {
        let headroom = judgement.headroom.headroom_db.determined().unwrap().value;
        assert!(
            (headroom - (clean_spl - listening_db)).abs() < LEVEL_DB,
            "{headroom} for {clean_spl} − {listening_db}"
        );
    }
}

#[test]
fn a_session_of_version_1_opens_and_is_judged() {
    let (_, record) = Storage::open(&stored("session-v1")).unwrap();
    assert_eq!(record.head.schema, "loudenough-session/1");
    assert_eq!((record.steps.len(), record.stop()), (5, Some(&StopReason::ClipEvidence)));
    holds_the_truth(&record);
}
