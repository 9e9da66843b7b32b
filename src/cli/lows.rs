//! `fairpanel lows`: what is still low or high after sanding, on one photo or pass after pass.

use super::args::{self, Points};
use super::batch;
use super::common::Common;
use super::exit::{Ending, Failure};
use super::output::OutputSet;
use super::photos;
use super::terminal;
use crate::check::lows::passes::{self, Pass};
use crate::check::lows::{LowsOptions, LowsResult, Survey, answer, survey};
use crate::check::{CheckError, Setup};
use crate::photo::{self, Limits, Need, Photo};
use crate::report::{json, lows as report, skim_sheet};
use crate::scale::solve::BOW_U95_MM;
use crate::sheet::Paper;
use clap::Args;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Leads the help page.
const EXAMPLES: &str = "\
Examples:
  fairpanel lows examples/blocked.jpg --out result
  fairpanel lows pass1.jpg pass2.jpg pass3.jpg --lens phone.json
  fairpanel lows left.jpg right.jpg --same
  fairpanel lows photo.jpg --coat 812,604 --ground 930,610";

/// Say what is still low or high after sanding, and whether to keep blocking, knock down, or stop and skim
///
/// Guide coat that is left is low, primer or metal that shows through is high. Have the whole repair in the photo with
/// a printed scale card beside it. Several photos are passes of the same repair, in order. Exit code: 0 measured, 1 a
/// pass could not be measured, 2 wrong usage, 3 nothing can be measured.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub struct LowsArgs {
    /// Photos: JPEG, PNG, TIFF or WebP; several are passes in order
    #[arg(required = true, value_name = "PHOTO")]
    photos: Vec<PathBuf>,

    #[command(flatten)]
    common: Common,

    /// Outline of the repair, in pixels of the photo as you see it, in order round it [default: found]
    #[arg(long, value_name = "X,Y,X,Y,…", value_parser = args::points, allow_hyphen_values = true)]
    area: Option<Points>,

    /// A place on guide coat, in pixels of the photo as you see it [default: found]
    #[arg(long, value_name = "X,Y", value_parser = args::point, allow_hyphen_values = true)]
    coat: Option<Points>,

    /// A place on bare level filler beside it
    #[arg(long, value_name = "X,Y", value_parser = args::point, allow_hyphen_values = true, requires = "coat")]
    ground: Option<Points>,

    /// The photos show the same pass from several places: what glare hides in one is filled in from the others
    #[arg(long)]
    same: bool,

    /// Least and largest depth of the skim that filler is reckoned for, in mm (the coat can't tell the depth)
    #[arg(long, value_name = "MM,MM", value_parser = args::pair_mm, allow_hyphen_values = true)]
    depth: Option<(f64, f64)>,
}

/// File with the answer, and the pictures.
const RESULT: &str = "result.json";
const OVERLAY: &str = "overlay.png";
const MAP: &str = "map.png";
const SKIM: &str = "skim.pdf";

/// Runs the check.
///
/// # Errors
/// [`Failure`], with nothing on stdout.
pub fn run(args: &LowsArgs) -> Result<Ending, Failure> {
    if args.common.tol.is_some() {
        return Err(Failure::Usage(
            "lows has no figure to hold against --tol: areas and the next action are the answer."
                .into(),
        ));
    }
    if args.photos.len() > 1 && (args.area.is_some() || args.coat.is_some()) {
        return Err(Failure::Usage(
            "--area, --coat and --ground are places in one photo: give one photo with them.".into(),
        ));
    }
    if args.depth.is_some_and(|(least, most)| least > most) {
        return Err(Failure::Usage(
            "--depth wants the least depth first, as in --depth 0.3,1.".into(),
        ));
    }
    let setup = args.common.setup(BOW_U95_MM)?;
    let first = |points: &Option<Points>| points.as_ref().and_then(|p| p.0.first().copied());
    let options = LowsOptions {
        area: args.area.clone().map(|p| p.0).unwrap_or_default(),
        coat: first(&args.coat),
        ground: first(&args.ground),
        depth_mm: args.depth,
    };
    let (set, stop) = match &args.common.out {
        None => (None, Arc::default()),
        Some(dir) => {
            let mut planned: Vec<String> = [RESULT, OVERLAY, MAP, SKIM].map(String::from).to_vec();
            if args.photos.len() > 1 && !args.same {
                planned.extend((1..=args.photos.len()).map(pass_name));
            }
            let stop = batch::stop_on_signals();
            (Some(OutputSet::begin(dir, &planned)?), stop)
        }
    };
    let job = Job {
        args,
        setup: &setup,
        options: &options,
        set: set.as_ref(),
    };
    let (mut result, files, ending) = match args.photos.as_slice() {
        [one] => job.one(one)?,
        _ => job.several(&stop)?,
    };
    result.map.file = set.is_some().then(|| MAP.to_string());
    let text = json::answer(&result, &files);
    if let Some(set) = set {
        set.put(RESULT, format!("{text}\n").as_bytes())?;
        set.finish()?;
    }
    terminal::answer(&if args.common.json {
        text + "\n"
    } else {
        let shown: Vec<String> = files
            .iter()
            .map(|name| {
                args.common
                    .out
                    .as_ref()
                    .map_or_else(|| name.clone(), |dir| dir.join(name).display().to_string())
            })
            .collect();
        terminal::headed(report::words(&result, &shown))
    })?;
    Ok(ending)
}

