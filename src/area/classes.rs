//! Coat, show-through and level filler told apart by the share of light each leaves.
//!
//! Coat and show-through are both darker than filler. Show-through has the colour of the rim round the repair, where the
//! same primer is laid bare by the feathering; coat has one colour of its own, found from what is dark and not primer, or
//! from a sample. A place is coat where it covers more than half of the ground (the step of the least error for an edge
//! that a lens has blurred), and the borders of a patch, where every mixture of two colours occurs, go with the patch.

use super::light::{BLUR_MM, Light};
use super::mask::{Mask, Part};
use super::median;

/// Class of a cell, as numbered in the map.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Class {
    /// Outside the repair, or can't be judged.
    Unjudged = 0,
    /// Level filler.
    Level = 1,
    /// Coat left in an area.
    Low = 2,
    /// Show-through.
    High = 3,
    /// Coat in a scratch or pinhole.
    Scratch = 4,
}

/// The classes of an area's cells.
#[derive(Debug, Clone)]
pub struct Classes {
    /// Row by row.
    pub cells: Vec<Class>,
    /// Colour of the coat as a share of the filler's light, red, green, blue; `None` when none was seen.
    pub coat: Option<[f32; 3]>,
    /// Share of the ground covered, by which lows are told (1 at full coat).
    pub cover: Vec<f32>,
}

/// What is known beforehand.
#[derive(Debug, Clone, Copy, Default)]
pub struct Known {
    /// Colour of the coat from the user's sample, share of the filler's light.
    pub coat: Option<[f32; 3]>,
}

/// Least darkening that is looked at, share of the level: a wet spot or a smudge of the hand darkens by a tenth.
const LEAST: f32 = 0.11;
/// Patches under this area are no lows or highs, mm² (the contract's list begins there).
const SMALL_MM2: f64 = 10.0;
/// Strokes narrower than this are scratches, mm.
const NARROW_MM: f64 = 1.6;

fn dark(share: [f32; 3]) -> f32 {
    1.0 - (share[0] + share[1] + share[2]) / 3.0
}

fn log(share: [f32; 3]) -> [f32; 3] {
    share.map(|v| v.max(0.02).ln())
}

/// What one dark patch looks like.
#[derive(Debug, Clone)]
struct Patch {
    part: Part,
    /// Colour of its core (logarithm of the share).
    colour: [f32; 3],
    /// How grainy it is before smoothing, standard deviation of the logarithm; NaN when it is too small to say.
    grain: f32,
    /// Cells of the core.
    core: usize,
}

/// Tells the classes. `inside`: cells of the filled area; `mm`: side of a cell.
pub fn classes(light: &Light, inside: &Mask, mm: f64, known: &Known) -> Classes {
    let (w, h) = (inside.width, inside.height);
    let judged = Mask::from_fn(w, h, |i| {
        inside.cells[i] && !light.blind.cells[i] && light.share[i][0].is_finite()
    });
    let least = LEAST.max(2.5 * light.noise);
    let shade = Mask::from_fn(w, h, |i| judged.cells[i] && dark(light.share[i]) > least);
    let patches = patches(light, &shade, mm);
    let (coat, highs) = sort(&patches, light, inside, known, mm);
    let mut cells: Vec<Class> = judged
        .cells
        .iter()
        .map(|j| if *j { Class::Level } else { Class::Unjudged })
        .collect();
    let cover: Vec<f32> = match coat {
        Some(coat) => light.share.iter().map(|s| covered(*s, coat)).collect(),
        None => vec![0.0; w * h],
    };
    // Show-through first: a patch, and within the blur round it what is dark is its border.
    let mut high = Mask::new(w, h);
    for patch in &highs {
        let colour = patch.colour.map(f32::exp);
        patch
            .part
            .cells
            .iter()
            .filter(|i| covered(light.share[**i], colour) > 0.5)
            .for_each(|i| high.cells[*i] = true);
    }
    if let (Some(coat), Some(rim)) = (coat, light.rim) {
        high = high.or(&within_coat(light, &patches, &highs, coat, rim, mm));
    }
    let border = high.grown(2.2 * BLUR_MM / mm);
    let low = Mask::from_fn(w, h, |i| {
        judged.cells[i] && cover[i] > 0.5 && !border.cells[i] && dark(light.share[i]) > 0.5 * least
    });
    let high = high.and(&judged);
    let most = (SMALL_MM2 / (mm * mm)) as usize;
    // Strokes: what no disc of the narrow width fits into.
    let body = low.opened(0.5 * NARROW_MM / mm);
    let low_body = body.grown(0.5 * NARROW_MM / mm).and(&low);
    let mut keep = Mask::new(w, h);
    // What hugs the outline within the rim's own blur is the rim.
    let deep = inside.shrunk(3.0 / mm);
    let low_body = low_body.filled(most / 2);
    let low_depth = low_body.depth();
    for part in low_body.parts() {
        if part.cells.len() >= most
            && !stroke(&part, &low_depth, w, mm)
            && part.cells.iter().any(|i| deep.cells[*i])
        {
            part.cells.iter().for_each(|i| keep.cells[*i] = true);
        }
    }
    for (i, class) in cells.iter_mut().enumerate() {
        if !judged.cells[i] {
            continue;
        }
        *class = if high.cells[i] {
            Class::High
        } else if keep.cells[i] {
            Class::Low
        } else if (low.cells[i] || shade.cells[i]) && !border.cells[i] {
            Class::Scratch
        } else {
            Class::Level
        };
    }
    // A rim of half-covered cells round a low is its border, not a scratch.
    let about = keep.grown(2.5 / mm);
    for (i, class) in cells.iter_mut().enumerate() {
        if *class == Class::Scratch && about.cells[i] {
            *class = Class::Level;
        }
    }
    Classes { cells, coat, cover }
}

