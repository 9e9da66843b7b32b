//! Tests of [`lm`](super::lm) against the certified values of NIST's Statistical Reference Datasets (public domain). The nonlinear sets were read in
//! the source archive of lmfit 1.3.4 (folder NIST_STRD), Norris in the tests of scipy 1.17.1.

use super::lm::{LmError, LmOptions, Solution, minimise, numeric};
use nalgebra::{DMatrix, DVector};

/// One data set: the model y(x; b), observations, and what NIST certifies.
struct Set<'a> {
    x: &'a [f64],
    y: &'a [f64],
    model: fn(f64, &DVector<f64>) -> f64,
    /// Certified value and standard deviation of each unknown.
    certified: &'a [(f64, f64)],
    squares: f64,
}

impl Set<'_> {
    fn fit(&self, start: &[f64]) -> Result<Solution, LmError> {
        let model = |b: &DVector<f64>, r: &mut DVector<f64>| {
            for (i, (x, y)) in self.x.iter().zip(self.y).enumerate() {
                r[i] = y - (self.model)(*x, b);
            }
        };
        let size: Vec<f64> = start.iter().map(|b| b.abs()).collect();
        minimise(
            start,
            &size,
            self.x.len(),
            numeric(&size, model),
            &LmOptions::default(),
        )
    }

    fn check_from(&self, start: &[f64], tolerance: f64, sd_tolerance: f64) {
        self.check(&self.fit(start).unwrap(), tolerance, sd_tolerance);
    }

    fn check(&self, found: &Solution, tolerance: f64, sd_tolerance: f64) {
        let covariance = found.covariance_scaled();
        for (j, (value, sd)) in self.certified.iter().enumerate() {
            let off = (found.at[j] / value - 1.0).abs();
            assert!(off < tolerance, "b{} {} {value}", j + 1, found.at[j]);
            let got = covariance[(j, j)].sqrt();
            assert!(
                (got / sd - 1.0).abs() < sd_tolerance,
                "sd{} {got} {sd}",
                j + 1
            );
        }
        assert!((found.squares / self.squares - 1.0).abs() < tolerance.max(1e-9));
    }
}

/// y = b0 + b1 x. Certified residual sd 0.884796396144373, R² 0.999993745883712.
#[test]
fn norris() {
    use crate::solve::testset::{NORRIS_X, NORRIS_Y};
    let set = Set {
        x: &NORRIS_X,
        y: &NORRIS_Y,
        model: |x, b| b[0] + b[1] * x,
        certified: &[
            (-0.262323073774029, 0.232818234301152),
            (1.00211681802045, 0.000429796848199937),
        ],
        squares: 0.884796396144373f64.powi(2) * 34.0,
    };
    let with_derivatives =
        |b: &DVector<f64>, r: &mut DVector<f64>, jacobian: Option<&mut DMatrix<f64>>| {
            for (i, (x, y)) in set.x.iter().zip(set.y).enumerate() {
                r[i] = y - (set.model)(*x, b);
            }
            if let Some(j) = jacobian {
                j.column_mut(0).fill(-1.0);
                j.column_mut(1).copy_from_slice(&NORRIS_X.map(|x| -x));
            }
        };
    let found = minimise(
        &[5.0, -3.0],
        &[1.0, 1.0],
        36,
        with_derivatives,
        &LmOptions::default(),
    )
    .unwrap();
    set.check(&found, 1e-9, 1e-9);
    assert!((found.variance().sqrt() - 0.884796396144373).abs() < 1e-9);
    let mean = NORRIS_Y.iter().sum::<f64>() / 36.0;
    let total: f64 = NORRIS_Y.iter().map(|y| (y - mean).powi(2)).sum();
    assert!((1.0 - found.squares / total - 0.999993745883712).abs() < 1e-9);
}

fn rise(x: f64, b: &DVector<f64>) -> f64 {
    b[0] * (1.0 - (-b[1] * x).exp())
}

