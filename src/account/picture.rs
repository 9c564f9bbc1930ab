//! A picture before it has a format: axes, zones, series and rules as data, and what it shows in words for those who do
//! not see it.

/// A picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// Name of its files without the ending: plain ASCII, ours.
    pub name: String,
    /// What it shows.
    pub title: String,
    /// The same in words, with the numbers that matter.
    pub says: String,
    /// Across.
    pub x: Axis,
    /// Up.
    pub y: Axis,
    /// Behind everything else.
    pub zones: Vec<Zone>,
    /// Lines and points.
    pub series: Vec<Series>,
    /// Straight lines across the picture, with text.
    pub rules: Vec<Rule>,
    /// Words beside points.
    pub texts: Vec<Text>,
    /// Where it comes from.
    pub imprint: Imprint,
}

/// Where a picture comes from, as it says where it stands alone.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Imprint {
    /// On which bench.
    pub bench: Bench,
    /// When, on which coupler, at which point, by which program.
    pub words: String,
    /// What its bars are, where it has any.
    pub bars: &'static str,
}

/// Whether devices were simulated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Bench {
    /// None was.
    #[default]
    Real,
    /// In some of the sessions.
    PartlySimulated,
    /// In all of them.
    Simulated,
}

impl Bench {
    /// Of sessions that were simulated or not.
    pub fn of(simulated: impl IntoIterator<Item = bool>) -> Bench {
        let (mut some, mut all) = (false, true);
        for is in simulated {
            some |= is;
            all &= is;
        }
        match (some, all) {
            (false, _) => Bench::Real,
            (true, false) => Bench::PartlySimulated,
            (true, true) => Bench::Simulated,
        }
    }

    /// What stands before a title; `None` of real devices.
    pub fn word(self) -> Option<&'static str> {
        match self {
            Bench::Real => None,
            Bench::PartlySimulated => Some("Partly simulated"),
            Bench::Simulated => Some("Simulated"),
        }
    }

    /// The same as a sentence over a report.
    pub fn sentence(self) -> Option<&'static str> {
        match self {
            Bench::Real => None,
            Bench::PartlySimulated => Some(
                "Partly simulated: some of the sessions come from the simulated bench, and their devices are invented.",
            ),
            Bench::Simulated => Some("Simulated: every device here is invented, and no sound was played."),
        }
    }
}

impl Picture {
    /// Its title where it stands alone.
    pub fn title_alone(&self) -> String {
        self.imprint.bench.word().map_or(self.title.clone(), |word| format!("{word} – {}", self.title))
    }

    /// Where it comes from and what its bars are, where it stands alone.
    pub fn origin(&self) -> String {
        let Imprint { words, bars, .. } = &self.imprint;
        let barred = self.series.iter().flat_map(|series| &series.points).any(|point| point.interval.is_some());
        let bars = if barred { *bars } else { "" };
        [words.as_str(), bars].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ")
    }
}

/// An axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// Quantity and unit.
    pub title: String,
    /// Low end.
    pub low: f64,
    /// High end.
    pub high: f64,
    /// True for a logarithmic one: both ends are then positive.
    pub log: bool,
    /// Names that stand at 0, 1, 2, … instead of numbers; intervals of points then lie along the other axis.
    pub names: Vec<String>,
}

impl Axis {
    /// An even one.
    pub fn linear(title: impl Into<String>, low: f64, high: f64) -> Axis {
        Axis { title: title.into(), low, high, log: false, names: Vec::new() }
    }

    /// A logarithmic one.
    pub fn log(title: impl Into<String>, low: f64, high: f64) -> Axis {
        Axis { log: true, ..Axis::linear(title, low, high) }
    }

    /// Frequencies, 20 Hz to 20 kHz.
    pub fn frequency() -> Axis {
        Axis::log("frequency, Hz", 20.0, 20_000.0)
    }

    /// One-third octaves from 20 Hz to 20 kHz, with room beside the outermost.
    pub fn bands() -> Axis {
        Axis::log("frequency, Hz", 18.0, 22_500.0)
    }

