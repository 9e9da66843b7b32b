//! One photo of a repair surveyed: classes, areas with their uncertainty, regions.

use super::{Areas, Kind, LowsOptions, MapPlace, Region};
use crate::area::AreaError;
use crate::area::classes::{Class, Classes, Known, classes};
use crate::area::light::{Light, light};
use crate::area::mask::{Mask, inside};
use crate::area::plan::{Blocks, Draft, Plan, Window};
use crate::area::repair::{self, Repair};
use crate::budget::{BudgetPart, Part, gather};
use crate::check::{CheckError, Head, SCHEMA, Setup, cards_seen, scale};
use crate::photo::Photo;
use crate::scale::Scale;
use crate::scale::cover::masks;
use crate::scale::homography::{apply, homography};
use crate::units::{K95, Px};
use imageproc::geometry::approximate_polygon_dp;
use imageproc::point::Point;
use nalgebra::{DVector, Point2};

/// A repair as one photo shows it.
#[derive(Debug, Clone)]
pub struct Survey {
    /// The common part of the answer.
    pub head: Head,
    /// Areas by class.
    pub area: Areas,
    /// Regions, lows and highs first, biggest first.
    pub regions: Vec<Region>,
    /// Place of the class map.
    pub map: MapPlace,
    /// Class of each cell of the map, as numbered in the contract.
    pub classes: Vec<u8>,
    /// Cells of the map across and down.
    pub size: (usize, usize),
    /// Outline of the repair, card frame, mm.
    pub repair: Vec<Point2<f64>>,
    /// The regions' outlines in the photo, px, in the order of `regions`.
    pub outlines_px: Vec<Vec<Px>>,
    /// The repair's outline in the photo, px.
    pub repair_px: Vec<Px>,
}

impl Survey {
    /// Card place of the middle of a cell of the map, mm.
    pub fn place(&self, cell: usize) -> Point2<f64> {
        let [x, y] = self.map.origin_mm;
        let (i, j) = (cell % self.size.0, cell / self.size.0);
        Point2::new(
            x + i as f64 * self.map.mm_per_px,
            y + j as f64 * self.map.mm_per_px,
        )
    }

    /// The cell of the map at a card place; `None` off the map.
    pub fn cell_at(&self, at: Point2<f64>) -> Option<usize> {
        let x = ((at.x - self.map.origin_mm[0]) / self.map.mm_per_px).round();
        let y = ((at.y - self.map.origin_mm[1]) / self.map.mm_per_px).round();
        let on = x >= 0.0 && y >= 0.0 && (x as usize) < self.size.0 && (y as usize) < self.size.1;
        on.then(|| y as usize * self.size.0 + x as usize)
    }

    /// The class at a card place, as numbered in the map; `None` off the map.
    pub fn class_at(&self, at: Point2<f64>) -> Option<u8> {
        self.classes.get(self.cell_at(at)?).copied()
    }

