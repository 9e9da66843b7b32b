//! `fairpanel card`: a stand-in.

use super::exit::{Ending, Failure};
use clap::Args;

/// Print or list the scale cards
#[derive(Debug, Args)]
#[command(before_help = "Examples:\n  fairpanel card print\n  fairpanel card list")]
pub struct CardArgs {}

/// Nothing yet.
///
/// # Errors
/// Never.
pub fn run(_args: &CardArgs) -> Result<Ending, Failure> {
    Ok(Ending::Good)
}
