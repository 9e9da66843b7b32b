//! Cheapest path across a grid, one row a column: how a line is followed through a straightened strip of a photo.
//!
//! Dynamic programming (Bellman 1957; Amini, Weymouth and Jain 1990 for the bend term, both from memory): exact, no
//! start value, cannot be caught in a false minimum. The cost of a path is the sum of
//! - the grid's own cost in each column, but never more than [`PathOptions::gap_cost`]: where the line cannot be seen
//!   the path goes on at that price and the column is marked unseen;
//! - [`PathOptions::slope_cost`] · k² for a jump of k rows between columns;
//! - [`PathOptions::bend_cost`] · m² where the jump itself changes by m rows.
//!
//! Time: columns × rows × (2 · jump + 1), squared in the last factor when bends cost; the inner loops run over rows, so
//! they vectorise. A column whose every cost is not finite counts as unseen.

/// Costs of a strip: `cost[column * rows + row]`, a column's rows side by side; lower is better.
#[derive(Debug, Clone, Copy)]
pub struct CostGrid<'a> {
    /// Cells across the line.
    pub rows: usize,
    /// Cells along the line.
    pub columns: usize,
    /// `rows * columns` costs; a value that is not finite is taken as dear as a gap.
    pub cost: &'a [f32],
}

/// What a path may do and what it pays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PathOptions {
    /// Largest jump between neighbouring columns, rows (a line steeper than this against the strip is not followed).
    pub jump: usize,
    /// Price of a jump of k rows, times k².
    pub slope_cost: f32,
    /// Price of a jump that differs by m rows from the one before, times m²; 0 leaves bends free and is faster.
    pub bend_cost: f32,
    /// Most a column may cost; a path through dearer cells is unseen there.
    pub gap_cost: f32,
}

impl Default for PathOptions {
    /// A jump of one row (45° in a strip of square cells), free slope and bend, no gaps.
    fn default() -> Self {
        PathOptions {
            jump: 1,
            slope_cost: 0.0,
            bend_cost: 0.0,
            gap_cost: f32::INFINITY,
        }
    }
}

/// The cheapest path.
#[derive(Debug, Clone, PartialEq)]
pub struct Path {
    /// Its row in each column.
    pub rows: Vec<usize>,
    /// Whether the line is seen there (its cell costs less than a gap).
    pub seen: Vec<bool>,
    /// Total cost.
    pub cost: f64,
}

/// Finds the cheapest path from the first column to the last; ends may lie in any row. Ties go to the smallest row,
/// then to the smallest jump.
///
/// `None` when the grid is empty, or `cost` is shorter than `rows * columns`.
pub fn cheapest_path(grid: &CostGrid, options: &PathOptions) -> Option<Path> {
    let cells = grid.rows.checked_mul(grid.columns)?;
    if cells == 0 || grid.cost.len() < cells {
        return None;
    }
    let jump = options.jump.min(grid.rows - 1).min(60);
    let rows = if options.bend_cost > 0.0 && jump > 0 {
        with_bends(grid, options, jump)
    } else {
        without_bends(grid, options, jump)
    };
    Some(told(grid, options, rows))
}

/// Highest price of a column: what a gap costs, or where none is allowed a price no real cell reaches.
fn ceiling(options: &PathOptions) -> f32 {
    if options.gap_cost.is_finite() {
        options.gap_cost
    } else {
        1e12
    }
}

fn clip(cost: f32, ceiling: f32) -> f32 {
    // `min` returns the other value for NaN.
    cost.min(ceiling)
}

/// The least a column costs anyway. Only differences steer the path; taking the least off a column and off the totals
/// keeps `f32` exact over long strips, and across columns where nothing at all can be read.
fn floor(cells: &[f32], ceiling: f32) -> f32 {
    cells.iter().fold(ceiling, |least, &c| least.min(c))
}

/// Row after row of the jumps from the previous column that stay inside the grid: where they land and where they
/// come from.
fn spans(rows: usize, step: isize) -> (usize, usize, usize) {
    let shift = step.unsigned_abs();
    let len = rows.saturating_sub(shift);
    if step >= 0 {
        (0, shift, len)
    } else {
        (shift, 0, len)
    }
}

/// Takes each offer plus price where it is lower. Plain comparison, so that it becomes one vector instruction; nothing
/// here is NaN.
fn take_lower(best: &mut [f32], offers: &[f32], price: f32) {
    for (b, t) in best.iter_mut().zip(offers) {
        let offer = t + price;
        *b = if offer < *b { offer } else { *b };
    }
}

