//! `fairpanel card`: lists the scale cards and prints them.

#![cfg_attr(test, allow(clippy::unwrap_used))]

use super::common::{card_layout, plain_io};
use super::exit::{Ending, Failure};
use super::{keep, terminal};
use crate::card::Layout;
use crate::card::layout;
use crate::card::print;
use crate::sheet::{Paper, Sheet, SheetError, bars, pdf, svg};
use clap::{Args, Subcommand, ValueEnum};
use serde::Serialize;
use std::path::PathBuf;

const PRINT_EXAMPLES: &str = "\
Examples:
  fairpanel card print
  fairpanel card print strip-1 strip-2 --paper letter
  fairpanel card print my-card.json --out cards";

/// Lists and prints the scale cards that give a photo its millimetres.
#[derive(Debug, Args)]
#[command(before_help = "Examples:\n  fairpanel card print\n  fairpanel card list")]
pub struct CardArgs {
    /// What to do.
    #[command(subcommand)]
    pub what: CardCommand,
}

/// What to do with the cards.
#[derive(Debug, Subcommand)]
pub enum CardCommand {
    /// Name the cards with their sizes and ids
    #[command(before_help = "Example:\n  fairpanel card list")]
    List(ListArgs),
    /// Write cards as true-size PDF and SVG
    ///
    /// One PDF with all pages and an SVG of each. Print at 100%, measure the two bars on the page, and give their
    /// lengths to every check: --printed 99.8,100.1
    #[command(before_help = PRINT_EXAMPLES)]
    Print(PrintArgs),
}

/// Which cards to list.
#[derive(Debug, Args)]
pub struct ListArgs {
    /// Cards: built-in names or layout files [default: all built-in]
    #[arg(value_name = "NAME|FILE")]
    pub cards: Vec<String>,
    /// Answer as JSON
    #[arg(long)]
    pub json: bool,
}

/// Which cards to print, and how.
#[derive(Debug, Args)]
pub struct PrintArgs {
    /// Cards: built-in names or layout files [default: all built-in]
    #[arg(value_name = "NAME|FILE")]
    pub cards: Vec<String>,
    /// Paper in the printer
    #[arg(long, value_enum, default_value_t = PaperArg::A4)]
    pub paper: PaperArg,
    /// Folder for the files
    #[arg(long, value_name = "DIR", default_value = ".")]
    pub out: PathBuf,
    /// Answer as JSON
    #[arg(long)]
    pub json: bool,
}

/// A paper size on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PaperArg {
    /// 210 × 297 mm
    A4,
    /// 8.5 × 11 in
    Letter,
    /// 297 × 420 mm
    A3,
}

impl PaperArg {
    fn words(self) -> &'static str {
        match self {
            PaperArg::A4 => "A4",
            PaperArg::Letter => "Letter",
            PaperArg::A3 => "A3",
        }
    }
}

impl From<PaperArg> for Paper {
    fn from(paper: PaperArg) -> Paper {
        match paper {
            PaperArg::A4 => Paper::A4,
            PaperArg::Letter => Paper::Letter,
            PaperArg::A3 => Paper::A3,
        }
    }
}

/// Does what was asked and writes the answer to stdout.
///
/// # Errors
/// [`Failure::Input`] for a card that is neither built in nor a layout file, or larger than the paper;
/// [`Failure::Output`] for a folder that can't be written.
pub fn run(args: &CardArgs) -> Result<Ending, Failure> {
    terminal::answer(&answer(args)?)?;
    Ok(Ending::Good)
}

/// Does what was asked; the answer in words or as JSON.
fn answer(args: &CardArgs) -> Result<String, Failure> {
    match &args.what {
        CardCommand::List(args) => list(args),
        CardCommand::Print(args) => print(args),
    }
}

/// The layouts of these names or files; all built-in ones when there are none.
fn chosen(names: &[String]) -> Result<Vec<Layout>, Failure> {
    if names.is_empty() {
        return Ok(layout::built_in());
    }
    names.iter().map(|name| card_layout(name)).collect()
}

#[derive(Serialize)]
struct Listed<'a> {
    #[serde(flatten)]
    layout: &'a Layout,
    last_id: usize,
    width_mm: f64,
    height_mm: f64,
}

#[derive(Serialize)]
struct ListAnswer<'a> {
    schema: &'static str,
    check: &'static str,
    cards: Vec<Listed<'a>>,
}

fn list(args: &ListArgs) -> Result<String, Failure> {
    let layouts = chosen(&args.cards)?;
    let cards: Vec<Listed<'_>> = layouts
        .iter()
        .map(|layout| Listed {
            layout,
            last_id: layout.first_id + layout.markers().saturating_sub(1),
            width_mm: (layout.squares_x + 1) as f64 * layout.square_mm,
            height_mm: (layout.squares_y + 1) as f64 * layout.square_mm,
        })
        .collect();
    if args.json {
        let answer = ListAnswer {
            schema: "fairpanel/1",
            check: "card",
            cards,
        };
        return json(&answer);
    }
    let longest = layouts
        .iter()
        .map(|l| l.name.chars().count())
        .max()
        .unwrap_or(0)
        .max(4);
    let mut text = format!(
        "{:longest$}  squares  square   marker   ids      with its white edge\n",
        "card"
    );
    for card in &cards {
        let l = card.layout;
        text += &format!(
            "{:longest$}  {:<7}  {:<7}  {:<7}  {:<7}  {} × {} mm\n",
            l.name,
            format!("{} × {}", l.squares_x, l.squares_y),
            format!("{} mm", l.square_mm),
            format!("{} mm", l.marker_mm),
            format!("{}–{}", l.first_id, card.last_id),
            card.width_mm,
            card.height_mm,
        );
    }
    Ok(text)
}

