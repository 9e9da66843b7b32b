//! Both edges along the whole straightedge: a coarse course first, then profile by profile.

use super::StraightedgeError;
use super::find::Found;
use super::profile::{Behind, Blur, Edges, Expected, LIGHTS, MARGIN_PX, Profile, distinct};
use super::sharpness::Sharpness;
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::{Quad, masked};
use crate::solve::path::{CostGrid, PathOptions, cheapest_path};
use crate::trace::strip::{Coding, Strip};
use crate::units::Px;
use nalgebra::{Matrix2, Matrix4, Point2, Vector2, Vector4};
use rayon::prelude::*;

/// The strip along the line in the photo: a column a pixel.
#[derive(Debug, Clone)]
pub struct Along {
    /// Middle of each column on the line found, photo px.
    pub centre: Vec<Point2<f64>>,
    /// Across it, toward the panel, unit.
    pub normal: Vec<Vector2<f64>>,
    /// Distance along the straightedge, mm.
    pub s_mm: Vec<f64>,
    /// Millimetres a pixel covers across, in the middle.
    pub mm_per_px: f64,
}

impl Along {
    /// Columns along the straightedge as found, `every` px apart.
    pub fn new(scale: &Scale, found: &Found, every: f64) -> Option<Along> {
        let place = |a: f64, b: f64| scale.px_from_mm(found.mm(a, b)).map(|p| p.0);
        let middle = 0.5 * (found.from_mm + found.to_mm);
        let px_per_mm = (place(middle + 1.0, 0.0)? - place(middle, 0.0)?).norm();
        let knots = ((found.to_mm - found.from_mm) * px_per_mm / 16.0)
            .ceil()
            .max(2.0) as usize;
        let mut out = Along {
            centre: Vec::new(),
            normal: Vec::new(),
            s_mm: Vec::new(),
            mm_per_px: 1.0 / (place(middle, 0.5)? - place(middle, -0.5)?).norm(),
        };
        let at = |k: usize| {
            let a = found.from_mm + (found.to_mm - found.from_mm) * k as f64 / knots as f64;
            Some((a, place(a, 0.0)?, place(a, 1.0)?))
        };
        let mut last = at(0)?;
        for k in 1..=knots {
            let next = at(k)?;
            let step = next.1 - last.1;
            let n = (step.norm() / every).round().max(1.0);
            let tangent = step.normalize();
            let mut normal = Vector2::new(-tangent.y, tangent.x);
            if normal.dot(&(last.2 - last.1)) < 0.0 {
                normal = -normal;
            }
            for i in 0..n as usize {
                let t = i as f64 / n;
                out.centre.push(last.1 + step * t);
                out.normal.push(normal);
                out.s_mm.push(last.0 + (next.0 - last.0) * t);
            }
            last = next;
        }
        Some(out)
    }

    /// The way it runs in the photo, unit.
    pub fn direction(&self) -> Option<Vector2<f64>> {
        let d = self.centre.last()? - self.centre.first()?;
        (d.norm() > 0.0).then(|| d.normalize())
    }

    /// Photo place `y` px across from a column (with fraction).
    pub fn px(&self, column: f64, y: f64) -> Px {
        let k = (column.max(0.0) as usize).min(self.centre.len().saturating_sub(2));
        let t = column - k as f64;
        let next = (k + 1).min(self.centre.len() - 1);
        let middle = self.centre[k] + (self.centre[next] - self.centre[k]) * t;
        Px(middle + self.normal[k] * y)
    }

    /// Distance along at a column with fraction, mm.
    pub fn s_at(&self, column: f64) -> f64 {
        let k = (column.max(0.0) as usize).min(self.s_mm.len().saturating_sub(2));
        let next = (k + 1).min(self.s_mm.len() - 1);
        self.s_mm[k] + (self.s_mm[next] - self.s_mm[k]) * (column - k as f64)
    }
}

/// How far the line found may lie from the straightedge's edge, mm: it lies somewhere about the gap.
const STRAY_MM: f64 = 7.0;
/// How far the straightedge's edge may lie from its line once that is laid on it, mm.
const CLOSE_MM: f64 = 1.0;
/// Rows that a gap may turn out wider than the coarse look has it, px.
const OPENER_PX: f64 = 4.0;
/// Widest gap looked for, mm: beyond, a straightedge is the wrong tool (ours, no source).
const WIDEST_MM: f64 = 8.0;

/// The strip's light.
pub struct Bank {
    strip: Strip,
    from_y: f64,
    /// Rows a pixel.
    per_px: f64,
}

impl Bank {
    /// Samples the strip, from `stray_mm` above the line to that and a gap of `gap_px` below it.
    fn new(
        photo: &Photo,
        quads: &[Quad],
        along: &Along,
        stray_mm: f64,
        gap_px: f64,
        per_px: f64,
    ) -> Bank {
        let stray = stray_mm / along.mm_per_px;
        let above = stray + MARGIN_PX + 6.0;
        let below = stray + gap_px + MARGIN_PX + 6.0;
        let rows = ((above + below) * per_px) as usize + 1;
        let strip = Strip::sample(photo, along.centre.len(), rows, Coding::Linear, |c, r| {
            let p = along.centre[c] + along.normal[c] * (r as f64 / per_px - above);
            (!masked(quads, p)).then_some(p)
        });
        Bank {
            strip,
            from_y: -above,
            per_px,
        }
    }

