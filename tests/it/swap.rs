//! Two outputs swapped on one seat, first, second, first again: what differs is found, what does not is bounded, and what has
//! drifted in between is no difference.

use crate::common::sessions::{half, plan, round, swap};
use loudenough::audio::simulated::{BenchSpec, Shape};
use loudenough::judgement::comparison::{Ask, Audible, Comparison, Hears, NotComparable, Outcome, compare, sentence};
use loudenough::session::plan::Order;
use loudenough::session::protocol::RoundOf;
use loudenough::session::reanalyse::reanalyse;
use loudenough::session::record::Record;
use loudenough::session::swap::{alternating, next_output, rounds};
use loudenough::stock::side_by_side::{Wanted, side_by_side};
use loudenough::stock::{KeptListener, folder};
use std::path::Path;

/// Level that both are held against each other at, dB SPL: some 60 dB over the noise.
const AT_DB_SPL: f64 = 74.0;
/// What identical outputs are bounded by from 40 Hz to 10 kHz, dB.
const BOUND_DB: f64 = 0.15;

fn desk(seed: u64) -> BenchSpec {
    let mut spec = BenchSpec { seed, ..BenchSpec::default() };
    spec.microphone.noise_db_spl = Some(15.0);
    spec
}

fn compared(rounds: &[BenchSpec], sessions: &Path) -> Comparison {
    let [first, second] = swap(rounds, Some(AT_DB_SPL), sessions, "pair").unwrap();
    compare(&first, &second, &Ask::default()).unwrap()
}

fn seconds_of_sound(records: &[Record]) -> f64 {
    let takes = records.iter().flat_map(|r| &r.steps).flat_map(|s| &s.takes).filter(|t| !t.head.stimulus.is_silent());
    takes
        .map(|t| {
            t.head.stimulus.period_frames(t.head.played_rate) as f64 * t.head.periods as f64 / t.head.played_rate.hz()
        })
        .sum()
}

#[test]
fn identical_outputs_are_bounded_and_nothing_is_said_to_differ() {
    let folder = tempfile::tempdir().unwrap();
    let [first, second] = swap(&[desk(1), desk(2), desk(3)], Some(AT_DB_SPL), folder.path(), "pair").unwrap();
    let c = compare(&first, &second, &Ask::default()).unwrap();
    println!("{}", sentence(&c));
    assert_eq!(c.rounds, Some(3));
    assert_eq!(c.overall, Outcome::Same);
    let bound = c.bound.unwrap();
    assert!(bound.bands.0 <= -14 && bound.bands.1 >= 10 && bound.largest_db <= BOUND_DB, "{bound:?}");
    assert!(c.distortions.quantities.iter().all(|q| q.outcome != Outcome::Differs));
    assert!(c.noise[0].band.is_none() && c.noise[0].outcome == Outcome::Same, "{:?}", c.noise[0]);
    let sound_s = seconds_of_sound(&[first, second]);
    println!("{sound_s:.0} s of sound");
    assert!(sound_s < 180.0, "{sound_s}");
}

/// The second output is 12 dB louder and has a shelf of 0.3 dB: found, in its size.
#[test]
fn a_shelf_of_three_tenths_is_found() {
    let home = tempfile::tempdir().unwrap();
    let mut other = desk(2);
    other.output.volts_per_fs *= 4.0;
    other.microphone.response.push(Shape::Peak { frequency_hz: 12_000.0, q: 0.5, gain_db: 0.6 });
    let sessions = home.path().join("sessions");
    let c = compared(&[desk(1), other, desk(3)], &sessions);
    println!("{}", sentence(&c));
    assert_eq!(c.overall, Outcome::Differs);
    assert!(c.largest.unwrap().difference_db.value > 0.3);

    // A limit of the listener's own, kept beside the sessions or typed, decides whether it matters to them.
    let listening = plan(60.0).listening.unwrap();
    let hears = Hears { response_db: Some(0.1), ..Hears::default() };
    let kept = KeptListener { stated_at: "2026-03-01T09:00:00+00:00".into(), listening, hears, measured: None };
    folder::keep_listener(&folder::beside(&sessions), &kept).unwrap();
    let both = ["pair-first", "pair-second"].map(|name| sessions.join(name));
    let response = |typed: Option<f64>| {
        let ask = Ask { hears: Hears { response_db: typed, ..Hears::default() }, ..Ask::default() };
        let wanted = Wanted { ask, hide_labels: false, subtract: false };
        let found = side_by_side([&both[0], &both[1]], &wanted, String::new()).unwrap();
        found.comparison.matters.iter().find(|matter| matter.what == "response").unwrap().word
    };
    assert_eq!(response(None), Audible::Yes);
    assert_eq!(response(Some(2.0)), Audible::No);
}

