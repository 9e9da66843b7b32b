//! `fairpanel radii`: how a swage's radius runs along its length, and the rods that make it.

use super::args;
use super::common::{Common, small_text};
use super::exit::{Ending, Failure};
use super::photos::{self, Photos, Place};
use crate::check::CheckError;
use crate::check::radii::{
    FACET_MM, RadiiOptions, RadiiResult, Source, Tools, from_stations, read_csv, read_section,
    stripe,
};
use crate::report::{radii as report, radii_overlay, radii_plot, shop};
use clap::Args;
use std::path::{Path, PathBuf};

/// Leads the help page.
const EXAMPLES: &str = "\
Examples:
  fairpanel radii examples/stations.csv --turn 38 --tol 0.1 --out result
  fairpanel radii examples/stations.csv --turn 38 --tools examples/tools.json
  fairpanel radii front.json middle.json rear.json --at 0,420,810
  fairpanel radii stripe.jpg --turn 45 --root --lens phone.json";

/// Say how a swage's radius runs along it, which rods make it, and where to change them
///
/// From a table of stations (CSV: s_mm,r_mm,u95_mm), from the results of several sections, or from one photo of the coat
/// that is left on the arc after both flanks were blocked over guide coat: its width is 2 r sin(turn/2). Exit code: 0
/// measured (and within --tol), 1 outside or can't tell, 2 wrong usage, 3 can't be measured.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub struct RadiiArgs {
    /// A table (.csv), results of sections (.json), or photos of a stripe of coat
    #[arg(required = true, value_name = "TABLE|RESULT|PHOTO")]
    inputs: Vec<PathBuf>,

    #[command(flatten)]
    common: Common,

    /// Turn between the flanks, in degrees (0 would be flat); sections tell it themselves
    #[arg(long, value_name = "DEG", value_parser = args::angle_deg, allow_hyphen_values = true)]
    turn: Option<f64>,

    /// The swage is an inner corner: a tool larger than its radius doesn't reach
    #[arg(long)]
    root: bool,

    /// Your rods, blocks and papers, a JSON file as examples/tools.json [default: common rods with 0.4 mm of paper]
    #[arg(long, value_name = "FILE")]
    tools: Option<PathBuf>,

    /// Where along the swage each section was taken, in mm, in the order of the files
    #[arg(long, value_name = "MM,MM", value_parser = args::places_mm, allow_hyphen_values = true)]
    at: Option<args::Places>,

    /// How far the panel may bow in plan on a metre of length, in mm, where the cards can't show it
    #[arg(long, value_name = "MM", default_value = "25", value_parser = args::length_or_zero_mm, allow_hyphen_values = true)]
    bow: f64,

    /// Radius of the panel's crown beside the swage, in mm, for the longest flat block it takes
    #[arg(long, value_name = "MM", value_parser = args::length_mm, allow_hyphen_values = true)]
    crown: Option<f64>,

    /// Depth of the facets that a flat block may leave on the crown, in mm
    #[arg(long, value_name = "MM", default_value_t = FACET_MM, value_parser = args::length_mm, allow_hyphen_values = true)]
    facet: f64,
}

/// What the inputs are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Table,
    Sections,
    Photos,
}

/// Runs the check.
///
/// # Errors
/// [`Failure`], with nothing on stdout.
pub fn run(args: &RadiiArgs) -> Result<Ending, Failure> {
    let kind = kind(&args.inputs)?;
    let options = RadiiOptions {
        turn_deg: args.turn,
        root: args.root,
        tools: tools(args.tools.as_deref())?,
        tol_mm: args.common.tol,
        crown: args.crown.map(|crown_mm| (crown_mm, args.facet)),
    };
    if args.at.is_some() && kind != Kind::Sections {
        return Err(Failure::Usage(
            "--at belongs to results of sections; a table and a photo have their places in them."
                .to_string(),
        ));
    }
    if args.turn.is_none() && kind != Kind::Sections {
        return Err(Failure::Usage(
            "--turn is needed: the angle between the two flanks, in degrees, as in --turn 45."
                .to_string(),
        ));
    }
    match kind {
        Kind::Photos => photos_of(args, &options),
        Kind::Table | Kind::Sections => {
            let run = Photos {
                check: "radii",
                paths: args.inputs.get(..1).unwrap_or(&[]),
                common: &args.common,
                files: &["shop-sheet.pdf", "plot.png", "plot.svg"],
                head: |result: &RadiiResult| &result.head,
                words: report::words,
                short: report::short_words,
            };
            photos::run(&run, |path, place| {
                let source = match kind {
                    Kind::Table => table(path)?,
                    _ => sections(&args.inputs, args.at.as_ref())?,
                };
                let result = from_stations(&source, &options).map_err(|reason| Failure::Photo {
                    photo: source.name.clone(),
                    reason,
                })?;
                if let Some(place) = place {
                    sheets(&result, place)?;
                }
                Ok(result)
            })
        }
    }
}

