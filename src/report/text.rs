//! A result in a dozen lines for someone with dust on their hands: the verdict, what to do next, where the waves are.

use super::caution::CAUTION;
use super::words::{Lie, headline, plus_minus};
use crate::budget::Part;
use crate::check::Head;
use crate::check::line::{Gap, LineResult, Look, Reference, Wave, WaveDo};
use crate::units::Measured;

/// Most waves listed; the rest are counted. The full list is in the JSON.
const WAVES_LISTED: usize = 6;

/// The first line: the figure with its unit and interval, and the verdict when there was a tolerance.
///
/// Also what the marked photo carries in large type.
pub fn line_headline(result: &LineResult) -> String {
    let figure = format!("straight to {} mm", plus_minus(result.line.straightness_mm));
    headline(result.head.verdict.as_ref(), figure)
}

/// The line check in words, ending in a line feed. `files` are paths to show, the marked photo first.
pub fn line(result: &LineResult, files: &[String]) -> String {
    let lie = Lie::of(&result.line);
    let mut lines = vec![format!(
        "{}, over {:.0} mm",
        line_headline(result),
        result.line.length_mm
    )];
    lines.extend(
        result
            .head
            .verdict
            .iter()
            .map(|verdict| format!("  {}", verdict.why)),
    );
    lines.push(format!("Next: {}", result.next));
    if result.line.waves.iter().any(|w| w.what != WaveDo::Leave) || !result.gap.is_empty() {
        lines.push(CAUTION.into());
    }
    lines.extend(waves(result, lie));
    lines.extend(result.gap.iter().map(|gap| gap_words(gap, lie)));
    lines.push(format!(
        "Measured from {}, on the {}.",
        reference(&result.line.reference),
        look(result.look)
    ));
    lines.push(scale(&result.head));
    lines.extend(largest_part(&result.head));
    ended(lines, &result.head, "Picture", files)
}

/// The end that every answer in words has: notes, where its files are (the first by what it is), a line feed.
pub(super) fn ended(
    mut lines: Vec<String>,
    head: &Head,
    first_is: &str,
    files: &[String],
) -> String {
    lines.extend(
        head.warnings
            .iter()
            .map(|warning| format!("Note: {warning}")),
    );
    if let Some((first, rest)) = files.split_first() {
        lines.push(format!("{first_is}: {first}"));
        if !rest.is_empty() {
            lines.push(format!("Beside it: {}", rest.join(", ")));
        }
    }
    lines.push(String::new());
    lines.join("\n")
}

/// One photo of several, on one line.
pub fn line_short(result: &LineResult) -> String {
    format!(
        "{}: {}, over {:.0} mm",
        result.head.photo,
        line_headline(result),
        result.line.length_mm
    )
}

/// The waves in order along the line; the smallest are only counted when there are many.
fn waves(result: &LineResult, lie: Option<Lie>) -> Vec<String> {
    let all = result.line.waves.len();
    let mut listed: Vec<&Wave> = result
        .line
        .waves
        .iter()
        .filter(|wave| wave.what != WaveDo::Leave)
        .collect();
    if listed.is_empty() {
        let found = if all == 0 {
            "none found"
        } else {
            "none larger than its uncertainty"
        };
        return vec![format!("Waves: {found}.")];
    }
    listed.sort_by(|a, b| b.height_mm.value.abs().total_cmp(&a.height_mm.value.abs()));
    listed.truncate(WAVES_LISTED);
    let smaller = all - listed.len();
    listed.sort_by(|a, b| a.from_mm.total_cmp(&b.from_mm));
    let end = if lie.is_some_and(Lie::is_steep) {
        "top"
    } else {
        "left"
    };
    let mut lines = vec![format!(
        "Waves, mm from the {end} end of the line, and how far the line itself is off there (not a depth of filler):"
    )];
    lines.extend(listed.into_iter().map(|wave| {
        let height = plus_minus(Measured {
            value: wave.height_mm.value.abs(),
            ..wave.height_mm
        });
        let place = format!("{:.0}–{:.0}", wave.from_mm, wave.to_mm);
        format!("  {place:>9}  {height} mm  {}", wave.words)
    }));
    if smaller > 0 {
        lines.push(format!("  and {smaller} smaller"));
    }
    lines
}

/// What a panel gap does to the line.
pub fn gap_words(gap: &Gap, lie: Option<Lie>) -> String {
    let size = |figure: Measured| {
        plus_minus(Measured {
            value: figure.value.abs(),
            ..figure
        })
    };
    let way = |figure: Measured| lie.map_or("", |lie| lie.side(figure.value).word());
    let panel = if lie.is_some_and(Lie::is_steep) {
        "lower"
    } else {
        "right"
    };
    format!(
        "Gap at {:.0} mm, {:.1} mm wide: on the {panel} panel the line sits {} mm {} and turns {}° {}.",
        gap.at_mm,
        gap.width_mm,
        size(gap.step_mm),
        way(gap.step_mm),
        size(gap.angle_deg),
        way(gap.angle_deg)
    )
}

/// What the deviation was measured from.
fn reference(reference: &Reference) -> String {
    match reference {
        Reference::Straight => "the best straight line".to_string(),
        Reference::Arc { radius_mm } => {
            format!("the best arc, radius {:.1} m", radius_mm.abs() / 1000.0)
        }
        Reference::Fair { cutoff_mm } => {
            format!("a fair curve, waves under {cutoff_mm:.0} mm counted")
        }
        Reference::Partner { file } => format!("the line in {file}"),
    }
}

/// How the line showed.
fn look(look: Look) -> &'static str {
    match look {
        Look::Step => "edge of the coat or tape",
        Look::Shade => "change of shade at the crease",
    }
}

/// Cards, lens and size of a pixel.
pub(super) fn scale(head: &Head) -> String {
    let cards: Vec<String> = head
        .card
        .iter()
        .map(|card| format!("{} ({} corners)", card.name, card.corners))
        .collect();
    let lens = if head.lens {
        "with a lens file"
    } else {
        "no lens file"
    };
    format!(
        "Scale: {}, {lens}, {:.2} mm a pixel.",
        cards.join(" and "),
        head.mm_per_px
    )
}

/// Which part of the uncertainty is the largest.
pub(super) fn largest_part(head: &Head) -> Option<String> {
    let largest = (head.budget.iter()).max_by(|a, b| a.u95_mm.total_cmp(&b.u95_mm))?;
    let words = match (largest.part, head.check.as_str()) {
        (Part::Bow, "straightedge" | "section") => {
            "how far before or behind the card the edge may lie"
        }
        (part_of, _) => part(part_of),
    };
    Some(format!(
        "Uncertainty: ± is a 95% interval; most of it is {words}."
    ))
}

/// A part of the budget in words.
pub fn part(part: Part) -> &'static str {
    match part {
        Part::Edge => "how ragged or noisy the edge is",
        Part::Scale => "the length of the printed card",
        Part::Pose => "the cards' corners",
        Part::Lens => "the lens",
        Part::Bow => "how far the panel bows",
        Part::Fit => "the fitted line itself",
    }
}
