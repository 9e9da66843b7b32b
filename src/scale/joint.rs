//! Several photos of one panel, joined through the cards they share: one adjustment for all.
//!
//! The panel unrolls flat, so cards seen in two photos tie these together by a rigid move in the plane, whatever the bow;
//! each photo has its own camera place and its own bow about its own cards (a car's side is no one parabola over three
//! metres), while the cards' places, their print, the bow's axis and the lens are common to all. Errors that photos share
//! (the lens file's above all) thus add up along the line as they do in truth.

use super::adjust::{Residuals, adjust};
use super::solve::{
    Assume, FIXED, Frame, Scale, ScaleError, Stance, State, alike, lens_prior, median_sigma, middle,
};
use crate::budget::Part;
use crate::card::Card;
use nalgebra::{DVector, Point2, Rotation3, Vector2, Vector3};
use thiserror::Error;

/// Why photos can't be joined.
#[derive(Debug, Error, PartialEq)]
pub enum JointError {
    /// A photo that shares no card with the others.
    #[error(
        "photo {photo} shares no card with the other photos: leave the cards where they are and let every two neighbouring photos show one and the same card"
    )]
    Alone {
        /// Its number in the order given, from 1.
        photo: usize,
    },
    /// No common answer.
    #[error(
        "the photos do not fit together: the cards must stay where they are between the photos, and each must lie flat on the panel"
    )]
    Unsolved,
    /// A photo by itself.
    #[error(transparent)]
    Scale(#[from] ScaleError),
}

/// One photo with its own scale, to start from.
pub struct Single<'a> {
    /// Its cards, its own first card first.
    pub cards: &'a [Card],
    /// Its scale.
    pub scale: &'a Scale,
}

/// How a photo's own first card lies in the common frame, as first reckoned: turn, then shift.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Move {
    /// Shift, mm.
    pub x: f64,
    /// Shift, mm.
    pub y: f64,
    /// Turn, rad.
    pub turn: f64,
}

impl Move {
    fn of([x, y, turn]: [f64; 3]) -> Move {
        Move { x, y, turn }
    }

    fn apply(&self, p: Point2<f64>) -> Point2<f64> {
        let (s, c) = self.turn.sin_cos();
        Point2::new(self.x + p.x * c - p.y * s, self.y + p.x * s + p.y * c)
    }

    /// First `inner`, then this.
    fn after(&self, inner: &Move) -> Move {
        let at = self.apply(Point2::new(inner.x, inner.y));
        Move {
            x: at.x,
            y: at.y,
            turn: self.turn + inner.turn,
        }
    }

    fn back(&self) -> Move {
        let (s, c) = self.turn.sin_cos();
        Move {
            x: -(self.x * c + self.y * s),
            y: self.x * s - self.y * c,
            turn: -self.turn,
        }
    }
}

/// Solves all photos together in the frame of the first photo's first card; a [`Scale`] for each, in the order given.
///
/// `axis_rad`: direction of the line in that frame. Cards are told apart by their layouts' names; a card that a photo's
/// own scale left out is left out here.
///
/// # Errors
/// [`JointError`].
pub fn solve(
    photos: &[Single],
    assume: &Assume,
    axis_rad: f64,
) -> Result<(Vec<Scale>, Vec<Move>), JointError> {
    let used: Vec<Vec<&Card>> = photos
        .iter()
        .map(|p| {
            p.cards
                .iter()
                .filter(|c| !p.scale.apart.contains(&c.layout.name))
                .collect()
        })
        .collect();
    let mut names: Vec<&str> = Vec::new();
    let mut places: Vec<Move> = Vec::new();
    let mut half_sides = Vec::new();
    let mut moves: Vec<Option<Move>> = vec![None; photos.len()];
    // From the first photo outward, always the next that shares a card.
    for _ in 0..photos.len() {
        let next = (0..photos.len()).find(|k| {
            moves[*k].is_none()
                && (names.is_empty()
                    || used[*k]
                        .iter()
                        .any(|c| names.contains(&c.layout.name.as_str())))
        });
        let Some(k) = next else { break };
        let own = |i: usize| match i.checked_sub(1) {
            None => Move::of([0.0; 3]),
            Some(i) => Move::of(photos[k].scale.state.placements[i]),
        };
        let shift = match names.is_empty() {
            true => Move::of([0.0; 3]),
            false => {
                let shared = used[k].iter().enumerate().find_map(|(i, c)| {
                    let at = names.iter().position(|n| *n == c.layout.name)?;
                    Some((i, at))
                });
                let Some((i, at)) = shared else { break };
                places[at].after(&own(i).back())
            }
        };
        moves[k] = Some(shift);
        for (i, card) in used[k].iter().enumerate() {
            if !names.contains(&card.layout.name.as_str()) {
                names.push(&card.layout.name);
                places.push(shift.after(&own(i)));
                half_sides.push([middle(card).x, middle(card).y]);
            }
        }
    }
    let moves: Vec<Move> = moves
        .iter()
        .enumerate()
        .map(|(k, m)| m.ok_or(JointError::Alone { photo: k + 1 }))
        .collect::<Result<_, _>>()?;
    let stances: Vec<Stance> = photos
        .iter()
        .zip(&moves)
        .map(|(p, m)| stance(p.scale, m, axis_rad))
        .collect();
    let (lens, lens_root) = lens_prior(assume);
    let own = &photos[0].scale.frame;
    let frame = Frame {
        lens,
        lens_root,
        rotation: stances[0].rotation,
        translation: stances[0].translation,
        origin: stances[0].origin,
        axis_rad,
        axis_u: own.axis_u,
        bow_u: own.bow_u,
        skew_u: own.skew_u,
        printed: assume.printed,
        placements: places[1..].iter().map(|m| [m.x, m.y, m.turn]).collect(),
        half_sides,
        names: names.iter().map(|n| (*n).to_string()).collect(),
        further: stances[1..].to_vec(),
    };
    // Observations: photo, number of the card, corners.
    let seen: Vec<(usize, usize, &Card)> = used
        .iter()
        .enumerate()
        .flat_map(|(k, cards)| {
            let names = &names;
            cards.iter().filter_map(move |c| {
                let at = names.iter().position(|n| *n == c.layout.name)?;
                Some((k, at, *c))
            })
        })
        .collect();
    let scales = settle(&seen, frame, photos).ok_or(JointError::Unsolved)?;
    Ok((scales, moves))
}

