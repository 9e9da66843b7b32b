//! The shop sheet of a swage: one page to pin up beside the car, with the swage drawn along its length, where each tool
//! goes, and which gauge proves it.

use super::caution::DUST;
use super::scene::spacing;
use super::words::{plus_minus, short};
use crate::check::gauge::Profile;
use crate::check::radii::{RadiiResult, Zone};
use crate::sheet::{
    Align, At, Frame, Ink, Item, Page, Paper, Path, Pen, Sheet, SheetError, Text, font, pdf,
};
use crate::units::Measured;

/// Margin all round, mm.
const EDGE_MM: f64 = 12.0;
/// Most zones in the table.
const ROWS: usize = 16;

/// The shop sheet as PDF, one page A4 across.
///
/// # Errors
/// [`SheetError`].
pub fn pdf_bytes(result: &RadiiResult) -> Result<Vec<u8>, SheetError> {
    pdf::bytes("Swage shop sheet", &[sheet(result)])
}

/// The page.
fn sheet(result: &RadiiResult) -> Sheet {
    let page = Page::landscape(Paper::A4);
    let mut items = Vec::new();
    let right = page.width_mm() - EDGE_MM;
    let kind = if result.root { "root" } else { "crest" };
    let title = format!("Swage radii · {kind}, turn {}°", short(result.turn_deg, 1));
    text(
        &mut items,
        EDGE_MM,
        18.0,
        7.0,
        &title,
        Align::Start,
        Ink::BLACK,
    );
    let source = clipped(&result.head.photo, 3.2, 110.0);
    text(
        &mut items,
        right,
        18.0,
        3.2,
        &source,
        Align::End,
        Ink::QUIET,
    );
    rule(&mut items, EDGE_MM, right, 21.5, 0.4);
    let frame = Frame {
        x0: EDGE_MM + 12.0,
        y0: 34.0,
        x1: right - 4.0,
        y1: 92.0,
    };
    chart(&mut items, result, frame);
    table(&mut items, result, 112.0, right);
    if result.zones.len() <= 6 {
        sections(&mut items, result, 172.0, right);
    }
    foot(&mut items, result, page.height_mm(), right);
    Sheet { page, title, items }
}

fn text(items: &mut Vec<Item>, x: f64, y: f64, size: f64, words: &str, align: Align, ink: Ink) {
    if !words.is_empty() {
        items.push(Item::Text(
            Text::new(At::new(x, y), size, words).align(align).ink(ink),
        ));
    }
}

fn rule(items: &mut Vec<Item>, x0: f64, x1: f64, y: f64, width: f64) {
    items.push(Item::note(
        Path::segment(At::new(x0, y), At::new(x1, y)),
        Pen::black(width),
    ));
}

/// Words cut at the front so that the end of a long path stays.
fn clipped(words: &str, size: f64, room: f64) -> String {
    let mut shown = words.to_string();
    while font::width_mm(&shown, size) > room && shown.chars().count() > 4 {
        shown = format!("…{}", shown.chars().skip(2).collect::<String>());
    }
    shown
}

