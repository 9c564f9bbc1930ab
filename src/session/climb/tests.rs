//! Whole climbs against an ideal desk computed in closed form: gain, noise, a clip level, nothing else.

mod levels;

use super::*;
use crate::analysis::*;
use crate::calibration::Acoustic;
use crate::card::{CaptureChannel, CardId, InputRole, Routing};
use crate::session::chain::{ChainCeilings, Coupler};
use crate::session::plan::{AskedLevel, Ceilings, ListeningLevel};
use crate::session::record::TakeResult;
use crate::signal::Sweep;
use crate::stats::Estimate;
use crate::take::TakeHead;
use crate::units::{DbSpl, SampleRate};
use std::sync::Arc;

/// The ideal desk.
struct Desk {
    gain_db: f64,
    noise_dbfs: f64,
    /// RMS drive from which it clips.
    clips_at: Option<f64>,
    /// The same at a second ear, which has none without it.
    other_ear_clips_at: Option<f64>,
    /// RMS drive from which its gain falls by 0.5 dB, without clip evidence.
    sags_at: Option<f64>,
    /// RMS drive from which it leaves distortion of −35 dB, and how fast this grows below, dB a dB; −85 dB at least.
    distorts_at: Option<(f64, f64)>,
    period: Arc<Period>,
}

impl Desk {
    fn quiet(gain_db: f64) -> Desk {
        let period = Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT);
        Desk {
            gain_db,
            noise_dbfs: -90.0,
            clips_at: None,
            other_ear_clips_at: None,
            sags_at: None,
            distorts_at: None,
            period,
        }
    }

    fn other_ear(&self, at: f64) -> Desk {
        Desk { clips_at: Some(at), other_ear_clips_at: None, period: self.period.clone(), ..*self }
    }

    fn play(&self, step: &Step) -> StepResult {
        let common = Common {
            window: Window { start_frame: 0.0, periods: step.periods, left_out: 0, delay_s: None },
            clock: ClockFit { own_ppm: None, used_ppm: 0.0, pooled: false, drift_ppm_per_s: None },
            peak: None,
            hum: Vec::new(),
            overload: Overload { samples_at_limit: 0, room_db: 60.0 },
            flaws: Vec::new(),
        };
        let finding = match step.drive {
            None => Finding::Silence(Box::new(SilenceFinding {
                tones: Vec::new(),
                common,
                noise_z: self.noise_dbfs.is_finite().then(|| Estimate::exact(self.noise_dbfs)),
                noise_a: None,
                bands: Vec::new(),
            })),
            Some(drive) => Finding::Pink(Box::new(self.pink(common, drive.db()))),
        };
        let gain_change_db = match &finding {
            Finding::Pink(p) => p.gain_db.map(|g| g.shifted(-self.gain_db)),
            _ => None,
        };
        let sound = None;
        let input = InputResult { role: InputRole::LeftEar, finding, gain_change_db, sound };
        let head = TakeHead {
            stimulus: step.stimuli[0].clone(),
            drive: crate::signal::Drive::SILENT,
            played_rate: SampleRate::DEFAULT,
            captured_rate: SampleRate::DEFAULT,
            driven: vec![0],
            pre_roll: 0,
            settle: 0,
            periods: step.periods,
            played_frames: 0,
            gaps: Vec::new(),
            void: None,
        };
        let mut take = TakeResult {
            file: "x.wav".into(),
            head,
            void: None,
            pooled_ppm: None,
            route_delay_s: None,
            inputs: vec![input],
        };
        if let Some(at) = self.other_ear_clips_at {
            let other = self.other_ear(at).play(step).takes.remove(0).inputs.remove(0);
            take.inputs.push(InputResult { role: InputRole::RightEar, ..other });
        }
        StepResult { step: step.clone(), seat: 1, finished_at: String::new(), arithmetic: None, takes: vec![take] }
    }

    fn pink(&self, common: Common, drive: f64) -> PinkFinding {
        let sag = if self.sags_at.is_some_and(|s| drive > s) { -0.5 } else { 0.0 };
        let over = drive + self.gain_db - self.noise_dbfs;
        let stated = over > 0.0;
        let clip = self.clips_at.map(|at| {
            let full = self.period.full_drive().unwrap().db();
            // The limit as a peak: where the larger waveform peak stands when the drive is `at`.
            let limit = Reading::Determined(Estimate::symmetric(at - full, 0.05));
            ClipFinding {
                evidence: if drive > at { 1e4 } else { 1.0 },
                threshold: 60.0,
                level: (drive > at).then(|| ClipLevel {
                    positive: limit.clone(),
                    negative: limit,
                    acts_on: ActsOn::Waveform,
                    soft: false,
                    unexplained: 0.0,
                }),
                level_not_determined: None,
                curve: Vec::new(),
            }
        });
        let level = stated.then(|| Estimate::exact(drive + self.gain_db + sag));
        PinkFinding {
            common,
            level_z: level,
            level_a: level.map(|l| l.shifted(-3.0)),
            level_c: level,
            level_mid: level,
            level_total: None,
            bands: Vec::new(),
            response: Vec::new(),
            gain_db: stated.then(|| Estimate::exact(self.gain_db + sag)),
            noise: self.noise_dbfs.is_finite().then_some(self.noise_dbfs),
            over_noise_db: over.is_finite().then_some(over),
            even: Reading::Below(-80.0),
            odd: Reading::Below(-80.0),
            even_output: None,
            odd_output: None,
            clip,
            middle: Some(MiddleFinding {
                level: Reading::NotDetermined(String::new()),
                even: Reading::Below(-90.0),
                odd: match self.distorts_at.map(|(at, growth)| -35.0 + growth * (drive - at).min(0.0)) {
                    Some(db) if db > -85.0 => Reading::Determined(Estimate::symmetric(db, 0.5)),
                    _ => Reading::Below(-85.0),
                },
                drift_db: None,
                ends: None,
            }),
        }
    }
}