    /// Mean profile of some columns; `None` when most of them are covered. `tone`: a tone curve taken off each light first.
    fn profile(&self, columns: std::ops::Range<usize>, tone: Option<&Unbent>) -> Option<Profile> {
        let rows = self.strip.rows;
        let mut sum = vec![[0.0; LIGHTS]; rows];
        let mut count = vec![0.0; rows];
        for c in columns.clone() {
            for (r, cell) in self.strip.column(c).iter().enumerate() {
                if cell[0].is_nan() {
                    continue;
                }
                let v = match tone {
                    Some(tone) => cell.map(|v| tone.look_up(v)),
                    None => cell.map(f64::from),
                };
                sum[r][0] += v[3];
                sum[r][1] += v[0] - v[1];
                sum[r][2] += v[2] - v[1];
                count[r] += 1.0;
            }
        }
        let least = 0.5 * columns.len() as f64;
        let whole: Vec<usize> = (0..rows).filter(|r| count[*r] >= least).collect();
        let (&first, &last) = (whole.first()?, whole.last()?);
        // Only an unbroken run of rows about the line.
        let zero = (-self.from_y * self.per_px) as usize;
        let mut from = zero;
        while from > first && count[from - 1] >= least {
            from -= 1;
        }
        let mut to = zero;
        while to < last && count[to + 1] >= least {
            to += 1;
        }
        if count[zero] < least {
            return None;
        }
        Some(Profile {
            y_px: (from..=to)
                .map(|r| self.from_y + r as f64 / self.per_px)
                .collect(),
            light: (from..=to).map(|r| sum[r].map(|s| s / count[r])).collect(),
        })
    }
}

/// A tone curve taken off the light before anything is measured: phones bend theirs like an S.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// Strength, 0 for none: v (1 - c) + c (3 v² - 2 v³) in gamma coding was done to the photo.
    pub curve: f64,
}

/// A tone curve taken off, as a table.
pub struct Unbent {
    table: Vec<f64>,
}

impl Unbent {
    /// Entries from black to white: straight between them is good to 1e-4 but in the deepest black.
    const ENTRIES: usize = 2048;

    fn new(tone: &Tone) -> Unbent {
        Unbent {
            table: (0..=Self::ENTRIES)
                .map(|i| tone.apply(i as f64 / Self::ENTRIES as f64))
                .collect(),
        }
    }

    fn look_up(&self, linear: f32) -> f64 {
        let at = f64::from(linear).clamp(0.0, 1.0) * Self::ENTRIES as f64;
        let i = (at as usize).min(Self::ENTRIES - 1);
        self.table[i] + (self.table[i + 1] - self.table[i]) * (at - i as f64)
    }
}

impl Tone {
    fn apply(&self, linear: f64) -> f64 {
        // Near enough to sRGB's own curve for the size of an effect.
        let v = linear.clamp(0.0, 1.0).powf(1.0 / 2.2);
        let mut x = v;
        for _ in 0..3 {
            x -= x * (1.0 - self.curve) + self.curve * x * x * (3.0 - 2.0 * x) - v;
        }
        x.clamp(0.0, 1.0).powf(2.2)
    }
}

/// Everything known about both edges.
#[derive(Debug, Clone)]
pub struct Both {
    /// Profiles' columns.
    pub column: Vec<f64>,
    /// Fits; `None` where covered.
    pub edges: Vec<Option<Edges>>,
    /// The photo's blur, standard deviation, px.
    pub blur_px: f64,
    /// Shift of each gap, px, if the light behind were one standard uncertainty nearer to the sides'.
    pub by_behind: Vec<f64>,
    /// Shift of each gap, px, if the phone had bent its tones like an S.
    pub by_tone: Vec<f64>,
    /// Shift of each gap, px, if the blur were one standard uncertainty wider.
    pub by_blur: Vec<f64>,
    /// Standard uncertainty of each gap, px, that a single profile leaves and no other takes away.
    pub by_fit: Vec<f64>,
}

/// Strength of a phone's S-shaped tone curve that is allowed for (ours, no source), as a standard uncertainty.
const TONE_U: f64 = 0.15;

/// Lays the line on the straightedge's edge and finds roughly how wide the gap is along it.
///
/// # Errors
/// [`StraightedgeError::Faint`], [`StraightedgeError::OffPlane`].
pub fn settle(
    photo: &Photo,
    quads: &[Quad],
    scale: &Scale,
    found: &Found,
) -> Result<(Found, Course), StraightedgeError> {
    const EVERY: f64 = 3.0;
    let along = Along::new(scale, found, EVERY).ok_or(StraightedgeError::OffPlane)?;
    let widest = WIDEST_MM / along.mm_per_px;
    let bank = Bank::new(photo, quads, &along, STRAY_MM, widest, 1.0);
    let step = ((6.0 / along.mm_per_px / EVERY) as usize).clamp(3, 16);
    let all = profiles(&bank, along.centre.len(), step, None);
    let course = coarse_course(&all, &along).ok_or(StraightedgeError::Faint)?;
    let (Some(&first), Some(&last)) = (course.y_px.first(), course.y_px.last()) else {
        return Err(StraightedgeError::Faint);
    };
    let end = course.at.len() - 1;
    let place = |k: usize, y: f64| scale.mm_from_px(along.px(course.at[k], y));
    let (Some(a), Some(b)) = (place(0, first), place(end, last)) else {
        return Err(StraightedgeError::OffPlane);
    };
    let laid = found.relined(a, b);
    // From here on along the new line's own millimetres.
    let shift = laid.from_mm - found.from_mm;
    let course = Course {
        at: course.at.iter().map(|c| along.s_at(*c) + shift).collect(),
        y_px: vec![0.0; course.at.len()],
        gap_px: course.gap_px,
    };
    Ok((laid, course))
}

