//! Published point sets that several tests share.

pub(crate) use crate::solve::testset::{NORRIS_X, NORRIS_Y, THERMOMETER};
use crate::units::Mm;

/// Pearson 1901, "On lines and planes of closest fit": x and y.
pub(crate) const PEARSON: ([f64; 10], [f64; 10]) = (
    [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4],
    [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5],
);

/// Anscombe 1973: the x of sets I to III, and their y.
pub(crate) const ANSCOMBE: ([f64; 11], [[f64; 11]; 3]) = (
    [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0],
    [
        [
            8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68,
        ],
        [
            9.14, 8.14, 8.74, 8.77, 9.26, 8.10, 6.13, 3.10, 9.13, 7.26, 4.74,
        ],
        [
            7.46, 6.77, 12.74, 7.11, 7.81, 8.84, 6.08, 5.39, 8.15, 6.42, 5.73,
        ],
    ],
);

/// Points from two lists.
pub(crate) fn mm(x: &[f64], y: &[f64]) -> Vec<Mm> {
    x.iter().zip(y).map(|(&x, &y)| Mm::new(x, y)).collect()
}
