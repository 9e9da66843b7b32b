//! Both edges along the whole straightedge, profile by profile: long profiles tell the straightedge's line and the light behind,
//! fine ones the gap; then the same again with what isn't known a little off.

use super::StraightedgeError;
use super::along::Along;
use super::bank::{Bank, Placed, fit_again, fit_all, profiles};
use super::behind::{beyond, carried_behind, first_behind, lights, nearer, whole_behind};
use super::blur::{best_blur, first_blur, noise};
use super::course::Course;
use super::found::Found;
use super::profile::{Behind, Blur, Edges, Expected, LIGHTS};
use super::rule::{MOST_UNSURE, line_variance, rule_course};
use super::sharpness::Sharpness;
use super::tone::{TONE_U, Tone, Unbent, unbent_light};
use crate::photo::Photo;
use crate::scale::cover::Quad;
use nalgebra::Matrix2;

/// How far the straightedge's edge may lie from its line once that is laid on it, mm.
const CLOSE_MM: f64 = 1.0;
/// Rows that a gap may turn out wider than the coarse look has it, px.
const OPENER_PX: f64 = 4.0;

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
    let (mut blur, u_blur_px) = first_blur(sharp, chroma_halved);
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
