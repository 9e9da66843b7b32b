//! Checks tried on made-up photos: does the interval hold the truth as often as it says?

use super::camera::stored_lens;
use super::rule::{self, RuleScene, SwageScene};
use super::section::SectionScene;
use super::{Scene, Truth, bench, render};
use crate::card::Layout;
use crate::check::line::{LineOptions, LineResult, join, measure, prepare};
use crate::check::partner::{self, Lay, PartnerOptions, SideCurve};
use crate::check::radii::{RadiiOptions, stripe as stripe_check};
use crate::check::section::{self, FormName, SectionRequest, SectionResult};
use crate::check::straightedge::{
    self, Rests, StraightedgeError, StraightedgeOptions, StraightedgeResult,
};
use crate::check::{CheckError, Setup};
use crate::fit::zone::minimum_zone;
use crate::lens::{Lens, LensFile};
use crate::units::{Mm, Px};
use nalgebra::Point2;

/// What one photo came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Trial {
    /// Points compared.
    pub points: usize,
    /// Points whose true deviation lies within the answer's interval.
    pub inside: usize,
    /// Rms of the deviation's error, mm.
    pub error_mm: f64,
    /// Median half-width of the interval, mm.
    pub u95_mm: f64,
    /// Whether the true straightness lies within its interval.
    pub straightness_inside: bool,
}

/// Takes the photo of a scene, measures its line near points on it (a tape's or coat's other edges are no matter here), and
/// compares with the truth. `with_lens`: whether the lens file is given.
///
/// # Errors
/// What the check says.
pub fn line(scene: &Scene, with_lens: bool) -> Result<Trial, CheckError> {
    let (photo, truth) = render(scene);
    let n = truth.line.px.len();
    let setup = Setup {
        layouts: Some(scene.cards.iter().map(|c| c.layout.clone()).collect()),
        lens: with_lens.then(|| lens_file(&truth.lens, photo.facts.orientation)),
        ..Setup::default()
    };
    let options = LineOptions {
        near: [n / 6, n / 2, n - 1 - n / 6]
            .map(|k| truth.line.px[k])
            .to_vec(),
        ..LineOptions::default()
    };
    Ok(compare(&measure(&photo, &setup, &options)?, &truth))
}

/// Takes the photo of a template beside a card and measures it, with the lens file and the true thickness, found by itself.
///
/// # Errors
/// What the check says.
pub fn section(scene: &SectionScene) -> Result<SectionResult, CheckError> {
    let (photo, cards) = bench::render(&scene.bench);
    let setup = Setup {
        layouts: Some(cards.iter().map(|c| c.layout.clone()).collect()),
        lens: Some(lens_file(&scene.bench.lens, photo.facts.orientation)),
        bow_mm: Some(section::BENCH_BOW_MM),
        ..Setup::default()
    };
    let request = SectionRequest {
        thickness_mm: Some(scene.cut.thickness_mm),
        ..SectionRequest::default()
    };
    section::measure(&photo, &setup, &request)
}

/// What one photo of a stripe came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StripeTrial {
    /// Places compared, every few millimetres of the stripe that is in the picture.
    pub points: usize,
    /// Places whose true radius lies within the answer's interval.
    pub inside: usize,
    /// Share of the places that the schedule spans.
    pub cover: f64,
    /// Median error of the radius, as a share of it.
    pub error: f64,
    /// Median half-width of the interval, as a share of the radius.
    pub u95: f64,
}

/// Takes the photo of a stripe, measures its radius and compares with the truth; the turn angle is given as it is.
///
/// # Errors
/// What the check says.
pub fn stripe(scene: &Scene, with_lens: bool) -> Result<StripeTrial, CheckError> {
    let (photo, truth) = render(scene);
    let setup = Setup {
        layouts: Some(scene.cards.iter().map(|c| c.layout.clone()).collect()),
        lens: with_lens.then(|| lens_file(&truth.lens, photo.facts.orientation)),
        ..Setup::default()
    };
    let options = RadiiOptions {
        turn_deg: Some(scene.panel.turn_deg),
        root: scene.panel.root,
        ..RadiiOptions::default()
    };
    let result = stripe_check::measure(&photo, &setup, &options, &[])?;
    let (s, rest): (Vec<f64>, Vec<(f64, f64)>) = result
        .schedule
        .iter()
        .map(|s| (s.s_mm, (s.r_mm, s.u95_mm)))
        .unzip();
    let (r, u): (Vec<f64>, Vec<f64>) = rest.into_iter().unzip();
    let known = truth.stripe.unwrap_or_default();
    let ends = (s.first().copied(), s.last().copied());
    let (mut inside, mut error, mut u95) = (0, Vec::new(), Vec::new());
    for (at, true_mm) in known.s_mm.iter().zip(&known.r_mm) {
        if Some(*at) < ends.0 || Some(*at) > ends.1 {
            continue;
        }
        let off = (interpolate(&s, &r, *at) - true_mm).abs();
        let half = interpolate(&s, &u, *at);
        inside += usize::from(off <= half);
        error.push(off / true_mm);
        u95.push(half / true_mm);
    }
    let middle = |list: &mut Vec<f64>| {
        list.sort_by(f64::total_cmp);
        list.get(list.len() / 2).copied().unwrap_or(f64::NAN)
    };
    Ok(StripeTrial {
        points: error.len(),
        inside,
        cover: error.len() as f64 / known.s_mm.len().max(1) as f64,
        error: middle(&mut error),
        u95: middle(&mut u95),
    })
}

