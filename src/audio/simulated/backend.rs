//! The back end of the simulated bench: which cards it lists, what it can put on the desk, and how it opens them.

use super::bench::{BenchSpec, PluggedIn, SoundSource};
use super::card::{PLAYBACK_CHANNELS, Pace, SimulatedCardSpec, SimulatedCards};
use super::demo::{HEADPHONES, OUTPUTS};
use super::device::CAPTURE_CHANNELS;
use crate::audio::AudioError;
use crate::audio::backend::{Backend, Callbacks, OpenCards, find};
use crate::card::{CardDescription, CardId, Direction, Hookup, PluggedLoad, Routing, SimulatedDevices, known_name};
use crate::units::SampleRate;

/// Level of the simulated outside source at the open ear, dB SPL.
const OUTSIDE_DB_SPL: f64 = 80.0;

/// Rates it offers, Hz.
const RATES: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];

/// Finds and opens the simulated bench.
#[derive(Clone, Debug)]
pub struct SimulatedBackend {
    bench: BenchSpec,
    card: SimulatedCardSpec,
    pace: Pace,
}

impl SimulatedBackend {
    /// A desk, a card, and how fast time passes.
    pub fn new(bench: BenchSpec, card: SimulatedCardSpec, pace: Pace) -> SimulatedBackend {
        SimulatedBackend { bench, card, pace }
    }
}

impl SimulatedBackend {
    /// The same cards with these devices; `None` where neither is one of the named ones.
    fn devices(&self, output: &str, headphone: &str) -> Option<SimulatedBackend> {
        let (output, headphone) = match (known_name(output, OUTPUTS), known_name(headphone, HEADPHONES)) {
            (None, None) => return None,
            (output, headphone) => (output.unwrap_or(OUTPUTS[0]), headphone.unwrap_or(HEADPHONES[0])),
        };
        let named = BenchSpec::named(output, headphone)?;
        // Already on the desk: as it stands there, with the headphone as it sits.
        let is_there = named.name == self.bench.name;
        let bench = if is_there { self.bench.clone() } else { BenchSpec { seed: self.bench.seed, ..named } };
        Some(SimulatedBackend { bench, ..self.clone() })
    }
}

impl Backend for SimulatedBackend {
    fn name(&self) -> &str {
        "simulated"
    }

    fn owns(&self, id: &CardId) -> bool {
        id.0.starts_with("simulated:")
    }

    fn list(&self) -> Result<Vec<CardDescription>, AudioError> {
        let describe = |direction, channels| CardDescription {
            id: CardId::simulated(),
            host: "simulated".into(),
            name: "simulated bench (no hardware)".into(),
            direction,
            channels,
            rates: RATES.iter().filter_map(|hz| SampleRate::new(*hz).ok()).collect(),
            may_resample: None,
            simulates: Some(SimulatedDevices {
                outputs: OUTPUTS.map(String::from).into(),
                headphones: HEADPHONES.map(String::from).into(),
            }),
        };
        Ok(vec![
            describe(Direction::Playback, PLAYBACK_CHANNELS),
            describe(Direction::Capture, CAPTURE_CHANNELS as u16),
        ])
    }

    fn open(&self, routing: &Routing, callbacks: Callbacks) -> Result<Box<dyn OpenCards>, AudioError> {
        let cards = self.list()?;
        let sides = [
            (&routing.playback, Direction::Playback, routing.playback_rate, routing.playback_channels.clone()),
            (
                &routing.capture,
                Direction::Capture,
                routing.capture_rate,
                routing.capture_channels.iter().map(|c| c.channel).collect(),
            ),
        ];
        for (id, direction, rate, channels) in sides {
            let card = find(&cards, id, direction)?;
            if let Some(channel) = channels.into_iter().find(|c| *c >= card.channels) {
                return Err(AudioError::NoSuchChannel {
                    card: id.clone(),
                    direction: direction.into(),
                    channel,
                    has: card.channels,
                });
            }
            if !card.rates.contains(&rate) {
                let offers = card.rates.iter().map(SampleRate::to_string).collect();
                return Err(AudioError::RateNotOffered {
                    card: id.clone(),
                    direction: direction.into(),
                    asked: rate,
                    offers,
                });
            }
        }
        Ok(Box::new(SimulatedCards::new(&self.bench, &self.card, self.pace, routing, callbacks)))
    }

    fn with_devices(&self, output: &str, headphone: &str) -> Option<Box<dyn Backend>> {
        Some(Box::new(self.devices(output, headphone)?))
    }

    fn with_seat(&self, seat: u32) -> Option<Box<dyn Backend>> {
        Some(Box::new(SimulatedBackend { bench: self.bench.clone().seated(seat), ..self.clone() }))
    }

    fn with_outside_source(&self, covered: bool) -> Option<Box<dyn Backend>> {
        let mut sounding = self.clone();
        sounding.bench.coupler.source = SoundSource::Outside { level_db_spl: OUTSIDE_DB_SPL, covered };
        Some(Box::new(sounding))
    }

    fn with_player(&self, frames: &dyn Fn() -> Vec<[f32; 2]>) -> Option<Box<dyn Backend>> {
        let card = SimulatedCardSpec { player: Some(frames().into()), ..self.card.clone() };
        Some(Box::new(SimulatedBackend { card, ..self.clone() }))
    }

    fn with_calibrator(&self, level_db_spl: f64, frequency_hz: f64) -> Option<Box<dyn Backend>> {
        let mut fitted = self.clone();
        fitted.bench.coupler.source = SoundSource::SoundCalibrator { level_db_spl, frequency_hz };
        Some(Box::new(fitted))
    }

    fn with_hookup(&self, hookup: &Hookup) -> Option<Box<dyn Backend>> {
        let mut plugged = self.clone();
        plugged.bench.hookup.load = match hookup.load {
            PluggedLoad::Open => PluggedIn::Nothing,
            PluggedLoad::Headphone => PluggedIn::Headphone,
            PluggedLoad::Resistor(ohm) => PluggedIn::Resistor { ohm },
        };
        plugged.bench.hookup.series_ohm = hookup.series_ohm.unwrap_or(0.0);
        Some(Box::new(plugged))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A chain that names what is on the desk finds it as it stands there; other names put something else in its place.
    #[test]
    fn devices_on_the_desk_stay_as_they_are_when_they_are_named() {
        let named = BenchSpec::named(OUTPUTS[2], HEADPHONES[0]).unwrap();
        let worn = BenchSpec { seed: 7, ..named.clone() }.seated(2);
        assert_ne!(worn.headphone, named.headphone);
        let desk = SimulatedBackend::new(worn.clone(), SimulatedCardSpec::default(), Pace::AsFastAsPossible);
        let found = |output, headphone| desk.devices(output, headphone).unwrap().bench;
        assert_eq!(found(OUTPUTS[2], HEADPHONES[0]), worn);
        let other = BenchSpec { seed: 7, ..BenchSpec::named(OUTPUTS[2], HEADPHONES[1]).unwrap() };
        assert_eq!(found(OUTPUTS[2], HEADPHONES[1]), other);
        assert!(desk.devices("unknown", "likewise").is_none());
    }
}