/// The swage along its length: its coat's width as a ribbon about a line, the tools above, the radius below.
fn chart(items: &mut Vec<Item>, result: &RadiiResult, frame: Frame) {
    let (Some(first), Some(last)) = (result.schedule.first(), result.schedule.last()) else {
        return;
    };
    let (from, to) = (first.s_mm, last.s_mm.max(first.s_mm + 1e-6));
    let x = |s: f64| frame.x0 + (s - from) / (to - from) * frame.width_mm();
    let most = result
        .schedule
        .iter()
        .map(|s| s.r_mm + s.u95_mm)
        .fold(0.0, f64::max)
        .max(1e-6);
    let top = spacing(most, 4.0) * (most / spacing(most, 4.0)).ceil();
    let y = |r: f64| frame.y1 - r / top * frame.height_mm();
    for (k, zone) in result.zones.iter().enumerate() {
        let area = Frame {
            x0: x(zone.from_mm),
            x1: x(zone.to_mm),
            ..frame
        };
        let ink = match (&zone.tool, k % 2) {
            (None, _) => Ink(205),
            (_, 0) => Ink(246),
            _ => Ink(234),
        };
        items.push(Item::fill(Path::rect(area), ink));
    }
    let step = spacing(top, 4.0);
    let mut r = 0.0;
    while r <= top + 1e-9 {
        let pen = Pen::black(0.1).ink(Ink::FAINT);
        items.push(Item::note(
            Path::segment(At::new(frame.x0, y(r)), At::new(frame.x1, y(r))),
            pen,
        ));
        text(
            items,
            frame.x0 - 2.0,
            y(r) + 1.1,
            3.0,
            &short(r, 2),
            Align::End,
            Ink::BLACK,
        );
        r += step;
    }
    let step = spacing(to - from, 10.0);
    let mut s = (from / step).ceil() * step;
    while s <= to + 1e-9 {
        let pen = Pen::black(0.25);
        items.push(Item::note(
            Path::segment(At::new(x(s), frame.y1), At::new(x(s), frame.y1 + 1.6)),
            pen,
        ));
        text(
            items,
            x(s),
            frame.y1 + 5.4,
            3.0,
            &short(s, 1),
            Align::Middle,
            Ink::BLACK,
        );
        s += step;
    }
    text(
        items,
        frame.x1,
        frame.y1 + 10.0,
        2.8,
        "mm along the swage",
        Align::End,
        Ink::QUIET,
    );
    text(
        items,
        EDGE_MM,
        frame.y0 - 8.0,
        2.8,
        "radius, mm",
        Align::Start,
        Ink::QUIET,
    );
    let band: Vec<At> = result
        .schedule
        .iter()
        .map(|s| At::new(x(s.s_mm), y(s.r_mm + s.u95_mm)))
        .chain(
            result
                .schedule
                .iter()
                .rev()
                .map(|s| At::new(x(s.s_mm), y((s.r_mm - s.u95_mm).max(0.0)))),
        )
        .collect();
    if let Some(path) = Path::polyline(&band) {
        items.push(Item::fill(path.close(), Ink(188)));
    }
    let course: Vec<At> = result
        .schedule
        .iter()
        .map(|s| At::new(x(s.s_mm), y(s.r_mm)))
        .collect();
    items.extend(Path::polyline(&course).map(|path| Item::note(path, Pen::black(0.6))));
    if result.stations.len() <= 60 {
        for station in &result.stations {
            let at = At::new(x(station.s_mm), y(station.r_mm));
            if station.odd {
                for sign in [-1.0, 1.0] {
                    let (a, b) = (
                        At::new(at.x - 1.4, at.y - sign * 1.4),
                        At::new(at.x + 1.4, at.y + sign * 1.4),
                    );
                    items.push(Item::note(Path::segment(a, b), Pen::black(0.35)));
                }
            } else {
                items.push(Item::fill(Path::circle(at, 0.8), Ink::BLACK));
            }
        }
    }
    for (k, zone) in result.zones.iter().enumerate() {
        let (a, b) = (x(zone.from_mm), x(zone.to_mm));
        if k > 0 {
            items.push(Item::note(
                Path::segment(At::new(a, frame.y0 - 6.0), At::new(a, frame.y1)),
                Pen::black(0.35),
            ));
        }
        if let Some(r) = zone.r_tool_mm {
            items.push(Item::note(
                Path::segment(At::new(a, y(r)), At::new(b, y(r))),
                Pen::black(0.3).dashed(2.0, 1.2),
            ));
        }
        let number = format!("{}", k + 1);
        let room = b - a - 2.0;
        let name = format!("{number}  {}", zone.tool.as_deref().unwrap_or("no tool"));
        let (words, size) = if font::width_mm(&name, 3.2) <= room {
            (name, 3.2)
        } else {
            (number, 3.2)
        };
        if font::width_mm(&words, size) <= room + 1.5 {
            text(
                items,
                0.5 * (a + b),
                frame.y0 - 2.0,
                size,
                &words,
                Align::Middle,
                Ink::BLACK,
            );
        }
    }
}

/// A line a zone.
fn table(items: &mut Vec<Item>, result: &RadiiResult, top: f64, right: f64) {
    let columns = [
        (EDGE_MM, "", Align::Start),
        (EDGE_MM + 10.0, "from – to, mm", Align::Start),
        (EDGE_MM + 48.0, "tool", Align::Start),
        (EDGE_MM + 140.0, "tool radius", Align::End),
        (EDGE_MM + 180.0, "swage radius", Align::End),
        (EDGE_MM + 218.0, "misses by at most", Align::End),
        (right, "try gauge", Align::End),
    ];
    for (x, words, align) in columns {
        text(items, x, top, 3.0, words, align, Ink::QUIET);
    }
    rule(items, EDGE_MM, right, top + 1.8, 0.25);
    let lead = if result.zones.len() <= 10 { 5.6 } else { 4.3 };
    let size = if result.zones.len() <= 10 { 3.8 } else { 3.1 };
    for (k, zone) in result.zones.iter().take(ROWS).enumerate() {
        let y = top + 2.0 + lead * (k as f64 + 1.0);
        let cells = row(k, zone);
        for ((x, _, align), words) in columns.iter().zip(&cells) {
            text(
                items,
                *x,
                y,
                size,
                &clipped(words, size, 90.0),
                *align,
                Ink::BLACK,
            );
        }
    }
    if result.zones.len() > ROWS {
        let y = top + 2.0 + lead * (ROWS as f64 + 1.0);
        let more = format!(
            "and {} more zones, in result.json",
            result.zones.len() - ROWS
        );
        text(
            items,
            EDGE_MM + 10.0,
            y,
            size,
            &more,
            Align::Start,
            Ink::QUIET,
        );
    }
}

