//! One side as a curve: from a line, a straightedge or a section, laid so that two of a kind can be compared.

use super::PartnerError;
use crate::budget::{BudgetPart, Part};
use crate::check::Head;
use crate::check::line::LineResult;
use crate::check::section::SectionResult;
use crate::check::straightedge::StraightedgeResult;
use crate::units::K95;
use nalgebra::{Point2, Rotation2, Vector2};
use serde::{Deserialize, Serialize};

/// What kind of result the sides are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// A swage line.
    Line,
    /// The gap along a straightedge.
    Straightedge,
    /// A section across the swage.
    Section,
}

impl Kind {
    /// In words.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Line => "line",
            Kind::Straightedge => "straightedge",
            Kind::Section => "section",
        }
    }
}

/// One side: a curve in order along it, x along and y across (y down, as in its photo), mm.
#[derive(Debug, Clone, PartialEq)]
pub struct SideCurve {
    /// What it is.
    pub kind: Kind,
    /// Common part of the result it comes from.
    pub head: Head,
    /// Points, mm.
    pub points: Vec<[f64; 2]>,
    /// Half-width of the 95% interval of each point across, mm.
    pub u95_mm: Vec<f64>,
    /// Middles of gaps between panels along it, as distance from its first point, mm.
    pub gaps_mm: Vec<f64>,
    /// Half-width of the 95% interval of its size, as a share, where the points' own interval does not carry it.
    pub size_u95: f64,
    /// From a section's edge into its template: the panel lies on the other side.
    pub material: Option<[f64; 2]>,
}

impl SideCurve {
    /// From a measured line.
    pub fn of_line(result: &LineResult) -> SideCurve {
        SideCurve {
            kind: Kind::Line,
            head: result.head.clone(),
            points: result.line.points_mm.clone(),
            u95_mm: result.line.deviation.iter().map(|d| d.u95_mm).collect(),
            gaps_mm: result.gap.iter().map(|g| g.at_mm).collect(),
            size_u95: 0.0,
            material: None,
        }
    }

    /// From the gap along a straightedge.
    pub fn of_straightedge(result: &StraightedgeResult) -> SideCurve {
        SideCurve {
            kind: Kind::Straightedge,
            head: result.head.clone(),
            points: result.gap.iter().map(|g| [g.s_mm, g.gap_mm]).collect(),
            u95_mm: result.gap.iter().map(|g| g.u95_mm).collect(),
            gaps_mm: Vec::new(),
            size_u95: 0.0,
            material: None,
        }
    }

    /// From a measured section.
    pub fn of_section(result: &SectionResult) -> SideCurve {
        Self::section(
            result.head.clone(),
            result.profile_mm.clone(),
            result.rms_mm,
            result.radius_mm.map(|r| r.value),
            Some(result.fitted.into_material),
        )
    }

    /// From a section's profile, its scatter about the fitted form, and its radius, which tells what the scale's share of the
    /// budget is a share of.
    pub fn section(
        head: Head,
        points: Vec<[f64; 2]>,
        rms_mm: f64,
        radius_mm: Option<f64>,
        material: Option<[f64; 2]>,
    ) -> SideCurve {
        let size_u95 = match radius_mm {
            Some(r) if r > 0.0 => part(&head.budget, Part::Scale) / r,
            _ => 0.0,
        };
        SideCurve {
            kind: Kind::Section,
            u95_mm: vec![(K95 * rms_mm).max(LEAST_U95_MM); points.len()],
            size_u95: size_u95.clamp(LEAST_SIZE_U95, MOST_SIZE_U95),
            head,
            points,
            gaps_mm: Vec::new(),
            material,
        }
    }
}

/// A section's edge is read no better than this, mm (ours, no source).
const LEAST_U95_MM: f64 = 0.02;
/// A print is true to no better and no worse than this where the budget does not say.
const LEAST_SIZE_U95: f64 = 0.002;
const MOST_SIZE_U95: f64 = 0.01;

fn part(budget: &[BudgetPart], part: Part) -> f64 {
    budget
        .iter()
        .filter(|b| b.part == part)
        .map(|b| b.u95_mm)
        .fold(0.0, f64::hypot)
}

