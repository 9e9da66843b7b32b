//! Tests of the whole: the built program, the pictures, the order of the modules. One crate, so that the program is
//! linked once.

mod cards;
mod cli;
mod coverage;
mod golden;
mod layers;
mod pictures;
mod scratch;
mod straightedge;
