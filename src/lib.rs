//! fairpanel: car bodywork measured from phone photos.
//!
//! One way through: photo → card and lens → trace → millimetres → fit → verdict → report. A module may use only
//! the modules listed above it here; `tests/it/layers.rs` holds this order.

pub mod budget;
pub mod card;
pub mod check;
pub mod cli;
pub mod fit;
pub mod lens;
pub mod photo;
pub mod report;
pub mod scale;
pub mod sheet;
pub mod sim;
pub mod solve;
pub mod trace;
pub mod units;
pub mod verdict;