/// Goes forward keeping the totals of every column (no pointers back: the few steps of the one path that matters are
/// found again on the way back, from the same sums).
fn without_bends(grid: &CostGrid, options: &PathOptions, jump: usize) -> Vec<usize> {
    let (n, top) = (grid.rows, ceiling(options));
    let price = |step: isize| options.slope_cost * (step * step) as f32;
    let mut totals = vec![0.0f32; n * grid.columns];
    for (t, c) in totals.iter_mut().zip(&grid.cost[..n]) {
        *t = clip(*c, top);
    }
    for column in 1..grid.columns {
        let (done, rest) = totals.split_at_mut(column * n);
        let (before, best) = (&done[(column - 1) * n..], &mut rest[..n]);
        best.copy_from_slice(before);
        for step in -(jump as isize)..=jump as isize {
            let (source, land, len) = spans(n, step);
            take_lower(
                &mut best[land..land + len],
                &before[source..source + len],
                price(step),
            );
        }
        let cells = &grid.cost[column * n..(column + 1) * n];
        let (least, floor) = (floor(best, f32::INFINITY), floor(cells, top));
        for (b, c) in best.iter_mut().zip(cells) {
            *b = (*b - least) + (clip(*c, top) - floor);
        }
    }
    let mut row = least_at(&totals[(grid.columns - 1) * n..]);
    let mut rows = vec![row; grid.columns];
    for column in (1..grid.columns).rev() {
        let before = &totals[(column - 1) * n..column * n];
        let from = |row: usize, step: isize| {
            let source = row.checked_add_signed(-step)?;
            Some((source, before.get(source)? + price(step)))
        };
        let mut best = (row, before[row]);
        for size in 1..=jump as isize {
            for offer in [from(row, -size), from(row, size)].into_iter().flatten() {
                if offer.1 < best.1 {
                    best = offer;
                }
            }
        }
        row = best.0;
        rows[column - 1] = row;
    }
    rows
}

/// As above, with the last jump as part of the state: state (k, row) is 'arrived in row by jump k - jump'.
fn with_bends(grid: &CostGrid, options: &PathOptions, jump: usize) -> Vec<usize> {
    let (n, top) = (grid.rows, ceiling(options));
    let jumps = 2 * jump + 1;
    let states = n * jumps;
    let price = |before: usize, k: usize| {
        let (step, turn) = (k as isize - jump as isize, k as isize - before as isize);
        options.slope_cost * (step * step) as f32 + options.bend_cost * (turn * turn) as f32
    };
    let mut totals = vec![f32::INFINITY; states * grid.columns];
    for state in totals[..states].chunks_exact_mut(n) {
        for (t, &c) in state.iter_mut().zip(&grid.cost[..n]) {
            *t = clip(c, top);
        }
    }
    let mut price_of_cell = vec![0.0f32; n];
    for column in 1..grid.columns {
        let cells = &grid.cost[column * n..(column + 1) * n];
        let (done, rest) = totals.split_at_mut(column * states);
        let (before, next) = (&done[(column - 1) * states..], &mut rest[..states]);
        // The totals before are taken down to zero here, by way of this column's cells.
        let lower = floor(cells, top) + floor(before, f32::INFINITY);
        for (p, c) in price_of_cell.iter_mut().zip(cells) {
            *p = clip(*c, top) - lower;
        }
        for k in 0..jumps {
            let (source, land, len) = spans(n, k as isize - jump as isize);
            let arrive = &mut next[k * n + land..k * n + land + len];
            for from in 0..jumps {
                let start = from * n + source;
                take_lower(arrive, &before[start..start + len], price(from, k));
            }
            for (a, p) in arrive.iter_mut().zip(&price_of_cell[land..land + len]) {
                *a += p;
            }
        }
    }
    let state = least_at(&totals[(grid.columns - 1) * states..]);
    let (mut k, mut row) = (state / n, state % n);
    let mut rows = vec![row; grid.columns];
    for column in (1..grid.columns).rev() {
        let before = &totals[(column - 1) * states..column * states];
        row = row.saturating_add_signed(jump as isize - k as isize);
        let mut best = (k, f32::INFINITY);
        for from in nearest_first(k, jumps) {
            let offer = before[from * n + row] + price(from, k);
            if offer < best.1 {
                best = (from, offer);
            }
        }
        k = best.0;
        rows[column - 1] = row;
    }
    rows
}

/// States from `k` outward, so that among equals the smallest turn wins.
fn nearest_first(k: usize, count: usize) -> impl Iterator<Item = usize> {
    (0..count).flat_map(move |off| {
        let below = k.checked_sub(off);
        let above = (off > 0 && k + off < count).then_some(k + off);
        below.into_iter().chain(above)
    })
}

fn least_at(values: &[f32]) -> usize {
    let mut at = 0;
    for (i, v) in values.iter().enumerate() {
        if v < &values[at] {
            at = i;
        }
    }
    at
}

