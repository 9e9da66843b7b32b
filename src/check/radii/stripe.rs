//! The radius from a photo of the coat left on the arc.
//!
//! Block both flanks flat over guide coat and what is left is a stripe between the two tangent points, its chord
//! w = 2 r sin(turn/2). Both borders are located at full size as any other edge (`trace::edge`); a narrow stripe is mirrored
//! about its own middle first, so that each border is a single step. A border's place is carried through the cards' flank
//! and the chord's lean (`scale::chord`) to a width every few millimetres. Coat borders are ragged by a tenth of a
//! millimetre, alike over some millimetres: how much, how long and how much the radius itself wanders is judged by the
//! readings' likelihood (`solve::wander`).

use super::ribbon::{self, Ribbon};
use super::schedule::{Station, places, smoothing};
use super::stations::check_turn;
use super::{Borders, Course, Found, RadiiOptions, RadiiResult, Scheduled, StationsError, finish};
use crate::budget::Part;
use crate::card::Card;
use crate::check::line::follow::columns;
use crate::check::line::guide::{Guide, Quad, axis, masked, masks};
use crate::check::{CheckError, Head, SCHEMA, Setup, cards_seen, scale};
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::chord::Ends;
use crate::solve::wander::{Reading, Unknown, wander};
use crate::trace::TraceError;
use crate::trace::edge::{EdgeOptions, Located, locate};
use crate::trace::strip::{Coding, Strip};
use crate::units::{K95, Px};
use nalgebra::{Point2, Vector2};

/// Rows a photo pixel.
const PITCH_PX: f64 = 0.5;
/// Rows on each side of a border, px.
const HALF_PX: f64 = 26.0;
/// Readings of the width lie this far apart, mm.
const READING_MM: f64 = 2.0;
/// Where a border is taken to lie may be off by this share of its blur, at both borders alike: a tone curve moves the middle
/// of a soft step, and coat thins toward it (standard uncertainty; ours, from made-up photos, no source).
const BORDER_U: f64 = 0.035;
/// Shortest stripe measured, mm.
const SHORTEST_MM: f64 = 40.0;

/// Measures the stripe on a photo. `near`: points on it; empty: find it.
///
/// # Errors
/// [`CheckError`]: no card, no stripe, no turn, a lens file that doesn't fit.
pub fn measure(
    photo: &Photo,
    setup: &Setup,
    options: &RadiiOptions,
    near: &[Px],
) -> Result<RadiiResult, CheckError> {
    let cards = setup.cards(photo)?;
    measure_on(photo, &cards, setup, options, near)
}

