//! The answer and its evidence: every figure shown is the stored one.

use super::*;

#[test]
fn the_marker_and_the_sentence_carry_the_stored_values() {
    let (mut window, bench) = calibrated();
    let record = whole_session();
    let judgement = judge(&record);
    finish(&bench, &record);
    window.run_steps(2);
    let Threshold::Determined(stated) = &judgement.threshold else { panic!("the ideal desk clips") };
    let db = |v: f64| format!("{v:.1}").replace('-', "−");
    let (peak, pink) =
        (db(stated.positive.determined().unwrap().value), format!("{:.2}", stated.pink_drive.value).replace('-', "−"));
    // The desk's own limit, so that the stored value itself is known from outside.
    assert_eq!(peak, "−2.9");
    window.get_by_label_contains(&format!("; peak {peak} dB re full scale; pink {pink}"));
    window.get_by_label(&judgement.sentence);
    window.get_by_label("The answer");
    assert!(says(&window, "notes 3 · doubts 0"), "coupler range, converter filter, and what clips");
    // While nothing is heard the last step is shown among the evidence, and says so; the last one is the reference.
    window.state_mut().desk.evidence = Evidence::Now;
    window.run_steps(2);
    let last = record.steps.last().unwrap();
    assert!(says(&window, "The last step, as stored"));
    window.get_by_label(&format!("Z, step {}, reference again, eardrum", last.step.number));
    let level = last.pink(0).unwrap().1.sound.unwrap().z.unwrap().value;
    assert!(says(&window, &format!("{} dB SPL", db(level))));
}

/// What is drawn large and on the scale says what the sentence says, and no other level is taken for it.
#[test]
fn nothing_on_the_page_contradicts_the_answer() {
    let (mut window, bench) = calibrated();
    let record = whole_session();
    let judgement = judge(&record);
    finish(&bench, &record);
    *bench.live.lock().unwrap() = None;
    window.run_steps(2);
    let headroom = judgement.headroom.headroom_db.determined().unwrap();
    let db = |v: f64| format!("{v:.1}").replace('-', "−");
    let large = format!("headroom: {} ±{} dB", db(headroom.value), db(headroom.half_width()));
    window.get_by_label(&large);
    let clean = judgement.highest_clean.level_spl.determined().unwrap();
    let on_scale = format!(
        "on the scale: output or capture chain clips from here, {} ±{} dB SPL",
        db(clean.value),
        db(clean.half_width())
    );
    window.get_by_label(&on_scale);
    window.get_by_label("on the scale: listening level, 70.0 dB SPL");
    assert!(judgement.sentence.contains(&format!("to {} dB SPL", db(clean.value))), "{}", judgement.sentence);
    assert!(judgement.sentence.contains(&format!("leaves {} dB", db(headroom.value))), "{}", judgement.sentence);
    for evidence in Evidence::ALL {
        window.state_mut().desk.evidence = evidence.0;
        window.run_steps(2);
        window.get_by_label(&large);
        window.get_by_label(&on_scale);
        window.get_by_label("level now: nothing is heard, dB SPL");
        assert!(!says(&window, "level of the last step"));
    }
}

/// Every figure of the sentence is one of the judgement's, rounded to the place shown.
#[test]
fn every_number_in_the_sentence_is_a_stored_one() {
    let record = whole_session();
    let judgement = judge(&record);
    let clean = judgement.highest_clean.level_spl.determined().unwrap();
    let headroom = judgement.headroom.headroom_db.determined().unwrap();
    let stored = [clean.value, clean.half_width(), 70.0, headroom.value];
    let mut sentence = judgement.sentence.clone();
    for words in [&record.head.chain.volume, &record.head.chain.headphone] {
        sentence = sentence.replace(words.as_str(), "");
    }
    let figures: Vec<String> = sentence
        .split(|c: char| !(c.is_ascii_digit() || c == '.'))
        .map(|w| w.trim_matches('.').to_string())
        .filter(|w| !w.is_empty())
        .collect();
    assert_eq!(figures, stored.map(|v| format!("{v:.1}")), "{}", judgement.sentence);
}

#[test]
fn a_running_session_says_so_far_and_counts_steps_time_and_repeats() {
    let (mut window, bench) = calibrated();
    press(&mut window, Key::F5);
    let mut record = (*whole_session()).clone();
    record.events.clear();
    record.steps.truncate(6);
    let step = record.steps[5].step.clone();
    let head = Arc::new(Record::new(record.head.clone()));
    for event in [
        Event::Began { record: head, folder: "/s".into(), granted: granted() },
        Event::StepDone(Arc::new(record)),
        Event::StepBegan { step, expected_steps: 13, left_s: 18.0 },
        Event::Repeated { reason: VoidReason::ZeroInput },
    ] {
        bench.events.send(event).unwrap();
    }
    window.run_steps(2);
    window.get_by_label("The answer so far");
    for words in ["step 6 of at most 13", "18 s left", "climbing towards the limit", "Takes played again: 1"] {
        assert!(says(&window, words), "{words}");
    }
    // What is found out is said; nothing is called short or not determined before it is known.
    assert!(says(&window, "Clean up to ") && !says(&window, "not determined") && !says(&window, "short"));
    assert!(says(&window, "nobody wears the headphones while this runs"));
    press(&mut window, Key::F6);
    assert!(says(&window, "Plug and unplug only while silent: press Esc"));
}