/// Traces both edges along a line laid on the straightedge's. `known_lens`: whether the straightedge shows straight within a
/// tenth of a millimetre. `sharp`: how sharp the photo is, when that is known; else the gap's own edges must tell.
///
/// # Errors
/// [`StraightedgeError::Faint`], [`StraightedgeError::TooShort`].
pub fn trace(
    photo: &Photo,
    quads: &[Quad],
    along: &Along,
    found: &Found,
    start: &Course,
    known_lens: bool,
    sharp: Option<Sharpness>,
) -> Result<Both, StraightedgeError> {
    let chroma_halved = photo.facts.chroma_halved;
    let widest = start.gap_px.iter().copied().fold(0.0, f64::max);
    let bank = &Bank::new(photo, quads, along, CLOSE_MM, widest + OPENER_PX, 2.0);
    let columns = along.centre.len();
    let coarse_step = ((6.0 / along.mm_per_px) as usize).clamp(8, 48);
    let fine_step = ((2.0 / along.mm_per_px) as usize).clamp(6, 16);
    let look = Look::new(
        profiles(bank, columns, coarse_step, None),
        profiles(bank, columns, fine_step, None),
        along,
        start,
        known_lens,
    );
    let (long, long_starts) = (&look.long, &look.long_starts);
    let tapped = beyond(found);
    let (mut blur, u_blur_px) = match sharp {
        Some(s) => (Blur::new(s.sd_px, s.rim, chroma_halved), s.u_px),
        None => (Blur::new(0.95, 0.0, chroma_halved), UNSURE_BLUR * 0.95),
    };
    // First look at long profiles: which light lies behind.
    let first = first_behind(long, long_starts, &blur, &tapped, found.above.map(lights));
    if sharp.is_none() {
        blur = best_blur(long, long_starts, &blur, &first, chroma_halved);
    }
    blur.noise = noise(long, long_starts, &blur, &first);
    let seen = look
        .fit(&blur, &first, &tapped)
        .ok_or(StraightedgeError::Faint)?;
    let (edges, behind, expected) = (&seen.edges, &seen.behind, &seen.expected);
    let count = edges.iter().flatten().count();
    if 2 * count < edges.len() || count < 10 {
        return Err(StraightedgeError::TooShort {
            length_mm: count as f64 * fine_step as f64 * along.mm_per_px,
            need_mm: super::find::LEAST_MM,
        });
    }
    // The same again with the light behind a little off, with tones unbent, and with another blur.
    let nearer: Vec<Behind> = edges
        .iter()
        .zip(behind)
        .map(|(e, b)| nearer(e.as_ref(), b))
        .collect();
    let off = fit_again(&look.fine, edges, &blur, &nearer, expected);
    let tone = Unbent::new(&Tone { curve: TONE_U });
    let unbent = profiles(bank, columns, fine_step, Some(&tone));
    let unbent_behind: Vec<Behind> = behind
        .iter()
        .map(|b| Behind {
            light: unbent_light(&b.light),
            ..*b
        })
        .collect();
    let bent = fit_again(&unbent, edges, &blur, &unbent_behind, expected);
    let wider = look.again(&seen, &blur.wider(u_blur_px));
    let shift = |other: &[Option<Edges>]| -> Vec<f64> {
        edges
            .iter()
            .zip(other)
            .map(|(a, b)| match (a, b) {
                (Some(a), Some(b)) => b.gap_px - a.gap_px,
                _ => 0.0,
            })
            .collect()
    };
    let by_fit = look.shared(&seen, &blur);
    Ok(Both {
        column: look.fine.iter().map(|p| p.0).collect(),
        blur_px: blur.sd_px,
        by_behind: shift(&off),
        by_tone: shift(&bent),
        by_blur: wider.map_or_else(|| vec![0.0; edges.len()], |w| shift(&w)),
        by_fit,
        edges: seen.edges,
    })
}

/// Relative standard uncertainty of a blur read from the gap's own edges.
const UNSURE_BLUR: f64 = 0.1;

/// The profiles with where to start on them.
struct Look<'a> {
    along: &'a Along,
    known_lens: bool,
    long: Vec<Placed>,
    long_starts: Vec<(f64, f64)>,
    fine: Vec<Placed>,
    fine_starts: Vec<(f64, f64)>,
}

/// Both edges as fitted, with what was expected.
struct Seen {
    long: Vec<Option<Edges>>,
    long_behind: Vec<Behind>,
    edges: Vec<Option<Edges>>,
    behind: Vec<Behind>,
    expected: Vec<Expected>,
}

