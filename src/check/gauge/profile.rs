//! The line across a swage: flank, arc, flank as wanted, or as measured.

use super::{GaugeError, sized};
use crate::sheet::{At, Path};
use serde::Deserialize;

/// A line across a swage in its own frame: from left to right, x along the chord, y down, the crest up, mm.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// The line.
    pub path: Path,
    /// Radius, mm, if one is known.
    pub radius_mm: Option<f64>,
    /// Turn, degrees, if known.
    pub turn_deg: Option<f64>,
    /// Where the arc is tangent to the flanks, left and right; none as measured.
    pub tangents: Option<[At; 2]>,
    /// Centre of the arc, if it is one.
    pub centre: Option<At>,
    /// As wanted or as measured.
    pub form: Form,
}

/// Where a profile comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Flank, arc, flank of the sizes given.
    Wanted,
    /// The edge of a section as the photo has it.
    Measured,
}

/// Sizes that are drawn: radius, turn, flank.
pub const RADII_MM: (f64, f64) = (0.5, 500.0);
const TURNS_DEG: (f64, f64) = (2.0, 150.0);
const FLANKS_MM: (f64, f64) = (3.0, 300.0);

impl Profile {
    /// Flank, arc, flank: tangent, both flanks as long (along themselves), crest up, its middle at x = 0.
    ///
    /// # Errors
    /// [`GaugeError::Size`].
    pub fn wanted(radius_mm: f64, turn_deg: f64, flank_mm: f64) -> Result<Profile, GaugeError> {
        sized("a radius", radius_mm, RADII_MM, "mm")?;
        sized("a turn", turn_deg, TURNS_DEG, "degrees")?;
        sized("a flank", flank_mm, FLANKS_MM, "mm")?;
        let (sin, cos) = (0.5 * turn_deg.to_radians()).sin_cos();
        let tangent = |sign: f64| At::new(sign * radius_mm * sin, radius_mm * (1.0 - cos));
        let end = |sign: f64| {
            let t = tangent(sign);
            At::new(t.x + sign * flank_mm * cos, t.y + flank_mm * sin)
        };
        let centre = At::new(0.0, radius_mm);
        let path = Path::from(end(-1.0))
            .line(tangent(-1.0))
            .arc(centre, turn_deg)
            .line(end(1.0));
        Ok(Profile {
            path,
            radius_mm: Some(radius_mm),
            turn_deg: Some(turn_deg),
            tangents: Some([tangent(-1.0), tangent(1.0)]),
            centre: Some(centre),
            form: Form::Wanted,
        })
    }

    /// The line a measured edge makes: points in order, mm, any frame. It is laid with its ends level, crest up, and
    /// thinned to within 0.005 mm.
    ///
    /// # Errors
    /// [`GaugeError::NoResult`] for fewer than 5 points or ends at one place.
    pub fn measured(
        points: &[[f64; 2]],
        radius_mm: Option<f64>,
        turn_deg: Option<f64>,
    ) -> Result<Profile, GaugeError> {
        let refuse = |reason| GaugeError::NoResult {
            check: "section",
            reason,
        };
        let fine = points
            .iter()
            .flatten()
            .all(|v| v.is_finite() && v.abs() < 1e4);
        let (Some(first), Some(last)) = (points.first(), points.last()) else {
            return Err(refuse("its profile_mm is empty"));
        };
        if points.len() < 5 || !fine {
            return Err(refuse(
                "its profile_mm has fewer than 5 points, or wild ones",
            ));
        }
        let chord = At::new(last[0], last[1]) - At::new(first[0], first[1]);
        if chord.norm() < 2.0 {
            return Err(refuse("both ends of its profile_mm lie at one place"));
        }
        let e = chord.normalize();
        let own = |p: &[f64; 2]| {
            let d = At::new(p[0], p[1]) - At::new(first[0], first[1]);
            At::new(d.dot(&e), e.x * d.y - e.y * d.x)
        };
        let mut laid: Vec<At> = points.iter().map(own).collect();
        // Crest up: the template may be turned over, so a mirror image is the same piece.
        let deepest = laid
            .iter()
            .map(|p| p.y)
            .fold(0.0, |a: f64, y| if y.abs() > a.abs() { y } else { a });
        if deepest > 0.0 {
            for p in &mut laid {
                p.y = -p.y;
            }
        }
        // A parting line runs from side to side: what hangs back is the edge's own noise.
        let mut places: Vec<At> = Vec::new();
        for p in laid {
            if places.last().is_none_or(|q| p.x > q.x + 0.02) {
                places.push(p);
            }
        }
        let thin = thinned(&places, 0.005);
        let half = 0.5 * chord.norm();
        let top = thin.iter().map(|p| p.y).fold(f64::INFINITY, f64::min);
        let shifted: Vec<At> = thin
            .iter()
            .map(|p| At::new(p.x - half, p.y - top))
            .collect();
        let path = Path::polyline(&shifted).ok_or_else(|| refuse("its profile_mm is empty"))?;
        Ok(Profile {
            path,
            radius_mm,
            turn_deg,
            tangents: None,
            centre: None,
            form: Form::Measured,
        })
    }

    /// Left and right end.
    pub fn ends(&self) -> (At, At) {
        (self.path.start, self.path.end())
    }
}

/// Places left out where the straight line between those kept is within `tol_mm` (Ramer 1972, Douglas and Peucker 1973, from
/// memory).
pub(super) fn thinned(places: &[At], tol_mm: f64) -> Vec<At> {
    let n = places.len();
    if n < 3 {
        return places.to_vec();
    }
    let mut keep = vec![false; n];
    (keep[0], keep[n - 1]) = (true, true);
    let mut open = vec![(0, n - 1)];
    while let Some((a, b)) = open.pop() {
        let d = places[b] - places[a];
        let length = d.norm().max(1e-12);
        let worst = (a + 1..b)
            .map(|i| {
                let to = places[i] - places[a];
                (i, (d.x * to.y - d.y * to.x).abs() / length)
            })
            .max_by(|p, q| p.1.total_cmp(&q.1));
        if let Some((i, off)) = worst
            && off > tol_mm
        {
            keep[i] = true;
            open.push((a, i));
            open.push((i, b));
        }
    }
    places
        .iter()
        .zip(keep)
        .filter(|(_, k)| *k)
        .map(|(p, _)| *p)
        .collect()
}

/// The profile of a section's answer.
///
/// # Errors
/// [`GaugeError::NoResult`].
pub fn read_profile(json: &str) -> Result<Profile, GaugeError> {
    #[derive(Deserialize)]
    struct Figure {
        value: f64,
    }
    #[derive(Deserialize)]
    struct Answer {
        profile_mm: Vec<[f64; 2]>,
        radius_mm: Option<Figure>,
        turn_deg: Option<Figure>,
    }
    let answer: Answer = serde_json::from_str(json).map_err(|_| GaugeError::NoResult {
        check: "section",
        reason: "it has no profile_mm",
    })?;
    Profile::measured(
        &answer.profile_mm,
        answer.radius_mm.map(|f| f.value),
        answer.turn_deg.map(|f| f.value),
    )
}
