//! Rigid registration of one plane curve onto another: nearest neighbours in a k-d tree, trimmed.
//!
//! Iterative closest points (Besl and McKay 1992) with the farthest pairs left out (Chetverikov et al. 2002) and the distance
//! taken square to the target (Chen and Medioni 1991; all from memory): a swage is nearly straight, and distances from
//! point to point would hold it where the points happen to lie. A slide along a straight line changes nothing, so it is
//! held by a weak wish to stay: its standard deviation is an argument.

use kiddo::{ImmutableKdTree, SquaredEuclidean};
use nalgebra::{Matrix3, Point2, Rotation2, Vector2, Vector3};

/// A rigid move: turn about the origin, then shift.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rigid {
    /// Turn, rad, from x toward y.
    pub turn_rad: f64,
    /// Shift, in the points' unit.
    pub shift: Vector2<f64>,
}

impl Rigid {
    /// No move.
    pub fn identity() -> Rigid {
        Rigid {
            turn_rad: 0.0,
            shift: Vector2::zeros(),
        }
    }

    /// Where it takes a point.
    pub fn apply(&self, p: Point2<f64>) -> Point2<f64> {
        Rotation2::new(self.turn_rad) * p + self.shift
    }
}

/// How to register.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RegisterOptions {
    /// Share of the pairs that is kept, the nearest first.
    pub keep: f64,
    /// Standard deviation of the slide along the target that is believed beforehand, in the points' unit; infinite: none.
    pub slide_sd: f64,
    /// Most rounds.
    pub rounds: usize,
}

impl Default for RegisterOptions {
    /// Nine in ten pairs, slide free.
    fn default() -> Self {
        RegisterOptions {
            keep: 0.9,
            slide_sd: f64::INFINITY,
            rounds: 100,
        }
    }
}

/// A curve found again on another.
#[derive(Debug, Clone, PartialEq)]
pub struct Registered {
    /// The move that takes the source onto the target.
    pub rigid: Rigid,
    /// Whether each source point's pair was kept in the last round.
    pub kept: Vec<bool>,
    /// Rms distance of the kept pairs, square to the target.
    pub rms: f64,
}

/// A polyline to which distances are taken.
pub struct Target {
    points: Vec<Point2<f64>>,
    tree: ImmutableKdTree<f64, 2>,
}

/// The place on a polyline nearest to a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Foot {
    /// Index of the segment's first point.
    pub segment: usize,
    /// Share of the segment.
    pub share: f64,
    /// Signed distance: positive to the right of the polyline's direction in a frame with y down (on the +y side of a
    /// polyline that runs along +x).
    pub distance: f64,
    /// Unit direction of the segment.
    pub along: Vector2<f64>,
    /// Whether the point lies beyond an end of the polyline.
    pub beyond: bool,
}

impl Target {
    /// From points in order along the curve; `None` under two, or when the neighbours can't be sorted into a tree.
    pub fn new(points: &[Point2<f64>]) -> Option<Target> {
        if points.len() < 2 || points.iter().any(|p| !(p.x.is_finite() && p.y.is_finite())) {
            return None;
        }
        let places: Vec<[f64; 2]> = points.iter().map(|p| [p.x, p.y]).collect();
        let tree = ImmutableKdTree::new_from_slice(&places).ok()?;
        Some(Target {
            points: points.to_vec(),
            tree,
        })
    }

