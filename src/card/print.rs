//! Scale cards onto true-size sheets: as many to a page as fit, with check bars and how to use them.
//!
//! A card is cut out along a thin line; inside it lie half a square of white on every side and, below that, a line of
//! small print with its name and ids. A card too large for that (the board) takes a page of its own and is used whole.
//! The two check bars share a corner at the lower left, like a try square, and the words stand inside it.

#![cfg_attr(test, allow(clippy::unwrap_used))]

use super::layout::Layout;
use super::{CardError, face};
use crate::sheet::shelf::{self, Spot};
use crate::sheet::{
    Align, At, Frame, Ink, Item, Page, Paper, Path, Pen, Sheet, SheetError, Text, bars, font,
};

/// Why cards can't be printed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PrintError {
    /// A card larger than the paper.
    #[error(
        "Card '{name}' needs {width_mm:.0} × {height_mm:.0} mm and the check bars beside it; {paper} is too small. Take larger paper or smaller squares."
    )]
    TooLarge {
        /// Name of the card.
        name: String,
        /// Width with its white margin, mm.
        width_mm: f64,
        /// Height with its white margin and label, mm.
        height_mm: f64,
        /// Name of the paper.
        paper: &'static str,
    },
    /// A layout that is no card.
    #[error(transparent)]
    Card(#[from] CardError),
    /// The sheet could not be written.
    #[error(transparent)]
    Sheet(#[from] SheetError),
}

/// A page of cards.
#[derive(Debug, Clone, PartialEq)]
pub struct CardSheet {
    /// The drawing.
    pub sheet: Sheet,
    /// The cards on it, in order.
    pub cards: Vec<PlacedCard>,
}

/// Where a card lies on its page.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacedCard {
    /// Name of its layout.
    pub name: String,
    /// Outer corner of its first square (origin of the card frame) on the sheet, mm from the page's top left.
    pub origin: At,
}

/// Kept clear of print at the page's edges, mm: most office printers can't reach 4.3 mm at a side (common practice,
/// no source).
const EDGE_MM: f64 = 6.0;
/// Between two cards, mm.
const BETWEEN_MM: f64 = 2.0;
/// Height of the line of small print below a card, mm.
const LABEL_MM: f64 = 4.0;
/// From the lower left corner of a page to the corner of the check bars, mm.
const CORNER_MM: f64 = 10.0;

/// The cards on as few pages of one paper as their order allows.
///
/// # Errors
/// [`PrintError::TooLarge`] for a card that doesn't fit the paper either way round, [`PrintError::Card`] for a layout
/// that can't be found either.
pub fn sheets(layouts: &[Layout], paper: Paper) -> Result<Vec<CardSheet>, PrintError> {
    for layout in layouts {
        layout.validate()?;
    }
    let page = Page::portrait(paper);
    let pieces: Vec<(f64, f64)> = layouts
        .iter()
        .map(with_margin)
        .map(|(width_mm, height_mm)| (width_mm, height_mm + LABEL_MM))
        .collect();
    let room_mm = (
        page.width_mm() - 2.0 * EDGE_MM,
        page.height_mm() - EDGE_MM - CORNER_MM - bars::BAR_MM - 1.5,
    );
    let spots = shelf::lay(&pieces, room_mm, BETWEEN_MM);
    let mut pages = Vec::new();
    let shelved = spots
        .iter()
        .flatten()
        .map(|s| s.page + 1)
        .max()
        .unwrap_or(0);
    for number in 0..shelved {
        let cards: Vec<(&Layout, Spot)> = layouts
            .iter()
            .zip(&spots)
            .filter_map(|(layout, spot)| spot.filter(|s| s.page == number).map(|s| (layout, s)))
            .collect();
        pages.push(several(page, &cards));
    }
    for (layout, spot) in layouts.iter().zip(&spots) {
        if spot.is_none() {
            pages.push(whole(layout, paper)?);
        }
    }
    let of = pages.len();
    for (i, page) in pages.iter_mut().enumerate() {
        let at = At::new(
            page.sheet.page.width_mm() - EDGE_MM,
            page.sheet.page.height_mm() - EDGE_MM,
        );
        if of > 1 {
            let count = Text::new(at, 2.3, format!("{} of {of}", i + 1))
                .ink(Ink::QUIET)
                .align(Align::End);
            page.sheet.items.push(Item::Text(count));
        }
    }
    Ok(pages)
}

