//! `fairpanel gauge`: radius gauges, section templates, block profiles and line templates at true size.

#![cfg_attr(test, allow(clippy::unwrap_used))]

use super::args;
use super::card::PaperArg;
use super::common::{plain_io, small_text};
use super::exit::{Ending, Failure};
use super::{keep, terminal};
use crate::check::gauge::{
    self, Block, GaugeError, Leaf, Mark, Nested, Piece, Profile, length_drawing, nest, read_line,
    read_profile,
};
use crate::sheet::stl::Solid;
use crate::sheet::{Drawing, Paper, Sheet, SheetError, bars, dxf, pdf, stl, svg};
use clap::{Args, Subcommand};
use serde::Serialize;
use std::path::{Path, PathBuf};

const SET_EXAMPLES: &str = "\
Examples:
  fairpanel gauge set --turn 38
  fairpanel gauge set --radii 3-25 --step 0.5 --turn 45 --paper a3 --out gauges
  fairpanel gauge set --radii 5,6.5,8 --turn 45 --job \"left door\"";

const TEMPLATE_EXAMPLES: &str = "\
Examples:
  fairpanel gauge template --radius 8 --turn 45 --flank 30
  fairpanel gauge template section/result.json --job \"left door\" --station 420";

const BLOCK_EXAMPLES: &str = "\
Examples:
  fairpanel gauge block --radius 12 --turn 45 --wrap 0.4
  fairpanel gauge block --radius 20 --turn 30 --wrap 0.4 --pad 3 --root";

const LINE_EXAMPLES: &str = "\
Example:
  fairpanel gauge line result/result.json --paper a3 --job \"left door\"";

/// Print gauges and templates at true size: radius sets, sections, blocks, whole lines
///
/// Writes PDF and SVG for paper, DXF (R12, millimetres) for a cutter and STL for a 3-D printer. Print at 100% and measure
/// both bars on the page before you cut.
#[derive(Debug, Args)]
#[command(
    before_help = "Examples:\n  fairpanel gauge set --turn 38\n  fairpanel gauge template --radius 8 --turn 45 --flank 30"
)]
pub struct GaugeArgs {
    /// What to draw.
    #[command(subcommand)]
    pub what: GaugeCommand,
}

/// What to draw.
#[derive(Debug, Subcommand)]
pub enum GaugeCommand {
    /// A set of radius gauges, inside and outside of each from one cut
    #[command(before_help = SET_EXAMPLES)]
    Set(SetArgs),
    /// Templates of a section, as wanted or as measured
    #[command(before_help = TEMPLATE_EXAMPLES)]
    Template(TemplateArgs),
    /// End profile of a curved sanding block, less its paper and pad
    #[command(before_help = BLOCK_EXAMPLES)]
    Block(BlockArgs),
    /// A template as long as a measured swage line, tiled over pages with join marks
    #[command(before_help = LINE_EXAMPLES)]
    Line(LineArgs),
}

/// Options that all gauges share.
#[derive(Debug, Clone, Args)]
pub struct Shared {
    /// Paper in the printer
    #[arg(long, value_enum, default_value_t = PaperArg::A4)]
    pub paper: PaperArg,
    /// Folder for the files
    #[arg(long, value_name = "DIR", default_value = ".")]
    pub out: PathBuf,
    /// Job, printed on every piece
    #[arg(
        long,
        value_name = "WORDS",
        default_value = "",
        hide_default_value = true
    )]
    pub job: String,
    /// Station along the swage, printed on every piece
    #[arg(
        long,
        value_name = "WORDS",
        default_value = "",
        hide_default_value = true
    )]
    pub station: String,
    /// Thickness of the solids in the STL, in mm
    #[arg(long, value_name = "MM", default_value = "3", value_parser = args::length_mm, allow_hyphen_values = true)]
    pub thick: f64,
    /// Answer as JSON
    #[arg(long)]
    pub json: bool,
}

