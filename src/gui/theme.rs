//! Which colour means what? Tokens, checked for contrast and colour-blind readers by the tests below, and the one
//! place that turns them into egui's style. No colour stands alone: each role has a shape or a word beside it.

use eframe::egui::{self, Color32, CornerRadius, FontFamily, FontId, Stroke, TextStyle, Theme, Visuals, vec2};

/// The one spacing step, points; everything is a multiple of it.
pub const STEP: f32 = 8.0;
/// Height of the level now, points (the sketch asks for 40 at least).
pub const LARGE: f32 = 48.0;
/// Ordinary text, points.
pub const TEXT: f32 = 14.5;
/// Secondary text, points.
pub const SMALL: f32 = 12.0;

/// Opacity of what cannot be changed now: what is asked has to stay readable while it runs.
const DISABLED_ALPHA: f32 = 0.92;

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
}

/// On a dark ground.
pub const DARK: Tokens = Tokens {
    ground: rgb(0x14181b),
    panel: rgb(0x1c2226),
    rule: rgb(0x38424a),
    text: rgb(0xe8ecee),
    quiet: rgb(0x9fadb7),
    level: rgb(0x01a2f5),
    threshold: rgb(0xf97396),
    listening: rgb(0xa48c0a),
    even: rgb(0xc79b49),
    odd: rgb(0x5d81fe),
    noise: rgb(0xc4ced5),
};

/// On a light ground.
pub const LIGHT: Tokens = Tokens {
    ground: rgb(0xf7f6f2),
    panel: rgb(0xffffff),
    rule: rgb(0xcfd3d1),
    text: rgb(0x1b2227),
    quiet: rgb(0x56626b),
    level: rgb(0x146fb5),
    threshold: rgb(0x85295b),
    listening: rgb(0x565310),
    even: rgb(0x785514),
    odd: rgb(0x372e8b),
    noise: rgb(0x656e74),
};

/// Tokens of the theme in force.
pub fn tokens(ui: &egui::Ui) -> &'static Tokens {
    of(ui.visuals().dark_mode)
}

fn of(dark: bool) -> &'static Tokens {
    if dark { &DARK } else { &LIGHT }
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

    /// WCAG 2.2, success criterion 1.4.3: 4.5:1 for text.
    const LEAST_CONTRAST: f64 = 4.5;

    /// IEC 61966-2-1 (sRGB) to linear light.
    fn linear(c: Color32) -> [f64; 3] {
        [c.r(), c.g(), c.b()].map(|v| {
            let v = f64::from(v) / 255.0;
            if v <= 0.040_45 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
        })
    }

    /// WCAG 2.2: relative luminance and contrast ratio.
    fn contrast(a: Color32, b: Color32) -> f64 {
        let y = |c| {
            let [r, g, b] = linear(c);
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        let (high, low) = (f64::max(y(a), y(b)), f64::min(y(a), y(b)));
        (high + 0.05) / (low + 0.05)
    }

    /// CIELAB (CIE 15, D65) of linear sRGB.
    fn lab([r, g, b]: [f64; 3]) -> [f64; 3] {
        let x = (0.412_456_4 * r + 0.357_576_1 * g + 0.180_437_5 * b) / 0.950_47;
        let y = 0.212_672_9 * r + 0.715_152_2 * g + 0.072_175_0 * b;
        let z = (0.019_333_9 * r + 0.119_192_0 * g + 0.950_304_1 * b) / 1.088_83;
        let f = |t: f64| if t > 216.0 / 24_389.0 { t.cbrt() } else { (24_389.0 / 27.0 * t + 16.0) / 116.0 };
        [116.0 * f(y) - 16.0, 500.0 * (f(x) - f(y)), 200.0 * (f(y) - f(z))]
    }

    /// Machado, Oliveira, Fernandes (2009), severity 1.0: protan, deutan, tritan, on linear light.
    const BLINDNESS: [[[f64; 3]; 3]; 4] = [
        [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        [[0.152_286, 1.052_583, -0.204_868], [0.114_503, 0.786_281, 0.099_216], [-0.003_882, -0.048_116, 1.051_998]],
        [[0.367_322, 0.860_646, -0.227_968], [0.280_085, 0.672_501, 0.047_413], [-0.011_820, 0.042_940, 0.968_881]],
        [[1.255_528, -0.076_749, -0.178_779], [-0.078_411, 0.930_809, 0.147_602], [0.004_733, 0.691_367, 0.303_900]],
    ];

    /// CIE 1976 colour difference, the smallest over plain and simulated sight.
    fn difference(a: Color32, b: Color32) -> f64 {
        BLINDNESS
            .iter()
            .map(|m| {
                let seen = |c| {
                    let v = linear(c);
                    let row = |i: usize| (0..3).map(|j| m[i][j] * v[j]).sum::<f64>().clamp(0.0, 1.0);
                    lab([row(0), row(1), row(2)])
                };
                let (a, b) = (seen(a), seen(b));
                (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt()
            })
            .fold(f64::MAX, f64::min)
    }

    /// Known answers of the tools themselves: black on white is 21:1 (WCAG), white is L* = 100 (CIE 15).
    #[test]
    fn the_checks_themselves_know_black_and_white() {
        assert!((contrast(Color32::BLACK, Color32::WHITE) - 21.0).abs() < 1e-9);
        // The matrix is given to seven digits.
        assert!((lab([1.0, 1.0, 1.0])[0] - 100.0).abs() < 1e-4);
        assert!(difference(Color32::BLACK, Color32::WHITE) > 99.0);
    }

    #[test]
    fn every_colour_that_is_read_contrasts_on_both_grounds() {
        for t in [DARK, LIGHT] {
            for colour in [t.text, t.quiet, t.level, t.threshold, t.listening, t.even, t.odd, t.noise] {
                for ground in [t.ground, t.panel] {
                    let c = contrast(colour, ground);
                    assert!(c >= LEAST_CONTRAST, "{colour:?} on {ground:?}: {c:.2}");
                }
            }
        }
    }

    #[test]
    fn what_cannot_be_changed_now_can_still_be_read() {
        for t in [DARK, LIGHT] {
            for ground in [t.ground, t.panel] {
                let mix = |a: u8, b: u8| {
                    (f32::from(a) * DISABLED_ALPHA + f32::from(b) * (1.0 - DISABLED_ALPHA)).round() as u8
                };
                let (q, g) = (t.quiet, ground);
                let seen = Color32::from_rgb(mix(q.r(), g.r()), mix(q.g(), g.g()), mix(q.b(), g.b()));
                assert!(contrast(seen, ground) >= LEAST_CONTRAST, "{:.2}", contrast(seen, ground));
            }
        }
    }

    /// Smallest differences as designed: 42 and 31 for the level picture, 36 and 24 for the distortion picture.
    #[test]
    fn colours_of_one_picture_stay_apart_for_colour_blind_readers() {
        for (t, level, distortion) in [(DARK, 42.0, 36.0), (LIGHT, 31.0, 24.0)] {
            for (group, least) in [([t.level, t.threshold, t.listening], level), ([t.even, t.odd, t.noise], distortion)]
            {
                for (a, b) in [(0, 1), (0, 2), (1, 2)] {
                    let d = difference(group[a], group[b]);
                    assert!(d >= least - 0.5, "{:?} and {:?}: {d:.1} under {least}", group[a], group[b]);
                }
            }
        }
    }
}
