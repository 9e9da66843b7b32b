//! Why no card was found, as far as the photo tells.

use super::lattice::Patch;
use super::layout::{self, Layout};
use super::plane::Plane;
use super::{Card, CardError, find::LEAST_CORNERS, place};

/// Narrowest square whose marker can be told, px: then a cell is two pixels wide.
const LEAST_SQUARE_PX: f64 = 16.0;

/// Fewest corners of a patch taken for a card: three by three.
const CARD_LIKE: usize = 9;

/// Fewest corners of a patch of small squares that may be a card far away.
const SMALL_CARD: usize = 6;

/// The most telling reason for finding nothing.
///
/// `few`: a card that was read but shows too few corners; `unread`: patches of lattice that no layout fits.
pub fn reason(
    photo: &Plane,
    layouts: &[Layout],
    few: Option<&Card>,
    unread: &[Patch],
) -> CardError {
    if let Some(card) = few {
        return CardError::TooFew {
            name: card.layout.name.clone(),
            corners: card.corners.len(),
            of: card.layout.corners(),
            need: LEAST_CORNERS,
        };
    }
    let light = light(photo);
    if light.brightest < 40 {
        return CardError::Dark;
    }
    if light.darkest > 225 || light.blown > 0.6 {
        return CardError::Bright;
    }
    let mut like: Vec<&Patch> = unread
        .iter()
        .filter(|p| p.corners.len() >= CARD_LIKE)
        .collect();
    like.sort_by_key(|p| std::cmp::Reverse(p.corners.len()));
    let asked = match layouts {
        [one] => format!("'{}'", one.name),
        _ => "the cards asked for".to_owned(),
    };
    let built_in = layout::built_in();
    for patch in &like {
        if let Some((placing, _)) = place::identify(photo, patch, &built_in)
            && let Some(seen) = built_in.get(placing.layout)
        {
            return CardError::OtherCard {
                seen: seen.name.clone(),
                asked,
            };
        }
        if let Some((first, last)) = place::ids(photo, patch, layouts) {
            return CardError::OtherMarkers { first, last, asked };
        }
    }
    if let Some(patch) = like.first() {
        let side = patch.side_px();
        return if side < LEAST_SQUARE_PX {
            CardError::TooSmall { square_px: side }
        } else {
            CardError::Unread
        };
    }
    let small = unread
        .iter()
        .filter(|p| p.corners.len() >= SMALL_CARD && p.side_px() < LEAST_SQUARE_PX);
    if let Some(patch) = small.max_by_key(|p| p.corners.len()) {
        return CardError::TooSmall {
            square_px: patch.side_px(),
        };
    }
    if is_blurred(photo) {
        CardError::Blurred
    } else {
        CardError::NoCard
    }
}

struct Light {
    /// 99.5% of the photo is darker than this, grey levels.
    brightest: u8,
    /// 2% of the photo is darker than this.
    darkest: u8,
    /// Share of the photo at full white.
    blown: f64,
}

fn light(photo: &Plane) -> Light {
    let mut counts = [0usize; 256];
    for y in (0..photo.height).step_by(4) {
        for &v in photo.row(y).iter().step_by(4) {
            counts[usize::from(v)] += 1;
        }
    }
    let all: usize = counts.iter().sum();
    let below = |share: f64| {
        let mut sum = 0;
        counts.iter().position(|&n| {
            sum += n;
            sum as f64 >= share * all as f64
        })
    };
    let level = |share: f64| below(share).unwrap_or(255) as u8;
    let blown = counts[250..].iter().sum::<usize>() as f64 / all.max(1) as f64;
    Light {
        brightest: level(0.995),
        darkest: level(0.02),
        blown,
    }
}

/// Whether even the steepest edges of the photo, along its rows or along its columns, take many pixels.
///
/// A sharp edge, of a blur of 1.5 px (standard deviation), makes 26% of its step in one pixel; a blur of 2 px leaves 20%,
/// one of 3 px 13%, a shake of 16 px 6%. Grain adds a few grey levels. Shake has one direction, so each is judged by itself, if it shows edges at all.
fn is_blurred(photo: &Plane) -> bool {
    let columns: Vec<Vec<u8>> = (8..photo.width)
        .step_by(16)
        .map(|x| {
            (0..photo.height)
                .filter_map(|y| photo.row(y).get(x))
                .copied()
                .collect()
        })
        .collect();
    let rows: Vec<&[u8]> = (8..photo.height)
        .step_by(16)
        .map(|y| photo.row(y))
        .collect();
    let columns: Vec<&[u8]> = columns.iter().map(Vec::as_slice).collect();
    [rows, columns].iter().any(|lines| {
        let (one, wide) = (steepest(lines, 1), steepest(lines, 16));
        wide > 30.0 && one < 0.2 * wide
    })
}

/// The step over so many pixels that one stretch of 64 px in a hundred exceeds, grey levels.
fn steepest(lines: &[&[u8]], span: usize) -> f64 {
    let step = |w: &[u8]| w.first().zip(w.last()).map_or(0, |(a, b)| a.abs_diff(*b));
    let mut steps: Vec<u8> = lines
        .iter()
        .flat_map(|line| line.chunks(64))
        .filter_map(|part| part.windows(span + 1).map(step).max())
        .collect();
    let at = steps.len() * 99 / 100;
    if steps.is_empty() {
        0.0
    } else {
        f64::from(*steps.select_nth_unstable(at).1)
    }
}