#[derive(Serialize)]
struct PrintAnswer {
    schema: &'static str,
    check: &'static str,
    pages: usize,
    bar_mm: f64,
    files: Vec<String>,
}

fn print(args: &PrintArgs) -> Result<String, Failure> {
    let layouts = chosen(&args.cards)?;
    let paper = Paper::from(args.paper);
    let pages = print::sheets(&layouts, paper).map_err(|e| Failure::Input(e.to_string()))?;
    let sheets: Vec<Sheet> = pages.into_iter().map(|page| page.sheet).collect();
    let stem = match layouts.as_slice() {
        [one] => format!("{}-{}", file_name(&one.name), paper.name()),
        _ => format!("cards-{}", paper.name()),
    };
    // All drawings are made before the first is written.
    let drawn = |e: SheetError| Failure::Output(e.to_string());
    let bound = pdf::bytes("Scale cards", &sheets).map_err(drawn)?;
    let mut drawings = vec![(stem.clone(), "pdf", bound)];
    for (i, sheet) in sheets.iter().enumerate() {
        let stem = if sheets.len() == 1 {
            stem.clone()
        } else {
            format!("{stem}-{}", i + 1)
        };
        drawings.push((stem, "svg", svg::text(sheet).map_err(drawn)?.into_bytes()));
    }
    let mut files = Vec::new();
    for (stem, extension, bytes) in &drawings {
        files.push(keep::put(&args.out, stem, extension, bytes).map_err(|e| {
            Failure::Output(format!(
                "The folder {} can't be written: {}.",
                args.out.display(),
                plain_io(&e)
            ))
        })?);
    }
    if args.json {
        return json(&PrintAnswer {
            schema: "fairpanel/1",
            check: "card",
            pages: sheets.len(),
            bar_mm: bars::BAR_MM,
            files: files
                .iter()
                .filter_map(|path| path.file_name())
                .map(|name| name.to_string_lossy().into_owned())
                .collect(),
        });
    }
    let count = if sheets.len() == 1 {
        "1 page".to_owned()
    } else {
        format!("{} pages", sheets.len())
    };
    let mut text = format!(
        "Scale cards at true size on {count} of {}.\n",
        args.paper.words()
    );
    text += "Print the PDF at 100%, measure both bars (100 mm) and give what you read to every check: --printed X,Y\n\n";
    for path in &files {
        text += &format!("  {}\n", path.display());
    }
    Ok(text)
}

fn json(answer: &impl Serialize) -> Result<String, Failure> {
    let text = serde_json::to_string(answer).map_err(|e| Failure::Output(e.to_string()))?;
    Ok(text + "\n")
}

/// A name as part of a file name: letters, digits, `-` and `_` stay.
pub(super) fn file_name(name: &str) -> String {
    let plain: String = name
        .chars()
        .map(|c| {
            if c.is_alphanumeric() || c == '-' || c == '_' {
                c
            } else {
                '-'
            }
        })
        .collect();
    if plain.trim_matches('-').is_empty() {
        "card".to_owned()
    } else {
        plain
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        card: CardArgs,
    }

    fn said(words: &[&str]) -> Result<String, Failure> {
        let line = Line::try_parse_from([&["card"], words].concat()).unwrap();
        answer(&line.card)
    }

    #[test]
    fn the_list_names_every_built_in_card() {
        let text = said(&["list"]).unwrap();
        assert_eq!(text.lines().count(), 8);
        assert!(
            text.contains("board    11 × 8   22 mm    16.5 mm  200–243  264 × 198 mm"),
            "{text}"
        );
        let json: serde_json::Value =
            serde_json::from_str(&said(&["list", "--json"]).unwrap()).unwrap();
        assert_eq!(json["cards"][6]["last_id"], 243);
    }

    #[test]
    fn a_layout_file_is_printed_under_its_own_name() {
        let dir = std::env::temp_dir().join(format!("fairpanel-card-{}", std::process::id()));
        std::fs::create_dir_all(&dir).unwrap();
        let file = dir.join("mine.json");
        let layout = r#"{"name": "bench 1/2", "dictionary": "DICT_4X4_250", "squares_x": 7, "squares_y": 5,
            "square_mm": 20, "marker_mm": 15, "first_id": 160}"#;
        std::fs::write(&file, layout).unwrap();
        let out = dir.join("out");
        let (file, folder) = (file.to_str().unwrap(), out.to_str().unwrap());
        let text = said(&[
            "print", file, "--out", folder, "--paper", "letter", "--json",
        ])
        .unwrap();
        let json: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(
            json["files"],
            serde_json::json!(["bench-1-2-letter.pdf", "bench-1-2-letter.svg"])
        );
        assert!(
            std::fs::read(out.join("bench-1-2-letter.pdf"))
                .unwrap()
                .starts_with(b"%PDF")
        );
        std::fs::remove_dir_all(&dir).unwrap();
    }

    #[test]
    fn an_unknown_card_is_refused_in_one_line() {
        let line = said(&["print", "no-such-card"]).unwrap_err().to_string();
        assert!(line.contains("no-such-card"), "{line}");
        assert!(line.len() < 250 && !line.contains('\n'));
    }
}
