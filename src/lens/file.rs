//! The lens file: a calibrated lens with its covariance and the camera it belongs to.
//!
//! It lies in the frame of the *stored* pixels, the sensor's, before EXIF orientation: a phone turned on its side keeps
//! its lens. [`LensFile::upright`] carries it over to a photo.

use super::model::{Lens, PARAMETERS};
use nalgebra::{DMatrix, Point2, SMatrix};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// Why a lens file can't be used.
#[derive(Debug, Error)]
pub enum LensError {
    /// Not the JSON of a lens.
    #[error("the lens file can't be read ({why}); make it again with `fairpanel lens`")]
    Unreadable {
        /// What the reader said.
        why: String,
    },
    /// A number no lens has.
    #[error(
        "the lens file's {field} is {value}, which no lens has; make it again with `fairpanel lens`"
    )]
    Absurd {
        /// Field name.
        field: &'static str,
        /// What it says.
        value: f64,
    },
    /// The shape of the lens file's photos, but on its side.
    #[error(
        "this photo is stored {width} x {height} pixels and the lens file's photos {lens_width} x {lens_height}: an app has turned it, and which way can't be told from it. Give the photo as the phone stored it, or make a lens file from photos handled the same way"
    )]
    OnItsSide {
        /// Lens file's width, px.
        lens_width: usize,
        /// Lens file's height, px.
        lens_height: usize,
        /// Photo's stored width, px.
        width: usize,
        /// Photo's stored height, px.
        height: usize,
    },
    /// Another camera shape.
    #[error(
        "the lens file is for {lens_width} x {lens_height} pixels and this photo has {width} x {height}: another shape of camera or a crop. Use the lens file of this camera, or measure without one"
    )]
    Shape {
        /// Lens file's width, px.
        lens_width: usize,
        /// Lens file's height, px.
        lens_height: usize,
        /// Photo's stored width, px.
        width: usize,
        /// Photo's stored height, px.
        height: usize,
    },
}

/// The lens file. Unknown fields are ignored when read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LensFile {
    /// Always `brown-conrady`.
    pub model: String,
    /// Stored width, px.
    pub width: usize,
    /// Stored height, px.
    pub height: usize,
    /// Focal length along x, px.
    pub fx: f64,
    /// Focal length along y, px.
    pub fy: f64,
    /// Principal point x, px.
    pub cx: f64,
    /// Principal point y, px.
    pub cy: f64,
    /// Radial, second order.
    pub k1: f64,
    /// Radial, fourth order.
    pub k2: f64,
    /// Tangential.
    pub p1: f64,
    /// Tangential.
    pub p2: f64,
    /// Radial, sixth order.
    #[serde(default)]
    pub k3: f64,
    /// Rms residual of the calibration, px.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rms_px: Option<f64>,
    /// Covariance of fx, fy, cx, cy, k1, k2, p1, p2, k3, row by row; absent: taken as exact.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub covariance: Option<Vec<Vec<f64>>>,
    /// Camera make and model from EXIF; absent: any camera.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub camera: Option<String>,
    /// Focal length from EXIF, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub focal_mm: Option<f64>,
    /// Focal length as on 35 mm film from EXIF, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub focal_35mm: Option<f64>,
    /// Digital zoom ratio from EXIF.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zoom: Option<f64>,
}

/// A lens in the frame of one upright photo, with the covariance of its parameters.
#[derive(Debug, Clone)]
pub struct UprightLens {
    /// The lens.
    pub lens: Lens,
    /// Covariance in the order of [`Lens::parameters`]; `None` when exact.
    pub covariance: Option<DMatrix<f64>>,
}

/// Whether a lens can be: its frame, px, and its parameters in the order of [`Lens::parameters`].
///
/// # Errors
/// [`LensError::Absurd`] names the first that can't.
pub fn possible(
    [width, height]: [usize; 2],
    [fx, fy, cx, cy, k1, k2, p1, p2, k3]: [f64; PARAMETERS],
) -> Result<(), LensError> {
    let (width, height) = (width as f64, height as f64);
    let side = width.max(height);
    let bounds = [
        ("width", width, 16.0, 1e5),
        ("height", height, 16.0, 1e5),
        ("fx", fx, 0.1 * side, 50.0 * side),
        ("fy", fy, 0.1 * side, 50.0 * side),
        ("cx", cx, 0.0, width),
        ("cy", cy, 0.0, height),
        ("k1", k1, -10.0, 10.0),
        ("k2", k2, -100.0, 100.0),
        ("p1", p1, -1.0, 1.0),
        ("p2", p2, -1.0, 1.0),
        ("k3", k3, -1000.0, 1000.0),
    ];
    for (field, value, low, high) in bounds {
        if !(low..=high).contains(&value) {
            return Err(LensError::Absurd { field, value });
        }
    }
    Ok(())
}

