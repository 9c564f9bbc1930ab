//! Periodic noise with a user's spectrum: a table of frequency and level. Lines, detection lines and phases as in
//! periodic pink noise ([`super::Pink`]); only the power per one-third octave follows the table. Whoever owns a
//! standard's programme-noise table can use it; none is built in.

use super::pink::{band_of, draw_lines, draw_phases};
use super::{LineKind, Lines, Period};
use crate::units::{SampleRate, power_from_db};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::sync::Arc;

/// What the levels of a table belong to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Per {
    /// Each level is the power density at its frequency (per hertz), straight over the logarithm of frequency between.
    Line,
    /// Each level is that of the whole one-third octave whose mid-band frequency is nearest.
    ThirdOctave,
}

/// One row of a table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TableRow {
    /// Hz.
    pub frequency_hz: f64,
    /// dB, any reference: only differences matter.
    pub level_db: f64,
}

/// A table that no noise can be made from.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadTable {
    /// Fewer than two rows.
    #[error("a spectrum table needs at least two rows of frequency and level, this has {0}")]
    TooShort(usize),
    /// A row out of order or range.
    #[error(
        "row {row} of the spectrum table ({frequency_hz} Hz, {level_db} dB) cannot be: frequencies must rise, lie between 10 and 30000 Hz, and levels within ±200 dB"
    )]
    Row {
        /// From 1.
        row: usize,
        /// As given.
        frequency_hz: f64,
        /// As given.
        level_db: f64,
    },
}

/// The value: table, its meaning, seed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shaped {
    /// Seed of phases and detection lines.
    pub seed: u64,
    /// What the levels belong to.
    pub per: Per,
    #[serde(serialize_with = "write_rows", deserialize_with = "read_rows")]
    rows: Arc<[TableRow]>,
}

fn write_rows<S: Serializer>(rows: &Arc<[TableRow]>, to: S) -> Result<S::Ok, S::Error> {
    rows.as_ref().serialize(to)
}

fn read_rows<'de, D: Deserializer<'de>>(from: D) -> Result<Arc<[TableRow]>, D::Error> {
    let rows = Vec::<TableRow>::deserialize(from)?;
    check(&rows).map_err(serde::de::Error::custom)?;
    Ok(rows.into())
}

fn check(rows: &[TableRow]) -> Result<(), BadTable> {
    if rows.len() < 2 {
        return Err(BadTable::TooShort(rows.len()));
    }
    let mut last = 0.0;
    for (i, row) in rows.iter().enumerate() {
        let TableRow { frequency_hz, level_db } = *row;
        if !((10.0..=30_000.0).contains(&frequency_hz) && frequency_hz > last && level_db.abs() <= 200.0) {
            return Err(BadTable::Row { row: i + 1, frequency_hz, level_db });
        }
        last = frequency_hz;
    }
    Ok(())
}

impl Shaped {
    /// Noise with this spectrum.
    ///
    /// # Errors
    /// [`BadTable`] names the first row that cannot be.
    pub fn new(rows: Vec<TableRow>, per: Per, seed: u64) -> Result<Shaped, BadTable> {
        check(&rows)?;
        Ok(Shaped { seed, per, rows: rows.into() })
    }

    /// The table.
    pub fn rows(&self) -> &[TableRow] {
        &self.rows
    }

    pub(super) fn period(&self, rate: SampleRate, frames: usize) -> Period {
        let mut random = Pcg64::seed_from_u64(self.seed);
        let spacing = rate.hz() / frames as f64;
        let mut kinds = draw_lines(&mut random, frames, spacing, rate);
        // Power of each line as if no line were left silent; 0 where the table says nothing.
        let density: Vec<f64> = (0..kinds.len()).map(|k| self.density(k as f64 * spacing)).collect();
        for (kind, density) in kinds.iter_mut().zip(&density) {
            if *density <= 0.0 {
                *kind = LineKind::Outside;
            }
        }
        let lines = Lines::new(kinds);
        // What a band's silent lines would have carried goes to its excited ones.
        let (mut wanted, mut held) = ([0.0; 31], [0.0; 31]);
        for (k, power) in density.iter().enumerate() {
            if let Some(band) = band_of(k as f64 * spacing) {
                match lines.kind(k) {
                    LineKind::Excited => {
                        wanted[band] += power;
                        held[band] += power;
                    }
                    LineKind::Detection => wanted[band] += power,
                    LineKind::Even | LineKind::Outside => {}
                }
            }
        }
        draw_phases(&mut random, &lines, rate, frames, |k| {
            band_of(k as f64 * spacing).map_or(0.0, |band| density[k] * wanted[band] / held[band])
        })
    }

    /// Power per hertz at `f_hz`, any unit; 0 outside the table.
    fn density(&self, f_hz: f64) -> f64 {
        match self.per {
            Per::Line => self.between(f_hz).map_or(0.0, power_from_db),
            Per::ThirdOctave => {
                let Some(band) = band_of(f_hz) else { return 0.0 };
                let row = self.rows.iter().find(|row| band_of(row.frequency_hz) == Some(band));
                // Pink within the band: 1/f over a width that is a fixed share of its mid-band frequency.
                row.map_or(0.0, |row| power_from_db(row.level_db) / f_hz)
            }
        }
    }

    fn between(&self, f_hz: f64) -> Option<f64> {
        let after = self.rows.iter().position(|row| row.frequency_hz >= f_hz)?;
        let right = self.rows[after];
        let Some(left) = after.checked_sub(1).map(|i| self.rows[i]) else {
            return (right.frequency_hz <= f_hz).then_some(right.level_db);
        };
        let share = (f_hz / left.frequency_hz).ln() / (right.frequency_hz / left.frequency_hz).ln();
        Some(left.level_db + share * (right.level_db - left.level_db))
    }
}
