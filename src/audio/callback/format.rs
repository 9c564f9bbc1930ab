//! Between numbers in units of full scale and the codes of a card.
//!
//! Full scale of an integer format is its largest positive code (AES17: the most negative code stays unused), in both
//! directions, so that a loop through an integer card is neither louder nor softer. Formats of 16 bits and fewer are
//! dithered when played (TPDF, two uniform draws of one code each; from memory: Lipshitz, Wannamaker & Vanderkooy,
//! J. AES 40, 1992): without it the rounding of a periodic signal repeats with its period and reads as distortion.

/// Widest integer format that is dithered, bits.
pub const DITHERED_UP_TO_BITS: u32 = 16;

/// One sample as a card wants it.
pub trait CardSample: Copy + Send + 'static {
    /// Whether playing in this format needs dither.
    const DITHERED: bool;
    /// Digital zero.
    const SILENCE: Self;
    /// From units of full scale; `dither` in codes (0 for none; ignored by formats that are not dithered).
    fn from_unit(value: f64, dither: f64) -> Self;
    /// To units of full scale.
    fn to_unit(self) -> f64;
}

/// Largest positive code of a signed format, as full scale.
fn full_scale(bits: u32) -> f64 {
    ((1i128 << (bits - 1)) - 1) as f64
}

/// Signed code nearest to `value` + dither. Only the dither yields at the last code: the signal itself reaches ±1 at
/// most (the gate sees to it), which is exactly the last code.
pub fn code_of(value: f64, bits: u32, dither: f64) -> i64 {
    let full = full_scale(bits);
    (value * full + dither).round().clamp(-full - 1.0, full) as i64
}

/// Units of full scale of a signed code.
pub fn unit_of(code: i64, bits: u32) -> f64 {
    code as f64 / full_scale(bits)
}

macro_rules! signed {
    ($type:ty, $bits:literal) => {
        impl CardSample for $type {
            const DITHERED: bool = $bits <= DITHERED_UP_TO_BITS;
            const SILENCE: Self = 0;
            fn from_unit(value: f64, dither: f64) -> Self {
                code_of(value, $bits, dither) as $type
            }
            fn to_unit(self) -> f64 {
                unit_of(self as i64, $bits)
            }
        }
    };
}

macro_rules! unsigned {
    ($type:ty, $signed:ty, $bits:literal) => {
        impl CardSample for $type {
            const DITHERED: bool = $bits <= DITHERED_UP_TO_BITS;
            const SILENCE: Self = 1 << ($bits - 1);
            fn from_unit(value: f64, dither: f64) -> Self {
                // Flipping the sign bit moves the origin to the middle.
                (code_of(value, $bits, dither) as $type) ^ Self::SILENCE
            }
            fn to_unit(self) -> f64 {
                unit_of((self ^ Self::SILENCE) as $signed as i64, $bits)
            }
        }
    };
}

signed!(i8, 8);
signed!(i16, 16);
signed!(i32, 32);
signed!(i64, 64);
unsigned!(u8, i8, 8);
unsigned!(u16, i16, 16);
unsigned!(u32, i32, 32);
unsigned!(u64, i64, 64);

impl CardSample for f32 {
    const DITHERED: bool = false;
    const SILENCE: Self = 0.0;
    fn from_unit(value: f64, _dither: f64) -> Self {
        value as f32
    }
    fn to_unit(self) -> f64 {
        f64::from(self)
    }
}

impl CardSample for f64 {
    const DITHERED: bool = false;
    const SILENCE: Self = 0.0;
    fn from_unit(value: f64, _dither: f64) -> Self {
        value
    }
    fn to_unit(self) -> f64 {
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half a code of rounding and, for wide formats, the 53 bits of an f64.
    fn round_trip<S: CardSample>(bits: u32) {
        let tolerance = 0.5 / full_scale(bits) + 1e-15;
        for i in -1000..=1000 {
            let x = f64::from(i) / 1000.0;
            let back = S::from_unit(x, 0.0).to_unit();
            assert!((back - x).abs() <= tolerance, "{bits} bits: {x} came back as {back}");
        }
        assert!(S::SILENCE.to_unit().abs() < 1e-300, "{bits} bits: silence is zero");
        assert!(S::from_unit(0.0, 0.0).to_unit().abs() < 1e-300);
    }

    #[test]
    fn every_format_gives_back_what_it_was_given_to_half_a_code() {
        round_trip::<i8>(8);
        round_trip::<i16>(16);
        round_trip::<i32>(32);
        round_trip::<i64>(64);
        round_trip::<u8>(8);
        round_trip::<u16>(16);
        round_trip::<u32>(32);
        round_trip::<u64>(64);
        round_trip::<f64>(64);
    }

    /// AES17: a full-scale sine reaches the largest positive code and leaves the most negative one unused.
    #[test]
    fn full_scale_is_the_largest_positive_code_in_both_polarities() {
        assert_eq!((i16::from_unit(1.0, 0.0), i16::from_unit(-1.0, 0.0)), (32_767, -32_767));
        assert_eq!((u8::from_unit(1.0, 0.0), u8::from_unit(-1.0, 0.0)), (255, 1));
        assert_eq!(i16::from_unit(1.0, 0.9), 32_767, "dither never wraps");
        assert_eq!((code_of(1.0, 24, 0.0), code_of(-1.0, 24, 0.0)), (8_388_607, -8_388_607));
    }
}
