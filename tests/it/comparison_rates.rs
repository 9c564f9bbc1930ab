//! How often is a comparison right? Seeded benches of which the truth is known: identical outputs, and outputs with a
//! planted difference; by turns on one seat, and on seats drawn anew for each output. A few cases here; `sh tests/comparison.sh`
//! counts more (`LOUDENOUGH_COMPARISONS`, from `LOUDENOUGH_FIRST_COMPARISON` on) and prints the table.

use crate::common::sessions::{bench, chain, finish, plan, swap};
use loudenough::audio::simulated::{BenchSpec, Bend, Resonance, SeatSpec, Shape, SimulatedCardSpec};
use loudenough::judgement::comparison::{Ask, Comparison, Outcome, compare, target};
use loudenough::session::plan::Plan;
use loudenough::session::protocol::{Command, SessionRequest};
use loudenough::session::record::Record;
use loudenough::session::swap::rounds;
use loudenough::stats::Draws;
use loudenough::units::SampleRate;
use std::path::{Path, PathBuf};

/// Cases without being asked for more.
const FEW: u64 = 2;
/// Identical outputs are bounded by this where takes stand some 50 dB over their noise, dB.
const BOUND_DB: f64 = 0.15;
/// Level that both are compared at, dB SPL: some 60 dB over the noise.
const AT_DB_SPL: f64 = 74.0;
fn cases() -> std::ops::Range<u64> {
    let asked = |name: &str| std::env::var(name).ok().and_then(|n| n.parse().ok());
    let first = asked("LOUDENOUGH_FIRST_COMPARISON").unwrap_or(0);
    first..first + asked("LOUDENOUGH_COMPARISONS").unwrap_or(FEW)
}

/// A desk of this seed: its own clocks and noise, always the same headphone.
fn desk(seed: u64) -> BenchSpec {
    let drawn = BenchSpec::seeded(seed);
    let mut spec = BenchSpec {
        seed,
        playback_clock_ppm: drawn.playback_clock_ppm,
        capture_clock_ppm: drawn.capture_clock_ppm,
        ..BenchSpec::default()
    };
    spec.microphone.noise_db_spl = Some(15.0);
    spec
}

/// Three seats, each drawn alike: level within ±0.8 dB, treble within ±2 dB. The first is the bench as it stands.
fn on_drawn_seats(mut spec: BenchSpec) -> BenchSpec {
    let mut draws = Draws::new(spec.seed + 77);
    let seats = [(); 3].map(|()| (draws.within(0.8), draws.within(2.0)));
    let (level, treble) = seats[0];
    spec.headphone.sensitivity_pa_per_v *= 10f64.powf(level / 20.0);
    spec.headphone.response.push(Shape::Peak { frequency_hz: 8_000.0, q: 2.0, gain_db: treble });
    let change = |(l, t): &(f64, f64)| SeatSpec { louder_db: l - level, treble_db: t - treble, leak_hz: None };
    spec.seats = seats[1..].iter().map(change).collect();
    spec
}

/// A quick look, matched to `first` where there is one, and two further seats where they are drawn.
fn measured(spec: &BenchSpec, first: Option<(&Record, &Ask)>, sessions: &Path) -> Record {
    let bench = bench(spec, SimulatedCardSpec::default());
    let quick =
        Plan { listening: plan(60.0).listening, wanted_headroom_db: 16.0, ..Plan::quick_look(SampleRate::DEFAULT) };
    let id = Some(format!("{}-{}", spec.seed, first.is_some()));
    let request = SessionRequest { plan: quick, chain: chain(spec), sessions: sessions.into(), id };
    bench.commands.send(Command::Run(Box::new(request))).unwrap();
    let (mut record, folder): (Record, PathBuf) = finish(&bench).unwrap();
    for _ in &spec.seats {
        bench.commands.send(Command::Seat { folder: folder.clone(), hold: false }).unwrap();
        record = finish(&bench).unwrap().0;
    }
    if let Some((first, ask)) = first {
        let target = target(first, &record, ask, false).unwrap();
        bench.commands.send(Command::Match { folder, target }).unwrap();
        record = finish(&bench).unwrap().0;
    }
    record
}

/// What is planted in the second output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Planted {
    /// Nothing: the outputs are identical.
    Nothing,
    /// A wide shelf of 0.3 dB.
    Shelf,
    /// A dip of 1 dB, a fifth of an octave wide.
    Dip,
    /// A source impedance into a resonant load, ohm.
    Source(u32),
    /// Odd-order distortion of −60 dB.
    Distortion,
    /// Noise of the output, 6 dB more.
    Noise,
}