/// Show-through that runs together with a low: solid parts of a patch of coat that have the primer's colour and not the
/// coat's. The border of a patch passes through many colours, so only parts wider than a border count.
fn within_coat(
    light: &Light,
    patches: &[Patch],
    highs: &[&Patch],
    coat: [f32; 3],
    rim: [f32; 3],
    mm: f64,
) -> Mask {
    /// Half the width of a border of powder, mm.
    const BORDER_MM: f64 = 1.9;
    /// Least area of such a part, mm²: a smaller one may be a thin place of the powder.
    const LEAST_MM2: f64 = 40.0;
    let (w, h) = (light.blind.width, light.blind.height);
    let coat = log(coat);
    let mut like = Mask::new(w, h);
    for patch in patches
        .iter()
        .filter(|p| !highs.iter().any(|q| std::ptr::eq(*q, *p)))
    {
        for i in patch.part.cells.iter().copied() {
            let colour = log(light.share[i]);
            let primer = unlike(colour, rim, 1.0);
            like.cells[i] = primer < 0.2 * rim.iter().map(|v| v.abs()).fold(0.0, f32::max) + 0.1
                && primer + 0.04 < unlike(colour, coat, 0.3);
        }
    }
    let solid = like.opened(BORDER_MM / mm);
    let mut out = Mask::new(w, h);
    for part in solid.parts() {
        let covers = part.cells.len() as f64 * mm * mm >= LEAST_MM2;
        if covers {
            part.cells.iter().for_each(|i| out.cells[*i] = true);
        }
    }
    out
}

/// Share of the ground that a colour covers, by the light that each channel lost, channels weighed by their contrast.
fn covered(share: [f32; 3], colour: [f32; 3]) -> f32 {
    cover(share.map(|v| 1.0 - v), colour.map(|v| 1.0 - v))
}

/// How much of the light lost is the whole of a colour's, by least squares; 0 for a colour that takes none.
fn cover(lost: [f32; 3], whole: [f32; 3]) -> f32 {
    let down: f32 = whole.iter().map(|v| v * v).sum();
    let up: f32 = lost.iter().zip(whole).map(|(a, b)| a * b).sum();
    if down > 0.0 { up / down } else { 0.0 }
}

/// Whether a part is a stroke: narrow, and several times longer than wide. `depth`: distance of its cells to its border.
fn stroke(part: &Part, depth: &[f64], width: usize, mm: f64) -> bool {
    /// Half the width up to which a stroke may be a scratch, mm: a scratch of a millimetre, blurred.
    const HALF_MM: f64 = 1.7;
    let half = part.cells.iter().map(|i| depth[*i]).fold(0.0, f64::max) * mm;
    let xs = part.cells.iter().map(|i| i % width);
    let ys = part.cells.iter().map(|i| i / width);
    let span = |low: Option<usize>, high: Option<usize>| {
        (high.unwrap_or(0) - low.unwrap_or(0)) as f64 * mm
    };
    let long = span(xs.clone().min(), xs.max()).hypot(span(ys.clone().min(), ys.max()));
    half < HALF_MM && long > 6.0 * half
}

/// Grain of some cells: from differences of cells two apart, so that slow changes fall out; NaN with too few.
fn grain(light: &Light, cells: &[usize], width: usize, deep: impl Fn(usize) -> bool) -> f32 {
    let squares: Vec<f32> = cells
        .iter()
        .filter(|i| deep(**i) && deep(**i + 2) && **i % width + 2 < width)
        .map(|i| (light.raw[*i] - light.raw[*i + 2]).powi(2))
        .filter(|v| v.is_finite())
        .collect();
    if squares.len() < 12 {
        return f32::NAN;
    }
    (squares.iter().sum::<f32>() / squares.len() as f32 / 2.0).sqrt()
}

