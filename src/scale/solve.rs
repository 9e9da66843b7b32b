//! Cards and lens to a [`Scale`]: one adjustment for pose, bow, card places and, when not known, the lens.

use super::adjust::{Residuals, adjust};
use super::homography::{homography, pose};
use super::surface::Surface;
use crate::budget::Part;
use crate::card::Card;
use crate::lens::model::PARAMETERS;
use crate::lens::{Lens, UprightLens};
use crate::units::{K95, Mm, Px};
use nalgebra::{DMatrix, DVector, Point2, Rotation2, Rotation3, Vector2, Vector3};
use thiserror::Error;

/// Why a photo's cards give no scale.
#[derive(Debug, Error, PartialEq)]
pub enum ScaleError {
    /// No card handed in.
    #[error(
        "no scale card was found in the photo; lay one flat beside the line, whole and in focus"
    )]
    NoCard,
    /// Too few corners, or all on one line.
    #[error(
        "only {seen} of card '{name}' can be used as it lies; at least {need} corners not in one row are needed. Take it out of the glare or step closer"
    )]
    TooFew {
        /// Card name.
        name: String,
        /// Corners seen.
        seen: usize,
        /// Corners needed.
        need: usize,
    },
    /// The adjustment went nowhere.
    #[error(
        "the camera's place can't be worked out from card '{name}'; lay the card flat on the panel and take the photo less from the side"
    )]
    Unsolved {
        /// Card name.
        name: String,
    },
}

/// Lengths of the printed check bars as measured with a rule.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Printed {
    /// Printed length along x over nominal.
    pub ratio_x: f64,
    /// Printed length along y over nominal.
    pub ratio_y: f64,
    /// Half-width of the 95% interval of either ratio (the rule's reading error over the bar's length).
    pub u95: f64,
}

impl Default for Printed {
    /// Not measured: nominal, with an ordinary printer's error of 0.3%.
    fn default() -> Self {
        Printed {
            ratio_x: 1.0,
            ratio_y: 1.0,
            u95: 0.003,
        }
    }
}

/// What is taken as known beside the cards' corners.
#[derive(Debug, Clone)]
pub struct Assume {
    /// True length of the print.
    pub printed: Printed,
    /// How far panels bow: 95% half-width of the sagitta on a chord of 1 m, mm.
    pub bow_u95_mm: f64,
    /// Direction of the bow axis in the first card's frame, rad, when known (the traced line's own).
    pub axis_rad: Option<f64>,
    /// Lens and its covariance; `None`: an ordinary phone's is assumed.
    pub lens: Option<UprightLens>,
    /// The lens file may be another lens's: keep its values, doubt them as an ordinary phone's.
    pub lens_doubt: bool,
    /// Focal length from EXIF, px, used without a lens file.
    pub focal_px: Option<f64>,
    /// Upright photo width, px.
    pub width: usize,
    /// Upright photo height, px.
    pub height: usize,
}

/// Corners a card needs.
pub const NEED: usize = 6;

/// Sagitta 95% of the design's default bow on a metre.
pub const BOW_U95_MM: f64 = 25.0;

/// Photo pixels to millimetres in the first card's frame.
#[derive(Debug, Clone)]
pub struct Scale {
    pub(super) frame: Frame,
    /// Which of the frame's photos this is; 0 unless several were solved together.
    pub(super) photo: usize,
    pub(super) parameters: DVector<f64>,
    pub(super) state: State,
    /// Share of each source in the covariance of the parameters.
    pub(super) covariance: Vec<(Part, DMatrix<f64>)>,
    /// Rms residual of each card's corners, px, in the order given.
    pub rms_px: Vec<f64>,
    /// Standard uncertainty of a corner as the fit found it, px.
    pub sigma_px: f64,
    /// Standard uncertainty of a corner that the covariance was reckoned with, px: more where corners err alike.
    pub(super) corner_u_px: f64,
    /// Cards left out because they don't lie on the panel of the first, or show fewer than [`NEED`] corners.
    pub apart: Vec<String>,
}

