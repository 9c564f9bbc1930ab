//! A series: the output stays, headphones are swapped. After each swap a few seconds of quiet noise tell whether the sound still
//! comes that way, both ears hear it alike, the headphone sits tight, it is the one that was named, and the volume is where it was.
//!
//! ```text
//!  silent: swap now ─► name ─► check (under 5 s of sound) ─► climb ─► further seats, one quiet take each ─► silent: swap now …
//! ```
//!
//! What is heard is held against stored responses of the stock: level in each one-third octave less the drive.

use super::chain::Chain;
use super::climb::{OVER_NOISE_DB, over_noise_db};
use super::plan::{DELAY_UNKNOWN_S, Plan, SETTLE_S};
use super::protocol::SessionRequest;
use super::record::{InputResult, Record};
use super::seats::LEAK_DB;
use crate::analysis::{About, Flaw};
use crate::card::InputRole;
use crate::stats::mean_of;
use crate::units::{Dbfs, db_from_power, power_from_db, tidy_signed};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::path::Path;

/// One-third octaves by which headphones are told apart, by number: 125 Hz to 6.3 kHz. Below, the fit decides; above, the seat.
const SHAPE: RangeInclusive<i32> = -9..=8;
/// The same where it leaks: a leak bends what lies below 400 Hz.
const SHAPE_OF_A_LEAK: RangeInclusive<i32> = -4..=8;
/// One-third octaves of 20 Hz to 100 Hz.
const LOW: RangeInclusive<i32> = -17..=-10;
/// As many of them tell whether it leaks.
const LEAST_LOW_BANDS: usize = 2;
/// Responses of one headphone on two seats differ by less than this, dB RMS over [`SHAPE`] (common practice, no source).
const ALIKE_DB: f64 = 1.2;
/// Of another output, whose source impedance bends the response, by less than this.
const ALIKE_ELSEWHERE_DB: f64 = 2.5;
/// Another headphone is named where its stored response is nearer than that of the one that was named by this much, dB.
const NEARER_DB: f64 = 0.3;
/// … or, where none is stored of the one that was named, where it is as near as this: two seats of one headphone.
const SURELY_DB: f64 = 0.4;
/// Ears are not alike where their difference is another than the stored one by more than this, dB.
const EARS_DB: f64 = 3.0;
/// … or, where none is stored, where they differ by more than this.
const EARS_UNKNOWN_DB: f64 = 6.0;
/// A volume that an electrical input saw moved by this much has moved, dB: takes of one position agree to hundredths.
pub const VOLUME_DB: f64 = 0.2;
/// By ear alone the seat hides a smaller move, dB (the stock's interval of the fit, twice).
pub const VOLUME_BY_EAR_DB: f64 = 3.0;
/// Level of the check at the ear, where the stock tells how loud the headphone is, dB SPL.
const CHECK_DB_SPL: f64 = 72.0;
/// The same without calibration, dBFS at the input.
const CHECK_DBFS: f64 = -45.0;
/// Where nothing is known of the headphone the check stays so far under the drive of the last quiet reference, dB …
const UNKNOWN_BELOW_DB: f64 = 10.0;
/// … and where there was none it is this quiet.
const UNKNOWN_DRIVE: Dbfs = Dbfs(-55.0);

/// One ear's response: one-third octave by number, and its level less the drive, dB.
pub type Response = Vec<(i32, f64)>;

/// What is stored of a headphone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stored {
    /// Its name.
    pub headphone: String,
    /// Measured on the output that the series runs on, at the same volume.
    pub same_output: bool,
    /// Per ear; dB SPL (dBFS at the input without calibration) for a drive of 0 dBFS RMS, mean of its seats.
    pub ears: BTreeMap<InputRole, Response>,
    /// Level at the electrical witness less the drive, dB, where there was one.
    pub witness_db: Option<f64>,
}

/// What one input heard.
#[derive(Clone, Debug, PartialEq)]
pub struct Ear {
    /// Which.
    pub role: InputRole,
    /// How far the noise stands over the noise of the room, dB.
    pub over_noise_db: f64,
    /// As [`Stored::ears`].
    pub response: Response,
    /// Level less the drive, dB; likewise.
    pub level_db: Option<f64>,
}

/// What was heard after a swap.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Heard {
    /// Per recorded ear.
    pub ears: Vec<Ear>,
    /// Level at the electrical witness less the drive, dB.
    pub witness_db: Option<f64>,
}