impl<'a> Look<'a> {
    fn new(
        long: Vec<Placed>,
        fine: Vec<Placed>,
        along: &'a Along,
        start: &Course,
        known_lens: bool,
    ) -> Look<'a> {
        let starts = |all: &[Placed]| -> Vec<(f64, f64)> {
            all.iter().map(|(c, _)| start.at(along.s_at(*c))).collect()
        };
        Look {
            along,
            known_lens,
            long_starts: starts(&long),
            fine_starts: starts(&fine),
            long,
            fine,
        }
    }

    /// Where the straightedge's edge is expected at each fine profile, from the long ones.
    fn expected(&self, long: &[Option<Edges>]) -> Option<Vec<Expected>> {
        let place: Vec<f64> = self.long.iter().map(|p| p.0).collect();
        let rule = rule_course(&place, long, self.along, self.known_lens)?;
        Some(self.fine.iter().map(|p| rule.at(p.0)).collect())
    }

    /// Long profiles first: they tell the straightedge's line and the light behind, which is carried from where the gap is open
    /// to where it isn't; then the fine ones.
    fn fit(&self, blur: &Blur, first: &Behind, tapped: &[(f64, [f64; LIGHTS])]) -> Option<Seen> {
        let long_behind = vec![*first; self.long.len()];
        let long = fit_all(&self.long, &self.long_starts, blur, &long_behind, None);
        let expected = self.expected(&long)?;
        let whole = whole_behind(&long, blur, *first, tapped);
        let mm =
            |all: &[Placed]| -> Vec<f64> { all.iter().map(|p| self.along.s_at(p.0)).collect() };
        let behind = carried_behind(
            &long,
            &mm(&self.long),
            blur,
            &whole,
            tapped,
            &mm(&self.fine),
        );
        let starts: Vec<(f64, f64)> = self
            .fine_starts
            .iter()
            .zip(&expected)
            .map(|(s, e)| (e.y_px, (s.0 + s.1 - e.y_px).max(0.0)))
            .collect();
        let edges = fit_all(&self.fine, &starts, blur, &behind, Some(&expected));
        Some(Seen {
            long,
            long_behind,
            edges,
            behind,
            expected,
        })
    }

    /// Standard uncertainty of each fine gap that is common to all of them, px.
    ///
    /// What keeps a profile from telling its edges (streaks along them, a light behind that is like the straightedge's) is much the
    /// same all along, so what one profile leaves open no number of them closes. Only a straightedge's line that is seen well
    /// elsewhere helps: then the gap is as sure as it is with that line given.
    /// And where the light behind may be the straightedge's or the panel's own, an edge may lie anywhere within the blur.
    fn shared(&self, seen: &Seen, blur: &Blur) -> Vec<f64> {
        let most = MOST_UNSURE * MOST_UNSURE;
        let told: Vec<Option<Matrix2<f64>>> = seen
            .long
            .iter()
            .map(|e| {
                let c = e.as_ref()?.covariance;
                let (yy, gg) = (c[(0, 0)].clamp(1e-8, most), c[(1, 1)].clamp(1e-8, most));
                let bound = (yy * gg).sqrt();
                let yg = c[(0, 1)].clamp(-bound, bound);
                Some(Matrix2::new(yy, yg, yg, gg))
            })
            .collect();
        let (sum, total) = told.iter().flatten().fold((0.0, 0.0), |(s, t), c| {
            let w = 1.0 / line_variance(c[(0, 0)]);
            (s + w * c[(0, 0)].sqrt(), t + w)
        });
        let line_u = sum / f64::max(total, 1e-9);
        let own: Vec<Option<f64>> = told
            .iter()
            .map(|c| {
                let c = c.as_ref()?;
                let slope = c[(0, 1)] / c[(0, 0)];
                let given = (c[(1, 1)] - slope * c[(0, 1)]).max(0.0);
                let lent = (slope * line_u.min(c[(0, 0)].sqrt())).powi(2);
                Some((given + lent).sqrt())
            })
            .collect();
        self.fine
            .iter()
            .enumerate()
            .map(|(k, (column, _))| {
                let alike =
                    seen.edges[k].map_or(0.0, |e| seen.behind[k].alike(&e.sides)) * blur.sd_px;
                let nearest = self
                    .long
                    .iter()
                    .zip(&own)
                    .filter_map(|(p, u)| Some(((p.0 - column).abs(), (*u)?)))
                    .min_by(|a, b| a.0.total_cmp(&b.0));
                nearest.map_or(0.0, |n| n.1).hypot(alike)
            })
            .collect()
    }

    /// The same with another blur, from the edges there are.
    fn again(&self, seen: &Seen, blur: &Blur) -> Option<Vec<Option<Edges>>> {
        let free: Vec<Expected> = seen
            .long
            .iter()
            .map(|e| Expected {
                y_px: e.map_or(0.0, |e| e.y_px),
                u_px: 1e3,
            })
            .collect();
        let long = fit_again(&self.long, &seen.long, blur, &seen.long_behind, &free);
        let expected = self.expected(&long)?;
        Some(fit_again(
            &self.fine,
            &seen.edges,
            blur,
            &seen.behind,
            &expected,
        ))
    }
}

/// Fits anew from edges already found.
fn fit_again(
    all: &[Placed],
    found: &[Option<Edges>],
    blur: &Blur,
    behind: &[Behind],
    expected: &[Expected],
) -> Vec<Option<Edges>> {
    all.par_iter()
        .enumerate()
        .map(|(k, (_, profile))| {
            profile
                .as_ref()?
                .again(found[k].as_ref()?, blur, &behind[k], &expected[k])
        })
        .collect()
}

fn unbent_light(light: &[f64; LIGHTS]) -> [f64; LIGHTS] {
    // Brightness through the curve; colour differences with the same slope.
    let tone = Tone { curve: TONE_U };
    let v = light[0].max(1e-4);
    let slope = (tone.apply(v * 1.02) - tone.apply(v * 0.98)) / (0.04 * v);
    [tone.apply(light[0]), light[1] * slope, light[2] * slope]
}

/// Light behind one standard uncertainty nearer to the mean of both sides.
fn nearer(edges: Option<&Edges>, b: &Behind) -> Behind {
    let Some(e) = edges else { return *b };
    Behind {
        light: std::array::from_fn(|i| {
            let middle = 0.5 * (e.sides[0][i] + e.sides[1][i]);
            b.light[i] + b.u[i] * (middle - b.light[i]).signum()
        }),
        u: b.u.map(|u| 0.2 * u),
    }
}

/// A profile and its column.
pub type Placed = (f64, Option<Profile>);

fn profiles(bank: &Bank, columns: usize, step: usize, tone: Option<&Unbent>) -> Vec<Placed> {
    (0..columns / step)
        .into_par_iter()
        .map(|k| {
            let range = k * step..(k + 1) * step;
            let middle = (k * step) as f64 + 0.5 * (step - 1) as f64;
            (middle, bank.profile(range, tone))
        })
        .collect()
}

fn fit_all(
    all: &[Placed],
    starts: &[(f64, f64)],
    blur: &Blur,
    behind: &[Behind],
    expected: Option<&[Expected]>,
) -> Vec<Option<Edges>> {
    all.par_iter()
        .enumerate()
        .map(|(k, (_, profile))| {
            profile
                .as_ref()?
                .fit(starts[k], blur, &behind[k], expected.map(|e| &e[k]))
        })
        .collect()
}

/// A course of both edges, straight between places.
#[derive(Debug, Clone)]
pub struct Course {
    at: Vec<f64>,
    y_px: Vec<f64>,
    gap_px: Vec<f64>,
}

