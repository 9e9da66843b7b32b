//! The adjustment behind a lens calibration: lens, board and every camera place at once.
//!
//! After Zhang ("A flexible new technique for camera calibration", 2000, from memory) with the board's own shape as
//! unknowns: a sheet of paper is neither flat nor printed quite true. Its depth is a polynomial of fourth order, its print a
//! stretch, a skew and a curve of second order, each held by what paper and printers do. The print's overall size shifts
//! the cameras and leaves the lens alone, so it is no unknown.
//!
//! Gauss–Newton with damping on the normal equations; the camera places, six unknowns a photo, are eliminated photo by
//! photo (Schur's complement), so the work grows with the number of photos and not with its cube.

use crate::card::Card;
use crate::lens::Lens;
use crate::lens::model::PARAMETERS;
use crate::scale::homography::{homography, pose};
use crate::solve::robust::{median, tukey};
use crate::units::K95;
use nalgebra::{
    DMatrix, DVector, Matrix2x3, Matrix6, Point2, Rotation3, SMatrix, Vector2, Vector3, Vector6,
};

/// Terms of the board's shape.
pub const SHAPE: usize = 18;
/// Unknowns that all photos share: the lens, then the board.
pub const SHARED: usize = PARAMETERS + SHAPE;
/// Terms of the shape that are depth; the rest lie in the print's plane.
pub const DEPTH: usize = 10;

/// Half-widths of the 95% interval of the board's shape, mm at half its diagonal from the middle (ours, no source): a
/// sheet on a table or glued on board bows by some millimetres and waves by tenths; a printer stretches one direction by
/// half a percent, skews by a tenth of that and feeds unevenly by twentieths of a millimetre.
const BOW_U95_MM: f64 = 5.0;
const WAVE_U95_MM: f64 = 0.5;
const STRETCH_U95: f64 = 0.005;
const SKEW_U95: f64 = 0.001;
const FEED_U95_MM: f64 = 0.05;

/// Standard deviations of what is believed of a lens before any photo: wide enough for any phone's and webcam's, there to
/// keep what the photos leave open (no photo tilted, none reaching the corners) within reason. Focal length as a share of
/// the start; fy/fx; principal point as a share of the longer side; k1, k2, p1, p2, k3.
const FOCAL_SD: f64 = 0.3;
const ASPECT_SD: f64 = 0.003;
const CENTRE_SD: f64 = 0.03;
const DISTORTION_SD: [f64; 5] = [0.4, 0.5, 0.01, 0.01, 0.5];

/// What no scatter shows of a corner's error, standard uncertainty of a coordinate, px: the grid of pixels, colours
/// interpolated and JPEG's blocks displace corners of one photo alike (ours, no source; found on rendered photos, where a
/// scatter of 0.006 px went with parameters twice as far off as it said).
const MODEL_U_PX: f64 = 0.01;

/// One photo's corners in the frame of the stored pixels.
#[derive(Debug, Clone)]
pub struct View {
    /// The board as found; places in stored pixels.
    pub card: Card,
    /// Stored pixels show the board mirrored (EXIF orientations 2, 4, 5 and 7).
    pub mirrored: bool,
}

/// Lens, board and camera places at one point of the search.
#[derive(Debug, Clone)]
struct State {
    lens: Lens,
    shape: [f64; SHAPE],
    poses: Vec<(Rotation3<f64>, Vector3<f64>)>,
}

/// The adjusted lens and board.
#[derive(Debug, Clone)]
pub struct Bundle {
    /// The lens.
    pub lens: Lens,
    /// Board's shape: depth terms (mm at half the diagonal), then those in the plane.
    pub shape: [f64; SHAPE],
    /// Rotation board to camera and camera-frame place of the board's middle, mm, for each view.
    pub poses: Vec<(Rotation3<f64>, Vector3<f64>)>,
    /// Covariance of lens and shape.
    pub covariance: DMatrix<f64>,
    /// Shares of that covariance: corners, bow of the board, its print, what was believed of lenses.
    pub shares: [DMatrix<f64>; 4],
    /// What each view adds to the information about lens and shape.
    pub information: Vec<DMatrix<f64>>,
    /// Residual of each corner, px, view by view.
    pub misses: Vec<Vec<Vector2<f64>>>,
    /// Standard uncertainty of a corner's coordinate in each view, px.
    pub sigma_px: Vec<f64>,
    /// By how much the covariance was widened since neighbouring corners err alike.
    pub alike: f64,
}

