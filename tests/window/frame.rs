//! Every size and scale lays out, and a picture is quick.

use super::*;

#[test]
fn every_size_and_scale_lays_out_and_keeps_stop_inside_the_window() {
    let record = Arc::new(records::session_with_sounds());
    for (width, height, scale) in [
        (640.0, 480.0, 1.0),
        (800.0, 600.0, 1.0),
        (1280.0, 800.0, 1.0),
        (2560.0, 1440.0, 1.0),
        (1707.0, 1067.0, 0.75),
        (427.0, 267.0, 3.0),
    ] {
        for theme in [Theme::Dark, Theme::Light] {
            let (desk, bench) = start(records::chain(true), records::plan());
            let mut window = window(desk, width, height, scale, theme);
            finish(&bench, &record);
            for page in [Key::F2, Key::F3] {
                press(&mut window, page);
                for (evidence, ..) in Evidence::ALL {
                    window.state_mut().desk.evidence = evidence;
                    window.run_steps(1);
                }
                assert!(window.unnamed_widgets().is_empty(), "{:?}", window.unnamed_widgets());
                // The help lies over the page, not over the frame.
                press(&mut window, Key::F1);
                let stop = window.get_by_label("Stop  Esc").rect();
                let help = window.get_by_label_contains("Never wear the headphones").rect();
                assert!(
                    help.top() >= stop.bottom() - 1.0,
                    "{width} × {height}: help at {help:?} over Stop at {stop:?}"
                );
                press(&mut window, Key::F1);
                let inside =
                    stop.left() >= 0.0 && stop.top() >= 0.0 && stop.right() <= width && stop.bottom() <= height;
                assert!(inside, "{width} × {height}: Stop at {stop:?}");
            }
        }
    }
}

/// The system states the window's inner rectangle in points of the zoom before: type grows once, and stays as it is.
#[test]
fn type_in_a_large_window_grows_once_and_keeps_its_size() {
    use eframe::egui::{Pos2, Rect, ViewportId};
    let (desk, _bench) = start(records::chain(true), records::plan());
    let mut window = window(desk, 2560.0, 1440.0, 1.0, Theme::Dark);
    let mut zooms = Vec::new();
    for _ in 0..12 {
        let rect = Rect::from_min_size(Pos2::ZERO, vec2(2560.0, 1440.0) / window.ctx.zoom_factor());
        let input = window.input_mut();
        input.screen_rect = Some(rect);
        input.viewports.entry(ViewportId::ROOT).or_default().inner_rect = Some(rect);
        window.step();
        zooms.push(window.ctx.zoom_factor());
    }
    // The smaller of 2560 / 1600 and 1440 / 1000, in tenths.
    assert!(zooms[2..].iter().all(|zoom| (zoom - 1.4).abs() < 1e-6), "{zooms:?}");
}

/// Prints, so that the figure can be read; asserts only that it is not absurd (a timed test on a shared machine lies).
#[test]
fn a_picture_of_page_climb_is_quick() {
    const PICTURES: u32 = 100;
    const ABSURD_MS: f64 = 100.0;
    let (mut window, bench) = calibrated();
    finish(&bench, &whole_session());
    *bench.live.lock().unwrap() = Some(live());
    window.run_steps(10);
    let (mut longest, mut sum) = (0.0f64, 0.0);
    for _ in 0..PICTURES {
        let begun = Instant::now();
        window.step();
        let shapes = window.output().shapes.clone();
        let primitives = window.ctx.tessellate(shapes, 1.0);
        let took = begun.elapsed().as_secs_f64() * 1e3;
        assert!(!primitives.is_empty());
        longest = longest.max(took);
        sum += took;
    }
    let mean = sum / f64::from(PICTURES);
    println!("page Climb, ui and tessellation: mean {mean:.2} ms, longest {longest:.2} ms");
    assert!(mean < ABSURD_MS);
}
