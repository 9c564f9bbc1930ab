//! What a take is not used for, or not believed of: lost samples, a wrong rate, too few clean periods, hum on a line.

use super::setup::{LEAST_SETTLE_S, Placed, Setup, WIDENED};
use crate::analysis::clock::WRONG_RATE_PPM;
use crate::analysis::finding::{ClockFit, Flaw, HumLine};
use crate::analysis::periods::Periods;
use crate::analysis::resample::Path;
use crate::analysis::spectra::Spectra;
use crate::analysis::{align, band, continuity, hum};
use crate::signal::{FADE_S, LineKind};
use crate::units::tidy_signed;
use realfft::num_complex::Complex;

/// Jump of the delay between half-overlapping windows that only lost samples make, frames.
const JUMP_FRAMES: f64 = 3.0;
/// Power of the stimulus over the noise from which its clock is believed to be wrong: 10 dB.
const CLEAR: f64 = 10.0;
/// Hum on a line that stands this far under the whole stimulus changes its level by less than 0.05 dB: a note.
const HUM_IS_SMALL_DB: f64 = -45.0;
/// Hum under this, re the stimulus in its band, is not worth a word: it moves the level of the band by 0.009 dB at most, dB.
const HUM_IS_NOTHING_DB: f64 = -60.0;

/// What a window placed by luck means.
pub(super) fn onset_not_seen() -> Flaw {
    Flaw::doubt(
        "onset-not-seen",
        "The sound is so little above the noise that its beginning is not seen; some silence may be in the window, and the level read up to 1 dB low. A louder take shows it.",
    )
}

/// Which periods stay; says so where too few are clean (then all stay, and the take is void).
pub(super) fn keep_clean(flaws: &mut Vec<Flaw>, clean: &[bool], silent: bool, moves_db: Option<f64>) -> Vec<bool> {
    let count = clean.iter().filter(|c| **c).count();
    if count >= 2 {
        return clean.to_vec();
    }
    if let Some(db) = moves_db {
        flaws.push(Flaw::void(
            "gain-moves",
            format!(
                "Repetitions of the same sound came back with gains up to {db:.2} dB apart: an automatic gain (compressor, limiter, loudness control) follows the sound. Switch it off, at the output and at the input."
            ),
        ));
        return vec![true; clean.len()];
    }
    let text = format!(
        "Only {count} of {} periods are undisturbed (a door, a voice), so they cannot be averaged. Wait for quiet and repeat.",
        clean.len()
    );
    // Silence is there to hear the room: a disturbance is part of the answer, and said.
    flaws.push(if silent { Flaw::note("disturbed", text) } else { Flaw::void("disturbed", text) });
    vec![true; clean.len()]
}

/// What is said around the sign of a loss.
const LOST: [&str; 2] = [
    "Samples were lost or repeated on the path (",
    "), so the take is void. Close other programs or ask for larger blocks.",
];

/// The sign of a loss alone, from the text of its flaw.
pub fn sign_of_loss(text: &str) -> &str {
    text.strip_prefix(LOST[0]).and_then(|rest| rest.strip_suffix(LOST[1])).unwrap_or(text)
}

