//! The built program on several photos of one thing: two sides compared, a long line joined, a straightedge turned over, a lens.

use crate::cli::{code, err, json, refused, run, text};
use crate::scratch::Scratch;
use crate::shots::{of_bench, of_scene};
use fairpanel::sim::draw::{LookKind, long_swage, phone};
use fairpanel::sim::helped::{Change, lacking};
use fairpanel::sim::rule::{Rests, draw_rule};
use fairpanel::sim::scene::Dent;
use fairpanel::sim::section::{Cut, draw_section};
use fairpanel::sim::{Scene, board};
use serde_json::Value;
use std::f64::consts::PI;
use std::path::Path;

fn number(answer: &Value, path: &[&str]) -> f64 {
    let found = path.iter().fold(answer, |v, key| &v[key]);
    found
        .as_f64()
        .unwrap_or_else(|| panic!("no number at {path:?}"))
}

fn answer(arguments: &[&str]) -> Value {
    let output = run(&[arguments, &["--json"]].concat());
    assert!(code(&output) < 2, "{arguments:?}: {}", err(&output));
    json(&output)
}

/// The sentence that answers 'is this side like the other?'.
fn sentence(answer: &Value) -> &str {
    answer["answer"].as_str().expect("a sentence")
}

/// A line and, mirrored, the other side of the car: sin(a - x) is sin(x + pi - a) the other way round.
fn both_sides() -> [Scene; 2] {
    let left = lacking(Change::Lens, 3).scene;
    let mut right = left.clone();
    right.photo_seed += 5;
    right.pose.yaw_deg = -4.0;
    for wave in &mut right.panel.waves {
        wave.phase = PI - wave.phase;
    }
    [left, right]
}

#[test]
fn two_photos_of_a_line_on_both_sides_of_the_car() {
    let scratch = Scratch::new();
    let [left, mut right] = both_sides();
    let a = of_scene(&scratch, "left", &left);
    let b = of_scene(&scratch, "right", &right);
    let alike = answer(&["partner", text(&a), text(&b), "--mirrored"]);
    assert!(sentence(&alike).starts_with("Yes"), "{}", sentence(&alike));
    assert_eq!(alike["kind"], "line");
    // A hump of 2 mm on one side only, 150 mm right of the middle: seen from the left side 300 mm along a line of 900.
    right.panel.dents.push(Dent {
        height_mm: 2.0,
        at_mm: 150.0,
        sigma_mm: 25.0,
    });
    let c = of_scene(&scratch, "dented", &right);
    let folder = scratch.path().join("out");
    let arguments = [
        "partner",
        text(&a),
        text(&c),
        "--mirrored",
        "--tol",
        "0.5",
        "--out",
        text(&folder),
    ];
    let differ = answer(&arguments);
    assert!(
        sentence(&differ).starts_with("Not"),
        "{}",
        sentence(&differ)
    );
    assert!((number(&differ, &["max_at_mm"]) - 300.0).abs() < 40.0);
    let (size, u95) = (
        number(&differ, &["max_mm", "value"]),
        number(&differ, &["max_mm", "u95"]),
    );
    assert!((size - 2.0).abs() < u95 + 0.3, "{size} ± {u95}");
    assert_eq!(differ["verdict"]["result"], "outside");
    for name in ["partner.png", "partner.svg", "result.json"] {
        assert!(folder.join(name).exists(), "{name}");
    }
}

#[test]
fn two_straightedges_as_photos_and_as_results() {
    let scratch = Scratch::new();
    let first = draw_rule(10, Rests::Bridges, 1512).bench;
    let mut second = first.clone();
    second.photo_seed += 1;
    second.pose.yaw_deg += 3.0;
    let other = draw_rule(15, Rests::Rocks, 1512).bench;
    let photos = [("a", &first), ("b", &second), ("c", &other)]
        .map(|(name, bench)| of_bench(&scratch, name, bench));
    let [a, b, c] = photos.each_ref().map(|p| text(p));
    let alike = answer(&["partner", a, b, "--next", "--check", "straightedge"]);
    assert!(sentence(&alike).starts_with("Yes"), "{}", sentence(&alike));
    assert_eq!(alike["kind"], "straightedge");
    let results = ["a", "c"].map(|name| scratch.path().join(name));
    for (photo, folder) in [a, c].into_iter().zip(&results) {
        answer(&["straightedge", photo, "--out", text(folder)]);
    }
    let files = results.map(|folder| folder.join("result.json"));
    // A hollow and a crown.
    let differ = answer(&["partner", text(&files[0]), text(&files[1]), "--next"]);
    assert!(
        sentence(&differ).starts_with("Not"),
        "{}",
        sentence(&differ)
    );
    assert!(
        sentence(&differ).contains("filler"),
        "{}",
        sentence(&differ)
    );
    // Turned over: a sound straightedge tells no error of its own.
    let turned = answer(&["straightedge", a, "--turned", b]);
    assert!(!turned["turned"].is_null());
    assert_eq!(turned["rests"], "bridges");
    let plain = answer(&["straightedge", a]);
    let (one, two) = (
        number(&plain, &["max_gap_mm", "value"]),
        number(&turned, &["max_gap_mm", "value"]),
    );
    let u95 = number(&plain, &["max_gap_mm", "u95"]) + number(&turned, &["max_gap_mm", "u95"]);
    assert!((one - two).abs() < u95, "{one} and {two}, ± {u95}");
    refused(&["straightedge", a, b, "--turned", c], 2, &["--turned"]);
    refused(
        &["partner", text(&files[0]), "no-such.jpg"],
        3,
        &["no-such"],
    );
}

