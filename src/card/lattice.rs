//! From single checker corners to patches of lattice.
//!
//! Between two neighbouring corners of a card runs an edge, black on one side, white on the other (beside every
//! marker stays a white strip), and at the corner the sides change. So an edge is walked from each corner, kept
//! centred, until its sides swap: there the neighbour must lie. No size, distance or number of corners is assumed, and
//! a gap (dirt, glare, a finger) costs only the edges it hides. Corners linked this way get whole-number places.

use super::map::Map;
use super::plane::Plane;
use super::saddle::Saddle;
use nalgebra::Point2;
use rayon::prelude::*;
use std::collections::{BTreeMap, VecDeque};
use std::f32::consts::{PI, TAU};

/// Corners with whole-number places: i goes on along one edge, j a quarter turn on (x toward y, as the card's own axes).
#[derive(Debug, Clone, Default)]
pub struct Patch {
    /// Place on the lattice → corner.
    pub corners: BTreeMap<(i32, i32), Node>,
}

/// A corner of a patch, in photo pixels.
#[derive(Debug, Clone, Copy)]
pub struct Node {
    /// Place, photo px.
    pub x: f32,
    /// Place, photo px.
    pub y: f32,
    /// Whether the square that follows at +i, +j is white.
    pub white_after: bool,
}

impl Patch {
    /// Drops corners that lie off the homography of most: a link to a corner inside a marker.
    ///
    /// Reweighted least squares (Cauchy's weights) with a scale that shrinks from half a square to a sixth: lens and
    /// bowed panel stay within that, a wrong corner does not.
    fn clean(&mut self) {
        let mut pairs: Vec<_> = self
            .corners
            .iter()
            .map(|(at, n)| (Self::place(*at), n.place(), 1.0))
            .collect();
        let Some(mut map) = Map::fit(&pairs) else {
            return;
        };
        let side = self.side_px();
        for share in [0.5, 0.4, 0.3, 0.2, 0.15] {
            for pair in &mut pairs {
                let off = map.apply(pair.0).map_or(f64::MAX, |p| (p - pair.1).norm());
                pair.2 = 1.0 / (1.0 + (off / (share * side)).powi(2));
            }
            match Map::fit(&pairs) {
                Some(better) => map = better,
                None => return,
            }
        }
        self.corners.retain(|at, n| {
            map.apply(Self::place(*at))
                .is_some_and(|p| (p - n.place()).norm() < 0.3 * side)
        });
    }

    /// Median distance of neighbours along +i and +j, the shorter of the two, photo px.
    pub fn side_px(&self) -> f64 {
        let median = |di: i32, dj: i32| {
            let step = |(at, n): (&(i32, i32), &Node)| {
                self.corners
                    .get(&(at.0 + di, at.1 + dj))
                    .map(|m| (m.place() - n.place()).norm())
            };
            let mut steps: Vec<f64> = self.corners.iter().filter_map(step).collect();
            steps.sort_by(f64::total_cmp);
            steps.get(steps.len() / 2).copied().unwrap_or(f64::MAX)
        };
        median(1, 0).min(median(0, 1))
    }

    fn place((i, j): (i32, i32)) -> Point2<f64> {
        Point2::new(f64::from(i), f64::from(j))
    }
}

impl Node {
    /// Place, photo px.
    pub fn place(&self) -> Point2<f64> {
        Point2::new(f64::from(self.x), f64::from(self.y))
    }
}

/// How far to each side of an edge brightness is taken, plane px; within the white strip of squares of 12 px.
const BESIDE_PX: f32 = 1.4;

/// How far an edge may fade (dirt, the corner itself) before the walk gives up, plane px.
const FADE_PX: f32 = 4.5;

/// Links corners to their neighbours and gathers patches of `least` corners and more, largest first.
pub fn patches(plane: &Plane, saddles: &[Saddle], least: usize) -> Vec<Patch> {
    let grid = Grid::new(saddles);
    let links: Vec<[Option<(u32, u8)>; 4]> = saddles
        .par_iter()
        .with_min_len(64)
        .map(|s| [0, 1, 2, 3].map(|k| neighbour(plane, saddles, &grid, s, k)))
        .collect();
    let mut seen = vec![false; saddles.len()];
    let mut patches = Vec::new();
    for start in 0..saddles.len() {
        if !seen[start] && links[start].iter().any(Option::is_some) {
            let mut patch = gather(plane, saddles, &links, &mut seen, start);
            patch.clean();
            if patch.corners.len() >= least {
                patches.push(patch);
            }
        }
    }
    patches.sort_by_key(|p| std::cmp::Reverse(p.corners.len()));
    patches
}

/// Direction of a corner's edge `k`: 0, 1 as stored, 2, 3 their other ends. White lies after even ones.
fn direction(s: &Saddle, k: u8) -> f32 {
    s.edges[usize::from(k % 2)] + if k >= 2 { PI } else { 0.0 }
}

/// Smallest angle between two directions.
fn between(a: f32, b: f32) -> f32 {
    let d = (a - b).rem_euclid(TAU);
    d.min(TAU - d)
}

/// Walks edge `k` of a corner to its end; the corner there and which of its edges looks back.
fn neighbour(
    plane: &Plane,
    saddles: &[Saddle],
    grid: &Grid,
    from: &Saddle,
    k: u8,
) -> Option<(u32, u8)> {
    let (x, y, length) = walk(plane, from, k)?;
    let reach = (0.12 * length).max(2.5);
    let (at, to) = grid
        .near(x, y, reach)
        .map(|n| (n, &saddles[n as usize]))
        .min_by(|a, b| {
            (a.1.x - x)
                .hypot(a.1.y - y)
                .total_cmp(&(b.1.x - x).hypot(b.1.y - y))
        })?;
    let back = (from.y - to.y).atan2(from.x - to.x);
    let other = [0, 1, 2, 3].into_iter().min_by(|&a, &b| {
        between(direction(to, a), back).total_cmp(&between(direction(to, b), back))
    })?;
    let similar = to.contrast > 0.3 * from.contrast && from.contrast > 0.3 * to.contrast;
    (similar && other % 2 != k % 2 && between(direction(to, other), back) < 0.45)
        .then_some((at, other))
}

