//! Lines that run coherently along a strip.
//!
//! A swage line crosses a photo nearly straight (the strip is in the panel's own frame, lens and tilt taken out) and keeps
//! its two sides' difference of colour from end to end; dirt, mottle and coat patches don't. So for every straight or
//! slightly bowed course through the strip the *vector* difference of colour between just above and just below is
//! averaged, block by block, and held against its own scatter: Student's t of a coherent edge. A Hough transform in which
//! a vote has a sign and a colour.

use super::strip::{Cell, Strip};
use rayon::prelude::*;

/// How to look.
#[derive(Debug, Clone)]
pub struct SeekOptions {
    /// Rows averaged on each side.
    pub reach: usize,
    /// Rows left out in the middle on each side.
    pub skip: usize,
    /// Columns averaged to a block.
    pub block: usize,
    /// Steepest course looked for, rows from the middle to either end.
    pub rise: f32,
    /// Largest bow looked for, rows from the middle to either end.
    pub bow: f32,
    /// Smaller mean steps of colour (the three colours' root sum of squares) are not looked at.
    pub least_step: f32,
}

/// A coherent line.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Row in the strip's middle column.
    pub row: f32,
    /// Rows from the middle to the last column, without bow.
    pub rise: f32,
    /// Rows from the middle to either end by bow.
    pub bow: f32,
    /// Mean difference of colour, below less above (red, green, blue).
    pub step: [f32; 3],
    /// Student's t of that mean against its scatter from block to block.
    pub t: f32,
    /// Share of the blocks, among those that can be seen, whose step goes the same way.
    pub agree: f32,
    /// Blocks that can be seen.
    pub seen: usize,
    /// Stretch of blocks that carries it.
    pub blocks: std::ops::Range<usize>,
}

impl Candidate {
    /// Row of the course at a column.
    pub fn row_at(&self, column: usize, columns: usize) -> f32 {
        let u = 2.0 * column as f32 / (columns.max(2) - 1) as f32 - 1.0;
        self.row + self.rise * u + self.bow * u * u
    }
}

/// Block-wise colour difference across every row: `steps[block * rows + row]`, NaN where it can't be seen.
#[derive(Debug, Clone)]
pub struct Steps {
    /// Blocks along.
    pub blocks: usize,
    /// Rows across.
    pub rows: usize,
    /// Difference, below less above.
    pub step: Vec<[f32; 3]>,
    /// What each cell adds to a course: difference (3), its square, one; all zero where it can't be seen.
    votes: Vec<[f32; 5]>,
}

/// Colour differences of a strip, `block` columns averaged.
pub fn steps(strip: &Strip, options: &SeekOptions) -> Steps {
    let blocks = strip.columns.div_ceil(options.block.max(1));
    let rows = strip.rows;
    let mut step = vec![[f32::NAN; 3]; blocks * rows];
    step.par_chunks_mut(rows.max(1))
        .enumerate()
        .for_each(|(block, out)| {
            let first = block * options.block;
            let last = (first + options.block).min(strip.columns);
            let mut sum = vec![[0f32; 3]; rows];
            let mut count = vec![0u16; rows];
            let mut running = vec![[0f32; 4]; rows + 1];
            for column in first..last {
                run_up(strip.column(column), &mut running);
                let (reach, skip) = (options.reach, options.skip);
                for row in reach + skip..rows.saturating_sub(reach + skip) {
                    let above = diff(&running[row - skip], &running[row - skip - reach]);
                    let below = diff(&running[row + 1 + skip + reach], &running[row + 1 + skip]);
                    let n = reach as f32;
                    if above[3] == n && below[3] == n {
                        for c in 0..3 {
                            sum[row][c] += (below[c] - above[c]) / n;
                        }
                        count[row] += 1;
                    }
                }
            }
            let mut plain = vec![[f32::NAN; 3]; rows];
            for row in 0..rows {
                if 2 * count[row] as usize >= last - first {
                    plain[row] = sum[row].map(|v| v / count[row] as f32);
                }
            }
            // A slow change of light steps everywhere alike: what counts is how far a step stands above those beside it.
            let beside = options.reach + 2 * options.skip;
            for row in beside..rows.saturating_sub(beside) {
                let (up, here, down) = (plain[row - beside], plain[row], plain[row + beside]);
                if here[0].is_nan() {
                    continue;
                }
                let along = |d: [f32; 3]| d.iter().zip(here).map(|(a, b)| a * b).sum::<f32>();
                let (a, b) = (along(up), along(down));
                // Both beside step the same way: the lesser is the slow change. NaN compares as no.
                let common = if a > 0.0 && b > 0.0 {
                    if a < b { up } else { down }
                } else {
                    [0.0; 3]
                };
                out[row] = std::array::from_fn(|i| here[i] - common[i]);
            }
        });
    with_votes(blocks, rows, step)
}