/// A set of radius gauges.
#[derive(Debug, Args)]
pub struct SetArgs {
    /// Radii in mm: a range, or a list with commas
    #[arg(long, value_name = "FROM-TO|R,R,…", default_value = "3-25", value_parser = radii, allow_hyphen_values = true)]
    pub radii: Radii,
    /// Step of a range, in mm
    #[arg(long, value_name = "MM", default_value = "1", value_parser = args::length_mm, allow_hyphen_values = true)]
    pub step: f64,
    /// Turn of the gauges, in degrees: that of your swage, so that their flanks show too
    #[arg(long, value_name = "DEG", default_value = "40", value_parser = args::angle_deg, allow_hyphen_values = true)]
    pub turn: f64,
    /// Length of the flanks, in mm
    #[arg(long, value_name = "MM", default_value = "12", value_parser = args::length_mm, allow_hyphen_values = true)]
    pub flank: f64,
    #[command(flatten)]
    pub shared: Shared,
}

/// Section templates.
#[derive(Debug, Args)]
pub struct TemplateArgs {
    /// Results of sections, for templates as measured
    #[arg(value_name = "RESULT")]
    pub results: Vec<PathBuf>,
    /// Radius wanted, in mm
    #[arg(long, value_name = "MM", value_parser = args::length_mm, allow_hyphen_values = true, conflicts_with = "results", requires = "turn")]
    pub radius: Option<f64>,
    /// Turn between the flanks wanted, in degrees
    #[arg(long, value_name = "DEG", value_parser = args::angle_deg, allow_hyphen_values = true, conflicts_with = "results", requires = "radius")]
    pub turn: Option<f64>,
    /// Length of the flanks wanted, in mm
    #[arg(long, value_name = "MM", default_value = "30", value_parser = args::length_mm, allow_hyphen_values = true)]
    pub flank: f64,
    #[command(flatten)]
    pub shared: Shared,
}

/// A curved block.
#[derive(Debug, Args)]
pub struct BlockArgs {
    /// Radius that the paper shall make on the swage, in mm
    #[arg(long, value_name = "MM", value_parser = args::length_mm, allow_hyphen_values = true)]
    pub radius: f64,
    /// Turn between the flanks, in degrees
    #[arg(long, value_name = "DEG", value_parser = args::angle_deg, allow_hyphen_values = true)]
    pub turn: f64,
    /// Thickness of the sanding paper round it, in mm
    #[arg(long, value_name = "MM", default_value = "0.4", value_parser = args::length_or_zero_mm, allow_hyphen_values = true)]
    pub wrap: f64,
    /// Thickness of a foam or felt pad under the paper, in mm
    #[arg(long, value_name = "MM", default_value = "0", value_parser = args::length_or_zero_mm, allow_hyphen_values = true)]
    pub pad: f64,
    /// For an inner corner: a round nose instead of a hollow
    #[arg(long)]
    pub root: bool,
    #[command(flatten)]
    pub shared: Shared,
}

/// A whole-length template.
#[derive(Debug, Args)]
pub struct LineArgs {
    /// Result of a line
    #[arg(value_name = "RESULT")]
    pub result: PathBuf,
    #[command(flatten)]
    pub shared: Shared,
}

/// Radii as given: a range or a list.
#[derive(Debug, Clone, PartialEq)]
pub enum Radii {
    /// From and to, mm.
    Range(f64, f64),
    /// Each, mm.
    List(Vec<f64>),
}

fn radii(text: &str) -> Result<Radii, String> {
    if let Some((from, to)) = text.split_once('-').filter(|_| !text.contains(',')) {
        let (from, to) = (args::length_mm(from)?, args::length_mm(to)?);
        return if from <= to {
            Ok(Radii::Range(from, to))
        } else {
            Err("the range runs backward".to_string())
        };
    }
    Ok(Radii::List(
        text.split(',')
            .map(args::length_mm)
            .collect::<Result<Vec<f64>, String>>()?,
    ))
}

impl Radii {
    /// Each radius, mm, the last of a range included.
    fn each(&self, step: f64) -> Result<Vec<f64>, Failure> {
        const MOST: f64 = 2000.0;
        match self {
            Radii::List(list) => Ok(list.clone()),
            Radii::Range(from, to) => {
                let steps = ((to - from) / step + 1e-9).floor();
                if steps >= MOST {
                    return Err(Failure::Usage(format!(
                        "A set of {steps:.0} gauges is too large; take a larger --step."
                    )));
                }
                Ok((0..=steps as usize)
                    .map(|i| from + step * i as f64)
                    .collect())
            }
        }
    }
}

/// What is written.
struct Made {
    kind: &'static str,
    stem: String,
    title: String,
    pieces: usize,
    sheets: Vec<Sheet>,
    drawing: Drawing,
    solids: Vec<Solid>,
}

