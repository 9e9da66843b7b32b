//! `fairpanel straightedge`: the light gap under a straightedge, on one photo or many.

use super::common::Common;
use super::exit::{Ending, Failure};
use super::photos::{self, Photos};
use crate::check::straightedge::{
    StraightedgeOptions, StraightedgeResult, measure, measure_turned,
};
use crate::report::straightedge as report;
use clap::Args;
use std::path::PathBuf;

/// Leads the help page.
const EXAMPLES: &str = "\
Examples:
  fairpanel straightedge door.jpg
  fairpanel straightedge door.jpg --out result --tol 0.5
  fairpanel straightedge door.jpg --near 300,1060,1500,1090 --lens phone.json
  fairpanel straightedge door.jpg --turned door-turned.jpg";

/// Read the light gap under a straightedge, how it rests and what closes the gap
///
/// The straightedge stands on the panel and is photographed from the side, level with the gap, with a printed scale card in
/// the plane of the gap: clamped to the straightedge or stuck to the panel below it. Something light or dark behind the
/// gap makes it show. Exit code: 0 measured (and within --tol), 1 outside or can't tell, 2 wrong usage, 3 the photo can't
/// be measured.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub struct StraightedgeArgs {
    /// Photos: JPEG, PNG, TIFF or WebP
    #[arg(required = true, value_name = "PHOTO")]
    photos: Vec<PathBuf>,

    #[command(flatten)]
    common: Common,

    /// A second photo of the same place with the straightedge turned over, its back to the panel and the same end to the left:
    /// its own error then drops out
    #[arg(long, value_name = "PHOTO")]
    turned: Option<PathBuf>,
}

/// Runs the check.
///
/// # Errors
/// [`Failure`], with nothing on stdout.
pub fn run(args: &StraightedgeArgs) -> Result<Ending, Failure> {
    let setup = args.common.setup(0.0)?;
    let options = StraightedgeOptions {
        near: args
            .common
            .near
            .clone()
            .map(|points| points.0)
            .unwrap_or_default(),
        tol_mm: args.common.tol,
    };
    if args.turned.is_some() && args.photos.len() > 1 {
        return Err(Failure::Usage(
            "--turned goes with one photo: give the photo and the one with the straightedge turned over.".to_string(),
        ));
    }
    let photos = Photos {
        check: "straightedge",
        paths: &args.photos,
        common: &args.common,
        files: &["overlay.png"],
        head: |result: &StraightedgeResult| &result.head,
        words: report::words,
        short: report::short_words,
    };
    photos::run(&photos, |path, place| {
        let photo = photos::open(path)?;
        let result = match &args.turned {
            Some(turned) => measure_turned(&photo, &photos::open(turned)?, &setup, &options),
            None => measure(&photo, &setup, &options),
        }
        .map_err(|reason| photos::refused(path, reason))?;
        if let Some(place) = place {
            place.put("overlay.png", &report::png(&photo, &result))?;
        }
        Ok(result)
    })
}