impl Heard {
    /// From what each input says of pink noise at this drive.
    pub fn of(chain: &Chain, drive: Dbfs, inputs: &[InputResult]) -> Heard {
        let ear = |(input, role): (usize, InputRole)| {
            let pink = inputs.get(input)?.pink()?;
            let raised = chain.acoustic(role).map_or(0.0, |a| a.offset.value) - drive.db();
            Some(Ear {
                role,
                over_noise_db: over_noise_db(pink),
                response: pink.bands.iter().filter_map(|b| Some((b.x, b.level?.value + raised))).collect(),
                level_db: pink.level_z.map(|level| level.value + raised),
            })
        };
        let witness = inputs.iter().find(|i| i.role == InputRole::Witness).and_then(|i| i.pink()?.level_z);
        Heard {
            ears: chain.ears().filter_map(ear).collect(),
            witness_db: witness.map(|level| level.value - drive.db()),
        }
    }
}

/// What is said of a swap.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SwapChecked {
    /// The headphone that was named.
    pub headphone: String,
    /// The stored headphone that it is most like, and how far from it, dB RMS over 125 Hz to 6.3 kHz; `None` where none is
    /// stored or nothing was heard.
    pub most_like: Option<(String, f64)>,
    /// How far the volume has moved since the stored session of the same pairing, dB, and whether an electrical input saw it;
    /// `None` where nothing tells.
    pub volume: Option<(f64, bool)>,
    /// What is wrong; empty where nothing is.
    pub flaws: Vec<Flaw>,
    /// What could not be looked at, in words.
    pub not_determined: Vec<String>,
}

impl SwapChecked {
    /// Nothing speaks against beginning.
    pub fn is_clean(&self) -> bool {
        self.flaws.is_empty()
    }

    /// In sentences: what is wrong, or that nothing is, then what could not be looked at.
    pub fn words(&self) -> Vec<String> {
        let mut words: Vec<String> = self.flaws.iter().map(|flaw| flaw.text.clone()).collect();
        if self.is_clean() {
            words.push(match &self.most_like {
                Some((name, _)) if *name == self.headphone => format!("Heard at every ear. It looks like {name}."),
                _ => "Heard at every ear.".into(),
            });
            if let Some((db, by_witness)) = self.volume {
                let by = if by_witness { "at the electrical witness" } else { "by ear, the seat included" };
                words.push(format!(
                    "The volume is where it was: {} dB {by}.",
                    tidy_signed(db, if by_witness { 2 } else { 1 })
                ));
            }
        }
        if !self.not_determined.is_empty() {
            words.push(format!("Not determined: {}.", self.not_determined.join("; ")));
        }
        words
    }
}

/// The drive of the check: quiet at the ear where the stock tells how loud this headphone is on this output, else under the last
/// quiet reference of the series.
pub fn check_drive(chain: &Chain, headphone: &str, stored: &[Stored], last_reference: Option<Dbfs>) -> Dbfs {
    let own = stored.iter().find(|s| s.headphone == headphone.trim() && s.same_output);
    let total = |response: &Response| db_from_power(response.iter().map(|(_, db)| power_from_db(*db)).sum());
    let loudest = own.and_then(|s| s.ears.values().filter_map(total).reduce(f64::max));
    let wanted = if chain.is_calibrated() { CHECK_DB_SPL } else { CHECK_DBFS };
    match (loudest, last_reference) {
        (Some(per_drive), _) => Dbfs(wanted - per_drive),
        (None, Some(last)) => Dbfs(last.db() - UNKNOWN_BELOW_DB),
        (None, None) => UNKNOWN_DRIVE,
    }
}

/// The session of one headphone of a series: output, plan and listener are those of all. What was known of another headphone's
/// impedance is left out.
pub fn request_of(headphone: &str, plan: &Plan, chain: &Chain, sessions: &Path) -> SessionRequest {
    let mut chain = Chain { headphone: headphone.trim().into(), ..chain.clone() };
    chain.drop_changed_electrical();
    SessionRequest { plan: plan.clone(), chain, sessions: sessions.into(), id: None }
}

/// What was typed as the next headphone: a name, or the number of one that is known, counted from 1; `None` for nothing.
pub fn named(typed: &str, known: &[String]) -> Option<String> {
    let typed = typed.trim();
    let by_number = typed.parse::<usize>().ok().and_then(|n| known.get(n.checked_sub(1)?).cloned());
    by_number.or_else(|| (!typed.is_empty()).then(|| typed.to_string()))
}

/// True where the plan of a finished session asks for another seat.
pub fn seat_is_due(record: &Record) -> bool {
    record.judgeable() && !record.can_go_on() && record.seat() < record.head.plan.seats
}

