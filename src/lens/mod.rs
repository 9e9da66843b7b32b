//! The camera's lens: Brown–Conrady model and the lens file.

pub mod file;
pub mod model;
pub mod opencv;

pub use file::{LensError, LensFile, UprightLens, mirrored, stored_place, upright_place};
pub use model::Lens;