fn patches(light: &Light, shade: &Mask, mm: f64) -> Vec<Patch> {
    let least = (SMALL_MM2 / (mm * mm)) as usize;
    let body = shade.opened(0.5 * NARROW_MM / mm);
    let depth = body.depth();
    body.parts()
        .into_iter()
        .filter(|part| part.cells.len() >= least && !stroke(part, &depth, shade.width, mm))
        .filter_map(|part| {
            let mut losses: Vec<f32> = part.cells.iter().map(|i| dark(light.share[*i])).collect();
            let at = losses.len() * 4 / 5;
            let deep = *losses.select_nth_unstable_by(at, f32::total_cmp).1;
            let core: Vec<usize> = part
                .cells
                .iter()
                .copied()
                .filter(|i| dark(light.share[*i]) > 0.75 * deep)
                .collect();
            let middle = |c: usize| median(core.iter().map(|i| log(light.share[*i])[c]));
            let colour = [middle(0)?, middle(1)?, middle(2)?];
            let grain = grain(light, &part.cells, shade.width, |i| {
                depth.get(i).is_some_and(|d| d * mm > 1.2)
            });
            Some(Patch {
                core: core.len(),
                part,
                colour,
                grain,
            })
        })
        .collect()
}

/// Which patches are show-through, and the coat's colour from the rest.
///
/// A patch is compared with primer laid bare (all of it, glare aside) and with coat that covers some part of the ground.
/// The coat's colour is that of the patch which, taken as coat, explains the rest best.
fn sort<'a>(
    patches: &'a [Patch],
    light: &Light,
    inside: &Mask,
    known: &Known,
    mm: f64,
) -> (Option<[f32; 3]>, Vec<&'a Patch>) {
    let solid = (40.0 / (mm * mm)) as usize;
    let film = (100.0 / (mm * mm)) as usize;
    /// Grain under which coat and primer are alike even.
    const EVEN: f32 = 0.12;
    /// Least light lost by a small patch whose colour is taken for the coat's: what is left of a black coat, not a smear.
    const PLAIN: f32 = 0.35;
    let lost = |colour: [f32; 3]| colour.map(|v| 1.0 - v.exp());
    let mean_lost = |p: &Patch| lost(p.colour).iter().sum::<f32>() / 3.0;
    let Some(rim) = light.rim else {
        let best = patches
            .iter()
            .filter(|p| p.part.cells.len() >= solid || mean_lost(p) > PLAIN);
        return (known.coat.or_else(|| coat_of(best)), Vec::new());
    };
    // Glare washes colours out: a patch in it is compared by hue alone.
    let glare = light.glare.or(&light.blind.grown(4.0 / mm));
    let washed = |p: &Patch| {
        4 * p.part.cells.iter().filter(|i| glare.cells[**i]).count() > p.part.cells.len()
    };
    // Blur, stray light and glare make primer lighter than its rim, nothing makes it darker; the hue hardly changes.
    let strength = rim.into_iter().fold(0.0, |d: f32, v| d.max(v.abs()));
    let like_rim = |p: &Patch| {
        let off = [0, 1, 2].map(|c| p.colour[c] - rim[c]);
        let shade = (off[0] + off[1] + off[2]) / 3.0;
        let hue = off.iter().fold(0.0, |d: f32, v| d.max((v - shade).abs()));
        let room = if shade > 0.0 {
            0.3 * strength + 0.06
        } else {
            0.12 * strength + 0.04
        };
        washed(p) || (shade / room).powi(2) + (hue / (0.12 * strength + 0.06)).powi(2) < 1.0
    };
    // Primer is even, powder grainy: of patches alike in colour the grainy ones are coat.
    let smooth = patches
        .iter()
        .filter(|p| p.part.cells.len() >= 2 * solid && like_rim(p) && p.grain.is_finite())
        .map(|p| p.grain)
        .fold(f32::INFINITY, f32::min);
    let bare = |p: &Patch| like_rim(p) && !(p.grain > 0.2 && p.grain > 1.6 * smooth);
    let even = {
        let level = |i: usize| {
            light.share.get(i).is_some_and(|s| (dark(*s)).abs() < 0.06) && !light.meet.cells[i]
        };
        let cells: Vec<usize> = (0..light.share.len())
            .filter(|i| inside.cells[*i])
            .collect();
        grain(light, &cells, inside.width, level)
    };
    let at_edge = |p: &Patch| {
        2 * p
            .part
            .cells
            .iter()
            .filter(|i| light.meet.cells[**i])
            .count()
            > p.part.cells.len()
    };
    let coats = |least: usize, plain: f32| -> Vec<&Patch> {
        let of = patches
            .iter()
            .filter(|p| p.part.cells.len() >= least && mean_lost(p) > plain);
        // Faint and grainy is powder scattered in scratches, faint and small a wet spot or a smear: no film of coat.
        let of = of.filter(|p| {
            mean_lost(p) > PLAIN || (p.grain < 1.5 * even && p.part.cells.len() >= film)
        });
        of.filter(|p| !bare(p) && !at_edge(p)).collect()
    };
    // The coat's colour: of the large patches that are not primer the one that explains the most of all, else small ones.
    let coat = known.coat.or_else(|| {
        let mut full = coats(solid, 0.0);
        if full.is_empty() {
            full = coats(0, PLAIN);
        }
        let explained = |coat: &Patch| {
            full.iter()
                .map(|p| {
                    (0.12 - residual(lost(p.colour), lost(coat.colour), 0.75, 1.1)).max(0.0)
                        * p.core as f32
                })
                .sum::<f32>()
        };
        let best = full
            .iter()
            .max_by(|a, b| explained(a).total_cmp(&explained(b)))?;
        let like = |p: &&&Patch| residual(lost(p.colour), lost(best.colour), 0.75, 1.3) < 0.1;
        coat_of(full.iter().filter(like).copied())
    });
    let Some(coat) = coat else {
        return (None, patches.iter().filter(|p| bare(p)).collect());
    };
    // The coat's grain, where it has one that shows.
    let coats: Vec<&Patch> = patches
        .iter()
        .filter(|p| p.part.cells.len() >= solid / 2 && !bare(p))
        .collect();
    let mut grains: Vec<f32> = coats
        .iter()
        .map(|p| p.grain)
        .filter(|g| g.is_finite())
        .collect();
    grains.sort_by(f32::total_cmp);
    let powder = grains.get(grains.len() / 2).copied().unwrap_or(0.0);
    let (coat_lost, rim_lost) = (coat.map(|v| 1.0 - v), lost(rim));
    let is_high = |p: &&Patch| {
        bare(p) && {
            // Show-through is solid, coat is powder: as grainy as the coat counts against primer, much smoother for it.
            let grain = if powder > EVEN {
                0.3 * (p.grain / powder - 0.75)
            } else {
                0.0
            };
            let grain = if grain.is_finite() { grain } else { 0.0 };
            if washed(p) {
                return residual(lost(p.colour), rim_lost, 0.35, 1.15) + grain
                    < residual(lost(p.colour), coat_lost, 0.3, 1.1);
            }
            unlike(p.colour, rim, 0.85) + grain
                < unlike(p.colour, coat.map(|v| v.max(0.02).ln()), 0.3)
        }
    };
    (Some(coat), patches.iter().filter(is_high).collect())
}