/// What was heard, held against what is stored.
pub fn check(headphone: &str, heard: &Heard, stored: &[Stored]) -> SwapChecked {
    let headphone = headphone.trim();
    let mut checked = SwapChecked {
        headphone: headphone.into(),
        most_like: None,
        volume: None,
        flaws: Vec::new(),
        not_determined: Vec::new(),
    };
    let alive = |ear: &&Ear| ear.over_noise_db >= OVER_NOISE_DB;
    let dead: Vec<&Ear> = heard.ears.iter().filter(|ear| !alive(ear)).collect();
    if dead.len() == heard.ears.len() {
        checked.flaws.push(Flaw::doubt(
            "swap-not-heard",
            "Nothing is heard at the ear. Look whether the plug is in, whether the system has moved the sound to other loudspeakers, and whether the volume is turned down.",
        ));
        return checked;
    }
    for ear in dead {
        let text = format!(
            "The {} hears nothing while the other ear does: a plug that is not all the way in, a broken cable, or a muted channel.",
            ear.role.in_words()
        );
        checked.flaws.push(Flaw::doubt("swap-ear-dead", text).about(About::Input(ear.role)));
    }
    let ears: Vec<&Ear> = heard.ears.iter().filter(alive).collect();
    let own = stored.iter().find(|s| s.headphone == headphone);
    likeness(&mut checked, &ears, own, stored);
    alike(&mut checked, &ears, own);
    // What is held against the wrong headphone says nothing.
    if checked.flaws.iter().all(|flaw| flaw.code != "swap-other-headphone") {
        seal(&mut checked, &ears, own);
        volume(&mut checked, heard, &ears, own);
    }
    checked
}

/// Mean level and what is left of the shape, dB RMS, of what is heard less what is stored; over both ears.
fn against(ears: &[&Ear], stored: &Stored, over: &RangeInclusive<i32>) -> Option<(f64, f64)> {
    let (mut levels, mut squares, mut count) = (Vec::new(), 0.0, 0usize);
    for ear in ears {
        let Some(response) = stored.ears.get(&ear.role) else { continue };
        let off: Vec<f64> = over.clone().filter_map(|x| Some(at(&ear.response, x)? - at(response, x)?)).collect();
        if off.len() < over.clone().count() / 2 {
            continue;
        }
        let mean = off.iter().sum::<f64>() / off.len() as f64;
        levels.push(mean);
        squares += off.iter().map(|d| (d - mean).powi(2)).sum::<f64>();
        count += off.len();
    }
    let level = mean_of(&levels).map(|m| m.value).or(levels.first().copied())?;
    Some((level, (squares / count as f64).sqrt()))
}

fn at(response: &Response, x: i32) -> Option<f64> {
    response.iter().find(|(band, _)| *band == x).map(|(_, db)| *db)
}

fn likeness(checked: &mut SwapChecked, ears: &[&Ear], own: Option<&Stored>, stored: &[Stored]) {
    let leaks = own.is_some_and(|own| ears.iter().any(|ear| leak_db(ear, own).is_some_and(|db| db > LEAK_DB)));
    let over = if leaks { SHAPE_OF_A_LEAK } else { SHAPE };
    let mut all: Vec<(&Stored, f64)> = stored.iter().filter_map(|s| Some((s, against(ears, s, &over)?.1))).collect();
    all.sort_by(|a, b| a.1.total_cmp(&b.1));
    checked.most_like = all.first().map(|(s, off)| (s.headphone.clone(), *off));
    let named = own.and_then(|own| Some((own, against(ears, own, &over)?.1)));
    let within = |s: &Stored| if s.same_output { ALIKE_DB } else { ALIKE_ELSEWHERE_DB };
    let other = all.iter().find(|(s, off)| s.headphone != checked.headphone && *off <= within(s));
    let name = &checked.headphone;
    match (named, other) {
        (Some((_, off)), Some((other, nearer))) if off - nearer > NEARER_DB => {
            checked.flaws.push(Flaw::doubt(
                "swap-other-headphone",
                format!(
                    "This looks like {}, not {name}: {nearer:.1} dB from the stored response of the first, {off:.1} dB from that of the second.",
                    other.headphone
                ),
            ));
        }
        (Some((own, off)), _) if off > within(own) => checked.flaws.push(Flaw::doubt(
            "swap-unlike",
            format!(
                "This does not look like {name} as stored: {off:.1} dB from its response between 125 Hz and 6.3 kHz. Another headphone, other pads, or a bad seat."
            ),
        )),
        (Some(_), _) => {}
        (None, Some((other, off))) if *off < SURELY_DB => checked.flaws.push(Flaw::doubt(
            "swap-other-headphone",
            format!("This looks like {} ({off:.1} dB from its stored response); of {name} none is stored.", other.headphone),
        )),
        (None, _) => {
            let text = format!("whether it is {name}, because no response of it is stored");
            checked.not_determined.push(text);
        }
    }
}

