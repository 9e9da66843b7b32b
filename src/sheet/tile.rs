//! Long drawings over several pages, with marks to join them by.
//!
//! Neighbouring pieces show the same [`OVERLAP_MM`] of the drawing. In its middle runs a dashed join line with two
//! crosses; both pieces carry them at the same place of the drawing, so when the crosses lie over each other (against
//! a window pane) the join is true. Pieces are of equal size, and low ones stand under each other on one page. Every
//! page has its own check bars and says how it is printed, as pages may come from different printers. Words are never
//! cut by a join: what lies whole in no piece is moved into the one that holds most of it.

use super::bars;
use super::item::{Align, Ink, Item, Pen, Text};
use super::page::{Drawing, Page, Paper, Sheet};
use super::path::{At, Frame, Path};
use super::{SheetError, drawable};

/// How much of the drawing two neighbouring pieces share, mm.
pub const OVERLAP_MM: f64 = 12.0;

/// Most pages a drawing may take.
pub const MOST_PAGES: usize = 200;

/// Room for the check bars at left and bottom, for the title at the top, and at the right edge, mm.
const LEFT_MM: f64 = 14.0;
const BOTTOM_MM: f64 = 14.0;
const TOP_MM: f64 = 14.0;
const RIGHT_MM: f64 = 7.0;
/// How every page is printed; stands beside the check bars.
const PRINT: &str = "Print at 100% (actual size). Both bars must be 100 mm long: measure them.";
/// Between pieces under each other, mm.
const BETWEEN_MM: f64 = 9.0;

/// How a drawing is cut for one kind of page.
#[derive(Debug, Clone, Copy)]
struct Cut {
    page: Page,
    across: usize,
    down: usize,
    /// Size of every piece, mm.
    width_mm: f64,
    height_mm: f64,
    /// Pieces on a page, under each other.
    stacked: usize,
}

impl Cut {
    fn new(drawing: &Drawing, page: Page) -> Self {
        let (room_x, room_y) = (
            page.width_mm() - LEFT_MM - RIGHT_MM,
            page.height_mm() - TOP_MM - BOTTOM_MM,
        );
        let (across, width_mm) = shares(drawing.width_mm, room_x);
        let (down, height_mm) = shares(drawing.height_mm, room_y);
        let stacked = ((room_y + BETWEEN_MM) / (height_mm + BETWEEN_MM))
            .floor()
            .max(1.0) as usize;
        Cut {
            page,
            across,
            down,
            width_mm,
            height_mm,
            stacked,
        }
    }

    fn pieces(&self) -> usize {
        self.across.saturating_mul(self.down)
    }

    fn pages(&self) -> usize {
        self.pieces().div_ceil(self.stacked)
    }
}

/// Number and size of equal pieces of `length` that overlap and are no longer than `room`, mm.
fn shares(length: f64, room: f64) -> (usize, f64) {
    if length <= room {
        return (1, length);
    }
    let count = ((length - OVERLAP_MM) / (room - OVERLAP_MM)).ceil();
    (
        count as usize,
        (length + (count - 1.0) * OVERLAP_MM) / count,
    )
}

/// The drawing on pages of one paper, portrait or landscape, whichever has fewer joins.
///
/// # Errors
/// [`SheetError::NotDrawable`] for sizes that are no numbers or too large; [`SheetError::TooManyPages`] beyond
/// [`MOST_PAGES`].
pub fn over_pages(drawing: &Drawing, paper: Paper) -> Result<Vec<Sheet>, SheetError> {
    drawable(&drawing.items)?;
    let fine = |mm: f64| mm > 0.0 && mm <= super::LIMIT_MM;
    if !fine(drawing.width_mm) || !fine(drawing.height_mm) {
        return Err(SheetError::NotDrawable {
            limit_mm: super::LIMIT_MM,
        });
    }
    let (wide, tall) = (
        Cut::new(drawing, Page::landscape(paper)),
        Cut::new(drawing, Page::portrait(paper)),
    );
    // Each join adds its own error, so fewer pieces come first, then fewer pages.
    let rank = |cut: &Cut| (cut.pieces(), cut.pages());
    let cut = if rank(&wide) <= rank(&tall) {
        wide
    } else {
        tall
    };
    if cut.pages() > MOST_PAGES {
        return Err(SheetError::TooManyPages {
            pages: cut.pages(),
            most: MOST_PAGES,
        });
    }
    let whole: Vec<(Frame, Item)> = drawing
        .items
        .iter()
        .map(|item| kept_whole(item, &cut))
        .chain(joins(drawing, &cut))
        .filter_map(|item| Some((item.bounds()?, item)))
        .collect();
    let pieces: Vec<usize> = (0..cut.pieces()).collect();
    let pages = pieces.chunks(cut.stacked);
    let of = pages.len();
    Ok(pages
        .enumerate()
        .map(|(i, on_page)| page(drawing, &whole, &cut, on_page, (i + 1, of)))
        .collect())
}

