//! Nothing moves while it sounds: a whole session at each size, shown event by event, and every button and figure of the
//! frame, the likenesses and the axes stay where they were.

use super::*;
use eframe::egui::Rect;
use std::collections::BTreeMap;

/// Places may differ by rounding to a pixel.
const PIXEL: f32 = 1.01;

/// Every button by its name.
fn buttons(window: &Window) -> BTreeMap<String, Rect> {
    let nodes = window.query_all_by_role(Role::Button);
    nodes.filter_map(|n| Some((n.accesskit_node().label()?, n.rect()))).collect()
}

fn moved(a: &Rect, b: &Rect) -> bool {
    (a.min - b.min).length() > PIXEL || (a.max - b.max).length() > PIXEL
}

#[test]
fn nothing_moves_while_a_session_sounds_and_no_total_shrinks() {
    for (width, height) in [(800.0, 600.0), (1280.0, 800.0), (2560.0, 1440.0)] {
        let (desk, bench) = start(records::chain(true), records::plan());
        let mut window = window(desk, width, height, 1.0, Theme::Dark);
        press(&mut window, Key::F5);
        let record = whole_session();
        let head = Arc::new(Record::new(record.head.clone()));
        bench.events.send(Event::Began { record: head, folder: "/s".into(), granted: granted() }).unwrap();
        window.run_steps(2);
        let first = buttons(&window);
        let scale = window.state().desk.view.digest.as_ref().unwrap().scale.clone();
        let (mut axes, mut most) = (None, 0);
        for (done, step) in record.steps.iter().enumerate() {
            // The bench's own estimate goes up and down.
            let expected_steps = [21, 24, 19, 18][done % 4];
            bench.events.send(Event::StepBegan { step: step.step.clone(), expected_steps, left_s: 60.0 }).unwrap();
            *bench.live.lock().unwrap() = Some(live());
            window.run_steps(2);
            let mut so_far = (*record).clone();
            so_far.events.clear();
            so_far.steps.truncate(done + 1);
            bench.events.send(Event::StepDone(Arc::new(so_far))).unwrap();
            window.run_steps(2);
            let now = buttons(&window);
            for (name, place) in &first {
                // The count of notes is part of its button's name.
                let Some(seen) = now.get(name) else {
                    assert!(name.contains("notes"), "{width} × {height}: {name} is gone at step {}", done + 1);
                    continue;
                };
                assert!(
                    !moved(place, seen),
                    "{width} × {height}: {name} from {place:?} to {seen:?}, step {}",
                    done + 1
                );
            }
            let view = &window.state().desk.view;
            let shown = view.progress.as_ref().unwrap().most();
            assert!(shown >= most, "steps in all from {most} to {shown}");
            most = shown;
            let digest = view.digest.clone().unwrap();
            assert_eq!((digest.scale.low, digest.scale.high), (scale.low, scale.high));
            let ends = [&digest.level, &digest.distortion].map(|p| p.as_ref().map(|p| (p.x.clone(), p.y.clone())));
            if let [Some(_), Some(_)] = &ends {
                assert_eq!(axes.get_or_insert_with(|| ends.clone()), &ends, "axes at step {}", done + 1);
            }
        }
        assert!(axes.is_some() && first.len() > 8, "{first:?}");
        let stop = first["Stop  Esc"];
        bench.events.send(Event::Ended { record, folder: "/s".into() }).unwrap();
        *bench.live.lock().unwrap() = None;
        window.run_steps(3);
        for name in ["Stop  Esc", "Chain  F2", "Climb  F3", "Help  F1"] {
            assert!(!moved(&first[name], &buttons(&window)[name]), "{name} at the end");
        }
        // On every other page the frame is the same.
        for page in [Key::F2, Key::F3] {
            press(&mut window, page);
            assert!(!moved(&stop, &buttons(&window)["Stop  Esc"]));
        }
    }
}
