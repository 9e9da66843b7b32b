//! Passes of one repair: laid over each other, what shrank, what is new.
//!
//! Where the card stayed, its frame does it. Where it was laid again, what stays on the panel does: the outline of the
//! filled area, which sanding hardly moves. It is matched by turning and shifting one outline onto the other.

use super::next::{self, Next};
use super::{Areas, LowsOptions, LowsResult, PassAnswer, Survey, result};
use nalgebra::{Point2, Rotation2, Vector2};
use serde::Serialize;

/// How a pass was laid over the one before.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LaidOver {
    /// Through the card, or through the repair's outline because the card was moved.
    pub by: By,
    /// How far the two outlines then lie apart, rms, mm: how sure it is.
    pub rms_mm: f64,
}

/// See [`LaidOver`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum By {
    /// The card did not move.
    Card,
    /// The card was laid again.
    Outline,
}

/// Outlines that lie apart by less than this, rms, belong to a card that did not move, mm: the outline's own scatter.
const SAME_MM: f64 = 3.0;

/// A turn and a shift.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Lay {
    turn: Rotation2<f64>,
    shift: Vector2<f64>,
}

impl Lay {
    fn apply(&self, p: Point2<f64>) -> Point2<f64> {
        self.turn * p + self.shift
    }
}

/// What a photo of a pass came to.
pub enum Pass {
    /// Surveyed.
    Surveyed(Box<Survey>),
    /// Refused, with the photo and the reason.
    Refused(String, String),
}

/// The answer for passes in order: the last measured one's, with all of them listed. `None` when none was measured.
pub fn answer(passes: &[Pass], options: &LowsOptions) -> Option<LowsResult> {
    let mut before: Option<&Survey> = None;
    let mut list = Vec::with_capacity(passes.len());
    let mut last: Option<(&Survey, Next)> = None;
    for pass in passes {
        match pass {
            Pass::Refused(photo, error) => list.push(PassAnswer::Refused {
                photo: photo.clone(),
                error: error.clone(),
            }),
            Pass::Surveyed(survey) => {
                let change = before.map(|b| compare(b, survey));
                let next = match (before, &change) {
                    (Some(b), Some(change)) => {
                        next::after(survey, b.area.low_mm2, change.new_high_mm2)
                    }
                    _ => next::of_one(survey),
                };
                list.push(PassAnswer::Measured {
                    photo: survey.head.photo.clone(),
                    area: survey.area,
                    low_change_percent: before.and_then(|b| percent(&b.area, &survey.area)),
                    new_high_mm2: change.as_ref().map(|c| c.new_high_mm2),
                    laid_over: change.as_ref().map(|c| c.laid),
                });
                last = Some((survey, next));
                before = Some(survey);
            }
        }
    }
    let (survey, next) = last?;
    let mut answer = result(survey, next, options);
    answer.passes = list;
    Some(answer)
}

fn percent(before: &Areas, now: &Areas) -> Option<f64> {
    (before.low_mm2 > 0.0).then(|| 100.0 * (now.low_mm2 / before.low_mm2 - 1.0))
}

struct Change {
    new_high_mm2: f64,
    laid: LaidOver,
}

fn compare(before: &Survey, now: &Survey) -> Change {
    let identity = Lay {
        turn: Rotation2::identity(),
        shift: Vector2::zeros(),
    };
    let as_is = apart(&before.repair, &now.repair, &identity);
    let (lay, laid) = if as_is < SAME_MM {
        (
            identity,
            LaidOver {
                by: By::Card,
                rms_mm: as_is,
            },
        )
    } else {
        let lay = lay_over(&before.repair, &now.repair);
        let rms = apart(&before.repair, &now.repair, &lay);
        if rms < as_is {
            (
                lay,
                LaidOver {
                    by: By::Outline,
                    rms_mm: rms,
                },
            )
        } else {
            (
                identity,
                LaidOver {
                    by: By::Card,
                    rms_mm: as_is,
                },
            )
        }
    };
    // Show-through counts as new where none was within the two outlines' scatter.
    let reach = 2.0 + laid.rms_mm;
    let (w, h) = before.size;
    let old = crate::area::mask::Mask::from_fn(w, h, |i| before.classes[i] == 3)
        .grown(reach / before.map.mm_per_px);
    let was = |p: Point2<f64>| {
        let x = ((p.x - before.map.origin_mm[0]) / before.map.mm_per_px).round();
        let y = ((p.y - before.map.origin_mm[1]) / before.map.mm_per_px).round();
        x >= 0.0
            && y >= 0.0
            && (x as usize) < w
            && (y as usize) < h
            && old.cells[y as usize * w + x as usize]
    };
    let (nw, mm) = (now.size.0, now.map.mm_per_px);
    let new = (0..now.classes.len())
        .filter(|i| now.classes[*i] == 3)
        .filter(|i| {
            let place = Point2::new(
                now.map.origin_mm[0] + (i % nw) as f64 * mm,
                now.map.origin_mm[1] + (i / nw) as f64 * mm,
            );
            !was(lay.apply(place))
        })
        .count() as f64
        * mm
        * mm;
    Change {
        new_high_mm2: new,
        laid,
    }
}