/// As [`measure`], on cards found already.
///
/// # Errors
/// As [`measure`].
pub fn measure_on(
    photo: &Photo,
    cards: &[Card],
    setup: &Setup,
    options: &RadiiOptions,
    near: &[Px],
) -> Result<RadiiResult, CheckError> {
    let turn_deg = options.turn_deg.ok_or(StationsError::NoTurn)?;
    check_turn(turn_deg)?;
    let (mut assume, mut warnings) = setup.assume(photo)?;
    let first = scale(cards, &assume, &mut warnings)?;
    let quads = masks(cards);
    let ribbon = ribbon::find(photo, cards, &quads, &first, near)?;
    let guides = guides(&ribbon);
    // The panel bows along its swage.
    assume.axis_rad = Some(axis(&guides[0]));
    let scale = scale(cards, &assume, &mut warnings)?;
    let borders = [
        follow(photo, &quads, &first, &ribbon, &guides, 0)?,
        follow(photo, &quads, &first, &ribbon, &guides, 1)?,
    ];
    let lean = 0.5 * turn_deg.to_radians() * if options.root { -1.0 } else { 1.0 };
    let (widths, along) = widths(&borders, &scale, &guides[0], lean)?;
    let per_width = 1.0 / (2.0 * (0.5 * turn_deg.to_radians()).sin());
    let blur_px = 0.5 * (borders[0].blur_px + borders[1].blur_px);
    let level_px = borders[0].level_px.hypot(borders[1].level_px);
    // Both borders may be off outward alike; the lights' levels are each border's own.
    let border_px = (2.0 * BORDER_U * blur_px).hypot(level_px);
    let radii = Radii::new(&widths, &scale, per_width, border_px)?;
    if cards.len() == 1 && radii.share(Part::Bow) > 0.5 {
        warnings.push(
            "with one card the panel's bow is not known: lay a second card far along the stripe"
                .into(),
        );
    }
    let odd = radii.stations.iter().filter(|s| s.odd).count();
    if odd > radii.stations.len() / 8 {
        warnings.push(
            "the borders of the coat are worn or smeared in many places: dust and block again for a cleaner stripe"
                .into(),
        );
    }
    let (s, r): (Vec<f64>, Vec<f64>) = radii.schedule.iter().map(|s| (s.s_mm, s.r_mm)).unzip();
    let u95 = |at: f64| {
        let k = s.partition_point(|v| *v < at).min(s.len() - 1);
        radii.schedule[k].u95_mm
    };
    let half = 0.5 * turn_deg.to_radians();
    let middle = borders[0].points[borders[0].points.len() / 2].px;
    let found = Found {
        course: Course { s_mm: &s, r_mm: &r },
        u95: &u95,
        turn_deg,
        stations: radii.stations.clone(),
        smoothing: smoothing(radii.cutoff_mm, s[s.len() - 1] - s[0]),
        schedule: radii.schedule.clone(),
        shares: radii.shares.clone(),
        head: Head {
            schema: SCHEMA.into(),
            check: "radii".into(),
            photo: photo.name.clone(),
            card: cards_seen(cards, &scale),
            lens: setup.lens.is_some(),
            mm_per_px: scale.mm_per_px(middle).unwrap_or(borders[0].mm_per_px),
            warnings,
            budget: Vec::new(),
            verdict: None,
        },
        r_per_turn_degree_percent: 100.0 * half / half.tan() / turn_deg,
        borders_px: Some(seen(&borders, &scale, along)),
    };
    finish(found, options)
}

/// Courses of both borders, the one nearer to the cards first.
fn guides(ribbon: &Ribbon) -> [Guide; 2] {
    let of = |near: bool| Guide {
        course: ribbon
            .course
            .iter()
            .map(|(a, low, high)| {
                (
                    *a,
                    if near == ribbon.cards_first {
                        *low
                    } else {
                        *high
                    },
                )
            })
            .collect(),
        ..ribbon.frame.clone()
    };
    [of(true), of(false)]
}

/// One reading of a border.
#[derive(Debug, Clone, Copy)]
struct BorderPoint {
    /// Place along in the guide's frame, mm.
    a_mm: f64,
    /// Smoothed place.
    px: Px,
    /// As read.
    raw: Px,
    /// Trust, 0 to 1.
    weight: f64,
    /// How far other lights see it elsewhere, px.
    disagree_px: f64,
}

/// A border along the photo.
struct Border {
    points: Vec<BorderPoint>,
    mm_per_px: f64,
    blur_px: f64,
    /// How far other lights see it on the whole, px.
    level_px: f64,
}

