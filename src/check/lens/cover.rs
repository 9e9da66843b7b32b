//! What of the frame and of the poses a set of board photos covers, and which are missing.
//!
//! A lens is known where corners were; its focal length only from boards that lean; the print's stretch and the sensor's
//! only apart from one another when the phone was turned (Zhang 2000 and common practice of calibration).

use super::Field;
use super::bundle::{Bundle, View};
use super::lens_part;
use crate::lens::upright_place;
use crate::units::K95;
use nalgebra::{Point2, Vector3};
use serde::{Deserialize, Serialize};

/// What is covered, seen as most of the photos were held.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Coverage {
    /// Upright width of the frame, px.
    pub width: usize,
    /// Upright height of the frame, px.
    pub height: usize,
    /// Three rows of three parts of the frame, from the top left.
    pub zones: Vec<Zone>,
    /// Photos in which the board's left, right, top, bottom side came nearer by [`LEAN_DEG`] or more.
    pub nearer: [usize; 4],
    /// Whether the phone was turned by a quarter between photos.
    pub quarter_turn: bool,
    /// Corners of every photo used, upright px.
    #[serde(skip)]
    pub corners: Vec<Vec<Point2<f64>>>,
}

/// A ninth of the frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Zone {
    /// Board corners seen in its outer part, all photos together.
    pub corners: usize,
    /// How well the lens is known at its worst there, px.
    pub u95_px: f64,
}

/// Tilt that counts as leaning, degrees.
pub const LEAN_DEG: f64 = 15.0;
/// Corners that a zone needs: they must fix its distortion and leave some to check it.
const ZONE_CORNERS: usize = 4;
/// A rim zone counts as covered by corners within this share of the frame from the rim.
const RIM: f64 = 0.2;

/// Of an adjusted set. `orientations`: EXIF, of each view.
pub fn coverage(bundle: &Bundle, views: &[&View], orientations: &[u8], field: &Field) -> Coverage {
    let lens = &bundle.lens;
    let held = most_common(orientations);
    let upright = |p: Point2<f64>| upright_place(p, lens.width, lens.height, held);
    let (width, height) = if held >= 5 {
        (lens.height, lens.width)
    } else {
        (lens.width, lens.height)
    };
    let corners: Vec<Vec<Point2<f64>>> = views
        .iter()
        .map(|v| v.card.corners.iter().map(|c| upright(c.px.0)).collect())
        .collect();
    let (w, h) = (width as f64, height as f64);
    let third = |share: f64| -> usize { ((share * 3.0) as usize).min(2) };
    // A place belongs to a rim zone when it lies near the rim, to a middle one in the middle third.
    let rim = |share: f64| match share {
        s if s < RIM => Some(0),
        s if s > 1.0 - RIM => Some(2),
        s if (1.0 / 3.0..2.0 / 3.0).contains(&s) => Some(1),
        _ => None,
    };
    let mut zones = vec![
        Zone {
            corners: 0,
            u95_px: 0.0
        };
        9
    ];
    for p in corners.iter().flatten() {
        if let (Some(x), Some(y)) = (rim(p.x / w), rim(p.y / h)) {
            zones[3 * y + x].corners += 1;
        }
    }
    for (p, u) in field
        .px
        .iter()
        .zip(field.each(&lens_part(&bundle.covariance)))
    {
        let p = upright(*p);
        let zone = &mut zones[3 * third(p.y / h) + third(p.x / w)];
        zone.u95_px = zone.u95_px.max(K95 * u);
    }
    let mut nearer = [0; 4];
    let mut rolls = Vec::new();
    let origin = upright(Point2::origin());
    let turned = |x: f64, y: f64| upright(Point2::new(x, y)) - origin;
    for (rotation, _) in &bundle.poses {
        let normal = rotation * Vector3::z();
        // The side toward which the normal leans is the nearer one.
        let lean = turned(normal.x, normal.y);
        let limit = LEAN_DEG.to_radians().sin();
        for (count, part) in nearer.iter_mut().zip([-lean.x, lean.x, -lean.y, lean.y]) {
            *count += usize::from(part > limit);
        }
        let along = rotation * Vector3::x();
        rolls.push(along.y.atan2(along.x).to_degrees());
    }
    let quarter_turn = rolls.iter().any(|a| {
        rolls.iter().any(|b| {
            let apart = (a - b).rem_euclid(180.0);
            (60.0..120.0).contains(&apart)
        })
    });
    Coverage {
        width,
        height,
        zones,
        nearer,
        quarter_turn,
        corners,
    }
}

fn most_common(values: &[u8]) -> u8 {
    let count = |v: u8| values.iter().filter(|w| **w == v).count();
    let most = values.iter().map(|v| count(*v)).max().unwrap_or(0);
    values
        .iter()
        .copied()
        .find(|v| count(*v) == most)
        .unwrap_or(1)
}

/// Poses that are missing, most useful first, each as what to do.
pub fn missing(coverage: &Coverage) -> Vec<String> {
    let mut out = Vec::new();
    let sides = ["left", "right", "top", "bottom"];
    for (side, count) in sides.iter().zip(coverage.nearer) {
        if count == 0 {
            out.push(format!(
                "the board seen aslant by about 30°, its {side} side nearer to the phone"
            ));
        }
    }
    if !coverage.quarter_turn {
        out.push("the phone turned by a quarter against the board".into());
    }
    let names = [
        "top left corner",
        "top edge",
        "top right corner",
        "left edge",
        "middle",
        "right edge",
        "bottom left corner",
        "bottom edge",
        "bottom right corner",
    ];
    for (name, zone) in names.iter().zip(&coverage.zones) {
        if zone.corners < ZONE_CORNERS {
            out.push(format!(
                "the board's squares reaching into the {name} of the picture"
            ));
        }
    }
    out
}
