//! Writes made-up photos with their truth, for trying the program on photos it has not seen.
//!
//! `cargo run --release --example make_scene -- --family line --count 24 --seed 1000 OUT_DIR`
//!
//! Families: `line`, `lens` (a set of board photos each), `rule`, `across` (a straightedge across a swage), `section`, `stripe`, `lows`. Each photo `line-N.jpg` has
//! `line-N.truth.json` beside it, with its lens file and its cards' layout files.

use fairpanel::card::Layout;
use fairpanel::lens::Lens;
use fairpanel::sim::camera::stored_lens;
use fairpanel::sim::develop::Picture;
use fairpanel::sim::random::Rng;
use fairpanel::sim::scene::{Develop, Jpeg, Look, Scene};
use fairpanel::sim::truth::CardTruth;
use fairpanel::sim::{
    Truth, bench, board, develop, draw, exif, jpeg, lows, picture, rule, section,
};
use fairpanel::units::Px;
use serde_json::{Value, json};
use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

const USAGE: &str = "make_scene --family line|lens|rule|across|section|stripe|lows [--count N] [--seed S] [--width PX] OUT_DIR";

struct Options {
    family: String,
    count: u64,
    seed: u64,
    width: Option<usize>,
    out: PathBuf,
}

fn main() -> Result<(), Box<dyn Error>> {
    let options = options().ok_or(USAGE)?;
    fs::create_dir_all(&options.out)?;
    for k in 0..options.count {
        match options.family.as_str() {
            "line" => line(&options, k)?,
            "lens" => lens(&options, k)?,
            "rule" => straightedge(&options, k)?,
            "across" => across(&options, k)?,
            "section" => template(&options, k)?,
            "stripe" => stripe(&options, k)?,
            "lows" => repair(&options, k)?,
            _ => return Err(USAGE.into()),
        }
    }
    Ok(())
}

fn options() -> Option<Options> {
    let mut found = Options {
        family: String::new(),
        count: 1,
        seed: 1000,
        width: None,
        out: PathBuf::new(),
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        match word.as_str() {
            "--family" => found.family = words.next()?,
            "--count" => found.count = words.next()?.parse().ok()?,
            "--seed" => found.seed = words.next()?.parse().ok()?,
            "--width" => found.width = Some(words.next()?.parse().ok()?),
            _ => found.out = PathBuf::from(word),
        }
    }
    (!found.out.as_os_str().is_empty()).then_some(found)
}

fn line(options: &Options, k: u64) -> Result<(), Box<dyn Error>> {
    let seed = options.seed + k;
    let mut rng = Rng::new(seed, 77);
    let kind = draw::LineKind {
        look: [
            draw::LookKind::Tape,
            draw::LookKind::Coat,
            draw::LookKind::Shade,
        ][(k % 3) as usize],
        level: (k / 3).is_multiple_of(2),
        gap: rng.chance(0.3),
        cards: [1, 2, 2, 2, 3][rng.below(5)],
        width: options
            .width
            .unwrap_or(if rng.chance(0.2) { 4032 } else { 2016 }),
    };
    let scene = draw::line_of(seed, &kind);
    let nolens = rng.chance(0.25);
    let (picture, truth) = picture(&scene);
    let name = format!("line-{}", k + 1);
    let lens_file = store(options, &name, &picture, &scene.lens, &scene.develop)?;
    layouts(options, truth.cards.iter().map(|c| &c.layout))?;
    let near = near(&truth, &mut rng, scene.lens.width);
    let truth = line_json(&scene, &truth, &name, &lens_file, nolens, near, &kind);
    write(&options.out.join(format!("{name}.truth.json")), &truth)
}