/// Size of a card with its white margin, mm.
fn with_margin(layout: &Layout) -> (f64, f64) {
    (
        (layout.squares_x as f64 + 1.0) * layout.square_mm,
        (layout.squares_y as f64 + 1.0) * layout.square_mm,
    )
}

/// A page of cards to cut out, rows centred, bars and words below.
fn several(page: Page, spots: &[(&Layout, Spot)]) -> CardSheet {
    let mut items = Vec::new();
    let mut cards = Vec::new();
    for &(layout, spot) in spots {
        let row_mm = spots
            .iter()
            .filter(|(_, other)| other.row == spot.row)
            .map(|(layout, other)| other.x_mm + with_margin(layout).0)
            .fold(0.0, f64::max);
        let (width_mm, height_mm) = with_margin(layout);
        let x = (page.width_mm() - row_mm) / 2.0 + spot.x_mm;
        let outline = Frame::from_size(x, EDGE_MM + spot.y_mm, width_mm, height_mm + LABEL_MM);
        let half_mm = layout.square_mm / 2.0;
        let origin = At::new(outline.x0 + half_mm, outline.y0 + half_mm);
        items.push(Item::cut(
            Path::rect(outline),
            Pen::black(0.1).ink(Ink::QUIET),
        ));
        items.extend(face::areas(layout, origin));
        items.extend(label(
            layout,
            origin.x,
            outline.y1 - 1.5,
            outline.x1 - half_mm,
        ));
        cards.push(PlacedCard {
            name: layout.name.clone(),
            origin,
        });
    }
    let corner = At::new(CORNER_MM, page.height_mm() - CORNER_MM);
    items.extend(bars::corner(corner));
    let names: Vec<&str> = cards.iter().map(|c| c.name.as_str()).collect();
    let title = format!(
        "Scale card{}: {}",
        if names.len() > 1 { "s" } else { "" },
        names.join(", ")
    );
    let uses = if names == ["board"] {
        &BOARD_USE
    } else {
        &CARD_USE
    };
    let inside = Frame {
        x0: corner.x + 14.0,
        y0: corner.y - bars::BAR_MM,
        x1: page.width_mm() - CORNER_MM,
        y1: corner.y,
    };
    items.extend(words(&title, uses, inside));
    CardSheet {
        sheet: Sheet { page, title, items },
        cards,
    }
}

const CARD_USE: [&str; 3] = [
    "Print at 100% (actual size). Measure both bars with a steel rule and give the program their lengths: --printed X,Y",
    "Cut along the thin line. Lay the card flat beside the line and hold its white edge with low-tack tape.",
    "Take card and line in one photo, sharp, filling the frame, in even light. In one photo use each card only once.",
];

const BOARD_USE: [&str; 3] = [
    "Print at 100% (actual size). Measure both bars with a steel rule and give the program their lengths: --printed X,Y",
    "Fix the whole sheet to something flat: glass, a bench, a straight board. No folds, no waves.",
    "For the lens take 15 photos of it, filling the frame, tilted to every side, with the same camera and no zoom: fairpanel lens PHOTOS",
];

/// Title, numbered lines and room for the measured lengths, inside a frame.
fn words(title: &str, uses: &[&str], frame: Frame) -> Vec<Item> {
    const TYPE_MM: f64 = 3.0;
    const LEAD_MM: f64 = 4.6;
    let mut y = frame.y0 + 5.0;
    let mut items = vec![Item::Text(Text::new(At::new(frame.x0, y), 5.0, title))];
    y += 8.5;
    for (i, line) in uses.iter().enumerate() {
        items.push(Item::Text(
            Text::new(At::new(frame.x0, y), TYPE_MM, format!("{}", i + 1)).ink(Ink::QUIET),
        ));
        for part in font::wrap(line, TYPE_MM, frame.width_mm() - 5.0) {
            items.push(Item::Text(Text::new(
                At::new(frame.x0 + 5.0, y),
                TYPE_MM,
                part,
            )));
            y += LEAD_MM;
        }
        y += 1.2;
    }
    items.extend(measured(At::new(frame.x0 + 5.0, y + 6.0)));
    items
}