    /// Areas and regions again from the classes, after cells were filled in. `whole`: cells of the repair.
    ///
    /// Intervals keep their ratio to the area. The regions' places in the photo are carried over as the repair's outline is
    /// seen there, near enough for a picture.
    pub fn recount(&mut self, whole: &Mask) {
        let (w, h) = self.size;
        let cell = self.map.mm_per_px.powi(2);
        let count = |class: u8| self.classes.iter().filter(|c| **c == class).count() as f64 * cell;
        let (low, high, level) = (count(2), count(3), count(1));
        let grown = |new: f64, old: f64, u: f64| {
            if old > 0.0 {
                u * (new / old).max(1.0)
            } else {
                u.max(new.sqrt())
            }
        };
        let judged = low + high + level;
        let before = self.area;
        self.area = Areas {
            low_mm2: low,
            u95_low_mm2: grown(low, before.low_mm2, before.u95_low_mm2),
            high_mm2: high,
            u95_high_mm2: grown(high, before.high_mm2, before.u95_high_mm2),
            level_mm2: level,
            u95_level_mm2: grown(level, before.level_mm2, before.u95_level_mm2),
            unjudged_mm2: (whole.count() as f64 * cell - judged - count(4)).max(0.0),
            low_percent: if judged > 0.0 {
                100.0 * low / judged
            } else {
                0.0
            },
        };
        let frame = Frame {
            width: w,
            mm: self.map.mm_per_px,
            origin: Point2::new(self.map.origin_mm[0], self.map.origin_mm[1]),
        };
        let mut regions = Vec::new();
        for (kind, class) in [(Kind::Low, 2), (Kind::High, 3)] {
            let mask = Mask::from_fn(w, h, |i| self.classes[i] == class);
            let mut found: Vec<Region> = mask
                .parts()
                .into_iter()
                .filter(|p| p.cells.len() as f64 * cell >= LISTED_MM2)
                .map(|p| {
                    let area = p.cells.len() as f64 * cell;
                    region(
                        kind,
                        &p.cells,
                        &frame,
                        area,
                        (perimeter(&p.cells, &mask, w) * frame.mm * EDGE_MM).max(cell),
                    )
                })
                .collect();
            found.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
            regions.append(&mut found);
        }
        regions
            .iter_mut()
            .enumerate()
            .for_each(|(i, r)| r.number = i + 1);
        let (mm, px): (Vec<_>, Vec<_>) = self
            .repair
            .iter()
            .copied()
            .zip(self.repair_px.iter().map(|p| p.0))
            .unzip();
        let seen = homography(&mm, &px);
        self.outlines_px = regions
            .iter()
            .map(|r| {
                r.outline_mm
                    .iter()
                    .filter_map(|p| Some(Px(apply(&seen?, &Point2::new(p[0], p[1])))))
                    .collect()
            })
            .collect();
        self.regions = regions;
    }
}

/// Cells of the class map, mm: half the least width of anything that counts.
const CELL_MM: f64 = 0.45;
/// Cells of the look for the repair, mm.
const COARSE_MM: f64 = 1.5;
/// How far inside the outline judging begins, mm: the rim's blur and the outline's own error.
const INSET_MM: f64 = 1.6;

/// Surveys a photo.
///
/// # Errors
/// [`CheckError`]: cards, lens, scale; [`AreaError`] for the repair itself.
pub fn survey(photo: &Photo, setup: &Setup, options: &LowsOptions) -> Result<Survey, CheckError> {
    if !photo.has_colour() {
        return Err(AreaError::Grey.into());
    }
    let cards = setup.cards(photo)?;
    let (assume, mut warnings) = setup.assume(photo)?;
    let scale = scale(&cards, &assume, &mut warnings)?;
    let covers = masks(&cards);
    let middle = Px::new(photo.width as f64 / 2.0, photo.height as f64 / 2.0);
    let mm_per_px = scale.mm_per_px(middle).ok_or(AreaError::OffPanel)?;
    let side = (CELL_MM / mm_per_px).round().clamp(1.0, 16.0) as usize;
    let blocks = Blocks::new(photo, side);
    let draft = Draft {
        blocks: &blocks,
        scale: &scale,
        cards: &covers,
    };
    let repair = outline(photo, &scale, &draft, mm_per_px, &options.area)?;
    let mm = (side as f64 * mm_per_px).max(0.2);
    let window = Window::around(repair.outline.iter().copied())
        .ok_or(AreaError::NoRepair)?
        .grown(12.0);
    let plan = Plan::new(&draft, &window, mm);
    let cells: Vec<Point2<f64>> = repair.outline.iter().map(|p| plan.cell_of(*p)).collect();
    let whole = inside(plan.width, plan.height, &cells);
    let within = whole.shrunk(INSET_MM / mm);
    let seen = (0..within.cells.len())
        .filter(|i| within.cells[*i] && plan.light[*i][0].is_finite())
        .count();
    if (seen as f64) < 400.0 / (mm * mm) || 2 * seen < within.count() {
        return Err(AreaError::TooLittle.into());
    }
    let light = light(&plan, &repair, &within).ok_or(AreaError::Light)?;
    let known = samples(&plan, &scale, &light, options)?;
    let found = classes(&light, &within, mm, &known);
    if repair.rim.is_none() && light.rim.is_none() {
        warnings.push("no rim of primer shows round the repair: show-through can't be told from coat by its colour".into());
    }
    Ok(assemble(Parts {
        photo,
        setup,
        scale: &scale,
        plan: &plan,
        repair: &repair,
        whole: &whole,
        found: &found,
        light: &light,
        cards: cards_seen(&cards, &scale),
        warnings,
    }))
}