/// Takes the photos of one long line, joins them and compares with the truth; the lens file is given.
///
/// # Errors
/// What the check says.
pub fn joined(scenes: &[Scene]) -> Result<Trial, CheckError> {
    let mut layouts: Vec<Layout> = Vec::new();
    for card in scenes.iter().flat_map(|s| &s.cards) {
        if !layouts.contains(&card.layout) {
            layouts.push(card.layout.clone());
        }
    }
    let (mut prepared, mut truths) = (Vec::new(), Vec::new());
    let mut setup = Setup::default();
    for (k, scene) in scenes.iter().enumerate() {
        let (mut photo, truth) = render(scene);
        photo.name = k.to_string();
        setup = Setup {
            layouts: Some(layouts.clone()),
            lens: Some(lens_file(&truth.lens, photo.facts.orientation)),
            ..Setup::default()
        };
        let n = truth.line.px.len();
        let options = LineOptions {
            near: [n / 6, n / 2, n - 1 - n / 6]
                .map(|k| truth.line.px[k])
                .to_vec(),
            ..LineOptions::default()
        };
        prepared.push(prepare(&photo, &setup, &options)?);
        truths.push(truth);
    }
    let result = join(&prepared, &setup, &LineOptions::default())?;
    let (mut x, mut error, mut u95, mut height) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for stretch in &result.joined {
        let Some(truth) = stretch
            .photo
            .parse()
            .ok()
            .and_then(|k: usize| truths.get(k))
        else {
            continue;
        };
        for k in stretch.first..stretch.first + stretch.points {
            let (px, row) = (result.line.px[k], result.line.deviation[k]);
            let s = along(truth, Point2::new(px[0], px[1]));
            let at = interpolate(&truth.line.s_mm, &truth.line.x_mm, s);
            let y = interpolate(&truth.line.s_mm, &truth.line.y_mm, s);
            x.push(at);
            error.push(row.d_mm - y);
            u95.push(row.u95_mm);
            height.push(Mm::new(at, y));
        }
    }
    Ok(tally(&result, &x, &error, u95, &height))
}

/// Measures the same line on two photos and compares the two as partners: all that differs is error.
///
/// # Errors
/// What the checks say.
pub fn partners(scenes: &[Scene; 2]) -> Result<Trial, CheckError> {
    let mut sides = Vec::new();
    for scene in scenes {
        let (photo, truth) = render(scene);
        let n = truth.line.px.len();
        let setup = Setup {
            layouts: Some(scene.cards.iter().map(|c| c.layout.clone()).collect()),
            lens: Some(lens_file(&truth.lens, photo.facts.orientation)),
            ..Setup::default()
        };
        let options = LineOptions {
            near: [n / 6, n / 2, n - 1 - n / 6]
                .map(|k| truth.line.px[k])
                .to_vec(),
            ..LineOptions::default()
        };
        sides.push(SideCurve::of_line(&measure(&photo, &setup, &options)?));
    }
    let options = PartnerOptions {
        lay: Lay::AsIs,
        tol_mm: None,
    };
    let result = partner::measure(&sides[0], &sides[1], &options)?;
    let mut u95: Vec<f64> = result.deviation.iter().map(|d| d.u95_mm).collect();
    let inside = result
        .deviation
        .iter()
        .filter(|d| d.d_mm.abs() <= d.u95_mm)
        .count();
    u95.sort_by(f64::total_cmp);
    Ok(Trial {
        points: result.deviation.len(),
        inside,
        error_mm: result.rms_mm,
        u95_mm: u95.get(u95.len() / 2).copied().unwrap_or(f64::INFINITY),
        straightness_inside: result.max_mm.value <= result.max_mm.u95,
    })
}