impl LensFile {
    /// Reads a lens file, or an OpenCV calibration file ([`super::opencv`]).
    ///
    /// # Errors
    /// [`LensError::Unreadable`] and [`LensError::Absurd`].
    pub fn read_any(text: &str) -> Result<LensFile, LensError> {
        if super::opencv::is_yaml(text) {
            super::opencv::read(text)
        } else {
            LensFile::read(text)
        }
    }

    /// Reads the JSON of a lens file and checks that a lens could have these numbers.
    ///
    /// # Errors
    /// [`LensError::Unreadable`] and [`LensError::Absurd`].
    pub fn read(json: &str) -> Result<LensFile, LensError> {
        let file: LensFile =
            serde_json::from_str(json).map_err(|e| LensError::Unreadable { why: e.to_string() })?;
        if file.model != "brown-conrady" {
            return Err(LensError::Unreadable {
                why: format!("its model is '{}', not 'brown-conrady'", file.model),
            });
        }
        file.check()?;
        Ok(file)
    }

    pub(super) fn check(&self) -> Result<(), LensError> {
        let [fx, fy, cx, cy] = [self.fx, self.fy, self.cx, self.cy];
        let [k1, k2, p1, p2, k3] = [self.k1, self.k2, self.p1, self.p2, self.k3];
        possible(
            [self.width, self.height],
            [fx, fy, cx, cy, k1, k2, p1, p2, k3],
        )?;
        if let Some(rows) = &self.covariance {
            let square = rows.len() == PARAMETERS && rows.iter().all(|r| r.len() == PARAMETERS);
            let fine = square
                && rows.iter().flatten().all(|v| v.is_finite())
                && rows.iter().enumerate().all(|(i, r)| r[i] >= 0.0);
            if !fine {
                return Err(LensError::Unreadable {
                    why: "its covariance is not a 9 x 9 covariance".into(),
                });
            }
        }
        Ok(())
    }

    /// The lens in the frame of the stored pixels.
    pub fn lens(&self) -> Lens {
        Lens {
            width: self.width,
            height: self.height,
            fx: self.fx,
            fy: self.fy,
            cx: self.cx,
            cy: self.cy,
            k1: self.k1,
            k2: self.k2,
            p1: self.p1,
            p2: self.p2,
            k3: self.k3,
        }
    }

    /// The lens as it lies in an upright photo: scaled to its stored size, turned as its EXIF orientation says.
    ///
    /// `stored_width`, `stored_height`: px before the turn; `orientation`: EXIF 1–8.
    ///
    /// # Errors
    /// [`LensError::Shape`] when the photo is not the lens file's size scaled alike (to half a pixel in the longer side);
    /// [`LensError::OnItsSide`] when it would be if it were turned a quarter.
    pub fn upright(
        &self,
        stored_width: usize,
        stored_height: usize,
        orientation: u8,
    ) -> Result<UprightLens, LensError> {
        let (w, h) = (stored_width as f64, stored_height as f64);
        let scale = w / self.width as f64;
        let alike = |w: f64, h: f64| {
            let scale = w / self.width as f64;
            (self.height as f64 * scale - h).abs() <= 0.51 + 0.5 * scale.max(1.0)
        };
        if !alike(w, h) && alike(h, w) {
            return Err(LensError::OnItsSide {
                lens_width: self.width,
                lens_height: self.height,
                width: stored_width,
                height: stored_height,
            });
        }
        if !alike(w, h) {
            return Err(LensError::Shape {
                lens_width: self.width,
                lens_height: self.height,
                width: stored_width,
                height: stored_height,
            });
        }
        let turn = Turn::of(orientation);
        let p = self.lens().parameters();
        // Pixel centres at whole numbers: a scaled photo's centre of pixel 0 is not the old one's.
        let cx = (p[2] + 0.5) * scale - 0.5;
        let cy = (p[3] + 0.5) * scale - 0.5;
        let scaled = [
            p[0] * scale,
            p[1] * scale,
            cx,
            cy,
            p[4],
            p[5],
            p[6],
            p[7],
            p[8],
        ];
        let (width, height) = if turn.transpose {
            (stored_height, stored_width)
        } else {
            (stored_width, stored_height)
        };
        let turned = turn.parameters(&scaled, w, h);
        let lens = Lens {
            width,
            height,
            ..Lens::pinhole(width, height, 1.0)
        }
        .with_parameters(&turned);
        let covariance = self.covariance.as_ref().map(|rows| {
            let from_file = SMatrix::<f64, PARAMETERS, PARAMETERS>::from_fn(|i, j| rows[i][j]);
            let mut jacobian = SMatrix::<f64, PARAMETERS, PARAMETERS>::zeros();
            for (j, s) in [scale, scale, scale, scale, 1.0, 1.0, 1.0, 1.0, 1.0]
                .into_iter()
                .enumerate()
            {
                let (i, sign) = turn.target(j);
                jacobian[(i, j)] = s * sign;
            }
            let c = jacobian * from_file * jacobian.transpose();
            DMatrix::from_fn(PARAMETERS, PARAMETERS, |i, j| 0.5 * (c[(i, j)] + c[(j, i)]))
        });
        Ok(UprightLens { lens, covariance })
    }
}

