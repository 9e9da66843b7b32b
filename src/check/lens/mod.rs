//! The lens of a camera from photos of the printed board.
//!
//! Everything in the frame of the stored pixels, the sensor's: a phone turned on its side keeps its lens.
//! [`look`] takes one photo down to its corners, [`calibrate`] all of them to a lens file.

pub mod bundle;
mod cover;

use super::{CardSeen, Head, SCHEMA};
use crate::budget::{BudgetPart, Part};
use crate::card::{Card, Layout};
use crate::lens::file::possible;
use crate::lens::model::PARAMETERS;
use crate::lens::{Lens, LensFile, mirrored, stored_place};
use crate::photo::{Facts, Photo};
use crate::solve::robust::median;
use crate::units::{K95, Measured};
use bundle::{Bundle, DEPTH, Middle, SHARED, View};
pub use cover::{Coverage, Zone};
use nalgebra::{DMatrix, Matrix3, Point2, SMatrix, Vector3};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// Why photos give no lens.
#[derive(Debug, Error, PartialEq)]
pub enum LensCheckError {
    /// Too few photos show the board.
    #[error(
        "the board can be used in {used} of {given} photos; {need} are needed, a dozen are better{}",
        because(first)
    )]
    TooFew {
        /// Photos that can be used.
        used: usize,
        /// Photos given.
        given: usize,
        /// Photos needed.
        need: usize,
        /// Why the first of the others can't.
        first: Option<String>,
    },
    /// No answer.
    #[error(
        "the photos do not agree on one lens: take a dozen in one go, without zoom and with the same lens of the phone, the board lying still"
    )]
    Unsolved,
}

/// Why the first photo left out was, cut to what fits on a line.
fn because(first: &Option<String>) -> String {
    let Some(first) = first else {
        return ": lay `fairpanel card print board` flat and take it whole, sharp and from several sides"
            .into();
    };
    let mut words: String = first.chars().take(180).collect();
    if words.len() < first.len() {
        words.push('…');
    }
    format!(" ({words})")
}

/// Photos needed: two views of a plane fix focal length and centre (Zhang 2000), the third checks them.
pub const NEED: usize = 3;
/// Corners that make a photo worth using: a fifth of a board's.
const LEAST_CORNERS: usize = 14;

/// One photo, taken down to what the calibration needs.
#[derive(Debug, Clone)]
pub struct Shot {
    /// Photo, as given.
    pub photo: String,
    /// What its file says of camera and size.
    pub facts: Facts,
    /// Boards found, upright px; or why none.
    pub boards: Result<Vec<Card>, String>,
}

/// Finds the board in a photo.
pub fn look(photo: &Photo, layouts: &[Layout]) -> Shot {
    Shot {
        photo: photo.name.clone(),
        facts: photo.facts.clone(),
        boards: crate::card::find(photo, layouts).map_err(|why| why.to_string()),
    }
}

/// Answer of the lens check: a lens file, and what it rests on. Read as a lens file the rest is ignored.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LensResult {
    /// What every result begins with; `photo` names the first photo used.
    #[serde(flatten)]
    pub head: Head,
    /// The lens file.
    #[serde(flatten)]
    pub file: LensFile,
    /// How well the lens is known: it places 95% of the frame's rays within this, at 95%, px.
    pub u95_field_px: f64,
    /// How far the board's corners depart from a plane, greatest depth less least, mm.
    pub bow_mm: Measured,
    /// Printed length down over length across, as shares of nominal: 1 for a true printer.
    pub print_down_over_across: Measured,
    /// Every photo, in the order given.
    pub photos: Vec<PhotoUse>,
    /// What of the frame and of the poses is covered.
    pub coverage: Coverage,
    /// Poses that would help most and are missing.
    pub missing: Vec<String>,
    /// What to do next, one sentence.
    pub next: String,
}