/// Largest difference (logarithm) of a colour from another that covers between `least` and all of the ground.
fn unlike(colour: [f32; 3], other: [f32; 3], least: f32) -> f32 {
    let lost = |c: [f32; 3]| c.map(|v| 1.0 - v.exp());
    let (a, b) = (lost(colour), lost(other));
    let cover = cover(a, b).clamp(least, 1.0);
    (0..3)
        .map(|c| (colour[c] - (1.0 - cover * b[c]).max(0.02).ln()).abs())
        .fold(0.0, f32::max)
}

/// Distance of a patch's lost light from a colour that covers between `least` and `most` of it.
fn residual(lost: [f32; 3], colour: [f32; 3], least: f32, most: f32) -> f32 {
    let cover = cover(lost, colour).clamp(least, most);
    lost.iter()
        .zip(colour)
        .map(|(a, b)| (a - cover * b).powi(2))
        .sum::<f32>()
        .sqrt()
}

/// Colour of the coat: the median of the patches', each counting by its core.
fn coat_of<'a>(patches: impl Iterator<Item = &'a Patch>) -> Option<[f32; 3]> {
    let patches: Vec<&Patch> = patches.collect();
    if patches.is_empty() {
        return None;
    }
    let mut colour = [0.0; 3];
    for (c, v) in colour.iter_mut().enumerate() {
        let mut list: Vec<(f32, usize)> = patches.iter().map(|p| (p.colour[c], p.core)).collect();
        list.sort_by(|a, b| a.0.total_cmp(&b.0));
        let half = list.iter().map(|p| p.1).sum::<usize>() / 2;
        let mut sum = 0;
        *v = list
            .iter()
            .find(|p| {
                sum += p.1;
                sum > half
            })
            .map_or(0.0, |p| p.0.exp());
    }
    Some(colour)
}