/// What stays fixed while parameters move.
#[derive(Debug, Clone)]
pub(super) struct Frame {
    pub(super) lens: Lens,
    /// Columns: one lens parameter vector a unit of the whitened lens parameters; empty when exact.
    pub(super) lens_root: Vec<[f64; PARAMETERS]>,
    pub(super) rotation: Rotation3<f64>,
    pub(super) translation: Vector3<f64>,
    pub(super) origin: Point2<f64>,
    pub(super) axis_rad: f64,
    pub(super) axis_u: f64,
    pub(super) bow_u: f64,
    pub(super) skew_u: f64,
    pub(super) printed: Printed,
    pub(super) placements: Vec<[f64; 3]>,
    /// Half sides of each card, mm.
    pub(super) half_sides: Vec<[f64; 2]>,
    /// Names of the cards' layouts.
    pub(super) names: Vec<String>,
    /// Further photos of the same cards: each has its own eight parameters (rotation, translation, bow, skew) behind all
    /// others.
    pub(super) further: Vec<Stance>,
}

/// Where the camera stood for one photo, and about which place of the panel its bow is counted.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stance {
    pub(super) rotation: Rotation3<f64>,
    pub(super) translation: Vector3<f64>,
    pub(super) origin: Point2<f64>,
}

/// Parameters of a further photo.
pub(super) const STANCE: usize = 8;

/// Everything evaluated at one set of parameters.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub(super) lens: Lens,
    pub(super) surface: Surface,
    pub(super) rotation: Rotation3<f64>,
    pub(super) translation: Vector3<f64>,
    /// Printed length over nominal of each card, x and y.
    ratio: Vec<[f64; 2]>,
    pub(super) placements: Vec<[f64; 3]>,
    /// How far each card's ends stand off the panel when its middle lies on it, along its x and its y, mm.
    curl: Vec<[f64; 2]>,
    half_sides: Vec<[f64; 2]>,
}

pub(super) const FIXED: usize = 10; // rotation 3, translation 3, bow, skew, axis, cards' share of the bow
pub(super) const TURN_UNIT: f64 = 0.01;
/// A card taped on lies within 0.3 mm of the shape it was given from middle to end (95%; ours, no source: two thicknesses of
/// card).
const CURL_U_MM: f64 = 0.3 / K95;
/// Share of the panel's bow that a card follows: paper taped down all of it, a stiff card, touching with its middle, none. Which it
/// is isn't known: mean and standard deviation of both when three of ten are stiff (ours, no source).
const FOLLOWS: f64 = 0.7;
const FOLLOWS_U: f64 = 0.46;

impl Frame {
    /// Parameters of all photos.
    pub(super) fn count(&self) -> usize {
        self.own() + STANCE * self.further.len()
    }

    /// Parameters in front of those of further photos.
    pub(super) fn own(&self) -> usize {
        FIXED + self.lens_root.len() + 3 * self.placements.len() + 4 * self.half_sides.len()
    }

    /// As [`Frame::state`], seen from one of the photos.
    pub(super) fn state_of(&self, p: &DVector<f64>, photo: usize) -> State {
        let mut state = self.state(p);
        let Some((k, stance)) = photo
            .checked_sub(1)
            .and_then(|k| Some((k, self.further.get(k)?)))
        else {
            return state;
        };
        let at = self.own() + STANCE * k;
        state.rotation =
            Rotation3::new(Vector3::new(p[at], p[at + 1], p[at + 2]) * TURN_UNIT) * stance.rotation;
        state.translation = stance.translation + Vector3::new(p[at + 3], p[at + 4], p[at + 5]);
        state.surface.bow = p[at + 6] * self.bow_u;
        state.surface.skew = p[at + 7] * self.skew_u;
        state.surface.origin = stance.origin;
        state.curl = self.curls(p, &state.surface);
        state
    }