/// Adds up in `f64` what the chosen rows cost.
fn told(grid: &CostGrid, options: &PathOptions, rows: Vec<usize>) -> Path {
    let top = ceiling(options);
    let mut cost = 0.0;
    let mut seen = Vec::with_capacity(rows.len());
    let mut last: Option<(usize, Option<isize>)> = None;
    for (column, &row) in rows.iter().enumerate() {
        let cell = grid.cost[column * grid.rows + row];
        seen.push(cell < top);
        cost += f64::from(clip(cell, top));
        let mut step = None;
        if let Some((from, before)) = last {
            let now = row as isize - from as isize;
            cost += f64::from(options.slope_cost) * (now * now) as f64;
            if let Some(before) = before {
                let turn = now - before;
                cost += f64::from(options.bend_cost.max(0.0)) * (turn * turn) as f64;
            }
            step = Some(now);
        }
        last = Some((row, step));
    }
    Path { rows, seen, cost }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Tries every path: slow and obvious.
    fn by_trying(grid: &CostGrid, options: &PathOptions) -> f64 {
        fn go(grid: &CostGrid, options: &PathOptions, rows: &mut Vec<usize>, best: &mut f64) {
            if rows.len() == grid.columns {
                *best = best.min(told(grid, options, rows.clone()).cost);
                return;
            }
            for row in 0..grid.rows {
                if let Some(last) = rows.last()
                    && last.abs_diff(row) > options.jump
                {
                    continue;
                }
                rows.push(row);
                go(grid, options, rows, best);
                rows.pop();
            }
        }
        let mut best = f64::INFINITY;
        go(grid, options, &mut Vec::new(), &mut best);
        best
    }

    fn check(grid: &CostGrid, options: &PathOptions) {
        let path = cheapest_path(grid, options).unwrap();
        for pair in path.rows.windows(2) {
            assert!(pair[0].abs_diff(pair[1]) <= options.jump);
        }
        let expected = by_trying(grid, options);
        assert!(
            (path.cost - expected).abs() < 1e-4 * (1.0 + expected.abs()),
            "{} {expected} {options:?}",
            path.cost
        );
    }

    proptest! {
        #[test]
        fn no_path_is_cheaper(
            rows in 1usize..5, columns in 1usize..6, jump in 0usize..3,
            slope_cost in 0.0f32..0.5, bend_cost in prop_oneof![Just(0.0f32), 0.0f32..0.7],
            gap_cost in prop_oneof![Just(f32::INFINITY), 0.2f32..1.0],
            costs in proptest::collection::vec(0.0f32..1.0, 25)
        ) {
            let grid = CostGrid { rows, columns, cost: &costs };
            check(&grid, &PathOptions { jump, slope_cost, bend_cost, gap_cost });
        }
    }

    /// A strip with a bright groove that climbs, has a hole, and is crossed by a stronger scratch.
    fn strip(columns: usize, rows: usize) -> (Vec<f32>, Vec<usize>) {
        let truth: Vec<usize> = (0..columns)
            .map(|c| (rows as f64 * (0.3 + 0.4 * c as f64 / columns as f64)) as usize)
            .collect();
        let mut cost = vec![1.0f32; columns * rows];
        let mut state = 7u32;
        for v in &mut cost {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *v += (state >> 8) as f32 / (1 << 24) as f32 * 0.3;
        }
        for (c, &r) in truth.iter().enumerate() {
            if !(columns / 3..columns / 3 + columns / 20).contains(&c) {
                cost[c * rows + r] = 0.1;
            }
        }
        for c in columns / 2..columns / 2 + rows.min(columns / 4) {
            cost[c * rows + (c - columns / 2) % rows] = 0.02;
        }
        (cost, truth)
    }

    #[test]
    fn follows_a_groove_over_a_hole_and_past_a_scratch() {
        let (columns, rows) = (600, 60);
        let (cost, truth) = strip(columns, rows);
        let grid = CostGrid {
            rows,
            columns,
            cost: &cost,
        };
        let options = PathOptions {
            jump: 1,
            slope_cost: 0.1,
            bend_cost: 0.05,
            gap_cost: 0.9,
        };
        let path = cheapest_path(&grid, &options).unwrap();
        let off = path
            .rows
            .iter()
            .zip(&truth)
            .filter(|(a, b)| a.abs_diff(**b) > 1)
            .count();
        assert!(off < columns / 20 + rows, "{off} columns off the groove");
        let hole = columns / 3..columns / 3 + columns / 20;
        assert!(path.seen[hole].iter().all(|s| !s));
        assert!(path.seen[..columns / 3].iter().all(|s| *s));
    }

    #[test]
    fn odd_grids() {
        let none = CostGrid {
            rows: 0,
            columns: 4,
            cost: &[],
        };
        assert_eq!(cheapest_path(&none, &PathOptions::default()), None);
        let short = CostGrid {
            rows: 3,
            columns: 4,
            cost: &[0.0; 11],
        };
        assert_eq!(cheapest_path(&short, &PathOptions::default()), None);
        let lost = [f32::NAN; 6];
        let blind = CostGrid {
            rows: 2,
            columns: 3,
            cost: &lost,
        };
        for bend_cost in [0.0, 1.0] {
            let options = PathOptions {
                bend_cost,
                gap_cost: 2.0,
                ..PathOptions::default()
            };
            let path = cheapest_path(&blind, &options).unwrap();
            assert_eq!((path.seen, path.cost), (vec![false; 3], 6.0));
        }
    }
}