/// The place of a closed outline that is nearest to another place.
fn nearest(outline: &[Point2<f64>], to: Point2<f64>) -> Point2<f64> {
    let n = outline.len();
    (0..n)
        .map(|i| {
            let (a, b) = (outline[i], outline[(i + 1) % n]);
            let along = b - a;
            let t = ((to - a).dot(&along) / along.norm_squared().max(1e-12)).clamp(0.0, 1.0);
            a + along * t
        })
        .min_by(|a, b| (a - to).norm_squared().total_cmp(&(b - to).norm_squared()))
        .unwrap_or(to)
}

/// Rms distance of one outline's places from the other, mm, the farthest fifth left out.
fn apart(to: &[Point2<f64>], from: &[Point2<f64>], lay: &Lay) -> f64 {
    let mut d: Vec<f64> = from
        .iter()
        .map(|p| lay.apply(*p))
        .map(|p| (nearest(to, p) - p).norm_squared())
        .collect();
    d.sort_by(f64::total_cmp);
    d.truncate((d.len() * 4 / 5).max(1));
    (d.iter().sum::<f64>() / d.len().max(1) as f64).sqrt()
}

/// Turns and shifts `from` onto `to`: centroids together, the turn tried round the circle, then nearest places again and
/// again (Besl and McKay 1992, from memory).
fn lay_over(to: &[Point2<f64>], from: &[Point2<f64>]) -> Lay {
    let middle = |o: &[Point2<f64>]| {
        let (x, y) = crate::area::repair::centroid(o);
        Point2::new(x, y)
    };
    let (a, b) = (middle(to), middle(from));
    let about = |turn: Rotation2<f64>| Lay {
        turn,
        shift: a.coords - turn * b.coords,
    };
    let start = (0..120)
        .map(|k| about(Rotation2::new(f64::from(k) * 3.0_f64.to_radians())))
        .map(|lay| (apart(to, from, &lay), lay))
        .min_by(|x, y| x.0.total_cmp(&y.0));
    let Some((_, mut lay)) = start else {
        return about(Rotation2::identity());
    };
    for _ in 0..40 {
        let mut pairs: Vec<(Point2<f64>, Point2<f64>, f64)> = from
            .iter()
            .map(|p| {
                let moved = lay.apply(*p);
                let q = nearest(to, moved);
                (*p, q, (q - moved).norm_squared())
            })
            .collect();
        pairs.sort_by(|x, y| x.2.total_cmp(&y.2));
        pairs.truncate((pairs.len() * 4 / 5).max(1));
        let n = pairs.len() as f64;
        let p0 = pairs.iter().map(|x| x.0.coords).sum::<Vector2<f64>>() / n;
        let q0 = pairs.iter().map(|x| x.1.coords).sum::<Vector2<f64>>() / n;
        let (mut s, mut c) = (0.0, 0.0);
        for (p, q, _) in &pairs {
            let (p, q) = (p.coords - p0, q.coords - q0);
            c += p.dot(&q);
            s += p.x * q.y - p.y * q.x;
        }
        let turn = Rotation2::new(s.atan2(c));
        lay = Lay {
            turn,
            shift: q0 - turn * p0,
        };
    }
    lay
}

/// One survey from several photos of the same pass: what the first can't judge is filled in from the others, through the
/// card's frame. `None` when none was measured.
pub fn merge(photos: &[Pass]) -> Option<Survey> {
    let mut surveys = photos.iter().filter_map(|p| match p {
        Pass::Surveyed(survey) => Some(survey.as_ref()),
        Pass::Refused(..) => None,
    });
    let mut first = surveys.next()?.clone();
    let others: Vec<&Survey> = surveys.collect();
    let mm = first.map.mm_per_px;
    let (w, h) = first.size;
    let cells: Vec<Point2<f64>> = first
        .repair
        .iter()
        .map(|p| {
            Point2::new(
                (p.x - first.map.origin_mm[0]) / mm,
                (p.y - first.map.origin_mm[1]) / mm,
            )
        })
        .collect();
    let whole = crate::area::mask::inside(w, h, &cells);
    for i in (0..w * h).filter(|i| whole.cells[*i]) {
        if first.classes[i] != 0 {
            continue;
        }
        let place = Point2::new(
            first.map.origin_mm[0] + (i % w) as f64 * mm,
            first.map.origin_mm[1] + (i / w) as f64 * mm,
        );
        let seen = others
            .iter()
            .filter_map(|o| o.class_at(place))
            .find(|class| *class != 0);
        first.classes[i] = seen.unwrap_or(0);
    }
    for other in &others {
        if apart(
            &first.repair,
            &other.repair,
            &Lay {
                turn: Rotation2::identity(),
                shift: Vector2::zeros(),
            },
        ) > SAME_MM
        {
            first.head.warnings.push(format!("{}: the card seems to have been moved between the photos of this pass; keep it where it is", other.head.photo));
        }
    }
    first.recount(&whole);
    Some(first)
}