/// Where a place of the stored pixels lies in the upright photo, px. `width`, `height`: stored size; `orientation`: EXIF 1–8.
pub fn upright_place(
    stored: Point2<f64>,
    width: usize,
    height: usize,
    orientation: u8,
) -> Point2<f64> {
    let turn = Turn::of(orientation);
    let (mut p, mut size) = (stored, [width as f64, height as f64]);
    if turn.transpose {
        p = Point2::new(p.y, p.x);
        size = [size[1], size[0]];
    }
    Point2::new(
        if turn.flip_x {
            size[0] - 1.0 - p.x
        } else {
            p.x
        },
        if turn.flip_y {
            size[1] - 1.0 - p.y
        } else {
            p.y
        },
    )
}

/// Where a place of the upright photo lies in the stored pixels: the way back of [`upright_place`].
pub fn stored_place(
    upright: Point2<f64>,
    width: usize,
    height: usize,
    orientation: u8,
) -> Point2<f64> {
    let turn = Turn::of(orientation);
    let (w, h) = match turn.transpose {
        true => (height as f64, width as f64),
        false => (width as f64, height as f64),
    };
    let x = if turn.flip_x {
        w - 1.0 - upright.x
    } else {
        upright.x
    };
    let y = if turn.flip_y {
        h - 1.0 - upright.y
    } else {
        upright.y
    };
    match turn.transpose {
        true => Point2::new(y, x),
        false => Point2::new(x, y),
    }
}

/// Whether the stored pixels of this EXIF orientation show the world mirrored.
pub fn mirrored(orientation: u8) -> bool {
    matches!(orientation, 2 | 4 | 5 | 7)
}

/// What an EXIF orientation does: transpose first, then flip.
#[derive(Debug, Clone, Copy)]
struct Turn {
    transpose: bool,
    flip_x: bool,
    flip_y: bool,
}

impl Turn {
    fn of(orientation: u8) -> Turn {
        let (transpose, flip_x, flip_y) = match orientation {
            2 => (false, true, false),
            3 => (false, true, true),
            4 => (false, false, true),
            5 => (true, false, false),
            6 => (true, true, false),
            7 => (true, true, true),
            8 => (true, false, true),
            _ => (false, false, false),
        };
        Turn {
            transpose,
            flip_x,
            flip_y,
        }
    }

    /// Where a stored-frame parameter goes in the upright frame, and with which sign of its change.
    ///
    /// The tangential pair: p1 belongs to y and p2 to x, so a transpose swaps them and a flip of their axis turns the sign.
    fn target(&self, j: usize) -> (usize, f64) {
        let swapped = if self.transpose {
            [1, 0, 3, 2, 4, 5, 7, 6, 8]
        } else {
            [0, 1, 2, 3, 4, 5, 6, 7, 8]
        };
        let i = swapped[j];
        let sign = match i {
            2 | 7 if self.flip_x => -1.0,
            3 | 6 if self.flip_y => -1.0,
            _ => 1.0,
        };
        (i, sign)
    }

