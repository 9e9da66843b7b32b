//! The checks: each strings together photo, card, trace, scale and fit into one result of plain data.

pub mod gauge;
pub mod lens;
pub mod line;
pub mod lows;
pub mod partner;
pub mod radii;
pub mod section;
pub mod straightedge;

use crate::area::AreaError;
use crate::budget::BudgetPart;
use crate::card::{Card, CardError, Layout};
use crate::fit::FitError;
use crate::lens::{LensError, LensFile};
use crate::photo::{Photo, PhotoError};
use crate::scale::{Assume, Printed, Scale, ScaleError, solve};
use crate::trace::TraceError;
use crate::verdict::{Verdict, VerdictError};
use serde::{Deserialize, Serialize};
use thiserror::Error;

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

/// What every result begins with.
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
#[derive(Debug, Clone, Default)]
pub struct Setup {
    /// Card layouts to look for, first card first; `None`: every built-in one that is present.
    pub layouts: Option<Vec<Layout>>,
    /// The lens file, if any.
    pub lens: Option<LensFile>,
    /// Measured lengths of the printed check bars along x and y, mm.
    pub printed: Option<(f64, f64)>,
    /// Sagitta of the panel's bow on a chord of 1 m, a 95% half-width, mm; `None`: [`crate::scale::solve::BOW_U95_MM`].
    pub bow_mm: Option<f64>,
}

