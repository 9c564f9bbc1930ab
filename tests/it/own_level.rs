//! The listener's own level: what a volume position gives, heard with pink noise and with music.

use crate::common::sessions::{chain, frozen};
use crate::common::truth;
use loudenough::analysis::music::Meter;
use loudenough::audio::simulated::{BenchSpec, Pace, SimulatedBackend, SimulatedCardSpec};
use loudenough::card::InputRole;
use loudenough::session::own_level::{How, OwnLevel, OwnLevelAsk, energy_average, of_music};
use loudenough::session::protocol::{Command, Event};
use loudenough::session::runner::Bench;
use loudenough::signal::Stimulus;
use loudenough::stats::Draws;
use loudenough::units::{Dbfs, SampleRate, power_from_db};

/// Pink noise of a known programme at a known gain (the task's figure).
const PINK_DB: f64 = 0.1;
/// Programmes drawn of each dynamic range.
const DRAWN: usize = 400;
/// Frames of the meter a second.
const FRAMES_A_SECOND: usize = 5;

fn hear(spec: &BenchSpec, how: How, calibrated: bool) -> Result<OwnLevel, String> {
    let mut chain = chain(spec);
    if !calibrated {
        chain.acoustic.clear();
    }
    let backend = SimulatedBackend::new(spec.clone(), SimulatedCardSpec::default(), Pace::AsFastAsPossible);
    let bench = Bench::spawn(vec![Box::new(backend)], frozen);
    bench.commands.send(Command::OwnLevel(Box::new(OwnLevelAsk { chain, how }))).unwrap();
    loop {
        match bench.events.recv().unwrap() {
            Event::OwnLevel(own) => return Ok(*own),
            Event::Failed(failure) => return Err(failure.message),
            _ => {}
        }
    }
}

/// Truth: the noise-free model of the desk, summed plainly: level where it clips less the drive that it clips at.
#[test]
fn pink_noise_at_the_knob_gives_the_level_of_the_desk_within_a_tenth() {
    let period = Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT);
    for (output, headphone) in [("console phones socket", "closed 80 Ω"), ("field recorder", "in-ear 16 Ω")] {
        let spec = BenchSpec { seed: 5, ..BenchSpec::named(output, headphone).unwrap() };
        let (clean_spl, gain) = truth::highest_clean_level(&spec, &period);
        // 0 dBFS is the RMS of a full-scale sine (AES17).
        let clean_drive = 20.0 * (gain * period.rms * std::f64::consts::SQRT_2).log10();
        let music = Dbfs(-18.0);
        let own = hear(&spec, How::Pink { drive: Dbfs(-40.0), music }, true).unwrap();
        let wanted = clean_spl - clean_drive + music.db();
        assert!((own.z.value - wanted).abs() < PINK_DB, "{output}, {headphone}: {} for {wanted}", own.z.value);
        let (listening, half_width) = own.listening();
        assert!((listening.level.db() - own.z.value).abs() < 1e-12 && half_width > 0.0 && half_width < 1.0);
        let How::Pink { drive, .. } = own.how else { panic!() };
        assert!((drive.db() + 40.0).abs() < 1e-9);
    }
    let refused = hear(&BenchSpec::default(), How::Pink { drive: Dbfs(-40.0), music: Dbfs(-18.0) }, false).unwrap_err();
    assert!(refused.contains("calibrate first"), "{refused}");
}

/// A knob that somebody has turned far up: the noise is heard 20 dB under what was asked first, and nothing passes the ceiling.
#[test]
fn nothing_passes_the_ceiling_at_a_knob_turned_up() {
    let mut spec = BenchSpec::named("desk amplifier", "in-ear 16 Ω").unwrap();
    spec.output.volts_per_fs *= 4.0;
    let own = hear(&spec, How::Pink { drive: Dbfs(-6.0), music: Dbfs(-18.0) }, true);
    match own {
        Ok(own) => {
            let How::Pink { drive, music } = own.how else { panic!() };
            let played = own.z.value - music.db() + drive.db();
            assert!(played < 115.1, "{played} dB SPL at {drive}");
        }
        Err(why) => assert!(why.contains("ceiling") || why.contains("faded out"), "{why}"),
    }
}

