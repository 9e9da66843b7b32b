//! Small numerical tools on plain numbers: banded systems, cheapest paths, least squares with covariance, robust
//! weights, correlated noise. They know nothing of photos, files or units.

#![cfg_attr(test, allow(clippy::unwrap_used))]

pub mod banded;
pub mod correlated;
pub mod lm;
pub mod noise;
pub mod path;
pub mod random;
pub mod robust;
pub mod sample;
pub mod simplex;
pub mod student;
pub mod wander;

#[cfg(test)]
mod nist;
#[cfg(test)]
pub(crate) mod testset;