/// Locates one border (0: nearer to the cards) at full size.
fn follow(
    photo: &Photo,
    quads: &[Quad],
    scale: &Scale,
    ribbon: &Ribbon,
    guides: &[Guide; 2],
    which: usize,
) -> Result<Border, TraceError> {
    let (own, other) = (&guides[which], &guides[1 - which]);
    let (centre, normal, mm_per_px) = columns(photo, scale, own).ok_or(TraceError::OffPanel)?;
    let n = centre.len();
    let a_mm = along(scale, own, &centre).ok_or(TraceError::OffPanel)?;
    let b_of = |guide: &Guide, a: f64| {
        let k = guide
            .course
            .partition_point(|p| p.0 <= a)
            .clamp(1, guide.course.len() - 1);
        let (p, q) = (guide.course[k - 1], guide.course[k]);
        p.1 + (q.1 - p.1) * ((a - p.0) / (q.0 - p.0)).clamp(-1.0, 2.0)
    };
    // Half of the stripe's width at each column in rows, signed toward the stripe's middle.
    let inward: Vec<f64> = (0..n)
        .map(|c| {
            let width_mm = b_of(other, a_mm[c]) - b_of(own, a_mm[c]);
            0.5 * width_mm / mm_per_px[c] / PITCH_PX
        })
        .collect();
    let rows = (2.0 * HALF_PX / PITCH_PX) as usize + 1;
    let middle = (rows / 2) as f64;
    let strip = Strip::sample(photo, n, rows, Coding::Linear, |c, r| {
        let half = inward[c].abs();
        let o = (r as f64 - middle) * inward[c].signum();
        let o = folded(o, half) * inward[c].signum();
        let p = centre[c] + normal[c] * (o * PITCH_PX);
        (!masked(quads, p)).then_some(p)
    });
    let (first, last) = (ribbon.course[0].0, ribbon.course[ribbon.course.len() - 1].0);
    let block = 0.5 * (ribbon.course[1].0 - ribbon.course[0].0);
    let usable: Vec<bool> = (0..n)
        .map(|c| {
            let a = a_mm[c];
            if a < first - block || a > last + block {
                return false;
            }
            let k = ribbon
                .course
                .partition_point(|p| p.0 + block <= a)
                .min(ribbon.course.len() - 1);
            ribbon.seen[k] && !strip.column(c)[middle as usize][0].is_nan()
        })
        .collect();
    let typical = mm_per_px[n / 2];
    let station = ((READING_MM / typical).round() as usize).max(2);
    let station_mm = station as f64 * typical;
    let located = locate(
        &strip,
        &vec![middle; n],
        &usable,
        &EdgeOptions {
            pitch_px: PITCH_PX,
            station,
            wide: ((8.0 / typical).round() as usize).max(station),
            shortest: (25.0 / station_mm).max(4.0),
            blurs_px: vec![0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.2],
        },
    )
    .ok_or(TraceError::Faint)?;
    let points = points(&located, &centre, &normal, &a_mm, middle, station, &usable);
    let seen = points.iter().filter(|p| p.weight > 0.1).count() as f64 * station_mm;
    if seen < SHORTEST_MM {
        return Err(TraceError::TooShort {
            seen_mm: seen,
            need_mm: SHORTEST_MM,
        });
    }
    Ok(Border {
        blur_px: located.blur_px,
        // Moved to where brightness sees it, half of the way is doubtful; else what the lights disagree about.
        level_px: PITCH_PX
            * located
                .brightness_level
                .map_or(located.disagree_level, |level| 0.5 * level.abs()),
        points,
        mm_per_px: typical,
    })
}

/// A row off the border, positive toward the stripe's middle, folded back so that it never leaves the stripe's nearer half.
fn folded(o: f64, half: f64) -> f64 {
    if o <= half {
        return o;
    }
    // To and fro between the middle and half way to the border, where the step's blur has ended.
    let span = (0.5 * half).max(0.5);
    let over = (o - half) % (2.0 * span);
    half - if over <= span {
        over
    } else {
        2.0 * span - over
    }
}

/// Place along of each column, mm, straight between every eighth.
fn along(scale: &Scale, guide: &Guide, centre: &[Point2<f64>]) -> Option<Vec<f64>> {
    const EVERY: usize = 8;
    let n = centre.len();
    let at = |i: usize| Some(guide.ab(scale.mm_from_px(Px(centre[i.min(n - 1)]))?).0);
    let knots: Vec<f64> = (0..=n.div_ceil(EVERY))
        .map(|k| at(k * EVERY))
        .collect::<Option<_>>()?;
    Some(
        (0..n)
            .map(|c| {
                let k = c / EVERY;
                let end = ((k + 1) * EVERY).min(n - 1).max(k * EVERY + 1);
                let f = (c - k * EVERY) as f64 / (end - k * EVERY) as f64;
                knots[k] + (knots[k + 1] - knots[k]) * f.min(1.0)
            })
            .collect(),
    )
}

