//! The user guide: the Markdown of `assets/guide`, carried in the program.

/// One page of the guide.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Topic {
    /// Its name, as it is asked for.
    pub name: &'static str,
    /// Its text, plain Markdown; the first line is the title.
    pub text: &'static str,
}

/// A line per page: the name of the file is that of the topic.
macro_rules! topics {
    ($($name:literal)*) => {
        &[$(Topic { name: $name, text: include_str!(concat!("../../assets/guide/", $name, ".md")) }),*]
    };
}

/// Every page, in reading order.
pub const TOPICS: &[Topic] = topics! {
    "desk"
    "calibration"
    "volts"
    "music"
    "comparison"
    "stock"
    "notebook"
    "series"
    "elsewhere"
    "numbers"
    "trouble"
    "sound-systems"
    "settings"
    "scripts"
    "format"
};

impl Topic {
    /// Its title.
    pub fn title(&self) -> &'static str {
        self.text.lines().next().unwrap_or(self.name).trim_start_matches("# ")
    }
}

/// The page of this name; the letter case does not matter.
pub fn topic(name: &str) -> Option<&'static Topic> {
    TOPICS.iter().find(|topic| topic.name.eq_ignore_ascii_case(name))
}
