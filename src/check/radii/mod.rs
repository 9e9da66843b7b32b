//! How a swage's radius runs along its length, and the rods that make it.

mod ribbon;
mod schedule;
mod stations;
pub mod stripe;
mod tools;
mod zones;

pub use schedule::{Smoothing, Station};
pub use stations::{Source, StationsError, read_csv, read_section};
pub use tools::{Shape, Tool, Tools, ToolsError, flat_block_mm, miss_mm, reach, stripe_mm};
pub use zones::{Course, Nearest, Rule, Zone, plan};

use super::{CheckError, Head, SCHEMA};
use crate::budget::{BudgetPart, Part};
use crate::units::Measured;
use crate::verdict::{Outcome, Verdict, judge};
use serde::{Deserialize, Serialize};

/// Answer of the radii check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RadiiResult {
    /// What every result begins with; of a table only its name, warnings, budget and verdict say anything.
    #[serde(flatten)]
    pub head: Head,
    /// Turn between the flanks, degrees.
    pub turn_deg: f64,
    /// An inner corner.
    pub root: bool,
    /// How much a degree of error of the turn moves every radius, percent; 0 for a table, whose radii are given.
    pub r_per_turn_degree_percent: f64,
    /// Stations that the schedule rests on.
    pub stations: Vec<Station>,
    /// How the schedule was smoothed.
    pub smoothing: Smoothing,
    /// The smooth radius along the swage.
    pub schedule: Vec<Scheduled>,
    /// Tolerance of the miss that the zones keep, mm.
    pub miss_tol_mm: f64,
    /// The fewest zones, joined end to end.
    pub zones: Vec<Zone>,
    /// Radius gauges to have at hand, mm.
    pub gauges_mm: Vec<f64>,
    /// Longest flat block for a crown, when one was given.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub flat_block: Option<FlatBlock>,
    /// Borders of the stripe in the photo.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub borders_px: Option<Borders>,
    /// What to do next, one sentence.
    pub next: String,
}

/// The radius at one place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Scheduled {
    /// Place along, mm.
    pub s_mm: f64,
    /// Radius, mm.
    pub r_mm: f64,
    /// Half-width of its 95% interval, mm.
    pub u95_mm: f64,
}

/// Both borders of a stripe.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Borders {
    /// The one on the cards' flank, photo px.
    pub near_px: Vec<[f64; 2]>,
    /// Place of each of its points along, mm.
    pub near_s_mm: Vec<f64>,
    /// The other one, photo px.
    pub far_px: Vec<[f64; 2]>,
}

/// The longest flat block a crown takes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FlatBlock {
    /// Radius of the crown, mm.
    pub crown_mm: f64,
    /// Depth of the facets it leaves, mm.
    pub facet_mm: f64,
    /// Its length, mm.
    pub length_mm: f64,
}

/// Options of the radii check.
#[derive(Debug, Clone, PartialEq)]
pub struct RadiiOptions {
    /// Turn between the flanks, degrees; `None` only where the stations are sections, which tell it.
    pub turn_deg: Option<f64>,
    /// An inner corner.
    pub root: bool,
    /// The tools at hand.
    pub tools: Tools,
    /// Largest miss, mm; `None`: [`MISS_TOL_MM`] for the zones, and no verdict.
    pub tol_mm: Option<f64>,
    /// A crown's radius and the facet depth it may show, mm.
    pub crown: Option<(f64, f64)>,
}

impl Default for RadiiOptions {
    /// A crest, common rods, no tolerance.
    fn default() -> Self {
        RadiiOptions {
            turn_deg: None,
            root: false,
            tools: Tools::common(),
            tol_mm: None,
            crown: None,
        }
    }
}

/// Miss that is kept when no tolerance is given, mm: what a coat of primer and its sanding hide (common practice, no source).
pub const MISS_TOL_MM: f64 = 0.1;
/// Facet depth that the next finer grit takes away with ease, mm (ours, no source).
pub const FACET_MM: f64 = 0.05;
/// Places of the schedule lie no further apart, mm.
const EVERY_MM: f64 = 10.0;