/// Whether a piece holds all of it.
fn held(cut: &Cut, b: &Frame) -> bool {
    (0..cut.pieces()).any(|k| window(cut, k).holds(b))
}

/// Where piece `k` lies in the drawing.
fn window(cut: &Cut, k: usize) -> Frame {
    let (column, row) = (k % cut.across, k / cut.across);
    let x = column as f64 * (cut.width_mm - OVERLAP_MM);
    let y = row as f64 * (cut.height_mm - OVERLAP_MM);
    Frame::from_size(x, y, cut.width_mm, cut.height_mm)
}

/// Words that lie whole in no piece, moved into the one that holds most of them, clear of its join lines; all else as it is.
fn kept_whole(item: &Item, cut: &Cut) -> Item {
    let (Item::Text(_), Some(b)) = (item, item.bounds()) else {
        return item.clone();
    };
    let windows = || (0..cut.pieces()).map(|k| window(cut, k));
    if held(cut, &b) {
        return item.clone();
    }
    let shared = |f: &Frame| {
        (f.x1.min(b.x1) - f.x0.max(b.x0)).max(0.0) * (f.y1.min(b.y1) - f.y0.max(b.y0)).max(0.0)
    };
    let Some(most) = windows().max_by(|p, q| shared(p).total_cmp(&shared(q))) else {
        return item.clone();
    };
    let room = most.grown(-OVERLAP_MM / 2.0 - 1.0);
    // Words too long for any piece begin where it does.
    let by = |from: f64, to: f64, low: f64, high: f64| {
        if to > high {
            (high - to).max(low - from)
        } else {
            (low - from).max(0.0)
        }
    };
    let along = if most.x0 <= b.x0 && b.x1 <= most.x1 {
        0.0
    } else {
        by(b.x0, b.x1, room.x0, room.x1)
    };
    let down = if most.y0 <= b.y0 && b.y1 <= most.y1 {
        0.0
    } else {
        by(b.y0, b.y1, room.y0, room.y1)
    };
    item.moved(along, down)
}

/// Join lines, crosses and piece numbers, in the drawing's own frame.
fn joins(drawing: &Drawing, cut: &Cut) -> Vec<Item> {
    let mut items = Vec::new();
    let pen = Pen::black(0.15).ink(Ink::QUIET);
    let mut line =
        |from: At, to: At| items.push(Item::note(Path::segment(from, to), pen.dashed(3.0, 2.0)));
    let mut crosses = Vec::new();
    for k in 0..cut.pieces() {
        let f = window(cut, k);
        let half = OVERLAP_MM / 2.0;
        if k % cut.across + 1 < cut.across {
            let x = f.x1 - half;
            line(At::new(x, f.y0), At::new(x, f.y1));
            crosses.push((At::new(x, f.y0 + 0.2 * f.height_mm()), k, k + 1));
            crosses.push((At::new(x, f.y1 - 0.2 * f.height_mm()), k, k + 1));
        }
        if k / cut.across + 1 < cut.down {
            let y = f.y1 - half;
            line(At::new(f.x0, y), At::new(f.x1.min(drawing.width_mm), y));
            crosses.push((At::new(f.x0 + 0.2 * f.width_mm(), y), k, k + cut.across));
            crosses.push((At::new(f.x1 - 0.2 * f.width_mm(), y), k, k + cut.across));
        }
    }
    for (at, a, b) in crosses {
        items.extend(cross(at, &format!("{} | {}", a + 1, b + 1)));
    }
    items
}

