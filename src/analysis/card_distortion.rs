//! Which of the distortion heard could the capture card itself have made?
//!
//! Its products add to those at its input with an unknown phase, so amplitudes do: what was heard as `m` may be anything
//! from `m − c` to `m + c` at the input, `c` the card's own. Where that reaches down to nothing, the figure is "below".
//! A figure *referred to the output* is moved by as many decibels as the same figure at the ear.

use super::finding::Finding;
use crate::stats::{Estimate, Interval, Reading};
use crate::units::{amplitude_from_db, db_from_amplitude};

/// Widens every distortion figure of the finding by what a card of `card_db` (dB re what it captures) may have added.
pub fn allow_for(finding: &mut Finding, card_db: f64) {
    let allow = |reading: &mut Reading| *reading = at_the_input(reading, card_db);
    let both = |ear: &mut Reading, output: &mut Option<Reading>| {
        let heard = ear.clone();
        *ear = at_the_input(&heard, card_db);
        if let Some(output) = output {
            *output = moved_alike(output, &heard, ear);
        }
    };
    match finding {
        Finding::Pink(f) | Finding::Shaped(f) => {
            both(&mut f.even, &mut f.even_output);
            both(&mut f.odd, &mut f.odd_output);
            f.bands.iter_mut().flat_map(|b| [&mut b.even, &mut b.odd]).for_each(allow);
        }
        Finding::Sine(f) => {
            both(&mut f.thd, &mut f.thd_output);
            f.thd_r = super::sine::r_form(&f.thd);
            allow(&mut f.thd_n);
            f.thd_n_with_hum.iter_mut().for_each(allow);
            f.harmonics.iter_mut().map(|h| &mut h.level).for_each(allow);
        }
        Finding::TwoTones(f) => {
            both(&mut f.second, &mut f.second_output);
            both(&mut f.third, &mut f.third_output);
            f.products.iter_mut().map(|p| &mut p.level).for_each(allow);
        }
        Finding::Sweep(f) => {
            f.harmonics.iter_mut().flat_map(|h| &mut h.points).map(|p| &mut p.level).for_each(allow);
        }
        Finding::Burst(_) | Finding::Noise(_) | Finding::Silence(_) => {}
    }
}

/// `db` with the card's amplitude added; `None` where taking it off leaves nothing.
fn with_card(db: f64, card_db: f64, sign: f64) -> Option<f64> {
    let amplitude = amplitude_from_db(db) + sign * amplitude_from_db(card_db);
    db_from_amplitude(amplitude).filter(|_| amplitude > 0.0)
}

fn at_the_input(heard: &Reading, card_db: f64) -> Reading {
    let more = |db: f64| with_card(db, card_db, 1.0).unwrap_or(db);
    match heard {
        Reading::Determined(e) => match with_card(e.interval.low, card_db, -1.0) {
            Some(low) => Reading::Determined(Estimate {
                value: e.value,
                interval: Interval { low, high: more(e.interval.high) },
            }),
            None => Reading::Below(more(e.interval.high)),
        },
        Reading::Below(high) => Reading::Below(more(*high)),
        other => other.clone(),
    }
}

/// The figure at the output, its ends moved as far as those at the ear were.
fn moved_alike(output: &Reading, heard: &Reading, allowed: &Reading) -> Reading {
    match (output, heard, allowed) {
        (Reading::Determined(o), Reading::Determined(h), Reading::Determined(a)) => {
            let low = o.interval.low + a.interval.low - h.interval.low;
            let high = o.interval.high + a.interval.high - h.interval.high;
            Reading::Determined(Estimate { value: o.value, interval: Interval { low, high } })
        }
        (Reading::Determined(o), Reading::Determined(h), Reading::Below(high)) => {
            Reading::Below(o.interval.high + high - h.interval.high)
        }
        (Reading::Determined(o), _, Reading::Below(_)) => Reading::Below(o.interval.high),
        (Reading::Below(high), Reading::Below(h), Reading::Below(a)) => Reading::Below(high + a - h),
        (Reading::Below(high), Reading::Determined(h), allowed) => {
            let upper = match allowed {
                Reading::Below(a) => *a,
                Reading::Determined(a) => a.interval.high,
                _ => h.interval.high,
            };
            Reading::Below(high + upper - h.interval.high)
        }
        (other, ..) => other.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Amplitudes 1 % ± 0.1 % heard, a card of 0.2 %: 0.7 to 1.3 %. A card of 1 %: nothing to 2.1 %.
    #[test]
    fn what_the_card_could_have_made_is_allowed_for() {
        let db = |percent: f64| 20.0 * (percent / 100.0).log10();
        let heard =
            Reading::Determined(Estimate { value: db(1.0), interval: Interval { low: db(0.9), high: db(1.1) } });
        let Reading::Determined(e) = at_the_input(&heard, db(0.2)) else { panic!("it stands over the card") };
        assert!((e.value - db(1.0)).abs() < 1e-9);
        assert!((e.interval.low - db(0.7)).abs() < 1e-9 && (e.interval.high - db(1.3)).abs() < 1e-9, "{e:?}");
        let Reading::Below(high) = at_the_input(&heard, db(1.0)) else { panic!("the card explains it") };
        assert!((high - db(2.1)).abs() < 1e-9, "{high}");
        let Reading::Below(high) = at_the_input(&Reading::Below(db(0.5)), db(0.1)) else { panic!() };
        assert!((high - db(0.6)).abs() < 1e-9, "{high}");
    }

    #[test]
    fn a_figure_at_the_output_moves_with_that_at_the_ear() {
        let heard = Reading::Determined(Estimate::symmetric(-60.0, 1.0));
        let output = Reading::Determined(Estimate::symmetric(-50.0, 1.0));
        let allowed = at_the_input(&heard, -58.0);
        let (Reading::Below(ear), Reading::Below(out)) = (&allowed, moved_alike(&output, &heard, &allowed)) else {
            panic!("{allowed:?}")
        };
        assert!((out - ear - 10.0).abs() < 1e-9, "{out} {ear}");
    }
}
