//! Whose distortion? Benches with distortion planted in the output, the headphone or the input; three short sessions each:
//! the pairing, the same headphone on another output, the pairing at another input gain.
//!
//! `sh tests/attribution.sh 500` looks at many benches and prints the table.

use crate::common::sessions::{chain, frozen, plan, run};
use crate::common::truth::steady_period;
use loudenough::account::document::{Cell, Part};
use loudenough::analysis::{self, Context, Reference};
use loudenough::audio::simulated::{BenchSpec, Bend, CAPTURE_CHANNELS, Device, DriverDistortion, SimulatedCardSpec};
use loudenough::card::{CardId, Granted, InputRole};
use loudenough::judgement::attribution::{Attribution, Changed, Owner, Product, attribution};
use loudenough::session::chain::Chain;
use loudenough::session::evaluate::evaluate;
use loudenough::session::plan::{AskedLevel, Plan};
use loudenough::session::record::{Record, SCHEMA, SessionHead, StepResult, TakeResult};
use loudenough::session::step::{Purpose, Step};
use loudenough::signal::{Drive, DriveCeiling, FADE_S, Period, Stimulus, Sweep, TwoTones, raised_cosine};
use loudenough::stats::Draws;
use loudenough::take::{Input, Take, TakeHead};
use loudenough::units::{DbSpl, Dbfs, SampleRate};
use std::f64::consts::SQRT_2;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

/// Benches where nothing else is asked for (`tests/run.sh` asks for 24).
const CASES: u64 = 6;
/// Where the sessions exist: wrong in at most this share of the products, not determined in at most that.
const WRONG: f64 = 0.01;
const NOT_TOLD: f64 = 0.25;
/// Fewer products than this say nothing of one in a hundred.
const ENOUGH: usize = 500;
/// The other gain of the input, dB.
const LESS_GAIN_DB: f64 = 12.0;

const RATE: SampleRate = SampleRate::DEFAULT;
const SETTLE: usize = 14_400;
const PRE_ROLL: usize = 9_600;

/// One bench and what is planted on it.
struct Case {
    planted: Owner,
    level_db_spl: f64,
    /// The pairing, another output, another input gain.
    specs: [BenchSpec; 3],
}

/// Distortion of a second and third harmonic at −50 to −35 dB at the level compared, in one place; the rest is clean.
fn case(seed: u64) -> Case {
    let mut draws = Draws::new(seed);
    let mut between = |low: f64, high: f64| low + (high - low) * draws.uniform();
    let mut spec = BenchSpec::seeded(seed);
    let level_db_spl = between(85.0, 100.0);
    spec.output.positive_limit_v = None;
    spec.output.negative_limit_v = None;
    spec.headphone.distortion = DriverDistortion::none();
    spec.microphone.noise_db_spl = Some(level_db_spl - between(55.0, 75.0));
    for hum in &mut spec.microphone.hum {
        hum.level_db_spl = level_db_spl - between(60.0, 80.0);
    }
    spec.microphone.full_scale_db_spl = level_db_spl + between(16.0, 24.0);
    // The level compared stands 14 dB under full scale: the other output may give 4 dB less over twice the impedance.
    spec.output.volts_per_fs *= gain_for(&spec, level_db_spl) / 0.2;
    let (even_db, odd_db) = (Some(between(-50.0, -35.0)), Some(between(-50.0, -35.0)));
    let below_hz = 200.0 * 25f64.powf(between(0.0, 1.0));
    let bend = |at_rms: f64| Some(Bend { even_db, odd_db, at_rms, below_hz });
    let open_v = spec.output.volts_per_fs * gain_for(&spec, level_db_spl) * period().rms;
    let planted = [Owner::Output, Owner::Headphone, Owner::Input][(seed % 3) as usize];
    let clean = spec.output.clone();
    match planted {
        Owner::Output => spec.output.bend = bend(open_v),
        Owner::Headphone => {
            let across = spec.headphone.load_ohm / (spec.headphone.load_ohm + spec.output.source_ohm);
            spec.headphone.distortion = DriverDistortion { even_db, odd_db, at_v_rms: open_v * across, below_hz };
        }
        _ => {
            let rms = 10f64.powf((level_db_spl - spec.microphone.full_scale_db_spl) / 20.0) / SQRT_2;
            spec.microphone.bend = bend(rms);
        }
    }
    let mut other = spec.clone();
    other.output = clean;
    other.output.volts_per_fs *= between(0.6, 1.8);
    other.output.source_ohm *= between(0.5, 2.0);
    let mut quieter = spec.clone();
    quieter.microphone.full_scale_db_spl += LESS_GAIN_DB;
    Case { planted, level_db_spl, specs: [spec, other, quieter] }
}