/// Writes a photo and its lens file, and gives the lens file's name.
fn store(
    options: &Options,
    name: &str,
    picture: &Picture,
    lens: &Lens,
    how: &Develop,
) -> Result<String, Box<dyn Error>> {
    let stored = develop::stored(picture, how.orientation);
    let lens = stored_lens(lens, how.orientation);
    let setting = how.jpeg.unwrap_or(Jpeg {
        quality: 95,
        halved: false,
    });
    let exif = exif::block(&lens, how.orientation);
    let bytes = jpeg::Coded::new(&stored, setting).bytes(Some(&exif));
    fs::write(options.out.join(format!("{name}.jpg")), bytes)?;
    let lens_file = format!("lens-{name}.json");
    write(&options.out.join(&lens_file), &lens_json(&lens))?;
    Ok(lens_file)
}

fn layouts<'a>(
    options: &Options,
    list: impl Iterator<Item = &'a Layout>,
) -> Result<(), Box<dyn Error>> {
    for layout in list {
        write(
            &options.out.join(card_file(&layout.name)),
            &serde_json::to_value(layout)?,
        )?;
    }
    Ok(())
}

/// A set of board photos and the lens they were taken with. Every third set is printed up to 1% off, every fourth bowed.
fn lens(options: &Options, k: u64) -> Result<(), Box<dyn Error>> {
    let seed = options.seed + k;
    let mut rng = Rng::new(seed, 77);
    let width = options.width.unwrap_or(2016);
    let bowed = k % 4 == 3;
    let sag = rng.between(0.3, 0.6) * if rng.chance(0.5) { 1.0 } else { -1.0 };
    let kind = board::Kind {
        photos: 12,
        lens: draw::phone(rng.below(3), width, width * 3 / 4),
        bow_mm: if bowed { sag } else { 0.0 },
        bow_along_x: rng.chance(0.5),
        print_scale: if k % 3 == 2 {
            1.0 + rng.between(-0.01, 0.01)
        } else {
            1.0
        },
    };
    let name = format!("lens-{}", k + 1);
    let mut photos = Vec::new();
    for (i, scene) in board::photos(seed, &kind).iter().enumerate() {
        let photo = format!("{name}-{:02}", i + 1);
        store(
            options,
            &photo,
            &bench::picture(scene),
            &scene.lens,
            &scene.develop,
        )?;
        let cards = bench::cards(scene);
        layouts(options, cards.iter().map(|c| &c.layout))?;
        photos.push(json!({
            "photo": format!("{photo}.jpg"), "usable": true, "inner_corners_px": pixels(&cards[0].inner_px),
        }));
    }
    let group = if bowed {
        "bow"
    } else if k % 3 == 2 {
        "scale"
    } else {
        "small"
    };
    let truth = json!({
        "family": "lens", "seed": seed, "group": group, "width": width, "height": width * 3 / 4,
        "true_lens": lens_json(&kind.lens), "cards": [{"name": "board"}], "photos": photos,
        "bow_mm": kind.bow_mm, "bow_along": if kind.bow_along_x { "x" } else { "y" },
        "print_scale": kind.print_scale,
    });
    write(&options.out.join(format!("{name}.truth.json")), &truth)
}

fn card_json(card: &CardTruth) -> Value {
    json!({
        "name": card.layout.name, "file": card_file(&card.layout.name), "layout": card.layout,
        "corners_px": pixels(&card.corners_px), "inner_px": pixels(&card.inner_px),
    })
}

/// A straightedge photo.
fn straightedge(options: &Options, k: u64) -> Result<(), Box<dyn Error>> {
    use rule::Rests;
    let rests = [Rests::Rocks, Rests::Bridges, Rests::Even][(k % 3) as usize];
    let scene = rule::draw_rule(options.seed + k, rests, options.width.unwrap_or(2016));
    rule_photo(options, k, &scene, &json!({}))
}

/// A straightedge across a swage: as a straightedge, with the swage's radius and turn.
fn across(options: &Options, k: u64) -> Result<(), Box<dyn Error>> {
    let width = options.width.unwrap_or(2016);
    let scene = rule::draw_across(options.seed + k, k % 2 == 1, width);
    let swage = json!({
        "radius_mm": scene.radius_mm, "turn_deg": scene.turn_deg, "form": if scene.root { "concave" } else { "convex" },
    });
    rule_photo(options, k, &scene.rule, &swage)
}