/// Points each side needs.
const LEAST: usize = 8;

/// A side in its own frame, x along and y across, mm: a line or a gap from its first point along its chord; a section about
/// its corner, both flanks leaning alike, its template below.
pub struct Curve {
    /// Points in order, x rising on the whole.
    pub points: Vec<Point2<f64>>,
    /// Half-width of the 95% interval of each across.
    pub u95: Vec<f64>,
    /// Middles of gaps, x.
    pub gaps: Vec<f64>,
    /// From first to last point.
    pub length: f64,
    /// As in [`SideCurve`].
    pub size_u95: f64,
}

impl Curve {
    /// The side in its own frame, mirrored if asked; `None` when all points fall together.
    pub fn of(side: &SideCurve, mirror: bool) -> Option<Curve> {
        let mut points: Vec<Point2<f64>> = side.points.iter().map(|p| Point2::from(*p)).collect();
        let n = points.len();
        let mut u95 = side.u95_mm.clone();
        u95.resize(n, u95.last().copied().unwrap_or(0.1));
        let mut gaps = side.gaps_mm.clone();
        let first = *points.first()?;
        let along = (points.last()? - first).try_normalize(1e-9)?;
        let length = (points.last()? - first).norm();
        if let Some([x, y]) = side.material
            && along.perp(&Vector2::new(x, y)) < 0.0
        {
            // Photographed from the other way round: the same curve read from its other end.
            points.reverse();
            u95.reverse();
        }
        let (origin, turn) = match side.kind {
            Kind::Section => corner(&points)?,
            _ => (first, along.y.atan2(along.x)),
        };
        let turn = Rotation2::new(-turn);
        let mut points: Vec<Point2<f64>> = points
            .iter()
            .map(|p| Point2::from(turn * (p - origin)))
            .collect();
        if mirror {
            let about = match side.kind {
                Kind::Section => 0.0,
                _ => length,
            };
            points.reverse();
            u95.reverse();
            for p in &mut points {
                p.x = about - p.x;
            }
            gaps = gaps.iter().rev().map(|g| length - g).collect();
        }
        Some(Curve {
            points,
            u95,
            gaps,
            length,
            size_u95: side.size_u95,
        })
    }
}

/// A section's corner: where it stands farthest from the line that leans as its two ends do on the mean, and that line's
/// direction, rad. A section that hardly turns has none: its middle.
fn corner(points: &[Point2<f64>]) -> Option<(Point2<f64>, f64)> {
    let n = points.len();
    let reach = (n / 6).max(2).min(n - 1);
    let direction = |a: Point2<f64>, b: Point2<f64>| (b - a).try_normalize(1e-9);
    let start = direction(points[0], points[reach])?;
    let end = direction(points[n - 1 - reach], points[n - 1])?;
    let mean = (start + end).try_normalize(1e-6)?;
    let turned = start.perp(&end).atan2(start.dot(&end));
    let at = if turned.abs() < STRAIGHT_RAD {
        points[n / 2]
    } else {
        // Beyond the chord on the outside of the turn.
        *points.iter().max_by(|a, b| {
            let out = |p: &Point2<f64>| -turned.signum() * mean.perp(&(p - points[0]));
            out(a).total_cmp(&out(b))
        })?
    };
    Some((at, mean.y.atan2(mean.x)))
}

/// Ends that lean less than this toward each other show no corner (ours, no source: 6°).
const STRAIGHT_RAD: f64 = 0.1;

/// Refuses sides of two kinds or too short.
///
/// # Errors
/// [`PartnerError::Kinds`], [`PartnerError::Short`].
pub fn fit_to_compare(a: &SideCurve, b: &SideCurve) -> Result<(), PartnerError> {
    if a.kind != b.kind {
        return Err(PartnerError::Kinds {
            a: a.kind.word(),
            b: b.kind.word(),
        });
    }
    for (side, curve) in [("the first", a), ("the second", b)] {
        if curve.points.len() < LEAST {
            return Err(PartnerError::Short {
                side,
                what: curve.kind.word(),
                points: curve.points.len(),
            });
        }
    }
    Ok(())
}