fn chain(offset: Option<f64>) -> Chain {
    let channel = CaptureChannel { channel: 0, role: InputRole::LeftEar };
    let acoustic = offset.map(|o| (InputRole::LeftEar, Acoustic::typed(o, 0.0, "2026-01-01T00:00:00Z").unwrap()));
    Chain {
        name: "test".into(),
        routing: Routing {
            playback: CardId::simulated(),
            playback_channels: vec![0],
            playback_rate: SampleRate::DEFAULT,
            capture: CardId::simulated(),
            capture_channels: vec![channel],
            capture_rate: SampleRate::DEFAULT,
            block_frames: 2048,
        },
        output: "output".into(),
        headphone: "headphone".into(),
        coupler: Coupler::EarSimulator603184,
        acoustic: acoustic.into_iter().collect(),
        ..Chain::fresh("", "")
    }
}

fn listening(plan: Plan, db: f64) -> Plan {
    Plan { listening: Some(ListeningLevel { level: DbSpl(db), weighting: Default::default(), field: None }), ..plan }
}

/// Plays until the climb is done. No climb may pass 80 steps.
fn run(plan: &Plan, chain: &Chain, desk: &Desk) -> (Vec<StepResult>, StopReason) {
    let mut results = Vec::new();
    for _ in 0..80 {
        let climb = Climb { plan, chain, period: &desk.period, results: &results };
        match climb.next() {
            Next::Done(reason) => return (results, reason),
            Next::Step(step) => {
                assert_eq!(step.number, results.len() + 1);
                if let Some(drive) = step.drive {
                    assert!(drive.db() <= climb.ceiling().rms.db() + 1e-9, "{drive} above the ceiling");
                }
                results.push(desk.play(&step));
            }
        }
    }
    panic!("the climb does not end");
}

fn drives(results: &[StepResult], purpose: Purpose) -> Vec<f64> {
    results.iter().filter(|r| r.step.purpose == purpose).map(|r| r.step.drive.unwrap().db()).collect()
}

