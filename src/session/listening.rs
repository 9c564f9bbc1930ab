//! What a stated listening level is as Z at the calibrated point: converted with the spectrum that was measured on this
//! headphone, so that it is that of pink noise through it.
//!
//! A field-related level is that of the same sound in a free or diffuse field without a listener: each one-third octave
//! at the eardrum less the table's difference (ITU-T P.58), weighted, summed: `10 lg Σ 10^((Lᵢ − Δᵢ + Aᵢ)/10)`.

use super::chain::Coupler;
use super::plan::{ListeningLevel, Weighting};
use crate::analysis::{PinkFinding, band};
use crate::calibration::{FieldCurve, SoundField};
use crate::units::{db_from_power, power_from_db};

/// dB to add to a level as stated for its Z at the point.
///
/// # Errors
/// In words, where the spectrum is not determined or the coupler has no table to that field.
fn z_less_stated(pink: &PinkFinding, stated: &ListeningLevel, coupler: Coupler) -> Result<f64, String> {
    if stated.field.is_none() {
        return z_less_weighted(pink, stated.weighting);
    }
    let bands: Vec<(i32, f64)> = pink.bands.iter().filter_map(|b| Some((b.x, b.level?.value))).collect();
    z_less_stated_of(&bands, stated, coupler)
}

/// The same from one-third octaves at the point (number and dB, in any unit); a weighting without a field is then that of
/// the bands' middles.
///
/// # Errors
/// In words, where there are no bands or the coupler has no table to that field.
pub fn z_less_stated_of(bands: &[(i32, f64)], stated: &ListeningLevel, coupler: Coupler) -> Result<f64, String> {
    let z = db_from_power(bands.iter().map(|(_, db)| power_from_db(*db)).sum()).ok_or_else(no_spectrum)?;
    let related = match stated.field {
        Some(field) => field_related(bands, table(field, coupler)?, stated.weighting),
        None => {
            let of = |(x, db): &(i32, f64)| power_from_db(*db) * stated.weighting.power_at(band::centre_hz(*x));
            db_from_power(bands.iter().map(of).sum())
        }
    };
    Ok(z - related.ok_or_else(no_spectrum)?)
}

/// The same from the first of these spectra that tells it.
///
/// # Errors
/// In words, where the coupler has no table to that field, or no spectrum is determined: the reason of the last.
pub fn z_less_stated_by<'a>(
    pinks: impl IntoIterator<Item = &'a PinkFinding>,
    stated: &ListeningLevel,
    coupler: Coupler,
) -> Result<f64, String> {
    if stated.field.is_none() && stated.weighting == Weighting::Z {
        return Ok(0.0);
    }
    let mut why = no_spectrum();
    for pink in pinks {
        match z_less_stated(pink, stated, coupler) {
            Ok(db) => return Ok(db),
            Err(because) => why = because,
        }
    }
    Err(why)
}

/// The table from this coupler to a field.
///
/// # Errors
/// In words, where it has none.
pub fn table(field: SoundField, coupler: Coupler) -> Result<&'static FieldCurve, String> {
    FieldCurve::of(field).filter(|table| table.fit(coupler).is_some()).ok_or_else(|| {
        format!("a level at the {} of {coupler} cannot be related to a field: no table fits it", coupler.point())
    })
}

/// SoundField-related level of one-third octaves at the eardrum (number and dB), in their own unit.
pub fn field_related(bands: &[(i32, f64)], table: &FieldCurve, weighting: Weighting) -> Option<f64> {
    let correction = table.correction();
    let of = |(x, db): &(i32, f64)| {
        // The table names bands; the weighting is that of their middles.
        power_from_db(db + correction.db_at(band::nominal_hz(*x))) * weighting.power_at(band::centre_hz(*x))
    };
    db_from_power(bands.iter().map(of).sum())
}

fn z_less_weighted(pink: &PinkFinding, weighting: Weighting) -> Result<f64, String> {
    let weighted = match weighting {
        Weighting::Z => return Ok(0.0),
        Weighting::A => pink.level_a,
        Weighting::C => pink.level_c,
    };
    let difference = pink.level_z.zip(weighted).map(|(z, weighted)| z.value - weighted.value);
    difference.ok_or_else(no_spectrum)
}

fn no_spectrum() -> String {
    "the listening level is weighted or field-related, and no step gave the spectrum to convert it with".into()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 70.0 dB in each of the 31 bands: Z 84.9136, A 81.9268, diffuse-field related 75.9798, free-field related 76.6503
    /// dB(A) (computed with exact A at exact frequencies from the table of ITU-T P.58, 06/2021; 0 dB below 100 Hz).
    #[test]
    fn equal_bands_give_the_field_related_levels_worked_by_hand() {
        let bands: Vec<(i32, f64)> = (-17..=13).map(|x| (x, 70.0)).collect();
        for (field, expected) in [(SoundField::Diffuse, 75.9798), (SoundField::Free, 76.6503)] {
            let table = FieldCurve::of(field).unwrap();
            let stated = field_related(&bands, table, Weighting::A).unwrap();
            assert!((stated - expected).abs() < 1e-4, "{field:?}: {stated}");
        }
    }

    #[test]
    fn a_plate_has_no_way_to_a_field() {
        let why = table(SoundField::Diffuse, Coupler::FlatPlate).unwrap_err();
        assert!(why.contains("no table fits"), "{why}");
        assert!(table(SoundField::Diffuse, Coupler::EarSimulator603184).is_ok());
    }
}