impl Course {
    fn at(&self, place: f64) -> (f64, f64) {
        let n = self.at.len();
        let k = self
            .at
            .partition_point(|c| *c <= place)
            .clamp(1, n.max(2) - 1);
        let (a, b) = (self.at[k - 1], self.at[k]);
        let t = ((place - a) / (b - a)).clamp(0.0, 1.0);
        let mix = |v: &[f64]| v[k - 1] + (v[k] - v[k - 1]) * t;
        (mix(&self.y_px), mix(&self.gap_px))
    }
}

/// Three plain levels with sharp edges between, by running sums: the straightedge's edge is the straight line that leaves
/// the least scatter over all profiles, each with its own best panel's edge; that one then follows the cheapest path.
fn coarse_course(all: &[Placed], along: &Along) -> Option<Course> {
    const REACH_PX: f64 = 12.0;
    let stray = STRAY_MM / along.mm_per_px;
    let widest = WIDEST_MM / along.mm_per_px;
    // Tried places of the edge and widths of the gap, px.
    let pitch = 1.0;
    let tried: Vec<f64> = steps(-stray, stray, pitch);
    let widths: Vec<f64> = steps(0.0, widest, pitch);
    let tables: Vec<Option<Vec<f32>>> = all
        .par_iter()
        .map(|(_, profile)| {
            let p = profile.as_ref()?;
            let sums = Sums::new(p);
            let mut table = vec![f32::NAN; tried.len() * widths.len()];
            for (i, y) in tried.iter().enumerate() {
                for (j, g) in widths.iter().enumerate() {
                    let rows = (y - REACH_PX, *y, y + g, y + g + REACH_PX);
                    if let Some(saved) = sums.saved(rows) {
                        table[i * widths.len() + j] = saved as f32;
                    }
                }
            }
            Some(table)
        })
        .collect();
    let seen = tables.iter().flatten().count();
    if seen < 6 {
        return None;
    }
    let n = widths.len();
    let best: Vec<Option<Vec<f32>>> = tables
        .iter()
        .map(|t| {
            let t = t.as_ref()?;
            Some(
                t.chunks(n)
                    .map(|row| row.iter().copied().fold(0.0, f32::max))
                    .collect(),
            )
        })
        .collect();
    // The line: a place in the middle and a turn.
    let last = (all.len() - 1).max(1) as f64;
    let line_at = |offset: f64, turn: f64, k: usize| offset + turn * (2.0 * k as f64 / last - 1.0);
    let mut top: Option<(f32, f64, f64)> = None;
    for turn in steps(-stray, stray, pitch) {
        for offset in &tried {
            let mut worth = 0.0;
            for (k, best) in best.iter().enumerate() {
                let Some(best) = best else { continue };
                let y = line_at(*offset, turn, k);
                let i = ((y + stray) / pitch).round();
                if i >= 0.0 && (i as usize) < best.len() {
                    worth += best[i as usize];
                }
            }
            if top.is_none_or(|t| worth > t.0) {
                top = Some((worth, *offset, turn));
            }
        }
    }
    let (_, offset, turn) = top?;
    // The panel's edge: cheapest path over the widths.
    let mut cost = vec![f32::NAN; n * all.len()];
    for (k, table) in tables.iter().enumerate() {
        let Some(table) = table else { continue };
        let y = line_at(offset, turn, k);
        let i = (((y + stray) / pitch).round().max(0.0) as usize).min(tried.len() - 1);
        for j in 0..n {
            let saved = table[i * n + j];
            if !saved.is_nan() {
                // A wider gap must earn its third level.
                cost[k * n + j] = 1.0 - saved + if j > 0 { 0.01 } else { 0.0 };
            }
        }
    }
    let grid = CostGrid {
        rows: n,
        columns: all.len(),
        cost: &cost,
    };
    let path = cheapest_path(
        &grid,
        &PathOptions {
            jump: 6,
            slope_cost: 0.004,
            bend_cost: 0.0,
            gap_cost: 1.5,
        },
    )?;
    Some(Course {
        at: all.iter().map(|p| p.0).collect(),
        y_px: (0..all.len()).map(|k| line_at(offset, turn, k)).collect(),
        gap_px: path.rows.iter().map(|r| widths[*r]).collect(),
    })
}

fn steps(from: f64, to: f64, pitch: f64) -> Vec<f64> {
    let n = ((to - from) / pitch).floor() as usize;
    (0..=n).map(|i| from + i as f64 * pitch).collect()
}

/// Step at an edge, square root of light, that counts for half.
const FAINT: f64 = 0.02;

/// Running sums of a profile with a row a pixel.
struct Sums {
    from_y: f64,
    sum: Vec<[f64; LIGHTS + 1]>,
}

impl Sums {
    fn new(p: &Profile) -> Sums {
        let mut sum = vec![[0.0; LIGHTS + 1]];
        let mut last = [0.0; LIGHTS + 1];
        for v in &p.light {
            // Square roots make light and dark weigh alike.
            let soft = v[0].max(0.0).sqrt();
            let by = 1.0 / (2.0 * soft.max(0.05));
            let w = [soft, v[1] * by, v[2] * by];
            for (l, w) in last.iter_mut().zip(w) {
                *l += w;
            }
            last[LIGHTS] += w.iter().map(|w| w * w).sum::<f64>();
            sum.push(last);
        }
        Sums {
            from_y: p.y_px.first().copied().unwrap_or(0.0),
            sum,
        }
    }

