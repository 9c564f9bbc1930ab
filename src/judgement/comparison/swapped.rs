//! Both halves of a swap, round by round, and what moved in between.

use super::fit::Scatter;
use super::heard::Heard;
use super::side::Side;
use super::{Ask, Comparison, Difference, Distorted, Distortions, FinePoint, Hears, Largest, Noise, NotComparable};
use super::{audible, held_against, sides};
use crate::analysis::Flaw;
use crate::session::plan::Order;
use crate::session::record::Record;
use crate::session::swap::{DEFAULT_ROUNDS, Round, Sounds, alternating, sounds};
use crate::stats::{Estimate, Reading};
use crate::units::tidy_signed;

/// Both halves of a swap.
pub(super) fn swapped(first: &Record, second: &Record, ask: &Ask) -> Result<Comparison, NotComparable> {
    let is_first = |record: &Record| record.head.plan.swap.as_ref().is_some_and(|swap| swap.order == Order::First);
    if is_first(second) {
        return Ok(swapped(second, first, ask)?.turned(&ask.hears));
    }
    let on = first.head.plan.swap.as_ref().map_or(ask.on, |swap| swap.on);
    let ask = &Ask { on, same_seat: true, ..*ask };
    let (a, b) = sides(first, second, ask)?;
    let (of_a, of_b) = alternating(first, second);
    let played = of_a.len() + of_b.len();
    if played < DEFAULT_ROUNDS {
        return Err(NotComparable::RoundsMissing { played, wanted: DEFAULT_ROUNDS });
    }
    let missing = NotComparable::RoundsMissing { played: 0, wanted: DEFAULT_ROUNDS };
    let level_db = a.level_in(&of_a[0]).ok_or(missing)?;
    let flaws = what_moved((&a, &of_a), (&b, &of_b));
    let (at_a, at_b) = (a.in_rounds(&of_a, level_db), b.in_rounds(&of_b, level_db));
    let a = Heard::in_rounds(a, at_a, Order::First, played);
    let b = Heard::in_rounds(b, at_b, Order::Second, played);
    let scatter = Scatter::between(&a.side.fits, &b.side.fits, true)?;
    let comparison = held_against(&a, &b, &scatter, (level_db, ask), Some((&of_a, &of_b)));
    Ok(Comparison { rounds: Some(played), flaws, ..comparison })
}

/// An output whose volume moved between its rounds, and two outputs that sound alike in every way.
fn what_moved(a: (&Side, &[Round]), b: (&Side, &[Round])) -> Vec<Flaw> {
    let moved = |(side, of): (&Side, &[Round])| {
        let by_db = of.iter().skip(1).find_map(|round| {
            match sounds(round.reference, Some(of[0].reference), None, side.input) {
                Sounds::Louder { by_db } => Some(by_db),
                _ => None,
            }
        })?;
        let text = format!(
            "One output's level was {} dB off in a later round: its volume, the gain or the seat has moved. What that changes is in every interval; play the rounds again and touch nothing but the plug.",
            tidy_signed(by_db, 1)
        );
        Some(Flaw::doubt("volume-moved", &text))
    };
    let alike = matches!(sounds(b.1[0].reference, None, Some(a.1[0].reference), b.0.input), Sounds::Alike);
    let alike = alike.then(|| {
        Flaw::note(
            "sound-alike",
            "Both outputs gave the same level in every one-third octave at the same drive. Where their volumes were not set alike on purpose, look whether the plug was moved.",
        )
    });
    [moved(a), moved(b), alike].into_iter().flatten().collect()
}

impl Comparison {
    /// The first output against the second.
    fn turned(self, hears: &Hears) -> Comparison {
        let swap = |(a, b): (String, String)| (b, a);
        let negative = |e: Estimate| e.negative();
        let reading = |reading: Reading| match reading {
            Reading::Determined(e) => Reading::Determined(e.negative()),
            Reading::AtLeast(e) => Reading::Below(-e.value),
            Reading::Below(at) => Reading::AtLeast(Estimate::exact(-at)),
            other => other,
        };
        let distorted = |q: Distorted| Distorted {
            of: (q.of.1, q.of.0),
            noise_db: (q.noise_db.1, q.noise_db.0),
            difference_db: reading(q.difference_db),
            ..q
        };
        let distortions = Distortions {
            quantities: self.distortions.quantities.into_iter().map(distorted).collect(),
            ..self.distortions
        };
        let turned = Comparison {
            outputs: swap(self.outputs),
            played: self.played.map(|(a, b)| (b, a)),
            off_db: -self.off_db,
            bands: self
                .bands
                .into_iter()
                .map(|d| Difference { difference_db: negative(d.difference_db), ..d })
                .collect(),
            fine: self.fine.into_iter().map(|p| FinePoint { difference_db: negative(p.difference_db), ..p }).collect(),
            largest: self.largest.map(|l| Largest { difference_db: negative(l.difference_db), ..l }),
            noise: self
                .noise
                .into_iter()
                .map(|n| Noise {
                    level_db: (n.level_db.1, n.level_db.0),
                    difference_db: negative(n.difference_db),
                    ..n
                })
                .collect(),
            distortions,
            ..self
        };
        Comparison { matters: audible::matters(&turned, hears), ..turned }
    }
}
