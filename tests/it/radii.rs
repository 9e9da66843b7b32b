//! `radii` and `gauge` as a user runs them.

use crate::scratch::Scratch;
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};

fn run(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fairpanel"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(arguments)
        .output()
        .expect("the program starts")
}

fn check(arguments: &[&str], code: i32) -> Output {
    let output = run(arguments);
    let reason = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(code), "{arguments:?}: {reason}");
    if code > 1 {
        assert!(output.stdout.is_empty(), "{arguments:?}");
        assert!(
            reason.len() < 600 && !reason.contains("panicked"),
            "{reason}"
        );
    }
    output
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).expect("one JSON document on stdout")
}

const TABLE: &str = "examples/stations.csv";

#[test]
fn the_demo_table_makes_a_plan_and_a_shop_sheet() {
    let scratch = Scratch::new();
    let folder = scratch.path().join("out");
    let folder = folder.to_str().expect("a path in Unicode");
    let output = check(
        &[
            "radii",
            TABLE,
            "--turn",
            "38",
            "--tools",
            "examples/tools.json",
            "--tol",
            "0.1",
            "--out",
            folder,
            "--json",
        ],
        // A miss of 0.087 ± 0.029 mm can't be told from 0.1 mm.
        1,
    );
    let answer = json(&output);
    assert_eq!(answer["schema"], "fairpanel/1");
    assert_eq!(answer["check"], "radii");
    let zones = answer["zones"].as_array().expect("zones");
    assert_eq!(zones[0]["from_mm"], 0.0);
    assert_eq!(zones[zones.len() - 1]["to_mm"], 840.0);
    assert!(zones.iter().all(|z| z["tool"].is_string()));
    // The station at 480 mm was drawn off the rest.
    let odd: Vec<f64> = answer["stations"]
        .as_array()
        .expect("stations")
        .iter()
        .filter(|s| s["odd"] == true)
        .filter_map(|s| s["s_mm"].as_f64())
        .collect();
    assert_eq!(odd, [480.0]);
    for name in ["result.json", "shop-sheet.pdf", "plot.png", "plot.svg"] {
        assert!(Path::new(folder).join(name).exists(), "{name}");
    }
    let sheet = std::fs::read(Path::new(folder).join("shop-sheet.pdf")).expect("the sheet");
    let document = lopdf::Document::load_mem(&sheet).expect("a PDF");
    assert_eq!(document.get_pages().len(), 1);
    let words = document.extract_text(&[1]).expect("words");
    assert!(
        words.contains("Swage radii") && words.contains("Gauges"),
        "{words}"
    );
}

#[test]
fn a_tolerance_no_tool_keeps_is_outside() {
    let output = check(
        &["radii", TABLE, "--turn", "80", "--tol", "0.01", "--json"],
        1,
    );
    let answer = json(&output);
    assert_eq!(answer["verdict"]["result"], "outside");
    let bare = answer["zones"].as_array().expect("zones");
    assert!(bare.iter().any(|z| z["tool"].is_null()));
}

#[test]
fn wrong_usage_and_wrong_files_are_told_apart() {
    check(&["radii", TABLE], 2);
    check(&["radii", TABLE, "--turn", "200"], 2);
    check(&["radii", TABLE, TABLE, "--turn", "40"], 2);
    check(&["radii", TABLE, "--turn", "40", "--at", "1,2"], 2);
    check(&["radii", "no-such.csv", "--turn", "40"], 3);
    check(
        &["radii", TABLE, "--turn", "40", "--tools", "no-such.json"],
        3,
    );
    check(&["radii", "examples/phone-lens.json"], 3);
    check(
        &[
            "radii",
            "examples/swage.jpg",
            "--turn",
            "40",
            "--card",
            "board",
        ],
        3,
    );
    check(&["gauge", "set", "--radii", "9-3"], 2);
    check(&["gauge", "line", "examples/phone-lens.json"], 3);
}

#[test]
fn sections_are_stations() {
    let scratch = Scratch::new();
    let mut files = Vec::new();
    for (name, r) in [("a", 8.0), ("b", 9.0), ("c", 10.1)] {
        let path = scratch.path().join(format!("{name}.json"));
        let answer = serde_json::json!({
            "schema": "fairpanel/1", "check": "section", "form": "convex",
            "radius_mm": {"value": r, "u95": 0.2}, "turn_deg": {"value": 44.0, "u95": 0.5},
        });
        std::fs::write(&path, answer.to_string()).expect("a file");
        files.push(path.to_str().expect("a path in Unicode").to_string());
    }
    let output = check(
        &[
            "radii",
            &files[0],
            &files[1],
            &files[2],
            "--at",
            "0,200,400",
            "--json",
        ],
        0,
    );
    let answer = json(&output);
    assert_eq!(answer["turn_deg"], 44.0);
    assert_eq!(answer["stations"].as_array().map(Vec::len), Some(3));
    check(&["radii", &files[0], &files[1], "--at", "0"], 2);
    check(&["radii", &files[0], &files[1]], 3);
}