#[test]
fn misra1a() {
    let set = Set {
        x: &[
            77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1,
            689.1, 760.0,
        ],
        y: &[
            10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40,
            75.47, 81.78,
        ],
        model: rise,
        certified: &[
            (238.94212918, 2.7070075241),
            (5.5015643181e-4, 7.2668688436e-6),
        ],
        squares: 0.12455138894,
    };
    set.check_from(&[500.0, 1e-4], 1e-6, 1e-4);
    set.check_from(&[250.0, 5e-4], 1e-6, 1e-4);
}

const BOXBOD: Set = Set {
    x: &[1.0, 2.0, 3.0, 5.0, 7.0, 10.0],
    y: &[109.0, 149.0, 149.0, 191.0, 213.0, 224.0],
    model: rise,
    certified: &[(213.80940889, 12.354515176), (0.54723748542, 0.10455993237)],
    squares: 1168.0088766,
};

/// Start (1, 1) leads scipy 1.17.1's `lm` to a flat at b2 = 110.9 with 9771.5 as sum of squares: ours must find the
/// certified answer or say that it has none.
#[test]
fn boxbod() {
    BOXBOD.check_from(&[100.0, 0.75], 1e-6, 1e-4);
    BOXBOD.check_from(&[1.0, 1.0], 1e-6, 1e-4);
    // From the flat itself there is nothing to go by.
    let flat = BOXBOD.fit(&[172.0, 110.9]);
    assert!(flat.is_err(), "{flat:?}");
}

#[test]
fn eckerle4() {
    let set = Set {
        x: &[
            400.0, 405.0, 410.0, 415.0, 420.0, 425.0, 430.0, 435.0, 436.5, 438.0, 439.5, 441.0,
            442.5, 444.0, 445.5, 447.0, 448.5, 450.0, 451.5, 453.0, 454.5, 456.0, 457.5, 459.0,
            460.5, 462.0, 463.5, 465.0, 470.0, 475.0, 480.0, 485.0, 490.0, 495.0, 500.0,
        ],
        y: &[
            0.0001575, 0.0001699, 0.0002350, 0.0003102, 0.0004917, 0.0008710, 0.0017418, 0.0046400,
            0.0065895, 0.0097302, 0.0149002, 0.0237310, 0.0401683, 0.0712559, 0.1264458, 0.2073413,
            0.2902366, 0.3445623, 0.3698049, 0.3668534, 0.3106727, 0.2078154, 0.1164354, 0.0616764,
            0.0337200, 0.0194023, 0.0117831, 0.0074357, 0.0022732, 0.0008800, 0.0004579, 0.0002345,
            0.0001586, 0.0001143, 0.0000710,
        ],
        model: |x, b| b[0] / b[1] * (-0.5 * ((x - b[2]) / b[1]).powi(2)).exp(),
        certified: &[
            (1.5543827178, 1.5408051163e-2),
            (4.0888321754, 4.6803020753e-2),
            (451.54121844, 4.6800518816e-2),
        ],
        squares: 1.4635887487e-3,
    };
    set.check_from(&[1.5, 5.0, 450.0], 1e-6, 1e-4);
    set.check_from(&[1.0, 10.0, 500.0], 1e-6, 1e-4);
}

#[test]
fn rat42() {
    let set = Set {
        x: &[9.0, 14.0, 21.0, 28.0, 42.0, 57.0, 63.0, 70.0, 79.0],
        y: &[8.93, 10.80, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08],
        model: |x, b| b[0] / (1.0 + (b[1] - b[2] * x).exp()),
        certified: &[
            (72.462237576, 1.7340283401),
            (2.6180768402, 8.8295217536e-2),
            (0.067359200066, 3.4465663377e-3),
        ],
        squares: 8.0565229338,
    };
    set.check_from(&[100.0, 1.0, 0.1], 1e-6, 1e-4);
    set.check_from(&[75.0, 2.5, 0.07], 1e-6, 1e-4);
}

