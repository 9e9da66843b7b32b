//! A result as JSON, plain text, a marked photo and a plot. Nothing here measures.

mod canvas;
mod drawing;
mod font;
pub mod json;
mod labels;
pub mod overlay;
pub mod plot;
mod scene;
pub mod section_picture;
pub mod section_text;
mod shrink;
pub mod text;
mod vector;
pub mod words;
