//! `fairpanel straightedge`: the light gap under a straightedge, on one photo or many.

use super::args;
use super::common::Common;
use super::exit::{Ending, Failure};
use super::photos::{self, Photos, Place};
use crate::check::section::SectionResult;
use crate::check::straightedge::{
    StraightedgeOptions, StraightedgeResult, measure, measure_across, measure_turned,
};
use crate::photo::Photo;
use crate::report::straightedge as report;
use clap::Args;
use std::path::PathBuf;

/// Leads the help page.
const EXAMPLES: &str = "\
Examples:
  fairpanel straightedge door.jpg
  fairpanel straightedge door.jpg --out result --tol 0.5
  fairpanel straightedge door.jpg --near 300,1060,1500,1090 --lens phone.json
  fairpanel straightedge door.jpg --turned door-turned.jpg
  fairpanel straightedge swage.jpg --across --want 12 --tol 1 --out station";

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

    /// It lies square across a swage: the panel's edge under it is measured as a section, with radius and turn
    #[arg(long, conflicts_with = "turned")]
    across: bool,

    /// Radius wanted of the swage, in mm: with --across and --tol the difference is judged, not the gap
    #[arg(long, value_name = "MM", value_parser = args::length_mm, allow_hyphen_values = true, requires_all = ["across", "tol"])]
    want: Option<f64>,
}

/// Files beside the answer, the section's among them.
const ACROSS: &[&str] = &[
    "overlay.png",
    "section.png",
    "section.json",
    "section.svg",
    "section.dxf",
    "section.csv",
];

/// The section as an answer of its own, for `radii`, `gauge` and `partner`, with its pictures.
fn section_files(photo: &Photo, section: &SectionResult, place: Place) -> Result<(), Failure> {
    let json = serde_json::to_vec_pretty(section).map_err(|e| Failure::Output(e.to_string()))?;
    place.put("section.json", &json)?;
    super::section::drawn(photo, section, "section.png", place)
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
        files: if args.across {
            ACROSS
        } else {
            &["overlay.png"]
        },
        head: |result: &StraightedgeResult| &result.head,
        words: report::words,
        short: report::short_words,
    };
    photos::run(&photos, |path, place| {
        let photo = photos::open(path)?;
        let result = match &args.turned {
            Some(turned) => measure_turned(&photo, &photos::open(turned)?, &setup, &options),
            None if args.across => measure_across(&photo, &setup, &options, args.want),
            None => measure(&photo, &setup, &options),
        }
        .map_err(|reason| photos::refused(path, reason))?;
        if let Some(place) = place {
            place.put("overlay.png", &report::png(&photo, &result))?;
            if let Some(section) = &result.section {
                section_files(&photo, section, place)?;
            }
        }
        Ok(result)
    })
}