const PLANTED: [Planted; 6] =
    [Planted::Shelf, Planted::Dip, Planted::Source(10), Planted::Source(50), Planted::Distortion, Planted::Noise];

/// A shelf from 2 kHz on, as a peak far wider than the band.
const SHELF: Shape = Shape::Peak { frequency_hz: 18_000.0, q: 0.25, gain_db: 0.55 };
const DIP: Shape = Shape::Peak { frequency_hz: 1_300.0, q: 7.0, gain_db: -1.0 };

/// Mean of a peak's power over a one-third octave, dB: closed form of the bilinear section, as in `comparison.rs`.
fn of_shape(shape: &Shape, x: i32) -> f64 {
    let Shape::Peak { frequency_hz, q, gain_db } = *shape else { panic!("only peaks are planted") };
    let factor = 10f64.powf(gain_db / 40.0);
    let tangent = |f: f64| (std::f64::consts::PI * f / 48_000.0).tan();
    let power = |f: f64| {
        let w = tangent(f) / tangent(frequency_hz);
        let part = |slope: f64| (1.0 - w * w).powi(2) + (w * slope).powi(2);
        part(factor / q) / part(1.0 / (factor * q))
    };
    let at = |i: u32| 1000.0 * 10f64.powf(0.1 * (f64::from(x) + (f64::from(i) + 0.5) / 200.0 - 0.5));
    10.0 * ((0..200).map(|i| power(at(i).min(23_900.0))).sum::<f64>() / 200.0).log10()
}

/// The rounds of a swap: its seed draws clocks, noise, volume of the second output, and what drifts from round to round.
fn rounds_of(seed: u64, planted: Planted) -> Vec<BenchSpec> {
    let mut draws = Draws::new(seed);
    let (volume_db, drift_db) = (draws.within(12.0), draws.within(0.1));
    let round = |n: u64| {
        let mut spec = desk(3 * seed + n);
        let moved = drift_db * n as f64 / 2.0;
        spec.microphone.response.push(Shape::Peak { frequency_hz: 6_000.0, q: 1.0, gain_db: moved });
        spec.output.source_ohm = 0.5;
        spec.headphone.resonances = vec![Resonance { frequency_hz: 80.0, q: 2.0, peak_ohm: 68.0 }];
        spec.headphone.load_ohm = 32.0;
        (spec.output.positive_limit_v, spec.output.negative_limit_v) = (None, None);
        if planted == Planted::Noise {
            // Well over that of the microphone, whose own does not change.
            spec.output.noise_v_rms = 3e-5;
        }
        if n == 1 {
            spec.output.volts_per_fs *= 10f64.powf(volume_db / 20.0);
            match planted {
                Planted::Nothing => {}
                Planted::Shelf => spec.microphone.response.push(SHELF),
                Planted::Dip => spec.microphone.response.push(DIP),
                Planted::Source(ohm) => spec.output.source_ohm = f64::from(ohm),
                Planted::Distortion => {
                    let bend = Bend { even_db: None, odd_db: Some(-60.0), at_rms: 0.033, below_hz: 20_000.0 };
                    spec.output.bend = Some(bend);
                }
                Planted::Noise => spec.output.noise_v_rms *= 2.0,
            }
        }
        spec
    };
    (0..3).map(round).collect()
}

/// What was planted is found in its place.
fn is_found(c: &Comparison, planted: Planted) -> bool {
    match planted {
        Planted::Nothing => true,
        Planted::Shelf | Planted::Dip | Planted::Source(_) => c.overall == Outcome::Differs,
        Planted::Distortion => c.distortions.overall == Outcome::Differs,
        Planted::Noise => c.noise[0].outcome == Outcome::Differs,
    }
}