/// Music of three dynamic ranges, 30 s heard of each: the interval of the energy average holds the level that the programme has in
/// the long run. The programme is drawn: a level that wanders as a first-order process with a time of 1 s (invented), whose mean
/// power has a closed form, that of a log-normal: exp(σ²/2).
#[test]
fn the_level_of_music_lies_within_its_interval() {
    /// Of 95 %, less three standard deviations of the count and what few stretches tell of a wide range.
    const LEAST: f64 = 0.95 - 0.033 - 0.015;
    let mut draws = Draws::new(30);
    for spread_db in [2.0f64, 4.0, 6.0] {
        // Mean power of a log-normal level: exp(σ²/2), σ in nepers of power.
        let sigma = spread_db * 10f64.ln() / 10.0;
        let truth_db = 10.0 * (sigma * sigma / 2.0) / 10f64.ln();
        let keep = (-1.0 / FRAMES_A_SECOND as f64).exp();
        let mut held = 0;
        for _ in 0..DRAWN {
            let mut level = draws.normal();
            let frames: Vec<f32> = (0..30 * FRAMES_A_SECOND + 2)
                .map(|_| {
                    level = keep * level + (1.0 - keep * keep).sqrt() * draws.normal();
                    // Half the square of a full-scale sine's peak is 0 dB.
                    (0.5 * power_from_db(spread_db * level)) as f32
                })
                .collect();
            held += usize::from(energy_average(&frames).unwrap().holds(truth_db));
        }
        let share = held as f64 / DRAWN as f64;
        println!("spread {spread_db} dB: {:.1} %", 100.0 * share);
        assert!(share >= LEAST, "{spread_db} dB: {share}");
    }
}

/// A sine of known RMS through a known offset has its closed-form level, Z and A (IEC 61672-1 at 1 kHz: 0 dB); silence and an
/// overload are named.
#[test]
fn a_known_signal_has_its_closed_form_level() {
    let (spec, rate) = (BenchSpec::default(), SampleRate::DEFAULT);
    let chain = chain(&spec);
    let offset = chain.acoustic(InputRole::LeftEar).unwrap().offset.value;
    let tone = |seconds: usize, peak: f64| -> Vec<f32> {
        (0..seconds * 48_000)
            .map(|n| {
                // A level that goes up and down by 6 dB every 2 s, so that it varies as music does.
                let loud = if (n / 96_000) % 2 == 0 { 1.0 } else { 0.5 };
                (loud * peak * (std::f64::consts::TAU * 1000.0 * n as f64 / 48_000.0).sin()) as f32
            })
            .collect()
    };
    let own = of_music(&tone(36, 0.1), rate, &chain, InputRole::LeftEar).unwrap();
    let wanted = offset - 20.0 + 10.0 * (0.5f64 * (1.0 + 0.25)).log10();
    assert!((own.z.value - wanted).abs() < 0.1, "{} for {wanted}", own.z.value);
    assert!((own.a.unwrap().value - own.z.value).abs() < 0.05, "{own:?}");
    assert!(own.z.holds(wanted) && own.flaws.is_empty() && own.diffuse_a.is_some(), "{own:?}");
    let loud = of_music(&tone(36, 1.0), rate, &chain, InputRole::LeftEar).unwrap();
    assert_eq!(loud.flaws[0].code, "own-level-overload");
    assert!(
        of_music(&vec![0.0; 30 * 48_000], rate, &chain, InputRole::LeftEar).unwrap_err().contains("nothing is heard")
    );
    // Frames and stretches: the meter's own length of a frame is what the average counts with.
    let mut meter = Meter::new(rate, 1, &[&|_| 1.0]);
    meter.push(&[vec![0.1; 48_000 * 4]]);
    assert_eq!(meter.finish().loudness[0].frames.len() / 4, FRAMES_A_SECOND);
}

/// The bench plays nothing and listens; the level is that of the source.
#[test]
fn what_sounds_by_itself_is_heard_at_its_level() {
    let own = hear(&BenchSpec::default(), How::Music { seconds: 30.0 }, true).unwrap();
    println!("{own:?}");
    assert!((own.z.value - 80.0).abs() < 0.5, "{}", own.z.value);
    assert!(own.listened_s >= 30.0);
}
