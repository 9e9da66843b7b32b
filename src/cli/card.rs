//! `fairpanel card`: lists the scale cards and prints them.

#![cfg_attr(test, allow(clippy::unwrap_used))]

use super::keep;
use crate::card::CardError;
use crate::card::layout::{self, Layout};
use crate::card::print::{self, PrintError};
use crate::sheet::{Paper, Sheet, SheetError, pdf, svg};
use clap::{Args, Subcommand, ValueEnum};
use serde::Serialize;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Lists and prints the scale cards that give a photo its millimetres.
#[derive(Debug, Args)]
pub struct CardArgs {
    /// What to do.
    #[command(subcommand)]
    pub what: CardCommand,
}

/// What to do with the cards.
#[derive(Debug, Subcommand)]
pub enum CardCommand {
    /// Name the cards with their sizes and ids
    #[command(after_help = "Example:\n  fairpanel card list")]
    List(ListArgs),
    /// Write cards as true-size PDF and SVG
    #[command(
        after_help = "Examples:\n  fairpanel card print                      all cards on A4\n  fairpanel card print strip-1 strip-2      two strips\n  fairpanel card print --paper letter --out cards\n\nPrint at 100%, measure the bars, and give the lengths to every check: --printed 99.8,100.1"
    )]
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

impl From<PaperArg> for Paper {
    fn from(paper: PaperArg) -> Paper {
        match paper {
            PaperArg::A4 => Paper::A4,
            PaperArg::Letter => Paper::Letter,
            PaperArg::A3 => Paper::A3,
        }
    }
}