fn rule_photo(
    options: &Options,
    k: u64,
    scene: &rule::RuleScene,
    swage: &Value,
) -> Result<(), Box<dyn Error>> {
    use rule::Rests;
    let name = format!("rule-{}", k + 1);
    let bench = &scene.bench;
    let lens_file = store(
        options,
        &name,
        &bench::picture(bench),
        &bench.lens,
        &bench.develop,
    )?;
    let cards = bench::cards(bench);
    layouts(options, cards.iter().map(|c| &c.layout))?;
    let (s, gap, px) = (&scene.s_mm, &scene.gap_mm, &scene.rule_px);
    let (first, last) = (s[0], s[s.len() - 1]);
    let most = gap.iter().copied().fold(0.0, f64::max);
    let within = s
        .iter()
        .zip(gap)
        .filter(|(s, _)| **s > first + 8.0 && **s < last - 8.0);
    let inner = within.map(|(_, g)| *g).fold(0.0, f64::max);
    let scale = (last - first) / (px[px.len() - 1].0 - px[0].0).norm();
    let rests = match scene.rests {
        Rests::Rocks => "rocks",
        Rests::Bridges => "bridges",
        Rests::Even => "even",
    };
    let truth = json!({
        "family": "rule", "seed": options.seed + k, "group": if scale < 0.2 { "fine" } else { "coarse" },
        "photo": format!("{name}.jpg"), "lens": lens_file, "near": Value::Null,
        "cards": cards.iter().map(card_json).collect::<Vec<_>>(), "mm_per_px": scale, "rests": rests,
        "x_mm": numbers(s, 3), "gap_mm": numbers(gap, 4),
        "flaws_mm": scene.flaws_mm.iter().map(|f| numbers(f, 2)).collect::<Vec<_>>(),
        "rule_px": pixels(px), "panel_px": pixels(&scene.panel_px), "max_gap_mm": [inner, most],
        "swage": swage,
    });
    write(&options.out.join(format!("{name}.truth.json")), &truth)
}

/// A template beside a card.
fn template(options: &Options, k: u64) -> Result<(), Box<dyn Error>> {
    let mut rng = Rng::new(options.seed + k, 77);
    let cut = section::Cut {
        radius_mm: rng.between(5.0f64.ln(), 60.0f64.ln()).exp(),
        turn_deg: rng.between(25.0, 80.0),
        flanks_mm: [rng.between(15.0, 50.0), rng.between(15.0, 50.0)],
        convex: rng.chance(0.5),
        thickness_mm: rng.between(0.5, 2.0),
        rough_mm: rng.between(0.005, 0.04),
        correlation_mm: rng.between(1.0, 3.0),
    };
    let scene = section::draw_section(options.seed + k, cut, options.width.unwrap_or(2016));
    let name = format!("section-{}", k + 1);
    let bench = &scene.bench;
    let lens_file = store(
        options,
        &name,
        &bench::picture(bench),
        &bench.lens,
        &bench.develop,
    )?;
    let cards = bench::cards(bench);
    layouts(options, cards.iter().map(|c| &c.layout))?;
    let truth = json!({
        "family": "section", "seed": options.seed + k, "group": "template", "photo": format!("{name}.jpg"),
        "lens": lens_file, "near": Value::Null, "cards": cards.iter().map(card_json).collect::<Vec<_>>(),
        "thickness_mm": cut.thickness_mm, "form": if cut.convex { "convex" } else { "concave" },
        "radius_mm": cut.radius_mm, "turn_deg": cut.turn_deg, "flanks_mm": cut.flanks_mm,
        "profile_px": pixels(&scene.profile_px), "bound": {"radius_sd_mm": Value::Null},
    });
    write(&options.out.join(format!("{name}.truth.json")), &truth)
}

