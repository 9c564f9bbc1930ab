//! How it is shown in a terminal whose distortion the first session's is.

use super::show::{reading, tidy};
use crate::analysis::band;
use crate::judgement::attribution::{Attributed, Attribution, Changed, Does, Product};
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
    for product in &attribution.products {
        row(product, out)?;
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

fn name(product: Product) -> String {
    let of = |order: &str, band: Option<i32>| match band {
        None => format!("{order}-order, all"),
        Some(x) => format!("{order}-order, {}", band::label(x)),
    };
    match product {
        Product::Even { band } => of("even", band),
        Product::Odd { band } => of("odd", band),
        Product::Harmonic { order, sine_hz } => format!("harmonic {order} of {} Hz", tidy(sine_hz, 0)),
    }
}
