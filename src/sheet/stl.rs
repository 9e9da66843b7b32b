//! Flat pieces of a given thickness to binary STL, for a 3-D printer.
//!
//! Arcs become chords within [`CHORD_MM`]. Top and bottom are cut into triangles by ear clipping (crate `earcut`), the
//! walls follow the same corners, so that every edge belongs to exactly two triangles; that is checked before anything
//! is written. Lower left of all pieces at the origin, x right, y up, the underside on z = 0. Millimetres.

use super::path::{At, Path};
use super::{LIMIT_MM, SheetError, seal};
use std::collections::HashMap;

/// Chords stay this close to their arc, mm: a tenth of what a common printer's nozzle can place.
pub const CHORD_MM: f64 = 0.01;

/// Corners closer than this are one, mm; also how far a corner may lie off a straight wall and be dropped.
const SAME_MM: f64 = 1e-3;

/// A flat piece.
#[derive(Debug, Clone, PartialEq)]
pub struct Solid {
    /// Its outline, sheet frame; taken as closed, either way round.
    pub outline: Path,
    /// Holes within it; they touch neither it nor each other.
    pub holes: Vec<Path>,
    /// Thickness, mm.
    pub thick_mm: f64,
}

type Corner = [f32; 3];

/// All pieces as one binary STL file; `title` goes into its header.
///
/// # Errors
/// [`SheetError::NotDrawable`] for sizes that are no numbers or too large; [`SheetError::NotSolid`] when an outline
/// crosses itself or has no area.
pub fn bytes(title: &str, solids: &[Solid]) -> Result<Vec<u8>, SheetError> {
    let mut loops = Vec::new();
    for solid in solids {
        let fine = solid.thick_mm > 0.0 && solid.thick_mm <= LIMIT_MM;
        let all = std::iter::once(&solid.outline).chain(&solid.holes);
        let near = all
            .clone()
            .map(Path::bounds)
            .all(|f| [f.x0, f.y0, f.x1, f.y1].iter().all(|v| v.abs() <= LIMIT_MM));
        if !fine || !near {
            return Err(SheetError::NotDrawable { limit_mm: LIMIT_MM });
        }
        loops.push(all.map(corners).collect::<Vec<_>>());
    }
    let places = || loops.iter().flatten().flatten();
    let left = places().map(|p| p.x).fold(f64::MAX, f64::min);
    let low = places().map(|p| p.y).fold(f64::MIN, f64::max);
    let mut triangles = Vec::new();
    for (solid, loops) in solids.iter().zip(&loops) {
        let flat: Vec<Vec<[f64; 2]>> = loops
            .iter()
            .map(|l| l.iter().map(|p| [p.x - left, low - p.y]).collect())
            .collect();
        raise(&flat, solid.thick_mm, &mut triangles)?;
    }
    Ok(written(title, &triangles))
}

/// Corner places of a path as the printer gets them: none double, none on the straight line between its neighbours.
fn corners(path: &Path) -> Vec<At> {
    let mut places: Vec<At> = Vec::new();
    for at in path.flattened(CHORD_MM) {
        if places
            .last()
            .is_none_or(|last| (at - last).norm() > SAME_MM)
        {
            places.push(at);
        }
    }
    while places.len() > 1
        && places
            .first()
            .zip(places.last())
            .is_some_and(|(a, b)| (a - b).norm() <= SAME_MM)
    {
        places.pop();
    }
    let mut kept: Vec<At> = Vec::with_capacity(places.len());
    let n = places.len();
    for (i, at) in places.iter().enumerate() {
        let before = kept.last().or(places.get(n - 1));
        let after = places.get((i + 1) % n);
        if before
            .zip(after)
            .is_none_or(|(a, b)| off_line(*at, *a, *b) > SAME_MM / 10.0)
        {
            kept.push(*at);
        }
    }
    kept
}