/// Coat left in the arc of a swage.
fn stripe(options: &Options, k: u64) -> Result<(), Box<dyn Error>> {
    let scene = draw::stripe(options.seed + k, k % 2 == 1, options.width.unwrap_or(2016));
    let (picture, truth) = picture(&scene);
    let name = format!("stripe-{}", k + 1);
    let lens_file = store(options, &name, &picture, &scene.lens, &scene.develop)?;
    layouts(options, truth.cards.iter().map(|c| &c.layout))?;
    let stripe = truth.stripe.ok_or("no card found room in this scene")?;
    let json = json!({
        "family": "stripe", "seed": options.seed + k,
        "group": if scene.panel.root { "root" } else { "crest" },
        "photo": format!("{name}.jpg"), "lens": lens_file,
        "cards": truth.cards.iter().map(card_json).collect::<Vec<_>>(),
        "turn_deg": scene.panel.turn_deg, "root": scene.panel.root,
        "s_mm": numbers(&stripe.s_mm, 3), "r_mm": numbers(&stripe.r_mm, 4),
        "borders_px": stripe.borders_px.each_ref().map(|b| pixels(b)),
        "bow_mm_per_m": scene.panel.bow_mm_per_m,
    });
    write(&options.out.join(format!("{name}.truth.json")), &json)
}

/// A repair after a sanding pass, with its classes as an 8-bit picture in the card's millimetres.
fn repair(options: &Options, k: u64) -> Result<(), Box<dyn Error>> {
    let mut rng = Rng::new(options.seed + k, 77);
    let pass = lows::Pass {
        lows: rng.below(5),
        highs: rng.below(4),
        shrink: 1.0,
        gradient: if k.is_multiple_of(2) {
            rng.between(1.0, 1.5)
        } else {
            rng.between(2.0, 4.0)
        },
    };
    let scene = lows::draw_lows(options.seed + k, &pass, 0, options.width.unwrap_or(2016));
    let name = format!("lows-{}", k + 1);
    let bench = &scene.bench;
    let lens_file = store(
        options,
        &name,
        &bench::picture(bench),
        &bench.lens,
        &bench.develop,
    )?;
    let cards = bench::cards(bench);
    layouts(options, cards.iter().map(|c| &c.layout))?;
    let (origin, cell, width, height) = ([-250.0, -450.0], 0.5, 1300, 1200);
    let map = scene.map(origin, cell, width, height);
    let file = format!("{name}.truth-square.png");
    let picture = image::GrayImage::from_raw(width as u32, height as u32, map.classes)
        .ok_or("a map of that size")?;
    picture.save(options.out.join(&file))?;
    let area = |class| round(scene.area_mm2(class), 1);
    let truth = json!({
        "family": "lows", "seed": options.seed + k, "group": if k.is_multiple_of(2) { "easy" } else { "hard-light" },
        "photo": format!("{name}.jpg"), "lens": lens_file,
        "cards": cards.iter().map(card_json).collect::<Vec<_>>(),
        "map": {"mm_per_px": cell, "origin_mm": origin, "square": file, "seen": file},
        "area": {
            "low_mm2": area(lows::Class::Low), "high_mm2": area(lows::Class::High),
            "level_mm2": area(lows::Class::Level),
        },
    });
    write(&options.out.join(format!("{name}.truth.json")), &truth)
}

/// Two or three taps along the line, good to about a percent of the photo's width, in half of the photos.
fn near(truth: &Truth, rng: &mut Rng, width: usize) -> Value {
    let px = &truth.line.px;
    if rng.chance(0.5) || px.len() < 20 {
        return Value::Null;
    }
    let shares: &[f64] = if rng.chance(0.5) {
        &[0.1, 0.9]
    } else {
        &[0.2, 0.5, 0.8]
    };
    let taps = shares.iter().map(|share| {
        let at = (share * (px.len() - 1) as f64 + rng.between(-0.08, 0.08) * px.len() as f64)
            .max(0.0) as usize;
        let p = px[at.min(px.len() - 1)].0;
        json!([
            round(p.x + 0.004 * width as f64 * rng.normal(), 1),
            round(p.y + 0.004 * width as f64 * rng.normal(), 1)
        ])
    });
    Value::Array(taps.collect())
}

fn write(path: &Path, value: &Value) -> Result<(), Box<dyn Error>> {
    Ok(fs::write(path, serde_json::to_string(value)?)?)
}

