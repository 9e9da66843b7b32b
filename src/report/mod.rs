//! A result as JSON, plain text, a marked photo and a plot. Nothing here measures.

mod canvas;
mod caution;
mod drawing;
mod font;
pub mod json;
mod labels;
pub mod lens;
pub mod lows;
pub mod overlay;
pub mod partner;
pub mod plot;
pub mod radii;
pub mod radii_overlay;
pub mod radii_plot;
mod scene;
pub mod section_picture;
pub mod section_text;
pub mod shop;
mod shrink;
pub mod skim_sheet;
pub mod straightedge;
pub mod text;
mod vector;
pub mod words;
