//! `fairpanel partner`: is this side like the other?

use super::args;
use super::batch;
use super::common::{Common, small_text};
use super::exit::{Ending, Failure};
use super::output::OutputSet;
use super::photos;
use super::terminal;
use crate::check::line::{self, LineOptions};
use crate::check::partner::{Kind, Lay, PartnerOptions, SideCurve, measure};
use crate::check::section::{self, SectionRequest};
use crate::check::straightedge::{self, StraightedgeOptions};
use crate::check::{Head, SCHEMA, Setup};
use crate::photo::Photo;
use crate::report::{json, partner as report};
use clap::{Args, ValueEnum};
use serde_json::Value;
use std::path::{Path, PathBuf};

/// Leads the help page.
const EXAMPLES: &str = "\
Examples:
  fairpanel partner left.jpg right.jpg --lens phone/lens.json --tol 0.8
  fairpanel line left.jpg --out left && fairpanel line right.jpg --out right
  fairpanel partner left/result.json right/result.json --mirrored --out compare
  fairpanel partner left-template.jpg right-template.jpg --check section --thickness 1.5";

/// Say whether this side is like the other, where they differ, and on which side to add or take off
///
/// Give two photos of a swage line (or with --check of a straightedge or of sections' templates), or the result.json of two earlier checks of the same kind (line, straightedge
/// or section). The second is laid over the first, mirrored when it is the other side of the car. Exit code: 0 compared
/// (and within --tol), 1 outside or can't tell, 2 wrong usage, 3 a photo or file can't be used.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub struct PartnerArgs {
    /// First side: a photo, or the result.json of an earlier check
    #[arg(value_name = "A")]
    first: PathBuf,

    /// Second side, of the same kind
    #[arg(value_name = "B")]
    second: PathBuf,

    /// The second is the other side of the car [default: whichever fits better]
    #[arg(long, conflicts_with = "next")]
    mirrored: bool,

    /// The second is the next panel, or the same one again: not mirrored
    #[arg(long)]
    next: bool,

    /// What the two photos show; results say so themselves
    #[arg(long, value_enum, default_value = "line", value_name = "CHECK")]
    check: Shows,

    /// Thickness of the sections' templates, in mm
    #[arg(long, value_name = "MM", value_parser = args::length_or_zero_mm, allow_hyphen_values = true)]
    thickness: Option<f64>,

    #[command(flatten)]
    common: Common,
}

/// What a photo of a side shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Shows {
    /// A swage line
    Line,
    /// A straightedge on the panel
    Straightedge,
    /// A template, comb or cut card
    Section,
}

impl Shows {
    /// Bow that is assumed without better knowledge, mm on a metre.
    fn bow_mm(self) -> f64 {
        match self {
            Shows::Line => crate::scale::solve::BOW_U95_MM,
            Shows::Straightedge => 0.0,
            Shows::Section => section::BENCH_BOW_MM,
        }
    }
}

/// Files written under `--out`, the picture first.
const FILES: [&str; 2] = ["partner.png", "partner.svg"];
const RESULT: &str = "result.json";

/// Runs the check.
///
/// # Errors
/// [`Failure`], with nothing on stdout.
pub fn run(args: &PartnerArgs) -> Result<Ending, Failure> {
    let setup = args.common.setup(args.check.bow_mm())?;
    let set = match &args.common.out {
        Some(dir) => {
            let names: Vec<String> = FILES
                .iter()
                .chain([&RESULT])
                .map(|n| (*n).to_string())
                .collect();
            Some(OutputSet::begin(dir, &names)?)
        }
        None => None,
    };
    let stop = match set {
        Some(_) => batch::stop_on_signals(),
        None => std::sync::Arc::default(),
    };
    let paths = [args.first.clone(), args.second.clone()];
    let sides = batch::each(&paths, &stop, |_, path| side(path, &setup, args))?;
    let mut sides = sides.into_iter().zip(&paths).map(|(side, path)| {
        side.unwrap_or_else(|| {
            Err(Failure::Input(format!(
                "{}: fairpanel stumbled over this, which is a fault of the program.",
                path.display()
            )))
        })
    });
    let mut next = || {
        sides
            .next()
            .unwrap_or_else(|| Err(Failure::Usage("Two sides are needed.".into())))
    };
    let (a, b) = (next()?, next()?);
    let options = PartnerOptions {
        lay: match (args.mirrored, args.next) {
            (true, _) => Lay::Mirrored,
            (_, true) => Lay::AsIs,
            _ => Lay::Better,
        },
        tol_mm: args.common.tol,
    };
    let result = measure(&a, &b, &options).map_err(|reason| {
        Failure::Input(format!(
            "{} and {}: {reason}.",
            args.first.display(),
            args.second.display()
        ))
    })?;
    let names: Vec<String> = match set {
        Some(_) => FILES.map(str::to_string).to_vec(),
        None => Vec::new(),
    };
    let answer = json::answer(&result, &names) + "\n";
    if let Some(set) = set {
        let (png, svg) = report::png_and_svg(&result);
        set.put(FILES[0], &png)?;
        set.put(FILES[1], svg.as_bytes())?;
        set.put(RESULT, answer.as_bytes())?;
        set.finish()?;
    }
    let shown: Vec<String> = names
        .iter()
        .filter_map(|name| {
            let dir = args.common.out.as_ref()?;
            Some(dir.join(name).display().to_string())
        })
        .collect();
    terminal::answer(&if args.common.json {
        answer
    } else {
        terminal::headed(report::text(&result, &shown))
    })?;
    Ok(Ending::of(result.head.verdict.as_ref()))
}

