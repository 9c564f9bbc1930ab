//! What limits would add to a period at unit gain, and what smooth bends would. A session plays one period at many
//! drives, and what is added only grows with the drive, so both are kept between takes.

use super::limiter::{Limiter, Side};
use super::smooth::{self, Product};
use crate::analysis::{Spectra, fft};
use crate::signal::{LineKind, Period};
use crate::units::amplitude_from_db;
use realfft::num_complex::Complex;
use std::sync::{Arc, Mutex, PoisonError};

/// Overdrives tried on each side, dB of its own peak over the limit: close enough that a neighbour's template explains
/// most of what lies between two of them.
const OVERDRIVES_DB: [f64; 11] = [0.15, 0.3, 0.5, 0.8, 1.3, 2.0, 3.0, 4.5, 6.5, 9.5, 14.0];
/// Periods kept: a session's, and another's that it is held against (15 MB each).
const KEPT: usize = 2;

/// Of one period whose lines are all odd: half a period later it is its own mirror image, so what a limit adds below zero
/// differs from what the same adds above in sign on even lines only, and only the latter is kept.
pub(super) struct Templates {
    period: Arc<Period>,
    /// On samples, and on the waveform.
    pub kinds: [Vec<Template>; 2],
    /// What smooth bends of output and headphone add.
    pub smooth: Vec<Product>,
}

/// What one limit adds above zero.
pub(super) struct Template {
    /// The limit, in units of full scale at unit gain.
    pub at: f64,
    /// Lines from zero up to the highest that is played.
    pub lines: Vec<Complex<f64>>,
}

static RECENT: Mutex<Vec<Arc<Templates>>> = Mutex::new(Vec::new());

impl Templates {
    /// Those of the period of `spectra`, computed once.
    pub(super) fn of(spectra: &Spectra) -> Arc<Templates> {
        // Held while they are computed: takes of one period that are analysed side by side need them once.
        let mut recent = RECENT.lock().unwrap_or_else(PoisonError::into_inner);
        let same =
            |t: &&Arc<Templates>| Arc::ptr_eq(&t.period, &spectra.period) || t.period.samples == spectra.period.samples;
        if let Some(kept) = recent.iter().find(same) {
            return Arc::clone(kept);
        }
        let made = Arc::new(Templates::new(&spectra.period));
        if recent.len() == KEPT {
            recent.remove(0);
        }
        recent.push(Arc::clone(&made));
        made
    }

    fn new(period: &Arc<Period>) -> Templates {
        let odd = period.lines.all_odd();
        debug_assert!(odd, "a period with even lines shows no clipping here");
        let Some(last) = period.lines.of(LineKind::Excited).last().filter(|_| odd) else {
            return Templates { period: Arc::clone(period), kinds: [Vec::new(), Vec::new()], smooth: Vec::new() };
        };
        let played = fft::lines_of(&period.samples);
        let limiters =
            [Limiter::on_samples(period.samples.clone()), Limiter::on_waveform(&played, period.samples.len())];
        let wanted: Vec<usize> = (0..=last).collect();
        let template = |limiter: &mut Limiter, db: &f64| {
            let at = limiter.peak(Side::Positive) * amplitude_from_db(-db);
            Template { at, lines: limiter.residual(Side::Positive, at, &wanted) }
        };
        let kinds = limiters.map(|mut limiter| OVERDRIVES_DB.iter().map(|db| template(&mut limiter, db)).collect());
        let mut smooth = smooth::of_the_played(&played, period);
        smooth.iter_mut().for_each(|product| product.lines.truncate(last + 1));
        Templates { period: Arc::clone(period), kinds, smooth }
    }
}
