//! Radii in words: the plan first, then how sure it is.

use super::text::ended;
use super::words::{self, plus_minus, short};
use crate::check::radii::{RadiiResult, Zone};
use crate::units::Measured;

/// Most zones listed; the full list is in the JSON and on the shop sheet.
const ZONES_LISTED: usize = 12;

/// The first line: number of zones and the largest miss, with the verdict when there was a tolerance.
pub fn headline(result: &RadiiResult) -> String {
    let bare = result.zones.iter().filter(|z| z.tool.is_none()).count();
    let zones = match result.zones.len() {
        1 => "one tool from end to end".to_string(),
        n if bare == 0 => format!("{n} zones"),
        n => format!("{n} zones, {bare} of them without a tool"),
    };
    let runs = match ends(result) {
        Some((first, last)) => format!("radius {first} to {last} mm, {zones}"),
        None => zones,
    };
    words::headline(result.head.verdict.as_ref(), runs)
}

/// The radius at both ends with its interval.
fn ends(result: &RadiiResult) -> Option<(String, String)> {
    let figure = |s: &crate::check::radii::Scheduled| {
        plus_minus(Measured {
            value: s.r_mm,
            u95: s.u95_mm,
        })
    };
    let (first, last) = (result.schedule.first()?, result.schedule.last()?);
    Some((figure(first), figure(last)))
}

/// One zone in words.
pub fn zone(z: &Zone) -> String {
    let place = format!("{:.0} to {:.0} mm", z.from_mm, z.to_mm);
    let radius = if z.r_from_to_mm[1] - z.r_from_to_mm[0] < 0.05 {
        format!("r {:.1}", z.r_from_to_mm[0])
    } else {
        format!("r {:.1} to {:.1}", z.r_from_to_mm[0], z.r_from_to_mm[1])
    };
    match (&z.tool, z.r_tool_mm, z.miss_mm) {
        (Some(tool), Some(r), Some(miss)) => format!(
            "{place}: {tool} ({radius}, tool {r:.2}, misses by {miss:.2} mm at most), try gauge {}",
            short(z.gauge_mm, 1)
        ),
        _ => match &z.nearest {
            Some(n) => format!(
                "{place}: NO TOOL ({radius}; {}, tool {:.2}, misses by {:.2} mm), gauge {}",
                n.tool,
                n.r_tool_mm,
                n.miss_mm,
                short(z.gauge_mm, 1)
            ),
            None => format!("{place}: NO TOOL ({radius})"),
        },
    }
}

/// The radii check in words, ending in a line feed. `files` are paths to show.
pub fn words(result: &RadiiResult, files: &[String]) -> String {
    let mut lines = vec![headline(result)];
    lines.extend(result.head.verdict.iter().map(|v| format!("  {}", v.why)));
    lines.push(format!("Next: {}", result.next));
    let all = result.zones.len();
    lines.extend(
        result
            .zones
            .iter()
            .take(ZONES_LISTED)
            .map(|z| format!("  {}", zone(z))),
    );
    if all > ZONES_LISTED {
        lines.push(format!("  and {} more zones", all - ZONES_LISTED));
    }
    let gauges: Vec<String> = result.gauges_mm.iter().map(|g| short(*g, 1)).collect();
    lines.push(format!("Gauges to have at hand: {} mm", gauges.join(", ")));
    if let Some(flat) = &result.flat_block {
        lines.push(format!(
            "Longest flat block on a crown of {} mm for facets of {} mm: {:.0} mm",
            short(flat.crown_mm, 0),
            short(flat.facet_mm, 3),
            flat.length_mm
        ));
    }
    lines.push(format!(
        "{} with a turn of {}°, misses kept within {} mm.",
        if result.root {
            "An inner corner"
        } else {
            "A crest"
        },
        short(result.turn_deg, 1),
        short(result.miss_tol_mm, 3)
    ));
    for odd in result.stations.iter().filter(|s| s.odd) {
        lines.push(format!(
            "Odd station at {:.0} mm: {:.1} mm doesn't go with its neighbours",
            odd.s_mm, odd.r_mm
        ));
    }
    let mut smoothing = result.smoothing.words.clone();
    if let Some(first) = smoothing.get_mut(0..1) {
        first.make_ascii_uppercase();
    }
    lines.push(format!("{smoothing}."));
    if result.r_per_turn_degree_percent > 0.0 {
        lines.push(format!(
            "A degree of error of the turn moves every radius by {:.1}%: measure it on a section.",
            result.r_per_turn_degree_percent
        ));
    }
    ended(lines, &result.head, "Look at", files)
}

/// One of several on one line.
pub fn short_words(result: &RadiiResult) -> String {
    format!("{}: {}", result.head.photo, headline(result))
}
