//! Registration against general libraries on the same points, and two sides of known difference.

use fairpanel::check::Head;
use fairpanel::check::partner::{Kind, Lay, PartnerOptions, SideCurve, measure};
use fairpanel::fit::register::{RegisterOptions, Rigid, Target, register};
use nalgebra::{Point2, Vector2};
use serde_json::Value;

fn points(value: &Value) -> Vec<Point2<f64>> {
    let list = value.as_array().expect("points").iter();
    list.map(|p| Point2::new(p[0].as_f64().expect("x"), p[1].as_f64().expect("y")))
        .collect()
}

/// scipy 1.17.1 with shapely 2.2.0 (least squares of distances to the polyline) and trimesh 5.2.0 (its ICP), by
/// fixtures/register/general.py. trimesh goes from point to point and stops a hundredth of a millimetre short along the flanks.
#[test]
fn registers_as_general_libraries_do() {
    let all: Value =
        serde_json::from_str(include_str!("../../fixtures/register/general.json")).expect("JSON");
    let target = Target::new(&points(&all["target"])).expect("a polyline");
    let source = points(&all["source"]);
    let options = RegisterOptions {
        keep: 1.0,
        ..RegisterOptions::default()
    };
    let found = register(&target, &source, Rigid::identity(), &options).expect("an answer");
    for (library, turn, shift) in [("scipy", 2e-4, 4e-3), ("trimesh", 1e-3, 0.03)] {
        let theirs = &all[library];
        let d_turn = found.rigid.turn_rad - theirs["turn_rad"].as_f64().expect("a turn");
        let x = theirs["shift"][0].as_f64().expect("x");
        let y = theirs["shift"][1].as_f64().expect("y");
        let d_shift = (found.rigid.shift - Vector2::new(x, y)).norm();
        assert!(
            d_turn.abs() < turn && d_shift < shift,
            "{library}: {d_turn} rad, {d_shift} mm"
        );
    }
    let rms = all["scipy"]["rms"].as_f64().expect("rms");
    assert!((found.rms - rms).abs() < 1e-3, "{} and {rms}", found.rms);
}

/// A tenth of the source displaced: left out, the move as without.
#[test]
fn a_dent_on_one_side_is_trimmed() {
    let curve: Vec<Point2<f64>> = (0..200)
        .map(|k| Point2::new(5.0 * f64::from(k), 2.0 * (f64::from(k) / 25.0).sin()))
        .collect();
    let target = Target::new(&curve).expect("a polyline");
    let source: Vec<Point2<f64>> = (20..180)
        .map(|k| {
            let p = curve[k];
            let dent = if (60..72).contains(&k) { 1.5 } else { 0.0 };
            Point2::new(p.x + 1.0, p.y + dent + 0.4)
        })
        .collect();
    let found = register(
        &target,
        &source,
        Rigid::identity(),
        &RegisterOptions::default(),
    )
    .expect("an answer");
    assert!(found.kept[44..48].iter().all(|k| !k));
    let middle = found.rigid.apply(source[80]);
    assert!((middle - curve[100]).norm() < 0.05, "{middle}");
}

fn side(kind: Kind, mirror: bool, lower_mm: f64) -> SideCurve {
    // A line of 800 mm with a wave; from 300 to 420 mm the second runs lower.
    let mut points: Vec<[f64; 2]> = (0..401)
        .map(|k| {
            let s = 2.0 * f64::from(k);
            let bump = (-((s - 360.0) / 25.0).powi(2)).exp();
            [
                s,
                0.8 * (s / 90.0).sin() + 4.0 * (s / 800.0).powi(2) + lower_mm * bump,
            ]
        })
        .collect();
    if mirror {
        points.reverse();
        for p in &mut points {
            p[0] = 800.0 - p[0];
        }
    }
    SideCurve {
        kind,
        head: Head {
            schema: "fairpanel/1".into(),
            check: "line".into(),
            photo: "side".into(),
            card: Vec::new(),
            lens: true,
            mm_per_px: 0.5,
            warnings: Vec::new(),
            budget: Vec::new(),
            verdict: None,
        },
        u95_mm: vec![0.1; points.len()],
        points,
        gaps_mm: Vec::new(),
        size_u95: 0.0,
        material: None,
    }
}

/// What differs is found where and as large as it was made, mirrored or not, and the answer says what to do.
#[test]
fn finds_what_differs() {
    for mirror in [false, true] {
        for lay in [if mirror { Lay::Mirrored } else { Lay::AsIs }, Lay::Better] {
            let options = PartnerOptions {
                lay,
                tol_mm: Some(0.5),
            };
            let (a, b) = (side(Kind::Line, false, 0.0), side(Kind::Line, mirror, 1.2));
            let got = measure(&a, &b, &options).expect("an answer");
            assert_eq!(got.mirrored, mirror);
            assert!(
                (got.max_mm.value - 1.2).abs() < got.max_mm.u95,
                "{:?}",
                got.max_mm
            );
            assert!((got.max_at_mm - 360.0).abs() < 15.0, "{}", got.max_at_mm);
            assert!(
                got.answer.contains("lower") && got.answer.starts_with("Not"),
                "{}",
                got.answer
            );
            let verdict = got.head.verdict.expect("a verdict");
            assert_eq!(format!("{:?}", verdict.result), "Outside");
        }
    }
    let options = PartnerOptions {
        lay: Lay::AsIs,
        tol_mm: Some(0.5),
    };
    let same = measure(
        &side(Kind::Line, false, 0.0),
        &side(Kind::Line, false, 0.0),
        &options,
    )
    .expect("an answer");
    assert!(same.answer.starts_with("Yes"), "{}", same.answer);
    assert!(same.max_mm.value < 0.01);
}

#[test]
fn two_kinds_are_not_compared() {
    let options = PartnerOptions {
        lay: Lay::AsIs,
        tol_mm: None,
    };
    let (a, b) = (
        side(Kind::Line, false, 0.0),
        side(Kind::Section, false, 0.0),
    );
    let why = measure(&a, &b, &options)
        .expect_err("two kinds")
        .to_string();
    assert!(why.contains("same check"), "{why}");
    let mut short = side(Kind::Line, false, 0.0);
    short.points.truncate(3);
    assert!(measure(&short, &a, &options).is_err());
}
