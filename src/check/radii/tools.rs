//! The rods and blocks a workshop owns, and what a tool of another radius than the swage leaves standing.
//!
//! With turn angle φ a tool of radius r_t on a swage of radius r misses the middle of the arc by
//! |r - r_t| (1 / cos(φ/2) - 1): both arcs touch the same two flanks, and the corner lies r (1 / cos(φ/2) - 1) beyond an arc's
//! middle. In a root a tool of larger radius than the swage's doesn't reach the bottom.

#![cfg_attr(test, allow(clippy::unwrap_used))]

use serde::{Deserialize, Serialize};
use thiserror::Error;

/// A tool as the user's list names it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tool {
    /// What it is called in the workshop.
    pub name: String,
    /// Rod or block, with its size.
    #[serde(flatten)]
    pub shape: Shape,
    /// Thickness of the paper (and pad) wrapped round it, mm.
    #[serde(default)]
    pub paper_mm: f64,
}

/// Rod or block.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Shape {
    /// A round rod or pipe.
    Rod {
        /// Outer diameter, mm.
        diameter_mm: f64,
    },
    /// A block with a rounded face.
    Block {
        /// Radius of the face, mm.
        radius_mm: f64,
    },
}

/// A list of tools.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tools {
    /// The tools, in any order.
    pub tools: Vec<Tool>,
}

/// Why a list of tools can't be used.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ToolsError {
    /// Not the form that is read.
    #[error(
        "it is not a list of tools: {reason}. It reads {{\"tools\": [{{\"name\": \"rod 12\", \"kind\": \"rod\", \"diameter_mm\": 12, \"paper_mm\": 0.4}}]}}"
    )]
    Form {
        /// What the reader said.
        reason: String,
    },
    /// No tool in it.
    #[error("there is no tool in it; list at least one rod or block")]
    Empty,
    /// A size that can't be.
    #[error(
        "the size of '{name}' can't be: a diameter or radius above zero and a paper of zero or more are needed, in mm"
    )]
    Size {
        /// Name of the tool.
        name: String,
    },
}

/// Largest tool taken seriously, mm.
const LARGEST_MM: f64 = 1e5;

impl Tool {
    /// Radius that it sands, paper included, mm.
    pub fn radius_mm(&self) -> f64 {
        self.paper_mm
            + match self.shape {
                Shape::Rod { diameter_mm } => diameter_mm / 2.0,
                Shape::Block { radius_mm } => radius_mm,
            }
    }
}

impl Tools {
    /// Rods as shops sell them, with sanding paper of 0.4 mm round them (common practice, no source).
    pub fn common() -> Tools {
        Tools::read(include_str!("tools.json")).unwrap_or(Tools { tools: Vec::new() })
    }

    /// Reads a list of tools, JSON.
    ///
    /// # Errors
    /// [`ToolsError`].
    pub fn read(json: &str) -> Result<Tools, ToolsError> {
        let list: Tools = serde_json::from_str(json).map_err(|e| ToolsError::Form {
            reason: e.to_string(),
        })?;
        if list.tools.is_empty() {
            return Err(ToolsError::Empty);
        }
        for tool in &list.tools {
            let size = match tool.shape {
                Shape::Rod { diameter_mm } => diameter_mm,
                Shape::Block { radius_mm } => radius_mm,
            };
            let fine = size > 0.0
                && size <= LARGEST_MM
                && tool.paper_mm >= 0.0
                && tool.paper_mm <= LARGEST_MM;
            if !fine {
                return Err(ToolsError::Size {
                    name: tool.name.clone(),
                });
            }
        }
        Ok(list)
    }
}

/// How far the corner of two flanks lies beyond the middle of an arc of radius 1: 1 / cos(φ/2) - 1.
pub fn reach(turn_deg: f64) -> f64 {
    1.0 / (turn_deg.to_radians() / 2.0).cos() - 1.0
}

