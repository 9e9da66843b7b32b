//! What single change would make the straightness surest: the photo that might be taken instead, reckoned through.
//!
//! Each change is made in the adjusted scene ([`crate::scale::suppose`]): a lens file, the camera level with the line, the
//! camera nearer, one more card where it tells most, the print measured. The covariance that such a photo would have goes
//! through the same figures as the photo's own, so the promise is of the interval itself and not of a part of its budget.

use super::LineOptions;
use super::figures::{scale_variance, zone_u95};
use super::shape::Shape;
use crate::card::{Card, Layout};
use crate::scale::solve::Scale;
use crate::scale::suppose::Sight;
use crate::units::Mm;
use crate::verdict::Remedy;
use nalgebra::{Rotation2, Vector2};

/// A camera nearer level than this is level: people hold a phone no better (3.4°, common practice, no source).
const LEVEL_RAD: f64 = 0.06;
/// The camera need not come nearer than to this share of its distance; a shorter way than to [`NOT_NEARER`] is none.
const NEAREST: f64 = 0.4;
const NOT_NEARER: f64 = 0.85;
/// Two photos that overlap by a card are taken from about this share of the distance of one. What their joint adds and what
/// nearer cards take off again are left out.
const HALVED: f64 = 0.6;
/// A rule reads the check bars to this share (half-width at 95%), as the printed lengths' own uncertainty has it.
const RULE_SHARE: f64 = 0.002;
/// Where a further card is tried, as shares of the line's length.
const PLACES: [f64; 7] = [0.08, 0.22, 0.36, 0.5, 0.64, 0.78, 0.92];
/// Draws for an interval that is compared with others: the same draws for all, so that what they lack cancels.
const DRAWS: u64 = 120;

/// The photos a line was measured on.
pub struct Taken<'a> {
    /// Their scales, solved together.
    pub scales: &'a [Scale],
    /// The cards seen in each.
    pub cards: &'a [&'a [Card]],
    /// The photo each of the line's points lies in; empty when there is one.
    pub owner: &'a [usize],
    /// Whether a lens file was given that is this lens's.
    pub lens: bool,
    /// Whether the printed check bars were measured.
    pub printed: bool,
}

/// Every change that can be made, with the half-width it would leave of the straightness' interval `u95_mm`.
pub fn remedies(shape: &Shape, taken: &Taken, options: &LineOptions, u95_mm: f64) -> Vec<Remedy> {
    let Some(now) = Sight::of(taken.scales, taken.cards) else {
        return Vec::new();
    };
    let line = Line { shape, taken };
    let Some(base) = line.u95(&now, 1.0, options) else {
        return Vec::new();
    };
    // As a share of what the same reckoning makes of the photo as it is: what both leave out drops out.
    let left = |sight: &Sight, nearer: f64| Some(u95_mm * line.u95(sight, nearer, options)? / base);
    let mut out = Vec::new();
    let mut add = |words: String, u95: Option<f64>| {
        out.extend(u95.map(|u95_mm| Remedy { words, u95_mm }));
    };
    if !taken.lens {
        add(
            "Make a lens file for this phone once, from a dozen photos of the printed board, and give it with --lens".into(),
            left(&now.with_lens(), 1.0),
        );
    }
    if !taken.printed {
        add(
            "Measure the two check bars printed on the card and give their lengths with --printed"
                .into(),
            left(&now.with_print(RULE_SHARE), 1.0),
        );
    }
    if let Some((level, degrees)) = line.levelled(&now) {
        add(
            format!("Hold the camera level with the line, it is {degrees:.0}° off"),
            left(&level, 1.0),
        );
    }
    if let Some((near, share)) = line.nearer(&now) {
        add(
            format!(
                "Step closer, to {:.0}% of the distance, so that the line fills the photo",
                100.0 * share
            ),
            left(&near, share),
        );
    } else if line.photos() == 1 {
        add(
            format!(
                "Take it in two overlapping photos from {:.0}% of the distance that share a card, and join them with --join",
                100.0 * HALVED
            ),
            left(&now, HALVED),
        );
    }
    if let Some((more, words)) = line.further_card(&now) {
        add(words, left(&more, 1.0));
    }
    out
}

struct Line<'a> {
    shape: &'a Shape,
    taken: &'a Taken<'a>,
}