    /// The foot of a point: on the better of the two segments that meet in its nearest neighbour. O(log n).
    pub fn foot(&self, p: Point2<f64>) -> Foot {
        let nearest = self
            .tree
            .query(&[p.x, p.y])
            .nearest_one::<SquaredEuclidean<f64>>()
            .execute()
            .item as usize;
        let last = self.points.len() - 1;
        let mut best: Option<(f64, Foot)> = None;
        for segment in [nearest.saturating_sub(1), nearest.min(last - 1)] {
            let (a, b) = (self.points[segment], self.points[segment + 1]);
            let d = b - a;
            let length = d.norm().max(1e-12);
            let along = d / length;
            let free = (p - a).dot(&along) / length;
            let share = free.clamp(0.0, 1.0);
            let away = (p - (a + d * share)).norm();
            let distance = along.x * (p - a).y - along.y * (p - a).x;
            let slack = 1e-9;
            let beyond =
                (segment == 0 && free < -slack) || (segment == last - 1 && free > 1.0 + slack);
            let foot = Foot {
                segment,
                share,
                distance,
                along,
                beyond,
            };
            if best.as_ref().is_none_or(|(nearer, _)| away < *nearer) {
                best = Some((away, foot));
            }
        }
        best.map_or(
            Foot {
                segment: 0,
                share: 0.0,
                distance: 0.0,
                along: Vector2::x(),
                beyond: true,
            },
            |(_, foot)| foot,
        )
    }
}

/// Registers `source` onto `target` from a start. Source points beyond the target's ends have no pair. `None` when fewer
/// than three pairs are left or they fix no move. O(n log n) a round.
pub fn register(
    target: &Target,
    source: &[Point2<f64>],
    start: Rigid,
    options: &RegisterOptions,
) -> Option<Registered> {
    let mut rigid = start;
    let mut kept = vec![false; source.len()];
    let mut rms = f64::INFINITY;
    // Turned about the middle, so that turn and shift don't trade.
    let middle =
        source.iter().fold(Vector2::zeros(), |s, p| s + p.coords) / source.len().max(1) as f64;
    let size = source
        .iter()
        .map(|p| (p.coords - middle).norm())
        .fold(0.0, f64::max)
        .max(1e-9);
    for _ in 0..options.rounds {
        let moved: Vec<Point2<f64>> = source.iter().map(|p| rigid.apply(*p)).collect();
        let feet: Vec<Foot> = moved.iter().map(|p| target.foot(*p)).collect();
        let mut order: Vec<usize> = (0..feet.len()).filter(|i| !feet[*i].beyond).collect();
        order.sort_by(|a, b| feet[*a].distance.abs().total_cmp(&feet[*b].distance.abs()));
        order.truncate((order.len() as f64 * options.keep).ceil() as usize);
        if order.len() < 3 {
            return None;
        }
        kept.fill(false);
        let centre = rigid.apply(Point2::from(middle));
        let (mut normal, mut side) = (Matrix3::zeros(), Vector3::zeros());
        let (mut square, mut mean) = (0.0, Vector2::zeros());
        for i in &order {
            kept[*i] = true;
            let foot = feet[*i];
            let across = Vector2::new(-foot.along.y, foot.along.x);
            let arm = moved[*i] - centre;
            let row = Vector3::new(
                across.dot(&Vector2::new(-arm.y, arm.x)) / size,
                across.x,
                across.y,
            );
            normal += row * row.transpose();
            side -= row * foot.distance;
            square += foot.distance * foot.distance;
            mean += foot.along;
        }
        rms = (square / order.len() as f64).sqrt();
        let along = mean.try_normalize(1e-9)?;
        if options.slide_sd.is_finite() {
            // In the pairs' own weight: their scatter against what is believed of the slide.
            let weight = (rms.max(1e-3) / options.slide_sd).powi(2);
            let slid = (centre - start.apply(Point2::from(middle))).dot(&along);
            let row = Vector3::new(0.0, along.x, along.y);
            normal += row * row.transpose() * weight;
            side -= row * slid * weight;
        }
        for k in 0..3 {
            normal[(k, k)] *= 1.0 + 1e-9;
        }
        let step = normal.cholesky()?.solve(&side);
        let (turn, shift) = (step.x / size, Vector2::new(step.y, step.z));
        // Turn about the moved middle, then shift.
        let about = Rotation2::new(turn);
        let old = rigid;
        rigid = Rigid {
            turn_rad: old.turn_rad + turn,
            shift: about * (old.shift - centre.coords) + centre.coords + shift,
        };
        if turn.abs() * size + shift.norm() < 1e-9 * size {
            break;
        }
    }
    rms.is_finite().then_some(Registered { rigid, kept, rms })
}
