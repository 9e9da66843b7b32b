//! Writes made-up photos with their truth, for trying the program on photos it has not seen.
//!
//! `cargo run --release --example make_scene -- --family line --count 24 --seed 1000 OUT_DIR`
//!
//! Each photo `line-N.jpg` has `line-N.truth.json` beside it, with its lens file and its cards' layout files.

use fairpanel::lens::Lens;
use fairpanel::sim::camera::stored_lens;
use fairpanel::sim::random::Rng;
use fairpanel::sim::scene::{Jpeg, Look, Scene};
use fairpanel::sim::{Truth, develop, draw, exif, jpeg, picture};
use serde_json::{Value, json};
use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

const USAGE: &str = "make_scene --family line [--count N] [--seed S] [--width PX] OUT_DIR";

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
        level: (k / 3) % 2 == 0,
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
    let orientation = scene.develop.orientation;
    let stored = develop::stored(&picture, orientation);
    let lens = stored_lens(&scene.lens, orientation);
    let setting = scene.develop.jpeg.unwrap_or(Jpeg {
        quality: 95,
        halved: false,
    });
    let bytes = jpeg::Coded::new(&stored, setting).bytes(Some(&exif::block(&lens, orientation)));
    fs::write(options.out.join(format!("{name}.jpg")), bytes)?;
    let lens_file = format!("lens-{name}.json");
    write(&options.out.join(&lens_file), &lens_json(&lens))?;
    for card in &scene.cards {
        write(
            &options.out.join(card_file(&card.layout.name)),
            &serde_json::to_value(&card.layout)?,
        )?;
    }
    let near = near(&truth, &mut rng, scene.lens.width);
    let truth = line_json(&scene, &truth, &name, &lens_file, nolens, near, &kind);
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

fn pixels(list: &[fairpanel::units::Px]) -> Value {
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
