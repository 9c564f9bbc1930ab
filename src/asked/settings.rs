//! What a person says once: `settings.toml`. Its keys are the words of the command line's options.
//!
//! ```text
//!   settings.toml ──► Settings ──► under(plan) ──► what was typed lies over it ──► plan::checked
//! ```
//!
//! A plan says what of it came from here, so that a stored session depends on no file.

use super::choice::{self, Choice};
use super::plan::{listening, needs_again};
use super::{Field, shown};
use crate::calibration::SoundField;
use crate::session::plan::{HeadroomRule, Plan, Weighting};
use crate::units::{DbSpl, Dbfs};
use toml::Value;

/// Light or dark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Theme {
    /// As the system has it.
    System,
    /// Dark.
    Dark,
    /// Light.
    Light,
}

/// What a person says once. Nothing here is measured.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settings {
    /// Listening level, dB SPL.
    listening: Option<f64>,
    weighting: Option<Weighting>,
    field: Option<SoundField>,
    /// The rule, dB.
    ample: Option<f64>,
    borderline: Option<f64>,
    wanted: Option<f64>,
    /// dB SPL.
    ceiling: Option<f64>,
    /// dBFS.
    ceiling_drive: Option<f64>,
    /// V.
    ceiling_volts: Option<f64>,
    /// mW.
    ceiling_milliwatts: Option<f64>,
    /// A ceiling above its default a second time.
    pub confirm_ceiling: Option<f64>,
    /// How the window looks.
    pub theme: Option<Theme>,
}

/// Where a number is kept.
type Place = fn(&mut Settings) -> &mut Option<f64>;

/// The numbers: key, field, place.
const NUMBERS: [(&str, Field, Place); 9] = [
    ("listening", Field::Listening, |s| &mut s.listening),
    ("ample", Field::Ample, |s| &mut s.ample),
    ("borderline", Field::Borderline, |s| &mut s.borderline),
    ("wanted", Field::Wanted, |s| &mut s.wanted),
    ("ceiling", Field::CeilingSpl, |s| &mut s.ceiling),
    ("ceiling-drive", Field::CeilingDrive, |s| &mut s.ceiling_drive),
    ("ceiling-volts", Field::CeilingVolts, |s| &mut s.ceiling_volts),
    ("ceiling-milliwatts", Field::CeilingMilliwatts, |s| &mut s.ceiling_milliwatts),
    ("confirm-ceiling", Field::CeilingAgain, |s| &mut s.confirm_ceiling),
];
/// The words.
const WORDS: [&str; 3] = ["weighting", "field", "theme"];

/// Most letters that a misspelt key may be off by.
const OFF: usize = 3;

impl Settings {
    /// Of the text of a file.
    ///
    /// # Errors
    /// The key at fault and what is wrong with it, as a sentence.
    pub fn read(text: &str) -> Result<Settings, String> {
        let table: toml::Table = toml::from_str(text).map_err(|error| error.to_string().trim_end().to_string())?;
        let mut settings = Settings::default();
        for (key, value) in &table {
            settings.take(key, value)?;
        }
        settings.checked()
    }

    fn take(&mut self, key: &str, value: &Value) -> Result<(), String> {
        if let Some((_, field, place)) = NUMBERS.iter().find(|(word, ..)| *word == key) {
            let typed = match value {
                Value::Integer(number) => number.to_string(),
                Value::Float(number) => shown(*number),
                Value::String(text) => text.clone(),
                _ => return Err(format!("`{key}` is not a number.")),
            };
            let read = field.read(&typed).map_err(|wrong| format!("`{key}`: {wrong}"))?;
            *place(self) = Some(read);
            return Ok(());
        }
        match key {
            "weighting" => self.weighting = Some(chosen(key, value, choice::WEIGHTING)?),
            "field" => self.field = Some(chosen(key, value, choice::SOUND_FIELD)?),
            "theme" => self.theme = Some(chosen(key, value, choice::THEME)?),
            _ => return Err(unknown(key)),
        }
        Ok(())
    }

    /// What does not go together.
    fn checked(self) -> Result<Settings, String> {
        let alone = [("weighting", self.weighting.is_some()), ("field", self.field.is_some())];
        if let Some((key, _)) = alone.iter().find(|(_, is)| *is && self.listening.is_none()) {
            return Err(format!("`{key}` belongs to `listening`, which is missing."));
        }
        let HeadroomRule { ample_db: ample, borderline_db: borderline } = self.rule();
        if ample <= borderline {
            return Err(format!(
                "`ample` ({} dB) must be larger than `borderline` ({} dB).",
                shown(ample),
                shown(borderline)
            ));
        }
        match self.ceiling.filter(|ceiling| needs_again(Field::CeilingSpl, *ceiling)) {
            Some(ceiling) if self.confirm_ceiling != Some(ceiling) => Err(format!(
                "`ceiling` is {} dB SPL, above the default: such levels destroy hearing and can destroy the headphone. To allow it, write the same number again as `confirm-ceiling`.",
                shown(ceiling)
            )),
            _ => Ok(self),
        }
    }

