use super::*;
use crate::audio::ring::ring;

const FADE: usize = 1440;

struct Rig {
    shared: Arc<Shared>,
    source: Writer<f64>,
    playback: PlaybackCallback,
}

fn rig(samples: &[f64]) -> Rig {
    let shared = Arc::new(Shared::new(SampleRate::DEFAULT));
    let (mut source, reader) = ring(96_000);
    assert_eq!(source.write(samples), samples.len());
    let playback = PlaybackCallback::new(Arc::clone(&shared), reader, &[1]);
    Rig { shared, source, playback }
}

impl Rig {
    fn render(&mut self, frames: usize) -> Vec<f64> {
        let mut out = vec![9.0f64; 2 * frames];
        self.playback.render(&mut out, 2);
        assert!(out.iter().step_by(2).all(|x| x.abs() <= 0.0), "the channel not driven stays silent");
        out.into_iter().skip(1).step_by(2).collect()
    }
}

fn largest_step(samples: &[f64]) -> f64 {
    samples.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f64::max)
}

/// Steepest a raised cosine of `FADE` frames gets on a constant of 1: π/2 per fade length.
fn steepest() -> f64 {
    1.001 * std::f64::consts::FRAC_PI_2 / FADE as f64
}

#[test]
fn the_gate_opens_with_a_fade_plays_its_frames_and_closes_with_a_fade() {
    let mut rig = rig(&[1.0; 10_000]);
    assert!(rig.render(100).iter().all(|x| x.abs() <= 0.0), "closed until ordered");
    let order = rig.shared.order(0.5, 10_000, None);
    let out = rig.render(20_000);
    assert_eq!(rig.shared.captured_when_opened(order), Some(0));
    assert!(out[FADE..10_000 - FADE].iter().all(|x| (x - 0.5).abs() < 1e-12));
    assert!(out[9_999..].iter().all(|x| x.abs() <= 0.0) && out[9_998] > 0.0);
    assert!(largest_step(&out) <= 0.5 * steepest());
    assert!(rig.shared.tripped().is_none() && !rig.shared.is_open());
}

#[test]
fn stop_begins_to_fade_in_the_next_callback_however_full_the_ring_is() {
    let mut rig = rig(&[1.0; 90_000]);
    rig.shared.order(1.0, 90_000, None);
    let before = rig.render(4_000);
    rig.shared.stop();
    let after = rig.render(4_000);
    assert!((before[3_999] - 1.0).abs() < 1e-12 && after[0] < 1.0);
    assert!(after[FADE..].iter().all(|x| x.abs() <= 0.0));
    assert!(largest_step(&[before, after].concat()) <= steepest());
    let next = rig.shared.order(1.0, 1_000, None);
    assert!(rig.render(1_000).iter().all(|x| x.abs() <= 0.0), "an order under a stop opens nothing");
    assert!(rig.shared.captured_when_opened(next).is_some(), "but is answered");
}

#[test]
fn a_ring_that_runs_dry_fades_from_the_last_sample_and_is_counted() {
    let mut rig = rig(&[1.0; 5_000]);
    rig.shared.order(1.0, 50_000, None);
    let out = rig.render(10_000);
    assert_eq!(rig.shared.tripped(), Some(Trip::Underrun));
    assert!(rig.shared.underrun() > 0);
    assert!(largest_step(&out) <= steepest());
    assert!(out[5_000 + FADE..].iter().all(|x| x.abs() <= 0.0));
}

#[test]
fn a_sample_above_the_granted_peak_is_neither_played_nor_clipped() {
    for bad in [1.01, -1.01, f64::NAN, f64::INFINITY] {
        let mut samples = vec![0.25; 20_000];
        samples[6_000] = bad;
        let mut rig = rig(&samples);
        rig.shared.order(0.8, 20_000, None);
        let out = rig.render(20_000);
        assert_eq!(rig.shared.tripped(), Some(Trip::AbovePeak));
        assert!(out.iter().all(|x| x.abs() <= 0.8 * 0.25 + 1e-12), "{bad}");
        assert!(largest_step(&out) <= 0.2 * steepest());
        assert!(out[6_000 + FADE..].iter().all(|x| x.abs() <= 0.0));
    }
}

#[test]
fn no_gain_above_full_scale_opens_the_gate() {
    for gain in [1.000_001, -0.1, f64::NAN, f64::INFINITY] {
        let mut rig = rig(&[1.0; 5_000]);
        rig.shared.order(gain, 5_000, None);
        assert!(rig.render(5_000).iter().all(|x| x.abs() <= 0.0));
    }
}

#[test]
fn a_flush_empties_the_ring_only_while_the_gate_is_closed() {
    let mut rig = rig(&[1.0; 40_000]);
    rig.shared.order(1.0, 40_000, None);
    rig.render(2_000);
    rig.shared.request_flush();
    rig.render(2_000);
    assert!(!rig.shared.is_flushed(), "not while it sounds");
    rig.shared.trip(Trip::Protection);
    rig.render(FADE + 1);
    rig.render(1);
    assert!(rig.shared.is_flushed());
    assert_eq!(rig.source.held(), 0);
}

#[test]
fn the_first_reason_stands() {
    let shared = Shared::new(SampleRate::DEFAULT);
    shared.trip(Trip::Protection);
    shared.trip(Trip::Stopped);
    assert_eq!(shared.tripped(), Some(Trip::Protection));
    shared.forgive();
    assert_eq!(shared.tripped(), None);
}

#[test]
fn captured_frames_are_counted_even_when_they_find_no_room() {
    let shared = Arc::new(Shared::new(SampleRate::DEFAULT));
    let (writer, mut reader) = ring(2 * 1_500);
    let mut capture = CaptureCallback::new(Arc::clone(&shared), writer, &[2, 0]);
    let data: Vec<i16> = (0..2_000).flat_map(|n| [n, 7_777, -n]).collect();
    capture.accept(&data, 3);
    assert_eq!((shared.captured(), shared.capture_lost()), (2_000, 500));
    let mut heard = vec![0.0; 4];
    assert_eq!(reader.read(&mut heard), 4);
    let unit = |code: i16| (f64::from(code) / 32_767.0) as f32;
    assert_eq!(heard, [unit(0), unit(0), unit(-1), unit(1)]);
}