impl Setup<'_> {
    /// True where the stimulus stands well over what does not repeat: only then may its clock void the take.
    pub(super) fn stands_clear(&self, lines: &[Vec<Complex<f64>>]) -> bool {
        let (mean, variance) = self.averaged(lines);
        let (Some(first), Some(last)) = (self.excited.first(), self.excited.last()) else { return false };
        let stimulus: f64 = self.excited.iter().map(|k| mean[*k].norm_sqr()).sum();
        stimulus > CLEAR * variance[*first..=*last].iter().sum::<f64>()
    }

    /// True where the delay between windows jumps; a clock offset blurs the delay of a window by as much as it moves.
    pub(super) fn jumps(&self, found: &align::Found) -> bool {
        found.largest_jump
            > JUMP_FRAMES
                + (found.coarse_ppm * 1e-6 * self.frames as f64).abs().min(self.frames as f64 * WRONG_RATE_PPM * 1e-6)
    }

    /// Flaws of the clock and of the continuity.
    pub(super) fn broken(
        &self,
        periods: &Periods,
        found: Option<&align::Found>,
        placed: &Placed,
        clock: &ClockFit,
    ) -> Option<Flaw> {
        let found = found?;
        let lost = |what: String| Flaw::void("lost-samples", format!("{}{what}{}", LOST[0], LOST[1]));
        if found.interrupted {
            return Some(lost("the sound is missing for a while".into()));
        }
        if found.sounds_before {
            return Some(lost("what sounds at first does not fit the rest, unless something else was as loud".into()));
        }
        if placed.late {
            return Some(lost("the sound begins too late or was interrupted".into()));
        }
        if self.jumps(found) {
            return Some(lost(format!("the signal jumps by {:.0} frames", found.largest_jump)));
        }
        if clock.used_ppm.abs() > WRONG_RATE_PPM && self.stands_clear(periods.lines()) {
            return Some(Flaw::void(
                "wrong-rate",
                format!(
                    "The two cards run {} ppm apart, more than two clocks ever do: one is not at the rate it was asked for. Set both cards to one rate.",
                    tidy_signed(clock.used_ppm, 0)
                ),
            ));
        }
        let (mean, variance) = self.averaged(periods.lines());
        let (widened, before) = self.widened(periods.samples(), found, placed, clock);
        let stretch = continuity::Stretch { samples: &widened, before, frames: self.frames, odd: self.played.odd };
        let scattered = || found.scattered.then(|| "parts of the sound come with different delays".into());
        continuity::broken(&stretch, &mean, &variance, &self.excited).or_else(scattered).map(lost)
    }

    /// The window with the settled sound around it (of a sine, whose hum is taken off in the window alone, just that), and the number of frames before it.
    fn widened(&self, samples: &[f64], found: &align::Found, placed: &Placed, clock: &ClockFit) -> (Vec<f64>, usize) {
        let Some(opened) = found.opened.filter(|_| self.excited.len() > 1) else { return (samples.to_vec(), 0) };
        let settled = placed.start - opened - LEAST_SETTLE_S * self.played_hz;
        let before = (settled.max(0.0) as usize).min(WIDENED);
        let closing = opened + self.take.head.played_frames as f64 - (FADE_S + 0.01) * self.played_hz;
        let after = closing - placed.start - (samples.len() as f64) * (1.0 + WRONG_RATE_PPM * 1e-6);
        let after = (after.max(0.0) as usize).min(WIDENED);
        let path = self.path(placed.start, clock.used_ppm, 0.0, placed.periods);
        let part = |from: f64, count: usize| {
            let path = Path { start: path.at(from), ..path };
            placed.fine.along(&path, count)
        };
        let mut widened = Vec::with_capacity(before + samples.len() + after);
        widened.extend(part(-(before as f64), before));
        widened.extend_from_slice(samples);
        widened.extend(part(samples.len() as f64, after));
        (widened, before)
    }

    /// Leaves out lines near mains harmonics seen in silence or here; says what cannot be separated.
    pub(super) fn judge_hum(
        &self,
        spectra: &mut Spectra,
        hums: &mut Vec<HumLine>,
        seen: &[HumLine],
        flaws: &mut Vec<Flaw>,
    ) {
        if self.silent {
            return;
        }
        let spacing = self.played_hz / self.frames as f64;
        for hum in seen {
            if hum::lies_on_line(hum.frequency_hz, spacing, spectra.periods)
                && !hums.iter().any(|h| (h.frequency_hz - hum.frequency_hz).abs() < spacing)
            {
                hums.push(HumLine { on_line: true, ..*hum });
            }
        }
        for hum in seen.iter().chain(hums.iter()) {
            let nu = hum.frequency_hz / spacing;
            for k in (nu - 1.0).ceil().max(1.0) as usize..=(nu + 1.0).floor() as usize {
                if self.played.period.lines.kind(k) != LineKind::Excited {
                    spectra.usable.get_mut(k).into_iter().for_each(|usable| *usable = false);
                }
            }
        }
        for hum in hums.iter().filter(|h| h.on_line) {
            flaws.extend(self.inseparable(spectra, hum, spacing));
            let line = (hum.frequency_hz / spacing).round() as usize;
            if self.played.period.lines.kind(line) == LineKind::Excited {
                spectra.hum.insert(line, hum.mean_square());
            }
        }
    }

    /// `None` where it changes nothing that is given.
    fn inseparable(&self, spectra: &Spectra, hum: &HumLine, spacing: f64) -> Option<Flaw> {
        let line = (hum.frequency_hz / spacing).round() as usize;
        let kind = self.played.period.lines.kind(line);
        let band = band::band_of(hum.frequency_hz);
        let power = |counts: &dyn Fn(usize) -> bool| -> f64 {
            self.excited.iter().filter(|k| counts(**k)).map(|k| spectra.mean[*k].norm_sqr()).sum()
        };
        let in_band = power(&|k| band::band_of(k as f64 * spacing) == band);
        let hum_ms = hum.mean_square();
        let under = crate::units::db_from_power(hum_ms / in_band);
        let under_all = crate::units::db_from_power(hum_ms / power(&|_| true));
        if under.is_some_and(|db| db < HUM_IS_NOTHING_DB) {
            return None;
        }
        let what = if hum::is_mains(hum.frequency_hz) { "Mains hum" } else { "A steady tone" };
        let text = format!(
            "{what} of {:.1} at {:.2} Hz falls on a line of the stimulus and cannot be distinguished from it ({}); the intervals allow for it. Find where it comes from: supplies, cables, a bus-powered card.",
            hum.level,
            hum.frequency_hz,
            under.map_or("its band has no stimulus".into(), |db| format!(
                "{} dB re the stimulus in its band",
                tidy_signed(db, 0)
            )),
        );
        let matters = kind == LineKind::Excited && under_all.is_none_or(|db| db > HUM_IS_SMALL_DB);
        Some(if matters { Flaw::doubt("hum-on-line", text) } else { Flaw::note("hum-on-line", text) })
    }
}
