//! A leaf: a piece of card parted along a profile into the gauge for a crest and the gauge for a root.

use super::profile::{Form, Profile};
use super::{CUT_MM, GaugeError, Mark, Piece, sized};
use crate::sheet::{Align, At, Frame, Ink, Item, Path, Pen, Seg, Text, font};

/// What a leaf is cut to.
#[derive(Debug, Clone, PartialEq)]
pub struct Leaf {
    /// The parting line.
    pub profile: Profile,
    /// Card left to hold above and below the line, mm.
    pub body_mm: f64,
    /// Job and station.
    pub mark: Mark,
}

/// Card left to hold above and below the parting line of a radius gauge and of a section template, mm.
const BODY_MM: f64 = 18.0;
/// As [`BODY_MM`], of a section template.
pub const TEMPLATE_BODY_MM: f64 = 28.0;
/// Flanks of radius gauges, along themselves, mm: long enough to find both flanks, short enough for a crowned panel.
pub const FLANK_MM: f64 = 12.0;

/// Type sizes, mm.
const LARGE_MM: f64 = 4.6;
const SMALL_MM: f64 = 2.8;
const TINY_MM: f64 = 2.3;

/// Draws a leaf. Its upper part sits on a crest (outside), its lower part fits into a root (inside).
pub fn leaf(leaf: &Leaf) -> Piece {
    let bounds = leaf.profile.path.bounds();
    let (left, right) = leaf.profile.ends();
    let (dx, dy) = (-left.x, leaf.body_mm - bounds.y0);
    let line = leaf.profile.path.moved(dx, dy);
    let (left, right) = (
        At::new(left.x + dx, left.y + dy),
        At::new(right.x + dx, right.y + dy),
    );
    let width_mm = right.x - left.x;
    let height_mm = bounds.y1 + dy + leaf.body_mm;
    let frame = Frame::from_size(0.0, 0.0, width_mm, height_mm);
    let pen = Pen::black(CUT_MM);
    let mut items = vec![
        Item::cut(Path::rect(frame), pen),
        Item::cut(line.clone(), pen),
    ];
    items.extend(tangent_ticks(&leaf.profile, dx, dy));
    let middle = 0.5 * width_mm;
    let name = match (leaf.profile.form, leaf.profile.radius_mm) {
        (Form::Wanted, Some(r)) => format!("R {}", number(r)),
        (Form::Measured, Some(r)) => format!("R {r:.1} as measured"),
        (_, None) => "as measured".to_string(),
    };
    let turn = leaf.profile.turn_deg.map_or(String::new(), |t| {
        format!(", turn {}°", number((t * 10.0).round() / 10.0))
    });
    let room = width_mm - 3.0;
    let size = fitting(&name, LARGE_MM, room);
    let mut say = |y: f64, size: f64, words: String, ink: Ink| {
        if !words.is_empty() {
            items.push(Item::Text(
                Text::new(At::new(middle, y), fitting(&words, size, room), words)
                    .align(Align::Middle)
                    .ink(ink),
            ));
        }
    };
    say(5.2, size, name.clone(), Ink::BLACK);
    say(8.6, SMALL_MM, "OUTSIDE".into(), Ink::BLACK);
    say(11.6, TINY_MM, format!("crest{turn}"), Ink::BLACK);
    say(14.4, TINY_MM, leaf.mark.words(), Ink::QUIET);
    let foot = if leaf.mark.words().is_empty() {
        2.0
    } else {
        4.6
    };
    say(height_mm - foot - 6.2, size, name, Ink::BLACK);
    say(
        height_mm - foot - 2.9,
        SMALL_MM,
        "INSIDE".into(),
        Ink::BLACK,
    );
    say(height_mm - foot, TINY_MM, format!("root{turn}"), Ink::BLACK);
    say(height_mm - 1.8, TINY_MM, leaf.mark.words(), Ink::QUIET);
    let upper = chained(
        Path::from(At::new(0.0, 0.0))
            .line(At::new(width_mm, 0.0))
            .line(right),
        &reversed(&line),
    )
    .close();
    let lower = chained(Path::from(left), &line)
        .line(At::new(width_mm, height_mm))
        .line(At::new(0.0, height_mm))
        .close();
    Piece {
        width_mm,
        height_mm,
        items,
        outlines: vec![upper, lower],
    }
}

/// Type that keeps words within a width, mm; never smaller than can be read.
pub(super) fn fitting(words: &str, size_mm: f64, room_mm: f64) -> f64 {
    let width = font::width_mm(words, size_mm);
    if width > room_mm {
        (size_mm * room_mm / width).max(1.4)
    } else {
        size_mm
    }
}

/// Short ticks square to the line where arc and flanks meet, and a dot at the arc's centre where there is room for one.
fn tangent_ticks(profile: &Profile, dx: f64, dy: f64) -> Vec<Item> {
    let (Some(tangents), Some(centre)) = (profile.tangents, profile.centre) else {
        return Vec::new();
    };
    let pen = Pen::black(0.12).ink(Ink::QUIET);
    tangents
        .iter()
        .map(|t| {
            let out = (t - centre).normalize();
            let at = |by: f64| At::new(t.x + out.x * by + dx, t.y + out.y * by + dy);
            Item::note(Path::segment(at(0.5), at(2.2)), pen)
        })
        .collect()
}

/// A number without needless decimals.
pub fn number(v: f64) -> String {
    let text = format!("{v:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// The path run the other way.
fn reversed(path: &Path) -> Path {
    let mut places = vec![path.start];
    for piece in path.pieces() {
        match piece {
            crate::sheet::path::Piece::Line { to, .. }
            | crate::sheet::path::Piece::Arc { to, .. } => places.push(to),
        }
    }
    let mut back = Path::from(places[places.len() - 1]);
    for (k, seg) in path.segs.iter().enumerate().rev() {
        back = match seg {
            Seg::Line(_) => back.line(places[k]),
            Seg::Arc { centre, sweep_deg } => back.arc(*centre, -sweep_deg),
        };
    }
    back
}

/// A path continued by another that begins where it ends.
fn chained(mut path: Path, by: &Path) -> Path {
    path.segs.extend(by.segs.iter().copied());
    path
}

/// A set of radius gauges, one leaf a radius.
///
/// # Errors
/// [`GaugeError::Size`] for a radius or turn that can't be drawn.
pub fn set(
    radii_mm: &[f64],
    turn_deg: f64,
    flank_mm: f64,
    mark: &Mark,
) -> Result<Vec<Piece>, GaugeError> {
    sized("a set", radii_mm.len() as f64, (1.0, 2000.0), "gauges")?;
    radii_mm
        .iter()
        .map(|r| {
            Ok(leaf(&Leaf {
                profile: Profile::wanted(*r, turn_deg, flank_mm)?,
                body_mm: BODY_MM,
                mark: mark.clone(),
            }))
        })
        .collect()
}
