//! Checks tried on made-up photos: does the interval hold the truth as often as it says?

use super::camera::stored_lens;
use super::section::SectionScene;
use super::{Scene, Truth, bench, render};
use crate::check::line::{LineOptions, LineResult, measure};
use crate::check::section::{self, SectionRequest, SectionResult};
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

/// The lens as its file has it: in the frame of the stored pixels.
fn lens_file(lens: &Lens, orientation: u8) -> LensFile {
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
    let error = without_line(&s, &error);
    let inside = error
        .iter()
        .zip(&u95)
        .filter(|(e, u)| e.abs() <= **u)
        .count();
    let square: f64 = error.iter().map(|e| e * e).sum();
    let points = error.len();
    let straightness_inside = minimum_zone(&height).is_ok_and(|zone| {
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
