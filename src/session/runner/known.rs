//! What later takes are analysed with, and what a take tells the next ones.

use super::super::climb::{OVER_NOISE_DB, over_noise_db};
use super::super::evaluate::evaluate;
use super::super::plan::Extent;
use super::super::record::{InputResult, Record};
use super::super::step::Purpose;
use super::RunError;
use crate::analysis::{self, AnalysisError, Context, Finding, HumLine, Reference, Weight};
use crate::stats::Estimate;
use crate::take::{Take, VoidReason};
use std::collections::BTreeMap;

/// What later takes are analysed with: rebuilt from the stored takes when a session is taken up again.
#[derive(Clone)]
pub(crate) struct Known {
    /// Quiet reference per input.
    pub(crate) references: BTreeMap<usize, Reference>,
    /// Mains hum and other steady tones seen in the silence take per input.
    pub(crate) hum: BTreeMap<usize, Vec<HumLine>>,
}

impl Known {
    /// Nothing yet.
    pub(crate) fn new() -> Known {
        Known { references: BTreeMap::new(), hum: BTreeMap::new() }
    }

    /// Clock and delay for the next take, from the finished steps. A path check is short by plan: under the noise hum can
    /// look like an onset that is late, and no take of it is made longer for that.
    pub(crate) fn pooled(record: &Record) -> (Option<Estimate>, Option<f64>) {
        let takes = record.steps.iter().flat_map(|s| &s.takes).filter(|t| t.void.is_none());
        let usable = || takes.clone().flat_map(|t| &t.inputs).map(|i| &i.finding);
        let fits: Vec<Estimate> = usable().filter_map(|f| f.common().clock.own_ppm).collect();
        let is_short = record.head.plan.extent == Extent::PathCheck;
        let counts = |finding: &&Finding| !(is_short && is_under_noise(finding));
        let delay = usable().rev().filter(counts).find_map(|f| f.common().window.delay_s);
        (analysis::pool_clock(&fits), delay)
    }

    /// Analyses every input of a take. Returns the results and the reason why the take is void, if the analysis finds one.
    pub(crate) fn analyse(
        &mut self,
        record: &Record,
        purpose: Purpose,
        take: &Take,
        pooled: (Option<Estimate>, Option<f64>),
    ) -> Result<(Vec<InputResult>, Option<VoidReason>), RunError> {
        let chain = &record.head.chain;
        // A matched level may be played on another seat than the reference, but not in a swap.
        let on_one_seat = record.head.plan.extent == Extent::Swap && purpose == Purpose::Matched;
        let mut results = Vec::new();
        for (input, heard) in take.inputs.iter().enumerate() {
            let correction = chain.correction(heard.role);
            let context = Context {
                correction: &correction,
                pooled_clock: pooled.0,
                route_delay_s: pooled.1,
                reference: self.references.get(&input).filter(|_| purpose.uses_reference() || on_one_seat),
                mains_lines: self.hum.get(&input).map_or(&[], Vec::as_slice),
                card_distortion_db: chain.card_distortion_db,
            };
            let measured = match analysis::measure(take, input, &context) {
                // A fresh stream may begin with samples that nobody wrote; the next take has none of them.
                Err(AnalysisError::NotFinite(frame)) => {
                    return Ok((Vec::new(), Some(VoidReason::NotFinite { frame })));
                }
                other => other?,
            };
            if let Some(void) = void_of(&measured.finding, purpose) {
                return Ok((Vec::new(), Some(void)));
            }
            if let (Purpose::Silence, Finding::Silence(silence)) = (purpose, &measured.finding) {
                self.hum.insert(input, silence.steady());
            }
            let reference = self.references.get(&input);
            results.push(evaluate(measured.finding, heard.role, chain, reference));
            if let (Purpose::Reference, Some(spectra)) = (purpose, &measured.spectra) {
                self.references.insert(input, Reference::from_spectra(spectra));
            }
        }
        Ok((results, None))
    }
}

fn is_under_noise(finding: &Finding) -> bool {
    matches!(finding, Finding::Pink(pink) if over_noise_db(pink) < OVER_NOISE_DB)
}

/// A flaw of weight void makes the take void; not where one channel sounds alone and this input does not hear it.
pub(super) fn void_of(finding: &Finding, purpose: Purpose) -> Option<VoidReason> {
    if purpose.is_alone() && !matches!(finding, Finding::Pink(pink) if over_noise_db(pink) >= OVER_NOISE_DB) {
        return None;
    }
    let flaw = finding.common().flaws.iter().find(|f| f.weight == Weight::Void)?;
    Some(match flaw.code.as_str() {
        "zero-input" => VoidReason::ZeroInput,
        "wrong-rate" => {
            VoidReason::WrongRate { ppm: finding.common().clock.own_ppm.map_or(f64::INFINITY, |e| e.value) }
        }
        "gain-moves" => VoidReason::GainMoves { what: flaw.text.trim_end_matches('.').into() },
        "disturbed" => VoidReason::Disturbed { clean: finding.common().window.periods },
        _ => VoidReason::LostSamples { what: analysis::sign_of_loss(&flaw.text).into() },
    })
}