/// The repair's outline: given, or found.
fn outline(
    photo: &Photo,
    scale: &Scale,
    draft: &Draft,
    mm_per_px: f64,
    given: &[Px],
) -> Result<Repair, CheckError> {
    if !given.is_empty() {
        let places: Option<Vec<Point2<f64>>> = given
            .iter()
            .map(|p| scale.mm_from_px(*p).map(|m| m.0))
            .collect();
        let outline = places
            .filter(|p| p.len() >= 3 && repair::area(p).abs() > 100.0)
            .ok_or(AreaError::NoOutline)?;
        return Ok(Repair {
            outline: dense(&outline),
            rim: None,
            seen: 1.0,
        });
    }
    let (w, h) = (photo.width as f64, photo.height as f64);
    let corners = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)];
    let middle = scale
        .mm_from_px(Px::new(w / 2.0, h / 2.0))
        .ok_or(AreaError::OffPanel)?
        .0;
    let reach = 0.5 * w.hypot(h) * mm_per_px;
    let window = Window::around(
        corners
            .iter()
            .filter_map(|(x, y)| scale.mm_from_px(Px::new(*x, *y)).map(|m| m.0)),
    )
    .ok_or(AreaError::OffPanel)?;
    // A photo taken along the panel sees metres of it: what is far from where it looks is left out.
    let near = Window::around([middle])
        .ok_or(AreaError::OffPanel)?
        .grown(1.3 * reach);
    let window = Window {
        from: window.from.sup(&near.from),
        to: window.to.inf(&near.to),
    };
    let plan = Plan::new(draft, &window, COARSE_MM);
    Ok(repair::find(&plan, middle, reach).ok_or(AreaError::NoRepair)?)
}

/// The same outline with a place at least every two millimetres.
fn dense(outline: &[Point2<f64>]) -> Vec<Point2<f64>> {
    let n = outline.len();
    (0..n)
        .flat_map(|i| {
            let (a, b) = (outline[i], outline[(i + 1) % n]);
            let pieces = ((b - a).norm() / 2.0).ceil().clamp(1.0, 2000.0) as usize;
            (0..pieces).map(move |k| a + (b - a) * (k as f64 / pieces as f64))
        })
        .collect()
}

/// The coat's colour from the user's samples: its light against the ground's, each in its own light.
fn samples(
    plan: &Plan,
    scale: &Scale,
    light: &Light,
    options: &LowsOptions,
) -> Result<Known, CheckError> {
    let Some(coat) = options.coat else {
        return Ok(Known::default());
    };
    let share = |px: Px| {
        let at = plan.cell_of(scale.mm_from_px(px)?.0);
        let (x, y) = (at.x.round(), at.y.round());
        let inside =
            x >= 2.0 && y >= 2.0 && x + 2.0 < plan.width as f64 && y + 2.0 < plan.height as f64;
        if !inside {
            return None;
        }
        let mut sum = [0.0_f32; 3];
        for dy in 0..5 {
            for dx in 0..5 {
                let s = light.share[(y as usize + dy - 2) * plan.width + x as usize + dx - 2];
                sum.iter_mut().zip(s).for_each(|(a, v)| *a += v / 25.0);
            }
        }
        sum.iter().all(|v| v.is_finite()).then_some(sum)
    };
    let coat = share(coat).ok_or(AreaError::Samples)?;
    let ground = match options.ground {
        Some(px) => share(px).ok_or(AreaError::Samples)?,
        None => [1.0; 3],
    };
    let colour = [0, 1, 2].map(|c| (coat[c] / ground[c].max(0.05)).clamp(0.0, 2.0));
    if colour.iter().sum::<f32>() / 3.0 > 0.93 {
        return Err(AreaError::Samples.into());
    }
    Ok(Known { coat: Some(colour) })
}