/// How far a place lies from the segment a–b, mm.
fn off_line(at: At, a: At, b: At) -> f64 {
    let (along, to) = (b - a, at - a);
    let t = (to.dot(&along) / along.norm_squared().max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
    (to - along * t).norm()
}

/// Twice the signed area, positive counter-clockwise with y up, mm².
fn area2(l: &[[f64; 2]]) -> f64 {
    let next = l.iter().cycle().skip(1);
    l.iter()
        .zip(next)
        .map(|(a, b)| a[0] * b[1] - b[0] * a[1])
        .sum()
}

/// Adds the triangles of one piece, outline first, then holes.
fn raise(
    loops: &[Vec<[f64; 2]>],
    thick_mm: f64,
    triangles: &mut Vec<[Corner; 3]>,
) -> Result<(), SheetError> {
    let mut flat: Vec<[f64; 2]> = Vec::new();
    let mut starts: Vec<u32> = Vec::new();
    let mut own = Vec::new();
    let mut area_mm2 = 0.0;
    for (i, l) in loops.iter().enumerate() {
        if l.len() < 3 {
            return Err(SheetError::NotSolid);
        }
        // Outline counter-clockwise, holes clockwise: the material lies on the left of every wall.
        let outer = i == 0;
        let mut l = l.clone();
        if (area2(&l) > 0.0) != outer {
            l.reverse();
        }
        area_mm2 += area2(&l) / 2.0;
        let start = flat.len() as u32;
        if !outer {
            starts.push(start);
        }
        let n = l.len();
        for k in 0..n {
            own.push([flat.len() + k, flat.len() + (k + 1) % n]);
        }
        flat.extend(l);
    }
    let mut ears: Vec<u32> = Vec::new();
    earcut::Earcut::new().earcut(flat.iter().copied(), &starts, &mut ears);
    let at = |i: usize, z: f64| flat.get(i).map(|p| [p[0] as f32, p[1] as f32, z as f32]);
    let first = triangles.len();
    let mut covered_mm2 = 0.0;
    for ear in ears.chunks_exact(3) {
        let [a, b, c] = [ear[0] as usize, ear[1] as usize, ear[2] as usize];
        let two = flat
            .get(a)
            .zip(flat.get(b))
            .zip(flat.get(c))
            .map_or(0.0, |((a, b), c)| area2(&[*a, *b, *c]));
        covered_mm2 += two.abs() / 2.0;
        let [a, b, c] = if two >= 0.0 { [a, b, c] } else { [a, c, b] };
        triangles.extend(tri(at(a, thick_mm), at(b, thick_mm), at(c, thick_mm)));
        triangles.extend(tri(at(a, 0.0), at(c, 0.0), at(b, 0.0)));
    }
    for [a, b] in own {
        triangles.extend(tri(at(a, 0.0), at(b, 0.0), at(b, thick_mm)));
        triangles.extend(tri(at(a, 0.0), at(b, thick_mm), at(a, thick_mm)));
    }
    let whole = area_mm2 > 0.0 && (covered_mm2 - area_mm2).abs() <= 1e-6 * area_mm2;
    let tight = triangles.get(first..).is_some_and(watertight);
    if whole && tight {
        Ok(())
    } else {
        Err(SheetError::NotSolid)
    }
}

fn tri(a: Option<Corner>, b: Option<Corner>, c: Option<Corner>) -> Option<[Corner; 3]> {
    Some([a?, b?, c?])
}

/// Whether every edge is walked exactly once each way, and by two triangles only.
fn watertight(triangles: &[[Corner; 3]]) -> bool {
    let key = |c: &Corner| c.map(f32::to_bits);
    let mut walked: HashMap<([u32; 3], [u32; 3]), u32> = HashMap::new();
    for [a, b, c] in triangles {
        for (from, to) in [(a, b), (b, c), (c, a)] {
            *walked.entry((key(from), key(to))).or_default() += 1;
        }
    }
    walked
        .iter()
        .all(|((from, to), n)| *n == 1 && walked.get(&(*to, *from)) == Some(&1))
}

/// 80 bytes of header, the count, then normal, three corners and two empty bytes each (checks.md 11.14).
fn written(title: &str, triangles: &[[Corner; 3]]) -> Vec<u8> {
    let plain: String = title
        .chars()
        .filter(|c| c.is_ascii_graphic() || *c == ' ')
        .take(30)
        .collect();
    // A header that begins with 'solid' would be read as text.
    let mut file: Vec<u8> = format!("mm; {plain}; {}", seal::blank()).into_bytes();
    file.resize(80, b' ');
    file.extend((triangles.len() as u32).to_le_bytes());
    for [a, b, c] in triangles {
        for value in normal(a, b, c).iter().chain(a).chain(b).chain(c) {
            file.extend(value.to_le_bytes());
        }
        file.extend([0, 0]);
    }
    seal::close(file)
}

/// Outward normal of unit length; zero for a triangle without area.
fn normal(a: &Corner, b: &Corner, c: &Corner) -> Corner {
    let d = |p: &Corner| {
        nalgebra::Vector3::new(
            f64::from(p[0] - a[0]),
            f64::from(p[1] - a[1]),
            f64::from(p[2] - a[2]),
        )
    };
    let n = d(b).cross(&d(c)).try_normalize(0.0).unwrap_or_default();
    [n.x as f32, n.y as f32, n.z as f32]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::path::Frame;
    use std::f64::consts::PI;

    /// Reads with stl_io; asserts that every edge is in exactly two triangles; gives volume (mm³) and size (mm).
    fn read(solids: &[Solid]) -> (f64, [f32; 3]) {
        let file = bytes("Radius gauge", solids).unwrap();
        let mesh = stl_io::read_stl(&mut std::io::Cursor::new(&file)).unwrap();
        assert_eq!(file.len(), 84 + 50 * mesh.faces.len());
        assert!(!file.starts_with(b"solid"));
        assert!(seal::is_own(&file));
        mesh.validate().unwrap();
        let mut edges: HashMap<(usize, usize), u32> = HashMap::new();
        for face in &mesh.faces {
            for k in 0..3 {
                let (a, b) = (face.vertices[k], face.vertices[(k + 1) % 3]);
                *edges.entry((a.min(b), a.max(b))).or_default() += 1;
            }
        }
        assert!(edges.values().all(|n| *n == 2), "an open or doubled edge");
        let p = |i: usize| nalgebra::Vector3::from(mesh.vertices[i].0).cast::<f64>();
        let volume = mesh
            .faces
            .iter()
            .map(|f| p(f.vertices[0]).dot(&p(f.vertices[1]).cross(&p(f.vertices[2]))) / 6.0)
            .sum();
        let most = |k: usize| {
            mesh.vertices
                .iter()
                .map(|v| v.0[k])
                .fold(f32::MIN, f32::max)
        };
        let least = |k: usize| {
            mesh.vertices
                .iter()
                .map(|v| v.0[k])
                .fold(f32::MAX, f32::min)
        };
        assert_eq!([least(0), least(1), least(2)], [0.0; 3]);
        (volume, [most(0), most(1), most(2)])
    }

    #[test]
    fn a_plate_with_a_hole_has_its_volume() {
        let solid = Solid {
            outline: Path::rect(Frame::from_size(12.0, 7.0, 60.0, 40.0)),
            holes: vec![
                Path::circle(At::new(30.0, 20.0), 8.0),
                Path::circle(At::new(55.0, 30.0), 3.0),
            ],
            thick_mm: 3.0,
        };
        let (volume, size) = read(&[solid]);
        let wanted = 3.0 * (60.0 * 40.0 - PI * (64.0 + 9.0));
        // Chords within 0.01 mm lose at most that times two thirds of the holes' rims.
        assert!(
            volume - wanted >= 0.0 && volume - wanted < 3.0 * 0.01 * 2.0 * PI * 11.0,
            "{volume} {wanted}"
        );
        assert_eq!(size, [60.0, 40.0, 3.0]);
    }

    #[test]
    fn a_gauge_with_inner_and_outer_arcs_is_watertight() {
        // Flank, arc of 8 mm, flank, and back round: both ways, with a corner in the middle of a straight side.
        for turn in [1.0, -1.0] {
            let outline = Path::from(At::new(0.0, 0.0))
                .line(At::new(20.0, 0.0))
                .arc(At::new(20.0, 8.0 * turn), 45.0 * turn)
                .line(At::new(40.0, 20.0 * turn))
                .line(At::new(20.0, 30.0 * turn))
                .line(At::new(0.0, 30.0 * turn))
                .line(At::new(0.0, 15.0 * turn))
                .close();
            let (volume, _) = read(&[Solid {
                outline,
                holes: vec![],
                thick_mm: 2.0,
            }]);
            assert!(volume > 0.0);
        }
    }

    #[test]
    fn several_pieces_go_into_one_file() {
        let plate = |x: f64| Solid {
            outline: Path::rect(Frame::from_size(x, 0.0, 10.0, 10.0)),
            holes: vec![],
            thick_mm: 1.0,
        };
        let (volume, size) = read(&[plate(0.0), plate(15.0)]);
        assert!((volume - 200.0).abs() < 1e-3);
        assert_eq!(size, [25.0, 10.0, 1.0]);
    }

    #[test]
    fn an_outline_that_crosses_itself_is_refused() {
        let bow_tie = Path::from(At::new(0.0, 0.0))
            .line(At::new(10.0, 10.0))
            .line(At::new(10.0, 0.0))
            .line(At::new(0.0, 12.0))
            .close();
        let solid = |outline| Solid {
            outline,
            holes: vec![],
            thick_mm: 1.0,
        };
        assert_eq!(bytes("x", &[solid(bow_tie)]), Err(SheetError::NotSolid));
        assert_eq!(
            bytes(
                "x",
                &[solid(Path::segment(At::new(0.0, 0.0), At::new(1.0, 1.0)))]
            ),
            Err(SheetError::NotSolid)
        );
        let nan = Path::rect(Frame::from_size(f64::NAN, 0.0, 1.0, 1.0));
        assert!(matches!(
            bytes("x", &[solid(nan)]),
            Err(SheetError::NotDrawable { .. })
        ));
    }
}
