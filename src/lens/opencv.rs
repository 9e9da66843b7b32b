//! OpenCV's calibration files: the YAML its `FileStorage` writes, with `camera_matrix` and `distortion_coefficients` as in
//! its calibration example.
//!
//! Only what such a file holds is read: top-level `name: value`, and matrices with rows, cols and data, of which data may
//! run over lines. Our own covariance goes along under a name that OpenCV ignores.

use super::LensFile;
use super::file::LensError;
use super::model::PARAMETERS;
use std::collections::BTreeMap;

/// How the first line of such a file begins.
const HEAD: &str = "%YAML";

/// Whether a text looks like an OpenCV file and not like a lens file's JSON.
pub fn is_yaml(text: &str) -> bool {
    let text = text.trim_start_matches('\u{feff}').trim_start();
    text.starts_with(HEAD) || (!text.starts_with('{') && text.contains("camera_matrix:"))
}

/// Reads a lens from an OpenCV calibration file.
///
/// # Errors
/// [`LensError::Unreadable`] when the size, the camera matrix or the coefficients are missing or of a kind with no place
/// here (fish-eye, rational or thin-prism coefficients that are not zero); [`LensError::Absurd`].
pub fn read(text: &str) -> Result<LensFile, LensError> {
    let refuse = |why: String| LensError::Unreadable { why };
    let file = Entries::of(text);
    let size = |name: &str| -> Result<usize, LensError> {
        let words = file
            .plain
            .get(name)
            .ok_or_else(|| refuse(format!("it has no {name}")))?;
        words
            .parse::<usize>()
            .map_err(|_| refuse(format!("its {name} is '{words}'")))
    };
    let camera = file
        .matrix
        .get("camera_matrix")
        .filter(|m| m.len() == 9)
        .ok_or_else(|| refuse("it has no camera_matrix of 3 x 3".into()))?;
    let coefficients = file
        .matrix
        .get("distortion_coefficients")
        .ok_or_else(|| refuse("it has no distortion_coefficients".into()))?;
    let k = |i: usize| coefficients.get(i).copied().unwrap_or(0.0);
    if !(4..=14).contains(&coefficients.len()) || coefficients.iter().skip(5).any(|v| *v != 0.0) {
        return Err(refuse(
            "its distortion is of a kind that can't be used; k1 k2 p1 p2 k3 are needed".into(),
        ));
    }
    if camera[1].abs() > 1e-6 * camera[0].abs() {
        return Err(refuse("its camera_matrix is skewed".into()));
    }
    let covariance = match file.matrix.get("fairpanel_covariance") {
        Some(all) if all.len() == PARAMETERS * PARAMETERS => {
            Some(all.chunks(PARAMETERS).map(<[f64]>::to_vec).collect())
        }
        _ => None,
    };
    let lens = LensFile {
        model: "brown-conrady".into(),
        width: size("image_width")?,
        height: size("image_height")?,
        fx: camera[0],
        fy: camera[4],
        cx: camera[2],
        cy: camera[5],
        k1: k(0),
        k2: k(1),
        p1: k(2),
        p2: k(3),
        k3: k(4),
        rms_px: file
            .plain
            .get("avg_reprojection_error")
            .and_then(|v| v.parse().ok())
            .filter(|v: &f64| v.is_finite()),
        covariance,
        camera: None,
        focal_mm: None,
        focal_35mm: None,
        zoom: None,
    };
    lens.check()?;
    Ok(lens)
}

/// A lens as an OpenCV calibration file.
pub fn write(lens: &LensFile) -> String {
    let mut out = format!(
        "%YAML:1.0\n---\nimage_width: {}\nimage_height: {}\n",
        lens.width, lens.height
    );
    let camera = [lens.fx, 0.0, lens.cx, 0.0, lens.fy, lens.cy, 0.0, 0.0, 1.0];
    out += &matrix("camera_matrix", 3, 3, &camera);
    let coefficients = [lens.k1, lens.k2, lens.p1, lens.p2, lens.k3];
    out += &matrix("distortion_coefficients", 1, 5, &coefficients);
    if let Some(rms) = lens.rms_px {
        out += &format!("avg_reprojection_error: {rms:e}\n");
    }
    if let Some(rows) = &lens.covariance {
        let all: Vec<f64> = rows.iter().flatten().copied().collect();
        out += &matrix("fairpanel_covariance", PARAMETERS, PARAMETERS, &all);
    }
    out
}

fn matrix(name: &str, rows: usize, columns: usize, data: &[f64]) -> String {
    let numbers: Vec<String> = data.iter().map(|v| format!("{v:e}")).collect();
    let lines: Vec<String> = numbers.chunks(3).map(|three| three.join(", ")).collect();
    format!(
        "{name}: !!opencv-matrix\n   rows: {rows}\n   cols: {columns}\n   dt: d\n   data: [ {} ]\n",
        lines.join(",\n       ")
    )
}