    /// Parameters in units of a sensible step, zero at the start: rotation 0.01 rad, translation mm; bow, skew, axis and what of
    /// the bow the cards follow in units of their prior's u; lens whitened; x mm, y mm, turn 0.01 rad of each further card;
    /// then of every card its curl and its print ratio along x and y in units of their u.
    pub(super) fn state(&self, p: &DVector<f64>) -> State {
        let lens = if self.lens_root.is_empty() {
            self.lens
        } else {
            let mut values = self.lens.parameters();
            for (k, root) in self.lens_root.iter().enumerate() {
                for (value, r) in values.iter_mut().zip(root) {
                    *value += p[FIXED + k] * r;
                }
            }
            self.lens.with_parameters(&values)
        };
        let turn = Rotation3::new(Vector3::new(p[0], p[1], p[2]) * TURN_UNIT);
        let u = self.printed.u95 / K95;
        let first = FIXED + self.lens_root.len();
        let surface = Surface {
            bow: p[6] * self.bow_u,
            skew: p[7] * self.skew_u,
            axis_rad: self.axis_rad + p[8] * self.axis_u,
            origin: self.origin,
        };
        let placements = self
            .placements
            .iter()
            .enumerate()
            .map(|(i, at)| {
                let k = first + 3 * i;
                [at[0] + p[k], at[1] + p[k + 1], at[2] + TURN_UNIT * p[k + 2]]
            })
            .collect();
        State {
            lens,
            curl: self.curls(p, &surface),
            surface,
            rotation: turn * self.rotation,
            translation: self.translation + Vector3::new(p[3], p[4], p[5]),
            ratio: (0..self.half_sides.len())
                .map(|i| {
                    let k = first + 3 * self.placements.len() + 2 * self.half_sides.len() + 2 * i;
                    [
                        self.printed.ratio_x * (1.0 + p[k] * u),
                        self.printed.ratio_y * (1.0 + p[k + 1] * u),
                    ]
                })
                .collect(),
            placements,
            half_sides: self.half_sides.clone(),
        }
    }

    /// How far each card's ends stand off a panel bowed like this, mm: what it doesn't follow of the bow, and its own curl.
    fn curls(&self, p: &DVector<f64>, surface: &Surface) -> Vec<[f64; 2]> {
        let first = FIXED + self.lens_root.len() + 3 * self.placements.len();
        // Cards in one photo come off one stack: what they follow more or less of is common to all.
        let missed = p[9] * FOLLOWS_U * self.bow_u;
        (0..self.half_sides.len())
            .map(|i| {
                let [w, h] = self.half_sides[i];
                let [x, y, turn] = match i.checked_sub(1) {
                    None => [0.0; 3],
                    Some(k) => self.placements[k],
                };
                let middle = Rotation2::new(turn) * Point2::new(w, h) + Vector2::new(x, y);
                let (sin, cos) = (self.axis_rad - turn).sin_cos();
                let bow = surface.curvature(middle);
                let curl = |half: f64, own: f64| {
                    own * CURL_U_MM - 0.5 * half * half * ((1.0 - FOLLOWS) * bow + missed)
                };
                [
                    curl(w * cos, p[first + 2 * i]),
                    curl(h * sin, p[first + 2 * i + 1]),
                ]
            })
            .collect()
    }
}

impl State {
    /// Photo place of a place in the first card's frame (true mm).
    pub(super) fn px(&self, mm: Point2<f64>) -> Option<Point2<f64>> {
        self.px_above(mm, 0.0)
    }

    /// Photo place of a printed corner of card `index`.
    pub(super) fn corner_px(&self, index: usize, printed: Point2<f64>) -> Option<Point2<f64>> {
        let ([w, h], [cx, cy]) = (self.half_sides[index], self.curl[index]);
        let (u, v) = (printed.x / w - 1.0, printed.y / h - 1.0);
        self.px_above(self.place(index, printed), cx * u * u + cy * v * v)
    }

    /// Photo place of a place `depth` mm behind the panel's surface.
    pub(super) fn px_above(&self, mm: Point2<f64>, depth: f64) -> Option<Point2<f64>> {
        let place =
            self.rotation * (self.surface.lift(mm) + Vector3::z() * depth) + self.translation;
        (place.z > 1.0).then(|| {
            self.lens
                .project(Point2::new(place.x / place.z, place.y / place.z))
        })
    }

