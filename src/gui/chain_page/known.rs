//! What is known of each part of the chain, line by line.

use crate::account::chain::offset_words;
use crate::calibration::electrical::{Impedance, level_words, ohms_words, power_words, volts_words};
use crate::card::{CardDescription, CardId, Direction};
use crate::gui::app::Desk;
use crate::gui::parts;
use crate::session::chain::pink_spectrum;
use crate::stats::Estimate;
use crate::units::Dbfs;

pub(super) fn card<'a>(desk: &'a Desk, id: &CardId, way: Direction) -> Option<&'a CardDescription> {
    desk.view.cards.as_ref()?.found.iter().find(|c| c.id == *id && c.direction == way)
}

fn card_known(desk: &Desk, id: &CardId, way: Direction) -> Vec<String> {
    let Some(card) = card(desk, id, way) else { return vec![id.to_string(), "not listed yet".into()] };
    let mut lines = vec![card.name.clone(), format!("{} through {}, {} channels", card.id, card.host, card.channels)];
    lines.push(match &card.may_resample {
        Some(why) => format!("CAN RESAMPLE: {why}"),
        None => "a direct route: it does not resample".into(),
    });
    let granted = desk.view.granted.as_ref().map(|g| if way == Direction::Playback { &g.0 } else { &g.1 });
    if let Some(g) = granted.filter(|g| g.id == *id) {
        lines.push(format!("last granted: {}, {} channels, {}", g.rate, g.channels, g.format));
    }
    lines
}

pub(super) fn playback_known(desk: &Desk) -> Vec<String> {
    card_known(desk, &desk.form.playback, Direction::Playback)
}

pub(super) fn capture_known(desk: &Desk) -> Vec<String> {
    let mut lines = card_known(desk, &desk.form.capture, Direction::Capture);
    let inputs = desk.form.ready().into_iter().flat_map(|(_, chain)| &chain.input_volts);
    lines.extend(inputs.map(|(role, input)| {
        let (volts, taken_at) = (level_words(&input.volts_per_full_scale), parts::moment(&input.taken_at));
        format!("{}: 0 dBFS is {volts}, {taken_at}", role.in_words())
    }));
    lines
}

pub(super) fn output_known(desk: &Desk) -> Vec<String> {
    let volume = if desk.form.volume.is_empty() { "volume position not noted" } else { &desk.form.volume };
    let mut lines = vec![desk.form.output.clone(), volume.to_string()];
    let side = desk.form.ready().map(|(_, chain)| &chain.output_side);
    lines.push(match side.and_then(|side| Some((side, side.volts_per_full_scale?))) {
        None => "volts: not calibrated, so no volts and no milliwatts".into(),
        Some((side, volts)) => {
            let from = side.volts_from.as_ref().map_or("typed".into(), |from| {
                let place = if from.loaded { "at the headphone" } else { "open" };
                format!("{place}, {}", parts::moment(&from.taken_at))
            });
            format!("0 dBFS: {}, {from}", level_words(&volts))
        }
    });
    let source =
        side.and_then(|side| Some(impedance_line("source", &side.source_impedance_ohm?, side.source.as_ref())));
    lines.extend(source);
    lines
}

pub(super) fn headphone_known(desk: &Desk) -> Vec<String> {
    let mut lines = vec![desk.form.headphone.clone(), "further seats after the climb tell what its fit changes".into()];
    let chain = desk.form.ready().map(|(_, chain)| chain);
    if let Some((chain, z)) = chain.and_then(|c| Some((c, c.output_side.load_impedance_ohm?))) {
        lines.push(impedance_line("impedance", &z, chain.output_side.load.as_ref()));
        let at = chain.at_load(Dbfs(0.0), &pink_spectrum());
        let power = at.and_then(|at| at.milliwatts).map_or(String::new(), |p| format!(", {}", power_words(&p)));
        lines.extend(at.map(|at| format!("pink at 0 dBFS: {}{power}", volts_words(&at.volts))));
    }
    lines
}

/// An impedance and how it is known.
fn impedance_line(what: &str, told: &Estimate, curve: Option<&Impedance>) -> String {
    let how = curve.map_or("typed".into(), |curve| format!("{}, {}", curve.from, parts::moment(&curve.taken_at)));
    format!("{what} {} at 1 kHz, {how}", ohms_words(told))
}

pub(super) fn coupler_known(desk: &Desk) -> Vec<String> {
    let coupler = desk.form.coupler;
    let mut lines = vec![coupler.words().to_string(), format!("level stands for the {}", coupler.point())];
    for ear in desk.form.ears() {
        lines.push(match desk.form.acoustic.get(&ear) {
            Some(a) => {
                format!("{}: {}, {}, {}", ear.in_words(), offset_words(&a.offset), a.source, parts::moment(&a.taken_at))
            }
            None => format!("{}: no offset, so no dB SPL", ear.in_words()),
        });
    }
    lines
}