/// The board's frame: its middle and half the diagonal of its corners.
#[derive(Debug, Clone, Copy)]
pub struct Middle {
    /// Middle of the corners, mm.
    pub at: Point2<f64>,
    /// Half the diagonal, mm.
    pub half_mm: f64,
}

impl Middle {
    /// Of a board's layout.
    pub fn of(card: &Card) -> Middle {
        let (w, h) = (
            card.layout.squares_x as f64 * card.layout.square_mm,
            card.layout.squares_y as f64 * card.layout.square_mm,
        );
        Middle {
            at: Point2::new(0.5 * w, 0.5 * h),
            half_mm: 0.5 * w.hypot(h),
        }
    }

    /// What each term of the shape adds to a corner's place, a unit of the term: in the plane, and in depth.
    pub fn terms(&self, mm: Point2<f64>) -> [Vector3<f64>; SHAPE] {
        let (u, v) = (
            (mm.x - self.at.x) / self.half_mm,
            (mm.y - self.at.y) / self.half_mm,
        );
        let z = |depth: f64| Vector3::new(0.0, 0.0, depth);
        let (x, y) = (u * self.half_mm, v * self.half_mm);
        [
            z(u * u),
            z(u * v),
            z(v * v),
            z(u * u * u),
            z(u * u * v),
            z(u * v * v),
            z(v * v * v),
            z(u * u * u * u),
            z(u * u * v * v),
            z(v * v * v * v),
            Vector3::new(-0.5 * x, 0.5 * y, 0.0),
            Vector3::new(0.5 * y, 0.5 * x, 0.0),
            Vector3::new(u * u, 0.0, 0.0),
            Vector3::new(u * v, 0.0, 0.0),
            Vector3::new(v * v, 0.0, 0.0),
            Vector3::new(0.0, u * u, 0.0),
            Vector3::new(0.0, u * v, 0.0),
            Vector3::new(0.0, v * v, 0.0),
        ]
    }

    /// Standard deviations of the shape's terms.
    fn shape_sd() -> [f64; SHAPE] {
        let mut sd = [0.0; SHAPE];
        for (k, s) in sd.iter_mut().enumerate() {
            *s = match k {
                0..3 => BOW_U95_MM,
                3..DEPTH => WAVE_U95_MM,
                10 => STRETCH_U95,
                11 => SKEW_U95,
                _ => FEED_U95_MM,
            } / K95;
        }
        sd
    }
}

/// Focal length that makes the boards' squares square, px: each view's homography says what 1/f² must be for its two axes
/// to stand at right angles and be alike (Zhang 2000, section 3.1, with the principal point in the middle of the photo and
/// square pixels). The median of the views, weighed by how much each is tilted; `None` when none is.
pub fn focal_from_tilts(views: &[View], width: usize, height: usize) -> Option<f64> {
    let middle = Lens::pinhole(width, height, 1.0);
    let mut found: Vec<(f64, f64)> = Vec::new();
    let long = width.max(height) as f64;
    for view in views {
        let (mm, px) = pairs(view);
        let px: Vec<Point2<f64>> = px
            .iter()
            .map(|p| Point2::new((p.x - middle.cx) / long, (p.y - middle.cy) / long))
            .collect();
        let Some(h) = homography(&mm, &px) else {
            continue;
        };
        let (a, b) = (h.column(0).into_owned(), h.column(1).into_owned());
        let size = a.norm_squared() + b.norm_squared();
        // (a.xy · b.xy) w + a.z b.z = 0 and the like for the lengths: w = 1/f².
        for (s, t) in [
            (a.x * b.x + a.y * b.y, a.z * b.z),
            (
                a.x * a.x + a.y * a.y - b.x * b.x - b.y * b.y,
                a.z * a.z - b.z * b.z,
            ),
        ] {
            let (s, t) = (s / size, t / size);
            if s.abs() > 1e-6 && -t / s > 0.0 {
                found.push(((-t / s).recip().sqrt(), s.abs()));
            }
        }
    }
    found.retain(|(f, _)| (0.2..20.0).contains(f));
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * found.iter().map(|(_, w)| w).sum::<f64>();
    let mut sum = 0.0;
    found
        .iter()
        .find(|(_, w)| {
            sum += w;
            sum >= half
        })
        .map(|(f, _)| f * long)
}

