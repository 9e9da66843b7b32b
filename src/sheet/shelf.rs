//! Several pieces on a page: rows from the top, each piece in the first row that has room.
//!
//! Known as first-fit shelf packing; pieces given in falling height waste the least. Pieces are not turned, so that
//! everything on a page reads one way.

/// Where a piece lies: its top-left corner from the room's top-left corner.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Page, from 0.
    pub page: usize,
    /// Row on the page, from 0 at the top.
    pub row: usize,
    /// To the right, mm.
    pub x_mm: f64,
    /// Down, mm.
    pub y_mm: f64,
}

struct Row {
    page: usize,
    row: usize,
    y_mm: f64,
    height_mm: f64,
    used_mm: f64,
}

/// A spot for each piece, width and height in mm, within rooms of `room_mm` on as many pages as it takes; `None` for a
/// piece larger than a room.
///
/// The first piece in a row sets its height; quadratic in the number of rows.
pub fn lay(pieces_mm: &[(f64, f64)], room_mm: (f64, f64), between_mm: f64) -> Vec<Option<Spot>> {
    // Sums of tenths must not push a piece that just fits onto another page.
    const SLACK_MM: f64 = 1e-6;
    let (room_w, room_h) = (room_mm.0 + SLACK_MM, room_mm.1 + SLACK_MM);
    let mut rows: Vec<Row> = Vec::new();
    pieces_mm
        .iter()
        .map(|&(width_mm, height_mm)| {
            if !(width_mm <= room_w && height_mm <= room_h) {
                return None;
            }
            let fits = |r: &&mut Row| {
                r.used_mm + between_mm + width_mm <= room_w && height_mm <= r.height_mm + SLACK_MM
            };
            if let Some(r) = rows.iter_mut().find(fits) {
                let x_mm = r.used_mm + between_mm;
                r.used_mm = x_mm + width_mm;
                return Some(Spot {
                    page: r.page,
                    row: r.row,
                    x_mm,
                    y_mm: r.y_mm,
                });
            }
            // Below the last row of the first page with room for a new one.
            let pages = rows.iter().map(|r| r.page + 1).max().unwrap_or(0);
            let foot = |page: usize| {
                rows.iter()
                    .rev()
                    .find(|r| r.page == page)
                    .map(|r| (r.row + 1, r.y_mm + r.height_mm + between_mm))
                    .unwrap_or((0, 0.0))
            };
            let page = (0..pages)
                .find(|&p| foot(p).1 + height_mm <= room_h)
                .unwrap_or(pages);
            let (row, y_mm) = foot(page);
            rows.push(Row {
                page,
                row,
                y_mm,
                height_mm,
                used_mm: width_mm,
            });
            Some(Spot {
                page,
                row,
                x_mm: 0.0,
                y_mm,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn pieces_stay_in_the_room_and_apart(
            pieces in prop::collection::vec((5.0..120.0f64, 5.0..120.0f64), 1..60)
        ) {
            let room = (190.0, 150.0);
            let spots = lay(&pieces, room, 3.0);
            for (i, a) in spots.iter().enumerate() {
                let a = a.unwrap();
                prop_assert!(a.x_mm + pieces[i].0 <= room.0 + 1e-5 && a.y_mm + pieces[i].1 <= room.1 + 1e-5);
                for (j, b) in spots.iter().enumerate().take(i) {
                    let b = b.unwrap();
                    let apart = |p: f64, q: f64, length: f64| p + length + 3.0 <= q + 1e-5;
                    prop_assert!(
                        a.page != b.page
                            || apart(a.x_mm, b.x_mm, pieces[i].0)
                            || apart(b.x_mm, a.x_mm, pieces[j].0)
                            || apart(a.y_mm, b.y_mm, pieces[i].1)
                            || apart(b.y_mm, a.y_mm, pieces[j].1)
                    );
                }
            }
        }
    }

    #[test]
    fn what_just_fits_is_taken_and_what_is_larger_is_not() {
        let spots = lay(
            &[(100.0, 50.1), (100.0, 49.9), (100.1, 10.0), (f64::NAN, 1.0)],
            (100.0, 100.0),
            0.0,
        );
        assert_eq!(
            spots
                .iter()
                .map(|s| s.map(|s| (s.page, s.row)))
                .collect::<Vec<_>>(),
            [Some((0, 0)), Some((0, 1)), None, None]
        );
    }
}
