//! Draws a [`Drawing`] as pixels, edges smoothed.
//!
//! An outline is filled row by row: on each of [`LAYERS`] levels within a row the crossings of its edges are sorted and
//! the stretches inside (nonzero winding) add their exact horizontal share of each pixel. So the cost follows what is
//! drawn, not the size of the picture.

use super::drawing::{
    ADD, Anchor, Colour, Drawing, INK, Paint, Place, Shape, TAKE_DOWN, Text, WHITE,
};
use super::font;
use ab_glyph::Font;
use image::RgbImage;
use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{ExtendedColorType, ImageEncoder};
use nalgebra::Vector2;

/// Levels within a pixel's height at which an outline is cut: near-level edges get so many shades.
const LAYERS: usize = 8;

/// Draws every shape onto the picture.
pub fn draw(drawing: &Drawing, onto: &mut RgbImage) {
    for shape in &drawing.shapes {
        match shape {
            Shape::Area { outline, paint } => fill(onto, std::slice::from_ref(outline), *paint),
            Shape::Line {
                points,
                width,
                colour,
                dash,
            } => {
                let pieces = match dash {
                    Some(dash) => dashed(points, *dash),
                    None => vec![points.clone()],
                };
                let outlines: Vec<Vec<Place>> = pieces
                    .iter()
                    .flat_map(|piece| stroke(piece, *width))
                    .collect();
                fill(onto, &outlines, Paint::Plain(*colour, 1.0));
            }
            Shape::Text(text) => write(onto, text),
        }
    }
}

/// The picture as PNG. Compressed for speed: a marked photo is looked at within the second.
pub fn png(picture: &RgbImage) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(picture.len() / 2);
    let encoder = PngEncoder::new_with_quality(&mut bytes, CompressionType::Fast, FilterType::Sub);
    // Writing into memory fails only for sizes that do not match, and these are the picture's own.
    drop(encoder.write_image(
        picture,
        picture.width(),
        picture.height(),
        ExtendedColorType::Rgb8,
    ));
    bytes
}

/// An edge of an outline, from its upper to its lower end.
#[derive(Debug, Clone, Copy)]
struct Edge {
    top: f64,
    bottom: f64,
    /// Where it crosses the level `top`.
    x: f64,
    /// Change of x for each pixel down.
    slope: f64,
    /// +1 when the outline runs down here, -1 when up.
    way: i32,
}

/// The edges of outlines, upper ends rising.
fn edges(outlines: &[Vec<Place>]) -> Vec<Edge> {
    let mut edges = Vec::new();
    for outline in outlines {
        for (at, from) in outline.iter().enumerate() {
            let Some(to) = outline.get((at + 1) % outline.len()) else {
                continue;
            };
            let (upper, lower, way) = if from.y < to.y {
                (from, to, 1)
            } else {
                (to, from, -1)
            };
            let drop = lower.y - upper.y;
            // `>` leaves out level edges and any that are not numbers.
            if drop > 0.0 && upper.x.is_finite() && lower.x.is_finite() {
                edges.push(Edge {
                    top: upper.y,
                    bottom: lower.y,
                    x: upper.x,
                    slope: (lower.x - upper.x) / drop,
                    way,
                });
            }
        }
    }
    edges.sort_by(|a, b| a.top.total_cmp(&b.top));
    edges
}

/// Fills outlines (nonzero winding over all of them together).
fn fill(onto: &mut RgbImage, outlines: &[Vec<Place>], paint: Paint) {
    let edges = edges(outlines);
    let (Some(first), Some(bottom)) = (
        edges.first(),
        edges.iter().map(|edge| edge.bottom).max_by(f64::total_cmp),
    ) else {
        return;
    };
    let (width, height) = (onto.width() as usize, onto.height() as usize);
    let rows = first.top.floor().max(0.0) as usize..(bottom.ceil().max(0.0) as usize).min(height);
    let mut rises = vec![0.0f32; width + 2];
    let mut crossings: Vec<(f64, i32)> = Vec::new();
    let mut active: Vec<Edge> = Vec::new();
    let mut waiting = edges.iter().peekable();
    for row in rows {
        while let Some(edge) = waiting.next_if(|edge| edge.top < (row + 1) as f64) {
            active.push(*edge);
        }
        active.retain(|edge| edge.bottom > row as f64);
        let mut touched = (usize::MAX, 0usize);
        for layer in 0..LAYERS {
            let level = row as f64 + (layer as f64 + 0.5) / LAYERS as f64;
            crossings.clear();
            crossings.extend(
                active
                    .iter()
                    .filter(|edge| edge.top <= level && level < edge.bottom)
                    .map(|edge| (edge.x + (level - edge.top) * edge.slope, edge.way)),
            );
            crossings.sort_by(|a, b| a.0.total_cmp(&b.0));
            let mut winding = 0;
            let mut from = 0.0;
            for &(x, way) in &crossings {
                if winding == 0 {
                    from = x;
                }
                winding += way;
                if winding == 0 {
                    cover_stretch(&mut rises, from, x, width, &mut touched);
                }
            }
        }
        blend_row(onto, row, &mut rises, touched, paint);
    }
}

