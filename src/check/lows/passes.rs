//! Passes of one repair: laid over each other, what shrank, what is new.
//!
//! Where the card stayed, its frame does it. Where it was laid again, what stays on the panel does: the outline of the
//! filled area, which sanding hardly moves. It is matched by turning and shifting one outline onto the other.

use super::next::{self, Next};
use super::{Areas, LowsOptions, LowsResult, PassAnswer, Survey, result};
use crate::fit::register::{RegisterOptions, Rigid, Target, register};
use crate::solve::robust::median;
use nalgebra::{Point2, Rotation2};
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
    let mut doubts = Vec::new();
    for pass in passes {
        match pass {
            Pass::Refused(photo, error) => list.push(PassAnswer::Refused {
                photo: photo.clone(),
                error: error.clone(),
            }),
            Pass::Surveyed(survey) => {
                let change = before.map(|b| compare(b, survey));
                doubts.extend(change.iter().filter_map(|c| c.doubt.clone()));
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
    answer.head.warnings.extend(doubts);
    Some(answer)
}

/// What to say when the outlines don't come to lie on each other however they are turned: another repair.
fn doubt(before: &Survey, now: &Survey, laid: &LaidOver, lay: &Rigid) -> Option<String> {
    let target = closed(&before.repair)?;
    unlike(&target, &now.repair, lay).then(|| {
        format!(
            "{}: the repair's outline lies {:.0} mm off the one in {} however it is turned; if it is another repair, what changed between the two says nothing",
            now.head.photo, laid.rms_mm, before.head.photo
        )
    })
}

fn percent(before: &Areas, now: &Areas) -> Option<f64> {
    (before.low_mm2 > 0.0).then(|| 100.0 * (now.low_mm2 / before.low_mm2 - 1.0))
}

struct Change {
    new_high_mm2: f64,
    laid: LaidOver,
    doubt: Option<String>,
}

fn compare(before: &Survey, now: &Survey) -> Change {
    let (lay, laid) = lay_over(before, now);
    // Show-through counts as new where none was within the two outlines' scatter.
    let reach = 2.0 + laid.rms_mm;
    let (w, h) = before.size;
    let old = crate::area::mask::Mask::from_fn(w, h, |i| before.classes[i] == 3)
        .grown(reach / before.map.mm_per_px);
    let new = (0..now.classes.len())
        .filter(|i| now.classes[*i] == 3)
        .filter(|i| {
            let then = before.cell_at(lay.apply(now.place(*i)));
            !then.is_some_and(|k| old.cells[k])
        })
        .count() as f64
        * now.map.mm_per_px.powi(2);
    Change {
        new_high_mm2: new,
        laid,
        doubt: doubt(before, now, &laid, &lay),
    }
}

/// Share of the outline's places that must fit: where it is covered or in glare it may lie off.
const KEEP: f64 = 0.8;

/// The move that takes `now` onto `before`: none where the outlines lie on each other as they are, or can't be laid better.
fn lay_over(before: &Survey, now: &Survey) -> (Rigid, LaidOver) {
    let still = Rigid::identity();
    let Some(target) = closed(&before.repair) else {
        let laid = LaidOver {
            by: By::Card,
            rms_mm: f64::INFINITY,
        };
        return (still, laid);
    };
    let as_is = LaidOver {
        by: By::Card,
        rms_mm: apart(&target, &now.repair, &still),
    };
    if as_is.rms_mm < SAME_MM {
        return (still, as_is);
    }
    // Centroids together, the turn tried round the circle, then registered.
    let middle = |outline: &[Point2<f64>]| {
        let (x, y) = crate::area::repair::centroid(outline);
        Point2::new(x, y)
    };
    let (a, b) = (middle(&before.repair), middle(&now.repair));
    let start = (0..120)
        .map(|k| (f64::from(k) * 3.0).to_radians())
        .map(|turn_rad| Rigid {
            turn_rad,
            shift: a.coords - Rotation2::new(turn_rad) * b.coords,
        })
        .map(|rigid| (apart(&target, &now.repair, &rigid), rigid))
        .min_by(|x, y| x.0.total_cmp(&y.0));
    let options = RegisterOptions {
        keep: KEEP,
        ..RegisterOptions::default()
    };
    let found = start.and_then(|(_, rigid)| register(&target, &now.repair, rigid, &options));
    let better = found.map(|f| (f.rigid, apart(&target, &now.repair, &f.rigid)));
    match better.filter(|(_, rms)| *rms < as_is.rms_mm) {
        Some((rigid, rms_mm)) => (
            rigid,
            LaidOver {
                by: By::Outline,
                rms_mm,
            },
        ),
        None => (still, as_is),
    }
}

/// An outline as a target: its first place once more at the end.
fn closed(outline: &[Point2<f64>]) -> Option<Target> {
    let round: Vec<Point2<f64>> = outline.iter().chain(outline.first()).copied().collect();
    Target::new(&round)
}

/// Rms distance of an outline's places from another, mm, those that fit worst left out.
fn apart(to: &Target, from: &[Point2<f64>], lay: &Rigid) -> f64 {
    let d: Vec<f64> = from
        .iter()
        .map(|p| to.foot(lay.apply(*p)).distance.powi(2))
        .collect();
    nearest_rms(d)
}

/// Root of the mean of squares, those that fit worst left out.
fn nearest_rms(mut squares: Vec<f64>) -> f64 {
    squares.sort_by(f64::total_cmp);
    squares.truncate(((squares.len() as f64 * KEEP) as usize).max(1));
    (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt()
}

/// Widest rim of primer round filler, mm (common practice, no source): one photo may show the outline at its inner edge, another at
/// its outer.
const RIM_MM: f64 = 8.0;

/// Whether two outlines, laid over each other as well as can be, are not of one repair: one is larger all round by more than a rim,
/// or they differ in shape by more than an outline's scatter.
fn unlike(to: &Target, from: &[Point2<f64>], lay: &Rigid) -> bool {
    let off: Vec<f64> = from
        .iter()
        .map(|p| to.foot(lay.apply(*p)).distance)
        .collect();
    let Some(round) = median(&mut off.clone()) else {
        return false;
    };
    let shape = nearest_rms(off.iter().map(|d| (d - round).powi(2)).collect());
    round.abs() > RIM_MM || shape > SAME_MM
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
        let place = first.place(i);
        let seen = others
            .iter()
            .filter_map(|o| o.class_at(place))
            .find(|class| *class != 0);
        first.classes[i] = seen.unwrap_or(0);
    }
    for other in &others {
        if closed(&first.repair)
            .is_some_and(|t| apart(&t, &other.repair, &Rigid::identity()) > SAME_MM)
        {
            first.head.warnings.push(format!("{}: the card seems to have been moved between the photos of this pass; keep it where it is", other.head.photo));
        }
    }
    first.recount(&whole);
    Some(first)
}
