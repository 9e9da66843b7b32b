//! The command line: one file a subcommand.

pub mod card;
pub mod keep;