    /// Place in the first card's frame (true mm) that a photo place shows.
    pub(super) fn mm(&self, px: Point2<f64>) -> Option<Point2<f64>> {
        self.mm_above(px, 0.0)
    }

    /// As [`State::mm`] for a place `height` mm in front of the surface.
    pub(super) fn mm_above(&self, px: Point2<f64>, height: f64) -> Option<Point2<f64>> {
        let ray = self.lens.ray(px);
        let back = self.rotation.inverse();
        self.surface.meet(
            back * -self.translation + Vector3::z() * height,
            back * Vector3::new(ray.x, ray.y, 1.0),
        )
    }

    /// Where a printed corner of card `index` lies in the first card's frame.
    fn place(&self, index: usize, printed: Point2<f64>) -> Point2<f64> {
        let (x, y) = (
            printed.x * self.ratio[index][0],
            printed.y * self.ratio[index][1],
        );
        if index == 0 {
            return Point2::new(x, y);
        }
        let [x0, y0, turn] = self.placements[index - 1];
        let (s, c) = turn.sin_cos();
        Point2::new(x0 + x * c - y * s, y0 + x * s + y * c)
    }
}

/// Solves pose, bow, card places and (when not exact) the lens from all cards together.
///
/// The first of `cards` that shows [`NEED`] corners is the frame; those that show fewer are left out. Standard uncertainty of
/// a corner: the cards' own, or the residual scatter where that is larger. Priors, each a normal distribution:
/// - bow: sagitta `bow_u95_mm` on 1 m at 95%; its change along the panel (third order) at 95% as much as makes a bow of that
///   size vanish half a metre on, or double: doors and wings flatten toward one end (ours, no source);
/// - print: each card's own length and width, as [`Printed`] says: cards come off different sheets;
/// - card: bent with the panel, as far as it isn't stiff ([`FOLLOWS`]), and within [`CURL_U_MM`] of that: one card's own bend says little of
///   the panel's, several cards' planes say it;
/// - bow axis: 2° about the traced line when that is known, else 5° about the line through the cards (ours, no source);
/// - an ordinary phone's lens without a lens file: focal length of EXIF 4% (35 mm equivalents are rounded, and stated by
///   width or by diagonal), 15% without EXIF; principal point 0.8% of the width; k1 0.1, k2 0.08, k3 0.03, tangential 5e-4
///   (ours, from the spread of published phone calibrations, from memory).
///
/// # Errors
/// [`ScaleError`]: no card, too few corners, no answer.
pub fn solve(cards: &[Card], assume: &Assume) -> Result<Scale, ScaleError> {
    let (usable, scant): (Vec<&Card>, Vec<&Card>) =
        cards.iter().partition(|c| c.corners.len() >= NEED);
    if let (true, Some(card)) = (usable.is_empty(), scant.first()) {
        return Err(ScaleError::TooFew {
            name: card.layout.name.clone(),
            seen: card.corners.len(),
            need: NEED,
        });
    }
    if scant.is_empty() {
        return solve_whole(cards, assume);
    }
    // A card cut by the picture's edge beside one that is seen well is no reason to refuse.
    let usable: Vec<Card> = usable.into_iter().cloned().collect();
    let mut scale = solve_whole(&usable, assume)?;
    scale
        .apart
        .extend(scant.iter().map(|c| c.layout.name.clone()));
    Ok(scale)
}