/// What an answer is put together from.
struct Parts<'a> {
    photo: &'a Photo,
    setup: &'a Setup,
    scale: &'a Scale,
    plan: &'a Plan,
    repair: &'a Repair,
    whole: &'a Mask,
    found: &'a Classes,
    light: &'a Light,
    cards: Vec<crate::check::CardSeen>,
    warnings: Vec<String>,
}

/// Least area listed, mm²: lows and highs (the contract), scratches, what can't be judged.
const LISTED_MM2: f64 = 10.0;
const FINE_MM2: f64 = 2.0;
const UNJUDGED_MM2: f64 = 25.0;
/// Most scratches and pinholes listed; all count in the map.
const MOST_FINE: usize = 200;

fn assemble(parts: Parts) -> Survey {
    let Parts {
        photo,
        setup,
        scale,
        plan,
        repair,
        whole,
        found,
        light,
        cards,
        mut warnings,
    } = parts;
    let (w, h, mm) = (plan.width, plan.height, plan.mm);
    let cell = mm * mm;
    let frame = Frame {
        width: w,
        mm,
        origin: plan.origin,
    };
    let of = |class: Class| Mask::from_fn(w, h, |i| found.cells[i] == class);
    let count = |class: Class| found.cells.iter().filter(|c| **c == class).count() as f64 * cell;
    let blind = Mask::from_fn(w, h, |i| {
        whole.cells[i] && (light.blind.cells[i] || plan.light[i][0].is_nan())
    });
    let ratios = ratios(scale, &repair.outline);
    let of_scale = ratios.iter().map(|(_, u)| u * u).sum::<f64>().sqrt();

    let mut regions = Vec::new();
    let mut edge_low = 0.0_f64;
    for (kind, mask, least) in [
        (Kind::Low, of(Class::Low), LISTED_MM2),
        (Kind::High, of(Class::High), LISTED_MM2),
        (Kind::Scratch, of(Class::Scratch), FINE_MM2),
        (Kind::Unjudged, blind, UNJUDGED_MM2),
    ] {
        let before = regions.len();
        for part in mask
            .parts()
            .into_iter()
            .filter(|p| p.cells.len() as f64 * cell >= least)
        {
            let area = part.cells.len() as f64 * cell;
            let edge = match kind {
                Kind::Low => edge_u(&part.cells, found, w, cell),
                _ => perimeter(&part.cells, &mask, w) * mm * EDGE_MM,
            };
            if kind == Kind::Low {
                edge_low += edge * edge;
            }
            let u = (edge * edge + (area * of_scale).powi(2)).sqrt().max(cell);
            regions.push(region(kind, &part.cells, &frame, area, u));
        }
        regions[before..].sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
        if kind == Kind::Scratch {
            regions.truncate(before + MOST_FINE);
        }
    }
    let mut number = 0;
    for region in regions
        .iter_mut()
        .filter(|r| matches!(r.kind, Kind::Low | Kind::High))
    {
        number += 1;
        region.number = number;
    }
    let (low, high, level) = (count(Class::Low), count(Class::High), count(Class::Level));
    let highs_edge: f64 = regions
        .iter()
        .filter(|r| r.kind == Kind::High)
        .map(|r| r.u95_area_mm2.powi(2))
        .sum::<f64>();
    let unjudged =
        (whole.count() as f64 * cell - low - high - level - count(Class::Scratch)).max(0.0);
    let judged = low + high + level;
    let area = Areas {
        low_mm2: low,
        // Edges lean the same way all over a photo: they add up, they don't average out.
        u95_low_mm2: (edge_low + (low * of_scale).powi(2)).sqrt().max(cell),
        high_mm2: high,
        u95_high_mm2: (highs_edge + (high * of_scale).powi(2)).sqrt().max(cell),
        level_mm2: level,
        u95_level_mm2: (edge_low + highs_edge + (level * of_scale).powi(2))
            .sqrt()
            .max(cell),
        unjudged_mm2: unjudged,
        low_percent: if judged > 0.0 {
            100.0 * low / judged
        } else {
            0.0
        },
    };
    if unjudged > 0.12 * (judged + unjudged) {
        warnings.push(format!(
            "{:.0}% of the repair can't be judged (glare, the edge of a shadow, something in front); it is left out of the percentages. A second photo from another side, given with --same, fills it in",
            100.0 * unjudged / (judged + unjudged)
        ));
    }
    if light.shadow.count() > 0 {
        warnings.push(
            "a shadow lies across the repair; it was allowed for, but even light is safer".into(),
        );
    }
    // The budget is told as a length: half of what each part does to the side of a square as large as the repair.
    let length = (judged + unjudged).sqrt();
    let budget = gather(
        &ratios
            .iter()
            .map(|(part, u)| BudgetPart {
                part: *part,
                u95_mm: 0.5 * u * length,
            })
            .chain([BudgetPart {
                part: Part::Edge,
                u95_mm: EDGE_MM,
            }])
            .collect::<Vec<_>>(),
    );
    let outlines_px = regions
        .iter()
        .map(|r| {
            r.outline_mm
                .iter()
                .filter_map(|p| scale.px_from_mm(crate::units::Mm::new(p[0], p[1])))
                .collect()
        })
        .collect();
    let repair_px = repair
        .outline
        .iter()
        .filter_map(|p| scale.px_from_mm(crate::units::Mm(*p)))
        .collect();
    Survey {
        head: Head {
            schema: SCHEMA.into(),
            check: "lows".into(),
            photo: photo.name.clone(),
            card: cards,
            lens: setup.lens.is_some(),
            mm_per_px: centre_mm_per_px(scale, repair).unwrap_or(mm),
            warnings,
            budget,
            verdict: None,
        },
        area,
        regions,
        map: MapPlace {
            file: None,
            mm_per_px: mm,
            origin_mm: [plan.origin.x, plan.origin.y],
        },
        classes: found.cells.iter().map(|c| *c as u8).collect(),
        size: (w, h),
        repair: repair.outline.clone(),
        outlines_px,
        repair_px,
    }
}