    /// Share of the scatter about one level that three levels take away; `None` off the profile.
    fn saved(&self, (a, b, c, d): (f64, f64, f64, f64)) -> Option<f64> {
        let n = self.sum.len() - 1;
        let row = |y: f64| -> f64 { y - self.from_y + 0.5 };
        let (a, b, c, d) = (row(a), row(b), row(c), row(d));
        if a < 0.0 || d > n as f64 {
            return None;
        }
        let [a, b, c, d] = [a, b, c, d].map(|r| r as usize);
        let scatter = |i: usize, j: usize| -> f64 {
            if j <= i {
                return 0.0;
            }
            let (p, q) = (&self.sum[i], &self.sum[j]);
            let n = (j - i) as f64;
            let square: f64 = (0..LIGHTS).map(|k| (q[k] - p[k]).powi(2)).sum();
            (q[LIGHTS] - p[LIGHTS] - square / n).max(0.0)
        };
        let whole = scatter(a, d) + 1e-6 * (d - a) as f64;
        let share = 1.0 - (scatter(a, b) + scatter(b, c) + scatter(c, d)) / whole;
        // What counts is a step at each edge: grain is about as well parted into three levels, and one edge must not pass for
        // both.
        let level = |i: usize, j: usize, k: usize| {
            (self.sum[j][k] - self.sum[i][k]) / (j - i).max(1) as f64
        };
        let between = |(i, j): (usize, usize), (p, q): (usize, usize)| {
            (0..LIGHTS)
                .map(|k| (level(i, j, k) - level(p, q, k)).powi(2))
                .sum::<f64>()
                .sqrt()
        };
        // An open gap has two edges: the fainter counts.
        let step = if c > b {
            between((a, b), (b, c)).min(between((b, c), (c, d)))
        } else {
            between((a, b), (c, d))
        };
        Some(share * step / (step + FAINT))
    }
}

/// What is seen beyond the straightedge's ends: place along, mm, and light.
fn beyond(found: &Found) -> Vec<(f64, [f64; LIGHTS])> {
    found
        .behind
        .iter()
        .map(|(a, rgb)| (*a, lights(*rgb)))
        .collect()
}

/// The lights of a colour.
fn lights(rgb: [f64; 3]) -> [f64; LIGHTS] {
    let luma = 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2];
    [luma, rgb[0] - rgb[1], rgb[2] - rgb[1]]
}

/// How far the light behind may change from place to place where it isn't seen, as a share of its contrast and of itself (ours,
/// from workshop photos: walls, floors and machines out of focus).
const CHANGE: f64 = 0.25;

fn wide(light: &[f64; LIGHTS], share: f64) -> [f64; LIGHTS] {
    [
        share * light[0] + 0.01,
        share * light[0] * 0.4 + 0.01,
        share * light[0] * 0.4 + 0.01,
    ]
}

/// Which light lies behind, one for all: seen where the gap is open, beyond the ends, else above the straightedge's back, or else
/// dark or bright, whichever explains the profiles.
fn first_behind(
    all: &[Placed],
    starts: &[(f64, f64)],
    blur: &Blur,
    beyond: &[(f64, [f64; LIGHTS])],
    above: Option<[f64; LIGHTS]>,
) -> Behind {
    let mut open: Vec<[f64; LIGHTS]> = all
        .iter()
        .zip(starts)
        .filter(|(_, s)| s.1 >= 4.0)
        .filter_map(|((_, p), s)| {
            let p = p.as_ref()?;
            let rows = || {
                p.y_px
                    .iter()
                    .zip(&p.light)
                    .filter(|(y, _)| **y > s.0 + 0.35 * s.1 && **y < s.0 + 0.65 * s.1)
            };
            let n = rows().count();
            let sum = rows().fold([0.0; LIGHTS], |t, (_, v)| {
                std::array::from_fn(|i| t[i] + v[i])
            });
            let light = sum.map(|s| s / n.max(1) as f64);
            let side = |from: f64, to: f64| -> [f64; LIGHTS] {
                let rows = || {
                    p.y_px
                        .iter()
                        .zip(&p.light)
                        .filter(|(y, _)| **y > from && **y < to)
                        .map(|(_, v)| v)
                };
                let n = rows().count().max(1) as f64;
                rows().fold([0.0; LIGHTS], |t, v| {
                    std::array::from_fn(|i| t[i] + v[i] / n)
                })
            };
            let sides = [
                side(s.0 - 7.0, s.0 - 2.0),
                side(s.0 + s.1 + 2.0, s.0 + s.1 + 7.0),
            ];
            (n > 0 && distinct(&light, &sides)).then_some(light)
        })
        .collect();
    let mut tries: Vec<Behind> = Vec::new();
    if open.len() >= 4 {
        tries.push(spread(&mut open));
    }
    if !beyond.is_empty() {
        let n = beyond.len() as f64;
        let mean = beyond.iter().fold([0.0; LIGHTS], |t, b| {
            std::array::from_fn(|i| t[i] + b.1[i] / n)
        });
        tries.push(Behind {
            light: mean,
            u: wide(&mean, CHANGE),
        });
    }
    if let (true, Some(light)) = (tries.is_empty(), above) {
        tries.push(Behind {
            light,
            u: wide(&light, CHANGE),
        });
    }
    if tries.is_empty() {
        let brightest = all
            .iter()
            .filter_map(|p| p.1.as_ref())
            .flat_map(|p| p.light.iter().map(|v| v[0]))
            .fold(0.1, f64::max);
        for light in [0.005, brightest] {
            tries.push(Behind {
                light: [light, 0.0, 0.0],
                u: [0.3 * light + 0.02, 0.05, 0.05],
            });
        }
    }
    if let [only] = tries[..] {
        return only;
    }
    let square = |b: &Behind| -> f64 {
        let each = vec![*b; all.len()];
        fit_all(all, starts, blur, &each, None)
            .iter()
            .flatten()
            .map(|e| e.square.min(20.0 * e.rows as f64))
            .sum()
    };
    let best = tries
        .iter()
        .map(|b| (square(b), *b))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    best.map_or(
        Behind {
            light: [0.01, 0.0, 0.0],
            u: [0.1, 0.05, 0.05],
        },
        |b| b.1,
    )
}

