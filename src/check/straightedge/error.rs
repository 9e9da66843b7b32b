//! Why no light gap can be read.

use thiserror::Error;

/// What is wrong with the photo, and how to take a better one.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum StraightedgeError {
    /// Nothing straight stands near the card.
    #[error(
        "no straightedge on a panel is seen near the card; stand it on the panel, photograph it from the side with the gap across the whole picture, or tap points along the gap with --near"
    )]
    NoGap,
    /// Nothing straight near the points given.
    #[error(
        "no straightedge stands near the points given with --near; give points along the gap, at least two, far apart"
    )]
    NoGapNear,
    /// Points at one place.
    #[error(
        "the points given with --near lie at one place; give two or more along the gap, far apart"
    )]
    PointsTogether,
    /// Two lines look the same.
    #[error(
        "two edges {apart_mm:.0} mm apart may be the straightedge's; say which with --near x1,y1,x2,y2 along the gap"
    )]
    TwoEdges {
        /// How far apart, mm.
        apart_mm: f64,
    },
    /// Too little of it to say anything.
    #[error(
        "only {length_mm:.0} mm of the straightedge can be seen; at least {need_mm:.0} mm are needed. Step back, and keep card and hands off the gap"
    )]
    TooShort {
        /// What is seen, mm.
        length_mm: f64,
        /// What is needed, mm.
        need_mm: f64,
    },
    /// The edges can't be told apart from the surfaces.
    #[error(
        "the gap can't be told from the straightedge and the panel; put a light cloth or a lamp behind it, so that it stands out"
    )]
    Faint,
    /// Too wide for a light gap.
    #[error(
        "the gap opens to {opens_mm:.0} mm: across a swage measure with --across; on an even panel lay the straightedge on it so that it touches"
    )]
    Wide {
        /// How wide, mm.
        opens_mm: f64,
    },
    /// The panel beside the place it touches doesn't show.
    #[error(
        "no corner between two flanks is seen, and the panel's edge under {shown_mm:.0} of {length_mm:.0} mm of the straightedge; put something light or dark behind that differs from both, with the panel's edge free to both sides of the swage"
    )]
    NoFlanks {
        /// How much of the straightedge has it, mm.
        shown_mm: f64,
        /// The straightedge's length in the picture, mm.
        length_mm: f64,
    },
    /// What was followed is no swage.
    #[error(
        "the edge below the straightedge leaves the form of a swage by {off_mm:.0} mm: something else was followed; clear what stands behind, or tap points along the straightedge's edge with --near"
    )]
    Astray {
        /// Distance from the best form, mm.
        off_mm: f64,
    },
    /// The card's plane runs through the camera.
    #[error(
        "the plane of the card is hardly in the picture; hold the card beside the gap, facing the camera"
    )]
    OffPlane,
    /// The two photos of a rule turned over don't show the same.
    #[error(
        "the two photos show {first_mm:.0} mm and {second_mm:.0} mm of the straightedge; take both with all of it in the picture"
    )]
    NotTheSame {
        /// Length in the first, mm.
        first_mm: f64,
        /// Length in the second, mm.
        second_mm: f64,
    },
}
