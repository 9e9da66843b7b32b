//! Finds room for labels beside the line: near their place, over nothing that matters, in the picture.

use super::drawing::{Anchor, Colour, Drawing, Frame, INK, Paint, Place, Text, WHITE};
use super::font;
use nalgebra::Vector2;

/// A label and what it points at.
#[derive(Debug, Clone, PartialEq)]
pub struct Label {
    /// The place it points at.
    pub at: Place,
    /// The side of the line it would rather lie on: above zero the way of [`Room::away`], below zero the other.
    pub side: f64,
    /// Its words.
    pub words: String,
    /// Its colour; a bar beside the words, which are dark on white whatever it is.
    pub colour: Colour,
}

/// Finds room for labels and draws them with their leaders; the first in the list get the best places.
pub fn draw(drawing: &mut Drawing, labels: &[Label], room: &Room, type_size: f64) {
    // A label that points nowhere is left out.
    let labels: Vec<&Label> = labels
        .iter()
        .filter(|label| label.at.iter().all(|part| part.is_finite()))
        .collect();
    let (pad, bar) = (type_size * 0.35, type_size * 0.4);
    let wanted: Vec<Wanted> = labels
        .iter()
        .map(|label| Wanted {
            at: label.at,
            side: label.side,
            width: font::width(&label.words, type_size, true) + 2.0 * pad + bar,
            height: type_size * 1.5,
        })
        .collect();
    let boxes = room.place(&wanted);
    for (label, frame) in labels.iter().zip(&boxes) {
        drawing.rimmed(
            vec![frame.nearest(label.at), label.at],
            type_size * 0.1,
            INK,
        );
    }
    for (label, frame) in labels.iter().zip(&boxes) {
        drawing.area(
            frame.grown(type_size * 0.08).corners(),
            Paint::Plain(INK, 1.0),
        );
        drawing.area(frame.corners(), Paint::Plain(WHITE, 1.0));
        let side = Frame {
            right: frame.left + bar,
            ..*frame
        };
        drawing.area(side.corners(), Paint::Plain(label.colour, 1.0));
        drawing.text(Text {
            at: Place::new(side.right + pad, frame.bottom - type_size * 0.42),
            size: type_size,
            bold: true,
            colour: INK,
            anchor: Anchor::Start,
            words: label.words.clone(),
        });
    }
}

/// A box looking for room.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Wanted {
    /// What it points at.
    at: Place,
    side: f64,
    width: f64,
    height: f64,
}

/// Where labels may go and what they must not cover.
#[derive(Debug, Clone)]
pub struct Room {
    /// The labels stay in here.
    pub within: Frame,
    /// Places better left uncovered: the line, the ribbon.
    pub keep_clear: Vec<Place>,
    /// Unit direction square to the line, the way labels step away from it.
    pub away: Vector2<f64>,
}

/// How many steps away a label is tried.
const STEPS: i32 = 7;

/// A box that found its room, and points along the leader from it to what it points at.
type Placed = (Frame, Vec<Place>);

impl Room {
    /// A box for each label, in the order given: the first takes its best place, the rest avoid it.
    fn place(&self, labels: &[Wanted]) -> Vec<Frame> {
        let mut taken: Vec<Placed> = Vec::with_capacity(labels.len());
        for label in labels {
            let best = self
                .candidates(label)
                .map(|frame| (self.cost(&frame, label, &taken), frame))
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .map_or_else(|| boxed(label, label.at), |(_, frame)| frame);
            taken.push((best, leader(&best, label.at)));
        }
        taken.into_iter().map(|(frame, _)| frame).collect()
    }

    /// Boxes on both sides of the line at several distances, straight off the place or shifted along the line, pushed
    /// back into the picture.
    fn candidates<'a>(&'a self, label: &'a Wanted) -> impl Iterator<Item = Frame> + 'a {
        let along = Vector2::new(-self.away.y, self.away.x);
        // How far the box's middle must go so that its edge clears the place.
        let reach = (self.away.x.abs() * label.width + self.away.y.abs() * label.height) / 2.0;
        let sideways = (along.x.abs() * label.width + along.y.abs() * label.height) / 2.0;
        (1..=STEPS).flat_map(move |step| {
            [1.0, -1.0].into_iter().flat_map(move |side| {
                [0.0, 0.8, -0.8].into_iter().map(move |shift| {
                    let out = self.away * (side * (reach + f64::from(step) * label.height * 0.6));
                    let middle = label.at + out + along * (shift * sideways);
                    self.pushed_in(boxed(label, middle))
                })
            })
        })
    }