#[test]
fn a_climb_starts_six_decibels_under_the_listening_level_and_ends_just_above_the_clip_level() {
    let desk = Desk { clips_at: Some(-20.0), ..Desk::quiet(-5.0) };
    let (results, reason) = run(&listening(Plan::session(SampleRate::DEFAULT), 70.0), &chain(Some(120.0)), &desk);
    assert_eq!(reason, StopReason::ClipEvidence);
    let climb = drives(&results, Purpose::Climb);
    // 70 dB SPL is −50 dBFS at the input, −45 dBFS of drive.
    assert!((climb[0] + 51.0).abs() < 1e-9);
    assert!(climb.windows(2).all(|w| (w[1] - w[0] - 3.0).abs() < 1e-9));
    assert!(climb.last().unwrap() > &-20.0 && climb[climb.len() - 2] <= -20.0);
    let full = desk.period.full_drive().unwrap().db();
    let larger = desk.period.peaks.largest();
    assert!((larger - 1.0).abs() < 1e-12 && full < 0.0);
    assert_eq!(drives(&results, Purpose::Threshold).len(), 1);
    assert!((drives(&results, Purpose::Threshold)[0] + 20.0 - THRESHOLD_OVERDRIVE_DB).abs() < 1e-6);
    assert_eq!(results.last().unwrap().step.purpose, Purpose::ReferenceAgain);
}

#[test]
fn without_calibration_nothing_passes_minus_twenty_and_the_answer_is_a_lower_bound() {
    let (results, reason) = run(&Plan::session(SampleRate::DEFAULT), &chain(None), &Desk::quiet(0.0));
    assert!(matches!(reason, StopReason::Ceiling { .. }) && reason.is_lower_bound());
    assert!((drives(&results, Purpose::Climb)[0] + 48.0).abs() < 1e-9);
    assert!((drives(&results, Purpose::Climb).last().unwrap() + 20.0).abs() < 1e-9);
}

#[test]
fn a_ceiling_in_sound_level_is_held_through_the_measured_gain() {
    let desk = Desk::quiet(10.0);
    let (results, reason) = run(&listening(Plan::session(SampleRate::DEFAULT), 70.0), &chain(Some(120.0)), &desk);
    assert!(matches!(reason, StopReason::Ceiling { .. }));
    // 115 dB SPL is −5 dBFS at the input, −15 dBFS of drive.
    assert!((drives(&results, Purpose::Climb).last().unwrap() + 15.0).abs() < 1e-9);
}

/// The chain's own ceilings hold beside the plan's and never raise one.
#[test]
fn the_lower_of_the_plans_and_the_chains_ceilings_holds() {
    let last = |offset: Option<f64>, ceilings: ChainCeilings| {
        let mut chain = chain(offset);
        chain.output_side.ceilings = ceilings;
        let plan = listening(Plan::session(SampleRate::DEFAULT), 70.0);
        let plan = if offset.is_some() { plan } else { Plan { listening: None, ..plan } };
        let (results, reason) = run(&plan, &chain, &Desk::quiet(10.0));
        assert!(matches!(reason, StopReason::Ceiling { .. }), "{reason:?}");
        *drives(&results, Purpose::Climb).last().unwrap()
    };
    let none = ChainCeilings::default();
    let spl = |db| ChainCeilings { spl: Some(DbSpl(db)), ..none };
    let drive = |db| ChainCeilings { drive: Some(Dbfs(db)), ..none };
    for (offset, ceilings, highest) in [
        (Some(120.0), spl(105.0), -25.0),
        (Some(120.0), spl(130.0), -15.0),
        (Some(120.0), drive(-31.0), -31.0),
        (Some(120.0), drive(-5.0), -15.0),
        (None, drive(-5.0), -20.0),
        (None, drive(-31.0), -31.0),
    ] {
        let found = last(offset, ceilings);
        assert!((found - highest).abs() < 1e-9, "{offset:?} {ceilings:?}: {found}");
    }
}

#[test]
fn an_output_that_never_clips_is_driven_to_full_scale_exactly() {
    let desk = Desk::quiet(-20.0);
    let (results, reason) = run(&listening(Plan::session(SampleRate::DEFAULT), 70.0), &chain(Some(120.0)), &desk);
    assert_eq!(reason, StopReason::FullScale);
    let full = desk.period.full_drive().unwrap().db();
    assert!((drives(&results, Purpose::Climb).last().unwrap() - full).abs() < 1e-9);
}

#[test]
fn a_gain_that_moves_without_clipping_is_bisected_to_a_quarter_of_a_decibel() {
    let desk = Desk { sags_at: Some(-30.3), ..Desk::quiet(-5.0) };
    let (results, reason) = run(&listening(Plan::session(SampleRate::DEFAULT), 70.0), &chain(Some(120.0)), &desk);
    assert_eq!(reason, StopReason::GainChange);
    let tried: Vec<f64> = [Purpose::Climb, Purpose::Bisect].iter().flat_map(|p| drives(&results, *p)).collect();
    let clean = tried.iter().copied().filter(|d| *d <= -30.3).fold(f64::MIN, f64::max);
    let unclean = tried.iter().copied().filter(|d| *d > -30.3).fold(f64::MAX, f64::min);
    assert!(unclean - clean <= BISECTION_DB && clean <= -30.3 && unclean > -30.3);
}

