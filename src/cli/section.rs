//! `fairpanel section`: the shape across a swage, from a template, a comb or a cut card beside a scale card.

use super::args;
use super::common::Common;
use super::exit::{Ending, Failure};
use super::photos::{self, Photos, Place};
use crate::check::section::{BENCH_BOW_MM, SectionRequest, SectionResult, measure};
use crate::photo::Photo;
use crate::report::{section_picture, section_text};
use crate::sheet::{SheetError, dxf, svg};
use clap::Args;
use std::path::PathBuf;

/// Leads the help page.
const EXAMPLES: &str = "\
Examples:
  fairpanel section template.jpg --thickness 1.5
  fairpanel section comb.jpg --thickness 3.2 --out result
  fairpanel section gauge.jpg --thickness 1 --want 8 --tol 0.2
  fairpanel section stations/*.jpg --thickness 0.5 --lens phone.json --json";

/// Measure the shape across a swage: radius, turn and flanks of a template, contour comb or cut card
///
/// Lay the piece flat beside a printed scale card, the edge to be measured toward the card, and take the photo from
/// straight above. Exit code: 0 measured (and within --tol), 1 outside or can't tell, 2 wrong usage, 3 the photo can't be
/// measured.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub struct SectionArgs {
    /// Photos: JPEG, PNG, TIFF or WebP
    #[arg(required = true, value_name = "PHOTO")]
    photos: Vec<PathBuf>,

    #[command(flatten)]
    common: Common,

    /// Thickness of the template, in mm; of a comb the height of its pins' axes above the card
    #[arg(long, value_name = "MM", value_parser = args::length_or_zero_mm, allow_hyphen_values = true)]
    thickness: Option<f64>,

    /// Radius wanted, in mm: with --tol the difference is judged
    #[arg(long, value_name = "MM", value_parser = args::length_mm, allow_hyphen_values = true)]
    want: Option<f64>,
}

/// Runs the check.
///
/// # Errors
/// [`Failure`], with nothing on stdout.
pub fn run(args: &SectionArgs) -> Result<Ending, Failure> {
    if args.common.tol.is_some() != args.want.is_some() {
        return Err(Failure::Usage(
            "--want and --tol go together: the radius less the wanted one is judged against the tolerance.".to_string(),
        ));
    }
    let setup = args.common.setup(BENCH_BOW_MM)?;
    let request = SectionRequest {
        near: args
            .common
            .near
            .clone()
            .map(|points| points.0)
            .unwrap_or_default(),
        thickness_mm: args.thickness,
        want_mm: args.want,
        tol_mm: args.common.tol,
    };
    let photos = Photos {
        check: "section",
        paths: &args.photos,
        common: &args.common,
        files: &["overlay.png", "section.svg", "section.dxf", "section.csv"],
        head: |result: &SectionResult| &result.head,
        words: section_text::section,
        short: section_text::short_line,
    };
    photos::run_opened(
        &photos,
        |photo| measure(photo, &setup, &request),
        |photo, result, place| drawn(photo, result, "overlay.png", place),
    )
}

/// The marked photo under a name, and the profile as true-size SVG and DXF and as CSV.
///
/// # Errors
/// [`Failure::Output`].
pub fn drawn(
    photo: &Photo,
    result: &SectionResult,
    picture: &str,
    place: Place,
) -> Result<(), Failure> {
    let drawn = |error: SheetError| Failure::Output(error.to_string());
    place.put(picture, &section_picture::png(photo, result))?;
    let drawing = section_text::drawing(result).map_err(drawn)?;
    place.put(
        "section.svg",
        svg::drawing(&drawing).map_err(drawn)?.as_bytes(),
    )?;
    place.put("section.dxf", &dxf::bytes(&drawing).map_err(drawn)?)?;
    place.put("section.csv", section_text::csv(result).as_bytes())
}
