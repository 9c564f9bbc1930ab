//! `cards`: what can be asked for.

use super::{Environment, show};
use crate::audio::simulated::INPUTS;
use crate::card::{CardDescription, CardId, Direction, InputRole};
use anyhow::Result;

pub(super) fn cards(json: bool, env: &mut Environment) -> Result<()> {
    let mut cards: Vec<CardDescription> = Vec::new();
    let mut failed = Vec::new();
    for backend in &env.backends {
        match backend.list() {
            Ok(found) => {
                found.iter().for_each(|card| env.log.line(&format!("{:?} {}", card.direction, card.id)));
                cards.extend(found);
            }
            Err(error) => failed.push(format!("{}: {error}", backend.name())),
        }
    }
    failed.iter().for_each(|why| env.log.line(&format!("not reached: {why}")));
    if json {
        let all = serde_json::json!({ "cards": cards, "failed": failed });
        return show::json(&all, env.out);
    }
    for (direction, title) in [(Direction::Playback, "Playback"), (Direction::Capture, "Capture")] {
        writeln!(env.out, "{title}")?;
        let of = cards.iter().filter(|c| c.direction == direction);
        for card in of {
            let rates: Vec<String> = card.rates.iter().map(|r| format!("{}", r.hz() / 1000.0)).collect();
            writeln!(env.out, "  {}", card.id)?;
            writeln!(env.out, "      {} · {} channels · {} kHz", card.name, card.channels, rates.join(" "))?;
            if let Some(why) = &card.may_resample {
                writeln!(env.out, "      can resample: {why}")?;
            }
            for (channel, words) in (1..).zip(wired(card)) {
                writeln!(env.out, "      channel {channel}: {words}")?;
            }
        }
    }
    if cards.iter().all(|card| card.id == CardId::simulated()) {
        writeln!(
            env.out,
            "No real sound card was found; the simulated bench plays nothing. See `loudenough guide trouble`."
        )?;
    }
    for message in failed {
        writeln!(env.out, "not reached: {message}")?;
    }
    Ok(())
}

/// What each channel of the simulated bench is connected to, from the first; of a real card nobody knows.
fn wired(card: &CardDescription) -> Vec<&'static str> {
    match card.direction {
        _ if card.id != CardId::simulated() => Vec::new(),
        Direction::Playback => vec!["left", "right"],
        Direction::Capture => INPUTS.map(InputRole::in_words).into(),
    }
}
