//! How it is shown in a terminal whose distortion the first session's is.

use super::show::tidy;
use crate::judgement::attribution::Attribution;
use std::io::{Result, Write};

pub(super) fn told(attribution: &Attribution, out: &mut dyn Write) -> Result<()> {
    writeln!(out, "\n{}", attribution.question())?;
    for product in attribution.rows() {
        writeln!(
            out,
            "  {:22} {:>6} ±{:<4} dB  {:15} {}",
            product.name(),
            tidy(product.size_db.value, 1),
            tidy(product.size_db.half_width(), 1),
            product.owner.to_string(),
            product.proofs_in_words()
        )?;
    }
    for line in attribution.lines() {
        writeln!(out, "  {line}")?;
    }
    Ok(())
}
