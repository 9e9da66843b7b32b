//! Options that every check shares, spelled alike, and what they become.

use super::args::{self, Points};
use super::exit::Failure;
use crate::card::{Layout, layout};
use crate::check::Setup;
use crate::lens::{self, LensFile};
use clap::Args;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Options that every check of a photo takes.
#[derive(Debug, Clone, Args)]
pub struct Common {
    /// Answer as one JSON document on stdout
    #[arg(long)]
    pub json: bool,

    /// Folder for the answer, the marked photo and the plots; what an earlier run wrote there is replaced, your own
    /// files are left alone
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,

    /// Card in the photo: the name of a built-in one (`fairpanel card list`) or a layout file; may be repeated, and
    /// then only these are looked for [default: every built-in card that is there]
    #[arg(long, value_name = "NAME|FILE")]
    pub card: Vec<String>,

    /// Lens file of the camera from `fairpanel lens`, or an OpenCV calibration file (YAML), for a smaller ±
    #[arg(long, value_name = "FILE")]
    pub lens: Option<PathBuf>,

    /// Points on or near what is to be measured, in pixels of the photo as you see it: x1,y1,x2,y2[,…]
    #[arg(long, value_name = "X1,Y1,X2,Y2", value_parser = args::points, allow_hyphen_values = true)]
    pub near: Option<Points>,

    /// Tolerance in mm: the verdict is within, outside or can't tell
    #[arg(long, value_name = "MM", value_parser = args::length_mm, allow_hyphen_values = true)]
    pub tol: Option<f64>,

    /// Lengths of the two printed check bars as you measured them, across and down, in mm
    #[arg(long, value_name = "MM,MM", value_parser = args::pair_mm, allow_hyphen_values = true)]
    pub printed: Option<(f64, f64)>,
}

impl Common {
    /// Reads the card layouts and the lens file.
    ///
    /// # Errors
    /// [`Failure::Input`] for a file that is missing or not what it should be.
    pub fn setup(&self, bow_mm: f64) -> Result<Setup, Failure> {
        let layouts = self
            .card
            .iter()
            .map(|name| card_layout(name))
            .collect::<Result<Vec<Layout>, Failure>>()?;
        Ok(Setup {
            layouts: if layouts.is_empty() {
                None
            } else {
                Some(layouts)
            },
            lens: self.lens.as_deref().map(lens_file).transpose()?,
            printed: self.printed,
            bow_mm: Some(bow_mm),
        })
    }
}

/// A built-in layout by name, else the layout file.
///
/// # Errors
/// [`Failure::Input`] for a file that is missing or no layout.
pub fn card_layout(name: &str) -> Result<Layout, Failure> {
    if let Some(layout) = layout::named(name) {
        return Ok(layout);
    }
    let path = Path::new(name);
    if !path.exists() {
        return Err(Failure::Input(format!(
            "No card '{name}' is built in, and no such layout file exists. `fairpanel card list` shows the names."
        )));
    }
    layout::read(&small_text(path, "card layout")?)
        .map_err(|error| Failure::Input(format!("{name}: {error}")))
}

/// The lens file.
fn lens_file(path: &Path) -> Result<LensFile, Failure> {
    lens::LensFile::read_any(&small_text(path, "lens file")?)
        .map_err(|error| Failure::Input(format!("{}: {error}", path.display())))
}

/// Largest text file read, bytes: a result with a long line is a tenth of it.
const LARGEST_TEXT: u64 = 4 << 20;

/// Reads a small text file; `what` names it in messages.
///
/// # Errors
/// [`Failure::Input`] when it is missing, a folder, too large or not text.
pub fn small_text(path: &Path, what: &str) -> Result<String, Failure> {
    let name = path.display();
    let refuse = |reason: String| Failure::Input(reason);
    if path.is_dir() {
        return Err(refuse(format!("{name} is a folder, not a {what}.")));
    }
    let file = std::fs::File::open(path).map_err(|error| {
        refuse(format!(
            "The {what} {name} can't be opened: {}.",
            plain_io(&error)
        ))
    })?;
    let mut bytes = Vec::new();
    file.take(LARGEST_TEXT + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| {
            refuse(format!(
                "The {what} {name} can't be read: {}.",
                plain_io(&error)
            ))
        })?;
    if bytes.len() as u64 > LARGEST_TEXT {
        return Err(refuse(format!("{name} is too large for a {what}.")));
    }
    String::from_utf8(bytes)
        .map_err(|_| refuse(format!("{name} is not text, so it is not a {what}.")))
}

/// A file problem without the system's error number.
pub fn plain_io(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "no such file".to_string(),
        std::io::ErrorKind::PermissionDenied => "no permission".to_string(),
        _ => error.to_string(),
    }
}
