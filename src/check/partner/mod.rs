//! Is this side like the other? Two results of the same kind laid over one another.
//!
//! Each side becomes a curve with the uncertainty of every point: a line's points, the gap along a straightedge, a section's
//! profile. The other side of the car is mirrored; the next panel is not. The second is registered rigidly onto the first
//! ([`crate::fit::register`]); what is left, square to the first, is the deviation. Its u95 is both sides' together, with
//! what a slide along the line may do where the line is not straight: a slide is hardly held by a nearly straight line.

mod largest;
mod side;

use super::{CheckError, Head, SCHEMA};
use crate::budget::{BudgetPart, Part, gather};
use crate::fit::register::{RegisterOptions, Registered, Rigid, Target, register};
use crate::units::{K95, Measured};
use crate::verdict::{Outcome, judge};
use largest::{largest, together};
use nalgebra::Vector2;
use serde::{Deserialize, Serialize};
use side::{Curve, fit_to_compare};
pub use side::{Kind, SideCurve};
use thiserror::Error;

/// Why two sides can't be compared.
#[derive(Debug, Error, PartialEq)]
pub enum PartnerError {
    /// Results of two kinds.
    #[error("one is a {a} and the other a {b}; measure both sides with the same check")]
    Kinds {
        /// First kind.
        a: &'static str,
        /// Second kind.
        b: &'static str,
    },
    /// Too little of a side.
    #[error("{side} shows too little of its {what}: {points} points, and 8 are needed")]
    Short {
        /// Which one.
        side: &'static str,
        /// What it is.
        what: &'static str,
        /// Points it has.
        points: usize,
    },
    /// No overlap.
    #[error(
        "the two sides can't be laid over one another: show the same length of the panel on both"
    )]
    Apart,
}

/// How the second side lies to the first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lay {
    /// The other side of the car.
    Mirrored,
    /// The next panel, or the same one again.
    AsIs,
    /// Whichever fits better; the answer says which.
    Better,
}

/// Options of the partner check.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PartnerOptions {
    /// How the second side lies.
    pub lay: Lay,
    /// Tolerance, mm.
    pub tol_mm: Option<f64>,
}

/// Answer of the partner check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PartnerResult {
    /// What every result begins with; `photo` names both.
    #[serde(flatten)]
    pub head: Head,
    /// What was compared.
    pub kind: Kind,
    /// Names of the two sides.
    pub sides: [String; 2],
    /// Whether the second was mirrored.
    pub mirrored: bool,
    /// Length along which both are seen, mm.
    pub length_mm: f64,
    /// The second less the first, square to the first, positive down (toward card +y); s along the first from its start.
    pub deviation: Vec<PartnerDeviation>,
    /// Largest deviation, its size, less half of what noise may have added to it; its interval knows that it is the largest of
    /// many places.
    pub max_mm: Measured,
    /// Where it is, mm along the first.
    pub max_at_mm: f64,
    /// Root mean square, mm.
    pub rms_mm: f64,
    /// How far the second slid along the first to lie best, and how well that is held, mm.
    pub slide_mm: Measured,
    /// Stretches that surely differ.
    pub places: Vec<PartnerPlace>,
    /// First side's curve as compared, mm.
    pub first_mm: Vec<[f64; 2]>,
    /// Second side's curve laid over it, mm.
    pub second_mm: Vec<[f64; 2]>,
    /// 'Is this side like the other?' in one sentence.
    pub answer: String,
}

/// Deviation at one place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PartnerDeviation {
    /// Distance along the first side, mm.
    pub s_mm: f64,
    /// Second less first, mm.
    pub d_mm: f64,
    /// Half-width of its 95% interval, mm.
    pub u95_mm: f64,
}

/// A stretch where the sides surely differ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PartnerPlace {
    /// Start, mm along the first.
    pub from_mm: f64,
    /// End, mm.
    pub to_mm: f64,
    /// Place of the largest difference, mm.
    pub peak_mm: f64,
    /// Difference there.
    pub d_mm: Measured,
    /// What to do, on which side.
    pub words: String,
}