/// What a tool misses the middle of the arc by, mm.
pub fn miss_mm(r_mm: f64, tool_mm: f64, turn_deg: f64) -> f64 {
    (r_mm - tool_mm).abs() * reach(turn_deg)
}

/// Longest flat block whose facets on a crown of radius `crown_mm` stay `facet_mm` deep: L = √(8 R e), mm.
///
/// The chord of that sagitta is 2 √(2 R e - e²), shorter by a part in 8R/e.
pub fn flat_block_mm(crown_mm: f64, facet_mm: f64) -> f64 {
    (8.0 * crown_mm * facet_mm).sqrt()
}

/// Width of the coat left on an arc when both flanks are blocked flat, mm: the chord between the tangent points.
pub fn stripe_mm(r_mm: f64, turn_deg: f64) -> f64 {
    2.0 * r_mm * (turn_deg.to_radians() / 2.0).sin()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Computed with mpmath 1.3.0 at 50 digits from the formula, and once more as the distance between the middles of two
    /// circles tangent to the same two lines.
    #[test]
    fn miss() {
        for (r, tool, turn, expected) in [
            (6.0, 8.0, 60.0, 0.309401076759),
            (10.0, 12.7, 45.0, 0.222458940789),
            (5.0, 4.0, 90.0, 0.414213562373),
            (12.0, 10.0, 30.0, 0.0705523608202),
            (8.0, 9.5, 20.0, 0.0231399178286),
        ] {
            assert_abs_diff_eq!(miss_mm(r, tool, turn), expected, epsilon = 1e-9);
        }
    }

    /// mpmath 1.3.0, 50 digits; the exact chord stands beside it.
    #[test]
    fn flat_block() {
        for (crown, facet, expected, chord) in [
            (2000.0f64, 0.05f64, 28.2842712475, 28.2840944702),
            (11251.5, 0.1, 94.8746541496, 94.8744433449),
            (800.0, 0.02, 11.3137084990, 11.3136377881),
        ] {
            assert_abs_diff_eq!(flat_block_mm(crown, facet), expected, epsilon = 1e-9);
            let exact = 2.0 * (2.0 * crown * facet - facet * facet).sqrt();
            assert_abs_diff_eq!(exact, chord, epsilon = 1e-9);
        }
    }

    /// mpmath 1.3.0, 50 digits.
    #[test]
    fn stripe() {
        for (r, turn, expected) in [
            (5.0, 60.0, 5.0),
            (8.0, 45.0, 6.12293491784),
            (12.0, 90.0, 16.9705627485),
            (6.5, 30.0, 3.36464758633),
        ] {
            assert_abs_diff_eq!(stripe_mm(r, turn), expected, epsilon = 1e-9);
        }
    }

    /// Diameters in which round bar and pipe are commonly sold (common practice, no source).
    #[test]
    fn the_built_in_list_is_read() {
        let list = Tools::common();
        let radii: Vec<f64> = list.tools.iter().map(Tool::radius_mm).collect();
        assert_eq!(radii.len(), 10);
        assert_abs_diff_eq!(radii[0], 3.4, epsilon = 1e-12);
        assert!(radii.windows(2).all(|w| w[0] < w[1]));
    }

    #[test]
    fn lists_that_cannot_be_are_refused() {
        for json in [
            "",
            "[]",
            r#"{"tools": []}"#,
            r#"{"tools": [{"name": "a", "kind": "rod", "diameter_mm": 0, "paper_mm": 0}]}"#,
            r#"{"tools": [{"name": "a", "kind": "rod", "diameter_mm": 5, "paper_mm": -1}]}"#,
            r#"{"tools": [{"name": "a", "kind": "block", "radius_mm": 1e999, "paper_mm": 0}]}"#,
            r#"{"tools": [{"name": "a", "kind": "ball", "radius_mm": 5, "paper_mm": 0}]}"#,
        ] {
            let refused = Tools::read(json).unwrap_err().to_string();
            assert!(!refused.contains('\n') && refused.len() < 260, "{refused}");
        }
    }
}