/// A limiter with look-ahead: hardly any gain is lost, no bend of a hard limit, but from nothing to 2 % within a step. A
/// product of fifth order, which grows by 4 dB a dB, is none.
#[test]
fn distortion_that_jumps_is_bisected_and_smooth_growth_is_not() {
    let plan = listening(Plan::session(SampleRate::DEFAULT), 70.0);
    let desk = Desk { distorts_at: Some((-30.3, 100.0)), ..Desk::quiet(-5.0) };
    let (results, reason) = run(&plan, &chain(Some(120.0)), &desk);
    assert_eq!(reason, StopReason::DistortionJumps);
    let tried: Vec<f64> = [Purpose::Climb, Purpose::Bisect].iter().flat_map(|p| drives(&results, *p)).collect();
    assert!(tried.iter().any(|d| (-30.3 - BISECTION_DB..=-30.3 + BISECTION_DB).contains(d)), "{tried:?}");
    let desk = Desk { distorts_at: Some((-15.0, 4.0)), ..Desk::quiet(-5.0) };
    assert!(matches!(run(&plan, &chain(Some(120.0)), &desk).1, StopReason::FullScale | StopReason::Ceiling { .. }));
}

#[test]
fn a_dead_microphone_ends_the_search_with_a_reason() {
    let desk = Desk { noise_dbfs: -10.0, ..Desk::quiet(-80.0) };
    let (results, reason) = run(&Plan::session(SampleRate::DEFAULT), &chain(None), &desk);
    assert_eq!(reason, StopReason::NoSignal);
    assert!(drives(&results, Purpose::Climb).is_empty());
}

#[test]
fn the_reference_stays_twenty_decibels_under_the_lowest_limit() {
    let desk = Desk { noise_dbfs: -60.0, ..Desk::quiet(0.0) };
    let (results, _) = run(&listening(Plan::session(SampleRate::DEFAULT), 70.0), &chain(Some(120.0)), &desk);
    let full = desk.period.full_drive().unwrap().db();
    assert!(drives(&results, Purpose::Reference)[0] <= full.min(-5.0) - REFERENCE_BELOW_LIMIT_DB + 1e-9);
}

#[test]
fn a_quick_look_ends_a_little_above_listening_level_plus_wanted_headroom() {
    let desk = Desk::quiet(-5.0);
    let (results, reason) = run(&listening(Plan::quick_look(SampleRate::DEFAULT), 70.0), &chain(Some(120.0)), &desk);
    assert_eq!(reason, StopReason::WantedHeadroom);
    // 90 dB SPL is −30 dBFS at the input, −25 dBFS of drive; above it the calibration's interval and 0.1 dB.
    let chain = chain(Some(120.0));
    let (_, role) = chain.ears().next().unwrap();
    let more = chain.acoustic(role).unwrap().offset.half_width() + 0.1;
    assert_eq!(drives(&results, Purpose::Climb).len(), 2);
    assert!((drives(&results, Purpose::Climb)[1] + 25.0 - more).abs() < 1e-9);
}

/// By plan: sound of a quick look under 20 s, of a default session under 120 s, a listener at 70 dB and a
/// desk that passes 115 dB SPL.
#[test]
fn sound_time_by_plan_stays_under_its_limits() {
    let seconds = |results: &[StepResult], period_s: f64| -> f64 {
        let sounding = results.iter().filter(|r| r.step.drive.is_some());
        let mut known = false;
        sounding
            .map(|r| {
                let allowance = if known { 0.15 } else { 1.0 };
                known =
                    known || r.step.purpose == Purpose::Probe && r.pink(0).is_some_and(|(p, _)| p.level_z.is_some());
                (r.step.periods as f64 * period_s + crate::session::plan::SETTLE_S + allowance)
                    * r.step.stimuli.len() as f64
            })
            .sum()
    };
    let desk = Desk { clips_at: Some(-12.4), ..Desk::quiet(-5.0) };
    let chain = chain(Some(120.0));
    let (quick, _) = run(&listening(Plan::quick_look(SampleRate::DEFAULT), 70.0), &chain, &desk);
    let (session, _) = run(&listening(Plan::session(SampleRate::DEFAULT), 70.0), &chain, &desk);
    let (quick_s, session_s) = (seconds(&quick, desk.period.seconds()), seconds(&session, desk.period.seconds()));
    println!("sound by plan: quick look {quick_s:.1} s, session {session_s:.1} s");
    assert!(quick_s < 20.0 && session_s < 120.0);
}