fn points(
    located: &Located,
    centre: &[Point2<f64>],
    normal: &[Vector2<f64>],
    a_mm: &[f64],
    middle: f64,
    station: usize,
    usable: &[bool],
) -> Vec<BorderPoint> {
    let last = centre.len() - 1;
    let level = located.brightness_level.unwrap_or(0.0);
    (0..located.column.len())
        .filter_map(|k| {
            let column = located.column[k].clamp(0.0, last as f64);
            let i = (column.floor() as usize).min(last.saturating_sub(1));
            let f = column - i as f64;
            let j = (i + 1).min(last);
            let of = &usable[i.saturating_sub(station / 2)..(i + station / 2).min(last)];
            if 2 * of.iter().filter(|u| **u).count() < of.len() {
                return None;
            }
            let c = centre[i] + (centre[j] - centre[i]) * f;
            let n = (normal[i] * (1.0 - f) + normal[j] * f).normalize();
            let px = |row: f64| Px(c + n * ((row - middle) * PITCH_PX));
            Some(BorderPoint {
                a_mm: a_mm[i] + (a_mm[j] - a_mm[i]) * f,
                px: px(located.course[k] + level),
                raw: px(located.course[k] + level + located.residual[k]),
                weight: located.weight[k],
                disagree_px: located.disagree.get(k).copied().unwrap_or(0.0) * PITCH_PX,
            })
        })
        .collect()
}

/// A width of the stripe.
#[derive(Debug, Clone, Copy)]
struct Width {
    s_mm: f64,
    mm: f64,
    ends: Ends,
    disagree_mm: f64,
    mm_per_px: f64,
}

/// The borders as the answer tells of them. `along`: the swage's direction in the card frame.
fn seen(borders: &[Border; 2], scale: &Scale, along: Vector2<f64>) -> Borders {
    let px = |border: &Border| border.points.iter().map(|p| [p.px.0.x, p.px.0.y]).collect();
    Borders {
        near_px: px(&borders[0]),
        near_s_mm: borders[0]
            .points
            .iter()
            .map(|p| {
                scale
                    .mm_from_px(p.px)
                    .map_or(p.a_mm, |mm| mm.0.coords.dot(&along))
            })
            .collect(),
        far_px: px(&borders[1]),
    }
}

/// Widths along the stripe (and the swage's direction in the card frame): each reading of the far border with the near border facing it.
fn widths(
    borders: &[Border; 2],
    scale: &Scale,
    guide: &Guide,
    lean_rad: f64,
) -> Result<(Vec<Width>, Vector2<f64>), CheckError> {
    let [near, far] = borders;
    let mut a: Vec<(f64, &BorderPoint)> = near.points.iter().map(|p| (p.a_mm, p)).collect();
    a.sort_by(|p, q| p.0.total_cmp(&q.0));
    // The swage's own direction: the straight line through the near border's ends is good to a fraction of a degree.
    let corners: Vec<_> = a
        .iter()
        .filter(|p| p.1.weight > 0.1)
        .filter_map(|p| scale.mm_from_px(p.1.px))
        .collect();
    let line = crate::fit::line::fit_line(&corners, None)?;
    let mut along = if line.along.x < 0.0 {
        -line.along
    } else {
        line.along
    };
    if along.x.abs() < 0.02 && along.y < 0.0 {
        along = -along;
    }
    let mut across = Vector2::new(-along.y, along.x);
    let far_mm = far
        .points
        .get(far.points.len() / 2)
        .and_then(|p| scale.mm_from_px(p.px))
        .ok_or(TraceError::OffPanel)?;
    if (far_mm.0 - line.centre.0).dot(&across) < 0.0 {
        across = -across;
    }
    let mut out: Vec<Width> = Vec::new();
    for point in &far.points {
        if point.weight < 0.1 {
            continue;
        }
        let mut at = point.a_mm;
        let mut found = None;
        for _ in 0..3 {
            let Some((foot, direction)) = facing(&a, at, scale) else {
                found = None;
                break;
            };
            let ends = Ends {
                near: foot.raw,
                far: point.raw,
                along: if direction.dot(&along) < 0.0 {
                    -direction
                } else {
                    direction
                },
                across,
                lean_rad,
            };
            let Some(chord) = scale.chord(&ends) else {
                found = None;
                break;
            };
            // The guide's along may run against the card's +x.
            let sense = if guide.along.dot(&along) < 0.0 {
                -1.0
            } else {
                1.0
            };
            at = foot.a_mm + sense * chord.shift_mm;
            found = Some((ends, chord, foot));
            if chord.shift_mm.abs() < 0.75 * READING_MM {
                break;
            }
        }
        let Some((ends, chord, foot)) = found else {
            continue;
        };
        let (Some(mm), Some(mm_per_px)) = (scale.mm_from_px(ends.near), scale.mm_per_px(ends.near))
        else {
            continue;
        };
        if chord.length_mm > 0.0 {
            out.push(Width {
                s_mm: mm.0.coords.dot(&along) + chord.shift_mm,
                mm: chord.length_mm,
                ends,
                disagree_mm: foot.disagree_px.hypot(point.disagree_px) * mm_per_px,
                mm_per_px,
            });
        }
    }
    out.sort_by(|p, q| p.s_mm.total_cmp(&q.s_mm));
    out.dedup_by(|p, q| p.s_mm - q.s_mm < 1e-3);
    if out.len() < 12 {
        return Err(TraceError::Faint.into());
    }
    Ok((out, along))
}

