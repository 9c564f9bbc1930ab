//! Which colour means what? One palette for the window and for reports, as plain 0xRRGGBB, checked for contrast and for
//! colour-blind readers by the tests below. No colour stands alone: each role has a shape or a word beside it.

/// All colours of one ground.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Palette {
    /// Behind pictures and inputs.
    pub ground: u32,
    /// Behind everything else.
    pub panel: u32,
    /// Lines that part things.
    pub rule: u32,
    /// Text.
    pub text: u32,
    /// Secondary text.
    pub quiet: u32,
    /// Level: filled dot with bar; hollow where the take is void.
    pub level: u32,
    /// Clipping threshold: vertical rule with a flag and its text. Also what must not be overlooked.
    pub threshold: u32,
    /// Listening level: dashed rule with its text.
    pub listening: u32,
    /// Even-order distortion: square.
    pub even: u32,
    /// Odd-order distortion: triangle.
    pub odd: u32,
    /// Noise: thin dotted line.
    pub noise: u32,
    /// The first of two outputs: solid line.
    pub first: u32,
    /// The second: dashed line.
    pub second: u32,
}

/// On a dark ground.
pub const DARK: Palette = Palette {
    ground: 0x14181b,
    panel: 0x1c2226,
    rule: 0x38424a,
    text: 0xe8ecee,
    quiet: 0x9fadb7,
    level: 0x01a2f5,
    threshold: 0xf97396,
    listening: 0xa48c0a,
    even: 0xc79b49,
    odd: 0x5d81fe,
    noise: 0xc4ced5,
    first: 0x1e90f8,
    second: 0xe26d2b,
};

/// On a light ground.
pub const LIGHT: Palette = Palette {
    ground: 0xf7f6f2,
    panel: 0xffffff,
    rule: 0xcfd3d1,
    text: 0x1b2227,
    quiet: 0x56626b,
    level: 0x146fb5,
    threshold: 0x85295b,
    listening: 0x565310,
    even: 0x785514,
    odd: 0x372e8b,
    noise: 0x656e74,
    first: 0x09539b,
    second: 0x9c4409,
};

#[cfg(test)]
pub(crate) mod checks {
    use super::*;

    /// WCAG 2.2, success criterion 1.4.3: 4.5:1 for text.
    pub(crate) const LEAST_CONTRAST: f64 = 4.5;

    /// IEC 61966-2-1 (sRGB) to linear light.
    fn linear(c: u32) -> [f64; 3] {
        [c >> 16, c >> 8, c].map(|v| {
            let v = f64::from(v & 0xff) / 255.0;
            if v <= 0.040_45 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
        })
    }

    /// WCAG 2.2: relative luminance and contrast ratio.
    pub(crate) fn contrast(a: u32, b: u32) -> f64 {
        let y = |c: u32| {
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
    fn difference(a: u32, b: u32) -> f64 {
        BLINDNESS
            .iter()
            .map(|m| {
                let seen = |c: u32| {
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
        assert!((contrast(0x000000, 0xffffff) - 21.0).abs() < 1e-9);
        // The matrix is given to seven digits.
        assert!((lab([1.0, 1.0, 1.0])[0] - 100.0).abs() < 1e-4);
        assert!(difference(0x000000, 0xffffff) > 99.0);
    }

    #[test]
    fn every_colour_that_is_read_contrasts_on_both_grounds() {
        for t in [DARK, LIGHT] {
            for colour in
                [t.text, t.quiet, t.level, t.threshold, t.listening, t.even, t.odd, t.noise, t.first, t.second]
            {
                for ground in [t.ground, t.panel] {
                    let c = contrast(colour, ground);
                    assert!(c >= LEAST_CONTRAST, "{colour:06x} on {ground:06x}: {c:.2}");
                }
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
                    assert!(d >= least - 0.5, "{:06x} and {:06x}: {d:.1} under {least}", group[a], group[b]);
                }
            }
        }
    }

    /// Smallest differences as designed: 105 on a dark ground and 80 on a light one.
    #[test]
    fn two_outputs_stay_apart_for_colour_blind_readers() {
        for (t, least) in [(DARK, 105.0), (LIGHT, 80.0)] {
            let d = difference(t.first, t.second);
            assert!(d >= least - 0.5, "{d:.1} under {least}");
        }
    }
}
