//! Check bars: two scales at a right angle, by which a print proves its size.
//!
//! Printers stretch one way more than the other, so each axis has its own bar. Both start at one corner and are
//! [`BAR_MM`] long between the middles of their end ticks.

use super::item::{Align, Ink, Item, Pen, Text};
use super::path::{At, Path};

/// Length of each check bar, mm: what the user's measured lengths are compared with.
pub const BAR_MM: f64 = 100.0;

/// How far the longest tick stands out from a bar, mm.
pub const TICK_MM: f64 = 3.2;

/// Which way a bar runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Axis {
    /// To the right, ticks upward.
    X,
    /// Upward, ticks to the right.
    Y,
}

/// One check bar of `length_mm` that starts at `at` and is labelled with its length; ticks each 10 mm, long ones each
/// 50 mm, all on its inner side.
pub fn bar(at: At, axis: Axis, length_mm: f64) -> Vec<Item> {
    // (along, inward) of the bar to the sheet.
    let place = |along: f64, inward: f64| match axis {
        Axis::X => At::new(at.x + along, at.y - inward),
        Axis::Y => At::new(at.x + inward, at.y - along),
    };
    let line =
        |from: At, to: At, width_mm: f64| Item::note(Path::segment(from, to), Pen::black(width_mm));
    let mut items = vec![line(place(0.0, 0.0), place(length_mm, 0.0), 0.25)];
    let steps = (length_mm / 10.0).floor() as usize;
    for i in 0..=steps {
        let along = 10.0 * i as f64;
        let end = i == 0 || (length_mm - along).abs() < 1e-9;
        let tick = if end || i % 5 == 0 { TICK_MM } else { 1.8 };
        items.push(line(
            place(along, if end { -0.6 } else { 0.0 }),
            place(along, tick),
            0.15,
        ));
    }
    let turn_deg = if axis == Axis::X { 0.0 } else { -90.0 };
    // A short bar has room for its label beside its middle only.
    let beside = if length_mm < 60.0 {
        length_mm / 2.0
    } else {
        length_mm / 4.0
    };
    let baseline = match axis {
        Axis::X => place(beside, TICK_MM + 0.8),
        // Words that run upward stand with their feet to the right.
        Axis::Y => place(beside, TICK_MM + 0.8 + 0.71 * LABEL_MM),
    };
    let name = if axis == Axis::X { "X" } else { "Y" };
    items.push(Item::Text(
        Text::new(
            baseline,
            LABEL_MM,
            format!("{name}   measure me: {length_mm:.0} mm"),
        )
        .align(Align::Middle)
        .turned(turn_deg)
        .ink(Ink::BLACK),
    ));
    items
}

/// Type size of a bar's label, mm.
const LABEL_MM: f64 = 2.5;

/// Both check bars from the corner `at`: one to the right, one upward.
pub fn corner(at: At) -> Vec<Item> {
    let mut items = bar(at, Axis::X, BAR_MM);
    items.extend(bar(at, Axis::Y, BAR_MM));
    items
}