fn period() -> Arc<Period> {
    Stimulus::pink(RATE).period(RATE)
}

/// Gain of the period that gives a level, the distortion left out.
fn gain_for(spec: &BenchSpec, level_db_spl: f64) -> f64 {
    let mut straight = spec.clone();
    straight.headphone.distortion = DriverDistortion::none();
    let quiet = steady_period(&straight, &period().samples, 1e-3, RATE.hz()).level_db_spl();
    1e-3 * 10f64.powf((level_db_spl - quiet) / 20.0)
}

/// A take of the bench's own device.
fn take(spec: &BenchSpec, gain: f64, seed: u64) -> Take {
    let (stimulus, period) = (Stimulus::pink(RATE), period());
    let periods = 2;
    let sounding = SETTLE + periods * period.samples.len() + 9_600;
    let ceiling = DriveCeiling { rms: Dbfs(20.0), because: "test".into() };
    let drive = Drive::grant(Dbfs(period.full_drive().unwrap().db() + 20.0 * gain.log10()), &period, &ceiling).unwrap();
    let spec = BenchSpec { seed, ..spec.clone() };
    let mut device = Device::new(&spec, RATE, RATE).wanting([true, false, false, false, false]);
    let fade = FADE_S * RATE.hz();
    let (mut out, mut block) = (Vec::new(), Vec::new());
    for n in 0..PRE_ROLL + sounding + 24_000 {
        let at = n.checked_sub(PRE_ROLL).filter(|at| *at < sounding);
        let open = |at: usize| raised_cosine(at as f64 / fade) * raised_cosine((sounding - at) as f64 / fade);
        let x = at.map_or(0.0, |at| gain * open(at) * period.samples[at % period.samples.len()]) as f32;
        block.push([x; 2]);
        if block.len() == 4_096 {
            device.play(&block);
            device.capture(&mut out);
            block.clear();
        }
    }
    let samples = out.iter().map(|frame: &[f32; CAPTURE_CHANNELS]| frame[0]).collect();
    Take {
        head: TakeHead {
            stimulus,
            drive,
            played_rate: RATE,
            captured_rate: RATE,
            driven: vec![0, 1],
            pre_roll: PRE_ROLL,
            settle: SETTLE,
            periods,
            played_frames: sounding,
            gaps: Vec::new(),
            void: None,
        },
        inputs: vec![Input { role: InputRole::LeftEar, samples }],
    }
}

/// A session of a quiet reference and two steps around the level.
fn session(spec: &BenchSpec, level_db_spl: f64, (output, seed): (&str, u64)) -> Record {
    let mut chain: Chain = chain(spec);
    chain.output = output.into();
    let granted = Granted { rate: RATE, ..granted(&chain.routing.playback) };
    let mut record = Record::new(SessionHead {
        schema: SCHEMA.into(),
        id: format!("{output}-{seed}"),
        started_at: frozen(),
        program: "test".into(),
        plan: plan(70.0),
        chain,
        playback: granted.clone(),
        capture: granted,
    });
    let mut reference: Option<Reference> = None;
    let off_db = 3.0 * Draws::new(seed).uniform();
    let steps = [(Purpose::Reference, -30.0), (Purpose::Climb, off_db - 3.0), (Purpose::Climb, off_db)];
    for (i, (purpose, re_level_db)) in steps.into_iter().enumerate() {
        let take = take(spec, gain_for(spec, level_db_spl + re_level_db), 97 * seed + i as u64);
        let correction = record.head.chain.correction(InputRole::LeftEar);
        let context = Context { reference: reference.as_ref(), ..Context::alone(&correction) };
        let measured = analysis::measure(&take, 0, &context).unwrap();
        let result = evaluate(measured.finding, InputRole::LeftEar, &record.head.chain, reference.as_ref());
        if purpose == Purpose::Reference {
            reference = measured.spectra.as_ref().map(Reference::from_spectra);
        }
        let drive = take.head.drive.rms();
        let step = Step { number: i + 1, purpose, drive, stimuli: vec![take.head.stimulus.clone()], periods: 2 };
        let takes = vec![TakeResult {
            file: String::new(),
            head: take.head,
            void: None,
            pooled_ppm: None,
            route_delay_s: None,
            inputs: vec![result],
        }];
        record.steps.push(StepResult { step, seat: 1, finished_at: frozen(), arithmetic: None, takes });
    }
    record
}