/// Why `card` could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum CardRunError {
    /// Neither a built-in name nor a file that can be read.
    #[error("No card '{name}' ({why}). Built-in are {built_in}; or give a layout file.")]
    Unknown {
        /// What was asked for.
        name: String,
        /// What the file system said.
        why: String,
        /// The built-in names.
        built_in: String,
    },
    /// A layout file at fault.
    #[error(transparent)]
    Card(#[from] CardError),
    /// Cards that don't fit the paper.
    #[error(transparent)]
    Print(#[from] PrintError),
    /// A drawing that can't be written.
    #[error(transparent)]
    Sheet(#[from] SheetError),
    /// The folder refuses the file.
    #[error("Can't write to '{folder}' ({why}). Choose another folder with --out.")]
    Write {
        /// The folder.
        folder: String,
        /// What the file system said.
        why: String,
    },
    /// The answer can't be written out; a closed pipe is no fault.
    #[error("The answer could not be written ({0}).")]
    Answer(#[from] io::Error),
}

/// Does what was asked and writes the answer to `out`.
///
/// # Errors
/// One line for the user; nothing has been written to `out` then.
pub fn run(args: &CardArgs, out: &mut dyn Write) -> Result<(), CardRunError> {
    match &args.what {
        CardCommand::List(args) => list(args, out),
        CardCommand::Print(args) => print(args, out),
    }
}

/// The layouts of these names or files; all built-in ones when there are none.
fn chosen(names: &[String]) -> Result<Vec<Layout>, CardRunError> {
    if names.is_empty() {
        return Ok(layout::built_in());
    }
    names
        .iter()
        .map(|name| match layout::named(name) {
            Some(layout) => Ok(layout),
            None => Ok(layout::read(&text_of(name)?)?),
        })
        .collect()
}

/// The text of a layout file; no layout takes more than 64 kB.
fn text_of(name: &str) -> Result<String, CardRunError> {
    use io::Read;
    let mut text = String::new();
    std::fs::File::open(Path::new(name))
        .and_then(|file| file.take(1 << 16).read_to_string(&mut text))
        .map_err(|e| {
            let names: Vec<String> = layout::built_in().into_iter().map(|l| l.name).collect();
            CardRunError::Unknown {
                name: name.chars().filter(|c| !c.is_control()).take(60).collect(),
                why: e.kind().to_string(),
                built_in: names.join(", "),
            }
        })?;
    Ok(text)
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

fn list(args: &ListArgs, out: &mut dyn Write) -> Result<(), CardRunError> {
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
        return json(&answer, out);
    }
    let longest = layouts
        .iter()
        .map(|l| l.name.chars().count())
        .max()
        .unwrap_or(0)
        .max(4);
    writeln!(
        out,
        "{:longest$}  squares  square   marker   ids      with its white edge",
        "card"
    )?;
    for card in &cards {
        let l = card.layout;
        writeln!(
            out,
            "{:longest$}  {:<7}  {:<7}  {:<7}  {:<7}  {} × {} mm",
            l.name,
            format!("{} × {}", l.squares_x, l.squares_y),
            format!("{} mm", l.square_mm),
            format!("{} mm", l.marker_mm),
            format!("{}–{}", l.first_id, card.last_id),
            card.width_mm,
            card.height_mm,
        )?;
    }
    Ok(())
}

#[derive(Serialize)]
struct PrintAnswer {
    schema: &'static str,
    check: &'static str,
    pages: usize,
    bar_mm: f64,
    files: Vec<String>,
}

fn print(args: &PrintArgs, out: &mut dyn Write) -> Result<(), CardRunError> {
    let layouts = chosen(&args.cards)?;
    let paper = Paper::from(args.paper);
    let sheets: Vec<Sheet> = print::sheets(&layouts, paper)?
        .into_iter()
        .map(|page| page.sheet)
        .collect();
    let stem = match layouts.as_slice() {
        [one] => format!("{}-{}", file_name(&one.name), paper.name()),
        _ => format!("cards-{}", paper.name()),
    };
    let refused = |e: io::Error| CardRunError::Write {
        folder: args.out.display().to_string().chars().take(80).collect(),
        why: e.kind().to_string(),
    };
    let mut files = vec![
        keep::put(
            &args.out,
            &stem,
            "pdf",
            &pdf::bytes("Scale cards", &sheets)?,
        )
        .map_err(refused)?,
    ];
    for (i, sheet) in sheets.iter().enumerate() {
        let stem = if sheets.len() == 1 {
            stem.clone()
        } else {
            format!("{stem}-{}", i + 1)
        };
        files.push(
            keep::put(&args.out, &stem, "svg", svg::text(sheet)?.as_bytes()).map_err(refused)?,
        );
    }
    let names: Vec<String> = files
        .iter()
        .filter_map(|path| path.file_name())
        .map(|name| name.to_string_lossy().into_owned())
        .collect();
    if args.json {
        let bar_mm = crate::sheet::bars::BAR_MM;
        let answer = PrintAnswer {
            schema: "fairpanel/1",
            check: "card",
            pages: sheets.len(),
            bar_mm,
            files: names,
        };
        return json(&answer, out);
    }
    let pages = if sheets.len() == 1 {
        "page".to_owned()
    } else {
        format!("{} pages", sheets.len())
    };
    writeln!(
        out,
        "Scale cards on {pages} of {}, true size.",
        paper.name()
    )?;
    writeln!(
        out,
        "Print the PDF at 100%, then measure both bars: they should be 100 mm. Give what you read to every check:"
    )?;
    writeln!(out, "  --printed X,Y")?;
    writeln!(out)?;
    for path in &files {
        writeln!(out, "{}", path.display())?;
    }
    Ok(())
}

fn json(answer: &impl Serialize, out: &mut dyn Write) -> Result<(), CardRunError> {
    serde_json::to_writer(&mut *out, answer).map_err(io::Error::from)?;
    Ok(writeln!(out)?)
}

/// A layout's name as part of a file name: letters, digits, `-` and `_` stay.
fn file_name(name: &str) -> String {
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

    fn said(words: &[&str]) -> Result<String, CardRunError> {
        let line = Line::try_parse_from([&["card"], words].concat()).unwrap();
        let mut out = Vec::new();
        run(&line.card, &mut out).map(|()| String::from_utf8(out).unwrap())
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
        assert!(
            line.contains("no-such-card") && line.contains("strip-1"),
            "{line}"
        );
        assert!(line.len() < 250 && !line.contains('\n'));
    }
}