fn pairs(view: &View) -> (Vec<Point2<f64>>, Vec<Point2<f64>>) {
    let middle = Middle::of(&view.card);
    let flip = if view.mirrored { -1.0 } else { 1.0 };
    view.card
        .corners
        .iter()
        .map(|c| {
            let d = c.mm.0 - middle.at;
            (Point2::new(d.x, flip * d.y), c.px.0)
        })
        .unzip()
}

/// Adjusts lens, board and cameras to the corners of all views, from a focal length to start with.
///
/// `None` when a view's pose can't be found, or the corners leave the normal equations singular.
pub fn adjust(views: &[View], width: usize, height: usize, focal_px: f64) -> Option<Bundle> {
    let lens = Lens::pinhole(width, height, focal_px);
    let middle = Middle::of(&views.first()?.card);
    let poses = views
        .iter()
        .map(|view| {
            let (mm, px) = pairs(view);
            let rays: Vec<Point2<f64>> = px.iter().map(|p| lens.ray(*p)).collect();
            pose(&homography(&mm, &rays)?)
        })
        .collect::<Option<Vec<_>>>()?;
    let state = State {
        lens,
        shape: [0.0; SHAPE],
        poses,
    };
    let problem = Problem {
        views,
        middle,
        start: lens,
    };
    problem.solve(state)
}

/// What the search does not change.
struct Problem<'a> {
    views: &'a [View],
    middle: Middle,
    start: Lens,
}

/// Normal equations with one block a view.
struct Normal {
    shared: DMatrix<f64>,
    side: DVector<f64>,
    blocks: Vec<Matrix6<f64>>,
    cross: Vec<DMatrix<f64>>,
    sides: Vec<Vector6<f64>>,
}

type Rows = SMatrix<f64, 2, SHARED>;

