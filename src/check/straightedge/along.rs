//! The strip along the line found, as the photo shows it: a column a pixel, square across.

use super::found::Found;
use crate::scale::Scale;
use crate::units::Px;
use nalgebra::{Point2, Vector2};

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

    /// Mean distance of neighbouring columns, px.
    pub fn pitch_px(&self) -> Option<f64> {
        let d = self.centre.last()? - self.centre.first()?;
        let steps = self.centre.len().checked_sub(1).filter(|n| *n > 0)?;
        Some(d.norm() / steps as f64)
    }

    /// Every so many of its columns.
    pub fn thinned(&self, every: usize) -> Along {
        let every = every.max(1);
        Along {
            centre: self.centre.iter().step_by(every).copied().collect(),
            normal: self.normal.iter().step_by(every).copied().collect(),
            s_mm: self.s_mm.iter().step_by(every).copied().collect(),
            mm_per_px: self.mm_per_px,
        }
    }

    /// Column, with fraction, at a distance along, mm.
    pub fn column_at(&self, s_mm: f64) -> f64 {
        let n = self.s_mm.len();
        let k = self
            .s_mm
            .partition_point(|s| *s <= s_mm)
            .clamp(1, n.max(2) - 1);
        match self.s_mm.get(k - 1..=k) {
            Some([a, b]) if b > a => (k - 1) as f64 + (s_mm - a) / (b - a),
            _ => 0.0,
        }
    }

    /// Column, with fraction, and px across of a photo place; beyond the ends the line is carried on.
    pub fn locate(&self, place: Px) -> Option<(f64, f64)> {
        let direction = self.direction()?;
        let ahead = |k: usize| (place.0 - self.centre[k]).dot(&direction);
        let last = self.centre.len().checked_sub(1)?;
        let (mut low, mut high) = (0, last);
        while low < high {
            let middle = (low + high).div_ceil(2);
            if ahead(middle) >= 0.0 {
                low = middle;
            } else {
                high = middle - 1;
            }
        }
        let d = place.0 - self.centre[low];
        let normal = self.normal[low];
        let tangent = Vector2::new(normal.y, -normal.x);
        let tangent = if tangent.dot(&direction) < 0.0 {
            -tangent
        } else {
            tangent
        };
        let next = (low + 1).min(last);
        let pitch = if next > low {
            (self.centre[next] - self.centre[low]).norm()
        } else {
            1.0
        };
        Some((low as f64 + d.dot(&tangent) / pitch, d.dot(&normal)))
    }
}