/// How far the edge of a class may lie off, mm, at 95%: a quarter of the blur that a lens, the coat's own border and the
/// smoothing give it.
const EDGE_MM: f64 = 0.25;

fn centre_mm_per_px(scale: &Scale, repair: &Repair) -> Option<f64> {
    let (x, y) = repair::centroid(&repair.outline);
    scale.mm_per_px(scale.px_from_mm(crate::units::Mm::new(x, y))?)
}

/// Half-width of a low's area from its border: powder thins out over a millimetre or two, and where it ends is a matter of
/// how much cover counts. From 40% to 60% is taken as 95%.
fn edge_u(cells: &[usize], found: &Classes, width: usize, cell: f64) -> f64 {
    let more = cells.iter().filter(|i| found.cover[**i] < 0.6).count() as f64;
    let mut least = 0.0_f64;
    // Cells just outside that have 40% and more.
    for i in cells {
        for j in [i.wrapping_sub(1), i + 1, i.wrapping_sub(width), i + width] {
            if found.cells.get(j).is_some_and(|c| *c == Class::Level) && found.cover[j] > 0.4 {
                least += 1.0;
            }
        }
    }
    0.5 * (more + least) * cell
}

/// Length of a part's border, cells.
fn perimeter(cells: &[usize], mask: &Mask, width: usize) -> f64 {
    let outside = |j: usize| !mask.cells.get(j).copied().unwrap_or(false);
    cells
        .iter()
        .map(|i| [i.wrapping_sub(1), i + 1, i.wrapping_sub(width), i + width].into_iter().filter(|j| outside(*j)).count())
        .sum::<usize>() as f64
        // Steps along the grid are longer than the border by 4/π on the average.
        * std::f64::consts::FRAC_PI_4
}