/// How much larger than assumed the variance is that the fit leaves, neighbouring rows erring alike (a blur of a pixel and two
/// rows a pixel: each third row is its own).
fn noise(all: &[Placed], starts: &[(f64, f64)], blur: &Blur, behind: &Behind) -> f64 {
    let each = vec![*behind; all.len()];
    let mut shares: Vec<f64> = fit_all(all, starts, blur, &each, None)
        .iter()
        .flatten()
        .map(|e| e.square / (e.rows * LIGHTS) as f64)
        .collect();
    shares.sort_by(f64::total_cmp);
    3.0 * shares
        .get(shares.len() / 2)
        .copied()
        .unwrap_or(1.0)
        .max(0.02)
}

/// Median and robust scatter of lights, never surer than a tenth.
fn spread(all: &mut [[f64; LIGHTS]]) -> Behind {
    let median = |mut v: Vec<f64>| -> f64 {
        v.sort_by(f64::total_cmp);
        v.get(v.len() / 2).copied().unwrap_or(0.0)
    };
    let light: [f64; LIGHTS] = std::array::from_fn(|i| median(all.iter().map(|v| v[i]).collect()));
    let floor = wide(&light, 0.1);
    let u = std::array::from_fn(|i| {
        let away = median(all.iter().map(|v| (v[i] - light[i]).abs()).collect());
        (1.4826 * away).max(floor[i])
    });
    Behind { light, u }
}

/// Profiles that the blur is read from.
const SHARP: usize = 14;

/// Blur and rim that explain the profiles best, the edges fitted anew for each: a gap too wide makes up for a blur too wide,
/// so neither may be held. Read in brightness from the profiles of the highest steps.
fn best_blur(
    all: &[Placed],
    starts: &[(f64, f64)],
    start: &Blur,
    behind: &Behind,
    chroma_halved: bool,
) -> Blur {
    let of = |sd_px: f64, rim: f64, lights: usize| Blur {
        lights,
        ..Blur::new(sd_px, rim, chroma_halved)
    };
    let height = |p: &Profile| -> f64 {
        let bright = |v: &[f64; LIGHTS]| v[0];
        let least = p.light.iter().map(bright).fold(f64::INFINITY, f64::min);
        let most = p.light.iter().map(bright).fold(0.0, f64::max);
        // A light that is cut off at full scale has lost its shape.
        if most > 0.97 {
            0.0
        } else {
            (most - least) / (most + least + 0.02)
        }
    };
    let mut order: Vec<(f64, usize)> = all
        .iter()
        .enumerate()
        .filter_map(|(k, (_, p))| Some((height(p.as_ref()?), k)))
        .collect();
    order.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    // The highest third, spread along.
    order.truncate((order.len() / 2).max(SHARP));
    order.sort_by_key(|o| o.1);
    let every = (order.len() / SHARP).max(1);
    let chosen: Vec<usize> = order.iter().step_by(every).map(|o| o.1).collect();
    let costs = |tries: &[Blur]| -> Vec<Vec<f64>> {
        tries
            .par_iter()
            .map(|blur| {
                chosen
                    .iter()
                    .map(|k| {
                        let fitted = all[*k]
                            .1
                            .as_ref()
                            .and_then(|p| p.fit(starts[*k], blur, behind, None));
                        fitted.map_or(f64::NAN, |e| e.square)
                    })
                    .collect()
            })
            .collect()
    };
    // Each profile against its own best: a streak must not outvote the rest.
    let best = |tries: &[Blur]| -> Option<Blur> {
        let costs = costs(tries);
        let least: Vec<f64> = (0..chosen.len())
            .map(|i| costs.iter().map(|c| c[i]).fold(f64::INFINITY, f64::min))
            .collect();
        let total = |c: &[f64]| -> f64 {
            c.iter()
                .zip(&least)
                .map(|(c, l)| {
                    if c.is_nan() || !l.is_finite() {
                        0.0
                    } else {
                        (c / l.max(1e-9)).ln().min(2.5)
                    }
                })
                .sum()
        };
        tries
            .iter()
            .zip(&costs)
            .map(|(b, c)| (total(c), *b))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|b| b.1)
    };
    let coarse: Vec<Blur> = [0.6, 0.72, 0.87, 1.05, 1.3, 1.7]
        .into_iter()
        .flat_map(|sd| [0.0, 0.5, 1.0].map(|rim| of(sd, rim, 1)))
        .collect();
    let Some(near) = best(&coarse) else {
        return *start;
    };
    let fine: Vec<Blur> = [0.93, 1.0, 1.07]
        .into_iter()
        .flat_map(|k| [-0.25, 0.0, 0.25].map(|by| of(near.sd_px * k, (near.rim + by).max(0.0), 1)))
        .collect();
    best(&fine).map_or(*start, |b| of(b.sd_px, b.rim, LIGHTS))
}

/// The straightedge's edge: a straight line, bent no more than straightedges (and lenses) are.
struct Rule {
    middle: f64,
    half: f64,
    c: Vector4<f64>,
    covariance: Matrix4<f64>,
    /// Standard uncertainty of what the curve can't follow, px.
    rest_px: f64,
}

impl Rule {
    fn basis(&self, column: f64) -> Vector4<f64> {
        let t = (column - self.middle) / self.half;
        Vector4::new(1.0, t, t * t, t * t * t)
    }

    fn at(&self, column: f64) -> Expected {
        let b = self.basis(column);
        Expected {
            y_px: self.c.dot(&b),
            u_px: (b.dot(&(self.covariance * b)).max(0.0))
                .sqrt()
                .hypot(self.rest_px),
        }
    }
}

