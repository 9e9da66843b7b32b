//! The next action, by a small table.
//!
//! The numbers are ours (common practice, no source); they are all here, and a test holds each row.

use super::{Kind, Region, Survey};
use nalgebra::Point2;
use serde::{Serialize, Serializer};

/// What to do next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Action {
    /// Go on with the block.
    Block,
    /// Stop sanding, put on another skim.
    Skim,
    /// Lower a small high instead of raising the rest.
    Knock,
    /// Finishing filler or primer next.
    Done,
}

impl Action {
    /// The words of the contract.
    pub fn words(self) -> &'static str {
        match self {
            Action::Block => "keep blocking",
            Action::Skim => "stop, skim again",
            Action::Knock => "knock down",
            Action::Done => "done at this grit",
        }
    }
}

impl Serialize for Action {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.words())
    }
}

/// The next action with its reason.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Next {
    /// What to do.
    pub action: Action,
    /// Why, in a sentence.
    pub why: String,
}

/// Lows and highs from these areas on count, mm².
pub const LOW_COUNTS_MM2: f64 = 100.0;
/// See [`LOW_COUNTS_MM2`].
pub const HIGH_COUNTS_MM2: f64 = 25.0;
/// Done: under so much low and high in all, mm².
pub const DONE_LOW_MM2: f64 = 40.0;
/// See [`DONE_LOW_MM2`].
pub const DONE_HIGH_MM2: f64 = 25.0;
/// Knock down: the one high is at most this large, mm².
pub const KNOCK_MOST_MM2: f64 = 350.0;
/// Knock down: no other high is larger than this, mm².
pub const KNOCK_OTHERS_MM2: f64 = 10.0;
/// Knock down: lows within this distance of it, mm, …
pub const KNOCK_REACH_MM: f64 = 60.0;
/// … span at least this angle as seen from it, degrees.
pub const KNOCK_SPAN_DEG: f64 = 130.0;
/// Stop: highs within this distance of a low's rim, mm, …
pub const STOP_REACH_MM: f64 = 70.0;
/// … in directions so far apart as seen from its centroid, degrees.
pub const STOP_SPAN_DEG: f64 = 100.0;
/// Stop: more of the low area than this is left of the pass before.
pub const STALLED: f64 = 0.95;
/// Keep blocking: less than this is left, …
pub const SHRINKS: f64 = 0.85;
/// … and no more new show-through than this, mm².
pub const NEW_HIGH_MM2: f64 = 10.0;

/// Tenths of a millimetre squared say nothing.
fn mm2(area: f64) -> String {
    if area >= 950.0 {
        format!("{:.1} cm²", area / 100.0)
    } else {
        format!("{area:.0} mm²")
    }
}

fn listed(regions: &[Region], kind: Kind) -> Vec<&Region> {
    regions.iter().filter(|r| r.kind == kind).collect()
}

/// What one photo alone can decide; `None` when it takes a trend.
fn settled(survey: &Survey) -> Option<Next> {
    let (lows, highs) = (
        listed(&survey.regions, Kind::Low),
        listed(&survey.regions, Kind::High),
    );
    let area = &survey.area;
    if area.low_mm2 < DONE_LOW_MM2 && area.high_mm2 < DONE_HIGH_MM2 {
        return Some(Next {
            action: Action::Done,
            why: "no coat is left in an area, only scratches and pinholes: finishing filler or primer next".into(),
        });
    }
    let counting: Vec<&Region> = highs
        .iter()
        .copied()
        .filter(|r| r.area_mm2 >= HIGH_COUNTS_MM2)
        .collect();
    if let [high] = counting[..]
        && high.area_mm2 <= KNOCK_MOST_MM2
        && highs
            .iter()
            .all(|r| r.number == high.number || r.area_mm2 <= KNOCK_OTHERS_MM2)
        && span_of_lows(high, &lows) >= KNOCK_SPAN_DEG
    {
        return Some(Next {
            action: Action::Knock,
            why: format!(
                "one small high ({}) stands amid lows: lower it rather than raise all round it",
                mm2(high.area_mm2)
            ),
        });
    }
    lows.iter().filter(|low| low.area_mm2 >= LOW_COUNTS_MM2).find_map(|low| {
        let near: Vec<f64> = counting
            .iter()
            .filter(|high| gap(low, high) <= STOP_REACH_MM)
            .map(|high| direction(low.centroid_mm, high.centroid_mm))
            .collect();
        let widest = near.iter().flat_map(|a| near.iter().map(move |b| between(*a, *b))).fold(0.0, f64::max);
        (widest >= STOP_SPAN_DEG).then(|| Next {
            action: Action::Skim,
            why: format!(
                "show-through on two sides of low {} ({}): more sanding cuts into what is right and leaves the low",
                low.number,
                mm2(low.area_mm2)
            ),
        })
    })
}

