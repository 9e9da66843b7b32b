//! The marked photo of a stripe: both borders, where the tool changes, and which tool goes where.

use super::canvas;
use super::drawing::{
    ADD, Anchor, Colour, Drawing, Frame, INK, Paint, Place, TAKE_DOWN, Text, WHITE, wrapped,
};
use super::labels::{self, Label, Room};
use super::radii::headline;
use super::shrink::shrink;
use super::words::short;
use crate::check::radii::RadiiResult;
use crate::photo::Photo;
use image::RgbImage;
use nalgebra::Vector2;

/// The longer side of the shown photo, px.
const LONGEST: usize = 1600;
/// Most zones with a label.
const LABELS: usize = 8;
/// Ground of the band above the photo.
const BAND: Colour = [24, 28, 34];

/// The marked photo as PNG.
pub fn png(photo: &Photo, result: &RadiiResult) -> Vec<u8> {
    let scale = (LONGEST as f64 / photo.width.max(photo.height).max(1) as f64).min(1.0);
    let width = ((photo.width as f64 * scale).round() as usize).max(1);
    let height = ((photo.height as f64 * scale).round() as usize).max(1);
    let unit = width as f64 / 100.0;
    let room = width as f64 - 4.0 * unit;
    let head = wrapped(&headline(result), 3.8 * unit, true, room);
    let next = wrapped(&format!("Next: {}", result.next), 2.8 * unit, false, room);
    let band =
        2.0 * unit + 4.8 * unit * head.len() as f64 + 3.8 * unit * next.len() as f64 + 1.2 * unit;
    let band = band.ceil();
    let mut picture = RgbImage::new(width as u32, band as u32 + height as u32);
    let top = band as usize * width * 3;
    if let Some(body) = picture.get_mut(top..top + 3 * width * height) {
        shrink(photo, body, width, height);
    }
    let mut drawing = Drawing::new(f64::from(picture.width()), f64::from(picture.height()));
    let strip = Frame {
        left: 0.0,
        top: 0.0,
        right: width as f64,
        bottom: band,
    };
    drawing.area(strip.corners(), Paint::Plain(BAND, 1.0));
    let mut y = 1.0 * unit;
    let mut say = |drawing: &mut Drawing, lines: &[String], size: f64, lead: f64, bold: bool| {
        for words in lines {
            y += lead;
            drawing.text(Text {
                at: Place::new(2.0 * unit, y),
                size,
                bold,
                colour: WHITE,
                anchor: Anchor::Start,
                words: words.clone(),
            });
        }
    };
    say(&mut drawing, &head, 3.8 * unit, 4.8 * unit, true);
    say(&mut drawing, &next, 2.8 * unit, 3.8 * unit, false);
    if let Some(borders) = &result.borders_px {
        let shown = |list: &[[f64; 2]]| -> Vec<Place> {
            list.iter()
                .map(|[x, y]| Place::new((x + 0.5) * scale, (y + 0.5) * scale + band))
                .collect()
        };
        let near = shown(&borders.near_px);
        let far = shown(&borders.far_px);
        drawing.rimmed(near.clone(), 0.28 * unit, ADD);
        drawing.rimmed(far.clone(), 0.28 * unit, TAKE_DOWN);
        zones(
            &mut drawing,
            result,
            &borders.near_s_mm,
            &near,
            &far,
            unit,
            band,
        );
    }
    canvas::draw(&drawing, &mut picture);
    canvas::png(&picture)
}

/// A bar across the stripe where the tool changes, and the tools' names.
fn zones(
    drawing: &mut Drawing,
    result: &RadiiResult,
    s_mm: &[f64],
    near: &[Place],
    far: &[Place],
    unit: f64,
    band: f64,
) {
    let (Some(first), Some(last)) = (near.first(), near.last()) else {
        return;
    };
    let run = last - first;
    if run.norm() < 1.0 {
        return;
    }
    let away = Vector2::new(-run.y, run.x).normalize();
    let at = |s: f64| -> Option<(Place, Place)> {
        let k = s_mm
            .iter()
            .enumerate()
            .min_by(|a, b| (a.1 - s).abs().total_cmp(&(b.1 - s).abs()))?
            .0;
        let foot = *near.get(k)?;
        let facing = far
            .iter()
            .min_by(|a, b| (**a - foot).norm().total_cmp(&(**b - foot).norm()))?;
        Some((foot, *facing))
    };
    for zone in result.zones.iter().skip(1) {
        if let Some((a, b)) = at(zone.from_mm) {
            let out = (b - a).try_normalize(1e-9).unwrap_or(away) * (1.6 * unit);
            drawing.rimmed(vec![a - out, b + out], 0.35 * unit, INK);
        }
    }
    let labels: Vec<Label> = result
        .zones
        .iter()
        .take(LABELS)
        .filter_map(|zone| {
            let (a, b) = at(0.5 * (zone.from_mm + zone.to_mm))?;
            let words = match &zone.tool {
                Some(tool) => format!("{tool} · gauge {}", short(zone.gauge_mm, 1)),
                None => format!("no tool · R {}", short(zone.gauge_mm, 1)),
            };
            Some(Label {
                at: Place::from(0.5 * (a.coords + b.coords)),
                side: -1.0,
                words,
                colour: if zone.tool.is_some() { ADD } else { TAKE_DOWN },
            })
        })
        .collect();
    let room = Room {
        within: Frame {
            left: unit,
            top: band + unit,
            right: drawing.width - unit,
            bottom: drawing.height - unit,
        },
        keep_clear: near.iter().chain(far).step_by(4).copied().collect(),
        away,
    };
    labels::draw(drawing, &labels, &room, 2.6 * unit);
}
