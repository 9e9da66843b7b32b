//! fairpanel: car bodywork measured from phone photos.
//!
//! One way through: photo → card and lens → trace → millimetres → fit → verdict → report. A module may use only
//! the modules listed above it here; `tests/it/layers.rs` holds this order.

pub mod units;
pub mod solve;
pub mod sheet;
pub mod photo;
pub mod card;
pub mod lens;
pub mod trace;
pub mod scale;
pub mod fit;
pub mod budget;
pub mod verdict;
pub mod check;
pub mod report;
pub mod cli;
pub mod sim;