/// Draws what was asked and writes it.
///
/// # Errors
/// [`Failure::Input`] for sizes that can't be drawn or a file that is no result; [`Failure::Output`] for a folder that
/// can't be written.
pub fn run(args: &GaugeArgs) -> Result<Ending, Failure> {
    terminal::answer(&answer(args)?)?;
    Ok(Ending::Good)
}

fn answer(args: &GaugeArgs) -> Result<String, Failure> {
    let (shared, made) = match &args.what {
        GaugeCommand::Set(args) => (&args.shared, set(args)?),
        GaugeCommand::Template(args) => (&args.shared, template(args)?),
        GaugeCommand::Block(args) => (&args.shared, block(args)?),
        GaugeCommand::Line(args) => (&args.shared, line(args)?),
    };
    write(shared, &made)
}

/// A size that can't be drawn is wrong usage, a file that is no result or a sheet that can't be is the input's fault.
fn refused(error: GaugeError) -> Failure {
    let text = capital(&error.to_string());
    match error {
        GaugeError::Size { .. } | GaugeError::TooThick { .. } => Failure::Usage(text),
        _ => Failure::Input(text),
    }
}

fn capital(text: &str) -> String {
    let mut text = text.to_string();
    if let Some(first) = text.get_mut(0..1) {
        first.make_ascii_uppercase();
    }
    if !text.ends_with('.') {
        text.push('.');
    }
    text
}

fn mark(shared: &Shared) -> Mark {
    let short = |words: &str| words.chars().filter(|c| !c.is_control()).take(60).collect();
    Mark {
        job: short(&shared.job),
        station: short(&shared.station),
    }
}

/// How every gauge is used; the first line is the one that costs most when it isn't read.
const PRINT: &str =
    "Print at 100% (actual size), measure both bars with a steel rule: each must be 100 mm.";

fn nested(
    pieces: &[Piece],
    title: &str,
    about: &[&str],
    shared: &Shared,
) -> Result<Nested, Failure> {
    let about: Vec<String> = std::iter::once(PRINT)
        .chain(about.iter().copied())
        .map(ToString::to_string)
        .collect();
    nest(
        pieces,
        title,
        &about,
        Paper::from(shared.paper),
        shared.thick,
    )
    .map_err(refused)
}

fn set(args: &SetArgs) -> Result<Made, Failure> {
    let radii = args.radii.each(args.step)?;
    let mark = mark(&args.shared);
    let pieces = gauge::set(&radii, args.turn, args.flank, &mark).map_err(refused)?;
    let short = gauge::number;
    let ends = match (radii.first(), radii.last()) {
        (Some(a), Some(b)) if radii.len() > 1 => format!("{}–{} mm", short(*a), short(*b)),
        (Some(a), _) => format!("{} mm", short(*a)),
        _ => String::new(),
    };
    let turn = short(args.turn);
    let title = titled(&format!("Radius gauges {ends} · turn {turn}°"), &mark);
    let use_outside = format!(
        "Outside: on crests that turn {turn}° or more. Inside: in roots that turn {turn}° or less. Cut once along the line: both edges are gauges."
    );
    let found = nested(
        &pieces,
        &title,
        &[
            &use_outside,
            "Hold square to the swage, light behind: no gap under the arc, none beside it.",
        ],
        &args.shared,
    )?;
    let sizes = match &args.radii {
        Radii::Range(from, to) => {
            format!("r{}-{}-by{}", short(*from), short(*to), short(args.step))
        }
        Radii::List(list) => {
            let all: Vec<String> = list.iter().map(|r| short(*r)).collect();
            format!("r{}", all.join("-"))
        }
    };
    let what = format!("radius-gauges-{sizes}-t{turn}-f{}", short(args.flank));
    let stem = stem(&what, &mark);
    Ok(made("set", &stem, title, pieces.len(), found))
}

/// A file name of its own for everything that is drawn differently: a later gauge must not take an earlier one's place.
fn stem(what: &str, mark: &Mark) -> String {
    /// What file systems take with room for page and paper, bytes.
    const LONGEST: usize = 120;
    let marks = [&mark.job, &mark.station].map(|words| match words.as_str() {
        "" => String::new(),
        words => format!("-{words}"),
    });
    let mut name = super::card::file_name(&format!("{}{}", what.replace('.', "_"), marks.concat()));
    if name.len() > LONGEST {
        // A long list of radii: its beginning, and what tells it from another of the same beginning.
        let print = super::output::fingerprint(name.as_bytes());
        let end = (0..=LONGEST)
            .rev()
            .find(|k| name.is_char_boundary(*k))
            .unwrap_or(0);
        name.truncate(end);
        name += &format!("-{print}");
    }
    name
}

