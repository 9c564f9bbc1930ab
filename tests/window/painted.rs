//! What the window draws as pixels, without a display and without a graphics library: the triangles are filled by plain arithmetic,
//! so that every machine draws the same. As egui states for its painters: colours are premultiplied, blended as they are stored, and
//! multiplied with a texture that is sampled linearly.

use super::*;
use eframe::egui::{ColorImage, Mesh, Rect, TextureId};
use eframe::epaint::{Primitive, Vertex};
use resvg::tiny_skia::{IntSize, Pixmap};

/// Red, green, blue, alpha from 0 to 1, premultiplied.
type Colour = [f32; 4];

/// The picture of the last frame.
pub fn painted(window: &Window) -> Pixmap {
    let scale = window.ctx.pixels_per_point();
    let size = (window.ctx.content_rect().size() * scale).round();
    let (width, height) = (size.x as usize, size.y as usize);
    let atlas = window.ctx.fonts(|fonts| fonts.image());
    // What lies outside of every panel has their ground.
    let ground = window.ctx.global_style().visuals.panel_fill.to_array().map(|c| f32::from(c) / 255.0);
    let mut pixels = vec![ground; width * height];
    let shapes = window.output().shapes.clone();
    for clipped in window.ctx.tessellate(shapes, scale) {
        let Primitive::Mesh(mesh) = &clipped.primitive else { panic!("a callback is not drawn here") };
        assert_eq!(mesh.texture_id, TextureId::default(), "only the font's own texture is drawn here");
        mesh_on(&mut pixels, (width, height), mesh, clipped.clip_rect, scale, &atlas);
    }
    let bytes = pixels.iter().flatten().map(|c| (c.clamp(0.0, 1.0) * 255.0).round() as u8).collect();
    Pixmap::from_vec(bytes, IntSize::from_wh(width as u32, height as u32).unwrap()).unwrap()
}

fn mesh_on(
    pixels: &mut [Colour],
    (width, height): (usize, usize),
    mesh: &Mesh,
    clip: Rect,
    scale: f32,
    atlas: &ColorImage,
) {
    let within = |x: f32, most: usize| (x * scale).round().clamp(0.0, most as f32) as usize;
    let (left, right) = (within(clip.left(), width), within(clip.right(), width));
    let (top, bottom) = (within(clip.top(), height), within(clip.bottom(), height));
    for corners in mesh.indices.chunks_exact(3) {
        let [a, b, c] = [0, 1, 2].map(|i| mesh.vertices[corners[i] as usize]);
        let at = |v: &Vertex| (v.pos.x * scale, v.pos.y * scale);
        let twice = area(at(&a), at(&b), at(&c));
        if twice == 0.0 {
            continue;
        }
        // One sense of rotation, so that edges are told alike.
        let (b, c, twice) = if twice < 0.0 { (c, b, -twice) } else { (b, c, twice) };
        let corners = [at(&a), at(&b), at(&c)];
        let ends = |pick: fn(&(f32, f32)) -> f32| {
            let all = corners.iter().map(pick);
            (all.clone().fold(f32::INFINITY, f32::min), all.fold(f32::NEG_INFINITY, f32::max))
        };
        let ((x0, x1), (y0, y1)) = (ends(|p| p.0), ends(|p| p.1));
        for y in top.max(y0.floor().max(0.0) as usize)..bottom.min(y1.ceil().max(0.0) as usize) {
            for x in left.max(x0.floor().max(0.0) as usize)..right.min(x1.ceil().max(0.0) as usize) {
                let p = (x as f32 + 0.5, y as f32 + 0.5);
                let edges =
                    [(1, 2), (2, 0), (0, 1)].map(|(i, j)| (area(corners[i], corners[j], p), corners[i], corners[j]));
                if edges.iter().any(|(w, i, j)| *w < 0.0 || *w == 0.0 && !is_top_left(*i, *j)) {
                    continue;
                }
                let shares = edges.map(|(w, ..)| w / twice);
                let mix =
                    |pick: &dyn Fn(&Vertex) -> f32| shares[0] * pick(&a) + shares[1] * pick(&b) + shares[2] * pick(&c);
                let texel = sampled(atlas, mix(&|v| v.uv.x), mix(&|v| v.uv.y));
                let colour: Colour =
                    [0, 1, 2, 3].map(|i| mix(&|v| f32::from(v.color.to_array()[i]) / 255.0) * texel[i]);
                let under = &mut pixels[y * width + x];
                for i in 0..4 {
                    under[i] = colour[i] + under[i] * (1.0 - colour[3]);
                }
            }
        }
    }
}

/// Twice the area to the right of the way from `a` over `b` to `p`, pixels².
fn area(a: (f32, f32), b: (f32, f32), p: (f32, f32)) -> f32 {
    (b.0 - a.0) * (p.1 - a.1) - (b.1 - a.1) * (p.0 - a.0)
}

/// A pixel on an edge that two triangles share belongs to one of them.
fn is_top_left(a: (f32, f32), b: (f32, f32)) -> bool {
    b.1 < a.1 || b.1 <= a.1 && b.0 > a.0
}

fn sampled(atlas: &ColorImage, u: f32, v: f32) -> Colour {
    let [width, height] = atlas.size;
    let (x, y) = (u * width as f32 - 0.5, v * height as f32 - 0.5);
    let texel = |x: f32, y: f32| {
        let inside = |x: f32, most: usize| x.clamp(0.0, most as f32 - 1.0) as usize;
        atlas.pixels[inside(y, height) * width + inside(x, width)].to_array().map(|c| f32::from(c) / 255.0)
    };
    let (x0, y0) = (x.floor(), y.floor());
    let (fx, fy) = (x - x0, y - y0);
    let [a, b, c, d] = [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)].map(|(i, j)| texel(x0 + i, y0 + j));
    [0, 1, 2, 3].map(|i| (1.0 - fy) * ((1.0 - fx) * a[i] + fx * b[i]) + fy * ((1.0 - fx) * c[i] + fx * d[i]))
}