/// What a photo did for the lens.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PhotoUse {
    /// Photo, as given.
    pub photo: String,
    /// Whether it was used.
    pub used: bool,
    /// Why not, when it was not.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub why: Option<String>,
    /// The board's corners seen.
    pub corners: usize,
    /// Rms of their residuals, px.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub rms_px: Option<f64>,
    /// How far the board was tilted, degrees.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub tilt_deg: Option<f64>,
    /// By how many percent the lens would be known worse without this photo.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub helped_percent: Option<f64>,
}

/// A photo that can be used, with its place in the list.
struct Candidate {
    index: usize,
    view: View,
}

/// Finds the lens from all photos. Photos that can't be used, or that contradict the others, are named with the reason.
///
/// # Errors
/// [`LensCheckError`]: fewer than [`NEED`] photos that can be used, or no common answer.
pub fn calibrate(shots: &[Shot]) -> Result<LensResult, LensCheckError> {
    let mut photos: Vec<PhotoUse> = shots
        .iter()
        .map(|shot| PhotoUse {
            photo: shot.photo.clone(),
            used: false,
            why: None,
            corners: 0,
            rms_px: None,
            tilt_deg: None,
            helped_percent: None,
        })
        .collect();
    let mut chosen = candidates(shots, &mut photos);
    let first = chosen.first().map_or(0, |c| c.index);
    let facts = &shots.get(first).ok_or(LensCheckError::Unsolved)?.facts;
    let bundle = loop {
        if chosen.len() < NEED {
            return Err(LensCheckError::TooFew {
                used: chosen.len(),
                given: shots.len(),
                need: NEED,
                first: photos.iter().find_map(|p| {
                    let why = p.why.as_ref()?;
                    Some(format!("{}: {}", p.photo, why.trim_end_matches('.')))
                }),
            });
        }
        let views: Vec<View> = chosen.iter().map(|c| c.view.clone()).collect();
        let bundle = adjusted(&views, facts).ok_or(LensCheckError::Unsolved)?;
        let Some((at, why)) = stranger(&bundle) else {
            break bundle;
        };
        photos[chosen[at].index].why = Some(why);
        chosen.remove(at);
    };
    if !bundle.covariance.iter().all(|v| v.is_finite())
        || possible(
            [bundle.lens.width, bundle.lens.height],
            bundle.lens.parameters(),
        )
        .is_err()
    {
        return Err(LensCheckError::Unsolved);
    }
    let field = Field::of(&bundle.lens);
    let u_field = field.u(&lens_part(&bundle.covariance));
    let helped = helped(&bundle, &field);
    for (k, c) in chosen.iter().enumerate() {
        let misses = &bundle.misses[k];
        let square: f64 = misses.iter().map(|m| m.norm_squared()).sum();
        let normal = bundle.poses[k].0 * Vector3::z();
        photos[c.index] = PhotoUse {
            used: true,
            rms_px: Some((square / misses.len().max(1) as f64).sqrt()),
            tilt_deg: Some(normal.z.abs().min(1.0).acos().to_degrees()),
            helped_percent: helped[k],
            ..photos[c.index].clone()
        };
    }
    let orientations: Vec<u8> = chosen
        .iter()
        .map(|c| shots[c.index].facts.orientation)
        .collect();
    let coverage = cover::coverage(&bundle, &chosen_views(&chosen), &orientations, &field);
    let missing = cover::missing(&coverage);
    let mm_per_px = board_mm_per_px(&bundle);
    let mut result = LensResult {
        head: Head {
            schema: SCHEMA.into(),
            check: "lens".into(),
            photo: photos[chosen[0].index].photo.clone(),
            card: vec![CardSeen {
                name: chosen[0].view.card.layout.name.clone(),
                corners: bundle.misses.iter().map(Vec::len).sum(),
                rms_px: rms(&bundle),
            }],
            lens: false,
            mm_per_px,
            warnings: Vec::new(),
            budget: budget(&bundle, &field, mm_per_px),
            verdict: None,
        },
        file: lens_file(&bundle, facts),
        u95_field_px: u_field * K95,
        bow_mm: bow(&bundle, &chosen[0].view.card),
        print_down_over_across: Measured::from_u(
            1.0 + bundle.shape[DEPTH],
            bundle.covariance[(PARAMETERS + DEPTH, PARAMETERS + DEPTH)].sqrt(),
        ),
        photos,
        coverage,
        missing,
        next: String::new(),
    };
    result.head.warnings = warnings(&result);
    result.next = next(&result);
    Ok(result)
}