/// From stations to schedule, zones and gauges.
///
/// # Errors
/// [`CheckError::Stations`] when the stations or the turn can't be used.
pub fn from_stations(source: &Source, options: &RadiiOptions) -> Result<RadiiResult, CheckError> {
    let mut warnings = source.warnings.clone();
    let turn_deg = stations::turn(source, options.turn_deg, &mut warnings)?;
    let (list, smoothing, schedule) = schedule::of_stations(&source.stations)?;
    let odd = list.iter().filter(|s| s.odd).count();
    if odd > 0 {
        warnings.push(match odd {
            1 => "one station doesn't belong to the rest: take its section again before you make a tool after it".into(),
            n => format!("{n} stations don't belong to the rest: take their sections again before you make tools after them"),
        });
    }
    // Tools are chosen for the stations that belong together; an odd one at either end stays, for want of another.
    let last = list.len().saturating_sub(1);
    let kept: Vec<&Station> = (list.iter().enumerate())
        .filter(|(k, s)| !s.odd || *k == 0 || *k == last)
        .map(|(_, s)| s)
        .collect();
    let (s, r): (Vec<f64>, Vec<f64>) = kept.iter().map(|s| (s.s_mm, s.r_mm)).unzip();
    let u95 = |at: f64| {
        let k = s.partition_point(|v| *v < at).min(s.len() - 1);
        kept[k].u95_mm
    };
    let course = Course { s_mm: &s, r_mm: &r };
    let found = Found {
        course,
        u95: &u95,
        turn_deg,
        stations: list.clone(),
        smoothing,
        schedule,
        shares: vec![(Part::Fit, 1.0)],
        head: Head {
            schema: SCHEMA.into(),
            check: "radii".into(),
            photo: source.name.clone(),
            card: Vec::new(),
            lens: false,
            mm_per_px: 0.0,
            warnings,
            budget: Vec::new(),
            verdict: None,
        },
        r_per_turn_degree_percent: 0.0,
        borders_px: None,
    };
    finish(found, options)
}

/// What is known before tools are chosen.
struct Found<'a> {
    /// What the tools are chosen for.
    course: Course<'a>,
    /// Half-width of a radius's 95% interval at a place.
    u95: &'a dyn Fn(f64) -> f64,
    turn_deg: f64,
    stations: Vec<Station>,
    smoothing: Smoothing,
    schedule: Vec<Scheduled>,
    /// Parts of the radius's uncertainty and the share of each in its root sum of squares.
    shares: Vec<(Part, f64)>,
    head: Head,
    r_per_turn_degree_percent: f64,
    borders_px: Option<Borders>,
}

/// Zones, gauges, verdict.
fn finish(found: Found, options: &RadiiOptions) -> Result<RadiiResult, CheckError> {
    let mut head = found.head;
    let miss_tol_mm = options.tol_mm.unwrap_or(MISS_TOL_MM);
    let rule = Rule {
        turn_deg: found.turn_deg,
        tol_mm: miss_tol_mm,
        root: options.root,
    };
    let zones = plan(found.course, &options.tools.tools, rule);
    let mut gauges_mm: Vec<f64> = zones.iter().map(|z| z.gauge_mm).collect();
    gauges_mm.sort_by(f64::total_cmp);
    gauges_mm.dedup();
    let worst = worst(&zones, found.u95, found.turn_deg);
    if let Some(figure) = worst {
        head.budget = found
            .shares
            .iter()
            .map(|(part, share)| BudgetPart {
                part: *part,
                u95_mm: figure.u95 * share,
            })
            .collect();
        head.budget.sort_by(|a, b| b.u95_mm.total_cmp(&a.u95_mm));
        head.verdict = options
            .tol_mm
            .map(|tol_mm| verdict(figure, tol_mm, &zones, &head.budget, !head.card.is_empty()))
            .transpose()?;
    }
    let next = next(&zones);
    Ok(RadiiResult {
        head,
        turn_deg: found.turn_deg,
        root: options.root,
        r_per_turn_degree_percent: found.r_per_turn_degree_percent,
        stations: found.stations,
        smoothing: found.smoothing,
        schedule: found.schedule,
        miss_tol_mm,
        zones,
        gauges_mm,
        flat_block: options.crown.map(|(crown_mm, facet_mm)| FlatBlock {
            crown_mm,
            facet_mm,
            length_mm: flat_block_mm(crown_mm, facet_mm),
        }),
        borders_px: found.borders_px,
        next,
    })
}