/// What one photo of a straightedge came to.
#[derive(Debug, Clone, PartialEq)]
pub struct GapTrial {
    /// Places compared: nicks, dirt and the last 3 mm at each end left out.
    pub points: usize,
    /// Places whose true gap lies within the answer's interval.
    pub inside: usize,
    /// Rms of the gap's error, mm.
    pub error_mm: f64,
    /// Median half-width of the interval, mm.
    pub u95_mm: f64,
    /// Whether the true largest gap lies within its interval (the straightedge's last 8 mm counted or not, whichever is
    /// nearer).
    pub largest_inside: bool,
    /// Whether it is told how it rests.
    pub rests_right: bool,
}

/// Takes the photo of a straightedge, finds and measures its gap, and compares with the truth.
///
/// # Errors
/// What the check says.
pub fn straightedge(scene: &RuleScene) -> Result<GapTrial, CheckError> {
    let (photo, cards) = bench::render(&scene.bench);
    let setup = Setup {
        layouts: Some(cards.iter().map(|c| c.layout.clone()).collect()),
        lens: Some(lens_file(&scene.bench.lens, photo.facts.orientation)),
        ..Setup::default()
    };
    let got = straightedge::measure(&photo, &setup, &StraightedgeOptions::default())?;
    Ok(gap_trial(scene, &got))
}

/// What one photo of a straightedge across a swage came to.
#[derive(Debug, Clone, PartialEq)]
pub struct AcrossTrial {
    /// The gap to both sides.
    pub gap: GapTrial,
    /// The swage as told.
    pub section: SectionResult,
    /// Whether its form is the true one.
    pub form_right: bool,
    /// Radius less the true one, mm; `None` where none is told.
    pub radius_off_mm: Option<f64>,
    /// Turn less the true one, degrees.
    pub turn_off_deg: f64,
}

/// Takes the photo of a straightedge across a swage, measures, and compares with the truth.
///
/// # Errors
/// What the check says.
pub fn across(scene: &SwageScene) -> Result<AcrossTrial, CheckError> {
    let (photo, cards) = bench::render(&scene.rule.bench);
    let setup = Setup {
        layouts: Some(cards.iter().map(|c| c.layout.clone()).collect()),
        lens: Some(lens_file(&scene.rule.bench.lens, photo.facts.orientation)),
        ..Setup::default()
    };
    let options = StraightedgeOptions::default();
    let got = straightedge::measure_across(&photo, &setup, &options, None)?;
    let gap = gap_trial(&scene.rule, &got);
    let section = got.section.ok_or(StraightedgeError::NoGap)?;
    let form = if scene.root {
        FormName::Concave
    } else {
        FormName::Convex
    };
    Ok(AcrossTrial {
        gap,
        form_right: section.form == form,
        radius_off_mm: section.radius_mm.map(|r| r.value - scene.radius_mm),
        turn_off_deg: section.turn_deg.value - scene.turn_deg,
        section,
    })
}

fn gap_trial(scene: &RuleScene, got: &StraightedgeResult) -> GapTrial {
    let (first, last) = match (scene.s_mm.first(), scene.s_mm.last()) {
        (Some(a), Some(b)) => (*a, *b),
        _ => (0.0, 0.0),
    };
    let x: Vec<f64> = scene.rule_px.iter().map(|p| p.0.x).collect();
    let (mut error, mut u95, mut inside) = (Vec::new(), Vec::new(), 0);
    for (row, px) in got.gap.iter().zip(&got.rule_px) {
        let s = interpolate(&x, &scene.s_mm, px[0]);
        let flawed = scene
            .flaws_mm
            .iter()
            .any(|f| s > f[0] - 1.0 && s < f[1] + 1.0);
        if flawed || s < first + 3.0 || s > last - 3.0 {
            continue;
        }
        let miss = row.gap_mm - interpolate(&scene.s_mm, &scene.gap_mm, s);
        inside += usize::from(miss.abs() <= row.u95_mm);
        error.push(miss);
        u95.push(row.u95_mm);
    }
    let largest = |margin: f64| {
        scene
            .s_mm
            .iter()
            .zip(&scene.gap_mm)
            .filter(|(s, _)| **s >= first + margin && **s <= last - margin)
            .map(|(_, g)| *g)
            .fold(0.0, f64::max)
    };
    let (value, u) = (got.max_gap_mm.value, got.max_gap_mm.u95);
    let rests = match scene.rests {
        rule::Rests::Rocks => Rests::Rocks,
        rule::Rests::Bridges => Rests::Bridges,
        rule::Rests::Even => Rests::Even,
    };
    let points = error.len();
    let square: f64 = error.iter().map(|e| e * e).sum();
    u95.sort_by(f64::total_cmp);
    GapTrial {
        points,
        inside,
        error_mm: (square / points.max(1) as f64).sqrt(),
        u95_mm: u95.get(points / 2).copied().unwrap_or(f64::INFINITY),
        largest_inside: value + u >= largest(8.0) && value - u <= largest(0.0),
        rests_right: got.rests == rests,
    }
}

