//! fairpanel: car bodywork measured from phone photos.
//!
//! One way through: photo → card and lens → trace → millimetres → fit → verdict → report. A module may use only the
//! modules above it in this list; a test (`tests/it/layers.rs`) reads the list and the sources and holds them to it.
//!
//! - `units`: places in a photo and on a card, measured figures;
//! - `solve`: least squares with covariance, robust weights, banded systems, cheapest paths;
//! - `sheet`: true-size drawings in mm and their writers;
//! - `photo`: intake, planes in linear light;
//! - `card`: layouts, finding them, printing them;
//! - `lens`: the lens model and its file;
//! - `trace`: from pixels to points of an edge;
//! - `budget`: the parts of an uncertainty;
//! - `scale`: pixels to card millimetres with covariance;
//! - `area`: an area seen square on, its light and what lies in it;
//! - `fit`: lines, minimum zones, arcs, fair curves;
//! - `verdict`: within, outside, can't tell;
//! - `check`: the checks, each from a photo to a result;
//! - `report`: a result as JSON, text, marked photo, plot;
//! - `cli`: the command line;
//! - `sim`: made-up photos with known truth, for tests, benches and examples only.

pub mod area;
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
