//! The lines of one stored step, recomputed from its WAV: for whoever needs more of a take than its finding keeps.

use super::record::Record;
use super::runner::RunError;
use super::storage::Storage;
use crate::analysis::{self, Context, Finding, SilenceFinding, Spectra};
use crate::card::InputRole;

/// Lines of the last usable take of pink noise of step `number` at the deciding input; `None` where it has none.
///
/// # Errors
/// [`RunError`] where the WAV cannot be read or analysed.
pub fn lines(storage: &Storage, record: &Record, number: usize) -> Result<Option<Spectra>, RunError> {
    let chain = &record.head.chain;
    let input = chain.deciding_input();
    let is_pink = |take: &&super::record::TakeResult| {
        take.void.is_none() && matches!(take.inputs.get(input).map(|i| &i.finding), Some(Finding::Pink(_)))
    };
    let step = record.steps.iter().find(|s| s.step.number == number);
    let Some(take) = step.and_then(|s| s.takes.iter().rev().find(is_pink)) else { return Ok(None) };
    let roles: Vec<InputRole> = chain.routing.capture_channels.iter().map(|c| c.role).collect();
    let loaded = storage.load_take(number, take, &roles)?;
    let correction = roles.get(input).map_or_else(analysis::Correction::none, |role| chain.correction(*role));
    let silence = record.steps.iter().find_map(|s| s.silence(input));
    let steady = silence.map(SilenceFinding::steady).unwrap_or_default();
    let context = Context {
        pooled_clock: take.pooled_ppm,
        route_delay_s: take.route_delay_s,
        mains_lines: &steady,
        ..Context::alone(&correction)
    };
    Ok(analysis::measure(&loaded, input, &context)?.spectra)
}
