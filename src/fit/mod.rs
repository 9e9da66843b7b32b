//! Forms fitted to points on the card's plane: line, minimum zone, arc, fair curve, section, registration. Millimetres
//! in, millimetres out; where the points came from is not known here.

#![cfg_attr(test, allow(clippy::unwrap_used))]

pub mod arc;
pub mod compound;
pub mod corner;
pub mod fair;
pub mod line;
pub mod register;
pub mod section;
pub mod zone;
pub mod zone_noise;

use thiserror::Error;

/// Why a form could not be fitted.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum FitError {
    /// Fewer points than the form has freedoms.
    #[error(
        "Only {found} points of the line could be read; {needed} are needed. Step closer, or put the card where more of the line is in view."
    )]
    TooFew {
        /// Points given.
        found: usize,
        /// Points needed.
        needed: usize,
    },
    /// The points lie in one place.
    #[error(
        "The points of the line lie within {span_mm:.4} mm of each other: no length to measure. Show more of the line."
    )]
    NoLength {
        /// Their extent, mm.
        span_mm: f64,
    },
    /// A coordinate, distance or noise is not a number.
    #[error(
        "Point {index} of the line has no usable place. Take the photo again, sharper and without glare."
    )]
    NotFinite {
        /// Its index.
        index: usize,
    },
    /// Two lists that belong together have different lengths.
    #[error("{values} values were given for {points} points.")]
    Unmatched {
        /// Number of points.
        points: usize,
        /// Number of values.
        values: usize,
    },
    /// Places along the line do not rise.
    #[error("The points do not run in order along the line (at point {index}).")]
    NotRising {
        /// First point that does not lie beyond the one before.
        index: usize,
    },
    /// An option that makes no sense.
    #[error("{what} must be above zero and below {most}; {value} was given.")]
    OutOfRange {
        /// The option, in words.
        what: &'static str,
        /// What was given.
        value: f64,
        /// The largest that makes sense.
        most: f64,
    },
    /// The shape does not hold the form well enough to tell its size.
    #[error(
        "The outline does not hold a {form} well enough to measure it. Show more of it, in sharper light against a plain ground."
    )]
    Unsteady {
        /// The form, in words.
        form: &'static str,
    },
}

/// First point that is not finite, as an error.
fn all_finite(points: &[crate::units::Mm]) -> Result<(), FitError> {
    match points
        .iter()
        .position(|p| !(p.0.x.is_finite() && p.0.y.is_finite()))
    {
        Some(index) => Err(FitError::NotFinite { index }),
        None => Ok(()),
    }
}

/// First place that does not lie beyond the one before, as an error.
fn rising(s: &[f64]) -> Result<(), FitError> {
    let beyond = |pair: &[f64]| pair[1] > pair[0];
    // NaN lies beyond nothing.
    match s.windows(2).position(|pair| !beyond(pair)) {
        Some(index) => Err(FitError::NotRising { index: index + 1 }),
        None => Ok(()),
    }
}

#[cfg(test)]
pub(crate) mod testset;
