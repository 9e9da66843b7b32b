//! `fairpanel line`: how straight a swage line is, on one photo or many.

use super::args;
use super::common::{Common, small_text};
use super::exit::{Ending, Failure};
use super::photos::{self, Photos, Place};
use crate::check::line::{LineOptions, LineResult, ReferenceChoice, measure};
use crate::photo::Photo;
use crate::report::{overlay, plot, text};
use crate::units::Mm;
use clap::Args;
use std::path::{Path, PathBuf};

/// Leads the help page.
const EXAMPLES: &str = "\
Examples:
  fairpanel line examples/swage.jpg
  fairpanel line examples/swage.jpg --out result --tol 0.5
  fairpanel line examples/swage.jpg --near 300,700,1600,850 --reference fair
  fairpanel line --join sill-1.jpg sill-2.jpg sill-3.jpg --lens phone.json
  fairpanel line monday/*.jpg --lens phone.json --json";

/// Say how straight a swage line is, where it waves and what to do about it
///
/// The line shows as the edge of a tape, as the edge of guide coat sanded on one side, or as a crease between light
/// and shade, with one or more printed scale cards beside it. Exit code: 0 measured (and within --tol), 1 outside or
/// can't tell, 2 wrong usage, 3 the photo can't be measured.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub struct LineArgs {
    /// Photos: JPEG, PNG, TIFF or WebP
    #[arg(required = true, value_name = "PHOTO")]
    photos: Vec<PathBuf>,

    /// One long line in several overlapping photos: join them through the cards that neighbouring photos share
    #[arg(long)]
    join: bool,

    #[command(flatten)]
    common: Common,

    /// What to measure from: a straight line, an arc, a fair curve, or the line in an earlier result's file
    #[arg(
        long,
        value_name = "straight|arc|fair|FILE",
        default_value = "straight"
    )]
    reference: String,

    /// For the fair curve: waves shorter than this count, in mm
    #[arg(long, value_name = "MM", default_value = "400", value_parser = args::length_mm, allow_hyphen_values = true)]
    cutoff: f64,

    /// How far the panel may bow in plan on a metre of length, in mm, where the cards can't show it
    #[arg(long, value_name = "MM", default_value = "25", value_parser = args::length_or_zero_mm, allow_hyphen_values = true)]
    bow: f64,

    /// Shortest wave that is shape and not raggedness of the coat, in mm
    #[arg(long, value_name = "MM", default_value = "20", value_parser = args::length_mm, allow_hyphen_values = true)]
    shortest: f64,
}

/// Runs the check.
///
/// # Errors
/// [`Failure`], with nothing on stdout.
pub fn run(args: &LineArgs) -> Result<Ending, Failure> {
    let setup = args.common.setup(args.bow)?;
    let options = LineOptions {
        near: args
            .common
            .near
            .clone()
            .map(|points| points.0)
            .unwrap_or_default(),
        reference: reference(args)?,
        shortest_mm: args.shortest,
        tol_mm: args.common.tol,
    };
    if args.join && args.photos.len() > 1 {
        return super::join::run(&args.photos, &args.common, &setup, &options);
    }
    let photos = Photos {
        check: "line",
        paths: &args.photos,
        common: &args.common,
        files: &["overlay.png", "plot.png", "plot.svg"],
        head: |result: &LineResult| &result.head,
        words: text::line,
        short: text::line_short,
    };
    photos::run_opened(&photos, |photo| measure(photo, &setup, &options), pictures)
}

/// The marked photo and the plots, drawn side by side.
fn pictures(photo: &Photo, result: &LineResult, place: Place) -> Result<(), Failure> {
    let (overlay, (png, svg)) =
        rayon::join(|| overlay::png(photo, result), || plot::png_and_svg(result));
    place.put("overlay.png", &overlay)?;
    place.put("plot.png", &png)?;
    place.put("plot.svg", svg.as_bytes())
}

/// What to measure from; a file is an earlier answer of this check.
fn reference(args: &LineArgs) -> Result<ReferenceChoice, Failure> {
    Ok(match args.reference.as_str() {
        "straight" => ReferenceChoice::Straight,
        "arc" => ReferenceChoice::Arc,
        "fair" => ReferenceChoice::Fair {
            cutoff_mm: args.cutoff,
        },
        file => ReferenceChoice::Partner {
            points: partner_points(file)?,
            file: file.to_string(),
        },
    })
}

/// The points of an earlier answer, mm, in its first card's frame.
fn partner_points(file: &str) -> Result<Vec<Mm>, Failure> {
    #[derive(serde::Deserialize)]
    struct Answer {
        line: Line,
    }
    #[derive(serde::Deserialize)]
    struct Line {
        points_mm: Vec<[f64; 2]>,
    }
    let document = small_text(Path::new(file), "result of an earlier line")?;
    let answer: Answer = serde_json::from_str(&document).map_err(|_| {
        Failure::Input(format!(
            "{file} is not the result of an earlier line: it has no line.points_mm."
        ))
    })?;
    Ok(answer
        .line
        .points_mm
        .into_iter()
        .map(|[x, y]| Mm::new(x, y))
        .collect())
}