/// A slide of the second side along the first that is believed beforehand: people take in the same length of panel to about
/// this share of it (standard deviation; ours, no source). Gaps between panels say it far better.
const SLIDE_SHARE: f64 = 0.05;
/// Standard deviation of the slide where a gap between panels is seen on both sides, mm: gaps are worked to a millimetre or
/// two (common practice, no source).
const GAP_SLIDE_MM: f64 = 2.0;
/// Most of those standard deviations that shape may pull the second side along.
const MOST_SLIDE: f64 = 2.5;
/// The same of a section, whose corner says where it lies: how far off the corner is taken at first, as a share of the length.
const CORNER_SHARE: f64 = 0.1;
/// Kept pairs: a tenth may be a dent that only one side has.
const KEEP: f64 = 0.9;

/// Compares two sides.
///
/// # Errors
/// [`PartnerError`] for sides of two kinds, too short or apart.
pub fn measure(
    a: &SideCurve,
    b: &SideCurve,
    options: &PartnerOptions,
) -> Result<PartnerResult, CheckError> {
    fit_to_compare(a, b)?;
    let first = Curve::of(a, false).ok_or(PartnerError::Apart)?;
    let tries: &[bool] = match options.lay {
        Lay::Mirrored => &[true],
        Lay::AsIs => &[false],
        Lay::Better => &[true, false],
    };
    let mut found: Vec<(bool, Curve, Laid)> = Vec::new();
    for mirrored in tries {
        if let Some(second) = Curve::of(b, *mirrored)
            && let Some(laid) = lay(a.kind, &first, &second)
        {
            found.push((*mirrored, second, laid));
        }
    }
    found.sort_by(|x, y| x.2.registered.rms.total_cmp(&y.2.registered.rms));
    let unsure = match found.as_slice() {
        [x, y] => x.2.registered.rms > 0.7 * y.2.registered.rms,
        _ => false,
    };
    let (mirrored, second, laid) = found.into_iter().next().ok_or(PartnerError::Apart)?;
    let deviation = deviation(&first, &second, &laid);
    let (Some(start), Some(end)) = (deviation.first(), deviation.last()) else {
        return Err(PartnerError::Apart.into());
    };
    let length_mm = end.s_mm - start.s_mm;
    let worst = deviation
        .iter()
        .copied()
        .max_by(|x, y| x.d_mm.abs().total_cmp(&y.d_mm.abs()))
        .unwrap_or(*start);
    let wide = together(&deviation);
    let max_mm = largest(&deviation);
    let n = deviation.len() as f64;
    let rms_mm = (deviation.iter().map(|d| d.d_mm * d.d_mm).sum::<f64>() / n).sqrt();
    let shown = Shown::of(a, b);
    let places = places(shown, &deviation, wide);
    let mut budget: Vec<BudgetPart> = [&a.head.budget[..], &b.head.budget[..]].concat();
    budget.push(BudgetPart {
        part: Part::Fit,
        u95_mm: (laid.slide_part(&deviation)).max(1e-6),
    });
    let mut budget = gather(&budget);
    budget.sort_by(|x, y| y.u95_mm.total_cmp(&x.u95_mm));
    let verdict = options
        .tol_mm
        .map(|tol| judge("largest difference", max_mm, tol, &budget))
        .transpose()?;
    let mut warnings = Vec::new();
    for text in a.head.warnings.iter().chain(&b.head.warnings) {
        if !warnings.contains(text) {
            warnings.push(text.clone());
        }
    }
    if options.lay == Lay::Better {
        warnings.push(format!(
            "taken as {}, which fits better{}; say --mirrored or --next to settle it",
            if mirrored {
                "the other side of the car, mirrored"
            } else {
                "the next panel, not mirrored"
            },
            if unsure { " but not by much" } else { "" }
        ));
    }
    let sides = [a.head.photo.clone(), b.head.photo.clone()];
    let told = verdict.as_ref().map(|v| v.result);
    let answer = answer(shown, max_mm, worst, length_mm, rms_mm, told);
    Ok(PartnerResult {
        head: Head {
            schema: SCHEMA.into(),
            check: "partner".into(),
            photo: sides.join(" + "),
            card: a.head.card.iter().chain(&b.head.card).cloned().collect(),
            lens: a.head.lens && b.head.lens,
            mm_per_px: a.head.mm_per_px.max(b.head.mm_per_px),
            warnings,
            budget,
            verdict,
        },
        kind: a.kind,
        sides,
        mirrored,
        length_mm,
        max_mm,
        max_at_mm: worst.s_mm,
        rms_mm,
        slide_mm: Measured::from_u(laid.slide, laid.slide_u),
        places,
        first_mm: first.points.iter().map(|p| [p.x, p.y]).collect(),
        second_mm: second
            .points
            .iter()
            .map(|p| laid.registered.rigid.apply(*p))
            .map(|p| [p.x, p.y])
            .collect(),
        deviation,
        answer,
    })
}

