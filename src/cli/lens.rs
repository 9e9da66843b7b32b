//! `fairpanel lens`: the camera's lens from photos of the printed board.

use super::batch;
use super::common::card_layout;
use super::exit::{Ending, Failure};
use super::output::OutputSet;
use super::terminal;
use crate::card::{Layout, layout};
use crate::check::lens::{LensResult, Shot, calibrate, look};
use crate::lens::opencv;
use crate::photo::{self, Facts, Limits, Need};
use crate::report::{json, lens as report};
use clap::Args;
use std::path::{Path, PathBuf};

/// Leads the help page.
const EXAMPLES: &str = "\
Examples:
  fairpanel card print board
  fairpanel lens board/*.jpg --out phone
  fairpanel line door.jpg --lens phone/lens.json";

/// Find the lens of your phone from a dozen photos of the printed board, for a smaller ± everywhere
///
/// Print the board, lay or glue it flat, and photograph it from all sides: some photos square on, most aslant by about
/// 30°, two or three with the phone turned, the board filling the picture and reaching into each of its corners. No
/// zoom; from about as far as you will measure, as focusing near changes the lens a little. The answer says which
/// photos helped and which poses are missing. A board that bows or was printed a little large does no harm. Exit code:
/// 0 found, 2 wrong usage, 3 no lens can be found from these photos.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub struct LensArgs {
    /// Photos of the board: JPEG, PNG, TIFF or WebP
    #[arg(required = true, value_name = "PHOTO")]
    photos: Vec<PathBuf>,

    /// Answer as one JSON document on stdout; it is a lens file as it stands
    #[arg(long)]
    json: bool,

    /// Folder for the lens file (lens.json, and lens.yml for OpenCV), the coverage picture and the answer; what an
    /// earlier run wrote there is replaced, your own files are left alone
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,

    /// Card in the photos: the name of a built-in one or a layout file; may be repeated [default: board]
    #[arg(long, value_name = "NAME|FILE")]
    card: Vec<String>,
}

/// Names of the files, the lens file first.
const LENS: &str = "lens.json";
const OPENCV: &str = "lens.yml";
const COVERAGE: &str = "coverage.png";
const RESULT: &str = "result.json";

/// Runs the check.
///
/// # Errors
/// [`Failure`], with nothing on stdout.
pub fn run(args: &LensArgs) -> Result<Ending, Failure> {
    let layouts = layouts(args)?;
    let set = match &args.out {
        Some(dir) => {
            let names = [LENS, OPENCV, COVERAGE, RESULT].map(str::to_string);
            Some(OutputSet::begin(dir, &names)?)
        }
        None => None,
    };
    let stop = match set {
        Some(_) => batch::stop_on_signals(),
        None => std::sync::Arc::default(),
    };
    let shots = batch::each(&args.photos, &stop, |_, path| shot(path, &layouts))?;
    let shots: Vec<Shot> = shots
        .into_iter()
        .zip(&args.photos)
        .map(|(shot, path)| shot.unwrap_or_else(|| unread(path, "fairpanel stumbled over it")))
        .collect();
    let result =
        calibrate(&shots).map_err(|reason| Failure::Input(format!("No lens: {reason}.")))?;
    let names: Vec<String> = match set {
        Some(_) => [LENS, COVERAGE, OPENCV].map(str::to_string).to_vec(),
        None => Vec::new(),
    };
    let answer = json::answer(&result, &names) + "\n";
    if let Some(set) = set {
        write(&set, &result, &answer)?;
        set.finish()?;
    }
    let shown: Vec<String> = names
        .iter()
        .filter_map(|name| {
            args.out
                .as_ref()
                .map(|dir| dir.join(name).display().to_string())
        })
        .collect();
    terminal::answer(&if args.json {
        answer
    } else {
        terminal::headed(report::text(&result, &shown))
    })?;
    Ok(Ending::Good)
}

fn write(set: &OutputSet, result: &LensResult, answer: &str) -> Result<(), Failure> {
    // A lens file is plain numbers and texts, which always serialise.
    let file = serde_json::to_string_pretty(&result.file).unwrap_or_default() + "\n";
    set.put(LENS, file.as_bytes())?;
    set.put(OPENCV, opencv::write(&result.file).as_bytes())?;
    set.put(COVERAGE, &report::coverage_png(result))?;
    set.put(RESULT, answer.as_bytes())
}

/// The boards to look for.
fn layouts(args: &LensArgs) -> Result<Vec<Layout>, Failure> {
    if args.card.is_empty() {
        return Ok(layout::named("board").into_iter().collect());
    }
    args.card.iter().map(|name| card_layout(name)).collect()
}

/// One photo; one that can't be read is named in the answer and does not stop the others.
fn shot(path: &Path, layouts: &[Layout]) -> Shot {
    match photo::open(path, Need::Brightness, &Limits::default()) {
        Ok(photo) => look(&photo, layouts),
        Err(why) => unread(path, &why.to_string()),
    }
}

fn unread(path: &Path, why: &str) -> Shot {
    Shot {
        photo: path.display().to_string(),
        facts: Facts::default(),
        boards: Err(why.to_string()),
    }
}