/// How far a straightedge or batten bends over its length, as a standard uncertainty, mm (half a tenth; ours, no source: a
/// joiner's batten; steel ones to DIN 874 are better by far).
const BEND_MM: f64 = 0.05;
/// Rows of a photo that an unknown lens may bend a line by, px, as a standard uncertainty.
const LENS_BEND_PX: f64 = 4.0;

/// Variance of an edge as a point of the line, px²: the noise assumed is no more than a guess, so twice its sd, and what texture
/// adds to any.
fn line_variance(fitted: f64) -> f64 {
    4.0 * fitted + 0.04
}

/// Most that an edge is unsure by, px: what is farther off than two blurs would show.
const MOST_UNSURE: f64 = 2.0;

fn rule_course(
    place: &[f64],
    edges: &[Option<Edges>],
    along: &Along,
    known_lens: bool,
) -> Option<Rule> {
    let (first, last) = (*place.first()?, *place.last()?);
    let bend_px = BEND_MM / along.mm_per_px;
    let bend = if known_lens {
        bend_px
    } else {
        bend_px.hypot(LENS_BEND_PX)
    };
    let mut rule = Rule {
        middle: 0.5 * (first + last),
        half: (0.5 * (last - first)).max(1.0),
        c: Vector4::zeros(),
        covariance: Matrix4::zeros(),
        rest_px: (0.3 * bend_px).clamp(0.03, 0.5),
    };
    let points: Vec<(f64, f64, f64)> = place
        .iter()
        .zip(edges)
        .filter_map(|(c, e)| {
            let e = e.as_ref()?;
            Some((*c, e.y_px, line_variance(e.covariance[(0, 0)])))
        })
        .collect();
    if points.len() < 6 {
        return None;
    }
    let mut scale = 1.0;
    let mut weights: Vec<f64> = vec![1.0; points.len()];
    for _ in 0..12 {
        let mut normal = Matrix4::zeros();
        let mut side = Vector4::zeros();
        for ((c, y, v), w) in points.iter().zip(&weights) {
            let b = rule.basis(*c);
            let w = w / (v * scale);
            normal += b * b.transpose() * w;
            side += b * (w * y);
        }
        for k in [2, 3] {
            normal[(k, k)] += 1.0 / (bend * bend);
        }
        normal += Matrix4::identity() * 1e-9;
        let inverse = normal.try_inverse()?;
        rule.c = inverse * side;
        rule.covariance = inverse;
        let misses: Vec<f64> = points
            .iter()
            .map(|(c, y, v)| (y - rule.c.dot(&rule.basis(*c))).abs() / v.sqrt())
            .collect();
        let mut sorted = misses.clone();
        sorted.sort_by(f64::total_cmp);
        let sd = (1.4826 * sorted[sorted.len() / 2]).max(0.3);
        scale = sd * sd;
        for (w, m) in weights.iter_mut().zip(&misses) {
            let u = m / (4.685 * sd);
            *w = if u < 1.0 { (1.0 - u * u).powi(2) } else { 0.0 };
        }
    }
    Some(rule)
}

/// How much a profile says about the light behind: nothing where the gap is within the blur.
fn says(edges: &Edges, blur: &Blur) -> f64 {
    // What looks like either side may be that side: no gap at all.
    if !distinct(&edges.behind, &edges.sides) {
        return 0.0;
    }
    let open = (edges.gap_px - 2.0 * blur.sd_px) / blur.sd_px;
    open.clamp(0.0, 2.0)
}

/// Light behind in all the gap: what open profiles and the places beyond the ends show.
fn whole_behind(
    edges: &[Option<Edges>],
    blur: &Blur,
    first: Behind,
    beyond: &[(f64, [f64; LIGHTS])],
) -> Behind {
    let mut seen: Vec<[f64; LIGHTS]> = edges
        .iter()
        .flatten()
        .filter(|e| says(e, blur) > 0.5)
        .map(|e| e.behind)
        .collect();
    if seen.len() >= 4 {
        let mut got = spread(&mut seen);
        let floor = wide(&got.light, 0.15);
        for (u, f) in got.u.iter_mut().zip(floor) {
            *u = u.max(f);
        }
        return got;
    }
    if let [first, rest @ ..] = beyond {
        let n = beyond.len() as f64;
        let light = rest.iter().fold(first.1.map(|v| v / n), |t, b| {
            std::array::from_fn(|i| t[i] + b.1[i] / n)
        });
        return Behind {
            light,
            u: wide(&light, CHANGE),
        };
    }
    first
}

/// Reach over which the light behind is carried along, mm.
const CARRY_MM: f64 = 30.0;

/// Light behind at each place: what is seen nearby, less and less sure with distance.
fn carried_behind(
    edges: &[Option<Edges>],
    at_mm: &[f64],
    blur: &Blur,
    whole: &Behind,
    beyond: &[(f64, [f64; LIGHTS])],
    wanted_mm: &[f64],
) -> Vec<Behind> {
    let mut known: Vec<(f64, [f64; LIGHTS], f64)> = edges
        .iter()
        .zip(at_mm)
        .filter_map(|(e, s)| {
            let e = e.as_ref()?;
            let w = says(e, blur);
            (w > 0.0).then_some((*s, e.behind, w))
        })
        .collect();
    known.extend(beyond.iter().map(|(s, light)| (*s, *light, 1.5)));
    let least = wide(&whole.light, 0.08);
    wanted_mm
        .iter()
        .map(|s| {
            let mut sum = whole.light.map(|v| 0.3 * v);
            let mut total = 0.3;
            for (at, light, w) in &known {
                let w = w * (-0.5 * ((at - s) / CARRY_MM).powi(2)).exp();
                total += w;
                for (t, v) in sum.iter_mut().zip(light) {
                    *t += w * v;
                }
            }
            let share = (0.3 / total).sqrt();
            Behind {
                light: sum.map(|v| v / total),
                u: std::array::from_fn(|i| (whole.u[i] * share).hypot(least[i])),
            }
        })
        .collect()
}
