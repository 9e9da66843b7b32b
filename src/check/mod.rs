//! The checks: each strings together photo, card, trace, scale and fit into one result of plain data.

pub mod line;

use crate::budget::BudgetPart;
use crate::verdict::Verdict;
use serde::{Deserialize, Serialize};

/// Name of the form of every answer.
pub const SCHEMA: &str = "fairpanel/1";

/// A card as a result tells of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CardSeen {
    /// Layout name.
    pub name: String,
    /// How many inner corners were used.
    pub corners: usize,
    /// Their rms residual after the fit, px.
    pub rms_px: f64,
}

/// What every result begins with (design section 7, 'all').
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Head {
    /// Always `fairpanel/1`.
    pub schema: String,
    /// Name of the check, as on the command line.
    pub check: String,
    /// Photo, as given.
    pub photo: String,
    /// Cards used, first card first.
    pub card: Vec<CardSeen>,
    /// Whether a lens file was used.
    pub lens: bool,
    /// Millimetres a pixel covers in the middle of what was measured.
    pub mm_per_px: f64,
    /// What the user should know, in workshop words.
    pub warnings: Vec<String>,
    /// Which part of u95 comes from where.
    pub budget: Vec<BudgetPart>,
    /// Verdict against `--tol`.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub verdict: Option<Verdict>,
}

/// What a photo is measured with.
#[derive(Debug, Clone)]
pub struct Setup {
    /// Card layouts to look for, first card first; `None`: every built-in one that is present.
    pub layouts: Option<Vec<crate::card::Layout>>,
    /// The lens file, if any.
    pub lens: Option<crate::lens::LensFile>,
    /// Measured lengths of the printed check bars along x and y, mm.
    pub printed: Option<(f64, f64)>,
    /// Sagitta of the panel's bow on a chord of 1 m, a 95% half-width, mm.
    pub bow_mm: f64,
}

/// Why a photo can't be measured.
#[derive(Debug, thiserror::Error)]
pub enum CheckError {
    /// The photo.
    #[error(transparent)]
    Photo(#[from] crate::photo::PhotoError),
    /// Nothing found.
    #[error(
        "No scale card found in the photo. Lay a printed card beside the line, flat and whole in the picture."
    )]
    NoCard,
}