fn alike(checked: &mut SwapChecked, ears: &[&Ear], own: Option<&Stored>) {
    let [left, right] = [InputRole::LeftEar, InputRole::RightEar].map(|role| ears.iter().find(|ear| ear.role == role));
    let (Some(left), Some(right)) = (left, right) else { return };
    let mid = |response: &Response| {
        let levels: Vec<f64> = SHAPE.filter_map(|x| at(response, x)).collect();
        (!levels.is_empty()).then(|| levels.iter().sum::<f64>() / levels.len() as f64)
    };
    let Some(now) = mid(&left.response).zip(mid(&right.response)).map(|(l, r)| l - r) else { return };
    let stored =
        own.and_then(|own| Some(mid(own.ears.get(&InputRole::LeftEar)?)? - mid(own.ears.get(&InputRole::RightEar)?)?));
    let (off, most, as_stored) = match stored {
        Some(stored) => (now - stored, EARS_DB, " off the stored balance"),
        None => (now, EARS_UNKNOWN_DB, ""),
    };
    if off.abs() > most {
        let text = format!(
            "The ears differ: left re right is {} dB{as_stored}. Check plug, cable and seat.",
            tidy_signed(off, 1)
        );
        checked.flaws.push(Flaw::doubt("swap-ears-differ", text));
    }
}

fn seal(checked: &mut SwapChecked, ears: &[&Ear], own: Option<&Stored>) {
    let Some(own) = own else {
        checked.not_determined.push("whether it seals".into());
        return;
    };
    for ear in ears {
        if !own.ears.contains_key(&ear.role) {
            continue;
        }
        match leak_db(ear, own) {
            Some(db) if db > LEAK_DB => {
                let text = format!(
                    "It leaks at the {}: its 20–100 Hz level is {db:.1} dB below the stored response. Press it on or refit it.",
                    ear.role.in_words()
                );
                checked.flaws.push(Flaw::doubt("swap-leak", text).about(About::Input(ear.role)));
            }
            Some(_) => {}
            None => checked.not_determined.push(format!("whether it seals at the {}", ear.role.in_words())),
        }
    }
}

/// How far the bass of an ear stands under the stored one, the level above 400 Hz taken out, dB.
fn leak_db(ear: &Ear, own: &Stored) -> Option<f64> {
    let stored = own.ears.get(&ear.role)?;
    let (level, _) = against(&[ear], own, &SHAPE_OF_A_LEAK)?;
    // What the room hides of it is left out on both sides.
    let stated: Vec<(f64, f64)> = LOW.filter_map(|x| Some((at(&ear.response, x)?, at(stored, x)?))).collect();
    let sum = |of: fn(&(f64, f64)) -> f64| db_from_power(stated.iter().map(|pair| power_from_db(of(pair))).sum());
    if stated.len() < LEAST_LOW_BANDS {
        return None;
    }
    Some(sum(|(_, stored)| *stored)? + level - sum(|(now, _)| *now)?)
}

fn volume(checked: &mut SwapChecked, heard: &Heard, ears: &[&Ear], own: Option<&Stored>) {
    let same = own.filter(|own| own.same_output);
    let by_witness = same.and_then(|own| Some((heard.witness_db? - own.witness_db?, true)));
    let by_ear = same.and_then(|own| Some((against(ears, own, &SHAPE_OF_A_LEAK)?.0, false)));
    checked.volume = by_witness.or(by_ear);
    match checked.volume {
        None => checked
            .not_determined
            .push("whether the volume is where it was, because this headphone was not heard on it yet".into()),
        Some((db, by_witness)) => {
            let most = if by_witness { VOLUME_DB } else { VOLUME_BY_EAR_DB };
            if db.abs() > most {
                let seat = if by_witness { "" } else { ", more than a seat of the headphone explains" };
                let text = format!(
                    "The volume is not where it was: {} dB against the stored session of this pairing{seat}. Turn it back, or begin the series anew.",
                    tidy_signed(db, 1)
                );
                checked.flaws.push(Flaw::doubt("swap-volume", text));
            }
        }
    }
}

/// Longest sound of one check by plan, seconds: while the delay of the route is not known the noise goes on for as long as it may take.
pub fn check_s(request: &SessionRequest) -> f64 {
    let rate = request.chain.routing.playback_rate;
    let period = request.plan.pink.period_frames(rate) as f64 / rate.hz();
    SETTLE_S + super::climb::LOOK_PERIODS as f64 * period + DELAY_UNKNOWN_S
}