/// As [`solve`] for cards that all show enough corners.
fn solve_whole(cards: &[Card], assume: &Assume) -> Result<Scale, ScaleError> {
    let Some(first) = cards.first() else {
        return Err(ScaleError::NoCard);
    };
    let joint = solve_on(cards, assume);
    if cards.len() == 1 {
        return joint;
    }
    // A card that lies elsewhere than on the panel (on the floor, on a stand) spoils the common fit by far more than noise.
    let limit = 0.6_f64.max(8.0 * median_sigma(cards));
    match joint {
        Ok(scale) if scale.sigma_px <= limit => Ok(scale),
        _ => {
            let mut kept = vec![first.clone()];
            let mut apart = Vec::new();
            for card in &cards[1..] {
                kept.push(card.clone());
                if !solve_on(&kept, assume).is_ok_and(|s| s.sigma_px <= limit) {
                    kept.pop();
                    apart.push(card.layout.name.clone());
                }
            }
            let mut scale = solve_on(&kept, assume)?;
            scale.apart = apart;
            Ok(scale)
        }
    }
}

pub(super) fn median_sigma(cards: &[Card]) -> f64 {
    let mut sigma: Vec<f64> = cards.iter().map(|c| c.sigma_px).collect();
    sigma.sort_by(f64::total_cmp);
    sigma[sigma.len() / 2].clamp(0.02, 0.5)
}

fn solve_on(cards: &[Card], assume: &Assume) -> Result<Scale, ScaleError> {
    let name = || cards[0].layout.name.clone();
    let (lens, lens_root) = lens_prior(assume);
    let first_pose = card_pose(&cards[0], &lens).ok_or_else(|| ScaleError::TooFew {
        name: name(),
        seen: cards[0].corners.len(),
        need: NEED,
    })?;
    let ratio = Vector3::new(assume.printed.ratio_x, assume.printed.ratio_y, 1.0);
    let origin = middle(&cards[0]);
    let origin = Point2::new(origin.x * ratio.x, origin.y * ratio.y);
    let mut best: Option<Scale> = None;
    // A plane seen nearly square on has a twin, tilted the other way, that fits almost as well: start from both.
    for twin in [false, true] {
        let (rotation, at) = first_pose;
        let centre = rotation * Vector3::new(origin.x, origin.y, 0.0) + at;
        let rotation = if twin {
            twin_of(rotation, centre)
        } else {
            rotation
        };
        let Some(placements) = placements(cards, &lens, rotation, centre, origin) else {
            continue;
        };
        let (axis_rad, axis_u) = match assume.axis_rad {
            Some(axis) => (axis, 2f64.to_radians()),
            None => (axis_of(cards, &placements), 5f64.to_radians()),
        };
        // z = bow a²/2, sagitta s on a chord of 1 m: bow = 8 s / (1000 mm)².
        let bow_u = 8.0 * assume.bow_u95_mm.max(1e-3) / 1e6 / K95;
        let frame = Frame {
            lens,
            lens_root: lens_root.clone(),
            rotation,
            translation: centre,
            origin,
            axis_rad,
            axis_u,
            bow_u,
            // bow + 6 skew a = 0 at a = -0.5 m for bow and skew both at their 95%.
            skew_u: bow_u / 3e3,
            printed: assume.printed,
            placements,
            half_sides: cards.iter().map(|c| [middle(c).x, middle(c).y]).collect(),
            names: cards.iter().map(|c| c.layout.name.clone()).collect(),
            further: Vec::new(),
        };
        if let Some(scale) = settle(cards, frame)
            && best.as_ref().is_none_or(|b| scale.sigma_px < b.sigma_px)
        {
            best = Some(scale);
        }
    }
    best.ok_or_else(|| ScaleError::Unsolved { name: name() })
}