#[test]
fn the_level_now_is_announced_with_unit_weighting_and_point() {
    let (mut window, bench) = calibrated();
    *bench.live.lock().unwrap() = Some(live());
    (window.state_mut().desk.asking, window.state_mut().desk.evidence) = (false, Evidence::Now);
    window.run_steps(20);
    // −23.9 dBFS at an offset of 120.0 dB.
    window.get_by_label("level now: 96.1 dB SPL Z, F, eardrum");
    // Crest: −15.5 dB re full scale less −23.9 dBFS, the RMS of a sine standing 3.01 dB under its peak: 8.4 + 3.01 dB.
    assert!(says(&window, "  11.4 dB"));
    assert!(says(&window, "0.63 %"));
}

#[test]
fn results_of_other_sounds_are_read_under_the_picture() {
    let (mut window, bench) = calibrated();
    window.state_mut().desk.evidence = Evidence::Sounds;
    window.run_steps(2);
    finish(&bench, &whole_session());
    window.run_steps(2);
    assert!(says(&window, "No sine and no other sound was played yet"));
    let record = Arc::new(records::session_with_sounds());
    finish(&bench, &record);
    window.run_steps(2);
    let step = record.steps.iter().rev().find(|s| s.others(0).count() > 0).unwrap().step.number;
    for part in [
        "Sine 997 Hz, at the ear",
        &format!("step {step}; drive "),
        "THD, F form, to harmonic 10 −61.30 ±0.50 dB; THD, R form −61.40 ±0.50 dB",
        "THD+N, R form, 20 Hz to 20 kHz −55.20 ±0.50 dB",
        "60 Hz + 7 kHz 4:1",
        "2nd order −71.20 ±0.50 dB; 3rd order below −84.00 dB",
        "Arithmetic sum over the 7 kHz tone",
        "harmonic 2 of 1000 Hz −68.40 ±0.50 dB",
    ] {
        assert!(says(&window, part), "{part}");
    }
    press(&mut window, Key::F8);
    assert_eq!(window.state().desk.evidence, Evidence::Numbers);
    press(&mut window, Key::Num6);
    assert_eq!(window.state().desk.evidence, Evidence::Sweep);
    assert!(says(&window, &format!("Harmonics of the sweep, step {step}")));
    window.state_mut().desk.evidence = Evidence::Response;
    window.run_steps(2);
    assert!(says(&window, "Frequency response at the eardrum"));
}

/// Live levels do not go through the correction curve: said, so that they are not taken for the steps'. The chain's own
/// ceiling is the one that is drawn.
#[test]
fn what_the_chain_adds_to_a_level_or_takes_from_a_ceiling_is_seen() {
    let mut chain = records::chain(true);
    let stated = Stated { column: Some(Column::Correction), ..Stated::default() };
    let curve = Curve::read("invented.txt", b"100 0\n1000 0\n10000 8\n", &stated).unwrap();
    chain.curves.insert(InputRole::LeftEar, Curves(vec![curve]));
    chain.offsets_belong_here([InputRole::LeftEar]);
    chain.output_side.ceilings.spl = Some(DbSpl(101.0));
    let (desk, bench) = start(chain, records::plan());
    let mut window = window(desk, 1280.0, 800.0, 1.0, Theme::Light);
    *bench.live.lock().unwrap() = Some(live());
    (window.state_mut().desk.asking, window.state_mut().desk.evidence) = (false, Evidence::Now);
    window.run_steps(20);
    window.get_by_label("level now: 96.1 dB SPL Z, F, eardrum, before its curve");
    assert!(says(&window, "thick rule: ceiling 101.0 dB SPL"));
}

#[test]
fn a_piece_of_evidence_takes_the_whole_page_and_stands_beside_the_scale_again() {
    let (mut window, bench) = calibrated();
    finish(&bench, &whole_session());
    window.run_steps(2);
    let wide = |window: &Window| window.get_by_label_contains("Level against drive:").rect().width();
    let beside = wide(&window);
    for (size, enlarged) in [(1.5, true), (1.0, false)] {
        window.key_press_modifiers(Modifiers::COMMAND, Key::L);
        window.run_steps(2);
        assert_eq!(window.state().desk.enlarged, enlarged);
        assert!(
            wide(&window) >= size * beside && (enlarged || wide(&window) <= beside),
            "{beside} and {}",
            wide(&window)
        );
    }
}