fn granted(id: &CardId) -> Granted {
    Granted {
        id: id.clone(),
        rate: RATE,
        channels: 2,
        block_frames: Some(1_024),
        format: "f32".into(),
        may_resample: None,
        simulates: None,
    }
}

fn sessions(case: &Case, seed: u64) -> [Record; 3] {
    let name = ["first output", "second output", "first output"];
    std::array::from_fn(|i| session(&case.specs[i], case.level_db_spl, (name[i], 3 * seed + i as u64)))
}

fn asked() -> u64 {
    std::env::var("LOUDENOUGH_ATTRIBUTIONS").ok().and_then(|n| n.parse().ok()).unwrap_or(CASES)
}

fn first_seed() -> u64 {
    let asked = std::env::var("LOUDENOUGH_SEED").ok().and_then(|n| n.parse::<u64>().ok());
    asked.unwrap_or(0) * 10_000
}

/// Counts of right, not determined, wrong.
type Count = [usize; 3];

#[test]
fn planted_distortion_is_put_down_to_where_it_was_planted() {
    let (cases, first) = (asked(), first_seed());
    let (next, counts) = (AtomicU64::new(0), Mutex::new([[0usize; 3]; 3]));
    let wrong = Mutex::new(Vec::new());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                loop {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    if n >= cases {
                        return;
                    }
                    let seed = first + n;
                    let case = case(seed);
                    let all = sessions(&case, seed);
                    let stated = attribution(&all.each_ref()).unwrap();
                    let mut counts = counts.lock().unwrap();
                    for product in &stated.products {
                        let place = match product.owner {
                            owner if owner == case.planted => 0,
                            Owner::NotDetermined => 1,
                            _ => 2,
                        };
                        counts[(seed % 3) as usize][place] += 1;
                        if place == 2 {
                            wrong.lock().unwrap().push(format!("seed {seed}, {:?}: {product:?}", case.planted));
                        }
                    }
                }
            });
        }
    });
    let counts = counts.into_inner().unwrap();
    println!("{cases} benches from seed {first}: products right, not determined, wrong");
    for (name, [right, open, wrong]) in ["output", "headphone", "input"].iter().zip(counts) {
        println!("  planted in the {name:10} {right:6} {open:6} {wrong:6}");
    }
    let sum = |place: usize| counts.iter().map(|c: &Count| c[place]).sum::<usize>();
    let all = (sum(0) + sum(1) + sum(2)).max(1);
    let share = |place: usize| sum(place) as f64 / all as f64;
    println!("  wrong {:.2} %, not determined {:.1} % of {all}", 100.0 * share(2), 100.0 * share(1));
    let wrong = wrong.into_inner().unwrap();
    assert!(sum(0) > 0);
    let allowed = if all < ENOUGH { 0 } else { (WRONG * all as f64) as usize };
    assert!(wrong.len() <= allowed, "{}", wrong.join("\n"));
    assert!(share(1) <= NOT_TOLD);
}

/// Without the session that decides, nothing is guessed, and the one that is missing is named.
#[test]
fn what_the_sessions_at_hand_cannot_decide_is_not_determined_and_the_next_one_is_named() {
    let seed = 4; // planted in the headphone
    let case = case(seed);
    assert_eq!(case.planted, Owner::Headphone);
    let [first, other, quieter] = sessions(&case, seed);
    let of = |stated: &Attribution| {
        let all = stated.products.iter().find(|p| p.product == Product::Even { band: None }).unwrap();
        (all.owner, all.proofs.iter().map(|p| p.changed).collect::<Vec<_>>())
    };
    let both = attribution(&[&first, &other, &quieter]).unwrap();
    assert_eq!(of(&both), (Owner::Headphone, vec![Changed::Output, Changed::InputGain]));
    reported(&both, &[&first, &other, &quieter]);
    let outputs = attribution(&[&first, &other]).unwrap();
    assert_eq!(of(&outputs).0, Owner::NotDetermined);
    assert!(outputs.next.unwrap().contains("less input gain"));
    let gains = attribution(&[&first, &quieter]).unwrap();
    assert_eq!(of(&gains).0, Owner::NotDetermined);
    assert!(gains.next.unwrap().contains("another output"));
    assert!(attribution(&[&first]).unwrap_err().contains("one session alone"));
    let twice = attribution(&[&first, &first]).unwrap();
    assert!(twice.unused[0].1.contains("same pairing") && twice.next.unwrap().contains("another output"));
}