/// Between the rounds of the first output its treble and its level drift by a tenth of a decibel: no difference.
#[test]
fn what_drifts_between_the_rounds_is_no_difference() {
    let folder = tempfile::tempdir().unwrap();
    let drifted = |seed: u64, by_db: f64| {
        let mut spec = desk(seed);
        spec.output.volts_per_fs *= 10f64.powf(by_db / 20.0);
        spec.microphone.response.push(Shape::Peak { frequency_hz: 8_000.0, q: 1.0, gain_db: by_db });
        spec
    };
    let c = compared(&[desk(1), drifted(2, 0.1), drifted(3, 0.1)], folder.path());
    println!("{}", sentence(&c));
    assert_ne!(c.overall, Outcome::Differs);
    // What has moved lies in the interval, whenever it moved.
    let band = c.bands.iter().find(|b| b.x == 9).unwrap();
    assert!(band.difference_db.holds(0.0) && band.difference_db.half_width() > 0.04, "{band:?}");
}

#[test]
fn turned_round_every_difference_has_the_other_sign() {
    let folder = tempfile::tempdir().unwrap();
    let [first, second] = swap(&[desk(1), desk(2), desk(3)], Some(AT_DB_SPL), folder.path(), "pair").unwrap();
    let (c, turned) =
        (compare(&first, &second, &Ask::default()).unwrap(), compare(&second, &first, &Ask::default()).unwrap());
    assert_eq!(turned.outputs, (c.outputs.1.clone(), c.outputs.0.clone()));
    for (a, b) in c.bands.iter().zip(&turned.bands) {
        assert!((a.difference_db.value + b.difference_db.value).abs() < 1e-12);
    }
}

/// Two rounds of the first output in a row are one: the second output stands between the first's only after another.
#[test]
fn rounds_count_only_as_they_alternate() {
    let folder = tempfile::tempdir().unwrap();
    let [first, mut second] = swap(&[desk(1), desk(2), desk(3)], Some(AT_DB_SPL), folder.path(), "pair").unwrap();
    assert_eq!(next_output(Some(&first), Some(&second), 3), None);
    // The second output was heard after both rounds of the first.
    second.steps.iter_mut().for_each(|step| step.finished_at = "2026-03-01T09:30:00+00:00".into());
    let (ones, others) = alternating(&first, &second);
    assert_eq!((ones.len(), others.len()), (1, 1));
    assert_eq!(next_output(Some(&first), Some(&second), 3), Some(Order::First));
    let refused = compare(&first, &second, &Ask::default());
    assert!(matches!(refused, Err(NotComparable::RoundsMissing { played: 2, .. })));
}

/// The plug stays in the second output: in the first one's round it sounds as the second did.
#[test]
fn an_output_that_was_not_swapped_is_noticed_before_the_level_is_played() {
    let folder = tempfile::tempdir().unwrap();
    let mut louder = desk(2);
    louder.output.volts_per_fs *= 1.2;
    let error = swap(&[desk(1), louder.clone(), louder], Some(AT_DB_SPL), folder.path(), "pair").unwrap_err();
    assert!(error.contains("sounds like the other output") && error.contains("invented output first"), "{error}");
}

/// Plugged in at last, the round is played again and counts once.
#[test]
fn a_round_that_was_refused_is_played_again() {
    let folder = tempfile::tempdir().unwrap();
    let mut louder = desk(2);
    louder.output.volts_per_fs *= 1.2;
    swap(&[desk(1), louder.clone(), louder], Some(AT_DB_SPL), folder.path(), "pair").unwrap_err();
    let [first, second] = ["pair-first", "pair-second"].map(|name| folder.path().join(name));
    let early = || {
        let open = |folder| loudenough::session::storage::Storage::open(folder).unwrap().1;
        compare(&open(&first), &open(&second), &Ask::default())
    };
    assert!(matches!(early(), Err(NotComparable::RoundsMissing { played: 2, .. })), "{:?}", early().map(|_| ()));
    let again = RoundOf::Again { folder: first.clone(), confirmed: None };
    let (record, _) = round(&desk(3), again, Some(&second)).unwrap();
    assert_eq!(rounds(&record).len(), 2);
    assert_eq!(early().unwrap().overall, Outcome::Same);
    assert!(reanalyse(&first, false).unwrap().changed.is_empty());
}

#[test]
fn a_level_over_the_ceiling_is_refused_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let chain = crate::common::sessions::chain(&desk(1));
    let RoundOf::New(mut request) = half(chain, Order::First, Some(99.0), folder.path(), "pair") else { panic!() };
    request.plan.ceilings.spl = loudenough::units::DbSpl(100.0);
    request.plan.swap.as_mut().unwrap().at = None;
    request.plan.listening = crate::common::sessions::plan(110.0).listening;
    let error = round(&desk(1), RoundOf::New(request), None).unwrap_err();
    assert!(error.contains("100.0 dB SPL"), "{error}");
}