/// The near border's reading at a place along, with the border's direction there in the card frame.
fn facing(
    near: &[(f64, &BorderPoint)],
    at: f64,
    scale: &Scale,
) -> Option<(BorderPoint, Vector2<f64>)> {
    let k = near.partition_point(|p| p.0 < at);
    let best = [k.checked_sub(1), Some(k)]
        .into_iter()
        .flatten()
        .filter_map(|i| near.get(i))
        .filter(|p| p.1.weight > 0.1)
        .min_by(|p, q| (p.0 - at).abs().total_cmp(&(q.0 - at).abs()))?;
    if (best.0 - at).abs() > 3.0 * READING_MM {
        return None;
    }
    let (i, j) = (k.saturating_sub(4), (k + 4).min(near.len() - 1));
    let (p, q) = (
        scale.mm_from_px(near[i].1.px)?,
        scale.mm_from_px(near[j].1.px)?,
    );
    let d = q.0 - p.0;
    (d.norm() > 1e-6).then(|| (*best.1, d.normalize()))
}

/// The radius along the stripe.
struct Radii {
    stations: Vec<Station>,
    schedule: Vec<Scheduled>,
    cutoff_mm: f64,
    /// Share of each part in the root sum of squares, in the middle of the stripe.
    shares: Vec<(Part, f64)>,
}

/// Readings further off than this many standard deviations are chips or smears.
const WORN: f64 = 4.0;