fn pass_name(number: usize) -> String {
    format!("pass-{number}.png")
}

/// What every photo of a run is measured with.
struct Job<'a> {
    args: &'a LowsArgs,
    setup: &'a Setup,
    options: &'a LowsOptions,
    set: Option<&'a OutputSet>,
}

impl Job<'_> {
    fn survey(&self, path: &Path) -> Result<(Photo, Survey), CheckError> {
        let photo = photo::open(path, Need::Colour, &Limits::default())?;
        let survey = survey(&photo, self.setup, self.options)?;
        Ok((photo, survey))
    }

    fn one(&self, path: &Path) -> Result<(LowsResult, Vec<String>, Ending), Failure> {
        let (photo, survey) = self
            .survey(path)
            .map_err(|reason| photos::refused(path, reason))?;
        let result = answer(&survey, self.options);
        let files = self.put(&photo, &survey, &result)?;
        Ok((result, files, Ending::Good))
    }

    /// Passes in order, or one pass from several places.
    fn several(
        &self,
        stop: &std::sync::atomic::AtomicBool,
    ) -> Result<(LowsResult, Vec<String>, Ending), Failure> {
        let paths = &self.args.photos;
        let passes = batch::each(paths, stop, |index, path| -> Result<Pass, Failure> {
            match self.survey(path) {
                Err(reason) => Ok(Pass::Refused(
                    path.display().to_string(),
                    reason.to_string(),
                )),
                Ok((photo, survey)) => {
                    if let (Some(set), false) = (self.set, self.args.same) {
                        let alone = answer(&survey, self.options);
                        set.put(&pass_name(index + 1), &report::png(&photo, &survey, &alone))?;
                    }
                    Ok(Pass::Surveyed(Box::new(survey)))
                }
            }
        })?;
        let mut done = Vec::with_capacity(paths.len());
        for (pass, path) in passes.into_iter().zip(paths) {
            done.push(pass.unwrap_or_else(|| {
                let name = path.display().to_string();
                Ok(Pass::Refused(
                    name,
                    "fairpanel stumbled over this photo, which is a fault of the program".into(),
                ))
            })?);
        }
        let refused = done
            .iter()
            .filter(|p| matches!(p, Pass::Refused(..)))
            .count();
        if refused == done.len() {
            let first = done.iter().find_map(|p| match p {
                Pass::Refused(photo, why) => Some(format!("{photo}: {why}")),
                Pass::Surveyed(_) => None,
            });
            return Err(Failure::Input(format!(
                "None of the {} photos can be measured. The first: {}",
                done.len(),
                first.unwrap_or_default()
            )));
        }
        let (result, last) = if self.args.same {
            let merged = passes::merge(&done);
            let survey = merged
                .ok_or_else(|| Failure::Input("None of the photos can be measured.".into()))?;
            (answer(&survey, self.options), survey)
        } else {
            let result = passes::answer(&done, self.options);
            let result = result
                .ok_or_else(|| Failure::Input("None of the photos can be measured.".into()))?;
            let last = done.into_iter().rev().find_map(|p| match p {
                Pass::Surveyed(survey) => Some(*survey),
                Pass::Refused(..) => None,
            });
            (
                result,
                last.ok_or_else(|| Failure::Input("None of the photos can be measured.".into()))?,
            )
        };
        let mut files = Vec::new();
        if self.set.is_some() {
            // Opened again rather than kept: a photo in memory for each pass would be a hundred megabytes each.
            let path = Path::new(&last.head.photo);
            let photo = photos::open(path)?;
            files = self.put(&photo, &last, &result)?;
        }
        Ok((
            result,
            files,
            if refused == 0 {
                Ending::Good
            } else {
                Ending::Doubt
            },
        ))
    }

    /// Marked photo, class map and the skim's outline.
    fn put(
        &self,
        photo: &Photo,
        survey: &Survey,
        result: &LowsResult,
    ) -> Result<Vec<String>, Failure> {
        let Some(set) = self.set else {
            return Ok(Vec::new());
        };
        let (overlay, map) = rayon::join(
            || report::png(photo, survey, result),
            || report::map_png(survey),
        );
        set.put(OVERLAY, &overlay)?;
        set.put(MAP, &map)?;
        let mut files = vec![OVERLAY.to_string(), MAP.to_string()];
        if let Some(skim) = &result.skim {
            let pdf = skim_sheet::skim_pdf(skim, Paper::A4)
                .map_err(|e| Failure::Output(e.to_string()))?;
            set.put(SKIM, &pdf)?;
            files.push(SKIM.to_string());
        }
        Ok(files)
    }
}