impl Line<'_> {
    fn points(&self) -> &[Mm] {
        &self.shape.placed.points
    }

    fn owner(&self, point: usize) -> usize {
        self.taken.owner.get(point).copied().unwrap_or(0)
    }

    /// The line's shape as these photos would have it; `nearer`: share of the distance.
    fn shape(&self, sight: &Sight, nearer: f64) -> Option<Shape> {
        let scales = sight.scales()?;
        let mut out = self.shape.clone();
        let n = self.points().len();
        let mut from = 0;
        while from < n {
            let photo = self.owner(from);
            let to = (from..n).find(|k| self.owner(*k) != photo).unwrap_or(n);
            let px = self.points()[from..to]
                .iter()
                .map(|p| sight.px(photo, *p))
                .collect::<Option<Vec<_>>>()?;
            let placed = scales.get(photo)?.carry(&px)?;
            out.placed.slopes.splice(from..to, placed.slopes);
            out.placed.covariance = placed.covariance;
            from = to;
        }
        // What is a share of a pixel shrinks with the pixel.
        let factor = (1.0 - self.shape.pixel_share * (1.0 - nearer * nearer)).sqrt();
        for run in &mut out.runs {
            run.u_edge_mm.iter_mut().for_each(|u| *u *= factor);
        }
        Some(out)
    }

    fn u95(&self, sight: &Sight, nearer: f64, options: &LineOptions) -> Option<f64> {
        zone_u95(&self.shape(sight, nearer)?, options, DRAWS).ok()
    }

    /// Mean variance across the line, less its straight line, that the scale leaves: quick, to choose places by.
    fn geometry(&self, sight: &Sight) -> Option<f64> {
        scale_variance(&self.shape(sight, 1.0)?).ok()
    }

    fn middle(&self, photo: usize) -> Option<Mm> {
        let own: Vec<usize> = (0..self.points().len())
            .filter(|k| self.owner(*k) == photo)
            .collect();
        own.get(own.len() / 2).map(|k| self.points()[*k])
    }

    fn photos(&self) -> usize {
        self.taken.scales.len()
    }

    /// All cameras level with the line, and how far off the worst is, degrees.
    fn levelled(&self, now: &Sight) -> Option<(Sight, f64)> {
        let mut level = now.clone();
        let mut worst: f64 = 0.0;
        for photo in 0..self.photos() {
            let Some(through) = self.middle(photo) else {
                continue;
            };
            worst = worst.max(now.off_level_rad(photo, through).abs());
            level = level.levelled(photo, through);
        }
        (worst > LEVEL_RAD).then(|| (level, worst.to_degrees()))
    }

    /// The camera as near as it can be with the line and the cards still in the photo, and that share of the distance.
    /// Several photos of one line are as near as their overlaps let them be.
    fn nearer(&self, now: &Sight) -> Option<(Sight, f64)> {
        if self.photos() > 1 {
            return None;
        }
        let points = self.points();
        let (first, last) = (points.first()?, points.last()?);
        let about = Mm(nalgebra::center(&first.0, &last.0));
        let at = |share: f64| {
            let sight = now.nearer(0, about, share);
            let whole = sight.shows(0, *first) && sight.shows(0, *last) && sight.shows_cards();
            whole.then_some((sight, share))
        };
        let mut best = None;
        let mut share = NOT_NEARER;
        while share >= NEAREST {
            match at(share) {
                Some(found) => best = Some(found),
                None => break,
            }
            share *= 0.93;
        }
        best
    }

    /// One more card like the first, as far from the line as that one, where it tells most.
    fn further_card(&self, now: &Sight) -> Option<(Sight, String)> {
        let card = self.taken.cards.first()?.first()?;
        let layout = &card.layout;
        let points = self.points();
        let n = points.len();
        let along = (points[n - 1].0 - points[0].0).try_normalize(1e-9)?;
        let turn = along.y.atan2(along.x);
        let (w, h) = (
            layout.squares_x as f64 * layout.square_mm,
            layout.squares_y as f64 * layout.square_mm,
        );
        let turned = |x: f64, y: f64| Rotation2::new(turn) * Vector2::new(x, y);
        // The first card's own middle is this far across the line.
        let middle = nalgebra::Point2::new(0.5 * w, 0.5 * h);
        let across = Vector2::new(-along.y, along.x);
        let nearest = points
            .iter()
            .min_by(|a, b| (a.0 - middle).norm().total_cmp(&(b.0 - middle).norm()))?;
        let off = (middle - nearest.0).dot(&across);
        // A card laid across the line's way may stand taller here than it does there.
        let off = off.signum() * off.abs().max(0.5 * h + layout.square_mm);
        let mut best: Option<(f64, Sight, f64)> = None;
        for share in PLACES {
            let foot = points[(share * (n - 1) as f64) as usize].0;
            let centre = foot + across * off;
            if self.taken(centre, layout) {
                continue;
            }
            let corner = centre - turned(0.5 * w, 0.5 * h);
            if let Some(sight) = now.with_card(layout, [corner.x, corner.y, turn])
                && let Some(left) = self.geometry(&sight)
                && best.as_ref().is_none_or(|(least, _, _)| left < *least)
            {
                best = Some((left, sight, share));
            }
        }
        let (_, sight, share) = best?;
        let many = now.cards();
        let which = match many {
            1 => "second",
            2 => "third",
            _ => "further",
        };
        let place = match share {
            s if s < 0.3 => "near its left end",
            s if s < 0.43 => "left of its middle",
            s if s > 0.7 => "near its right end",
            s if s > 0.57 => "right of its middle",
            _ => "in the middle",
        };
        Some((sight, format!("Lay a {which} card along the line {place}")))
    }

    /// Whether a card lies there already, in any of the photos.
    fn taken(&self, centre: nalgebra::Point2<f64>, layout: &Layout) -> bool {
        let reach = 0.5 * layout.squares_x.max(layout.squares_y) as f64 * layout.square_mm;
        self.taken
            .scales
            .iter()
            .zip(self.taken.cards)
            .any(|(scale, cards)| {
                cards.iter().any(|card| {
                    let seen = card.corners.iter().filter_map(|c| scale.mm_from_px(c.px));
                    seen.map(|p| (p.0 - centre).norm())
                        .fold(f64::INFINITY, f64::min)
                        < reach + card.layout.square_mm
                })
            })
    }
}