impl Problem<'_> {
    fn solve(&self, mut state: State) -> Option<Bundle> {
        let long = self.start.width.max(self.start.height) as f64;
        // Wide at first: a thousandth of the photo is what the distortion of a strong lens leaves.
        let mut sigma = vec![1e-3 * long; self.views.len()];
        for round in 0..12 {
            let before = sigma.clone();
            self.settle(&mut state, &sigma, round > 0);
            sigma = spreads(&self.misses(&state)?);
            let moved = sigma.iter().zip(&before).map(|(a, b)| (a / b - 1.0).abs());
            if round > 1 && moved.fold(0.0, f64::max) < 0.01 {
                break;
            }
        }
        let misses = self.misses(&state)?;
        let cards: Vec<Card> = self.views.iter().map(|v| v.card.clone()).collect();
        let alike = crate::scale::solve::alike(&cards, &misses);
        let information: Vec<DMatrix<f64>> = (0..self.views.len())
            .map(|i| self.of_view(&state, &sigma, i, true).map(|n| n / alike))
            .collect::<Option<_>>()?;
        let own = self.prior();
        let mut precision: DMatrix<f64> = information.iter().sum();
        for (k, (_, sd)) in own.iter().enumerate() {
            precision[(k, k)] += sd.powi(-2);
        }
        self.aspect(&mut precision, None, &state.lens);
        let covariance = precision.cholesky()?.inverse();
        let of = |part: DMatrix<f64>| &covariance * part * &covariance;
        let diagonal = |range: std::ops::Range<usize>| {
            DMatrix::from_fn(SHARED, SHARED, |i, j| {
                if i == j && range.contains(&i) {
                    own[i].1.powi(-2)
                } else {
                    0.0
                }
            })
        };
        let mut believed = diagonal(0..PARAMETERS);
        self.aspect(&mut believed, None, &state.lens);
        let shares = [
            of(information.iter().sum()),
            of(diagonal(PARAMETERS..PARAMETERS + DEPTH)),
            of(diagonal(PARAMETERS + DEPTH..SHARED)),
            of(believed),
        ];
        Some(Bundle {
            lens: state.lens,
            shape: state.shape,
            poses: state.poses,
            covariance,
            shares,
            information,
            misses,
            sigma_px: sigma,
            alike,
        })
    }

    /// Damped steps until none lowers the cost by more than a millionth.
    fn settle(&self, state: &mut State, sigma: &[f64], robust: bool) {
        let mut damping = 1e-4;
        let Some(mut cost) = self.cost(state, sigma, robust) else {
            return;
        };
        for _ in 0..30 {
            let Some(normal) = self.normal(state, sigma, robust) else {
                return;
            };
            let mut gained = None;
            for _ in 0..8 {
                let next = step(&normal, damping).and_then(|s| {
                    let next = moved(state, &s);
                    let cost = self.cost(&next, sigma, robust)?;
                    Some((next, cost))
                });
                match next {
                    Some((next, lower)) if lower <= cost => {
                        gained = Some(cost - lower);
                        (*state, cost) = (next, lower);
                        damping = (damping * 0.1).max(1e-12);
                        break;
                    }
                    _ => damping = (damping * 10.0).max(1e-8),
                }
            }
            if gained.is_none_or(|g| g < 1e-6 * (1.0 + cost)) {
                return;
            }
        }
    }

    /// Start value and standard deviation of every shared unknown.
    fn prior(&self) -> [(f64, f64); SHARED] {
        let start = self.start.parameters();
        let long = self.start.width.max(self.start.height) as f64;
        let f = FOCAL_SD * self.start.fx;
        let lens_sd = [
            f,
            f,
            CENTRE_SD * long,
            CENTRE_SD * long,
            DISTORTION_SD[0],
            DISTORTION_SD[1],
            DISTORTION_SD[2],
            DISTORTION_SD[3],
            DISTORTION_SD[4],
        ];
        let shape = Middle::shape_sd();
        std::array::from_fn(|k| match k.checked_sub(PARAMETERS) {
            None => (start[k], lens_sd[k]),
            Some(i) => (0.0, shape[i]),
        })
    }

    /// Pixels are nearly square: fy and fx differ by little.
    fn aspect(&self, shared: &mut DMatrix<f64>, side: Option<&mut DVector<f64>>, lens: &Lens) {
        let weight = (ASPECT_SD * self.start.fx).powi(-2);
        for (i, j, sign) in [(0, 0, 1.0), (1, 1, 1.0), (0, 1, -1.0), (1, 0, -1.0)] {
            shared[(i, j)] += sign * weight;
        }
        if let Some(side) = side {
            let miss = lens.fx - lens.fy;
            side[0] -= weight * miss;
            side[1] += weight * miss;
        }
    }

    /// Where corner `c` of view `i` is foreseen, camera frame.
    fn place(&self, state: &State, i: usize, mm: Point2<f64>) -> Vector3<f64> {
        let terms = self.middle.terms(mm);
        let d = mm - self.middle.at;
        let mut at = Vector3::new(d.x, d.y, 0.0);
        for (term, size) in terms.iter().zip(&state.shape) {
            at += term * *size;
        }
        if self.views[i].mirrored {
            at.y = -at.y;
        }
        state.poses[i].0 * at
    }

    fn misses(&self, state: &State) -> Option<Vec<Vec<Vector2<f64>>>> {
        (0..self.views.len())
            .map(|i| {
                let corners = self.views[i].card.corners.iter();
                corners
                    .map(|c| {
                        let p = self.place(state, i, c.mm.0) + state.poses[i].1;
                        (p.z > 1.0)
                            .then(|| state.lens.project(Point2::new(p.x / p.z, p.y / p.z)) - c.px.0)
                    })
                    .collect()
            })
            .collect()
    }

    /// Sum of the robust losses of corners (Tukey's) and of squares of what is believed beforehand.
    fn cost(&self, state: &State, sigma: &[f64], robust: bool) -> Option<f64> {
        let mut cost = 0.0;
        for (misses, s) in self.misses(state)?.iter().zip(sigma) {
            for miss in misses {
                let z2 = miss.norm_squared() / (s * s);
                cost += if robust { loss(z2) } else { z2 };
            }
        }
        let shared = shared_of(state);
        for ((start, sd), value) in self.prior().iter().zip(shared) {
            cost += ((value - start) / sd).powi(2);
        }
        cost += ((state.lens.fx - state.lens.fy) / (ASPECT_SD * self.start.fx)).powi(2);
        cost.is_finite().then_some(cost)
    }

    fn normal(&self, state: &State, sigma: &[f64], robust: bool) -> Option<Normal> {
        let n = self.views.len();
        let mut normal = Normal {
            shared: DMatrix::zeros(SHARED, SHARED),
            side: DVector::zeros(SHARED),
            blocks: Vec::with_capacity(n),
            cross: Vec::with_capacity(n),
            sides: Vec::with_capacity(n),
        };
        for (i, s) in sigma.iter().enumerate() {
            let (a, g, b, c, h) = self.block(state, *s, i, robust)?;
            normal.shared += DMatrix::from_fn(SHARED, SHARED, |i, j| a[(i, j)]);
            normal.side += DVector::from_fn(SHARED, |i, _| g[i]);
            normal.blocks.push(b);
            normal
                .cross
                .push(DMatrix::from_fn(6, SHARED, |i, j| c[(i, j)]));
            normal.sides.push(h);
        }
        let shared = shared_of(state);
        for (k, (start, sd)) in self.prior().iter().enumerate() {
            normal.shared[(k, k)] += sd.powi(-2);
            normal.side[k] -= (shared[k] - start) * sd.powi(-2);
        }
        self.aspect(&mut normal.shared, Some(&mut normal.side), &state.lens);
        Some(normal)
    }

    /// Information of one view on the shared unknowns, its own pose eliminated.
    fn of_view(
        &self,
        state: &State,
        sigma: &[f64],
        i: usize,
        robust: bool,
    ) -> Option<DMatrix<f64>> {
        let (a, _, b, c, _) = self.block(state, sigma[i], i, robust)?;
        let inner = a - c.transpose() * b.cholesky()?.inverse() * c;
        Some(DMatrix::from_fn(SHARED, SHARED, |i, j| {
            0.5 * (inner[(i, j)] + inner[(j, i)])
        }))
    }

    /// Normal equations of one view: shared, its side, own pose, the cross block, its side.
    #[allow(clippy::type_complexity)]
    fn block(
        &self,
        state: &State,
        sigma: f64,
        i: usize,
        robust: bool,
    ) -> Option<(
        SMatrix<f64, SHARED, SHARED>,
        SMatrix<f64, SHARED, 1>,
        Matrix6<f64>,
        SMatrix<f64, 6, SHARED>,
        Vector6<f64>,
    )> {
        let mut a = SMatrix::<f64, SHARED, SHARED>::zeros();
        let mut g = SMatrix::<f64, SHARED, 1>::zeros();
        let (mut b, mut h) = (Matrix6::zeros(), Vector6::zeros());
        let mut c = SMatrix::<f64, 6, SHARED>::zeros();
        let (rotation, translation) = state.poses[i];
        let flip = if self.views[i].mirrored { -1.0 } else { 1.0 };
        for corner in &self.views[i].card.corners {
            let turned = self.place(state, i, corner.mm.0);
            let p = turned + translation;
            if p.z <= 1.0 {
                return None;
            }
            let (at, by_ray, by_lens) = state
                .lens
                .project_with_slopes(Point2::new(p.x / p.z, p.y / p.z));
            let miss = at - corner.px.0;
            let z2 = miss.norm_squared() / (sigma * sigma);
            let weight = if robust { weight(z2) } else { 1.0 } / (sigma * sigma);
            if weight == 0.0 {
                continue;
            }
            let ray_by_place = Matrix2x3::new(
                1.0 / p.z,
                0.0,
                -p.x / (p.z * p.z),
                0.0,
                1.0 / p.z,
                -p.y / (p.z * p.z),
            );
            let by_place = by_ray * ray_by_place;
            let mut rows = Rows::zeros();
            for (k, column) in by_lens.iter().enumerate() {
                rows.set_column(k, column);
            }
            for (k, term) in self.middle.terms(corner.mm.0).iter().enumerate() {
                let term = Vector3::new(term.x, flip * term.y, term.z);
                rows.set_column(PARAMETERS + k, &(by_place * (rotation * term)));
            }
            let mut own = SMatrix::<f64, 2, 6>::zeros();
            own.fixed_view_mut::<2, 3>(0, 0)
                .copy_from(&(by_place * -turned.cross_matrix()));
            own.fixed_view_mut::<2, 3>(0, 3).copy_from(&by_place);
            a += rows.transpose() * rows * weight;
            g -= rows.transpose() * miss * weight;
            b += own.transpose() * own * weight;
            c += own.transpose() * rows * weight;
            h -= own.transpose() * miss * weight;
        }
        Some((a, g, b, c, h))
    }
}