fn settle(cards: &[Card], frame: Frame) -> Option<Scale> {
    let start = DVector::zeros(frame.count());
    let mut sigma = median_sigma(cards);
    let mut adjusted = None;
    let mut p = start;
    for _ in 0..3 {
        let got = adjust(p.clone(), 30, |p| residuals(cards, &frame, p, sigma))?;
        p = got.parameters.clone();
        let corners: usize = cards.iter().map(|c| c.corners.len()).sum();
        let state = frame.state(&p);
        let square: f64 = misses(cards, &state)?
            .iter()
            .flatten()
            .map(|m| m.norm_squared())
            .sum();
        let free = (2 * corners) as f64 - (6 + 3 * frame.placements.len()) as f64;
        let found = (square / free.max(1.0)).sqrt();
        adjusted = Some((got, found, sigma));
        // Corners whose errors are alike count for fewer: the same covariance as with a larger sigma.
        let likely = found.max(median_sigma(cards)) * alike(cards, &misses(cards, &state)?).sqrt();
        if likely <= 1.02 * sigma {
            break;
        }
        sigma = likely;
    }
    let (got, found, corner_u_px) = adjusted?;
    let state = frame.state(&got.parameters);
    let rms_px = misses(cards, &state)?
        .iter()
        .map(|m| (m.iter().map(|v| v.norm_squared()).sum::<f64>() / m.len().max(1) as f64).sqrt())
        .collect();
    Some(Scale {
        parameters: got.parameters,
        state,
        covariance: got.covariance,
        rms_px,
        sigma_px: found,
        corner_u_px,
        apart: Vec::new(),
        photo: 0,
        frame,
    })
}

fn misses(cards: &[Card], state: &State) -> Option<Vec<Vec<Vector2<f64>>>> {
    cards
        .iter()
        .enumerate()
        .map(|(i, card)| {
            card.corners
                .iter()
                .map(|c| Some(state.corner_px(i, c.mm.0)? - c.px.0))
                .collect()
        })
        .collect()
}

/// How many corners err alike: ((1 + r) / (1 - r))², r the correlation of neighbouring corners' residuals along a row or
/// column, and squared since they do so in both. Paper that lifts, a lens not quite as its file says and the panel's own
/// small waves move a whole patch of corners together; only what is independent averages out (the effective sample size
/// of a first-order autoregression, from memory). 1 to 9.
pub fn alike(cards: &[Card], misses: &[Vec<Vector2<f64>>]) -> f64 {
    let (mut product, mut square, mut pairs, mut count) = (0.0, 0.0, 0.0, 0.0);
    for (card, misses) in cards.iter().zip(misses) {
        let across = card.layout.squares_x - 1;
        let at = |id: usize| card.corners.binary_search_by_key(&id, |c| c.id).ok();
        for (corner, miss) in card.corners.iter().zip(misses) {
            square += miss.norm_squared();
            count += 1.0;
            let right = if (corner.id + 1) % across != 0 {
                at(corner.id + 1)
            } else {
                None
            };
            for k in [right, at(corner.id + across)].into_iter().flatten() {
                product += miss.dot(&misses[k]);
                pairs += 1.0;
            }
        }
    }
    if pairs < 8.0 || square <= 0.0 {
        return 1.0;
    }
    let r = (product / pairs / (square / count)).clamp(0.0, 0.5);
    ((1.0 + r) / (1.0 - r)).powi(2)
}

fn residuals(cards: &[Card], frame: &Frame, p: &DVector<f64>, sigma: f64) -> Option<Residuals> {
    let state = frame.state(p);
    let mut value = Vec::new();
    for miss in misses(cards, &state)?.iter().flatten() {
        value.push(miss.x / sigma);
        value.push(miss.y / sigma);
    }
    let mut part = vec![Part::Pose; value.len()];
    for i in [6, 7, 8, 9] {
        value.push(p[i]);
        part.push(Part::Bow);
    }
    for k in 0..frame.lens_root.len() {
        value.push(p[FIXED + k]);
        part.push(Part::Lens);
    }
    let curls = FIXED + frame.lens_root.len() + 3 * frame.placements.len();
    for k in curls..p.len() {
        value.push(p[k]);
        part.push(if k < curls + 2 * cards.len() {
            Part::Pose
        } else {
            Part::Scale
        });
    }
    value
        .iter()
        .all(|v| v.is_finite())
        .then_some(Residuals { value, part })
}