/// By plan: sound of a path check under 20 s at every rate, however noisy the room, where no take shows the delay.
#[test]
fn sound_time_of_a_path_check_by_plan_stays_under_20_s() {
    // Two blocks of 3072 frames, two fades, and the margin that a take has for itself.
    let other_s = |rate: SampleRate| 2.0 * 3072.0 / rate.hz() + 2.0 * crate::signal::FADE_S + 0.05;
    let mut chain = chain(None);
    chain.routing.playback_channels = vec![0, 1];
    let mut most = 0;
    for rate in [44_100, 48_000, 88_200, 96_000, 192_000].map(|hz| SampleRate::new(hz).unwrap()) {
        let plan = Plan::path_check(rate);
        let period_s = plan.pink.period(rate).seconds();
        for noise_dbfs in (-140..0).map(f64::from) {
            let (results, _) = run(&plan, &chain, &Desk { noise_dbfs, ..Desk::quiet(-5.0) });
            let takes = results.iter().filter(|r| r.step.drive.is_some());
            let one = |r: &StepResult| {
                r.step.periods as f64 * period_s
                    + crate::session::plan::SETTLE_S
                    + path::DELAY_ALLOWED_S
                    + other_s(rate)
            };
            let (count, sound_s) = (takes.clone().count(), takes.map(one).sum::<f64>());
            assert!(sound_s < 20.0, "{rate:?}, noise {noise_dbfs} dBFS: {count} takes, {sound_s} s");
            most = most.max(count);
        }
    }
    assert_eq!(most, 5);
}

/// A digital loop has no noise at all: the first probe is heard.
#[test]
fn a_loop_without_any_noise_is_heard_at_the_first_probe() {
    let desk = Desk { noise_dbfs: f64::NEG_INFINITY, clips_at: Some(-30.0), ..Desk::quiet(0.0) };
    let (results, reason) = run(&Plan::session(SampleRate::DEFAULT), &chain(None), &desk);
    assert_eq!(reason, StopReason::ClipEvidence);
    assert_eq!(drives(&results, Purpose::Probe), vec![-70.0]);
}

fn not_as_asked(plan: &Plan, chain: &Chain, desk: &Desk) -> Vec<NotAsAsked> {
    let (results, _) = run(plan, chain, desk);
    Climb { plan, chain, period: &desk.period, results: &results }.not_as_asked()
}

/// 120 dB SPL at 0 dBFS, gain −5 dB: 90 dB SPL is −25 dBFS of drive.
#[test]
fn a_level_asked_for_that_was_held_back_says_what_was_played_and_why() {
    let plan = |asked: &[AskedLevel]| Plan {
        asked: asked.to_vec(),
        sines_hz: vec![997.0],
        ..listening(Plan::session(SampleRate::DEFAULT), 70.0)
    };
    let (calibrated, quiet) = (chain(Some(120.0)), Desk::quiet(-5.0));
    let full = quiet.period.full_drive().unwrap();
    let (easy, loud) = (AskedLevel::Spl(DbSpl(90.0)), AskedLevel::Spl(DbSpl(112.0)));
    let stated = not_as_asked(&plan(&[easy, loud]), &calibrated, &quiet);
    assert_eq!(stated.len(), 1, "{stated:?}");
    assert_eq!((stated[0].level, stated[0].played), (loud, Some(full)));
    assert!((stated[0].wanted.unwrap().db() + 3.0).abs() < 1e-6, "{stated:?}");
    assert!(stated[0].because.contains("full scale"), "{stated:?}");

    let low = Plan { ceilings: Ceilings { drive: Some(Dbfs(-30.0)), ..Ceilings::default() }, ..plan(&[easy]) };
    let stated = not_as_asked(&low, &calibrated, &quiet);
    assert_eq!(stated[0].played, Some(Dbfs(-30.0)));
    assert!(stated[0].because.contains("ceiling"), "{stated:?}");

    let clips = Desk { clips_at: Some(-30.0), ..Desk::quiet(-5.0) };
    let stated = not_as_asked(&plan(&[easy, AskedLevel::Drive(Dbfs(-15.0))]), &calibrated, &clips);
    assert_eq!(stated.len(), 1, "{stated:?}");
    assert_eq!((stated[0].level, stated[0].played), (AskedLevel::Drive(Dbfs(-15.0)), None));
    assert!(stated[0].because.contains("clips"), "{stated:?}");

    let stated = not_as_asked(&plan(&[easy]), &chain(None), &quiet);
    assert!(stated[0].played.is_none() && stated[0].because.contains("calibration"), "{stated:?}");
}