fn titled(what: &str, mark: &Mark) -> String {
    match mark.words().as_str() {
        "" => what.to_string(),
        words => format!("{what} · {words}"),
    }
}

fn made(kind: &'static str, stem: &str, title: String, pieces: usize, found: Nested) -> Made {
    Made {
        kind,
        stem: stem.to_string(),
        title,
        pieces,
        sheets: found.pages,
        drawing: found.drawing,
        solids: found.solids,
    }
}

fn template(args: &TemplateArgs) -> Result<Made, Failure> {
    let mut profiles: Vec<(Profile, String)> = Vec::new();
    match (args.radius, args.turn) {
        (Some(radius), Some(turn)) => profiles.push((
            Profile::wanted(radius, turn, args.flank).map_err(refused)?,
            String::new(),
        )),
        _ if args.results.is_empty() => {
            return Err(Failure::Usage(
                "Give --radius and --turn for a template as wanted, or results of sections for templates as measured."
                    .to_string(),
            ));
        }
        _ => {
            for path in &args.results {
                let text = small_text(path, "result of a section")?;
                let profile = read_profile(&text)
                    .map_err(|e| Failure::Input(format!("{}: {e}", path.display())))?;
                profiles.push((profile, name_of(path)));
            }
        }
    }
    let shared = mark(&args.shared);
    let several = profiles.len() > 1;
    let what = match (args.radius, args.turn, profiles.as_slice()) {
        (Some(radius), Some(turn), _) => {
            format!(
                "-r{}-t{}-f{}",
                gauge::number(radius),
                gauge::number(turn),
                gauge::number(args.flank)
            )
        }
        (_, _, [(_, name)]) => format!("-{name}"),
        _ => "s".to_string(),
    };
    let stem = stem(&format!("section-template{what}"), &shared);
    let pieces: Vec<Piece> = profiles
        .into_iter()
        .map(|(profile, name)| {
            // Several results: each piece says which.
            let mark = if several && shared.station.is_empty() {
                Mark {
                    station: name,
                    ..shared.clone()
                }
            } else {
                shared.clone()
            };
            gauge::leaf(&Leaf {
                profile,
                body_mm: gauge::TEMPLATE_BODY_MM,
                mark,
            })
        })
        .collect();
    let title = titled("Section templates", &shared);
    let found = nested(
        &pieces,
        &title,
        &[
            "Cut once along the line: the upper part sits on the crest, the lower part fits into a root of the same shape.",
            "Cut it true, then prove it: fairpanel section on a photo of the cut template.",
        ],
        &args.shared,
    )?;
    Ok(made("template", &stem, title, pieces.len(), found))
}

/// A file's name without its ending; a result's own folder says more than `result`.
fn name_of(path: &Path) -> String {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    match path.parent().and_then(Path::file_name) {
        Some(folder) if stem == "result" => folder.to_string_lossy().into_owned(),
        _ => stem.into_owned(),
    }
}

fn block(args: &BlockArgs) -> Result<Made, Failure> {
    let mark = mark(&args.shared);
    let piece = gauge::block(&Block {
        radius_mm: args.radius,
        turn_deg: args.turn,
        paper_mm: args.wrap,
        pad_mm: args.pad,
        root: args.root,
        mark: mark.clone(),
    })
    .map_err(refused)?;
    let title = titled(
        &format!("Block for radius {} mm", gauge::number(args.radius)),
        &mark,
    );
    let found = nested(
        std::slice::from_ref(&piece),
        &title,
        &[
            "Glue to the end of a block, cut or plane to the whole line. Dashed: where the paper will run.",
            "Sanding dust belongs in an extractor and a mask, not in your lungs.",
        ],
        &args.shared,
    )?;
    let what = format!(
        "block-r{}-t{}-w{}-p{}{}",
        gauge::number(args.radius),
        gauge::number(args.turn),
        gauge::number(args.wrap),
        gauge::number(args.pad),
        if args.root { "-inside" } else { "-outside" }
    );
    Ok(made("block", &stem(&what, &mark), title, 1, found))
}

