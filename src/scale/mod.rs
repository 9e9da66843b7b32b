//! Pixels to millimetres on a bowed panel, with where the uncertainty comes from.
//!
//! All cards of a photo lie on one panel, so one adjustment answers everything at once: where the camera stood, how the
//! panel bows along the swage, where each card lies on it, and (in as far as it isn't known) what lens took the photo.
//! What is known beforehand (lens file, an ordinary phone's lens, how far panels bow, how true printers print) enters as
//! one more observation, so that the posterior covariance splits exactly by source. Method: weighted least squares with
//! prior information (JCGM 100:2008 and 102:2011 in spirit; the textbook form is 'bundle adjustment').
//!
//! - [`surface`]: the panel as a developable surface, bowed along one axis;
//! - [`adjust`]: the damped Gauss–Newton adjustment and its covariance by source;
//! - [`solve`]: cards and lens to a [`Scale`];
//! - [`carry`]: points with their covariance to millimetres;
//! - [`misfit`]: whether the lens file can be this lens's;
//! - [`joint`]: several photos of one panel in one adjustment;
//! - [`suppose`]: what another photo of the same panel would tell;
//! - [`cover`]: what the cards hide.

pub mod adjust;
pub mod carry;
pub mod chord;
pub mod cover;
pub mod homography;
pub mod joint;
pub mod misfit;
pub mod solve;
pub mod suppose;
pub mod surface;

pub use carry::Placed;
pub use solve::{Assume, Printed, Scale, ScaleError, solve};