    /// The box moved so that it lies in the picture.
    fn pushed_in(&self, frame: Frame) -> Frame {
        let push = |low: f64, high: f64, least: f64, most: f64| {
            (least - low).max(0.0) - (high - most).max(0.0)
        };
        let right = push(frame.left, frame.right, self.within.left, self.within.right);
        let down = push(frame.top, frame.bottom, self.within.top, self.within.bottom);
        Frame {
            left: frame.left + right,
            right: frame.right + right,
            top: frame.top + down,
            bottom: frame.bottom + down,
        }
    }

    /// How bad a box is: over another label counts most, then a leader across a label, then what it covers of the
    /// line, then its distance and side.
    fn cost(&self, frame: &Frame, label: &Wanted, taken: &[Placed]) -> f64 {
        let wide = frame.grown(label.height * 0.15);
        let own = leader(frame, label.at);
        let over = taken.iter().filter(|(other, _)| wide.meets(other)).count() as f64;
        let crossed = taken
            .iter()
            .filter(|(other, line)| {
                own.iter().any(|at| other.holds(*at)) || line.iter().any(|at| wide.holds(*at))
            })
            .count() as f64;
        let covered = self.keep_clear.iter().filter(|at| wide.holds(**at)).count() as f64;
        let middle = Place::new(
            (frame.left + frame.right) / 2.0,
            (frame.top + frame.bottom) / 2.0,
        );
        let wrong_side = (middle - label.at).dot(&self.away) * label.side < 0.0;
        let detour = if wrong_side { label.height * 2.0 } else { 0.0 };
        over * 1e7 + crossed * 1e5 + covered * 1e3 + detour + (middle - label.at).norm()
    }
}

/// Points along the leader from a box to the place it points at.
fn leader(frame: &Frame, at: Place) -> Vec<Place> {
    let near = frame.nearest(at);
    (0..=12)
        .map(|step| near + (at - near) * (f64::from(step) / 12.0))
        .collect()
}

/// A label's box about a middle.
fn boxed(label: &Wanted, middle: Place) -> Frame {
    Frame {
        left: middle.x - label.width / 2.0,
        right: middle.x + label.width / 2.0,
        top: middle.y - label.height / 2.0,
        bottom: middle.y + label.height / 2.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn room() -> Room {
        Room {
            within: Frame {
                left: 0.0,
                top: 0.0,
                right: 1000.0,
                bottom: 600.0,
            },
            keep_clear: (0..100)
                .map(|step| Place::new(f64::from(step) * 10.0, 300.0))
                .collect(),
            away: Vector2::new(0.0, 1.0),
        }
    }

    fn wanted(at: &[f64]) -> Vec<Wanted> {
        at.iter()
            .map(|x| Wanted {
                at: Place::new(*x, 300.0),
                side: 0.0,
                width: 220.0,
                height: 40.0,
            })
            .collect()
    }

    #[test]
    fn labels_keep_off_the_line_and_each_other() {
        let boxes = room().place(&wanted(&[5.0, 100.0, 150.0, 200.0, 995.0]));
        for (at, frame) in boxes.iter().enumerate() {
            assert!(
                frame.left >= 0.0
                    && frame.right <= 1000.0
                    && frame.top >= 0.0
                    && frame.bottom <= 600.0
            );
            assert!(!room().keep_clear.iter().any(|place| frame.holds(*place)));
            assert!(!boxes.iter().take(at).any(|other| frame.meets(other)));
        }
    }

    #[test]
    fn leaders_keep_off_other_labels_where_there_is_room() {
        let labels = wanted(&[40.0, 300.0, 420.0, 700.0, 960.0]);
        let boxes = room().place(&labels);
        for (own, (label, frame)) in labels.iter().zip(&boxes).enumerate() {
            let line = leader(frame, label.at);
            let crossed = |(other, cut): (usize, &Frame)| {
                other != own && line.iter().any(|on| cut.holds(*on))
            };
            assert!(!boxes.iter().enumerate().any(crossed));
        }
    }

    #[test]
    fn a_label_too_large_for_the_picture_still_gets_a_box() {
        let huge = Wanted {
            at: Place::new(500.0, 300.0),
            side: 0.0,
            width: 3000.0,
            height: 40.0,
        };
        assert_eq!(room().place(&[huge]).len(), 1);
    }
}