/// Each zone's gauge as a line at true size, to lay a cut gauge or a rod's end on.
fn sections(items: &mut Vec<Item>, result: &RadiiResult, floor: f64, right: f64) {
    const FLANK_MM: f64 = 9.0;
    let mut x = EDGE_MM + 10.0;
    let mut drawn: Vec<f64> = Vec::new();
    for zone in &result.zones {
        if drawn.contains(&zone.gauge_mm) {
            continue;
        }
        let Ok(profile) = Profile::wanted(zone.gauge_mm, result.turn_deg, FLANK_MM) else {
            continue;
        };
        let bounds = profile.path.bounds();
        if x + bounds.width_mm() > right || bounds.height_mm() > 22.0 {
            break;
        }
        let (dx, dy) = (x - bounds.x0, floor - bounds.y1);
        items.push(Item::note(profile.path.moved(dx, dy), Pen::black(0.35)));
        let label = format!("R {}", short(zone.gauge_mm, 1));
        text(
            items,
            x + 0.5 * bounds.width_mm(),
            floor + 4.0,
            3.0,
            &label,
            Align::Middle,
            Ink::BLACK,
        );
        x += bounds.width_mm() + 9.0;
        drawn.push(zone.gauge_mm);
    }
    if !drawn.is_empty() {
        text(
            items,
            EDGE_MM,
            floor - 20.0,
            2.8,
            "gauges at true size",
            Align::Start,
            Ink::QUIET,
        );
    }
}

fn row(k: usize, zone: &Zone) -> [String; 7] {
    let radius = if zone.r_from_to_mm[1] - zone.r_from_to_mm[0] < 0.05 {
        format!("{:.1}", zone.r_from_to_mm[0])
    } else {
        format!("{:.1} – {:.1}", zone.r_from_to_mm[0], zone.r_from_to_mm[1])
    };
    let nearest = zone.nearest.as_ref();
    [
        format!("{}", k + 1),
        format!("{:.0} – {:.0}", zone.from_mm, zone.to_mm),
        match (&zone.tool, nearest) {
            (Some(tool), _) => tool.clone(),
            (None, Some(n)) => format!("NO TOOL (nearest {})", n.tool),
            (None, None) => "NO TOOL".to_string(),
        },
        zone.r_tool_mm
            .or(nearest.map(|n| n.r_tool_mm))
            .map_or(String::new(), |r| format!("{r:.2}")),
        radius,
        zone.miss_mm
            .or(nearest.map(|n| n.miss_mm))
            .map_or(String::new(), |m| format!("{m:.2}")),
        format!("R {}", short(zone.gauge_mm, 1)),
    ]
}

/// What holds for all zones, and the caution.
fn foot(items: &mut Vec<Item>, result: &RadiiResult, height: f64, right: f64) {
    let widest = result
        .schedule
        .iter()
        .max_by(|a, b| a.u95_mm.total_cmp(&b.u95_mm));
    let bare = result.zones.iter().any(|z| z.tool.is_none());
    let mut lines = vec![format!(
        "Every zone {}keeps the middle of the arc within {} mm of the swage. {}",
        if bare { "with a tool " } else { "" },
        short(result.miss_tol_mm, 3),
        widest.map_or(String::new(), |s| format!(
            "The radius is known to ± {} mm or better.",
            plus_minus(Measured {
                value: 0.0,
                u95: s.u95_mm
            })
            .split("± ")
            .nth(1)
            .unwrap_or("")
        )),
    )];
    if let Some(flat) = &result.flat_block {
        lines.push(format!(
            "Longest flat block beside it on the crown of {} mm: {:.0} mm (facets of {} mm).",
            short(flat.crown_mm, 0),
            flat.length_mm,
            short(flat.facet_mm, 3)
        ));
    }
    let gauges: Vec<String> = result.gauges_mm.iter().map(|g| short(*g, 1)).collect();
    lines.push(format!(
        "Gauges: {} mm. Grey band: the radius with its 95% interval. Drawing not to scale.",
        gauges.join(", ")
    ));
    lines.push(DUST.to_string());
    let start = height - EDGE_MM - 4.4 * (lines.len() as f64 - 1.0);
    rule(items, EDGE_MM, right, start - 5.2, 0.25);
    for (k, words) in lines.iter().enumerate() {
        let ink = if k + 1 == lines.len() {
            Ink::QUIET
        } else {
            Ink::BLACK
        };
        let size = 3.2f64.min(3.2 * (right - EDGE_MM) / font::width_mm(words, 3.2).max(1.0));
        text(
            items,
            EDGE_MM,
            start + 4.4 * k as f64,
            size,
            words,
            Align::Start,
            ink,
        );
    }
}