/// Adds a stretch of one layer to a row's coverage, kept as its rise from each pixel to the next: so a stretch costs
/// the same whatever its length.
fn cover_stretch(
    rises: &mut [f32],
    from: f64,
    to: f64,
    width: usize,
    touched: &mut (usize, usize),
) {
    let (from, to) = (from.clamp(0.0, width as f64), to.clamp(0.0, width as f64));
    if to <= from {
        return;
    }
    let share = 1.0 / LAYERS as f32;
    *touched = (
        touched.0.min(from as usize),
        touched.1.max((to as usize).min(width - 1)),
    );
    for (end, share) in [(from, share), (to, -share)] {
        if let Some([this, next]) = rises.get_mut(end as usize..end as usize + 2) {
            *this += share * (1.0 - end.fract()) as f32;
            *next += share * end.fract() as f32;
        }
    }
}

/// Lays a row's coverage onto the picture in the paint's colours, and clears it.
fn blend_row(
    onto: &mut RgbImage,
    row: usize,
    rises: &mut [f32],
    touched: (usize, usize),
    paint: Paint,
) {
    let (first, last) = touched;
    let width = onto.width() as usize;
    if first > last {
        return;
    }
    let pixels = onto
        .get_mut((row * width + first) * 3..(row * width + last + 1) * 3)
        .unwrap_or_default();
    let shares = rises.get_mut(first..last + 3).unwrap_or_default();
    let mut cover = 0.0f32;
    for (step, (pixel, rise)) in pixels
        .as_chunks_mut::<3>()
        .0
        .iter_mut()
        .zip(shares.iter())
        .enumerate()
    {
        cover += rise;
        let share = cover.clamp(0.0, 1.0);
        match paint {
            Paint::Plain(colour, 1.0) if share > 0.9999 => *pixel = colour,
            Paint::Plain(colour, strength) => blend(pixel, colour, share * strength as f32),
            Paint::Add(_) | Paint::TakeDown(_) => {
                let (colour, strength) =
                    shade(paint, (first + step) as f64 + 0.5, row as f64 + 0.5);
                blend(pixel, colour, share * strength as f32);
            }
        }
    }
    shares.fill(0.0);
}

/// Mixes a colour into a pixel.
fn blend(pixel: &mut [u8; 3], colour: Colour, share: f32) {
    for (below, above) in pixel.iter_mut().zip(colour) {
        let mixed = f32::from(*below) + (f32::from(above) - f32::from(*below)) * share;
        *below = (mixed + 0.5) as u8;
    }
}

/// A paint's colour at a place, and how much it covers.
fn shade(paint: Paint, x: f64, y: f64) -> (Colour, f64) {
    // Distance from `value` to the nearest whole multiple of `pitch`.
    let off = |value: f64, pitch: f64| (value - (value / pitch).round() * pitch).abs();
    match paint {
        Paint::Plain(colour, strength) => (colour, strength),
        Paint::Add(pitch) => {
            let across = off((x + y) * std::f64::consts::FRAC_1_SQRT_2, pitch);
            let stripe = (pitch * STRIPE / 2.0 - across + 0.5).clamp(0.0, 1.0);
            (mixed(ADD, WHITE, stripe), 0.9)
        }
        Paint::TakeDown(pitch) => {
            let from_dot = off(x, pitch).hypot(off(y, pitch));
            let dot = (pitch * DOT / 2.0 - from_dot + 0.5).clamp(0.0, 1.0);
            (mixed(TAKE_DOWN, INK, dot), 0.9)
        }
    }
}

/// Width of a stripe as a share of the pitch.
pub const STRIPE: f64 = 0.36;
/// Width of a dot as a share of the pitch.
pub const DOT: f64 = 0.46;

/// A colour between two.
fn mixed(from: Colour, to: Colour, share: f64) -> Colour {
    let mut colour = from;
    blend(&mut colour, to, share as f32);
    colour
}

/// Cosine of the sharpest turn that a line's edges follow by themselves; a sharper one gets a disc.
const MILD_TURN: f64 = 0.9;

