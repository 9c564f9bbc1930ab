//! What else is played.

use super::*;

#[test]
fn other_sounds_and_their_levels_are_asked_for_in_the_form() {
    let (mut window, bench) = calibrated();
    retype(&mut window, "At, dB SPL", "80 90");
    window.get_by_role_and_label(Role::CheckBox, "sweep").click();
    window.run_steps(2);
    window.get_by_role_and_label(Role::CheckBox, "19 + 20 kHz 1:1").click();
    window.run_steps(2);
    press(&mut window, Key::F5);
    let Ok(Command::Run(request)) = bench.commands.try_recv() else { panic!("nothing was asked to run") };
    let (sweep, tones) = (Stimulus::Sweep(Sweep::STANDARD), Stimulus::TwoTones(TwoTones::DifferenceFrequency));
    assert_eq!(request.plan.beside, [sweep, tones]);
    assert_eq!(request.plan.asked, [80.0, 90.0].map(|db| AskedLevel::Spl(DbSpl(db))));

    // What a plan brought along is shown and kept, whatever its kind.
    let asked = vec![AskedLevel::Drive(Dbfs(-30.0)), AskedLevel::Spl(DbSpl(85.0))];
    let noise = Stimulus::Noise(Noise { spans: 3, ..Noise::STANDARD });
    let plan = Plan { asked: asked.clone(), beside: vec![noise], ..records::plan() };
    let (desk, bench) = start(records::chain(true), plan.clone());
    let mut window = self::window(desk, 1280.0, 800.0, 1.0, Theme::Dark);
    press(&mut window, Key::F5);
    let Ok(Command::Run(request)) = bench.commands.try_recv() else { panic!("nothing was asked to run") };
    assert_eq!((&request.plan.asked, &request.plan.beside), (&plan.asked, &plan.beside));
}
