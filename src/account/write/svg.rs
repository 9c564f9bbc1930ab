//! Pictures as SVG, by hand: no font is measured (widths are estimated with room to spare), no script, nothing fetched.
//!
//! ```text
//! title
//! legend ─■─ even-order  ─▲─ odd-order
//! │        zone
//! │ grid, series, rules with text
//! └──────────────────────
//!   ticks, axis title
//! when, where and by which program, where it stands alone
//! ```
//!
//! The drawing carries classes only. A picture on its own brings their colours with it; one inside a page takes the
//! page's, and so follows its light or dark ground.

mod draw;
mod text;

use crate::account::picture::{Picture, Role};
use crate::palette::Palette;
use draw::Drawing;
pub(super) use text::escape;

/// Size of a picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    /// Pixels across.
    pub width: f64,
    /// Pixels up.
    pub height: f64,
    /// Height of its text, pixels.
    pub text: f64,
}

impl Frame {
    /// For a wide screen.
    pub const WIDE: Frame = Frame { width: 1920.0, height: 1080.0, text: 32.0 };
    /// For a hand-held one.
    pub const TALL: Frame = Frame { width: 1080.0, height: 1350.0, text: 30.0 };
    /// Inside a page.
    pub const PAGE: Frame = Frame { width: 960.0, height: 540.0, text: 15.0 };
    /// Inside a narrow page.
    pub const NARROW: Frame = Frame { width: 400.0, height: 440.0, text: 13.0 };
    /// On paper, three side by side, each 60 mm wide: letters of 5 points, so that labels find places beside the points.
    pub const PAPER: Frame = Frame { width: 480.0, height: 400.0, text: 14.0 };

    /// No higher than a picture of names under each other needs.
    pub fn no_higher_than(self, picture: &Picture) -> Frame {
        let lines = 7.0 + 4.0 * picture.y.names.len() as f64;
        let height = if picture.y.names.is_empty() { self.height } else { self.height.min(lines * self.text) };
        Frame { height, ..self }
    }

    /// `1920x1080`.
    pub fn words(&self) -> String {
        format!("{:.0}x{:.0}", self.width, self.height)
    }
}

/// How a picture is to look.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Look<'a> {
    /// On its own, in these colours, with title and origin; without labels nothing names a device or a number but the axes,
    /// and a simulated one still says that it is.
    Alone {
        /// Its colours.
        palette: &'a Palette,
        /// Title, legend and the text of rules and zones.
        labels: bool,
    },
    /// Inside a page that has the title and the colours; ids begin with this.
    Inside(&'a str),
}

/// The picture as an `svg` element.
pub fn svg(picture: &Picture, frame: Frame, look: Look) -> String {
    let (id, labels, alone) = match look {
        Look::Alone { labels, .. } => (picture.name.as_str(), labels, true),
        Look::Inside(id) => (id, true, false),
    };
    let body = Drawing::of(picture, frame, id, labels, alone).body();
    let title = match alone && labels {
        true => picture.title_alone(),
        false if labels => picture.title.clone(),
        false => picture.name.clone(),
    };
    let Frame { width, height, .. } = frame;
    let alone = match look {
        Look::Alone { palette, .. } => {
            let hex = |token: &str| format!("#{:06x}", token_of(palette, token));
            (
                format!(" xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\""),
                format!("<style>{}</style>\n", styles(hex)),
            )
        }
        Look::Inside(_) => (String::new(), String::new()),
    };
    let says = match look {
        Look::Alone { labels: false, .. } => "Without labels.".into(),
        Look::Alone { .. } => escape(&format!("{} {}", picture.says, picture.origin())),
        Look::Inside(_) => escape(&picture.says),
    };
    format!(
        "<svg{} viewBox=\"0 0 {width} {height}\" role=\"img\" aria-labelledby=\"{id}-title {id}-says\">\n<title id=\"{id}-title\">{}</title>\n<desc id=\"{id}-says\">{says}</desc>\n{}{body}</svg>\n",
        alone.0,
        escape(&title),
        alone.1,
    )
}

/// Rules of the classes that drawings carry; `paint` gives the colour of a token.
pub(super) fn styles(paint: impl Fn(&str) -> String) -> String {
    let mut rules = format!(
        "text{{font-family:system-ui,sans-serif}}.p-ground{{fill:{ground}}}.p-grid{{stroke:{rule};fill:none}}.p-zone{{fill:{rule};fill-opacity:.35}}.p-text{{fill:{text}}}.p-soft{{fill:{quiet}}}.p-halo{{stroke:{ground};paint-order:stroke;stroke-linejoin:round}}",
        ground = paint("ground"),
        rule = paint("rule"),
        text = paint("text"),
        quiet = paint("quiet"),
    );
    for role in Role::ALL {
        let (word, colour) = (role.word(), paint(role.word()));
        rules += &format!(".s-{word}{{stroke:{colour};fill:none}}.f-{word}{{fill:{colour}}}");
    }
    rules
}

/// Names of all colours that a drawing uses.
pub(super) const TOKENS: [&str; 13] = [
    "ground",
    "panel",
    "rule",
    "text",
    "quiet",
    "level",
    "threshold",
    "listening",
    "even",
    "odd",
    "noise",
    "first",
    "second",
];

/// Colour of a token; that of text for any other word.
pub(super) fn token_of(palette: &Palette, token: &str) -> u32 {
    match token {
        "ground" => palette.ground,
        "panel" => palette.panel,
        "rule" => palette.rule,
        "quiet" => palette.quiet,
        "level" => palette.level,
        "threshold" => palette.threshold,
        "listening" => palette.listening,
        "even" => palette.even,
        "odd" => palette.odd,
        "noise" => palette.noise,
        "first" => palette.first,
        "second" => palette.second,
        _ => palette.text,
    }
}