/// Why a photo can't be measured.
#[derive(Debug, Error)]
pub enum CheckError {
    /// The photo.
    #[error(transparent)]
    Photo(#[from] PhotoError),
    /// The cards.
    #[error(transparent)]
    Card(#[from] CardError),
    /// The lens file.
    #[error(transparent)]
    Lens(#[from] LensError),
    /// The scale.
    #[error(transparent)]
    Scale(#[from] ScaleError),
    /// The trace.
    #[error(transparent)]
    Trace(#[from] TraceError),
    /// The area.
    #[error(transparent)]
    Area(#[from] AreaError),
    /// The straightedge.
    #[error(transparent)]
    Straightedge(#[from] straightedge::StraightedgeError),
    /// The section.
    #[error(transparent)]
    Section(#[from] section::SectionError),
    /// The fit.
    #[error(transparent)]
    Fit(#[from] FitError),
    /// The stations.
    #[error(transparent)]
    Stations(#[from] radii::StationsError),
    /// The verdict.
    #[error(transparent)]
    Verdict(#[from] VerdictError),
    /// Photos that can't be joined.
    #[error(transparent)]
    Joint(#[from] crate::scale::joint::JointError),
    /// Photos to be joined that differ in lens, size or orientation.
    #[error(
        "photo {photo} was taken with another camera, zoom, size or way of holding the phone than the first; take all photos of one line in one go, the phone held alike"
    )]
    Unlike {
        /// Its number in the order given, from 1.
        photo: usize,
    },
    /// Two sides that can't be compared.
    #[error(transparent)]
    Partner(#[from] partner::PartnerError),
    /// The calibration of a lens.
    #[error(transparent)]
    Calibration(#[from] lens::LensCheckError),
}

/// Length of the printed check bars, mm; a rule reads them to 0.2 mm at 95% (half a division of 0.5 mm at each end; common
/// practice, no source).
pub const CHECK_BAR_MM: f64 = 100.0;
const RULE_U95_MM: f64 = 0.2;

impl Setup {
    /// Finds the cards of a photo: those asked for, in that order, or every built-in one, first id rising.
    ///
    /// # Errors
    /// [`CheckError::Card`].
    pub fn cards(&self, photo: &Photo) -> Result<Vec<Card>, CheckError> {
        let found = match &self.layouts {
            Some(layouts) => crate::card::find(photo, layouts)?,
            None => crate::card::find(photo, &crate::card::layout::built_in())?,
        };
        Ok(found)
    }

    /// What is taken as known for a photo, and what the user should know about that.
    ///
    /// # Errors
    /// [`CheckError::Lens`] when the lens file is of another camera shape.
    pub fn assume(&self, photo: &Photo) -> Result<(Assume, Vec<String>), CheckError> {
        let facts = &photo.facts;
        let mut warnings = facts.warnings.clone();
        let mut lens_doubt = false;
        let lens = match &self.lens {
            Some(file) => {
                if let Some(why) = other_lens(file, photo) {
                    warnings.push(format!(
                        "{why}; the lens file's values are kept but trusted less"
                    ));
                    lens_doubt = true;
                }
                Some(file.upright(facts.stored_width, facts.stored_height, facts.orientation)?)
            }
            None => {
                warnings.push(
                    "measured without a lens file: the ± covers an ordinary phone's lens; `fairpanel lens` on a dozen photos of the printed board makes it several times smaller"
                        .into(),
                );
                None
            }
        };
        let printed = match self.printed {
            Some((x, y)) => Printed {
                ratio_x: x / CHECK_BAR_MM,
                ratio_y: y / CHECK_BAR_MM,
                u95: RULE_U95_MM / CHECK_BAR_MM,
            },
            None => Printed::default(),
        };
        let assume = Assume {
            printed,
            bow_u95_mm: self.bow_mm.unwrap_or(crate::scale::solve::BOW_U95_MM),
            axis_rad: None,
            lens,
            lens_doubt,
            focal_px: focal_px(photo),
            width: photo.width,
            height: photo.height,
        };
        Ok((assume, warnings))
    }
}

/// Focal length that EXIF's 35 mm equivalent means, px.
///
/// The equivalent is stated by the picture's diagonal (CIPA DCG-001, from memory) or by its width; the two differ by 4% for
/// a 4:3 sensor, and the middle of both is taken. It usually has a digital zoom in it already.
fn focal_px(photo: &Photo) -> Option<f64> {
    let f35 = photo.facts.focal_35mm.filter(|f| *f > 5.0 && *f < 2000.0)?;
    let (w, h) = (
        photo.width.max(photo.height) as f64,
        photo.width.min(photo.height) as f64,
    );
    let by_width = f35 / 36.0 * w;
    let by_diagonal = f35 / 36f64.hypot(24.0) * w.hypot(h);
    Some(0.5 * (by_width + by_diagonal))
}

/// Whether the photo tells that another lens, or zoom, took it than the lens file's.
fn other_lens(file: &LensFile, photo: &Photo) -> Option<String> {
    let facts = &photo.facts;
    if let (Some(a), Some(b)) = (&file.camera, &facts.camera)
        && a.trim() != b.trim()
    {
        return Some(format!(
            "the lens file is of camera '{}', the photo of '{}'",
            a.trim(),
            b.trim()
        ));
    }
    let differ = |a: Option<f64>, b: Option<f64>| matches!((a, b), (Some(a), Some(b)) if (a / b - 1.0).abs() > 0.02);
    if differ(file.focal_mm, facts.focal_mm) || differ(file.focal_35mm, facts.focal_35mm) {
        return Some(
            "the photo was taken with another lens of the phone than the lens file's".into(),
        );
    }
    let zoom = facts.zoom.unwrap_or(1.0);
    let own = file.zoom.unwrap_or(1.0);
    if zoom > 0.0 && own > 0.0 && (zoom / own - 1.0).abs() > 0.01 {
        return Some(format!(
            "the photo was taken at zoom {zoom:.1}, the lens file at {own:.1}"
        ));
    }
    None
}

/// Solves the scale and says what the user should know about it.
///
/// # Errors
/// [`CheckError::Scale`].
pub fn scale(
    cards: &[Card],
    assume: &Assume,
    warnings: &mut Vec<String>,
) -> Result<Scale, CheckError> {
    let scale = solve(cards, assume)?;
    let off = cards
        .iter()
        .find_map(|card| Some((card, crate::scale::misfit::misfit_px(card, assume)?)));
    if let Some((card, off)) = off {
        let text = format!(
            "the corners of card '{}' lie {off:.2} px off where a flat card shows through this lens file: the card is bent, or the file belongs to another phone, lens or zoom; the ± can't be relied on until you have checked both",
            card.layout.name
        );
        if !warnings.contains(&text) {
            warnings.push(text);
        }
    }
    for name in &scale.apart {
        let scant =
            |c: &&Card| c.layout.name == *name && c.corners.len() < crate::scale::solve::NEED;
        let text = match cards.iter().find(scant) {
            Some(card) => format!(
                "only {} corners of card '{name}' are seen and it was left out",
                card.corners.len()
            ),
            None => format!(
                "card '{name}' does not lie on the same panel as the first and was left out"
            ),
        };
        if !warnings.contains(&text) {
            warnings.push(text);
        }
    }
    Ok(scale)
}

/// The cards as a result tells of them.
pub fn cards_seen(cards: &[Card], scale: &Scale) -> Vec<CardSeen> {
    cards
        .iter()
        .filter(|c| !scale.apart.contains(&c.layout.name))
        .zip(&scale.rms_px)
        .map(|(c, rms)| CardSeen {
            name: c.layout.name.clone(),
            corners: c.corners.len(),
            rms_px: *rms,
        })
        .collect()
}
