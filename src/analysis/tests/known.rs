use super::desk::Desk;
use crate::analysis::{Context, Correction, Finding, Measured, PinkFinding, Reference, measure};
use crate::stats::{Estimate, Reading};
use crate::units::Dbfs;

fn context(correction: &Correction) -> Context<'_> {
    Context { correction, pooled_clock: None, route_delay_s: None, reference: None, mains_lines: &[] }
}

fn pink(desk: &Desk) -> (PinkFinding, Measured) {
    pink_with(desk, None)
}

fn pink_with(desk: &Desk, reference: Option<&Reference>) -> (PinkFinding, Measured) {
    let none = Correction::none();
    let measured = measure(&desk.take(), 0, &Context { reference, ..context(&none) }).unwrap();
    let Finding::Pink(finding) = &measured.finding else { panic!("pink in, pink out") };
    ((**finding).clone(), measured)
}

/// Levels agree with the desk within this where noise stands 30 dB under them.
const LEVEL_DB: f64 = 0.01;
/// Issue and method 2: single takes within this where the signal stands 30 dB over noise, ppm.
const CLOCK_PPM: f64 = 0.01;

#[test]
fn level_and_clock_are_the_desks_over_the_whole_range_of_clocks() {
    for (seed, ppm) in [(1, -200.0), (2, -40.0), (3, 0.0), (4, 123.4), (5, 200.0)] {
        let mut desk = Desk { ppm, seed, resonance_db: 10.0, ..Desk::pink() };
        desk.noise = desk.signal_rms() * 10f64.powf(-30.0 / 20.0);
        let (f, _) = pink(&desk);
        let truth = Dbfs::from_rms(desk.signal_rms()).unwrap().db();
        let own = f.common.clock.own_ppm.unwrap_or_else(|| panic!("{:?}", f.common));
        assert!((own.value - ppm).abs() < CLOCK_PPM, "{ppm}: {own:?}");
        assert!((f.level_z.unwrap().value - truth).abs() < LEVEL_DB, "{ppm}: {:?}, true {truth}", f.level_z);
        assert!(f.common.flaws.is_empty(), "{:?}", f.common.flaws);
        assert!(matches!(f.even, Reading::Below(_)), "nothing is bent: {:?}", f.even);
    }
}

#[test]
#[ignore = "prints the time of one analysis"]
fn time_of_a_take() {
    let desk = Desk { ppm: 40.0, noise: 1e-4, resonance_db: 10.0, ..Desk::pink() };
    let take = desk.take();
    let none = Correction::none();
    for pooled in [None, Some(Estimate::symmetric(40.0, 0.003))] {
        let context = Context { pooled_clock: pooled, ..context(&none) };
        measure(&take, 0, &context).unwrap();
        let now = std::time::Instant::now();
        measure(&take, 0, &context).unwrap();
        println!("{:?}", now.elapsed());
    }
}
