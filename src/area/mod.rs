//! An area seen square on: the filled area of a repair, its light, and what lies in it.
//!
//! - [`plan`]: the photo on an even grid of card millimetres;
//! - [`repair`]: the outline of the filled area;
//! - [`light`]: how bright level filler is at every place, shadow and glare told apart (`coarse` cells, the smooth fall over
//!   them in `bowl`, `shadow`, the local `level`);
//! - [`classes`]: coat, show-through, level;
//! - [`mask`], [`soft`]: sets of cells, smoothing.

mod bowl;
pub mod classes;
mod coarse;
mod level;
pub mod light;
pub mod mask;
pub mod plan;
pub mod repair;
mod shadow;
pub mod soft;

use thiserror::Error;

/// Middle value (of an even number the upper one); `None` of none.
fn median(values: impl IntoIterator<Item = f32>) -> Option<f32> {
    let mut list: Vec<f32> = values.into_iter().collect();
    let half = list.len() / 2;
    (!list.is_empty()).then(|| *list.select_nth_unstable_by(half, f32::total_cmp).1)
}

/// Why an area can't be judged.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum AreaError {
    /// The photo holds no colours to speak of (a grey picture).
    #[error(
        "this is a grey picture: coat and show-through are told apart by colour. Take the photo in colour"
    )]
    Grey,
    /// No filled area.
    #[error(
        "no filled area with a rim round it was found: have the whole repair in the photo, in even light, or give its outline with --area x,y,x,y,x,y"
    )]
    NoRepair,
    /// The outline given is no area.
    #[error(
        "the outline given with --area is no area on the panel: give three or more points round the repair, in order"
    )]
    NoOutline,
    /// The repair is cut off by the photo's edge, covered, or too small.
    #[error(
        "too little of the repair can be seen: step back or come closer until it fills a third of the photo, and lay the card beside it, not on it"
    )]
    TooLittle,
    /// Light so uneven that no level can be told.
    #[error(
        "the light on the repair is too broken to tell level filler from shadow: turn the lamp, or take the photo from another side"
    )]
    Light,
    /// The sample points are not on the repair, or alike.
    #[error(
        "the samples given with --coat and --ground look alike or lie off the repair: tap the middle of a dark patch, and bare filler beside it"
    )]
    Samples,
    /// A ray misses the panel.
    #[error("the photo looks along the panel: hold the camera square to it")]
    OffPanel,
}