/// Lens to start from and a root of its covariance (columns).
pub(super) fn lens_prior(assume: &Assume) -> (Lens, Vec<[f64; PARAMETERS]>) {
    let long = assume.width.max(assume.height) as f64;
    let phone = |lens: &Lens, focal_share: f64| {
        let f = lens.fx;
        let sd: [f64; PARAMETERS] = [
            focal_share * f,
            0.003 * f,
            0.008 * long,
            0.008 * long,
            0.1,
            0.08,
            5e-4,
            5e-4,
            0.03,
        ];
        let mut root: Vec<[f64; PARAMETERS]> = Vec::new();
        for (i, s) in sd.iter().enumerate() {
            let mut column = [0.0; PARAMETERS];
            column[i] = *s;
            if i == 0 {
                column[1] = *s; // the focal length is common to x and y, their ratio is nearly one
            }
            root.push(column);
        }
        root
    };
    match &assume.lens {
        Some(known) if !assume.lens_doubt => {
            let root = known.covariance.as_ref().map_or_else(Vec::new, |c| {
                let eigen = c.clone().symmetric_eigen();
                (0..PARAMETERS)
                    .filter(|k| eigen.eigenvalues[*k] > 1e-18)
                    .map(|k| {
                        let s = eigen.eigenvalues[k].sqrt();
                        std::array::from_fn(|i| eigen.eigenvectors[(i, k)] * s)
                    })
                    .collect()
            });
            (known.lens, root)
        }
        Some(doubted) => (doubted.lens, phone(&doubted.lens, 0.04)),
        None => {
            let (focal, share) = match assume.focal_px {
                Some(f) if f > 0.2 * long && f < 20.0 * long => (f, 0.04),
                _ => (0.75 * long, 0.15),
            };
            let lens = Lens::pinhole(assume.width, assume.height, focal);
            let root = phone(&lens, share);
            (lens, root)
        }
    }
}

pub(super) fn middle(card: &Card) -> Point2<f64> {
    Point2::new(
        0.5 * card.layout.squares_x as f64 * card.layout.square_mm,
        0.5 * card.layout.squares_y as f64 * card.layout.square_mm,
    )
}

fn card_pose(card: &Card, lens: &Lens) -> Option<(Rotation3<f64>, Vector3<f64>)> {
    let mm: Vec<_> = card.corners.iter().map(|c| c.mm.0).collect();
    let rays: Vec<_> = card.corners.iter().map(|c| lens.ray(c.px.0)).collect();
    pose(&homography(&mm, &rays)?)
}

/// The other tilt: the plane's normal mirrored in the line of sight.
fn twin_of(rotation: Rotation3<f64>, at: Vector3<f64>) -> Rotation3<f64> {
    let sight = at.normalize();
    let normal = rotation * Vector3::z();
    let mirrored = sight * (2.0 * normal.dot(&sight)) - normal;
    match Rotation3::rotation_between(&normal, &mirrored) {
        Some(turn) => turn * rotation,
        None => rotation,
    }
}

/// Where the further cards lie, through the plane of the first.
fn placements(
    cards: &[Card],
    lens: &Lens,
    rotation: Rotation3<f64>,
    centre: Vector3<f64>,
    origin: Point2<f64>,
) -> Option<Vec<[f64; 3]>> {
    let flat = State {
        lens: *lens,
        surface: Surface {
            bow: 0.0,
            skew: 0.0,
            axis_rad: 0.0,
            origin,
        },
        rotation,
        translation: centre,
        ratio: vec![[1.0, 1.0]],
        placements: Vec::new(),
        curl: Vec::new(),
        half_sides: Vec::new(),
    };
    cards[1..]
        .iter()
        .map(|card| {
            let seen: Vec<(Point2<f64>, Point2<f64>)> = card
                .corners
                .iter()
                .map(|c| Some((c.mm.0, flat.mm(c.px.0)?)))
                .collect::<Option<_>>()?;
            Some(rigid(&seen))
        })
        .collect()
}

