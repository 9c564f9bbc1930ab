//! What does the bench wait for, when nothing has been heard of it for a while? A front end hands over each event and asks
//! from time to time; both take the same words from here.

use super::protocol::Event;
use std::time::{Duration, Instant};

/// Nothing is silent for longer than this without saying what it waits for.
const PATIENCE: Duration = Duration::from_secs(5);
/// So near its end a take counts as recorded, seconds.
const NEARLY_S: f64 = 0.3;

/// Follows the events of one command.
pub struct Waiting {
    since: Instant,
    for_what: &'static str,
    done_s: f64,
}

impl Waiting {
    /// The command was sent at `now`.
    pub fn new(now: Instant) -> Waiting {
        Waiting { since: now, for_what: CARDS, done_s: 0.0 }
    }

    /// Takes in an event. A take that goes on is news; one that stands still is not.
    pub fn hear(&mut self, event: &Event, now: Instant) {
        match event {
            Event::Playing { done_s, total_s } => {
                self.for_what = if *done_s > total_s - NEARLY_S { RESULT } else { CARD };
                let goes_on = *done_s > self.done_s;
                self.done_s = *done_s;
                if !goes_on {
                    return;
                }
            }
            Event::StepBegan { .. } | Event::Repeated { .. } => (self.for_what, self.done_s) = (CARD, 0.0),
            _ => self.for_what = RESULT,
        }
        self.since = now;
    }

    /// What is waited for, once five seconds have passed since the last news.
    pub fn words(&self, now: Instant) -> Option<String> {
        let waited = now.duration_since(self.since);
        (waited >= PATIENCE).then(|| format!("waiting for {}, {} s so far", self.for_what, waited.as_secs()))
    }
}

const CARDS: &str = "the sound cards to open";
const CARD: &str = "the sound card to play and record (is the machine or the sound server overloaded?)";
const RESULT: &str = "the take to be analysed and stored (is the machine or the disk overloaded?)";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_take_that_stands_still_is_named_after_five_seconds_and_one_that_goes_on_never() {
        let began = Instant::now();
        let at = |s: f64| began + Duration::from_secs_f64(s);
        let playing = |done_s: f64| Event::Playing { done_s, total_s: 20.0 };
        let mut waiting = Waiting::new(began);
        assert_eq!(waiting.words(at(4.9)), None);
        assert!(waiting.words(at(5.1)).unwrap().contains("cards to open"));
        assert!(waiting.words(at(35.2)).unwrap().contains("35 s"));
        waiting.hear(&playing(0.01), at(39.9));
        for tenth in 1..190 {
            waiting.hear(&playing(f64::from(tenth) / 10.0), at(40.0 + f64::from(tenth) / 10.0));
            assert_eq!(waiting.words(at(40.0 + f64::from(tenth) / 10.0)), None, "{tenth}");
        }
        for tenth in 0..80 {
            waiting.hear(&playing(18.9), at(59.0 + f64::from(tenth) / 10.0));
        }
        assert!(waiting.words(at(67.0)).unwrap().contains("sound card to play"));
        waiting.hear(&playing(20.0), at(68.0));
        assert!(waiting.words(at(74.0)).unwrap().contains("analysed"));
        // Nothing has been recorded yet, though the bench answers all the time.
        waiting.hear(&Event::Repeated { reason: crate::take::VoidReason::Stopped }, at(80.0));
        for tenth in 0..60 {
            waiting.hear(&playing(0.0), at(80.0 + f64::from(tenth) / 10.0));
        }
        assert!(waiting.words(at(86.0)).unwrap().contains("sound card to play"));
    }
}