/// Follows the edge until its sides swap; the place where they do, and how far that is.
fn walk(plane: &Plane, from: &Saddle, k: u8) -> Option<(f32, f32, f32)> {
    let sign = if k.is_multiple_of(2) { 1.0 } else { -1.0 };
    let angle = direction(from, k);
    let (mut dy, mut dx) = angle.sin_cos();
    let (mut x, mut y) = (from.x + 2.0 * dx, from.y + 2.0 * dy);
    let (mut good, mut travelled) = (2.0f32, 2.0f32);
    let most = (plane.width.max(plane.height) / 3) as f32;
    let mut before = 1.0f32;
    loop {
        let (nx, ny) = (-dy * BESIDE_PX, dx * BESIDE_PX);
        let (after, ahead, beside) = (
            plane.at(x + nx, y + ny),
            plane.at(x, y),
            plane.at(x - nx, y - ny),
        );
        let step = (after - beside) * sign / from.contrast;
        let smooth = 0.5 * (step + before);
        before = step;
        if smooth > 0.25 {
            good = travelled;
            if step > 0.35 {
                // Where the edge lies across, from the middle's place between the sides; half of it, against noise.
                let off = ((after + beside) / 2.0 - ahead) / (after - beside) * BESIDE_PX;
                let off = off.clamp(-0.6, 0.6);
                x += nx / BESIDE_PX * off;
                y += ny / BESIDE_PX * off;
                let (tx, ty) = (x - from.x, y - from.y);
                let length = tx.hypot(ty);
                // Near the start the ring's own direction is the better one.
                let keep = (6.0 / length).min(1.0);
                let (cx, cy) = (
                    keep * dx + (1.0 - keep) * tx / length,
                    keep * dy + (1.0 - keep) * ty / length,
                );
                let norm = cx.hypot(cy);
                (dx, dy) = (cx / norm, cy / norm);
            }
        } else if smooth < -0.25 {
            let end = (good + travelled) / 2.0;
            let back = travelled - end;
            return Some((x - back * dx, y - back * dy, end));
        } else if travelled - good > FADE_PX {
            return None;
        }
        let pace = if travelled > 30.0 { 2.5 } else { 1.25 };
        travelled += pace;
        x += dx * pace;
        y += dy * pace;
        let inside =
            x > 2.0 && y > 2.0 && x < plane.width as f32 - 3.0 && y < plane.height as f32 - 3.0;
        if travelled > most || !inside {
            return None;
        }
    }
}

/// Gives whole-number places to all corners that hang together with `start`.
fn gather(
    plane: &Plane,
    saddles: &[Saddle],
    links: &[[Option<(u32, u8)>; 4]],
    seen: &mut [bool],
    start: usize,
) -> Patch {
    let mut patch = Patch::default();
    // (corner, place, which of its edges is +i)
    let mut queue = VecDeque::from([(start, (0, 0), 0u8)]);
    seen[start] = true;
    while let Some((at, place, first)) = queue.pop_front() {
        let s = &saddles[at];
        if patch.corners.contains_key(&place) {
            continue;
        }
        let (x, y) = plane.to_photo(s.x, s.y);
        let node = Node {
            x,
            y,
            white_after: first % 2 == 0,
        };
        patch.corners.insert(place, node);
        for k in 0..4u8 {
            let Some((to, back)) = links[at][usize::from(k)] else {
                continue;
            };
            let to = to as usize;
            if seen[to] {
                continue;
            }
            seen[to] = true;
            let way = (k + 4 - first) % 4;
            let (di, dj) = [(1, 0), (0, 1), (-1, 0), (0, -1)][usize::from(way)];
            // The edge that looks back is -way of the neighbour: its +i is `way + 2` edges before it.
            let its_first = (back + 4 - (way + 2) % 4) % 4;
            queue.push_back((to, (place.0 + di, place.1 + dj), its_first));
        }
    }
    patch
}

/// Corners by place, for looking up the nearest.
struct Grid {
    cells: BTreeMap<(i32, i32), Vec<Entry>>,
}

/// Which corner, and where.
type Entry = (u32, f32, f32);

const CELL_PX: f32 = 16.0;

impl Grid {
    fn new(saddles: &[Saddle]) -> Self {
        let mut cells: BTreeMap<_, Vec<Entry>> = BTreeMap::new();
        for (n, s) in saddles.iter().enumerate() {
            cells
                .entry(Self::cell(s.x, s.y))
                .or_default()
                .push((n as u32, s.x, s.y));
        }
        Grid { cells }
    }

    fn cell(x: f32, y: f32) -> (i32, i32) {
        ((x / CELL_PX).floor() as i32, (y / CELL_PX).floor() as i32)
    }

    fn near(&self, x: f32, y: f32, reach: f32) -> impl Iterator<Item = u32> + '_ {
        let (left, top) = Self::cell(x - reach, y - reach);
        let (right, bottom) = Self::cell(x + reach, y + reach);
        (top..=bottom)
            .flat_map(move |row| (left..=right).map(move |column| (column, row)))
            .filter_map(|cell| self.cells.get(&cell))
            .flatten()
            .filter(move |(_, sx, sy)| (sx - x).hypot(sy - y) <= reach)
            .map(|&(n, _, _)| n)
    }
}