/// The second side laid over the first.
struct Laid {
    registered: Registered,
    target: Target,
    /// Slide from where the middles meet, mm.
    slide: f64,
    /// Its standard uncertainty, mm.
    slide_u: f64,
}

fn lay(kind: Kind, first: &Curve, second: &Curve) -> Option<Laid> {
    let target = Target::new(&first.points)?;
    let shorter = first.length.min(second.length);
    let (start, slide_sd) = match (first.gaps.as_slice(), second.gaps.as_slice()) {
        // Both lie about their corners already.
        _ if kind == Kind::Section => (0.0, CORNER_SHARE * shorter),
        ([g], [h]) => (g - h, GAP_SLIDE_MM),
        _ => (0.5 * (first.length - second.length), SLIDE_SHARE * shorter),
    };
    let mid = |c: &Curve| match kind {
        Kind::Section => 0.0,
        _ => c.points.iter().map(|p| p.y).sum::<f64>() / c.points.len() as f64,
    };
    let options = RegisterOptions {
        keep: KEEP,
        slide_sd,
        ..RegisterOptions::default()
    };
    // A wavy line can lie well in more than one place: try several and keep the best. One that slides off, where less and
    // less of the sides is compared, is none.
    let mut best: Option<(f64, Registered, f64)> = None;
    let mut attempt = |at: f64, slide_sd: f64| {
        let from = Rigid {
            turn_rad: 0.0,
            shift: Vector2::new(at, mid(first) - mid(second)),
        };
        let held = RegisterOptions {
            slide_sd,
            ..options
        };
        let Some(found) = register(&target, &second.points, from, &held) else {
            return;
        };
        let slide = found.rigid.apply(second.points[0]).x - second.points[0].x - start;
        let cost = (found.rms / noise(first, second)).powi(2)
            + (slide / options.slide_sd).powi(2) / second.points.len() as f64;
        if slide.abs() <= MOST_SLIDE * options.slide_sd
            && best.as_ref().is_none_or(|(least, _, _)| cost < *least)
        {
            best = Some((cost, found, slide));
        }
    };
    for step in -4..=4 {
        attempt(start + 0.5 * f64::from(step) * slide_sd, slide_sd);
    }
    // Held where the middles meet, for sides whose shapes pull apart.
    attempt(start, 1e-6);
    let (_, registered, slide) = best?;
    // How sharply the curve's own shape holds the slide: slopes against the curve's points as independent every 20 mm or so.
    let feet: Vec<f64> = first
        .points
        .windows(2)
        .map(|w| {
            let d = w[1] - w[0];
            if d.x.abs() > 1e-9 { d.y / d.x } else { 0.0 }
        })
        .collect();
    let mean = feet.iter().sum::<f64>() / feet.len().max(1) as f64;
    let bent = feet.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / feet.len().max(1) as f64;
    let independent = (first.length / 20.0).max(3.0);
    let held = bent * independent / noise(first, second).max(registered.rms).powi(2);
    let slide_u = (held + slide_sd.powi(-2)).recip().sqrt();
    Some(Laid {
        registered,
        target,
        slide,
        slide_u,
    })
}