/// Relative half-width of any area on the panel, by part: from how the repair's own outline moves with the scale.
fn ratios(scale: &Scale, outline: &[Point2<f64>]) -> Vec<(Part, f64)> {
    let sparse: Vec<Px> = outline
        .iter()
        .step_by((outline.len() / 60).max(1))
        .filter_map(|p| scale.px_from_mm(crate::units::Mm(*p)))
        .collect();
    let Some(placed) = scale.carry(&sparse) else {
        return Vec::new();
    };
    let n = placed.points.len();
    let Some(size) = placed.slopes.first().map(|s| s[0].len()) else {
        return Vec::new();
    };
    let points: Vec<Point2<f64>> = placed.points.iter().map(|p| p.0).collect();
    let area = repair::area(&points);
    let mut slope = DVector::<f64>::zeros(size);
    for i in 0..n {
        let (before, after) = (points[(i + n - 1) % n], points[(i + 1) % n]);
        slope += &placed.slopes[i][0] * (0.5 * (after.y - before.y));
        slope += &placed.slopes[i][1] * (0.5 * (before.x - after.x));
    }
    placed
        .covariance
        .iter()
        .map(|(part, c)| {
            (
                *part,
                K95 * slope.dot(&(c * &slope)).max(0.0).sqrt() / area.abs().max(1.0),
            )
        })
        .collect()
}

/// Where a map's cells lie in the card frame.
struct Frame {
    width: usize,
    mm: f64,
    origin: Point2<f64>,
}

impl Frame {
    fn mm_at(&self, x: f64, y: f64) -> Point2<f64> {
        self.origin + nalgebra::Vector2::new(x, y) * self.mm
    }
}

fn region(kind: Kind, cells: &[usize], plan: &Frame, area: f64, u: f64) -> Region {
    let w = plan.width;
    let xs = || cells.iter().map(|i| i % w);
    let ys = || cells.iter().map(|i| i / w);
    let n = cells.len().max(1) as f64;
    let (cx, cy) = (
        xs().sum::<usize>() as f64 / n,
        ys().sum::<usize>() as f64 / n,
    );
    let (x0, x1) = (xs().min().unwrap_or(0), xs().max().unwrap_or(0));
    let (y0, y1) = (ys().min().unwrap_or(0), ys().max().unwrap_or(0));
    // The outline is drawn in a window of its own.
    let mut small = Mask::new(x1 - x0 + 1, y1 - y0 + 1);
    for i in cells {
        small.cells[(i / w - y0) * small.width + i % w - x0] = true;
    }
    let outline = small
        .outlines()
        .into_iter()
        .max_by(|a, b| repair::area(a).abs().total_cmp(&repair::area(b).abs()))
        .unwrap_or_default();
    let fine: Vec<Point<f64>> = outline.iter().map(|p| Point::new(p.x, p.y)).collect();
    // Two thirds of a cell: the steps of the grid go, the shape stays.
    let plain = if fine.len() > 8 {
        approximate_polygon_dp(&fine, 0.7, true)
    } else {
        fine
    };
    let outline_mm = plain
        .iter()
        .map(|p| {
            let at = plan.mm_at(p.x + x0 as f64, p.y + y0 as f64);
            [at.x, at.y]
        })
        .collect();
    let (a, b) = (
        plan.mm_at(x0 as f64 - 0.5, y0 as f64 - 0.5),
        plan.mm_at(x1 as f64 + 0.5, y1 as f64 + 0.5),
    );
    let middle = plan.mm_at(cx, cy);
    let long = (b - a).norm();
    let kind = match kind {
        // Round and small is a pinhole; longer than three times its mean width a scratch.
        Kind::Scratch if long < 3.0 * (area / long.max(0.1)).max(0.5) => Kind::Pinhole,
        other => other,
    };
    Region {
        kind,
        number: 0,
        area_mm2: area,
        u95_area_mm2: u,
        centroid_mm: [middle.x, middle.y],
        box_mm: [a.x, a.y, b.x, b.y],
        outline_mm,
    }
}