fn chosen_views(chosen: &[Candidate]) -> Vec<&View> {
    chosen.iter().map(|c| &c.view).collect()
}

/// The photos that can be used together: the board seen, of the size, camera, focal length and zoom that most have.
fn candidates(shots: &[Shot], photos: &mut [PhotoUse]) -> Vec<Candidate> {
    // The board that most photos show.
    let mut counts: Vec<(String, usize)> = Vec::new();
    for card in shots
        .iter()
        .filter_map(|s| s.boards.as_ref().ok())
        .flatten()
    {
        match counts
            .iter_mut()
            .find(|(name, _)| *name == card.layout.name)
        {
            Some((_, n)) => *n += card.corners.len(),
            None => counts.push((card.layout.name.clone(), card.corners.len())),
        }
    }
    let most = counts.iter().map(|(_, n)| *n).max().unwrap_or(0);
    let board = counts.into_iter().find(|(_, n)| *n == most).map(|(b, _)| b);
    let mut seen: Vec<(usize, &Card)> = Vec::new();
    for (i, shot) in shots.iter().enumerate() {
        let card = match &shot.boards {
            Err(why) => Err(why.clone()),
            Ok(cards) => cards
                .iter()
                .find(|c| Some(&c.layout.name) == board.as_ref())
                .ok_or_else(|| {
                    format!(
                        "it shows another card than the '{}' of the other photos",
                        board.as_deref().unwrap_or_default()
                    )
                }),
        };
        match card {
            Ok(card) if card.corners.len() < LEAST_CORNERS => {
                photos[i].corners = card.corners.len();
                photos[i].why = Some(format!(
                    "only {} of the board's {} corners can be seen",
                    card.corners.len(),
                    card.layout.corners()
                ));
            }
            Ok(card) => {
                photos[i].corners = card.corners.len();
                seen.push((i, card));
            }
            Err(why) => photos[i].why = Some(why),
        }
    }
    let keep = |seen: Vec<(usize, &'_ Card)>,
                of: &dyn Fn(&Facts) -> String,
                photos: &mut [PhotoUse],
                what: &str| {
        let kind = |i: usize| of(&shots[i].facts);
        let count = |k: &str| seen.iter().filter(|(i, _)| kind(*i) == k).count();
        // The first of the most common: the answer must not depend on anything but the photos and their order.
        let most = seen
            .iter()
            .map(|(i, _)| count(&kind(*i)))
            .max()
            .unwrap_or(0);
        let common = seen
            .iter()
            .map(|(i, _)| kind(*i))
            .find(|k| count(k) == most);
        let (kept, gone): (Vec<_>, Vec<_>) = seen
            .iter()
            .copied()
            .partition(|(i, _)| Some(kind(*i)) == common);
        for (i, _) in gone {
            photos[i].why = Some(format!(
                "{what} ({} and not {})",
                kind(i),
                common.as_deref().unwrap_or_default()
            ));
        }
        kept.into_iter().map(|(i, _)| i).collect::<Vec<usize>>()
    };
    let by_size = |f: &Facts| format!("{} x {} pixels", f.stored_width, f.stored_height);
    let by_lens = |f: &Facts| {
        let number = |v: Option<f64>, unit: &str| v.map(|v| format!(" {v:.2} {unit}"));
        [
            f.camera.clone(),
            number(f.focal_mm, "mm"),
            number(f.focal_35mm, "mm as on film"),
            Some(format!(" zoom {:.1}", f.zoom.unwrap_or(1.0))),
        ]
        .into_iter()
        .flatten()
        .collect::<String>()
        .trim()
        .to_string()
    };
    let kept = keep(
        seen.clone(),
        &by_size,
        photos,
        "it has another size than the others",
    );
    let seen: Vec<_> = seen.into_iter().filter(|(i, _)| kept.contains(i)).collect();
    let kept = keep(
        seen.clone(),
        &by_lens,
        photos,
        "it was taken with another lens, zoom or camera than the others",
    );
    seen.into_iter()
        .filter(|(i, _)| kept.contains(i))
        .map(|(index, card)| Candidate {
            index,
            view: view(card, &shots[index].facts),
        })
        .collect()
}

/// A board's corners in the frame of the stored pixels.
fn view(card: &Card, facts: &Facts) -> View {
    let mut card = card.clone();
    for corner in &mut card.corners {
        corner.px.0 = stored_place(
            corner.px.0,
            facts.stored_width,
            facts.stored_height,
            facts.orientation,
        );
    }
    View {
        card,
        mirrored: mirrored(facts.orientation),
    }
}

/// The best adjustment from the focal lengths that may be right: the boards' own, EXIF's, an ordinary phone's.
fn adjusted(views: &[View], facts: &Facts) -> Option<Bundle> {
    let (w, h) = (facts.stored_width, facts.stored_height);
    let long = w.max(h) as f64;
    let by_exif = facts
        .focal_35mm
        .filter(|f| (5.0..2000.0).contains(f))
        .map(|f| f / 36.0 * long);
    let starts = [
        bundle::focal_from_tilts(views, w, h),
        by_exif,
        Some(0.75 * long),
    ];
    let fit = |b: &Bundle| b.sigma_px.iter().sum::<f64>() / b.sigma_px.len() as f64;
    let mut best: Option<Bundle> = None;
    for start in starts.into_iter().flatten() {
        let found = bundle::adjust(views, w, h, start);
        if let Some(found) = found
            && best.as_ref().is_none_or(|b| fit(&found) < fit(b))
        {
            // A ten-thousandth of the longer side is what a good answer leaves; another start is tried only for a poor one.
            let good = fit(&found) < 1e-4 * long;
            best = Some(found);
            if good {
                break;
            }
        }
    }
    best
}

/// The photo that contradicts the others most, if one does: its corners scatter by four times theirs and by more than
/// anything but another focus, zoom or board explains (a tenth of a pixel in a thousand).
fn stranger(bundle: &Bundle) -> Option<(usize, String)> {
    let own: Vec<f64> = bundle
        .misses
        .iter()
        .map(|view| {
            let mut lengths: Vec<f64> = view.iter().map(|m| m.norm()).collect();
            median(&mut lengths).unwrap_or(0.0)
        })
        .collect();
    let all = median(&mut own.clone())?;
    let long = bundle.lens.width.max(bundle.lens.height) as f64;
    let (at, worst) = own
        .iter()
        .copied()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    (worst > 4.0 * all && worst > 1e-4 * long).then(|| {
        (
            at,
            format!(
                "its corners lie {worst:.1} px off what the other photos say (theirs {all:.2} px): the board was bent, or the camera focused or zoomed otherwise"
            ),
        )
    })
}

/// Rays over the whole frame and how they answer to the lens, less the turn of the camera that answers alike.
pub struct Field {
    /// Where the rays meet the frame, stored px.
    pub px: Vec<Point2<f64>>,
    rows: Vec<SMatrix<f64, 2, PARAMETERS>>,
}

impl Field {
    /// 20 × 15 rays.
    fn of(lens: &Lens) -> Field {
        let (nx, ny) = (20, 15);
        let px: Vec<Point2<f64>> = (0..nx * ny)
            .map(|k| {
                Point2::new(
                    (k % nx) as f64 / (nx - 1) as f64 * (lens.width as f64 - 1.0),
                    (k / nx) as f64 / (ny - 1) as f64 * (lens.height as f64 - 1.0),
                )
            })
            .collect();
        let mut rows = Vec::with_capacity(px.len());
        let mut turns = Vec::with_capacity(px.len());
        for p in &px {
            let ray = lens.ray(*p);
            let (_, by_ray, by_lens) = lens.project_with_slopes(ray);
            rows.push(SMatrix::<f64, 2, PARAMETERS>::from_columns(&by_lens));
            // d(x/z, y/z) by a small turn of the direction (x, y, 1).
            let (x, y) = (ray.x, ray.y);
            let by_turn =
                SMatrix::<f64, 2, 3>::new(-x * y, 1.0 + x * x, -y, -1.0 - y * y, x * y, x);
            turns.push(by_ray * by_turn);
        }
        let inner: Matrix3<f64> = turns.iter().map(|t| t.transpose() * t).sum();
        let cross: SMatrix<f64, 3, PARAMETERS> = turns
            .iter()
            .zip(&rows)
            .map(|(t, r)| t.transpose() * r)
            .sum();
        if let Some(inverse) = inner.try_inverse() {
            let suits = inverse * cross;
            for (row, turn) in rows.iter_mut().zip(&turns) {
                *row -= turn * suits;
            }
        }
        Field { px, rows }
    }

    /// Standard uncertainty of each ray's place, both coordinates together, px.
    fn each(&self, covariance: &SMatrix<f64, PARAMETERS, PARAMETERS>) -> Vec<f64> {
        self.rows
            .iter()
            .map(|r| (r * covariance * r.transpose()).trace().max(0.0).sqrt())
            .collect()
    }

    /// What 95% of the rays stay below, px.
    fn u(&self, covariance: &SMatrix<f64, PARAMETERS, PARAMETERS>) -> f64 {
        let mut each = self.each(covariance);
        each.sort_by(f64::total_cmp);
        each.get(each.len() * 95 / 100).copied().unwrap_or(0.0)
    }
}

fn lens_part(covariance: &DMatrix<f64>) -> SMatrix<f64, PARAMETERS, PARAMETERS> {
    SMatrix::from_fn(|i, j| covariance[(i, j)])
}

/// By how many percent the field's uncertainty would grow without each photo; `None` where the others could not do.
fn helped(bundle: &Bundle, field: &Field) -> Vec<Option<f64>> {
    let with = field.u(&lens_part(&bundle.covariance));
    let Some(precision) = bundle.covariance.clone().cholesky().map(|c| c.inverse()) else {
        return vec![None; bundle.information.len()];
    };
    bundle
        .information
        .iter()
        .map(|own| {
            let without = (&precision - own).cholesky()?.inverse();
            Some((field.u(&lens_part(&without)) / with - 1.0) * 100.0)
        })
        .collect()
}

/// What the uncertainty of a place on the board is made of, at the board's distance, mm.
fn budget(bundle: &Bundle, field: &Field, mm_per_px: f64) -> Vec<BudgetPart> {
    [Part::Pose, Part::Bow, Part::Scale, Part::Lens]
        .into_iter()
        .zip(&bundle.shares)
        .map(|(part, share)| BudgetPart::from_u(part, field.u(&lens_part(share)) * mm_per_px))
        .collect()
}

/// Millimetres a pixel covers on the board, median of the photos.
fn board_mm_per_px(bundle: &Bundle) -> f64 {
    let f = 0.5 * (bundle.lens.fx + bundle.lens.fy);
    let mut all: Vec<f64> = bundle.poses.iter().map(|(_, t)| t.z / f).collect();
    median(&mut all).unwrap_or(1.0)
}

fn rms(bundle: &Bundle) -> f64 {
    let all = bundle.misses.iter().flatten();
    let n = all.clone().count().max(1) as f64;
    (all.map(|m| m.norm_squared()).sum::<f64>() / n).sqrt()
}

fn lens_file(bundle: &Bundle, facts: &Facts) -> LensFile {
    let lens = &bundle.lens;
    let covariance = (0..PARAMETERS)
        .map(|i| (0..PARAMETERS).map(|j| bundle.covariance[(i, j)]).collect())
        .collect();
    LensFile {
        model: "brown-conrady".into(),
        width: lens.width,
        height: lens.height,
        fx: lens.fx,
        fy: lens.fy,
        cx: lens.cx,
        cy: lens.cy,
        k1: lens.k1,
        k2: lens.k2,
        p1: lens.p1,
        p2: lens.p2,
        k3: lens.k3,
        rms_px: Some(rms(bundle)),
        covariance: Some(covariance),
        camera: facts.camera.clone(),
        focal_mm: facts.focal_mm,
        focal_35mm: facts.focal_35mm,
        zoom: facts.zoom,
    }
}

/// How far the board's corners depart from their best plane, greatest less least.
fn bow(bundle: &Bundle, card: &Card) -> Measured {
    let middle = Middle::of(card);
    let corners: Vec<Point2<f64>> = (0..card.layout.corners())
        .filter_map(|id| card.layout.corner(id).map(|mm| mm.0))
        .collect();
    // Each corner's depth less the plane, as a row over the depth terms.
    let basis = DMatrix::from_fn(corners.len(), 3, |i, j| match j {
        0 => 1.0,
        1 => (corners[i].x - middle.at.x) / middle.half_mm,
        _ => (corners[i].y - middle.at.y) / middle.half_mm,
    });
    let mut rows = DMatrix::from_fn(corners.len(), DEPTH, |i, k| middle.terms(corners[i])[k].z);
    if let Some(inverse) = basis.tr_mul(&basis).try_inverse() {
        rows = &rows - &basis * (inverse * basis.tr_mul(&rows));
    }
    let depth = |i: usize| {
        (0..DEPTH)
            .map(|k| rows[(i, k)] * bundle.shape[k])
            .sum::<f64>()
    };
    let by_depth = |a: &usize, b: &usize| depth(*a).total_cmp(&depth(*b));
    let (Some(low), Some(high)) = (
        (0..corners.len()).min_by(by_depth),
        (0..corners.len()).max_by(by_depth),
    ) else {
        return Measured::from_u(0.0, 1.0);
    };
    let cov = bundle
        .covariance
        .view((PARAMETERS, PARAMETERS), (DEPTH, DEPTH));
    // The greatest and least of all corners are sought out: their errors may be any corner's, one up and one down.
    let u = (0..corners.len())
        .map(|i| {
            (rows.row(i) * cov * rows.row(i).transpose())[(0, 0)]
                .max(0.0)
                .sqrt()
        })
        .fold(0.0, f64::max)
        * 2.0;
    Measured::from_u(depth(high) - depth(low), u)
}

/// Few photos, and a focal length that the photos do not settle.
fn warnings(result: &LensResult) -> Vec<String> {
    let mut out = Vec::new();
    let used = result.photos.iter().filter(|p| p.used).count();
    if used < 8 {
        out.push(format!(
            "only {used} photos were used; a dozen from all sides make the lens file several times better"
        ));
    }
    let share = result
        .file
        .covariance
        .as_ref()
        .and_then(|rows| rows.first()?.first())
        .map_or(0.0, |v| K95 * v.sqrt() / result.file.fx);
    if share > 0.005 {
        out.push(format!(
            "the focal length is known to {:.1}% only: photos of the board tilted by 30° are missing",
            100.0 * share
        ));
    }
    if result.bow_mm.value > 3.0 {
        out.push(format!(
            "the board is bowed by {:.1} mm; that is allowed for, but glue it onto something flat for the next time",
            result.bow_mm.value
        ));
    }
    out
}

fn next(result: &LensResult) -> String {
    match result.missing.split_first() {
        None => "Keep lens.json and give it with --lens to every check of photos from this phone."
            .into(),
        Some((first, [])) => {
            format!("The lens file can be used; one more photo makes it better: {first}.")
        }
        Some((first, rest)) => format!(
            "The lens file can be used; {} more photos make it better, first: {first}.",
            rest.len() + 1
        ),
    }
}

/// The shared unknowns are more than the lens's.
const _: () = assert!(SHARED > PARAMETERS);