#[test]
fn two_sections_as_photos_and_as_results() {
    let scratch = Scratch::new();
    let cut = |radius_mm: f64| Cut {
        radius_mm,
        turn_deg: 50.0,
        flanks_mm: [30.0, 24.0],
        convex: true,
        thickness_mm: 1.0,
        rough_mm: 0.01,
        correlation_mm: 1.5,
    };
    // The last is of a larger radius: the corner is cut back by (R - r)(1/cos 25° - 1) = 1.0 mm.
    let shots = [("a", 3, 8.0), ("b", 4, 8.0), ("c", 5, 18.0)].map(|(name, seed, radius)| {
        of_bench(&scratch, name, &draw_section(seed, cut(radius), 1512).bench)
    });
    let [a, b, c] = shots.each_ref().map(|p| text(p));
    let same = ["--check", "section", "--thickness", "1"];
    let alike = answer(&[&["partner", a, b, "--next"], &same[..]].concat());
    assert!(sentence(&alike).starts_with("Yes"), "{}", sentence(&alike));
    assert_eq!(alike["kind"], "section");
    let folders = [a, c].map(|photo| {
        let folder = scratch.path().join(format!(
            "of-{}",
            Path::new(photo).file_stem().expect("a name").display()
        ));
        answer(&["section", photo, "--thickness", "1", "--out", text(&folder)]);
        folder.join("result.json")
    });
    let differ = answer(&["partner", text(&folders[0]), text(&folders[1]), "--next"]);
    assert!(
        sentence(&differ).starts_with("Not"),
        "{}",
        sentence(&differ)
    );
    assert!(
        sentence(&differ).contains("prouder") || sentence(&differ).contains("deeper"),
        "{}",
        sentence(&differ)
    );
    refused(
        &["partner", text(&folders[0]), a],
        3,
        &["same check", "line", "faint"],
    );
}

#[test]
fn a_long_line_is_joined_from_three_photos() {
    let scratch = Scratch::new();
    let scenes = long_swage(41_000, LookKind::Tape, 1512);
    let photos: Vec<_> = scenes
        .iter()
        .enumerate()
        .map(|(k, scene)| of_scene(&scratch, &format!("sill-{k}"), scene))
        .collect();
    let [a, b, c] = [0, 1, 2].map(|k| text(&photos[k]));
    let long = answer(&["line", "--join", b, a, c]);
    let length = number(&long, &["line", "length_mm"]);
    assert!((length - 3000.0).abs() < 30.0, "{length}");
    assert_eq!(long["joined"].as_array().expect("photos").len(), 3);
    assert_eq!(long["overlap"].as_array().expect("overlaps").len(), 2);
    // The two ends share no card.
    refused(&["line", "--join", a, c], 3, &["shares no card"]);
}

#[test]
fn a_lens_file_is_made_and_used() {
    let scratch = Scratch::new();
    let kind = board::Kind {
        photos: 8,
        lens: phone(1, 1008, 756),
        bow_mm: 0.4,
        bow_along_x: true,
        print_scale: 1.008,
    };
    let mut photos: Vec<_> = board::photos(6, &kind)
        .iter()
        .enumerate()
        .map(|(k, scene)| of_bench(&scratch, &format!("board-{k}"), scene))
        .collect();
    photos.push(scratch.file("notes.jpg", b"not a photo"));
    let folder = scratch.path().join("phone");
    let mut arguments = vec!["lens"];
    arguments.extend(photos.iter().map(|p| text(p)));
    arguments.extend(["--out", text(&folder)]);
    let lens = answer(&arguments);
    // 0.1% of the focal length is a tenth of a millimetre in a hundred.
    assert!((number(&lens, &["fx"]) / kind.lens.fx - 1.0).abs() < 1e-3);
    let uses = lens["photos"].as_array().expect("photos");
    assert_eq!(uses.len(), 9);
    assert_eq!(uses[8]["used"], false);
    assert!(uses[8]["why"].is_string());
    for name in ["lens.json", "lens.yml", "coverage.png", "result.json"] {
        assert!(folder.join(name).exists(), "{name}");
    }
    // Both forms of the file are taken.
    let mut scene = lacking(Change::Lens, 1).scene;
    scene.lens = kind.lens;
    let line = of_scene(&scratch, "line", &scene);
    let without = answer(&["line", text(&line)]);
    let wide = number(&without, &["line", "straightness_mm", "u95"]);
    for name in ["lens.json", "lens.yml"] {
        let with = answer(&["line", text(&line), "--lens", text(&folder.join(name))]);
        assert_eq!(with["lens"], true);
        assert!(number(&with, &["line", "straightness_mm", "u95"]) < wide);
    }
    refused(&["lens", text(&photos[0])], 3, &["needed"]);
}