/// Sums of a column's cells up to each row, and how many were seen; a blank adds nothing.
fn run_up(column: &[Cell], running: &mut [[f32; 4]]) {
    for (row, cell) in column.iter().enumerate() {
        let before = running[row];
        running[row + 1] = if cell[0].is_nan() {
            before
        } else {
            [
                before[0] + cell[0],
                before[1] + cell[1],
                before[2] + cell[2],
                before[3] + 1.0,
            ]
        };
    }
}

/// How a ribbon `width` rows wide (coat left between two sanded flanks) stands out, `block` columns averaged: its colour less
/// the flanks', the lesser of the two sides where both differ the same way, nothing where they don't. A panel's edge has one
/// such side only and vanishes.
pub fn ribbons(strip: &Strip, options: &SeekOptions, width: usize) -> Steps {
    let blocks = strip.columns.div_ceil(options.block.max(1));
    let rows = strip.rows;
    let mut step = vec![[f32::NAN; 3]; blocks * rows];
    let (reach, skip, half) = (options.reach, options.skip, width.max(1) / 2);
    let width = 2 * half + 1;
    let far = half + skip + reach;
    step.par_chunks_mut(rows.max(1))
        .enumerate()
        .for_each(|(block, out)| {
            let first = block * options.block;
            let last = (first + options.block).min(strip.columns);
            let mut sum = vec![[0f32; 6]; rows];
            let mut count = vec![0u16; rows];
            let mut running = vec![[0f32; 4]; rows + 1];
            for column in first..last {
                run_up(strip.column(column), &mut running);
                for row in far..rows.saturating_sub(far) {
                    let inside = diff(&running[row + half + 1], &running[row - half]);
                    let above = diff(&running[row - half - skip], &running[row - far]);
                    let below = diff(&running[row + far + 1], &running[row + half + skip + 1]);
                    let (n, m) = (reach as f32, width as f32);
                    if above[3] == n && below[3] == n && inside[3] == m {
                        for c in 0..3 {
                            sum[row][c] += inside[c] / m - above[c] / n;
                            sum[row][3 + c] += inside[c] / m - below[c] / n;
                        }
                        count[row] += 1;
                    }
                }
            }
            for (row, out) in out.iter_mut().enumerate() {
                if 2 * count[row] as usize >= last - first && count[row] > 0 {
                    let n = count[row] as f32;
                    let [a0, a1, a2, b0, b1, b2] = sum[row].map(|v| v / n);
                    let (a, b) = ([a0, a1, a2], [b0, b1, b2]);
                    let dot = a.iter().zip(b).map(|(a, b)| a * b).sum::<f32>();
                    let size = |d: [f32; 3]| d.iter().map(|v| v * v).sum::<f32>();
                    *out = if dot <= 0.0 {
                        [0.0; 3]
                    } else if size(a) < size(b) {
                        a
                    } else {
                        b
                    };
                }
            }
        });
    with_votes(blocks, rows, step)
}

fn with_votes(blocks: usize, rows: usize, step: Vec<[f32; 3]>) -> Steps {
    let votes = step
        .iter()
        .map(|d| {
            if d[0].is_nan() {
                [0.0; 5]
            } else {
                [
                    d[0],
                    d[1],
                    d[2],
                    d[0] * d[0] + d[1] * d[1] + d[2] * d[2],
                    1.0,
                ]
            }
        })
        .collect();
    Steps {
        blocks,
        rows,
        step,
        votes,
    }
}

fn diff(a: &[f32; 4], b: &[f32; 4]) -> [f32; 4] {
    std::array::from_fn(|i| a[i] - b[i])
}

