//! How it is shown in a terminal whose distortion the first session's is.

use super::show::{reading, tidy};
use crate::analysis::band;
use crate::judgement::attribution::{Attributed, Attribution, Changed, Does, Owner, Product};
use std::io::{Result, Write};

pub(super) fn told(attribution: &Attribution, out: &mut dyn Write) -> Result<()> {
    let at = attribution.level_db.map_or(String::new(), |level| format!(" at {} dB at the ear", tidy(level, 1)));
    writeln!(out, "\nwhose distortion is that of session 1{at} (each product re the stimulus of its own band)")?;
    for (session, why) in &attribution.unused {
        writeln!(out, "  session {session} does not help: {why}")?;
    }
    if attribution.products.is_empty() {
        return writeln!(out, "  no product stands above the noise there");
    }
    let proved = attribution.products.iter().any(|product| !product.proofs.is_empty());
    for product in attribution.products.iter().filter(|product| proved && band_of(product.product).is_none()) {
        row(product, out)?;
    }
    for order in ["even", "odd"] {
        by_band(order, attribution, out)?;
    }
    if let Some(next) = &attribution.next {
        writeln!(out, "  what is not told would be decided by: {next}")?;
    }
    Ok(())
}

fn row(product: &Attributed, out: &mut dyn Write) -> Result<()> {
    let proofs: Vec<String> = product
        .proofs
        .iter()
        .map(|proof| {
            let changed = match proof.changed {
                Changed::Output => "another output",
                Changed::InputGain => "another input gain",
                Changed::Headphone => "another headphone, same drive",
            };
            let does = match proof.does {
                Does::Moves => "moves",
                Does::Stays => "stays",
                Does::NotTold => "open",
            };
            format!("{does} on session {} ({changed}) by {} dB", proof.session, reading(&proof.difference_db))
        })
        .collect();
    writeln!(
        out,
        "  {:22} {:>6} ±{:<4} dB  {:15} {}",
        name(product.product),
        tidy(product.size_db.value, 1),
        tidy(product.size_db.half_width(), 1),
        product.owner.to_string(),
        proofs.join("; ")
    )
}

/// Bands of one order, by owner.
fn by_band(order: &str, attribution: &Attribution, out: &mut dyn Write) -> Result<()> {
    for owner in [Owner::Output, Owner::Headphone, Owner::Input, Owner::NotTold] {
        let bands = attribution.products.iter().filter(|p| p.owner == owner && !p.proofs.is_empty());
        let of_order = bands.filter_map(|p| band_of(p.product).filter(|(of, _)| *of == order));
        let labels: Vec<String> = of_order.map(|(_, x)| band::label(x)).collect();
        if !labels.is_empty() {
            writeln!(out, "  {order}-order by band: {owner} at {}", labels.join(", "))?;
        }
    }
    Ok(())
}

/// Order and number of the band, where it is of one band.
fn band_of(product: Product) -> Option<(&'static str, i32)> {
    match product {
        Product::Even { band } => Some(("even", band?)),
        Product::Odd { band } => Some(("odd", band?)),
        Product::Harmonic { .. } => None,
    }
}

fn name(product: Product) -> String {
    match product {
        Product::Even { .. } => "even-order, all".into(),
        Product::Odd { .. } => "odd-order, all".into(),
        Product::Harmonic { order, sine_hz } => format!("harmonic {order} of {} Hz", tidy(sine_hz, 0)),
    }
}
