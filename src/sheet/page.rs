//! Pages and what stands on them.

use super::item::Item;

/// A paper size.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paper {
    /// 210 × 297 mm (ISO 216).
    A4,
    /// 8.5 × 11 inches, 215.9 × 279.4 mm (ANSI/ASME Y14.1, from memory).
    Letter,
    /// 297 × 420 mm (ISO 216).
    A3,
}

impl Paper {
    /// Short and long side, mm.
    pub fn sides_mm(self) -> (f64, f64) {
        match self {
            Paper::A4 => (210.0, 297.0),
            Paper::Letter => (215.9, 279.4),
            Paper::A3 => (297.0, 420.0),
        }
    }

    /// Its name in file names and on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Paper::A4 => "a4",
            Paper::Letter => "letter",
            Paper::A3 => "a3",
        }
    }
}

/// A paper size and which way it lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Page {
    /// The paper.
    pub paper: Paper,
    /// Long side across.
    pub landscape: bool,
}

impl Page {
    /// Long side up.
    pub fn portrait(paper: Paper) -> Self {
        Page {
            paper,
            landscape: false,
        }
    }

    /// Long side across.
    pub fn landscape(paper: Paper) -> Self {
        Page {
            paper,
            landscape: true,
        }
    }

    /// Width, mm.
    pub fn width_mm(self) -> f64 {
        let (short, long) = self.paper.sides_mm();
        if self.landscape { long } else { short }
    }

    /// Height, mm.
    pub fn height_mm(self) -> f64 {
        let (short, long) = self.paper.sides_mm();
        if self.landscape { short } else { long }
    }
}

/// One page of a true-size drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// The page.
    pub page: Page,
    /// What it is, in a few words, for the file's title.
    pub title: String,
    /// What stands on it; later items lie over earlier ones.
    pub items: Vec<Item>,
}

/// A true-size drawing of any size, not yet on pages.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// Width, mm.
    pub width_mm: f64,
    /// Height, mm.
    pub height_mm: f64,
    /// What it is, in a few words.
    pub title: String,
    /// What is drawn, between (0, 0) and (width, height).
    pub items: Vec<Item>,
}
