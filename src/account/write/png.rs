//! Pictures as PNG: the SVG drawn in an embedded open font (Ubuntu Light), so that every machine draws the same.

use epaint_default_fonts::UBUNTU_LIGHT;
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};
use std::sync::{Arc, LazyLock};

/// Name of the embedded face, for every family that an SVG asks for.
const FACE: &str = "Ubuntu";

/// The font, read once.
static FONTS: LazyLock<Arc<fontdb::Database>> = LazyLock::new(|| {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_data(UBUNTU_LIGHT.to_vec());
    fonts.set_sans_serif_family(FACE);
    Arc::new(fonts)
});

/// The bytes of a PNG file in the SVG's own size.
///
/// # Errors
/// What could not be drawn, in words.
pub fn png(svg: &str) -> Result<Vec<u8>, String> {
    drawn(svg)?.encode_png().map_err(|error| error.to_string())
}

/// Width, height and pixels (red, green, blue, alpha; premultiplied) of an SVG in its own size.
///
/// # Errors
/// What could not be drawn, in words.
pub fn pixels(svg: &str) -> Result<([usize; 2], Vec<u8>), String> {
    let pixels = drawn(svg)?;
    Ok(([pixels.width() as usize, pixels.height() as usize], pixels.take()))
}

fn drawn(svg: &str) -> Result<Pixmap, String> {
    let options = Options { font_family: FACE.into(), fontdb: FONTS.clone(), ..Options::default() };
    let tree = Tree::from_str(svg, &options).map_err(|error| error.to_string())?;
    let size = tree.size().to_int_size();
    let mut pixels = Pixmap::new(size.width(), size.height()).ok_or("the picture has no size")?;
    resvg::render(&tree, Transform::default(), &mut pixels.as_mut());
    Ok(pixels)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"40\" height=\"20\" viewBox=\"0 0 40 20\">";

    fn pixels(body: &str) -> Pixmap {
        Pixmap::decode_png(&png(&format!("{HEAD}{body}</svg>")).unwrap()).unwrap()
    }

    #[test]
    fn shapes_take_the_colours_of_their_classes() {
        let drawn = pixels("<style>.a{fill:#146fb5}</style><rect class=\"a\" width=\"40\" height=\"20\"/>");
        let middle = drawn.pixel(20, 10).unwrap();
        assert_eq!((drawn.width(), drawn.height()), (40, 20));
        assert_eq!((middle.red(), middle.green(), middle.blue()), (0x14, 0x6f, 0xb5));
    }

    /// Every sign that a report writes is in the face: none leaves the picture empty.
    #[test]
    fn the_face_has_every_sign_that_is_written() {
        for sign in "AZaz09−±≥×Ω·–".chars() {
            let text =
                format!("<text x=\"10\" y=\"15\" font-size=\"16\" font-family=\"system-ui,sans-serif\">{sign}</text>");
            assert!(pixels(&text).pixels().iter().any(|p| p.alpha() > 0), "{sign} leaves no mark");
        }
        assert!(png("<svg").is_err());
    }
}