/// The outlines that together make a line of a width: its two edges, and discs for its ends and sharp corners.
fn stroke(points: &[Place], width: f64) -> Vec<Vec<Place>> {
    let half = width / 2.0;
    let mut corners: Vec<Place> = Vec::with_capacity(points.len());
    for point in points {
        // Points closer than this make no difference that can be seen, and no direction that can be trusted.
        if corners
            .last()
            .is_none_or(|last| (point - last).norm() > 0.25)
        {
            corners.push(*point);
        }
    }
    let ways: Vec<Vector2<f64>> = corners
        .windows(2)
        .filter_map(|pair| Some((pair.last()? - pair.first()?).normalize()))
        .collect();
    let side = |way: &Vector2<f64>| Vector2::new(-way.y, way.x) * half;
    let (mut left, mut right, mut discs) = (Vec::new(), Vec::new(), Vec::new());
    for (at, corner) in corners.iter().enumerate() {
        let before = at.checked_sub(1).and_then(|before| ways.get(before));
        let sides: Vec<Vector2<f64>> = match (before, ways.get(at)) {
            (Some(from), Some(to)) if from.dot(to) > MILD_TURN => {
                // The corner of the two edges lies out by one over the cosine of half the turn.
                let middle = side(from) + side(to);
                vec![middle * (2.0 * half * half / middle.norm_squared())]
            }
            (from, to) => {
                discs.push(disc(*corner, half));
                from.into_iter().chain(to).map(side).collect()
            }
        };
        left.extend(sides.iter().map(|side| corner - side));
        right.extend(sides.iter().map(|side| corner + side));
    }
    // This order runs the same way round as the discs, so overlaps add up instead of cancelling.
    left.extend(right.into_iter().rev());
    discs.push(left);
    discs
}

/// A disc as an outline.
fn disc(middle: Place, radius: f64) -> Vec<Place> {
    let corners = ((radius * 4.0).ceil() as usize).clamp(8, 48);
    (0..corners)
        .map(|corner| {
            let turn = corner as f64 / corners as f64 * std::f64::consts::TAU;
            middle + Vector2::new(turn.cos(), turn.sin()) * radius
        })
        .collect()
}

/// Cuts a line into dashes of a length with spaces as long between.
fn dashed(points: &[Place], dash: f64) -> Vec<Vec<Place>> {
    let mut pieces: Vec<Vec<Place>> = Vec::new();
    let mut gone = 0.0;
    let mut piece: Vec<Place> = points.first().copied().into_iter().collect();
    let mut drawing = true;
    for pair in points.windows(2) {
        let [from, to] = pair else { continue };
        let length = (to - from).norm();
        let mut along = 0.0;
        while dash > 0.0 && gone + (length - along) >= dash {
            along += dash - gone;
            gone = 0.0;
            let at = from + (to - from) * (along / length);
            if drawing {
                piece.push(at);
                pieces.push(std::mem::take(&mut piece));
            } else {
                piece = vec![at];
            }
            drawing = !drawing;
        }
        gone += length - along;
        if drawing {
            piece.push(*to);
        }
    }
    let long_enough = piece.iter().skip(1).any(|at| Some(at) != piece.first());
    if drawing && long_enough {
        pieces.push(piece);
    }
    pieces
}