    /// A plan with what is set here, which says so.
    pub fn under(&self, plan: Plan) -> Plan {
        let mut under = self.listens(plan);
        set(&mut under.ceilings.spl, self.ceiling.map(DbSpl));
        under.ceilings.drive = self.ceiling_drive.map(Dbfs).or(under.ceilings.drive);
        under.ceilings.volts = self.ceiling_volts.or(under.ceilings.volts);
        under.ceilings.milliwatts = self.ceiling_milliwatts.or(under.ceilings.milliwatts);
        self.say(&mut under, |key| key.starts_with("ceiling"));
        under
    }

    /// A plan whose listener and rule are those that are set here; its ceilings stay.
    pub fn listens(&self, plan: Plan) -> Plan {
        let mut under = plan;
        let level = listening(self.listening, self.weighting.unwrap_or_default(), self.field);
        under.listening = level.or(under.listening);
        set(&mut under.rule.ample_db, self.ample);
        set(&mut under.rule.borderline_db, self.borderline);
        set(&mut under.wanted_headroom_db, self.wanted);
        self.say(&mut under, |key| !key.starts_with("ceiling"));
        under
    }

    /// When headroom is called what.
    pub fn rule(&self) -> HeadroomRule {
        let usual = HeadroomRule::default();
        HeadroomRule {
            ample_db: self.ample.unwrap_or(usual.ample_db),
            borderline_db: self.borderline.unwrap_or(usual.borderline_db),
        }
    }

    /// The plan says which of these keys were set.
    fn say(&self, plan: &mut Plan, these: fn(&str) -> bool) {
        let mut of = self.clone();
        let mut is_set = |key: &str| NUMBERS.iter().any(|(word, _, place)| *word == key && place(&mut of).is_some());
        let lines = said(plan, |key| these(key) && is_set(key));
        plan.from_settings.extend(lines);
    }
}

/// Leaves out what was typed over what the settings say.
pub fn still_from_settings(plan: &mut Plan) {
    let now = said(plan, |_| true);
    plan.from_settings.retain(|line| now.contains(line));
}

/// The values of a plan that settings can give, in words: `ceiling 110 dB SPL`.
fn said(plan: &Plan, mut wanted: impl FnMut(&str) -> bool) -> Vec<String> {
    let number = |field: Field, value: f64| Some(format!("{} {}", field.row().name, field.row().unit.after(value)));
    let of = |key: &str, field: Field| match key {
        "listening" => plan.listening.map(|level| format!("{} {level}", field.row().name)),
        "ample" => number(field, plan.rule.ample_db),
        "borderline" => number(field, plan.rule.borderline_db),
        "wanted" => number(field, plan.wanted_headroom_db),
        "ceiling" => number(field, plan.ceilings.spl.db()),
        "ceiling-drive" => number(field, plan.ceilings.drive?.db()),
        "ceiling-volts" => number(field, plan.ceilings.volts?),
        "ceiling-milliwatts" => number(field, plan.ceilings.milliwatts?),
        _ => None,
    };
    NUMBERS.iter().filter(|(key, ..)| wanted(key)).filter_map(|(key, field, _)| of(key, *field)).collect()
}

fn set<T>(place: &mut T, value: Option<T>) {
    if let Some(value) = value {
        *place = value;
    }
}

/// The value of a word, in any letter case.
fn chosen<T: Copy>(key: &str, value: &Value, all: &[Choice<T>]) -> Result<T, String> {
    let found = all.iter().find(|choice| value.as_str().is_some_and(|typed| typed.eq_ignore_ascii_case(choice.word)));
    let words: Vec<String> = all.iter().map(|choice| format!("\"{}\"", choice.word)).collect();
    found.map(|choice| choice.value).ok_or_else(|| format!("`{key}` is one of {}.", words.join(", ")))
}

/// A key that is not one, with the one that was meant.
fn unknown(key: &str) -> String {
    let known = || NUMBERS.iter().map(|(word, ..)| *word).chain(WORDS);
    let near = known().map(|word| (distance(key, word), word)).min().filter(|(off, _)| *off <= OFF);
    let meant = match near {
        Some((_, word)) => format!("did you mean `{word}`?"),
        None => format!("the keys are {}.", known().collect::<Vec<_>>().join(", ")),
    };
    format!("Nothing in the settings is called `{key}`: {meant}")
}

