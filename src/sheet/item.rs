//! What stands on a sheet: areas, lines and words, each with its ink.

use super::font;
use super::path::{At, Frame, Path};

/// Which of the two layers of a drawing a line belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layer {
    /// Where knife, saw or laser goes.
    Cut,
    /// To be read, not cut.
    Note,
}

/// How dark: 0 is black, 255 paper white.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ink(pub u8);

impl Ink {
    /// Black.
    pub const BLACK: Ink = Ink(0);
    /// For small print that should stay in the background, dark enough for a worn-out printer.
    pub const QUIET: Ink = Ink(90);
    /// For lines that guide and are not part of the piece.
    pub const FAINT: Ink = Ink(170);
    /// Paper white, to clear what lies below.
    pub const WHITE: Ink = Ink(255);
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pen {
    /// Width of the line, mm.
    pub width_mm: f64,
    /// Its ink.
    pub ink: Ink,
    /// Length of dash and gap, mm; a whole line when absent.
    pub dash_mm: Option<(f64, f64)>,
}

impl Pen {
    /// A whole black line, width in mm.
    pub fn black(width_mm: f64) -> Self {
        Pen {
            width_mm,
            ink: Ink::BLACK,
            dash_mm: None,
        }
    }

    /// The same line in another ink.
    pub fn ink(self, ink: Ink) -> Self {
        Pen { ink, ..self }
    }

    /// The same line dashed, dash and gap in mm.
    pub fn dashed(self, dash_mm: f64, gap_mm: f64) -> Self {
        Pen {
            dash_mm: Some((dash_mm, gap_mm)),
            ..self
        }
    }
}

/// Where words stand relative to their place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Align {
    /// They start there.
    Start,
    /// Their middle is there.
    Middle,
    /// They end there.
    End,
}

/// One line of words, always on the note layer.
#[derive(Debug, Clone, PartialEq)]
pub struct Text {
    /// Place on the baseline.
    pub at: At,
    /// Size of the type (em), mm; capitals are 0.71 of it.
    pub size_mm: f64,
    /// Which part of the words stands at `at`.
    pub align: Align,
    /// Direction in which the words run, degrees from x toward y (-90: upward).
    pub turn_deg: f64,
    /// Ink.
    pub ink: Ink,
    /// The words.
    pub words: String,
}

impl Text {
    /// Black words that start at a place and run to the right; size in mm.
    pub fn new(at: At, size_mm: f64, words: impl Into<String>) -> Self {
        Text {
            at,
            size_mm,
            align: Align::Start,
            turn_deg: 0.0,
            ink: Ink::BLACK,
            words: words.into(),
        }
    }

    /// The same words aligned otherwise.
    pub fn align(self, align: Align) -> Self {
        Text { align, ..self }
    }

    /// The same words turned, degrees from x toward y.
    pub fn turned(self, turn_deg: f64) -> Self {
        Text { turn_deg, ..self }
    }

    /// The same words in another ink.
    pub fn ink(self, ink: Ink) -> Self {
        Text { ink, ..self }
    }

    /// Width of the words as printed, mm.
    pub fn width_mm(&self) -> f64 {
        font::width_mm(&self.words, self.size_mm)
    }

    /// Where the words start on the baseline, alignment resolved.
    pub fn start(&self) -> At {
        let back_mm = match self.align {
            Align::Start => 0.0,
            Align::Middle => self.width_mm() / 2.0,
            Align::End => self.width_mm(),
        };
        let (sin, cos) = self.turn_deg.to_radians().sin_cos();
        At::new(self.at.x - back_mm * cos, self.at.y - back_mm * sin)
    }

    fn bounds(&self) -> Frame {
        let (start, width_mm) = (self.start(), self.width_mm());
        let (sin, cos) = self.turn_deg.to_radians().sin_cos();
        let corner = |along: f64, down: f64| {
            At::new(
                start.x + along * cos - down * sin,
                start.y + along * sin + down * cos,
            )
        };
        let (up, down) = (-self.size_mm, 0.25 * self.size_mm);
        Path::from(corner(0.0, up))
            .line(corner(width_mm, up))
            .line(corner(width_mm, down))
            .line(corner(0.0, down))
            .bounds()
    }
}

/// One thing on a sheet. Later items lie over earlier ones.
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    /// A filled area: the inside of closed paths, holes by the even-odd rule. On the note layer.
    Fill {
        /// Its outlines.
        paths: Vec<Path>,
        /// Its ink.
        ink: Ink,
    },
    /// A drawn line.
    Stroke {
        /// Where it runs.
        path: Path,
        /// How it is drawn.
        pen: Pen,
        /// Which layer it is on.
        layer: Layer,
    },
    /// Words.
    Text(Text),
    /// Items of which only what lies inside a frame is seen: one tile of a longer drawing.
    Window {
        /// The frame.
        frame: Frame,
        /// The items, already in their places on this sheet.
        items: Vec<Item>,
    },
}

impl Item {
    /// A filled area with one outline.
    pub fn fill(path: Path, ink: Ink) -> Self {
        Item::Fill {
            paths: vec![path],
            ink,
        }
    }

    /// A line to cut along.
    pub fn cut(path: Path, pen: Pen) -> Self {
        Item::Stroke {
            path,
            pen,
            layer: Layer::Cut,
        }
    }

    /// A line to be read.
    pub fn note(path: Path, pen: Pen) -> Self {
        Item::Stroke {
            path,
            pen,
            layer: Layer::Note,
        }
    }

    /// The item moved by (`dx_mm`, `dy_mm`).
    pub fn moved(&self, dx_mm: f64, dy_mm: f64) -> Self {
        match self {
            Item::Fill { paths, ink } => Item::Fill {
                paths: paths.iter().map(|p| p.moved(dx_mm, dy_mm)).collect(),
                ink: *ink,
            },
            Item::Stroke { path, pen, layer } => Item::Stroke {
                path: path.moved(dx_mm, dy_mm),
                pen: *pen,
                layer: *layer,
            },
            Item::Text(text) => Item::Text(Text {
                at: At::new(text.at.x + dx_mm, text.at.y + dy_mm),
                ..text.clone()
            }),
            Item::Window { frame, items } => Item::Window {
                frame: Frame {
                    x0: frame.x0 + dx_mm,
                    y0: frame.y0 + dy_mm,
                    x1: frame.x1 + dx_mm,
                    y1: frame.y1 + dy_mm,
                },
                items: moved(items, dx_mm, dy_mm),
            },
        }
    }

    /// The smallest upright frame round what is seen of the item, line width included; `None` for an empty one.
    pub fn bounds(&self) -> Option<Frame> {
        match self {
            Item::Fill { paths, .. } => paths.iter().map(Path::bounds).reduce(Frame::union),
            Item::Stroke { path, pen, .. } => Some(path.bounds().grown(pen.width_mm / 2.0)),
            Item::Text(text) => (!text.words.is_empty()).then(|| text.bounds()),
            Item::Window { frame, items } => (!items.is_empty()).then_some(*frame),
        }
    }
}

/// All items moved by (`dx_mm`, `dy_mm`).
pub fn moved(items: &[Item], dx_mm: f64, dy_mm: f64) -> Vec<Item> {
    items.iter().map(|item| item.moved(dx_mm, dy_mm)).collect()
}