fn round(v: f64, digits: i32) -> f64 {
    let scale = 10f64.powi(digits);
    (v * scale).round() / scale
}

fn card_file(name: &str) -> String {
    format!("card-{name}.json")
}

fn lens_json(lens: &Lens) -> Value {
    json!({
        "model": "brown-conrady", "width": lens.width, "height": lens.height, "fx": lens.fx, "fy": lens.fy,
        "cx": lens.cx, "cy": lens.cy, "k1": lens.k1, "k2": lens.k2, "p1": lens.p1, "p2": lens.p2, "k3": lens.k3,
    })
}

fn pixels(list: &[Px]) -> Value {
    list.iter()
        .map(|p| json!([round(p.0.x, 3), round(p.0.y, 3)]))
        .collect()
}

fn numbers(list: &[f64], digits: i32) -> Value {
    list.iter().map(|&v| json!(round(v, digits))).collect()
}

fn line_json(
    scene: &Scene,
    truth: &Truth,
    name: &str,
    lens_file: &str,
    nolens: bool,
    near: Value,
    kind: &draw::LineKind,
) -> Value {
    let look = match scene.look {
        Look::Tape { .. } => "tape",
        Look::Coat(_) => "coat",
        Look::Shade => "shade",
        Look::Stripe(_) => "stripe",
    };
    let level = if kind.level { "level" } else { "off" };
    let mut line = json!({
        "px": pixels(&truth.line.px),
        "s_mm": numbers(&truth.line.s_mm, 3),
        "y_mm": numbers(&truth.line.y_mm, 4),
        "segments": truth.line.segments,
    });
    if let Some(edge) = &truth.line.edge_off_mm {
        line["edge_off_mm"] = numbers(edge, 4);
    }
    let cards: Vec<Value> = truth
        .cards
        .iter()
        .map(|c| {
            json!({
                "layout": c.layout, "file": card_file(&c.layout.name),
                "corners_px": pixels(&c.corners_px), "inner_px": pixels(&c.inner_px),
            })
        })
        .collect();
    let rows: Vec<Vec<f64>> = truth
        .camera_from_panel
        .row_iter()
        .map(|r| r.iter().copied().collect())
        .collect();
    let mut out = json!({
        "family": "line", "seed": scene.surface_seed,
        "group": format!("{look}-{level}{}", if truth.gap.is_some() { "-gap" } else { "" }),
        "photo": format!("{name}.jpg"), "width": scene.lens.width, "height": scene.lens.height,
        "lens": lens_file, "nolens": nolens, "exif_orientation": scene.develop.orientation,
        "look": look, "level": kind.level, "elevation_deg": scene.pose.elevation_deg, "yaw_deg": scene.pose.yaw_deg,
        "distance_mm": scene.pose.distance_mm, "px_per_mm": truth.px_per_mm, "near": near, "cards": cards,
        "stiff_cards": scene.cards.iter().any(|c| c.stiff),
        "camera": {
            "frame": "panel: x right, y down, z into the panel, mm",
            "R_panel_to_camera": rows, "centre": [truth.centre.x, truth.centre.y, truth.centre.z],
        },
        "line": line, "bow_mm_per_m": scene.panel.bow_mm_per_m, "turn_deg": scene.panel.turn_deg,
        "radius_mm": scene.panel.radius_mm, "arc_width_mm": truth.arc_width_mm,
        "outliers_s_mm": truth.chips_s_mm.iter().map(|c| numbers(c, 2)).collect::<Vec<_>>(),
        "scene": format!("{scene:?}"),
    });
    if let Some(gap) = &truth.gap {
        let lines: Vec<Value> = gap
            .from_lines
            .iter()
            .map(
                |f| json!({"reach_mm": f.reach_mm, "step_mm": f.step_mm, "angle_deg": f.angle_deg}),
            )
            .collect();
        out["gap"] = json!({
            "at_mm": gap.at_s_mm, "width_mm": gap.drawn.width_mm, "step_mm": gap.drawn.step_mm,
            "angle_deg": gap.drawn.angle_deg, "from_lines": lines,
        });
    }
    out
}