/// Tukey's weight of a corner whose squared distance is `z2` variances of a coordinate: a length of two coordinates
/// reaches as far as its own 95%-efficient constant, 1.25 times that of one (from memory).
fn weight(z2: f64) -> f64 {
    tukey(z2.sqrt() / 1.25)
}

/// The loss that belongs to [`weight`].
fn loss(z2: f64) -> f64 {
    let reach = (1.25 * crate::solve::robust::TUKEY).powi(2);
    let left = (1.0 - z2 / reach).max(0.0);
    reach / 3.0 * (1.0 - left * left * left)
}

/// Standard uncertainty of a coordinate in each view, px: from the median distance (Rayleigh's: 1.1774 of it), drawn
/// toward that of all views as far as the view has few corners.
fn spreads(misses: &[Vec<Vector2<f64>>]) -> Vec<f64> {
    const RAYLEIGH: f64 = 1.177_410;
    let own: Vec<f64> = misses
        .iter()
        .map(|view| {
            let mut lengths: Vec<f64> = view.iter().map(|m| m.norm()).collect();
            let n = lengths.len() as f64;
            // Six unknowns of its own and a share of those in common.
            let lost = (2.0 * n / (2.0 * n - 8.0).max(2.0)).sqrt();
            median(&mut lengths).unwrap_or(0.0) / RAYLEIGH * lost
        })
        .collect();
    let all = median(&mut own.clone()).unwrap_or(0.1).max(1e-4);
    own.iter()
        .zip(misses)
        .map(|(s, view)| {
            let n = view.len() as f64;
            ((n * s * s + 20.0 * all * all) / (n + 20.0) + MODEL_U_PX * MODEL_U_PX).sqrt()
        })
        .collect()
}

