//! The edge of a sheet, board or card: a clean step, with a side face where the camera sees one.

use super::follow::{STATION, Seen};
use crate::solve::robust::median;
use crate::trace::rim::{self, Rim};
use std::ops::Range;

/// An edge at which the light hardly changes is none: least change, share of the profile's range.
const LEAST_DROP: f64 = 0.15;
/// What a pixel off the snapped course, and off where the edge lies elsewhere along it, weighs against misfit.
const FROM_START: f64 = 0.003;
const FROM_USUAL: f64 = 0.01;
/// Columns of a stretch, and where the edge may be in it with its misfit.
type Stretch = (Range<usize>, Vec<(f64, Rim)>);
/// Widest side face that is modelled, px.
const WIDEST_FACE: f64 = 30.0;

/// Places of the edge: column (between two where it falls so) and px outward of the course. `face`: how wide the side
/// face looks at each column; `blur_px`: the photo's blur. `None` where no stretch shows an edge.
pub fn read(seen: &Seen, face: &[f64], blur_px: f64) -> Option<Vec<(f64, f64)>> {
    let n = seen.columns();
    // Stretches of a centimetre first: where the edge is, and how large its step.
    let block = ((10.0 / seen.mm_per_px) as usize).clamp(40, 120).min(n);
    let count = (n / block).max(1);
    let stretches: Vec<Stretch> = (0..count)
        .map(|b| {
            let range = b * n / count..(b + 1) * n / count;
            let middle = middle_of(&range);
            let face = face[middle].min(WIDEST_FACE);
            let found = seen
                .profile(range.clone(), seen.start[middle], room(face))
                .map_or_else(Vec::new, |p| candidates(&p, face, blur_px));
            (range, found)
        })
        .collect();
    // The edge lies alike off the snapped course all along: a stretch that says otherwise must say it clearly.
    let offset =
        |middle: usize, rim: &Rim| rim.at + seen.start[middle].round() - seen.start[middle];
    let mut usual: Vec<f64> = stretches
        .iter()
        .filter_map(|(range, found)| {
            let best = found.iter().min_by(|a, b| a.0.total_cmp(&b.0))?;
            Some(offset(middle_of(range), &best.1))
        })
        .collect();
    let usual = median(&mut usual)?;
    let mut places = Vec::new();
    for (range, found) in stretches {
        let middle = middle_of(&range);
        let worth = |c: &(f64, Rim)| c.0 + FROM_USUAL * (offset(middle, &c.1) - usual).abs();
        let best = found
            .into_iter()
            .min_by(|a, b| worth(a).total_cmp(&worth(b)));
        if let Some((_, coarse)) = best {
            let shift = offset(middle, &coarse);
            stations(
                seen,
                face,
                blur_px,
                range,
                block,
                (coarse, shift),
                &mut places,
            );
        }
    }
    Some(places)
}

/// Places a few columns apart in a stretch: the lights beside the edge from a centimetre about each, the place from the
/// columns themselves.
fn stations(
    seen: &Seen,
    face: &[f64],
    blur_px: f64,
    range: Range<usize>,
    block: usize,
    (coarse, shift): (Rim, f64),
    places: &mut Vec<(f64, f64)>,
) {
    let mut lights: Option<(usize, Rim)> = None;
    for k in range.step_by(STATION) {
        let end = k + STATION;
        if end > seen.columns() {
            break;
        }
        let mid = (k + end) / 2;
        let face = face[mid].min(WIDEST_FACE);
        let at = 0.5 * (seen.start[(k + end - 1) / 2] + seen.start[mid]);
        let Some(own) = seen.profile(k..end, at, room(face)) else {
            continue;
        };
        let long = match lights {
            Some((near, rim)) if mid.abs_diff(near) <= block / 8 => rim,
            _ => {
                let begin = shift - (seen.start[mid].round() - seen.start[mid]);
                let about = mid.saturating_sub(block / 2)..(mid + block / 2).min(seen.columns());
                let rim = seen
                    .profile(about, seen.start[mid], room(face))
                    .and_then(|p| rim::read(&p, begin, face, blur_px, 4))
                    .filter(|rim| likely(rim, &coarse, begin))
                    .unwrap_or(coarse);
                lights = Some((mid, rim));
                rim
            }
        };
        let begin = shift - (at.round() - at);
        let place = rim::shifted(&own, &long, begin, face, blur_px)
            .filter(|place| (place - begin).abs() < FARTHEST_PX);
        if let Some(place) = place {
            places.push((0.5 * (k + end - 1) as f64, at.round() + place));
        }
    }
}

/// Farthest that a few columns may lie off their stretch, px.
const FARTHEST_PX: f64 = 3.5;

fn middle_of(range: &Range<usize>) -> usize {
    (range.start + range.end) / 2
}

/// Rows needed on either side of the edge.
fn room(face: f64) -> usize {
    (rim::INSIDE_PX + rim::BEYOND_PX + face.max(0.0)) as usize + 9
}

/// Where the edge may be in the mean profile of a stretch, each with its misfit as a share of the profile's range.
fn candidates(profile: &[f64], face: f64, blur_px: f64) -> Vec<(f64, Rim)> {
    let middle = profile.len() / 2;
    let near = profile.get(middle.saturating_sub(6)..(middle + 6).min(profile.len()));
    let (low, high) = near
        .unwrap_or_default()
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (v.min(l), v.max(h))
        });
    let range = high - low;
    if range.is_nan() || range <= 0.0 {
        return Vec::new();
    }
    // A snapped place may lie at the face's foot.
    [0.0, -1.2, 1.2, -face.max(0.0), face.max(0.0)]
        .iter()
        .filter(|s| s.abs() < 6.0)
        .filter_map(|s| rim::read(profile, *s, face, blur_px, 10))
        .filter(|r| r.drop.abs() > LEAST_DROP * range && r.at.abs() < 4.5)
        .map(|r| (r.misfit / range + FROM_START * r.at.abs(), r))
        .collect()
}

/// Lights that go with those of the stretch.
fn likely(rim: &Rim, coarse: &Rim, begin: f64) -> bool {
    let ratio = rim.step / coarse.step;
    (0.3..3.0).contains(&ratio) && (rim.at - begin).abs() < FARTHEST_PX
}