/// Sweeps and two tones beside the noise, in whole sessions: what the output bends is found to be the output's there too.
#[test]
fn products_of_sweeps_and_two_tones_are_put_down_too() {
    let home = tempfile::tempdir().unwrap();
    let clean = BenchSpec { seed: 3, ..BenchSpec::default() };
    let mut bent = clean.clone();
    bent.headphone.distortion = DriverDistortion::none();
    bent.output.bend = Some(Bend { even_db: Some(-38.0), odd_db: Some(-44.0), at_rms: 0.1, below_hz: 20_000.0 });
    let clean = BenchSpec { headphone: bent.headphone.clone(), ..clean };
    let session = |name: &str, spec: &BenchSpec| {
        let beside = vec![Stimulus::Sweep(Sweep::STANDARD), Stimulus::TwoTones(TwoTones::Modulation)];
        let asked = vec![AskedLevel::Spl(DbSpl(90.0))];
        let wanted = Plan { asked, beside, sines_hz: vec![], step_db: 10.0, ..plan(70.0) };
        let chain = Chain { output: name.into(), ..chain(spec) };
        run(spec, SimulatedCardSpec::default(), wanted, chain, &home.path().join(name)).unwrap().0
    };
    let (bent, clean) = (session("bent", &bent), session("clean", &clean));
    let stated = attribution(&[&bent, &clean]).unwrap();
    let count = |counts: fn(&Product) -> bool| {
        let owners = stated.products.iter().filter(|p| counts(&p.product)).map(|p| p.owner);
        owners.fold((0, 0), |(right, all), owner| (right + usize::from(owner == Owner::Output), all + 1))
    };
    let swept = count(|p| matches!(p, Product::Swept { .. }));
    let tones = count(|p| matches!(p, Product::Intermodulation { .. }));
    assert!(swept.0 == swept.1 && swept.1 >= 30, "{swept:?}");
    assert_eq!(tones, (2, 2));
    // They were played at 90 dB alone, which is not where the noise was compared.
    let lines = stated.lines();
    assert!(
        lines.iter().any(|l| l.starts_with("harmonic 2 of the sweep by band, at 90.0 dB: the output's at")),
        "{lines:?}"
    );
    assert!(stated.rows().iter().any(|p| p.name() == "second-order intermodulation of 61 and 7001 Hz, at 90.0 dB"));
    // Nothing of it is left where the output is clean.
    let stated = attribution(&[&clean, &bent]).unwrap();
    assert!(
        !stated.products.iter().any(|p| matches!(p.product, Product::Swept { .. } | Product::Intermodulation { .. }))
    );
}

/// A report has each product with its owner and its proofs, as the terminal tells them.
fn reported(stated: &Attribution, sessions: &[&Record]) {
    let section = loudenough::account::attribution::section(stated, sessions);
    let table = section.parts.iter().find_map(|part| if let Part::Table(table) = part { Some(table) } else { None });
    let table = table.unwrap();
    assert_eq!(table.rows.len(), stated.rows().len());
    for (row, product) in table.rows.iter().zip(stated.rows()) {
        assert_eq!(row[1], Cell::estimate(Some(product.size_db), 1));
        assert_eq!(row[2], Cell::text(product.owner.to_string()));
        let Cell::Text(because) = &row[3] else { panic!("no proof") };
        assert!(
            because.contains("on session 2 (another output)") && because.contains("on session 3 (another input gain)")
        );
    }
    let Part::List(named) = &section.parts[1] else { panic!("{:?}", section.parts[1]) };
    assert!(named.len() == 3 && named[2].starts_with("Session 3: first output with"));
}