#[test]
fn mgh09() {
    let set = Set {
        x: &[
            4.0, 2.0, 1.0, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625,
        ],
        y: &[
            0.1957, 0.1947, 0.1735, 0.16, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246,
        ],
        model: |x, b| b[0] * (x * x + x * b[1]) / (x * x + x * b[2] + b[3]),
        certified: &[
            (0.19280693458, 1.1435312227e-2),
            (0.19128232873, 0.19633220911),
            (0.12305650693, 8.0842031232e-2),
            (0.13606233068, 9.0025542308e-2),
        ],
        squares: 3.0750560385e-4,
    };
    set.check_from(&[0.25, 0.39, 0.415, 0.39], 1e-5, 1e-4);
    set.check_from(&[25.0, 39.0, 41.5, 39.0], 1e-5, 1e-4);
}

/// The sandwich covariance against the dense formula, for a parabola through correlated points.
#[test]
fn correlated_residuals() {
    let s: Vec<f64> = (0..40).map(|i| 0.5 * f64::from(i)).collect();
    let sd: Vec<f64> = s.iter().map(|s| 0.1 + 0.01 * s).collect();
    let model = |b: &DVector<f64>, r: &mut DVector<f64>| {
        for (i, s) in s.iter().enumerate() {
            r[i] = b[0] + b[1] * s + b[2] * s * s - (0.3 * s).sin();
        }
    };
    let size = [1.0; 3];
    let found = minimise(
        &[0.0; 3],
        &size,
        40,
        numeric(&size, model),
        &LmOptions::default(),
    )
    .unwrap();
    let got = found.covariance_correlated(&s, &sd, 3.0);
    let c = DMatrix::from_fn(40, 40, |i, j| {
        sd[i] * sd[j] * (-(s[i] - s[j]).abs() / 3.0).exp()
    });
    let gain = &found.covariance * found.jacobian.transpose();
    let expected = &gain * c * gain.transpose();
    assert!((got - &expected).amax() < 1e-9 * expected.amax());
}

/// Points exactly on the form, and unknowns that are exactly zero, settle too.
#[test]
fn nothing_left_over() {
    let model = |b: &DVector<f64>, r: &mut DVector<f64>| {
        for i in 0..r.len() {
            let x = i as f64;
            r[i] = b[0] + b[1] * x + b[2] * x * x - 2.0 * x;
        }
    };
    let size = [1.0; 3];
    for start in [[0.0, 2.0, 0.0], [0.3, 1.0, -0.2], [0.0; 3]] {
        let found = minimise(
            &start,
            &size,
            9,
            numeric(&size, model),
            &LmOptions::default(),
        )
        .unwrap();
        for (b, expected) in found.at.iter().zip([0.0, 2.0, 0.0]) {
            assert!((b - expected).abs() < 1e-9);
        }
    }
}

#[test]
fn refusals() {
    let line = |b: &DVector<f64>, r: &mut DVector<f64>| r.fill(b[0] + b[1] - 1.0);
    let size = [1.0; 2];
    let fit = |count| {
        minimise(
            &[0.0, 0.0],
            &size,
            count,
            numeric(&size, line),
            &LmOptions::default(),
        )
    };
    assert!(matches!(fit(1), Err(LmError::TooFew { .. })));
    // Two unknowns that only count as a sum.
    assert!(
        matches!(fit(5), Err(LmError::Undetermined { .. })),
        "{:?}",
        fit(5)
    );
    let lost = |_: &DVector<f64>, r: &mut DVector<f64>| r.fill(f64::NAN);
    let found = minimise(
        &[0.0],
        &[1.0],
        3,
        numeric(&size, lost),
        &LmOptions::default(),
    );
    assert_eq!(found, Err(LmError::BadStart));
    // No least value: falls forever.
    let endless = |b: &DVector<f64>, r: &mut DVector<f64>| r.fill((-b[0]).exp());
    let found = minimise(
        &[0.0],
        &[1.0],
        3,
        numeric(&size, endless),
        &LmOptions::default(),
    );
    assert!(found.is_err(), "{found:?}");
}