    /// Names under each other, the first one at the top.
    pub fn names(names: Vec<String>) -> Axis {
        let last = names.len() as f64 - 1.0;
        Axis { names, ..Axis::linear("", last + 0.5, -0.5) }
    }

    /// Where a value stands between the ends, 0 to 1 inside.
    pub fn place(&self, value: f64) -> f64 {
        if self.log {
            (value / self.low).ln() / (self.high / self.low).ln()
        } else {
            (value - self.low) / (self.high - self.low)
        }
    }
}

/// Which way something lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Along {
    /// At a place of the x axis: it runs upward.
    X,
    /// At a place of the y axis: it runs across.
    Y,
}

/// A range of an axis that has a meaning.
#[derive(Clone, Debug, PartialEq)]
pub struct Zone {
    /// Of which axis.
    pub along: Along,
    /// Its ends.
    pub from: f64,
    /// Likewise.
    pub to: f64,
    /// What it means.
    pub text: String,
}

/// What is drawn, and so in which colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Level.
    Level,
    /// Clipping threshold.
    Threshold,
    /// Listening level.
    Listening,
    /// Even-order distortion.
    Even,
    /// Odd-order distortion.
    Odd,
    /// Noise.
    Noise,
    /// The first of two outputs.
    First,
    /// The second.
    Second,
    /// A line to compare with, a limit.
    Quiet,
}

impl Role {
    /// All of them.
    pub const ALL: [Role; 9] = [
        Role::Level,
        Role::Threshold,
        Role::Listening,
        Role::Even,
        Role::Odd,
        Role::Noise,
        Role::First,
        Role::Second,
        Role::Quiet,
    ];

    /// Its word in styles.
    pub fn word(self) -> &'static str {
        match self {
            Role::Level => "level",
            Role::Threshold => "threshold",
            Role::Listening => "listening",
            Role::Even => "even",
            Role::Odd => "odd",
            Role::Noise => "noise",
            Role::First => "first",
            Role::Second => "second",
            Role::Quiet => "quiet",
        }
    }
}

/// How a line runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Line {
    /// Without gaps.
    Solid,
    /// Dashes.
    Dashed,
    /// Dots.
    Dotted,
}

/// What stands at a point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// Filled circle.
    Dot,
    /// Open circle.
    Hollow,
    /// Filled square.
    Square,
    /// Filled triangle.
    Triangle,
    /// A bar from the point down: only known to be below it.
    Below,
}

/// Points that belong together.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Its name in the legend; empty where it has none.
    pub name: String,
    /// What it is.
    pub role: Role,
    /// Line through the points; `None`: points alone.
    pub line: Option<Line>,
    /// At each point; `None`: the line alone.
    pub mark: Option<Mark>,
    /// In drawing order.
    pub points: Vec<Point>,
}

/// A point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Across.
    pub x: f64,
    /// Up.
    pub y: f64,
    /// Ends of the interval of `y` (of `x` beside names); `None` where there is nothing to draw.
    pub interval: Option<(f64, f64)>,
}

impl Point {
    /// Without an interval.
    pub fn at(x: f64, y: f64) -> Point {
        Point { x, y, interval: None }
    }
}

/// Words beside a point.
#[derive(Clone, Debug, PartialEq)]
pub struct Text {
    /// The point, across.
    pub x: f64,
    /// Up.
    pub y: f64,
    /// What it is.
    pub words: String,
}

/// A straight line across the picture with text beside it.
#[derive(Clone, Debug, PartialEq)]
pub struct Rule {
    /// Of which axis `at` is a value.
    pub along: Along,
    /// Where.
    pub at: f64,
    /// What it is.
    pub role: Role,
    /// How it runs.
    pub line: Line,
    /// Its text, line by line.
    pub text: Vec<String>,
    /// A rule along x: its text stands at the low end of the y axis rather than at the high one.
    pub text_low: bool,
}