fn line(args: &LineArgs) -> Result<Made, Failure> {
    let mark = mark(&args.shared);
    let name = args.result.display().to_string();
    let text = small_text(&args.result, "result of a line")?;
    let length =
        read_line(&text, &name, &mark).map_err(|e| Failure::Input(format!("{name}: {e}")))?;
    let (mut drawing, outline) = length_drawing(&length);
    drawing.title = titled("Line template", &mark);
    let sheets =
        gauge::pages_of_drawing(&drawing, Paper::from(args.shared.paper)).map_err(refused)?;
    Ok(Made {
        kind: "line",
        stem: stem(&format!("line-template-{}", name_of(&args.result)), &mark),
        title: drawing.title.clone(),
        pieces: 1,
        sheets,
        solids: vec![Solid {
            outline,
            holes: Vec::new(),
            thick_mm: args.shared.thick,
        }],
        drawing,
    })
}

#[derive(Serialize)]
struct Answer {
    schema: &'static str,
    check: &'static str,
    kind: &'static str,
    title: String,
    pieces: usize,
    pages: usize,
    bar_mm: f64,
    files: Vec<String>,
}

/// Writes all files; all are made before the first is written.
fn write(shared: &Shared, made: &Made) -> Result<String, Failure> {
    let drawn = |e: SheetError| refused(e.into());
    let paper = Paper::from(shared.paper).name();
    let stem = format!("{}-{paper}", made.stem);
    let mut files: Vec<(String, &str, Vec<u8>)> = vec![
        (
            stem.clone(),
            "pdf",
            pdf::bytes(&made.title, &made.sheets).map_err(drawn)?,
        ),
        (
            made.stem.clone(),
            "dxf",
            dxf::bytes(&made.drawing).map_err(drawn)?,
        ),
        (
            made.stem.clone(),
            "stl",
            stl::bytes(&made.title, &made.solids).map_err(drawn)?,
        ),
    ];
    for (i, sheet) in made.sheets.iter().enumerate() {
        let stem = if made.sheets.len() == 1 {
            stem.clone()
        } else {
            format!("{stem}-{}", i + 1)
        };
        files.push((stem, "svg", svg::text(sheet).map_err(drawn)?.into_bytes()));
    }
    let mut written = Vec::new();
    for (stem, extension, bytes) in &files {
        written.push(keep::put(&shared.out, stem, extension, bytes).map_err(|e| {
            Failure::Output(format!(
                "The folder {} can't be written: {}.",
                shared.out.display(),
                plain_io(&e)
            ))
        })?);
    }
    if shared.json {
        let answer = Answer {
            schema: "fairpanel/1",
            check: "gauge",
            kind: made.kind,
            title: made.title.clone(),
            pieces: made.pieces,
            pages: made.sheets.len(),
            bar_mm: bars::BAR_MM,
            files: written
                .iter()
                .filter_map(|path| path.file_name())
                .map(|name| name.to_string_lossy().into_owned())
                .collect(),
        };
        let text = serde_json::to_string(&answer).map_err(|e| Failure::Output(e.to_string()))?;
        return Ok(text + "\n");
    }
    let count = |n: usize, what: &str| format!("{n} {what}{}", if n == 1 { "" } else { "s" });
    let mut text = format!(
        "{}: {} at true size on {}.\n",
        made.title,
        count(made.pieces, "piece"),
        count(made.sheets.len(), "page")
    );
    text += "Print the PDF at 100% and measure both bars: each must be 100 mm. The DXF is in millimetres; it has the same bars.\n\n";
    const LISTED: usize = 6;
    for path in written.iter().take(LISTED) {
        text += &format!("  {}\n", path.display());
    }
    if written.len() > LISTED {
        text += &format!("  and {} more pages as SVG\n", written.len() - LISTED);
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        gauge: GaugeArgs,
    }

    fn said(words: &[&str]) -> Result<String, Failure> {
        let line = Line::try_parse_from([&["gauge"], words].concat())
            .map_err(|e| Failure::Usage(e.to_string()))?;
        answer(&line.gauge)
    }

    fn folder(name: &str) -> PathBuf {
        let dir =
            std::env::temp_dir().join(format!("fairpanel-gauge-{name}-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&dir);
        dir
    }

    #[test]
    fn a_set_is_written_in_all_four_forms() {
        let dir = folder("set");
        let out = dir.to_str().unwrap();
        let text = said(&[
            "set", "--radii", "3-6", "--turn", "45", "--out", out, "--json",
        ])
        .unwrap();
        let json: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(json["pieces"], 4);
        assert_eq!(
            json["files"],
            serde_json::json!([
                "radius-gauges-r3-6-by1-t45-f12-a4.pdf",
                "radius-gauges-r3-6-by1-t45-f12.dxf",
                "radius-gauges-r3-6-by1-t45-f12.stl",
                "radius-gauges-r3-6-by1-t45-f12-a4.svg"
            ])
        );
        std::fs::remove_dir_all(&dir).unwrap();
    }

    #[test]
    fn gauges_of_other_sizes_have_files_of_their_own() {
        let dir = folder("names");
        let out = dir.to_str().unwrap();
        let mut calls: Vec<Vec<&str>> = vec![
            vec!["set", "--radii", "3-4", "--turn", "45"],
            vec!["set", "--radii", "3-4", "--turn", "30"],
            vec!["set", "--radii", "3,4", "--turn", "45"],
            vec!["set", "--radii", "3-4", "--turn", "45", "--flank", "20"],
            vec![
                "set",
                "--radii",
                "3-4",
                "--turn",
                "45",
                "--job",
                "left door",
            ],
            vec!["block", "--radius", "12", "--turn", "45"],
            vec!["block", "--radius", "12", "--turn", "30"],
            vec!["block", "--radius", "12", "--turn", "45", "--pad", "3"],
            vec!["block", "--radius", "12", "--turn", "45", "--wrap", "0.6"],
            vec!["block", "--radius", "12", "--turn", "45", "--root"],
        ];
        let mut names = std::collections::BTreeSet::new();
        let mut written = 0;
        for call in &mut calls {
            call.extend(["--out", out, "--json"]);
            let json: serde_json::Value = serde_json::from_str(&said(call).unwrap()).unwrap();
            let files = json["files"].as_array().unwrap();
            written += files.len();
            names.extend(files.iter().map(|f| f.as_str().unwrap().to_string()));
        }
        assert_eq!(names.len(), written);
        assert!(names.iter().all(|n| !n.contains('(')), "{names:?}");
        std::fs::remove_dir_all(&dir).unwrap();
    }

    #[test]
    fn a_long_list_of_radii_has_a_name_that_can_be() {
        let mark = Mark {
            job: String::new(),
            station: String::new(),
        };
        let (a, b) = ("1.25-".repeat(90), "1.25-".repeat(91));
        assert!(stem(&a, &mark).len() < 150);
        assert_ne!(stem(&a, &mark), stem(&b, &mark));
    }

    #[test]
    fn a_large_set_is_quick() {
        let dir = folder("large");
        let out = dir.to_str().unwrap();
        let start = std::time::Instant::now();
        let text = said(&[
            "set", "--radii", "20-90", "--step", "0.2", "--turn", "60", "--out", out, "--json",
        ])
        .unwrap();
        let json: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert!(json["pages"].as_u64().unwrap() >= 30, "{}", json["pages"]);
        // The budget is 0.5 s for 40 pages on a free machine; a busy one gets four times that.
        assert!(start.elapsed().as_secs_f64() < 2.0, "{:?}", start.elapsed());
        std::fs::remove_dir_all(&dir).unwrap();
    }

    #[test]
    fn what_cannot_be_is_refused_in_one_line() {
        for words in [
            &[
                "block", "--radius", "3", "--turn", "45", "--pad", "5", "--root",
            ][..],
            &["template"],
            &["set", "--radii", "0.1-0.2", "--step", "0.1"],
            &["line", "no-such-file.json"],
            &["template", "no-such-file.json"],
        ] {
            let line = said(words).unwrap_err().to_string();
            assert!(line.len() < 250 && !line.contains('\n'), "{line}");
        }
    }

    #[test]
    fn radii_are_ranges_or_lists() {
        assert_eq!(radii("3-5"), Ok(Radii::Range(3.0, 5.0)));
        assert_eq!(radii("3,4.5"), Ok(Radii::List(vec![3.0, 4.5])));
        assert_eq!(Radii::Range(3.0, 4.0).each(0.25).unwrap().len(), 5);
        for wrong in ["", "5-3", "-3", "a", "3,,4"] {
            assert!(radii(wrong).is_err(), "{wrong}");
        }
    }
}
