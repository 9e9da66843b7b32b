//! The camera's lens: Brown–Conrady model and the lens file.

pub mod model;

pub use model::Lens;

/// A lens file as read.
#[derive(Debug, Clone)]
pub struct LensFile {
    /// The lens.
    pub lens: Lens,
}

/// Why a lens file can't be used.
#[derive(Debug, thiserror::Error)]
pub enum LensError {
    /// Not a lens file.
    #[error("This is not a lens file: {0}.")]
    File(String),
}

/// A lens file from its text.
///
/// # Errors
/// [`LensError::File`].
pub fn read(json: &str) -> Result<LensFile, LensError> {
    let value: serde_json::Value =
        serde_json::from_str(json).map_err(|e| LensError::File(e.to_string()))?;
    let side = |name: &str| value[name].as_u64().unwrap_or(0) as usize;
    Ok(LensFile {
        lens: Lens::pinhole(
            side("width"),
            side("height"),
            value["fx"].as_f64().unwrap_or(1.0),
        ),
    })
}
