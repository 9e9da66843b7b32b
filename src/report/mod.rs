//! A result as JSON, plain text, a marked photo and a plot. Nothing here measures.

pub mod json;
pub mod text;
pub mod words;