/// Blanks where the measured lengths are written down.
fn measured(at: At) -> Vec<Item> {
    let mut items = Vec::new();
    let mut x = at.x;
    for (name, blank_mm, unit) in [("X", 22.0, "mm"), ("Y", 22.0, "mm"), ("printer", 45.0, "")] {
        let word = Text::new(At::new(x, at.y), 3.0, name).ink(Ink::QUIET);
        x += word.width_mm() + 1.5;
        items.push(Item::Text(word));
        let rule = Path::segment(At::new(x, at.y + 0.6), At::new(x + blank_mm, at.y + 0.6));
        items.push(Item::note(rule, Pen::black(0.12).ink(Ink::QUIET)));
        x += blank_mm + 1.0;
        let unit = Text::new(At::new(x, at.y), 3.0, unit).ink(Ink::QUIET);
        x += unit.width_mm() + 6.0;
        if !unit.words.is_empty() {
            items.push(Item::Text(unit));
        }
    }
    items
}

/// A page that is one card as a whole: nothing to cut, words in what is left at its right and below.
fn whole(layout: &Layout, paper: Paper) -> Result<CardSheet, PrintError> {
    let (width_mm, height_mm) = with_margin(layout);
    let place = [Page::landscape(paper), Page::portrait(paper)]
        .into_iter()
        .find(|page| {
            let (right_mm, below_mm) = (page.width_mm() - width_mm, page.height_mm() - height_mm);
            right_mm >= 15.0
                && below_mm >= 11.5
                && (right_mm >= 30.0 || below_mm >= 17.0)
                && height_mm > bars::BAR_MM
        });
    let Some(page) = place else {
        return Err(PrintError::TooLarge {
            name: layout.name.clone(),
            width_mm,
            height_mm: height_mm + LABEL_MM,
            paper: paper.name(),
        });
    };
    let half_mm = layout.square_mm / 2.0;
    let origin = At::new(half_mm, half_mm);
    let mut items = face::areas(layout, origin);
    let title = format!("Scale card: {}", layout.name);
    let below = page.height_mm() - 5.0;
    items.extend(bars::bar(
        At::new(half_mm, below),
        bars::Axis::X,
        bars::BAR_MM,
    ));
    items.extend(bars::bar(
        At::new(width_mm + 3.0, height_mm - half_mm),
        bars::Axis::Y,
        bars::BAR_MM,
    ));
    if page.width_mm() - width_mm >= 30.0 {
        items.extend(column(
            &title,
            layout,
            Frame {
                x0: width_mm + 1.0,
                y0: half_mm,
                x1: page.width_mm() - EDGE_MM,
                y1: height_mm - bars::BAR_MM,
            },
        ));
    } else {
        const TYPE_MM: f64 = 2.3;
        let left = half_mm + bars::BAR_MM + 8.0;
        for (i, line) in BOARD_USE.iter().enumerate() {
            let y = below - 3.4 * (BOARD_USE.len() - 1 - i) as f64;
            items.push(Item::Text(
                Text::new(At::new(left, y), TYPE_MM, format!("{}", i + 1)).ink(Ink::QUIET),
            ));
            items.push(Item::Text(Text::new(
                At::new(left + 3.5, y),
                TYPE_MM,
                *line,
            )));
        }
        items.push(Item::Text(
            Text::new(At::new(width_mm + 3.0 + 2.3, half_mm), 2.3, caption(layout))
                .align(Align::End)
                .turned(-90.0)
                .ink(Ink::QUIET),
        ));
    }
    let cards = vec![PlacedCard {
        name: layout.name.clone(),
        origin,
    }];
    Ok(CardSheet {
        sheet: Sheet { page, title, items },
        cards,
    })
}