/// One side: an earlier result when the file is JSON, else a photo.
fn side(path: &Path, setup: &Setup, args: &PartnerArgs) -> Result<SideCurve, Failure> {
    if looks_like_json(path) {
        let document = small_text(path, "result of an earlier check")?;
        return from_result(path, &document);
    }
    let photo = photos::open(path)?;
    from_photo(&photo, setup, args).map_err(|reason| photos::refused(path, reason))
}

fn from_photo(
    photo: &Photo,
    setup: &Setup,
    args: &PartnerArgs,
) -> Result<SideCurve, crate::check::CheckError> {
    Ok(match args.check {
        Shows::Line => SideCurve::of_line(&line::measure(photo, setup, &LineOptions::default())?),
        Shows::Straightedge => SideCurve::of_straightedge(&straightedge::measure(
            photo,
            setup,
            &StraightedgeOptions::default(),
        )?),
        Shows::Section => SideCurve::of_section(&section::measure(
            photo,
            setup,
            &SectionRequest {
                thickness_mm: args.thickness,
                ..SectionRequest::default()
            },
        )?),
    })
}

fn looks_like_json(path: &Path) -> bool {
    use std::io::Read;
    let mut head = Vec::new();
    let read = std::fs::File::open(path).and_then(|f| f.take(64).read_to_end(&mut head));
    let text = String::from_utf8_lossy(&head);
    read.is_ok()
        && text
            .trim_start_matches('\u{feff}')
            .trim_start()
            .starts_with('{')
}

/// A side from an earlier answer; fields that the comparison can do without may be missing.
fn from_result(path: &Path, document: &str) -> Result<SideCurve, Failure> {
    let refuse = |why: String| Failure::Input(format!("{}: {why}", path.display()));
    let value: Value = serde_json::from_str(document)
        .map_err(|_| refuse("it is not the result of an earlier check.".into()))?;
    let check = value.get("check").and_then(Value::as_str).unwrap_or("");
    if value.get("photos").is_some_and(Value::is_array)
        && ["line", "straightedge", "section"].contains(&check)
    {
        return Err(refuse(
            "it holds the results of several photos; give the result.json of one.".into(),
        ));
    }
    let head = serde_json::from_value(value.clone()).unwrap_or_else(|_| Head {
        schema: SCHEMA.into(),
        check: String::new(),
        photo: path.display().to_string(),
        card: Vec::new(),
        lens: false,
        mm_per_px: 1e-3,
        warnings: Vec::new(),
        budget: Vec::new(),
        verdict: None,
    });
    let pairs = |list: Option<&Value>| -> Vec<[f64; 2]> {
        let rows = list.and_then(Value::as_array).into_iter().flatten();
        rows.filter_map(|p| Some([p.get(0)?.as_f64()?, p.get(1)?.as_f64()?]))
            .collect()
    };
    let column = |list: Option<&Value>, name: &str| -> Vec<f64> {
        let rows = list.and_then(Value::as_array).into_iter().flatten();
        rows.filter_map(|row| row.get(name)?.as_f64()).collect()
    };
    let number = |name: &str| value.get(name).and_then(Value::as_f64);
    let side = if let Some(line) = value.get("line") {
        SideCurve {
            kind: Kind::Line,
            head,
            points: pairs(line.get("points_mm")),
            u95_mm: column(line.get("deviation"), "u95_mm"),
            gaps_mm: column(value.get("gap"), "at_mm"),
            size_u95: 0.0,
            material: None,
        }
    } else if let Some(profile) = value.get("profile_mm") {
        let material = value
            .get("fitted")
            .and_then(|f| f.get("into_material"))
            .and_then(|m| Some([m.get(0)?.as_f64()?, m.get(1)?.as_f64()?]));
        let radius = value
            .get("radius_mm")
            .and_then(|r| r.get("value"))
            .and_then(Value::as_f64);
        let rms = number("rms_mm").unwrap_or(0.05);
        SideCurve::section(head, pairs(Some(profile)), rms, radius, material)
    } else if value.get("max_gap_mm").is_some() {
        let gap = value.get("gap");
        let points = column(gap, "s_mm")
            .into_iter()
            .zip(column(gap, "gap_mm"))
            .map(|(s, g)| [s, g])
            .collect();
        SideCurve {
            kind: Kind::Straightedge,
            head,
            points,
            u95_mm: column(gap, "u95_mm"),
            gaps_mm: Vec::new(),
            size_u95: 0.0,
            material: None,
        }
    } else {
        return Err(refuse(
            "it is not the result of a line, straightedge or section.".into(),
        ));
    };
    if side.u95_mm.is_empty() || side.u95_mm.iter().any(|u| !u.is_finite() || *u < 0.0) {
        return Err(refuse("its points carry no uncertainty.".into()));
    }
    Ok(side)
}