    fn parameters(
        &self,
        p: &[f64; PARAMETERS],
        stored_width: f64,
        stored_height: f64,
    ) -> [f64; PARAMETERS] {
        let mut out = [0.0; PARAMETERS];
        for (j, value) in p.iter().enumerate() {
            let (i, sign) = self.target(j);
            out[i] = sign * value;
        }
        let (w, h) = if self.transpose {
            (stored_height, stored_width)
        } else {
            (stored_width, stored_height)
        };
        if self.flip_x {
            out[2] += w - 1.0;
        }
        if self.flip_y {
            out[3] += h - 1.0;
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file() -> LensFile {
        LensFile::read(
            r#"{"model":"brown-conrady","width":2016,"height":1512,"fx":1492.39,"fy":1490.43,"cx":1001.19,"cy":753.05,
                "k1":-0.0177,"k2":0.0273,"p1":0.00028,"p2":-0.00036,"k3":0.0018,"note":"ignored"}"#,
        )
        .expect("a good lens file")
    }

    #[test]
    fn places_turn_with_the_photo_and_back() {
        let (w, h) = (2016, 1512);
        let at = Point2::new(310.25, 77.5);
        let ray = Point2::new(0.31, -0.22);
        for orientation in 1..=8 {
            let there = upright_place(at, w, h, orientation);
            assert!((stored_place(there, w, h, orientation) - at).norm() < 1e-9);
            // The same place by way of the turned lens: rays turn as places do.
            let stored = file().upright(w, h, 1).expect("same size").lens;
            let upright = file().upright(w, h, orientation).expect("same size").lens;
            let there = upright_place(stored.project(ray), w, h, orientation);
            let turned = upright_place(Point2::new(ray.x, ray.y), 1, 1, orientation);
            assert!(
                (upright.project(turned) - there).norm() < 1e-9,
                "{orientation}"
            );
        }
    }

    /// Turning the photo must turn the projection with it, for each of the eight orientations.
    #[test]
    fn lens_turns_with_the_photo() {
        let (w, h) = (2016.0, 1512.0);
        let stored = file().upright(2016, 1512, 1).expect("same size").lens;
        let ray = Point2::new(0.31, -0.22);
        let at = stored.project(ray);
        let turned: [(u8, Point2<f64>, Point2<f64>); 8] = [
            (1, ray, at),
            (
                2,
                Point2::new(-ray.x, ray.y),
                Point2::new(w - 1.0 - at.x, at.y),
            ),
            (
                3,
                Point2::new(-ray.x, -ray.y),
                Point2::new(w - 1.0 - at.x, h - 1.0 - at.y),
            ),
            (
                4,
                Point2::new(ray.x, -ray.y),
                Point2::new(at.x, h - 1.0 - at.y),
            ),
            (5, Point2::new(ray.y, ray.x), Point2::new(at.y, at.x)),
            (
                6,
                Point2::new(-ray.y, ray.x),
                Point2::new(h - 1.0 - at.y, at.x),
            ),
            (
                7,
                Point2::new(-ray.y, -ray.x),
                Point2::new(h - 1.0 - at.y, w - 1.0 - at.x),
            ),
            (
                8,
                Point2::new(ray.y, -ray.x),
                Point2::new(at.y, w - 1.0 - at.x),
            ),
        ];
        for (orientation, ray, expected) in turned {
            let lens = file()
                .upright(2016, 1512, orientation)
                .expect("same size")
                .lens;
            let got = lens.project(ray);
            assert!(
                (got - expected).norm() < 1e-9,
                "orientation {orientation}: {got} and not {expected}"
            );
        }
    }

    #[test]
    fn scaled_photo_keeps_its_rays() {
        let full = file().upright(4032, 3024, 1).expect("scaled alike").lens;
        let half = file().upright(2016, 1512, 1).expect("same size").lens;
        let at = half.project(Point2::new(0.2, 0.1));
        let twice = full.project(Point2::new(0.2, 0.1));
        assert!(
            (twice.x - (2.0 * at.x + 0.5)).abs() < 1e-9
                && (twice.y - (2.0 * at.y + 0.5)).abs() < 1e-9
        );
    }

    #[test]
    fn other_shapes_and_absurd_numbers_are_refused() {
        assert!(matches!(
            file().upright(2000, 2000, 1),
            Err(LensError::Shape { .. })
        ));
        // Turned by an app that dropped the orientation mark, at full and at half size.
        for (width, height) in [(1512, 2016), (756, 1008)] {
            assert!(matches!(
                file().upright(width, height, 1),
                Err(LensError::OnItsSide { .. })
            ));
        }
        assert!(matches!(
            LensFile::read("{}"),
            Err(LensError::Unreadable { .. })
        ));
        let mut bad = file();
        bad.fx = f64::NAN;
        assert!(matches!(
            bad.check(),
            Err(LensError::Absurd { field: "fx", .. })
        ));
    }
}