/// A mark to lay over its twin: a ring with a cross of hairlines, and which pieces meet.
fn cross(at: At, words: &str) -> Vec<Item> {
    let pen = Pen::black(0.1);
    let arm = 4.0;
    vec![
        Item::fill(Path::circle(at, 2.0), Ink::WHITE),
        Item::note(Path::circle(at, 2.0), pen),
        Item::note(
            Path::segment(At::new(at.x - arm, at.y), At::new(at.x + arm, at.y)),
            pen,
        ),
        Item::note(
            Path::segment(At::new(at.x, at.y - arm), At::new(at.x, at.y + arm)),
            pen,
        ),
        Item::Text(
            Text::new(At::new(at.x, at.y - arm - 0.6), 2.0, words)
                .align(Align::Middle)
                .ink(Ink::QUIET),
        ),
    ]
}

/// One page with the pieces on it, under each other.
fn page(
    drawing: &Drawing,
    whole: &[(Frame, Item)],
    cut: &Cut,
    pieces: &[usize],
    (number, of): (usize, usize),
) -> Sheet {
    let page = cut.page;
    let mut items = vec![Item::Text(Text::new(
        At::new(LEFT_MM, 9.0),
        3.4,
        drawing.title.clone(),
    ))];
    if of > 1 {
        let words = format!("page {number} of {of}");
        items.push(Item::Text(
            Text::new(At::new(page.width_mm() - RIGHT_MM, 9.0), 2.5, words)
                .align(Align::End)
                .ink(Ink::QUIET),
        ));
    }
    for (slot, &k) in pieces.iter().enumerate() {
        let f = window(cut, k);
        let (dx, dy) = (
            LEFT_MM - f.x0,
            TOP_MM + slot as f64 * (cut.height_mm + BETWEEN_MM) - f.y0,
        );
        let seen: Vec<Item> = whole
            .iter()
            .filter(|(b, item)| match item {
                Item::Text(_) => f.holds(b) || (b.meets(&f) && !held(cut, b)),
                _ => b.meets(&f),
            })
            .map(|(_, item)| item.moved(dx, dy))
            .collect();
        let frame = Frame {
            x0: f.x0 + dx,
            y0: f.y0 + dy,
            x1: f.x1 + dx,
            y1: f.y1 + dy,
        };
        if cut.pieces() > 1 {
            let words = format!("piece {} of {}", k + 1, cut.pieces());
            let at = At::new(frame.x0, frame.y0 - 1.2);
            items.push(Item::Text(Text::new(at, 2.2, words).ink(Ink::QUIET)));
        }
        // Lines on the rim keep their full width.
        items.push(Item::Window {
            frame: frame.grown(0.5),
            items: seen,
        });
    }
    items.extend(bars::corner(At::new(6.0, page.height_mm() - 6.0)));
    items.push(Item::Text(Text::new(
        At::new(110.0, page.height_mm() - 6.0),
        2.5,
        PRINT,
    )));
    Sheet {
        page,
        title: format!("{} {number}/{of}", drawing.title),
        items,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::readback::{extent, pdf};

    /// A line template: a long gentle arc over a straight foot.
    fn template(length_mm: f64, height_mm: f64) -> Drawing {
        let (a, b) = (
            At::new(0.0, height_mm / 2.0),
            At::new(length_mm, height_mm / 2.0),
        );
        let items = vec![
            Item::cut(
                Path::rect(Frame::from_size(0.0, 0.0, length_mm, height_mm)),
                Pen::black(0.2),
            ),
            Item::cut(Path::segment(a, b), Pen::black(0.2)),
        ];
        Drawing {
            width_mm: length_mm,
            height_mm,
            title: "Line template".to_owned(),
            items,
        }
    }

    #[test]
    fn a_metre_of_template_takes_two_a4_pages() {
        let sheets = over_pages(&template(1000.0, 50.0), Paper::A4).unwrap();
        // Landscape: 276 mm a piece, 4 pieces, 3 of 50 mm under each other.
        assert_eq!(sheets.len(), 2);
        assert!(sheets[0].page.landscape);
        assert_eq!(
            over_pages(&template(150.0, 50.0), Paper::Letter)
                .unwrap()
                .len(),
            1
        );
    }

    #[test]
    fn pieces_of_the_file_join_to_the_whole_length() {
        let length_mm = 1234.5;
        let sheets = over_pages(&template(length_mm, 60.0), Paper::Letter).unwrap();
        let pages = pdf(&crate::sheet::pdf::bytes("t", &sheets).unwrap());
        // Crosses as read back: each join's centre lies on two pieces; from cross to cross the pieces add up.
        let mut spans = Vec::new();
        for (sheet, page) in sheets.iter().zip(&pages) {
            let frames: Vec<Frame> = sheet
                .items
                .iter()
                .filter_map(|i| match i {
                    Item::Window { frame, .. } => Some(frame.grown(-0.5)),
                    _ => None,
                })
                .collect();
            for f in frames {
                let mut joins: Vec<f64> = page
                    .stroked
                    .iter()
                    .map(|(l, _)| extent(l))
                    .filter(|e| e[1] >= f.y0 - 1.0 && e[3] <= f.y1 + 1.0)
                    .filter(|e| {
                        (e[2] - e[0] - 4.0).abs() < 0.01 && (e[3] - e[1] - 4.0).abs() < 0.01
                    })
                    .map(|e| (e[0] + e[2]) / 2.0)
                    .collect();
                joins.dedup_by(|a, b| (*a - *b).abs() < 0.01);
                joins.sort_by(f64::total_cmp);
                joins.dedup_by(|a, b| (*a - *b).abs() < 0.01);
                let from = if spans.is_empty() {
                    f.x0
                } else {
                    joins.remove(0)
                };
                let to = joins.pop().unwrap_or(f.x1);
                assert!(joins.is_empty());
                spans.push(to - from);
            }
        }
        let total: f64 = spans.iter().sum();
        assert!(
            spans.len() > 4 && (total - length_mm).abs() < 0.01,
            "{total} from {spans:?}"
        );
    }

    #[test]
    fn words_are_never_cut_by_a_join() {
        let mut drawing = template(900.0, 50.0);
        let words = "said once, on the first join of the pieces";
        // A4 landscape, four pieces of 234 mm: the first join line lies at 228 mm.
        drawing
            .items
            .push(Item::Text(Text::new(At::new(200.0, 40.0), 3.6, words)));
        let sheets = over_pages(&drawing, Paper::A4).unwrap();
        let mut seen = 0;
        for item in sheets.iter().flat_map(|s| &s.items) {
            let Item::Window { frame, items } = item else {
                continue;
            };
            for text in items {
                if let (Item::Text(t), Some(b)) = (text, text.bounds())
                    && t.words == words
                {
                    assert!(frame.holds(&b), "{b:?} in {frame:?}");
                    seen += 1;
                }
            }
        }
        assert_eq!(seen, 1);
    }

    #[test]
    fn every_page_has_both_bars() {
        let sheets = over_pages(&template(900.0, 400.0), Paper::A4).unwrap();
        let pages = pdf(&crate::sheet::pdf::bytes("t", &sheets).unwrap());
        assert!(pages.len() > 4);
        for page in &pages {
            assert_eq!(page.words.matches("measure me: 100 mm").count(), 2);
            assert!(page.words.contains("Print at 100%"), "{}", page.words);
        }
    }

    #[test]
    fn no_wall_paper_is_printed_by_mistake() {
        let error = over_pages(&template(15_000.0, 15_000.0), Paper::A4).unwrap_err();
        assert!(matches!(error, SheetError::TooManyPages { .. }));
        assert!(over_pages(&template(f64::NAN, 10.0), Paper::A4).is_err());
    }
}