/// A photo's camera place about the common axis: its own surface's frame is turned by the difference of the two axes.
fn stance(scale: &Scale, shift: &Move, axis_rad: f64) -> Stance {
    let by = shift.turn + scale.state.surface.axis_rad - axis_rad;
    Stance {
        rotation: scale.state.rotation * Rotation3::new(Vector3::z() * -by),
        translation: scale.state.translation,
        origin: shift.apply(scale.state.surface.origin),
    }
}

fn misses(seen: &[(usize, usize, &Card)], states: &[State]) -> Option<Vec<Vec<Vector2<f64>>>> {
    seen.iter()
        .map(|(k, at, card)| {
            card.corners
                .iter()
                .map(|c| Some(states[*k].corner_px(*at, c.mm.0)? - c.px.0))
                .collect()
        })
        .collect()
}

fn settle(seen: &[(usize, usize, &Card)], frame: Frame, photos: &[Single]) -> Option<Vec<Scale>> {
    let cards: Vec<Card> = seen.iter().map(|(_, _, c)| (*c).clone()).collect();
    let states = |p: &DVector<f64>| -> Vec<State> {
        (0..photos.len()).map(|k| frame.state_of(p, k)).collect()
    };
    let mut p = DVector::zeros(frame.count());
    for (k, photo) in photos.iter().enumerate() {
        let (bow, skew) = match k {
            0 => (6, 7),
            _ => {
                let at = frame.own() + super::solve::STANCE * (k - 1);
                (at + 6, at + 7)
            }
        };
        p[bow] = photo.scale.state.surface.bow / frame.bow_u;
        p[skew] = photo.scale.state.surface.skew / frame.skew_u;
    }
    let mut sigma = median_sigma(&cards);
    let mut adjusted = None;
    for _ in 0..3 {
        let got = adjust(p.clone(), 30, |p| {
            residuals(seen, &frame, p, &states(p), sigma)
        })?;
        p = got.parameters.clone();
        let misses = misses(seen, &states(&p))?;
        let corners: usize = misses.iter().map(Vec::len).sum();
        let square: f64 = misses.iter().flatten().map(|m| m.norm_squared()).sum();
        let taken = 6 * photos.len() + 3 * frame.placements.len();
        let free = (2.0 * corners as f64 - taken as f64).max(1.0);
        let found = (square / free).sqrt();
        let likely = found.max(median_sigma(&cards)) * alike(&cards, &misses).sqrt();
        adjusted = Some((got, found, misses, sigma));
        if likely <= 1.02 * sigma {
            break;
        }
        sigma = likely;
    }
    let (got, found, misses, corner_u_px) = adjusted?;
    // Cards that were moved between photos spoil the common fit by far more than noise does.
    let alone = photos.iter().map(|p| p.scale.sigma_px).fold(0.0, f64::max);
    if found > 0.6_f64.max(6.0 * alone) {
        return None;
    }
    let rms = |k: usize| -> Vec<f64> {
        seen.iter()
            .zip(&misses)
            .filter(|((photo, _, _), _)| *photo == k)
            .map(|(_, m)| {
                (m.iter().map(|v| v.norm_squared()).sum::<f64>() / m.len().max(1) as f64).sqrt()
            })
            .collect()
    };
    Some(
        (0..photos.len())
            .map(|k| Scale {
                state: frame.state_of(&got.parameters, k),
                parameters: got.parameters.clone(),
                covariance: got.covariance.clone(),
                rms_px: rms(k),
                sigma_px: found,
                corner_u_px,
                apart: photos[k].scale.apart.clone(),
                photo: k,
                frame: frame.clone(),
            })
            .collect(),
    )
}

pub(super) fn residuals(
    seen: &[(usize, usize, &Card)],
    frame: &Frame,
    p: &DVector<f64>,
    states: &[State],
    sigma: f64,
) -> Option<Residuals> {
    let mut value = Vec::new();
    for miss in misses(seen, states)?.iter().flatten() {
        value.push(miss.x / sigma);
        value.push(miss.y / sigma);
    }
    let mut part = vec![Part::Pose; value.len()];
    let mut add = |k: usize, of: Part| {
        value.push(p[k]);
        part.push(of);
    };
    for k in [6, 7, 8, 9] {
        add(k, Part::Bow);
    }
    let lenses = frame.lens_root.len();
    for k in FIXED..FIXED + lenses {
        add(k, Part::Lens);
    }
    let curls = FIXED + lenses + 3 * frame.placements.len();
    let prints = curls + 2 * frame.half_sides.len();
    for k in curls..frame.own() {
        add(k, if k < prints { Part::Pose } else { Part::Scale });
    }
    for k in 0..frame.further.len() {
        let at = frame.own() + super::solve::STANCE * k;
        add(at + 6, Part::Bow);
        add(at + 7, Part::Bow);
    }
    value
        .iter()
        .all(|v| v.is_finite())
        .then_some(Residuals { value, part })
}