/// Letters to put in, take out or replace from one word to the other (Levenshtein 1966).
fn distance(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut above: Vec<usize> = (0..=to.len()).collect();
    for (i, a) in from.chars().enumerate() {
        let mut row = vec![i + 1];
        for (j, b) in to.iter().enumerate() {
            let replaced = above[j] + usize::from(a.to_lowercase().ne(b.to_lowercase()));
            row.push(replaced.min(above[j + 1] + 1).min(row[j] + 1));
        }
        above = row;
    }
    above.last().copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::asked::plan::checked;
    use crate::units::SampleRate;

    const RATE: SampleRate = SampleRate::DEFAULT;

    fn refused(text: &str) -> String {
        Settings::read(text).unwrap_err()
    }

    #[test]
    fn what_is_set_lies_under_a_plan_and_the_plan_says_so() {
        let text = "listening = 68.5\nweighting = \"A\"\nfield = \"diffuse\"\nample = 22\nwanted = 25\nceiling = 105\nceiling-volts = 0.5\ntheme = \"dark\"\n";
        let settings = Settings::read(text).unwrap();
        assert_eq!(settings.theme, Some(Theme::Dark));
        let plan = settings.under(Plan::quick_look(RATE));
        assert_eq!(plan.listening.unwrap().to_string(), "68.5 dB A, diffuse-field related");
        assert_eq!((plan.rule.ample_db, plan.rule.borderline_db, plan.wanted_headroom_db), (22.0, 15.0, 25.0));
        assert_eq!((plan.ceilings.spl.db(), plan.ceilings.volts, plan.ceilings.drive), (105.0, Some(0.5), None));
        let said = [
            "listening level 68.5 dB A, diffuse-field related",
            "headroom that counts as ample 22 dB",
            "wanted headroom 25 dB",
            "ceiling 105 dB SPL",
            "ceiling in volts 0.5 V",
        ];
        assert_eq!(plan.from_settings, said);
        assert_eq!(Settings::read("").unwrap().under(Plan::session(RATE)), Plan::session(RATE), "nothing set");
    }

    #[test]
    fn what_is_typed_lies_over_it_and_is_not_said_to_come_from_it() {
        let settings = Settings::read("wanted = 25\nceiling = 105").unwrap();
        let mut plan = settings.under(Plan::session(RATE));
        plan.ceilings.spl = DbSpl(100.0);
        let plan = checked(plan, RATE, true, None).unwrap();
        assert_eq!(plan.from_settings, ["wanted headroom 25 dB"]);
    }

    #[test]
    fn a_key_that_is_not_one_is_refused_with_the_one_that_was_meant() {
        assert_eq!(refused("ceilling = 110"), "Nothing in the settings is called `ceilling`: did you mean `ceiling`?");
        assert!(refused("ceiling_volts = 1").contains("did you mean `ceiling-volts`?"));
        assert!(refused("Theme = \"dark\"").contains("did you mean `theme`?"));
        assert!(refused("calibrator = 94").contains("the keys are listening, ample, "));
        assert!(refused("[ceiling]\nspl = 3").contains("`ceiling` is not a number"));
    }

    #[test]
    fn what_cannot_be_is_named_with_its_key() {
        let listening = refused("listening = 400");
        assert!(listening.starts_with("`listening`: The listening level is 400 dB SPL; it must lie"), "{listening}");
        assert!(refused("theme = \"blue\"").contains("`theme` is one of \"system\", \"dark\", \"light\""));
        assert!(refused("weighting = \"a\"").contains("belongs to `listening`"));
        assert!(refused("ample = 12").contains("must be larger than `borderline` (15 dB)"));
        assert!(refused("ceiling = \"high\"").contains("is not a number"));
        assert!(refused("ceiling = ").contains("line 1"));
        assert!(refused("ceiling = nan").starts_with("`ceiling`"));
    }

    /// As on the command line: the number a second time, and it must be the same.
    #[test]
    fn a_ceiling_above_the_default_is_written_twice() {
        assert!(refused("ceiling = 118").contains("`confirm-ceiling`"));
        assert!(refused("ceiling = 118\nconfirm-ceiling = 117").contains("`confirm-ceiling`"));
        let settings = Settings::read("ceiling = 118\nconfirm-ceiling = 118").unwrap();
        let plan = settings.under(Plan::session(RATE));
        assert!(checked(plan.clone(), RATE, true, None).is_err(), "the front end passes it on");
        assert!(checked(plan, RATE, true, settings.confirm_ceiling).is_ok());
        // A drive is only too loud where no level is known.
        let drive = Settings::read("ceiling-drive = -12").unwrap().under(Plan::session(RATE));
        assert!(checked(drive.clone(), RATE, true, None).is_ok() && checked(drive, RATE, false, None).is_err());
    }

    #[test]
    fn letters_are_counted() {
        for (from, to, off) in
            [("ceiling", "ceiling", 0), ("ceilling", "ceiling", 1), ("", "abc", 3), ("Theme", "theme", 0)]
        {
            assert_eq!(distance(from, to), off, "{from} {to}");
        }
    }
}