/// The next action from one photo.
pub fn of_one(survey: &Survey) -> Next {
    settled(survey).unwrap_or_else(|| {
        let why = if survey.area.high_mm2 >= HIGH_COUNTS_MM2 {
            "coat is left and show-through has begun, but not on two sides of a low; watch it. One photo can't show whether the lows still shrink: take one each pass"
        } else {
            "coat is left and nothing shows through; one photo can't show a trend: take one each pass"
        };
        Next { action: Action::Block, why: why.into() }
    })
}

/// The next action after a pass, with the low area of the pass before and the show-through that is new, mm².
pub fn after(survey: &Survey, low_before_mm2: f64, new_high_mm2: f64) -> Next {
    if let Some(next) = settled(survey) {
        return next;
    }
    let low = survey.area.low_mm2;
    let left = if low_before_mm2 > 0.0 {
        low / low_before_mm2
    } else {
        f64::INFINITY
    };
    let percent = 100.0 * left.min(9.99);
    if left > STALLED {
        return Next {
            action: Action::Skim,
            why: format!(
                "the lows no longer shrink: {percent:.0}% of the area before is still low"
            ),
        };
    }
    let why = if new_high_mm2 > NEW_HIGH_MM2 {
        format!(
            "the lows shrink ({percent:.0}% of the area before is left), but {} of show-through is new: go easy there and look again after a few strokes",
            mm2(new_high_mm2)
        )
    } else if left < SHRINKS {
        format!(
            "the lows shrink ({percent:.0}% of the area before is left) and no new show-through has come"
        )
    } else {
        format!(
            "the lows shrink slowly ({percent:.0}% of the area before is left): in doubt, one more pass, then decide"
        )
    };
    Next {
        action: Action::Block,
        why,
    }
}

fn direction(from: [f64; 2], to: [f64; 2]) -> f64 {
    (to[1] - from[1]).atan2(to[0] - from[0]).to_degrees()
}

/// Angle between two directions, 0–180°.
fn between(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(360.0);
    d.min(360.0 - d)
}

/// Distance between the outlines of two regions, mm.
fn gap(a: &Region, b: &Region) -> f64 {
    let point = |p: &[f64; 2]| Point2::new(p[0], p[1]);
    let mut least = f64::INFINITY;
    for p in &a.outline_mm {
        let p = point(p);
        for k in 0..b.outline_mm.len() {
            let (q, r) = (
                point(&b.outline_mm[k]),
                point(&b.outline_mm[(k + 1) % b.outline_mm.len()]),
            );
            let along = r - q;
            let t = ((p - q).dot(&along) / along.norm_squared().max(1e-9)).clamp(0.0, 1.0);
            least = least.min((q + along * t - p).norm());
        }
    }
    least
}

/// The angle that lows within reach span as seen from a high, degrees: the full turn less the widest gap between them.
fn span_of_lows(high: &Region, lows: &[&Region]) -> f64 {
    let mut seen: Vec<f64> = lows
        .iter()
        .filter(|low| gap(low, high) <= KNOCK_REACH_MM)
        .flat_map(|low| {
            low.outline_mm
                .iter()
                .map(|p| direction(high.centroid_mm, *p))
        })
        .collect();
    seen.sort_by(f64::total_cmp);
    let Some((first, last)) = seen.first().zip(seen.last()) else {
        return 0.0;
    };
    let round = first + 360.0 - last;
    let widest = seen.windows(2).map(|w| w[1] - w[0]).fold(round, f64::max);
    360.0 - widest
}