fn shared_of(state: &State) -> [f64; SHARED] {
    let lens = state.lens.parameters();
    std::array::from_fn(|k| match k.checked_sub(PARAMETERS) {
        None => lens[k],
        Some(i) => state.shape[i],
    })
}

/// Solves the damped normal equations: shared step, then each view's.
fn step(normal: &Normal, damping: f64) -> Option<(DVector<f64>, Vec<Vector6<f64>>)> {
    let grow = 1.0 + damping;
    let mut shared = normal.shared.clone();
    for k in 0..SHARED {
        shared[(k, k)] *= grow;
    }
    let mut side = normal.side.clone();
    let mut inverses = Vec::with_capacity(normal.blocks.len());
    for ((block, cross), own) in normal.blocks.iter().zip(&normal.cross).zip(&normal.sides) {
        let mut block = *block;
        for k in 0..6 {
            block[(k, k)] *= grow;
        }
        let inverse = block.cholesky()?.inverse();
        let taken = cross.tr_mul(&inverse);
        shared -= &taken * cross;
        side -= &taken * own;
        inverses.push(inverse);
    }
    let common = shared.cholesky()?.solve(&side);
    let each = inverses
        .iter()
        .zip(&normal.cross)
        .zip(&normal.sides)
        .map(|((inverse, cross), own)| inverse * (own - cross * &common))
        .collect();
    Some((common, each))
}

fn moved(state: &State, (common, each): &(DVector<f64>, Vec<Vector6<f64>>)) -> State {
    let old = shared_of(state);
    State {
        lens: state
            .lens
            .with_parameters(&std::array::from_fn(|k| old[k] + common[k])),
        shape: std::array::from_fn(|k| state.shape[k] + common[PARAMETERS + k]),
        poses: state
            .poses
            .iter()
            .zip(each)
            .map(|((r, t), s)| {
                let turn = Rotation3::new(Vector3::new(s[0], s[1], s[2]));
                (turn * r, t + Vector3::new(s[3], s[4], s[5]))
            })
            .collect(),
    }
}