/// What a file holds, by name.
#[derive(Debug, Default)]
struct Entries<'a> {
    plain: BTreeMap<&'a str, &'a str>,
    matrix: BTreeMap<&'a str, Vec<f64>>,
}

impl<'a> Entries<'a> {
    fn of(text: &'a str) -> Self {
        let mut out = Entries::default();
        let mut owner: Option<&str> = None;
        let mut lines = text.trim_start_matches('\u{feff}').lines();
        while let Some(line) = lines.next() {
            let Some((name, value)) = line.split_once(':') else {
                continue;
            };
            let inner = line.starts_with([' ', '\t']);
            let (name, value) = (name.trim(), value.trim());
            if !inner {
                owner = Some(name);
                out.plain.insert(name, value);
            } else if name == "data" {
                let mut data = numbers(value);
                let mut open = !value.contains(']');
                while open {
                    let Some(more) = lines.next() else { break };
                    data.extend(numbers(more));
                    open = !more.contains(']');
                }
                if let Some(owner) = owner {
                    out.matrix.insert(owner, data);
                }
            }
        }
        out
    }
}

/// The numbers of a bracketed list or part of one. What is no number becomes NaN, which no check lets pass.
fn numbers(text: &str) -> Vec<f64> {
    text.trim()
        .trim_start_matches('[')
        .trim_end_matches(']')
        .split(',')
        .map(str::trim)
        .filter(|word| !word.is_empty())
        .map(|word| word.parse().unwrap_or(f64::NAN))
        .collect()
}

#[cfg(test)]
// The file's own digits are quoted, more than a double holds.
#[allow(clippy::excessive_precision)]
mod tests {
    use super::*;

    /// The lens values shipped with OpenCV's chessboard pictures (opencv-doc 4.6.0, `examples/data/left_intrinsics.yml`,
    /// Apache-2.0), cut to the entries read here.
    const SHIPPED: &str = "%YAML:1.0
---
nframes: 13
image_width: 640
image_height: 480
square_size: 2.5000000372529030e-02
camera_matrix: !!opencv-matrix
   rows: 3
   cols: 3
   dt: d
   data: [ 5.3591573396163199e+02, 0., 3.4228315473308373e+02, 0.,
       5.3591573396163199e+02, 2.3557082909788173e+02, 0., 0., 1. ]
distortion_coefficients: !!opencv-matrix
   rows: 5
   cols: 1
   dt: d
   data: [ -2.6637260909660682e-01, -3.8588898922304653e-02,
       1.7831947042852964e-03, -2.8122100441115472e-04,
       2.3839153080878486e-01 ]
avg_reprojection_error: 3.9259098975581364e-01
";

    #[test]
    fn reads_a_file_that_opencv_wrote() {
        let lens = read(SHIPPED).expect("a calibration file");
        assert_eq!((lens.width, lens.height), (640, 480));
        assert_eq!(
            (lens.fx, lens.fy, lens.cx, lens.cy),
            (
                535.915_733_961_632,
                535.915_733_961_632,
                342.283_154_733_083_73,
                235.570_829_097_881_73
            )
        );
        assert_eq!(
            [lens.k1, lens.k2, lens.p1, lens.p2, lens.k3],
            [
                -0.266_372_609_096_606_82,
                -0.038_588_898_922_304_653,
                0.001_783_194_704_285_296_4,
                -0.000_281_221_004_411_154_72,
                0.238_391_530_808_784_86
            ]
        );
        assert_eq!(lens.rms_px, Some(0.392_590_989_755_813_64));
    }

    #[test]
    fn what_is_written_is_read_again() {
        let mut lens = read(SHIPPED).expect("a calibration file");
        lens.covariance = Some(
            (0..9)
                .map(|i| {
                    (0..9)
                        .map(|j| if i == j { 1e-3 / 3.0 } else { -1e-9 })
                        .collect()
                })
                .collect(),
        );
        assert!(is_yaml(&write(&lens)) && !is_yaml("{\"model\": 1}"));
        assert_eq!(read(&write(&lens)).expect("our own file"), lens);
    }

    #[test]
    fn what_has_no_place_here_is_refused() {
        for (from, to) in [
            ("image_width: 640", "image_wide: 640"),
            ("image_width: 640", "image_width: wide"),
            ("camera_matrix", "camera"),
            ("distortion_coefficients", "fisheye"),
            ("5.3591573396163199e+02, 0., 3", "oops, 0., 3"),
            (
                "5.3591573396163199e+02, 0., 3",
                "5.3591573396163199e+02, 9., 3",
            ),
            ("2.3839153080878486e-01", "2.3839153080878486e-01, 0.5"),
        ] {
            let text = SHIPPED.replacen(from, to, 1);
            assert!(read(&text).is_err(), "{from} -> {to}");
        }
        // Eight coefficients of which the last three are zero are the same lens.
        let eight = SHIPPED.replace(
            "2.3839153080878486e-01",
            "2.3839153080878486e-01, 0., 0., 0.",
        );
        assert!(read(&eight).is_ok());
    }
}