/// Writes a text.
fn write(onto: &mut RgbImage, text: &Text) {
    let left = text.at.x
        - match text.anchor {
            Anchor::Start => 0.0,
            Anchor::Middle => font::width(&text.words, text.size, text.bold) / 2.0,
            Anchor::End => font::width(&text.words, text.size, text.bold),
        };
    let face = font::face(text.bold);
    font::lay(&text.words, text.size, text.bold, |mut glyph| {
        glyph.position.x += left as f32;
        glyph.position.y += text.at.y as f32;
        let Some(outlined) = face.outline_glyph(glyph) else {
            return;
        };
        let corner = outlined.px_bounds().min;
        outlined.draw(|x, y, share| {
            let (x, y) = (
                corner.x as i64 + i64::from(x),
                corner.y as i64 + i64::from(y),
            );
            if let (Ok(x), Ok(y)) = (u32::try_from(x), u32::try_from(y))
                && let Some(pixel) = onto.get_pixel_mut_checked(x, y)
            {
                blend(&mut pixel.0, text.colour, share.min(1.0));
            }
        });
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sum of the red channel, in full pixels: the area drawn in white on black.
    fn area(shape: Shape) -> f64 {
        let mut picture = RgbImage::new(60, 40);
        draw(
            &Drawing {
                width: 60.0,
                height: 40.0,
                shapes: vec![shape],
            },
            &mut picture,
        );
        picture
            .pixels()
            .map(|pixel| f64::from(pixel.0[0]) / 255.0)
            .sum()
    }

    fn corners(list: &[(f64, f64)]) -> Vec<Place> {
        list.iter().map(|(x, y)| Place::new(*x, *y)).collect()
    }

    fn check(outline: &[(f64, f64)], expected: f64) {
        let found = area(Shape::Area {
            outline: corners(outline),
            paint: Paint::Plain(WHITE, 1.0),
        });
        // Eight layers and 8-bit pixels: a tenth of a pixel over outlines of this size.
        assert!(
            (found - expected).abs() < 0.1 + 0.005 * expected,
            "{found} instead of {expected}"
        );
    }

    #[test]
    fn areas_are_those_of_geometry() {
        check(
            &[(10.0, 10.0), (20.0, 10.0), (20.0, 15.0), (10.0, 15.0)],
            50.0,
        );
        check(
            &[(10.25, 10.5), (20.75, 10.5), (20.75, 15.25), (10.25, 15.25)],
            10.5 * 4.75,
        );
        check(
            &[(5.0, 5.0), (45.0, 8.0), (20.0, 35.0)],
            0.5 * (40.0 * 30.0 - 15.0 * 3.0),
        );
        // Twice round the same square is the square; reaching out of the picture is cut off.
        let square = [(10.0, 10.0), (20.0, 10.0), (20.0, 20.0), (10.0, 20.0)];
        check(&[square, square].concat(), 100.0);
        check(
            &[(-10.0, -10.0), (5.0, -10.0), (5.0, 5.0), (-10.0, 5.0)],
            25.0,
        );
        check(
            &[(50.0, 30.0), (90.0, 30.0), (90.0, 90.0), (50.0, 90.0)],
            100.0,
        );
        check(&[(f64::NAN, 1.0), (2.0, f64::NAN), (3.0, 3.0)], 0.0);
        check(&[], 0.0);
    }

    #[test]
    fn a_line_is_a_box_with_round_ends() {
        let line = |points: &[(f64, f64)]| {
            area(Shape::Line {
                points: corners(points),
                width: 4.0,
                colour: WHITE,
                dash: None,
            })
        };
        let round = std::f64::consts::PI * 4.0;
        assert!((line(&[(10.0, 20.0), (40.0, 20.0)]) - (120.0 + round)).abs() < 1.5);
        // A corner in the middle of a straight line changes nothing.
        assert!(
            (line(&[(10.0, 12.0), (25.0, 18.0), (40.0, 24.0)])
                - line(&[(10.0, 12.0), (40.0, 24.0)]))
            .abs()
                < 0.5
        );
    }

    #[test]
    fn dashes_cover_half() {
        let whole = Shape::Line {
            points: corners(&[(5.0, 20.0), (55.0, 20.0)]),
            width: 2.0,
            colour: WHITE,
            dash: None,
        };
        let pieces = dashed(&corners(&[(5.0, 20.0), (30.0, 20.0), (55.0, 20.0)]), 5.0);
        assert_eq!(pieces.len(), 5);
        let length: f64 = pieces
            .iter()
            .map(|piece| (piece[piece.len() - 1] - piece[0]).norm())
            .sum();
        assert!((length - 25.0).abs() < 1e-9);
        assert!(area(whole) > 100.0);
        assert_eq!(dashed(&corners(&[(5.0, 20.0), (30.0, 20.0)]), 0.0).len(), 1);
    }

    #[test]
    fn text_is_as_wide_as_it_says() {
        let mut picture = RgbImage::new(300, 60);
        let text = Text {
            at: Place::new(10.0, 40.0),
            size: 30.0,
            bold: true,
            colour: WHITE,
            anchor: Anchor::Start,
            words: "HIH".to_string(),
        };
        draw(
            &Drawing {
                width: 300.0,
                height: 60.0,
                shapes: vec![Shape::Text(text)],
            },
            &mut picture,
        );
        let lit: Vec<u32> = picture
            .enumerate_pixels()
            .filter(|(_, _, p)| p.0[0] > 128)
            .map(|(x, _, _)| x)
            .collect();
        let (first, last) = (
            lit.iter().min().copied().unwrap_or(0),
            lit.iter().max().copied().unwrap_or(0),
        );
        let wide = font::width("HIH", 30.0, true);
        assert!(
            first >= 10 && f64::from(last) < 10.0 + wide && f64::from(last - first) > wide * 0.85
        );
    }
}