/// Title and lines set in a narrow column.
fn column(title: &str, layout: &Layout, frame: Frame) -> Vec<Item> {
    const TYPE_MM: f64 = 2.3;
    const LEAD_MM: f64 = 3.2;
    let mut items = Vec::new();
    let mut y = frame.y0 + 2.5;
    let mut paragraph = |lines: Vec<String>, size_mm: f64, ink: Ink| {
        for line in lines {
            items.push(Item::Text(
                Text::new(At::new(frame.x0, y), size_mm, line).ink(ink),
            ));
            y += LEAD_MM * size_mm / TYPE_MM;
        }
        y += 1.6;
    };
    paragraph(font::wrap(title, 3.4, frame.width_mm()), 3.4, Ink::BLACK);
    paragraph(facts(layout).to_vec(), TYPE_MM, Ink::QUIET);
    for line in BOARD_USE {
        paragraph(
            font::wrap(line, TYPE_MM, frame.width_mm()),
            TYPE_MM,
            Ink::BLACK,
        );
    }
    items
}

/// Ids and sizes of a card, in words.
fn facts(layout: &Layout) -> [String; 3] {
    let last = layout.first_id + layout.markers().saturating_sub(1);
    [
        format!("ids {}–{last}", layout.first_id),
        format!("squares {} mm", layout.square_mm),
        format!("markers {} mm", layout.marker_mm),
    ]
}

/// What a card says of itself in one line.
fn caption(layout: &Layout) -> String {
    format!("{}  ·  {}", layout.name, facts(layout).join("  ·  "))
}