/// Standard uncertainty of a difference, mean over both sides, mm.
fn noise(first: &Curve, second: &Curve) -> f64 {
    let mean = |c: &Curve| c.u95.iter().map(|u| u * u).sum::<f64>() / c.u95.len().max(1) as f64;
    ((mean(first) + mean(second)).sqrt() / K95).max(1e-3)
}

impl Laid {
    /// Rms of what the slide adds to the deviations' u95, mm.
    fn slide_part(&self, deviation: &[PartnerDeviation]) -> f64 {
        let pairs = deviation.windows(2).map(|w| {
            let slope = (w[1].d_mm - w[0].d_mm) / (w[1].s_mm - w[0].s_mm).max(1e-6);
            slope * slope
        });
        let n = deviation.len().saturating_sub(1).max(1) as f64;
        K95 * self.slide_u * (pairs.sum::<f64>() / n).sqrt()
    }
}

/// The second less the first at each of the second's points that lies over the first.
fn deviation(first: &Curve, second: &Curve, laid: &Laid) -> Vec<PartnerDeviation> {
    let s_of = |segment: usize, share: f64| {
        let (a, b) = (first.points[segment], first.points[segment + 1]);
        a.x + (b.x - a.x) * share
    };
    // Arc length along the first: a section turns, and there x is not the way along.
    let mut arc = vec![0.0];
    for w in first.points.windows(2) {
        let last = arc[arc.len() - 1];
        arc.push(last + (w[1] - w[0]).norm());
    }
    let total = arc[arc.len() - 1];
    let straight = total < 1.01 * first.length;
    let together = nalgebra::Point2::from(
        first
            .points
            .iter()
            .fold(Vector2::zeros(), |sum, p| sum + p.coords)
            / first.points.len().max(1) as f64,
    );
    let mut rows: Vec<PartnerDeviation> = Vec::new();
    for (k, p) in second.points.iter().enumerate() {
        let foot = laid.target.foot(laid.registered.rigid.apply(*p));
        if foot.beyond {
            continue;
        }
        let i = foot.segment;
        let u_first = first.u95[i] + (first.u95[i + 1] - first.u95[i]) * foot.share;
        // A slide moves the second along its own direction; against the first's that shows as their difference of slope,
        // and in the shape itself where the first bends within the slide.
        let before = first.points[i.saturating_sub(4)];
        let after = first.points[(i + 5).min(first.points.len() - 1)];
        let chord = (after - before).try_normalize(1e-9).unwrap_or(foot.along);
        let overall = if straight { Vector2::x() } else { chord };
        let slope = overall.x * chord.y - overall.y * chord.x;
        // What a size that is off does, about the place where the two are laid together.
        let foot_at = first.points[i] + (first.points[i + 1] - first.points[i]) * foot.share;
        let grown = (foot_at - together).perp(&foot.along).abs();
        let size = first.size_u95.hypot(second.size_u95) * grown;
        let u95 = (u_first.powi(2)
            + second.u95[k].powi(2)
            + size.powi(2)
            + (K95 * laid.slide_u * slope).powi(2))
        .sqrt();
        rows.push(PartnerDeviation {
            s_mm: if straight {
                s_of(i, foot.share)
            } else {
                arc[i] + (arc[i + 1] - arc[i]) * foot.share
            },
            d_mm: foot.distance,
            u95_mm: u95.max(1e-6),
        });
    }
    rows.sort_by(|a, b| a.s_mm.total_cmp(&b.s_mm));
    rows
}

