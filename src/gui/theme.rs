//! The one place that turns the palette into egui's style. No colour stands alone: each role has a shape or a word
//! beside it.

use crate::palette::{self, Palette};
use eframe::egui::style::ScrollStyle;
use eframe::egui::{self, Color32, CornerRadius, FontFamily, FontId, Stroke, TextStyle, Theme, Visuals, vec2};

/// The one spacing step, points; everything is a multiple of it.
pub const STEP: f32 = 8.0;
/// Ends of the height of the large number, points.
const LARGE: (f32, f32) = (48.0, 96.0);
/// Ordinary text, points.
pub const TEXT: f32 = 14.5;
/// Secondary text, points.
pub const SMALL: f32 = 12.0;

/// Opacity of what cannot be used now: it looks so, and its text can still be read.
const DISABLED_ALPHA: f32 = 0.65;

const fn rgb(hex: u32) -> Color32 {
    Color32::from_rgb((hex >> 16) as u8, (hex >> 8) as u8, hex as u8)
}

/// All colours of one theme.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tokens {
    /// Behind plots and inputs.
    pub ground: Color32,
    /// Behind everything else.
    pub panel: Color32,
    /// Lines that part things.
    pub rule: Color32,
    /// Text.
    pub text: Color32,
    /// Secondary text.
    pub quiet: Color32,
    /// Level: filled dot with bar; hollow where the take is void.
    pub level: Color32,
    /// Clipping threshold: vertical rule with a flag and its text. Also what must not be overlooked.
    pub threshold: Color32,
    /// Listening level: dashed rule with its text.
    pub listening: Color32,
    /// Even-order distortion: square.
    pub even: Color32,
    /// Odd-order distortion: triangle.
    pub odd: Color32,
    /// Noise: thin dotted line.
    pub noise: Color32,
    /// The first of two outputs: solid line.
    pub first: Color32,
    /// The second: dashed line.
    pub second: Color32,
}

impl Tokens {
    const fn of(palette: &Palette) -> Tokens {
        Tokens {
            ground: rgb(palette.ground),
            panel: rgb(palette.panel),
            rule: rgb(palette.rule),
            text: rgb(palette.text),
            quiet: rgb(palette.quiet),
            level: rgb(palette.level),
            threshold: rgb(palette.threshold),
            listening: rgb(palette.listening),
            even: rgb(palette.even),
            odd: rgb(palette.odd),
            noise: rgb(palette.noise),
            first: rgb(palette.first),
            second: rgb(palette.second),
        }
    }
}

/// On a dark ground.
pub const DARK: Tokens = Tokens::of(&palette::DARK);

/// On a light ground.
pub const LIGHT: Tokens = Tokens::of(&palette::LIGHT);

/// Tokens of the theme in force.
pub fn tokens(ui: &egui::Ui) -> &'static Tokens {
    of(ui.visuals().dark_mode)
}

fn of(dark: bool) -> &'static Tokens {
    if dark { &DARK } else { &LIGHT }
}

/// Height of the large number in a window of this height, points.
pub fn large(height: f32) -> f32 {
    (0.08 * height).clamp(LARGE.0, LARGE.1)
}

/// Monospaced face for numbers (tabular figures).
pub fn figures(size: f32) -> FontId {
    FontId::new(size, FontFamily::Monospace)
}

/// Sets fonts, spacing and colours once.
pub fn install(ctx: &egui::Context) {
    for (theme, dark) in [(Theme::Dark, true), (Theme::Light, false)] {
        ctx.set_visuals_of(theme, visuals(dark));
        ctx.style_mut_of(theme, |style| {
            style.text_styles = [
                (TextStyle::Small, FontId::new(SMALL, FontFamily::Proportional)),
                (TextStyle::Body, FontId::new(TEXT, FontFamily::Proportional)),
                (TextStyle::Button, FontId::new(TEXT, FontFamily::Proportional)),
                (TextStyle::Heading, FontId::new(TEXT, FontFamily::Proportional)),
                (TextStyle::Monospace, figures(TEXT - 1.0)),
            ]
            .into();
            style.spacing.item_spacing = vec2(STEP, STEP / 2.0);
            style.spacing.button_padding = vec2(STEP, STEP / 2.0);
            style.spacing.interact_size.y = 3.0 * STEP;
            // A scroll bar has room of its own: it covers no unit and no button.
            style.spacing.scroll = ScrollStyle { floating_allocated_width: STEP, ..ScrollStyle::thin() };
            style.animation_time = 0.0;
        });
    }
}

fn visuals(dark: bool) -> Visuals {
    let t = of(dark);
    let mut v = if dark { Visuals::dark() } else { Visuals::light() };
    v.override_text_color = Some(t.text);
    v.weak_text_color = Some(t.quiet);
    v.panel_fill = t.panel;
    v.window_fill = t.panel;
    v.window_stroke = Stroke::new(1.0, t.rule);
    v.extreme_bg_color = t.ground;
    v.text_edit_bg_color = Some(t.ground);
    v.faint_bg_color = t.ground;
    v.code_bg_color = t.ground;
    v.warn_fg_color = t.threshold;
    v.error_fg_color = t.threshold;
    v.hyperlink_color = t.level;
    v.disabled_alpha = DISABLED_ALPHA;
    v.selection.bg_fill = t.level.gamma_multiply(0.30);
    v.selection.stroke = Stroke::new(2.0, t.level);
    let corner = CornerRadius::same(2);
    for (widget, fill, line) in [
        (&mut v.widgets.noninteractive, t.panel, t.rule),
        (&mut v.widgets.inactive, t.ground, t.quiet),
        (&mut v.widgets.hovered, t.ground, t.text),
        (&mut v.widgets.active, t.ground, t.level),
        (&mut v.widgets.open, t.ground, t.text),
    ] {
        widget.bg_fill = fill;
        widget.weak_bg_fill = fill;
        widget.bg_stroke = Stroke::new(1.0, line);
        widget.fg_stroke = Stroke::new(1.5, t.text);
        widget.corner_radius = corner;
        widget.expansion = 0.0;
    }
    v.widgets.active.bg_stroke = Stroke::new(2.0, t.level);
    v
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::palette::checks::{LEAST_CONTRAST, contrast};

    #[test]
    fn what_cannot_be_changed_now_can_still_be_read() {
        for t in [DARK, LIGHT] {
            for ground in [t.ground, t.panel] {
                let mix = |a: u8, b: u8| {
                    (f32::from(a) * DISABLED_ALPHA + f32::from(b) * (1.0 - DISABLED_ALPHA)).round() as u8
                };
                let hex = |c: Color32| u32::from_be_bytes([0, c.r(), c.g(), c.b()]);
                let (q, g) = (t.text, ground);
                let seen = hex(Color32::from_rgb(mix(q.r(), g.r()), mix(q.g(), g.g()), mix(q.b(), g.b())));
                assert!(contrast(seen, hex(ground)) >= LEAST_CONTRAST, "{:.2}", contrast(seen, hex(ground)));
            }
        }
    }
}
