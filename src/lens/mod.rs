//! The camera's lens: Brown–Conrady model and the lens file.

pub mod model;

pub use model::Lens;
