//! Why no card was found, as far as the photo tells.

use super::lattice::Patch;
use super::layout::{self, Layout};
use super::plane::Plane;
use super::{Card, CardError, find::LEAST_CORNERS, place};

/// Narrowest square whose marker can be told, px: then a cell is two pixels wide.
const LEAST_SQUARE_PX: f64 = 16.0;

/// Fewest corners of a patch taken for a card: three by three.
const CARD_LIKE: usize = 9;

/// The most telling reason for finding nothing.
///
/// `few`: a card that was read but shows too few corners; `unread`: patches of lattice that no layout fits.
pub fn reason(photo: &Plane, layouts: &[Layout], few: Option<&Card>, unread: &[Patch]) -> CardError {
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
    let mut like: Vec<&Patch> = unread.iter().filter(|p| p.corners.len() >= CARD_LIKE).collect();
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
            return CardError::OtherCard { seen: seen.name.clone(), asked };
        }
        if let Some((first, last)) = place::ids(photo, patch, layouts) {
            return CardError::OtherMarkers { first, last, asked };
        }
    }
    if let Some(patch) = like.first() {
        let side = patch.side_px();
        return if side < LEAST_SQUARE_PX { CardError::TooSmall { square_px: side } } else { CardError::Unread };
    }
    if is_blurred(photo) { CardError::Blurred } else { CardError::NoCard }
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
    Light { brightest: level(0.995), darkest: level(0.02), blown }
}

/// Whether even the steepest edges of the photo take many pixels: its steepest step over one pixel against that over
/// eight (a sharp edge, blur of 1.5 px, makes a quarter of it in one pixel; at a blur of 4 px it is a tenth).
fn is_blurred(photo: &Plane) -> bool {
    let steepest = |span: usize| {
        let mut steps: Vec<u8> = Vec::new();
        for y in (4..photo.height).step_by(8) {
            let row = photo.row(y);
            let tops = row.chunks(64).map(|part| part.windows(span + 1).map(|w| w[0].abs_diff(w[span])).max());
            steps.extend(tops.flatten());
        }
        let at = steps.len() * 99 / 100;
        if steps.is_empty() { 0 } else { *steps.select_nth_unstable(at).1 }
    };
    let (one, eight) = (f64::from(steepest(1)), f64::from(steepest(8)));
    eight > 20.0 && one < 0.16 * eight
}
