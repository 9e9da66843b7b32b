//! Curved sanding blocks: the profile to which a block is cut so that paper and pad round it make the radius.

use super::leaf::{fitting, number};
use super::profile::{Profile, RADII_MM};
use super::{CUT_MM, GaugeError, Mark, Piece, sized};
use crate::sheet::{Align, At, Ink, Item, Path, Pen, Text};

/// A block that is wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// Radius that paper and pad shall make on the swage, mm.
    pub radius_mm: f64,
    /// Turn between the flanks, degrees.
    pub turn_deg: f64,
    /// Paper, mm.
    pub paper_mm: f64,
    /// Pad (foam, felt, rubber) under the paper, mm.
    pub pad_mm: f64,
    /// For an inner corner: a round nose; else a hollow that rides on the crest.
    pub root: bool,
    /// Job and station.
    pub mark: Mark,
}

/// Flank of the block's face beyond the arc, along itself, mm: it rides on the panel's flanks and keeps the arc true.
const FLANK_MM: f64 = 14.0;
/// Body of the block behind its face, mm.
const BODY_MM: f64 = 32.0;

/// Draws a block's end profile. Its face has the swage's radius less paper and pad in a root, more on a crest; the faint line
/// shows the finished paper.
///
/// # Errors
/// [`GaugeError::Size`]; [`GaugeError::TooThick`] when paper and pad eat up the radius.
pub fn block(block: &Block) -> Result<Piece, GaugeError> {
    sized("a radius", block.radius_mm, RADII_MM, "mm")?;
    sized("a paper", block.paper_mm, (0.0, 10.0), "mm")?;
    sized("a pad", block.pad_mm, (0.0, 50.0), "mm")?;
    let thick_mm = block.paper_mm + block.pad_mm;
    let face_mm = if block.root {
        block.radius_mm - thick_mm
    } else {
        block.radius_mm + thick_mm
    };
    if face_mm < RADII_MM.0 {
        return Err(GaugeError::TooThick {
            thick_mm,
            radius_mm: block.radius_mm,
        });
    }
    let face = Profile::wanted(face_mm, block.turn_deg, FLANK_MM)?;
    let swage = Profile::wanted(block.radius_mm, block.turn_deg, FLANK_MM)?;
    let bounds = face.path.bounds();
    // Room beside the block for the dashed line.
    let aside = thick_mm * (0.5 * block.turn_deg.to_radians()).sin();
    let width_mm = bounds.width_mm() + 2.0 * aside;
    let (left, right) = (aside, width_mm - aside);
    let rise = bounds.height_mm();
    // The arcs share their centre: the swage's peak lies the offset beyond the face's.
    let margin = thick_mm + 1.0;
    let (outline, height_mm, face_y) = if block.root {
        // Nose up, body below.
        let y0 = margin;
        let path = face.path.moved(0.5 * width_mm, y0);
        let height = y0 + rise + BODY_MM;
        let outline = Path {
            closed: true,
            ..path
                .line(At::new(right, height))
                .line(At::new(left, height))
        };
        (outline, height, y0)
    } else {
        // Hollow down, body above.
        let y0 = BODY_MM;
        let path = face.path.moved(0.5 * width_mm, y0);
        let height = y0 + rise + margin;
        let outline = Path {
            closed: true,
            ..path.line(At::new(right, 0.0)).line(At::new(left, 0.0))
        };
        (outline, height, y0)
    };
    let centre_y = face_y + face_mm;
    let swage_path = swage.path.moved(0.5 * width_mm, centre_y - block.radius_mm);
    let mut items = vec![
        Item::cut(outline.clone(), Pen::black(CUT_MM)),
        Item::note(
            swage_path,
            Pen::black(0.12).ink(Ink::QUIET).dashed(1.6, 1.0),
        ),
    ];
    let middle = 0.5 * width_mm;
    let top = if block.root { face_y + rise + 9.0 } else { 7.0 };
    let mut say = |k: usize, size: f64, words: String, ink: Ink| {
        if !words.is_empty() {
            items.push(Item::Text(
                Text::new(
                    At::new(middle, top + 3.9 * k as f64),
                    fitting(&words, size, right - left - 3.0),
                    words,
                )
                .align(Align::Middle)
                .ink(ink),
            ));
        }
    };
    let kind = if block.root { "INSIDE" } else { "OUTSIDE" };
    say(0, 4.6, format!("R {}", number(block.radius_mm)), Ink::BLACK);
    say(
        1,
        2.5,
        format!("{kind} block · turn {}°", number(block.turn_deg)),
        Ink::BLACK,
    );
    say(
        2,
        2.5,
        format!("face cut to R {}", number(face_mm)),
        Ink::BLACK,
    );
    let layers = match (block.paper_mm > 0.0, block.pad_mm > 0.0) {
        (true, true) => format!(
            "paper {} mm, pad {} mm",
            number(block.paper_mm),
            number(block.pad_mm)
        ),
        (true, false) => format!("paper {} mm", number(block.paper_mm)),
        (false, true) => format!("pad {} mm", number(block.pad_mm)),
        (false, false) => String::new(),
    };
    say(3, 2.5, layers, Ink::BLACK);
    say(4, 2.5, block.mark.words(), Ink::QUIET);
    Ok(Piece {
        width_mm,
        height_mm,
        items,
        outlines: vec![outline],
    })
}