/// Stripes of coat, each on its photo.
fn photos_of(args: &RadiiArgs, options: &RadiiOptions) -> Result<Ending, Failure> {
    let setup = args.common.setup(args.bow)?;
    let near = args
        .common
        .near
        .clone()
        .map(|points| points.0)
        .unwrap_or_default();
    let run = Photos {
        check: "radii",
        paths: &args.inputs,
        common: &args.common,
        files: &["overlay.png", "shop-sheet.pdf", "plot.png", "plot.svg"],
        head: |result: &RadiiResult| &result.head,
        words: report::words,
        short: report::short_words,
    };
    photos::run_opened(
        &run,
        |photo| stripe::measure(photo, &setup, options, &near),
        |photo, result, place| {
            place.put("overlay.png", &radii_overlay::png(photo, result))?;
            sheets(result, place)
        },
    )
}

/// One table, only results, or only photos.
fn kind(inputs: &[PathBuf]) -> Result<Kind, Failure> {
    let ends = |path: &PathBuf, with: &str| {
        path.extension()
            .is_some_and(|e| e.to_string_lossy().eq_ignore_ascii_case(with))
    };
    let tables = inputs.iter().filter(|p| ends(p, "csv")).count();
    let results = inputs.iter().filter(|p| ends(p, "json")).count();
    match (tables, results, inputs.len()) {
        (1, 0, 1) => Ok(Kind::Table),
        (0, r, n) if r == n => Ok(Kind::Sections),
        (0, 0, _) => Ok(Kind::Photos),
        _ => Err(Failure::Usage(
            "Give one table (.csv), or results of sections (.json), or photos; not a mixture."
                .to_string(),
        )),
    }
}

/// The user's tools, or common ones.
fn tools(file: Option<&Path>) -> Result<Tools, Failure> {
    let Some(path) = file else {
        return Ok(Tools::common());
    };
    Tools::read(&small_text(path, "list of tools")?)
        .map_err(|error| Failure::Input(format!("{}: {error}", path.display())))
}

fn table(path: &Path) -> Result<Source, Failure> {
    let name = path.display().to_string();
    read_csv(&name, &small_text(path, "table of stations")?).map_err(|error| Failure::Photo {
        photo: name,
        reason: CheckError::Stations(error),
    })
}

fn sections(inputs: &[PathBuf], at: Option<&args::Places>) -> Result<Source, Failure> {
    if let Some(places) = at
        && places.0.len() != inputs.len()
    {
        return Err(Failure::Usage(format!(
            "--at has {} places for {} sections; each section needs one.",
            places.0.len(),
            inputs.len()
        )));
    }
    let refuse = |photo: String, reason| Failure::Photo {
        photo,
        reason: CheckError::Stations(reason),
    };
    let mut read = Vec::new();
    for path in inputs {
        let name = path.display().to_string();
        let section = read_section(&small_text(path, "result of a section")?)
            .map_err(|error| refuse(name.clone(), error))?;
        read.push((name, section));
    }
    Source::of_sections(&read, at.map(|p| p.0.as_slice()))
        .map_err(|error| refuse("the sections".to_string(), error))
}

/// The shop sheet and the plots.
fn sheets(result: &RadiiResult, place: Place) -> Result<(), Failure> {
    let sheet = shop::pdf_bytes(result).map_err(|e| Failure::Output(e.to_string()))?;
    let (png, svg) = radii_plot::png_and_svg(result);
    place.put("shop-sheet.pdf", &sheet)?;
    place.put("plot.png", &png)?;
    place.put("plot.svg", svg.as_bytes())
}