/// Sounds beside the noise: at every step of the climb, or at the levels asked for alone.
#[test]
fn other_sounds_are_played_at_every_step_or_at_the_levels_asked_for() {
    let (calibrated, quiet) = (chain(Some(120.0)), Desk::quiet(-5.0));
    let sounds = [Stimulus::sine(997.0), Stimulus::Sweep(Sweep::STANDARD)];
    let always = Plan { sines_hz: vec![997.0], beside: vec![sounds[1].clone()], ..Plan::session(SampleRate::DEFAULT) };
    let beside = |plan: &Plan, purpose| {
        let (results, _) = run(plan, &calibrated, &quiet);
        let steps: Vec<_> = results.into_iter().filter(|r| r.step.purpose == purpose).map(|r| r.step.stimuli).collect();
        assert!(!steps.is_empty() && steps.iter().all(|s| s[0] == plan.pink));
        steps.into_iter().map(|s| s[1..].to_vec()).collect::<Vec<_>>()
    };
    assert!(beside(&always, Purpose::Climb).iter().all(|s| *s == sounds));
    assert!(beside(&always, Purpose::Reference).iter().all(Vec::is_empty));
    let asked = Plan { asked: vec![AskedLevel::Spl(DbSpl(80.0))], ..always };
    assert!(beside(&asked, Purpose::Climb).iter().all(Vec::is_empty));
    assert_eq!(beside(&asked, Purpose::Asked), [sounds.to_vec()]);
}

/// Of a swap: after a round that was left off the volume may stand elsewhere, so that it is probed anew; after a whole round the
/// same reference is played again.
#[test]
fn a_round_that_was_left_off_is_probed_anew_and_a_whole_one_is_not() {
    use crate::session::matching::MatchedOn;
    use crate::session::plan::{Order, Swap};
    let swap = Swap { pair: "p".into(), order: Order::First, at: None, on: MatchedOn::Pink };
    let plan = listening(Plan::swap(SampleRate::DEFAULT, swap), 70.0);
    let (desk, chain) = (Desk::quiet(-5.0), chain(Some(120.0)));
    let mut results: Vec<StepResult> = Vec::new();
    let mut round = |whole: bool| {
        let before = results.len();
        fn climb<'a>(plan: &'a Plan, chain: &'a Chain, desk: &'a Desk, results: &'a [StepResult]) -> Climb<'a> {
            Climb { plan, chain, period: &desk.period, results }
        }
        while let Some(step) = crate::session::swap::next(&climb(&plan, &chain, &desk, &results), before).unwrap() {
            let result = desk.play(&step);
            results.push(result);
        }
        if whole {
            let (drive, stimuli) = (Some(Dbfs(-40.0)), climb(&plan, &chain, &desk, &results).stimuli(Purpose::Matched));
            let (number, periods) = (results.len() + 1, plan.careful_periods);
            let step = Step { number, purpose: Purpose::Matched, drive, stimuli, periods };
            let result = desk.play(&step);
            results.push(result);
        }
        results[before..].iter().map(|r| r.step.purpose).collect::<Vec<_>>()
    };
    for whole in [false, true] {
        let played = round(whole);
        assert!(played.contains(&Purpose::Probe) && played.contains(&Purpose::Reference), "{played:?}");
    }
    assert_eq!(round(true), [Purpose::Silence, Purpose::ReferenceAgain, Purpose::Matched]);
}