/// The line of small print below a card, which ends at `right` with what it is.
fn label(layout: &Layout, left: f64, y: f64, right: f64) -> Vec<Item> {
    let text = Text::new(At::new(left, y), 2.3, caption(layout)).ink(Ink::QUIET);
    let end = Text::new(At::new(right, y), 2.3, "scale card")
        .ink(Ink::QUIET)
        .align(Align::End);
    let mut items = Vec::new();
    if text.width_mm() + end.width_mm() + 4.0 < right - left {
        items.push(Item::Text(end));
    }
    items.push(Item::Text(text));
    items
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::layout::{built_in, named};
    use crate::sheet::readback::{Seen, extent, pdf, same};
    use crate::sheet::{bars::BAR_MM, svg};

    const PAPERS: [Paper; 3] = [Paper::A4, Paper::Letter, Paper::A3];

    fn seen(pages: &[CardSheet]) -> Vec<Seen> {
        let sheets: Vec<Sheet> = pages.iter().map(|p| p.sheet.clone()).collect();
        pdf(&crate::sheet::pdf::bytes("cards", &sheets).unwrap())
    }

    /// Whether a point is black in the file: inside an odd number of loops (even-odd; areas don't overlap).
    fn black(page: &Seen, x: f64, y: f64) -> bool {
        let inside = |l: &Vec<[f64; 2]>| {
            let n = l.len();
            (0..n)
                .filter(|&i| {
                    let (a, b) = (l[i], l[(i + 1) % n]);
                    (a[1] > y) != (b[1] > y)
                        && x < a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
                })
                .count()
                % 2
        };
        page.filled.iter().map(inside).sum::<usize>() % 2 == 1
    }

    #[test]
    fn built_in_cards_take_the_pages_they_should() {
        let names = |paper| -> Vec<Vec<String>> {
            sheets(&built_in(), paper)
                .unwrap()
                .iter()
                .map(|p| p.cards.iter().map(|c| c.name.clone()).collect())
                .collect()
        };
        let wanted = [
            vec!["strip-1", "strip-2"],
            vec!["strip-3", "strip-4"],
            vec!["card-1"],
            vec!["card-2"],
            vec!["board"],
        ];
        assert_eq!(names(Paper::A4), wanted);
        assert_eq!(names(Paper::Letter), wanted);
        assert_eq!(names(Paper::A3).concat().len(), 7);
        assert!(
            sheets(&[named("board").unwrap()], Paper::A4).unwrap()[0]
                .sheet
                .page
                .landscape
        );
    }

    #[test]
    fn black_squares_are_printed_at_true_size() {
        // checks.md 11.4a-c: corners of the strip at (15,15)…, the card at (18,18)…, the board at (22,22)… from the
        // outer corner of the first square, which is black.
        for paper in PAPERS {
            let pages = sheets(&built_in(), paper).unwrap();
            for (page, file) in pages.iter().zip(seen(&pages)) {
                for card in &page.cards {
                    let layout = named(&card.name).unwrap();
                    let rectangles: Vec<[f64; 4]> = file.filled.iter().map(extent).collect();
                    for row in 0..layout.squares_y {
                        for column in (row % 2..layout.squares_x).step_by(2) {
                            let (x, y) = (
                                card.origin.x + column as f64 * layout.square_mm,
                                card.origin.y + row as f64 * layout.square_mm,
                            );
                            let wanted = [x, y, x + layout.square_mm, y + layout.square_mm];
                            let nearest = rectangles
                                .iter()
                                .min_by(|a, b| {
                                    let off = |r: &[f64; 4]| {
                                        (r[0] - x).abs()
                                            + (r[1] - y).abs()
                                            + (r[2] - wanted[2]).abs()
                                    };
                                    off(a).total_cmp(&off(b))
                                })
                                .unwrap();
                            same(*nearest, wanted, 0.001);
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn markers_carry_the_codes_of_the_dictionary() {
        // Inner bits of DICT_4X4_250, 1 = white, rows top to bottom, calculated with OpenCV 5.0.0 (checks.md 11.1),
        // and marker corners of OpenCV's boards (11.4a, 11.4b).
        for (name, id, x, y, bits) in [
            ("strip-1", 0, 17.25, 2.25, "1011010100110010"),
            ("strip-1", 1, 47.25, 2.25, "0000111110011010"),
            ("strip-1", 2, 77.25, 2.25, "0011001100101101"),
            ("strip-1", 17, 167.25, 32.25, "0110011000000000"),
            ("card-1", 100, 20.25, 2.25, "0111101001101110"),
        ] {
            let layout = named(name).unwrap();
            assert_eq!(
                layout.marker_corner(id).map(|m| (m.0.x, m.0.y)),
                Some((x, y)),
                "{name} {id}"
            );
            let pages = sheets(std::slice::from_ref(&layout), Paper::A4).unwrap();
            let (page, origin) = (&seen(&pages)[0], pages[0].cards[0].origin);
            let cell = layout.marker_mm / 6.0;
            let read: String = (0..16)
                .map(|i| {
                    let (c, r) = (f64::from(i % 4) + 1.5, f64::from(i / 4) + 1.5);
                    if black(page, origin.x + x + c * cell, origin.y + y + r * cell) {
                        '0'
                    } else {
                        '1'
                    }
                })
                .collect();
            assert_eq!(read, bits, "{name} {id}");
            for edge in 0..6 {
                let along = (f64::from(edge) + 0.5) * cell;
                for (u, v) in [
                    (along, 0.5 * cell),
                    (along, 5.5 * cell),
                    (0.5 * cell, along),
                    (5.5 * cell, along),
                ] {
                    assert!(
                        black(page, origin.x + x + u, origin.y + y + v),
                        "border of {id}"
                    );
                }
            }
        }
    }

    #[test]
    fn half_a_square_round_a_card_stays_white() {
        for paper in PAPERS {
            let pages = sheets(&built_in(), paper).unwrap();
            for page in &pages {
                for card in &page.cards {
                    let layout = named(&card.name).unwrap();
                    let half = layout.square_mm / 2.0;
                    let (w, h) = with_margin(&layout);
                    let inside = Frame::from_size(card.origin.x - half, card.origin.y - half, w, h)
                        .grown(-0.2);
                    for item in &page.sheet.items {
                        let near = match item {
                            Item::Fill { .. } => continue,
                            Item::Stroke { path, .. } if path.closed => continue, // the cut line round the card
                            other => other.bounds(),
                        };
                        assert!(
                            near.is_none_or(|f| !f.meets(&inside)),
                            "{item:?} on {}",
                            card.name
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn everything_stays_on_the_paper_and_says_how_to_use_it() {
        for paper in PAPERS {
            let pages = sheets(&built_in(), paper).unwrap();
            for (page, file) in pages.iter().zip(seen(&pages)) {
                for item in &page.sheet.items {
                    let f = item.bounds().unwrap();
                    let (w, h) = (page.sheet.page.width_mm(), page.sheet.page.height_mm());
                    assert!(
                        f.x0 >= 4.3 && f.y0 >= 4.3 && f.x1 <= w - 4.3 && f.y1 <= h - 4.3,
                        "{paper:?} {item:?}"
                    );
                }
                let lengths = |k: usize| {
                    file.stroked
                        .iter()
                        .filter(|(l, _)| l.len() == 2)
                        .any(|(l, _)| {
                            let e = extent(l);
                            (e[k + 2] - e[k] - BAR_MM).abs() < 0.001
                                && (e[(1 - k) + 2] - e[1 - k]).abs() < 0.001
                        })
                };
                assert!(lengths(0) && lengths(1), "a bar is missing");
                let words: String = file.words.split_whitespace().collect::<Vec<_>>().join(" ");
                for part in ["measure me: 100 mm", "100%", "--printed X,Y", "ids "] {
                    assert!(words.contains(part), "'{part}' is missing: {words}");
                }
            }
        }
    }

    #[test]
    fn opencv_finds_the_printed_cards_where_they_are() {
        // Made by fixtures/print/opencv_finds_cards.py from the PDF at 300 dpi (opencv 5.0.0, poppler 22.12.0); a pixel
        // there is 0.0847 mm and poppler moves edges to whole pixels, so a corner may be off by half of one.
        const HALF_PIXEL_MM: f64 = 25.4 / 300.0 / 2.0 + 1e-4;
        let text = include_str!("../../fixtures/print/opencv-cards.json");
        let reference: serde_json::Value = serde_json::from_str(text).unwrap();
        for paper in [Paper::A4, Paper::Letter] {
            let found = reference["papers"][paper.name()].as_array().unwrap();
            let pages = sheets(&built_in(), paper).unwrap();
            let mut ours = 0;
            for (i, page) in pages.iter().enumerate() {
                for card in &page.cards {
                    let seen = found
                        .iter()
                        .find(|f| f["name"] == card.name.as_str())
                        .unwrap();
                    assert_eq!(seen["page"], i + 1);
                    assert_eq!(seen["corners"], named(&card.name).unwrap().corners());
                    for (k, at) in [card.origin.x, card.origin.y].into_iter().enumerate() {
                        let off = seen["origin_mm"][k].as_f64().unwrap() - at;
                        assert!(off.abs() <= HALF_PIXEL_MM, "{} off by {off}", card.name);
                    }
                    assert!(seen["worst_mm"].as_f64().unwrap() <= HALF_PIXEL_MM);
                    ours += 1;
                }
            }
            assert_eq!(ours, found.len());
        }
    }

    #[test]
    fn svg_has_the_same_squares() {
        let pages = sheets(&[named("card-2").unwrap()], Paper::A4).unwrap();
        let file = svg::text(&pages[0].sheet).unwrap();
        let document = roxmltree::Document::parse(&file).unwrap();
        let origin = pages[0].cards[0].origin;
        let wanted = format!(
            "M{} {}L{} {}",
            origin.x,
            origin.y,
            origin.x + 18.0,
            origin.y
        );
        assert!(
            document
                .descendants()
                .any(|n| n.attribute("d").is_some_and(|d| d.starts_with(&wanted))),
            "{wanted}"
        );
    }

    #[test]
    fn a_card_larger_than_the_paper_is_refused_in_one_line() {
        let big = Layout {
            square_mm: 40.0,
            marker_mm: 30.0,
            ..named("board").unwrap()
        };
        let error = sheets(&[big], Paper::A4).unwrap_err();
        assert!(matches!(error, PrintError::TooLarge { .. }));
        let line = error.to_string();
        assert!(line.len() < 250 && !line.contains('\n'), "{line}");
    }

    #[test]
    fn small_cards_stand_side_by_side() {
        let small = |i: usize| Layout {
            name: format!("small-{i}"),
            squares_x: 5,
            squares_y: 4,
            square_mm: 12.0,
            marker_mm: 9.0,
            first_id: 10 * i,
            dictionary: "DICT_4X4_250".to_owned(),
        };
        let pages = sheets(&[small(0), small(1), small(2), small(3)], Paper::A4).unwrap();
        assert_eq!(pages.len(), 1);
        assert_eq!(pages[0].cards[0].origin.y, pages[0].cards[1].origin.y);
    }
}