/// Rigid placement (x, y, turn) that takes the first of each pair to the second, least squares (Umeyama's closed form in 2-D).
fn rigid(pairs: &[(Point2<f64>, Point2<f64>)]) -> [f64; 3] {
    let n = pairs.len() as f64;
    let (mut a, mut b) = (Vector2::zeros(), Vector2::zeros());
    for (p, q) in pairs {
        a += p.coords / n;
        b += q.coords / n;
    }
    let (mut dot, mut cross) = (0.0, 0.0);
    for (p, q) in pairs {
        let (u, v) = (p.coords - a, q.coords - b);
        dot += u.dot(&v);
        cross += u.x * v.y - u.y * v.x;
    }
    let turn = cross.atan2(dot);
    let (s, c) = turn.sin_cos();
    [b.x - (a.x * c - a.y * s), b.y - (a.x * s + a.y * c), turn]
}

/// Mean direction of the cards' longer sides in the first card's frame: people lay a card along the swage.
fn axis_of(cards: &[Card], placements: &[[f64; 3]]) -> f64 {
    let turns = std::iter::once(0.0).chain(placements.iter().map(|p| p[2]));
    let (mut x, mut y) = (0.0, 0.0);
    for (card, turn) in cards.iter().zip(turns) {
        let long = if card.layout.squares_x >= card.layout.squares_y {
            0.0
        } else {
            std::f64::consts::FRAC_PI_2
        };
        // An axis has no sense of direction: doubled angles average.
        let (s, c) = (2.0 * (turn + long)).sin_cos();
        x += c;
        y += s;
    }
    0.5 * y.atan2(x)
}

impl Scale {
    /// Photo place of a place in the first card's frame; `None` behind the camera.
    pub fn px_from_mm(&self, mm: Mm) -> Option<Px> {
        self.state.px(mm.0).map(Px)
    }

    /// Place in the first card's frame that a photo place shows, on the panel's surface; `None` where the ray misses it.
    pub fn mm_from_px(&self, px: Px) -> Option<Mm> {
        self.state.mm(px.0).map(Mm)
    }

    /// As [`Scale::px_from_mm`] for a place `height` mm in front of the panel, toward the camera.
    pub fn px_above(&self, mm: Mm, height: f64) -> Option<Px> {
        self.state.px_above(mm.0, -height).map(Px)
    }

    /// As [`Scale::mm_from_px`] for a place `height` mm in front of the panel: the foot under it.
    pub fn mm_above(&self, px: Px, height: f64) -> Option<Mm> {
        self.state.mm_above(px.0, height).map(Mm)
    }

    /// The panel's surface.
    pub fn surface(&self) -> Surface {
        self.state.surface
    }

    /// Direction along which the cards were laid (or the line, when it was known), rad in the first card's frame: where a
    /// swage is looked for first. The surface's own axis may have moved from it to fit the corners.
    pub fn laid_axis_rad(&self) -> f64 {
        self.frame.axis_rad
    }

    /// Distance from the camera to the middle of the first card, mm.
    pub fn distance_mm(&self) -> f64 {
        self.state.translation.norm()
    }

    /// Where the camera stands: in the first card's frame, mm, x and y along the printed face, z into the panel (so below
    /// zero).
    pub fn camera_mm(&self) -> Vector3<f64> {
        let eye = self.state.rotation.inverse() * -self.state.translation;
        let (s, c) = self.state.surface.axis_rad.sin_cos();
        let origin = self.state.surface.origin;
        Vector3::new(
            origin.x + eye.x * c - eye.y * s,
            origin.y + eye.x * s + eye.y * c,
            eye.z,
        )
    }

    /// The lens as adjusted.
    pub fn lens(&self) -> Lens {
        self.state.lens
    }

    /// Millimetres a pixel covers at a photo place, the mean of both directions.
    pub fn mm_per_px(&self, px: Px) -> Option<f64> {
        let at = |dx: f64, dy: f64| self.state.mm(Point2::new(px.0.x + dx, px.0.y + dy));
        let (l, r, u, d) = (at(-1.0, 0.0)?, at(1.0, 0.0)?, at(0.0, -1.0)?, at(0.0, 1.0)?);
        let (x, y) = ((r - l) * 0.5, (d - u) * 0.5);
        Some((x.x * y.y - x.y * y.x).abs().sqrt())
    }
}