/// Stretches whose deviation has one sign and stands out of its u95 somewhere.
fn places(shown: Shown, rows: &[PartnerDeviation], wide: f64) -> Vec<PartnerPlace> {
    let mut out = Vec::new();
    let mut from = 0;
    while from < rows.len() {
        let sign = rows[from].d_mm >= 0.0;
        let mut to = from;
        while to + 1 < rows.len() && (rows[to + 1].d_mm >= 0.0) == sign {
            to += 1;
        }
        let peak = rows[from..=to]
            .iter()
            .copied()
            .max_by(|a, b| (a.d_mm.abs() / a.u95_mm).total_cmp(&(b.d_mm.abs() / b.u95_mm)))
            .unwrap_or(rows[from]);
        let u95 = wide * peak.u95_mm;
        if peak.d_mm.abs() > u95 {
            let d_mm = Measured {
                value: peak.d_mm,
                u95,
            };
            out.push(PartnerPlace {
                from_mm: rows[from].s_mm,
                to_mm: rows[to].s_mm,
                peak_mm: peak.s_mm,
                d_mm,
                words: words(shown, peak.d_mm),
            });
        }
        from = to + 1;
    }
    out
}

/// What a difference is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shown {
    /// A line, positive lower.
    Line,
    /// A panel's height, positive deeper.
    Depth,
    /// A panel's height off its templates, which lie below: positive prouder.
    Height,
    /// An outline of which it isn't known where the panel lies.
    Outline,
}

impl Shown {
    fn of(a: &SideCurve, b: &SideCurve) -> Shown {
        match a.kind {
            Kind::Line => Shown::Line,
            Kind::Straightedge => Shown::Depth,
            Kind::Section if a.material.is_some() && b.material.is_some() => Shown::Height,
            Kind::Section => Shown::Outline,
        }
    }
}

/// What to do about a difference, on which side.
fn words(shown: Shown, d: f64) -> String {
    let size = d.abs();
    match (shown, d > 0.0) {
        (Shown::Line, true) => format!(
            "the second side's line runs {size:.2} mm lower: there take down below it and add above, or the other way round on the first side"
        ),
        (Shown::Line, false) => format!(
            "the second side's line runs {size:.2} mm higher: there add below it and take down above, or the other way round on the first side"
        ),
        (Shown::Depth, true) | (Shown::Height, false) => format!(
            "the second side lies {size:.2} mm deeper: add filler there, or take down the first side"
        ),
        (Shown::Depth, false) | (Shown::Height, true) => format!(
            "the second side stands {size:.2} mm prouder: take down there, or add filler to the first side"
        ),
        (Shown::Outline, true) => format!(
            "the second side's outline lies {size:.2} mm lower in the picture: work it toward the first, or the first toward it"
        ),
        (Shown::Outline, false) => format!(
            "the second side's outline lies {size:.2} mm higher in the picture: work it toward the first, or the first toward it"
        ),
    }
}

/// The answer in one sentence; `told`: what the largest difference comes to where a tolerance was given.
fn answer(
    shown: Shown,
    max: Measured,
    worst: PartnerDeviation,
    length_mm: f64,
    rms_mm: f64,
    told: Option<Outcome>,
) -> String {
    let hidden = max.value + max.u95;
    if told == Some(Outcome::Undecided) {
        format!(
            "Can't tell: over {length_mm:.0} mm the largest difference is {:.2} ± {:.2} mm (rms {rms_mm:.2} mm); up to {hidden:.2} mm would not show.",
            max.value, max.u95
        )
    } else if max.value <= max.u95 || told == Some(Outcome::Within) {
        format!(
            "Yes: over {length_mm:.0} mm the sides differ by {:.2} ± {:.2} mm at most (rms {rms_mm:.2} mm), a difference of up to {hidden:.2} mm would not show.",
            max.value, max.u95
        )
    } else {
        format!(
            "Not quite: at {:.0} mm {} ({:.2} ± {:.2} mm; rms over {length_mm:.0} mm is {rms_mm:.2} mm).",
            worst.s_mm,
            words(shown, worst.d_mm),
            max.value,
            max.u95
        )
    }
}
