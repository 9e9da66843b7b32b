//! Tests of the whole: the built program, the pictures, the order of the modules. One crate, so that the program is
//! linked once.

mod cards;
mod cli;
mod coverage;
mod golden;
mod layers;
mod lens;
mod partner;
mod pictures;
mod radii;
mod scratch;
mod shots;
mod sides;
mod straightedge;
