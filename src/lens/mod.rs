//! The camera's lens: Brown–Conrady model and the lens file.

pub mod file;
pub mod model;

pub use file::{LensError, LensFile, UprightLens};
pub use model::Lens;