/// Coherent lines, each on the stretch that carries it, one within `2 * skip + reach` rows of another dropped.
///
/// Cost: courses × rows × blocks.
pub fn lines(steps: &Steps, options: &SeekOptions) -> Vec<Candidate> {
    let (rows, blocks) = (steps.rows, steps.blocks);
    if blocks < 6 || rows < 4 {
        return Vec::new();
    }
    let rises = courses(options.rise, 1.5);
    let bows = courses(options.bow, 3.0);
    let mut best: Vec<Option<Candidate>> = rises
        .par_iter()
        .map(|rise| {
            let mut best: Vec<Option<Candidate>> = vec![None; rows];
            let mut sums = vec![[0f32; 5]; rows];
            for bow in &bows {
                add_up(steps, *rise, *bow, &mut sums);
                for (row, sum) in sums.iter().enumerate() {
                    let n = sum[4];
                    if n < 0.3 * blocks as f32 || n < 6.0 {
                        continue;
                    }
                    let mean = [sum[0] / n, sum[1] / n, sum[2] / n];
                    let size2 = mean.iter().map(|m| m * m).sum::<f32>();
                    // A panel that fills half of the strip halves the mean.
                    if size2 < 0.25 * options.least_step * options.least_step {
                        continue;
                    }
                    let scatter2 = ((sum[3] / n - size2) / 3.0).max(1e-8);
                    let t = (size2 * n / scatter2).sqrt();
                    if best[row].as_ref().is_none_or(|b| t > b.t) {
                        best[row] = Some(Candidate {
                            row: row as f32,
                            rise: *rise,
                            bow: *bow,
                            step: mean,
                            t,
                            agree: 0.0,
                            seen: n as usize,
                            blocks: 0..blocks,
                        });
                    }
                }
            }
            best
        })
        .reduce(
            || vec![None; rows],
            |mut a, b| {
                for (a, b) in a.iter_mut().zip(b) {
                    if let Some(b) = b
                        && a.as_ref().is_none_or(|a| b.t > a.t)
                    {
                        *a = Some(b);
                    }
                }
                a
            },
        );
    let apart = (options.reach + 2 * options.skip) as f32 * 0.6;
    let mut found: Vec<Candidate> = best.drain(..).flatten().collect();
    found.sort_by(|a, b| b.t.total_cmp(&a.t).then(a.row.total_cmp(&b.row)));
    let mut kept: Vec<Candidate> = Vec::new();
    for mut candidate in found {
        if kept.len() >= 48 {
            break;
        }
        if kept.iter().all(|k| (k.row - candidate.row).abs() > apart) {
            settle(steps, &mut candidate);
            kept.push(candidate);
        }
    }
    kept
}

fn courses(most: f32, pitch: f32) -> Vec<f32> {
    let n = (most / pitch).ceil() as i32;
    (-n..=n).map(|i| i as f32 * pitch).collect()
}

/// Sums along one course for every middle row: step (3), its square, count.
fn add_up(steps: &Steps, rise: f32, bow: f32, sums: &mut [[f32; 5]]) {
    let rows = steps.rows as isize;
    sums.fill([0.0; 5]);
    for block in 0..steps.blocks {
        let shift = course(block, steps.blocks, rise, bow).round() as isize;
        let column = &steps.votes[block * steps.rows..(block + 1) * steps.rows];
        let (from, to) = ((-shift).max(0), (rows - shift).min(rows));
        if from >= to {
            // The course leaves the strip here.
            continue;
        }
        let (from, to, start) = (from as usize, to as usize, (from + shift) as usize);
        let (sums, column) = (&mut sums[from..to], &column[start..start + to - from]);
        for (sum, vote) in sums
            .as_flattened_mut()
            .iter_mut()
            .zip(column.as_flattened())
        {
            *sum += vote;
        }
    }
}

fn course(block: usize, blocks: usize, rise: f32, bow: f32) -> f32 {
    let u = 2.0 * block as f32 / (blocks.max(2) - 1) as f32 - 1.0;
    rise * u + bow * u * u
}