/// The largest miss of the plan, bare stretches with the tool that comes nearest; its interval reaches as far as that of any
/// zone does.
fn worst(zones: &[Zone], u95: &dyn Fn(f64) -> f64, turn_deg: f64) -> Option<Measured> {
    let all: Vec<Measured> = zones
        .iter()
        .filter_map(|z| {
            let value = z.miss_mm.or(z.nearest.as_ref().map(|n| n.miss_mm))?;
            let u = u95(z.from_mm)
                .max(u95(z.to_mm))
                .max(u95(0.5 * (z.from_mm + z.to_mm)));
            Some(Measured {
                value,
                u95: (u * reach(turn_deg)).max(1e-6),
            })
        })
        .collect();
    farthest(&all)
}

/// The largest value, with the interval that reaches as far as any of theirs.
fn farthest(all: &[Measured]) -> Option<Measured> {
    let value = all.iter().map(|m| m.value).max_by(f64::total_cmp)?;
    let reach = all.iter().map(|m| m.value + m.u95).max_by(f64::total_cmp)?;
    Some(Measured {
        value,
        u95: reach - value,
    })
}

/// A bare stretch is outside whatever the interval of the radius says: the plan has no tool there.
fn verdict(
    figure: Measured,
    tol_mm: f64,
    zones: &[Zone],
    budget: &[BudgetPart],
    photo: bool,
) -> Result<Verdict, CheckError> {
    let bare: Vec<&Zone> = zones.iter().filter(|z| z.tool.is_none()).collect();
    let length = |z: &&&Zone| z.to_mm - z.from_mm;
    let Some(first) = bare.iter().max_by(|a, b| length(a).total_cmp(&length(b))) else {
        let mut verdict = judge("largest miss", figure, tol_mm, budget)?;
        if verdict.result == Outcome::Undecided && !photo {
            verdict.why = format!(
                "largest miss {:.3} ± {:.3} mm may lie on either side of {tol_mm} mm. Measure the stations there with a smaller ±, or keep a tool whose radius is nearer.",
                figure.value, figure.u95
            );
        }
        return Ok(verdict);
    };
    let near = first.nearest.as_ref().map_or(String::new(), |n| {
        format!(" The nearest, {}, misses by {:.2} mm.", n.tool, n.miss_mm)
    });
    Ok(Verdict {
        tol_mm,
        result: Outcome::Outside,
        why: format!(
            "no tool keeps within {tol_mm} mm from {:.0} to {:.0} mm, where the radius is {:.1} to {:.1} mm.{near}",
            first.from_mm, first.to_mm, first.r_from_to_mm[0], first.r_from_to_mm[1],
        ),
    })
}

/// The next action, one sentence.
fn next(zones: &[Zone]) -> String {
    let bare = zones.iter().filter(|z| z.tool.is_none());
    let length = |z: &&Zone| z.to_mm - z.from_mm;
    if let Some(bare) = bare.max_by(|a, b| length(a).total_cmp(&length(b))) {
        return format!(
            "Make a rod or block of radius {:.1} mm, paper included, for {:.0} to {:.0} mm: none of your tools serves there.",
            0.5 * (bare.r_from_to_mm[0] + bare.r_from_to_mm[1]),
            bare.from_mm,
            bare.to_mm
        );
    }
    match zones {
        [] => "No zone can be made from these stations.".into(),
        [one] => format!(
            "Use {} from end to end and try the {} mm gauge in the middle.",
            one.tool.as_deref().unwrap_or(""),
            one.gauge_mm
        ),
        [first, ..] => format!(
            "Start with {} from {:.0} to {:.0} mm and try the {} mm gauge in the middle of it; change {} after that.",
            first.tool.as_deref().unwrap_or(""),
            first.from_mm,
            first.to_mm,
            first.gauge_mm,
            match zones.len() - 1 {
                1 => "once".into(),
                2 => "twice".into(),
                n => format!("{n} times"),
            }
        ),
    }
}