/// The lens as its file has it: in the frame of the stored pixels.
pub fn lens_file(lens: &Lens, orientation: u8) -> LensFile {
    let l = stored_lens(lens, orientation);
    LensFile {
        model: "brown-conrady".into(),
        width: l.width,
        height: l.height,
        fx: l.fx,
        fy: l.fy,
        cx: l.cx,
        cy: l.cy,
        k1: l.k1,
        k2: l.k2,
        p1: l.p1,
        p2: l.p2,
        k3: l.k3,
        rms_px: None,
        covariance: None,
        camera: None,
        focal_mm: None,
        focal_35mm: None,
        zoom: None,
    }
}

fn compare(result: &LineResult, truth: &Truth) -> Trial {
    let (mut s, mut error, mut u95, mut height) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for (row, px) in result.line.deviation.iter().zip(&result.line.px) {
        let at = along(truth, Point2::new(px[0], px[1]));
        let chipped = truth
            .chips_s_mm
            .iter()
            .any(|c| at > c[0] - 2.0 && at < c[1] + 2.0);
        if !chipped {
            let y = interpolate(&truth.line.s_mm, &truth.line.y_mm, at);
            s.push(at);
            error.push(row.d_mm - y);
            u95.push(row.u95_mm);
            height.push(Mm::new(at, y));
        }
    }
    tally(result, &s, &error, u95, &height)
}

/// Errors less their straight line against the intervals, and the straightness against the true heights'.
fn tally(result: &LineResult, s: &[f64], error: &[f64], mut u95: Vec<f64>, height: &[Mm]) -> Trial {
    let error = without_line(s, error);
    let inside = error
        .iter()
        .zip(&u95)
        .filter(|(e, u)| e.abs() <= **u)
        .count();
    let square: f64 = error.iter().map(|e| e * e).sum();
    let points = error.len();
    let straightness_inside = minimum_zone(height).is_ok_and(|zone| {
        let got = result.line.straightness_mm;
        (got.value - zone.width_mm).abs() <= got.u95
    });
    u95.sort_by(f64::total_cmp);
    Trial {
        points,
        inside,
        error_mm: (square / points.max(1) as f64).sqrt(),
        u95_mm: u95.get(points / 2).copied().unwrap_or(f64::INFINITY),
        straightness_inside,
    }
}

/// Distance along the true line of its point nearest to a photo place.
fn along(truth: &Truth, at: Point2<f64>) -> f64 {
    let px: &[Px] = &truth.line.px;
    let nearest = (0..px.len()).min_by(|a, b| {
        (px[*a].0 - at)
            .norm_squared()
            .total_cmp(&(px[*b].0 - at).norm_squared())
    });
    let Some(k) = nearest else { return 0.0 };
    let (i, j) = if k + 1 < px.len() {
        (k, k + 1)
    } else {
        (k.saturating_sub(1), k)
    };
    let d = px[j].0 - px[i].0;
    let t = if d.norm_squared() > 0.0 {
        (at - px[i].0).dot(&d) / d.norm_squared()
    } else {
        0.0
    };
    truth.line.s_mm[i] + t.clamp(-1.0, 1.0) * (truth.line.s_mm[j] - truth.line.s_mm[i])
}

fn interpolate(x: &[f64], y: &[f64], at: f64) -> f64 {
    let k = x.partition_point(|v| *v <= at).clamp(1, x.len().max(2) - 1);
    let t = ((at - x[k - 1]) / (x[k] - x[k - 1])).clamp(0.0, 1.0);
    y[k - 1] + t * (y[k] - y[k - 1])
}

fn without_line(x: &[f64], y: &[f64]) -> Vec<f64> {
    let n = x.len().max(1) as f64;
    let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let lever: f64 = x.iter().map(|v| (v - mx).powi(2)).sum();
    let dot: f64 = x.iter().zip(y).map(|(a, b)| (a - mx) * (b - my)).sum();
    let slope = if lever > 0.0 { dot / lever } else { 0.0 };
    x.iter()
        .zip(y)
        .map(|(a, b)| b - my - slope * (a - mx))
        .collect()
}