/// True difference of a one-third octave at matched level, dB.
fn truth_db(first: &Record, planted: Planted, x: i32) -> Option<f64> {
    let shape = match planted {
        Planted::Nothing | Planted::Noise => return Some(0.0),
        Planted::Shelf => SHELF,
        Planted::Dip => DIP,
        Planted::Source(_) | Planted::Distortion => return None,
    };
    let pink = rounds(first)[0].matched.pink(0)?.0;
    let power = |db: f64| 10f64.powf(db / 10.0);
    let levels: Vec<(i32, f64)> = pink.bands.iter().filter_map(|b| Some((b.x, b.level?.value))).collect();
    let plain: f64 = levels.iter().map(|(_, db)| power(*db)).sum();
    let shaped: f64 = levels.iter().map(|(x, db)| power(db + of_shape(&shape, *x))).sum();
    Some(of_shape(&shape, x) - 10.0 * (shaped / plain).log10())
}

/// Largest true difference within the range that the bound is for lies under it.
fn bound_holds(first: &Record, c: &Comparison, planted: Planted) -> Option<bool> {
    let bound = c.bound?;
    let mut holds = true;
    for x in bound.bands.0..=bound.bands.1 {
        holds &= truth_db(first, planted, x)?.abs() <= bound.largest_db;
    }
    Some(holds)
}

/// The default protocol: what is the same is bounded, what is planted is found, what drifts is no difference.
#[test]
fn by_turns_the_same_is_bounded_and_what_is_planted_is_found() {
    let cases = cases();
    let n = cases.end - cases.start;
    let (mut differ, mut tight, mut bounds, mut held) = (0u64, 0u64, 0u64, 0u64);
    let mut found = [0u64; PLANTED.len()];
    let mut missed = Vec::new();
    for case in cases {
        let folder = tempfile::tempdir().unwrap();
        let seed = 900_000 + case;
        let mut one = |planted: Planted| {
            let name = format!("{planted:?}").to_lowercase().replace(['(', ')'], "-");
            let [first, second] = swap(&rounds_of(seed, planted), Some(AT_DB_SPL), folder.path(), &name).unwrap();
            let c = compare(&first, &second, &Ask::default()).unwrap();
            if let Some(holds) = bound_holds(&first, &c, planted) {
                bounds += 1;
                held += u64::from(holds);
            }
            c
        };
        let alike = one(Planted::Nothing);
        let said = alike.overall == Outcome::Differs || alike.distortions.overall == Outcome::Differs;
        differ += u64::from(said || alike.noise[0].outcome == Outcome::Differs);
        let bound = alike.bound.unwrap();
        tight += u64::from(bound.largest_db <= BOUND_DB && bound.bands.0 <= -14 && bound.bands.1 >= 10);
        for (count, planted) in found.iter_mut().zip(PLANTED) {
            let c = one(planted);
            let is = is_found(&c, planted);
            *count += u64::from(is);
            if !is {
                missed.push((seed, planted));
            }
        }
    }
    println!(
        "by turns, {n} of each: identical said to differ {differ}, bounded by {BOUND_DB} dB from 40 Hz to 10 kHz {tight}; bounds that hold {held} of {bounds}; found {:?}; wrong or missed: {missed:?}",
        PLANTED.iter().zip(found).collect::<Vec<_>>()
    );
    assert!(100 * differ <= n.max(99), "{differ} of {n} identical outputs are said to differ");
    assert!(100 * tight >= 95 * n, "{tight} of {n} identical outputs are bounded");
    assert!(100 * held >= 95 * bounds, "{held} of {bounds} bounds hold");
    for (planted, found) in PLANTED.iter().zip(found) {
        assert!(100 * found >= 95 * n, "{planted:?}: {found} of {n} are found");
    }
}

#[test]
fn on_seats_drawn_anew_identical_outputs_are_not_said_to_differ() {
    let folder = tempfile::tempdir().unwrap();
    let ask = Ask { at: Some(AT_DB_SPL), ..Ask::default() };
    let (mut differ, mut not_determined) = (0u64, 0u64);
    let cases = cases();
    let n = cases.end - cases.start;
    for case in cases {
        let seed = 2 * case + 800_000;
        let a = measured(&on_drawn_seats(desk(seed)), None, folder.path());
        let b = measured(&on_drawn_seats(desk(seed + 1)), Some((&a, &ask)), folder.path());
        let comparison = compare(&a, &b, &ask).unwrap();
        differ += u64::from(comparison.bands.iter().any(|band| band.outcome == Outcome::Differs));
        not_determined += u64::from(comparison.overall == Outcome::NotDetermined);
    }
    println!(
        "on three drawn seats each, {n} comparisons: identical said to differ {differ}, not determined {not_determined}"
    );
    assert!(100 * differ <= n.max(99), "{differ} of {n} identical outputs are said to differ");
}