impl Radii {
    /// `per_width`: radius a width; `border_px`: standard uncertainty of the width by how its borders are read.
    fn new(
        widths: &[Width],
        scale: &Scale,
        per_width: f64,
        border_px: f64,
    ) -> Result<Radii, CheckError> {
        let mut odd = vec![false; widths.len()];
        let (from, to) = (widths[0].s_mm, widths[widths.len() - 1].s_mm);
        let places = places(from, to, std::iter::empty());
        let all: Vec<f64> = widths.iter().map(|w| w.s_mm).collect();
        let mut off = vec![0.0; widths.len()];
        let mut found = None;
        for round in 0..3 {
            let kept: Vec<usize> = (0..widths.len()).filter(|i| !odd[*i]).collect();
            let readings: Vec<Reading> = kept
                .iter()
                .map(|i| Reading {
                    s: widths[*i].s_mm,
                    value: widths[*i].mm,
                    u: 0.0,
                })
                .collect();
            let course =
                wander(&readings, &places, Unknown::AlikeAndOwn).ok_or(TraceError::Faint)?;
            // Off the smooth course, in units of all a reading may be off by.
            let sd = course.noise.alike.hypot(course.noise.own).max(1e-6);
            let mut changed = false;
            for (i, s) in all.iter().enumerate() {
                off[i] = (widths[i].mm - at(&places, &course.value, *s)) / sd;
                let now = off[i].abs() > WORN;
                changed |= now != odd[i];
                odd[i] = now;
            }
            found = Some(course);
            if !changed || round == 2 || odd.iter().filter(|o| !**o).count() < 12 {
                break;
            }
        }
        let course = found.ok_or(TraceError::Faint)?;
        let sd = course.noise.alike.hypot(course.noise.own);
        // The scale's own share at a dozen places, straight between.
        let every = (widths.len() / 12).max(1);
        let mut knots: Vec<(f64, Vec<(Part, f64)>)> = Vec::new();
        for width in widths.iter().step_by(every).chain(widths.last()) {
            if let Some(slope) = scale.chord_slope(&width.ends) {
                let parts = scale
                    .by_source()
                    .iter()
                    .map(|(part, covariance)| (*part, slope.dot(&(covariance * &slope)).max(0.0)))
                    .collect();
                knots.push((width.s_mm, parts));
            }
        }
        let mut schedule = Vec::with_capacity(places.len());
        let mut shares = Vec::new();
        let middle = 0.5 * (from + to);
        let doubts: Vec<f64> = places
            .iter()
            .map(|s| doubt(widths, *s, course.cutoff))
            .collect();
        for (k, s) in places.iter().enumerate() {
            let nearest = widths
                .iter()
                .min_by(|a, b| (a.s_mm - s).abs().total_cmp(&(b.s_mm - s).abs()))
                .unwrap_or(&widths[0]);
            let border = (border_px * nearest.mm_per_px).powi(2) + doubts[k].powi(2);
            let edge = course.u[k].powi(2) + border;
            let mut parts = vec![(Part::Edge, edge)];
            if let Some(knot) = knots
                .iter()
                .min_by(|a, b| (a.0 - s).abs().total_cmp(&(b.0 - s).abs()))
            {
                parts.extend(knot.1.iter().copied());
            }
            let variance: f64 = parts.iter().map(|p| p.1).sum();
            if shares.is_empty() && *s >= middle {
                shares = parts
                    .iter()
                    .map(|p| (p.0, (p.1 / variance.max(1e-12)).sqrt()))
                    .collect();
            }
            schedule.push(Scheduled {
                s_mm: *s,
                r_mm: (course.value[k] * per_width).max(1e-3),
                u95_mm: K95 * variance.sqrt() * per_width,
            });
        }
        let stations = widths
            .iter()
            .enumerate()
            .map(|(i, w)| Station {
                s_mm: w.s_mm,
                r_mm: w.mm * per_width,
                u95_mm: (K95 * sd * per_width).max(1e-4),
                odd: odd[i],
                off_sd: off[i],
            })
            .collect();
        Ok(Radii {
            stations,
            schedule,
            cutoff_mm: course.cutoff,
            shares,
        })
    }

    fn share(&self, part: Part) -> f64 {
        self.shares
            .iter()
            .filter(|s| s.0 == part)
            .map(|s| s.1 * s.1)
            .sum::<f64>()
            .sqrt()
    }
}

/// How far the lights disagree about the width round a place, mm: the mean over the stretch that the smooth course follows
/// as one (half its shortest wave), since what they disagree about from reading to reading is noise that is counted already.
fn doubt(widths: &[Width], s: f64, cutoff_mm: f64) -> f64 {
    let reach = (0.25 * cutoff_mm).max(10.0);
    let (mut sum, mut n) = (0.0, 0.0);
    for w in widths.iter().filter(|w| (w.s_mm - s).abs() <= reach) {
        sum += w.disagree_mm.powi(2);
        n += 1.0;
    }
    (sum / f64::max(n, 1.0)).sqrt()
}

/// Value at a place, straight between.
fn at(places: &[f64], values: &[f64], s: f64) -> f64 {
    let k = places
        .partition_point(|p| *p <= s)
        .clamp(1, places.len() - 1);
    let f = (s - places[k - 1]) / (places[k] - places[k - 1]);
    values[k - 1] + (values[k] - values[k - 1]) * f
}