/// Keeps the stretch of blocks that carries the step (the panel may end inside the photo) and works out step, t and
/// agreement on it alone.
fn settle(steps: &Steps, candidate: &mut Candidate) {
    let found: Vec<Option<[f32; 3]>> = (0..steps.blocks)
        .map(|block| {
            let row = candidate.row + course(block, steps.blocks, candidate.rise, candidate.bow);
            if row < 0.0 || row.round() as usize >= steps.rows {
                return None;
            }
            let d = steps.step[block * steps.rows + row.round() as usize];
            (!d[0].is_nan()).then_some(d)
        })
        .collect();
    let mut range = 0..steps.blocks;
    for _ in 0..3 {
        let Some((mean, scatter2, n)) = moments(&found[range.clone()]) else {
            return;
        };
        let size2 = mean.iter().map(|m| m * m).sum::<f32>().max(1e-12);
        candidate.step = mean;
        candidate.seen = n;
        candidate.t = (size2 * n as f32 / scatter2.max(1e-8)).sqrt();
        let share = |d: &[f32; 3]| d.iter().zip(mean).map(|(a, b)| a * b).sum::<f32>() / size2;
        let agree = found[range.clone()]
            .iter()
            .flatten()
            .filter(|d| share(d) > 0.3)
            .count();
        candidate.agree = agree as f32 / n as f32;
        // The stretch with the largest sum of (share - 0.45), Kadane's way; blocks that can't be seen are neutral.
        let (mut best, mut sum, mut from, mut stretch) = (0.0, 0.0, 0, range.clone());
        for (block, d) in found.iter().enumerate() {
            sum += d.as_ref().map_or(0.0, |d| share(d).clamp(-0.5, 1.3) - 0.45);
            if sum < 0.0 {
                sum = 0.0;
                from = block + 1;
            }
            if sum > best {
                best = sum;
                stretch = from..block + 1;
            }
        }
        if stretch == range || stretch.len() < 4 {
            break;
        }
        range = stretch;
    }
    candidate.blocks = range;
}

/// Mean, scatter (a component's variance) and count of the steps seen.
fn moments(found: &[Option<[f32; 3]>]) -> Option<([f32; 3], f32, usize)> {
    let n = found.iter().flatten().count();
    if n < 4 {
        return None;
    }
    let mut mean = [0f32; 3];
    for d in found.iter().flatten() {
        for i in 0..3 {
            mean[i] += d[i] / n as f32;
        }
    }
    let square: f32 = found
        .iter()
        .flatten()
        .map(|d| {
            d.iter()
                .zip(mean)
                .map(|(a, m)| (a - m) * (a - m))
                .sum::<f32>()
        })
        .sum();
    Some((mean, square / (3.0 * n as f32), n))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::strip::Cell;

    fn options(rise: f32) -> SeekOptions {
        SeekOptions {
            reach: 4,
            skip: 1,
            block: 4,
            rise,
            bow: 3.0,
            least_step: 0.02,
        }
    }

    /// A strip whose cells below `row(column)` are lighter, with a little checkered noise.
    fn strip(rows: usize, row: impl Fn(usize) -> f32) -> Strip {
        let columns = 120;
        let cells = (0..columns * rows)
            .map(|k| {
                let (c, r) = (k / rows, k % rows);
                let noise = ((c * 7 + r * 13) % 5) as f32 * 0.002;
                let v = if r as f32 > row(c) { 0.6 } else { 0.4 } + noise;
                [v; 4] as Cell
            })
            .collect();
        Strip {
            columns,
            rows,
            cells,
        }
    }

    #[test]
    fn a_sloping_line_is_found_where_it_is() {
        let strip = strip(80, |c| 40.0 + (c as f32 - 60.0) / 10.0);
        let look = options(12.0);
        let found = lines(&steps(&strip, &look), &look);
        let best = &found[0];
        assert!(
            (best.row - 40.0).abs() <= 2.0 && (best.rise - 6.0).abs() <= 1.5,
            "{best:?}"
        );
        assert!(best.agree > 0.95);
    }

    /// A dark ribbon between two light flanks is seen in its own width; a single step is not.
    #[test]
    fn a_ribbon_is_seen_and_a_step_is_not() {
        let mut ribbon = strip(80, |c| 40.0 + (c as f32 - 60.0) / 20.0);
        let look = options(12.0);
        assert!(lines(&ribbons(&ribbon, &look, 9), &look).is_empty());
        for c in 0..ribbon.columns {
            for r in 0..ribbon.rows {
                let from = 40.0 + (c as f32 - 60.0) / 20.0;
                let v = if (r as f32) > from && (r as f32) < from + 9.0 {
                    0.3
                } else {
                    0.5
                };
                ribbon.cells[c * 80 + r] = [v; 4];
            }
        }
        let found = lines(&ribbons(&ribbon, &look, 9), &look);
        let best = &found[0];
        assert!(
            (best.row - 44.5).abs() <= 1.5 && best.step[0] < -0.15,
            "{best:?}"
        );
    }

    /// Courses steeper than the strip is high leave it; they are passed over, not read beyond its ends.
    #[test]
    fn courses_may_leave_a_narrow_strip() {
        let strip = strip(24, |_| 12.0);
        let look = options(90.0);
        assert!(!lines(&steps(&strip, &look), &look).is_empty());
    }
}
