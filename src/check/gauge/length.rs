//! A template as long as the swage line itself, from the result of a line.
//!
//! The strip's upper edge is the line as it was measured, turned level; the straight line it ought to be (its least-squares
//! line) runs beside it, with a scale along it. Laid over the panel it shows every wave at once.

use super::profile::thinned;
use super::{CUT_MM, GaugeError, Mark};
use crate::fit::line::fit_line;
use crate::sheet::{Align, At, Drawing, Ink, Item, Path, Pen, Text};
use crate::units::Mm;
use serde::Deserialize;

/// A line to make a template of: places along and across, level, mm, across positive down.
#[derive(Debug, Clone, PartialEq)]
pub struct Length {
    /// Places, rising along; 0 is the first.
    pub places: Vec<At>,
    /// Job and station.
    pub mark: Mark,
    /// File it comes from.
    pub source: String,
}

/// Strip left below the line, mm: stiff enough in card to be held along a panel.
const STRIP_MM: f64 = 55.0;
/// Above the line there is room for its waves and this, mm.
const ABOVE_MM: f64 = 4.0;
/// Longest template, mm.
const LONGEST_MM: f64 = 6000.0;

/// Reads the answer of a line.
///
/// # Errors
/// [`GaugeError::NoResult`].
pub fn read_line(json: &str, source: &str, mark: &Mark) -> Result<Length, GaugeError> {
    #[derive(Deserialize)]
    struct Answer {
        line: Line,
    }
    #[derive(Deserialize)]
    struct Line {
        points_mm: Vec<[f64; 2]>,
    }
    let refuse = |reason| GaugeError::NoResult {
        check: "line",
        reason,
    };
    let answer: Answer =
        serde_json::from_str(json).map_err(|_| refuse("it has no line.points_mm"))?;
    let points: Vec<Mm> = answer
        .line
        .points_mm
        .iter()
        .map(|[x, y]| Mm::new(*x, *y))
        .collect();
    let line = fit_line(&points, None).map_err(|_| refuse("its points make no line"))?;
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return Err(refuse("it has no points"));
    };
    let along = if (last.0 - first.0).dot(&line.along) < 0.0 {
        -line.along
    } else {
        line.along
    };
    let own = |p: &Mm| {
        let d = p.0 - line.centre.0;
        At::new(d.dot(&along), along.x * d.y - along.y * d.x)
    };
    let mut places: Vec<At> = Vec::new();
    for p in points.iter().map(own) {
        if places.last().is_none_or(|q| p.x > q.x + 0.05) {
            places.push(p);
        }
    }
    let from = places.first().map_or(0.0, |p| p.x);
    for p in &mut places {
        p.x -= from;
    }
    let length = places.last().map_or(0.0, |p| p.x);
    if places.len() < 5 || length < 30.0 {
        return Err(refuse("its line is shorter than 30 mm"));
    }
    if length > LONGEST_MM || places.iter().any(|p| p.y.abs() > 500.0) {
        return Err(refuse("its line is longer than 6 m, or wild"));
    }
    Ok(Length {
        places,
        mark: mark.clone(),
        source: source.to_string(),
    })
}

/// The strip as one drawing, and its outline.
pub fn length_drawing(length: &Length) -> (Drawing, Path) {
    let top = length.places.iter().map(|p| p.y).fold(0.0, f64::min);
    let deep = length.places.iter().map(|p| p.y).fold(0.0, f64::max);
    let (dx, level) = (1.0, ABOVE_MM - top);
    let end = length.places.last().map_or(0.0, |p| p.x);
    let (width_mm, height_mm) = (end + 2.0 * dx, level + deep + STRIP_MM);
    // A fiftieth of a millimetre is less than any knife keeps.
    let line: Vec<At> = thinned(&length.places, 0.02)
        .iter()
        .map(|p| At::new(p.x + dx, p.y + level))
        .collect();
    let foot = height_mm - 1.0;
    let mut outline = Path::polyline(&line).unwrap_or_else(|| Path::from(At::new(dx, level)));
    outline = outline
        .line(At::new(end + dx, foot))
        .line(At::new(dx, foot))
        .close();
    let quiet = Pen::black(0.12).ink(Ink::QUIET);
    let mut items = vec![
        Item::cut(outline.clone(), Pen::black(CUT_MM)),
        Item::note(
            Path::segment(At::new(dx, level), At::new(end + dx, level)),
            quiet.dashed(4.0, 2.0),
        ),
    ];
    let rule = level + deep + 6.0;
    let mut s = 0.0;
    while s <= end {
        let long = (s % 100.0).abs() < 1e-6;
        let middle = (s % 50.0).abs() < 1e-6;
        let tick = if long {
            5.0
        } else if middle {
            3.5
        } else {
            2.0
        };
        items.push(Item::note(
            Path::segment(At::new(s + dx, rule), At::new(s + dx, rule + tick)),
            quiet,
        ));
        if long {
            items.push(Item::Text(
                Text::new(At::new(s + dx, rule + 9.0), 3.0, format!("{s:.0}")).align(if s == 0.0 {
                    Align::Start
                } else {
                    Align::Middle
                }),
            ));
        }
        s += 10.0;
    }
    // Once on every page's worth, so that each part says what it is.
    let mut at = 6.0;
    while at < end - 40.0 || at == 6.0 {
        let mark = length.mark.words();
        let words = if mark.is_empty() {
            "Swage line as measured · upper edge".to_string()
        } else {
            format!("{mark} · swage line as measured · upper edge")
        };
        items.push(Item::Text(Text::new(
            At::new(at + dx, rule + 19.0),
            3.6,
            words,
        )));
        items.push(Item::Text(
            Text::new(
                At::new(at + dx, rule + 24.0),
                2.6,
                format!("{:.0} mm long · dashed: straight line through it · numbers: mm from its left end", end),
            )
            .ink(Ink::QUIET),
        ));
        at += 240.0;
    }
    let drawing = Drawing {
        width_mm,
        height_mm,
        title: "Line template".to_string(),
        items,
    };
    (drawing, outline)
}
