//! `cards`: what can be asked for.

use super::Surroundings;
use crate::audio::simulated::INPUTS;
use crate::card::{CardDescription, CardId, Direction, InputRole};
use anyhow::Result;

pub(super) fn cards(json: bool, surroundings: &mut Surroundings) -> Result<()> {
    let mut cards: Vec<CardDescription> = Vec::new();
    let mut failed = Vec::new();
    for backend in &surroundings.backends {
        match backend.list() {
            Ok(found) => cards.extend(found),
            Err(error) => failed.push(format!("{}: {error}", backend.name())),
        }
    }
    if json {
        let all = serde_json::json!({ "cards": cards, "failed": failed });
        writeln!(surroundings.out, "{}", serde_json::to_string_pretty(&all)?)?;
        return Ok(());
    }
    for (direction, title) in [(Direction::Playback, "Playback"), (Direction::Capture, "Capture")] {
        writeln!(surroundings.out, "{title}")?;
        let of = cards.iter().filter(|c| c.direction == direction);
        for card in of {
            let rates: Vec<String> = card.rates.iter().map(|r| format!("{}", r.hz() / 1000.0)).collect();
            writeln!(surroundings.out, "  {}", card.id)?;
            writeln!(surroundings.out, "      {} · {} channels · {} kHz", card.name, card.channels, rates.join(" "))?;
            if let Some(why) = &card.may_resample {
                writeln!(surroundings.out, "      can resample: {why}")?;
            }
            if let Some(words) = wired(card) {
                writeln!(surroundings.out, "      {words}")?;
            }
        }
    }
    if cards.iter().all(|card| card.id == CardId::simulated()) {
        writeln!(
            surroundings.out,
            "No real sound card was found; the simulated bench plays nothing. See `loudenough guide trouble`."
        )?;
    }
    for message in failed {
        writeln!(surroundings.out, "not reached: {message}")?;
    }
    Ok(())
}

/// What each channel of the simulated bench is connected to; of a real card nobody knows.
fn wired(card: &CardDescription) -> Option<String> {
    let listed = |words: &mut dyn Iterator<Item = &'static str>| {
        (1..).zip(words).map(|(channel, words)| format!("{channel} {words}")).collect::<Vec<_>>().join(" · ")
    };
    (card.id == CardId::simulated()).then(|| match card.direction {
        Direction::Playback => listed(&mut ["left", "right"].into_iter()),
        Direction::Capture => listed(&mut INPUTS.into_iter().map(InputRole::in_words)),
    })
}
