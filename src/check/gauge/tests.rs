//! True size, proved by reading the written files back with readers that share no code with the writers: lopdf 0.47,
//! dxf 0.6, stl_io 0.11, roxmltree 0.21.

use super::*;
use crate::sheet::readback::{self, Loop, Seen};
use crate::sheet::{Drawing, Paper, dxf, pdf, stl, svg};
use ::dxf::entities::EntityType;
use std::collections::HashMap;

/// A print is cut to a tenth of a millimetre; a hundredth is what must come back.
const TRUE_MM: f64 = 0.01;

fn gauges(radii: &[f64], turn_deg: f64, paper: Paper) -> Nested {
    let mark = Mark {
        job: "left door".into(),
        station: "420".into(),
    };
    let pieces = set(radii, turn_deg, FLANK_MM, &mark).unwrap();
    nest(
        &pieces,
        "Radius gauges",
        &["Print at 100%.".into()],
        paper,
        3.0,
    )
    .unwrap()
}

fn pages(nested: &Nested) -> Vec<Seen> {
    readback::pdf(&pdf::bytes("Radius gauges", &nested.pages).unwrap())
}

/// The circle through three places: centre and radius.
fn circle(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> ([f64; 2], f64) {
    let d = 2.0 * (a[0] * (b[1] - c[1]) + b[0] * (c[1] - a[1]) + c[0] * (a[1] - b[1]));
    let square = |p: [f64; 2]| p[0] * p[0] + p[1] * p[1];
    let x = (square(a) * (b[1] - c[1]) + square(b) * (c[1] - a[1]) + square(c) * (a[1] - b[1])) / d;
    let y = (square(a) * (c[0] - b[0]) + square(b) * (a[0] - c[0]) + square(c) * (b[0] - a[0])) / d;
    ([x, y], (a[0] - x).hypot(a[1] - y))
}

/// The middle of a Bézier curve of four places.
fn middle(p: &[[f64; 2]]) -> [f64; 2] {
    std::array::from_fn(|i| (p[0][i] + 3.0 * p[1][i] + 3.0 * p[2][i] + p[3][i]) / 8.0)
}

/// Parting lines of a page: open, five places and more, ends level.
fn parting(page: &Seen) -> Vec<Loop> {
    let mut found: Vec<Loop> = page
        .stroked
        .iter()
        .map(|(l, _)| l.clone())
        .filter(|l| l.len() >= 6 && (l[0][1] - l[l.len() - 1][1]).abs() < 1e-3)
        .collect();
    found.sort_by(|a, b| (a[0][1], a[0][0]).partial_cmp(&(b[0][1], b[0][0])).unwrap());
    found
}

/// Radius, and chord 2 r sin(turn/2) between the tangent points, of every gauge of a set, on all three papers.
#[test]
fn gauges_in_the_pdf_have_their_radius() {
    let radii = [3.0, 5.5, 8.0, 12.7, 25.0];
    for paper in [Paper::A4, Paper::Letter, Paper::A3] {
        let nested = gauges(&radii, 38.0, paper);
        let mut seen = Vec::new();
        for page in pages(&nested) {
            for line in parting(&page) {
                // Flank, one curve of up to 45°, flank: start, tangent, two handles, tangent, end.
                assert_eq!(line.len(), 6);
                let (_, r) = circle(line[1], middle(&line[1..5]), line[4]);
                let chord = (line[4][0] - line[1][0]).hypot(line[4][1] - line[1][1]);
                assert!((chord - 2.0 * r * 19f64.to_radians().sin()).abs() < TRUE_MM);
                let flank = (line[1][0] - line[0][0]).hypot(line[1][1] - line[0][1]);
                assert!((flank - FLANK_MM).abs() < TRUE_MM, "{flank}");
                seen.push(r);
            }
        }
        seen.sort_by(f64::total_cmp);
        assert_eq!(seen.len(), radii.len());
        for (a, b) in seen.iter().zip(radii) {
            assert!((a - b).abs() < TRUE_MM, "{a} {b}");
        }
    }
}

#[test]
fn every_page_has_both_check_bars_and_nothing_outside_the_paper() {
    let radii: Vec<f64> = (0..60).map(|i| 3.0 + 0.5 * f64::from(i)).collect();
    for paper in [Paper::A4, Paper::Letter, Paper::A3] {
        let nested = gauges(&radii, 45.0, paper);
        for page in pages(&nested) {
            let bar = |axis: usize| {
                page.stroked.iter().any(|(l, _)| {
                    l.len() == 2
                        && (l[1][1 - axis] - l[0][1 - axis]).abs() < 1e-3
                        && ((l[1][axis] - l[0][axis]).abs() - 100.0).abs() < TRUE_MM
                })
            };
            assert!(bar(0) && bar(1));
            for (l, _) in &page.stroked {
                let [x0, y0, x1, y1] = readback::extent(l);
                // No printer reaches the last 4 mm (common practice, no source).
                assert!(
                    x0 >= 4.0
                        && y0 >= 4.0
                        && x1 <= page.width_mm - 4.0
                        && y1 <= page.height_mm - 4.0
                );
            }
            assert!(page.words.contains("OUTSIDE") && page.words.contains("INSIDE"));
            assert!(page.words.contains("left door") && page.words.contains("420"));
        }
    }
}

/// Pieces neither overlap each other nor the check bars.
#[test]
fn pieces_keep_apart() {
    let radii: Vec<f64> = (0..90).map(|i| 3.0 + 0.5 * f64::from(i)).collect();
    let nested = gauges(&radii, 45.0, Paper::A4);
    for page in pages(&nested) {
        let frames: Vec<[f64; 4]> = page
            .stroked
            .iter()
            .filter(|(l, _)| (4..=5).contains(&l.len()))
            .map(|(l, _)| (l, readback::extent(l)))
            .filter(|(l, e)| {
                let on = |v: f64, a: f64, b: f64| (v - a).abs().min((v - b).abs()) < 1e-3;
                l.iter()
                    .all(|p| on(p[0], e[0], e[2]) && on(p[1], e[1], e[3]))
            })
            .map(|(_, e)| e)
            .collect();
        assert!(!frames.is_empty());
        for (i, a) in frames.iter().enumerate() {
            for b in &frames[..i] {
                let apart = a[2] < b[0] || b[2] < a[0] || a[3] < b[1] || b[3] < a[1];
                assert!(apart, "{a:?} {b:?}");
            }
            // The bars' corner, 8 mm in.
            assert!(a[0] > 8.0 + 3.2 && a[3] < page.height_mm - 8.0 - 3.2);
        }
    }
}

#[test]
fn arcs_stay_arcs_in_the_dxf() {
    let nested = gauges(&[4.0, 9.0], 50.0, Paper::A4);
    let file = dxf::bytes(&nested.drawing).unwrap();
    let read = ::dxf::Drawing::load(&mut std::io::Cursor::new(file)).unwrap();
    let mut radii: Vec<f64> = Vec::new();
    for entity in read.entities() {
        if let EntityType::Arc(arc) = &entity.specific {
            assert_eq!(entity.common.layer, "CUT");
            let sweep = (arc.end_angle - arc.start_angle).rem_euclid(360.0);
            assert!((sweep - 50.0).abs() < 1e-4, "{sweep}");
            radii.push(arc.radius);
        }
        if let EntityType::Text(_) = &entity.specific {
            assert_eq!(entity.common.layer, "NOTE");
        }
    }
    radii.sort_by(f64::total_cmp);
    assert_eq!(radii.len(), 2);
    assert!((radii[0] - 4.0).abs() < 1e-5 && (radii[1] - 9.0).abs() < 1e-5);
}

/// The mesh that stl_io reads is closed, and its volume is that of both parts of the leaf.
#[test]
fn solids_are_watertight() {
    let nested = gauges(&[6.0], 60.0, Paper::A4);
    let file = stl::bytes("Radius gauges", &nested.solids).unwrap();
    let mesh = stl_io::read_stl(&mut std::io::Cursor::new(&file)).unwrap();
    mesh.validate().unwrap();
    let mut edges: HashMap<(usize, usize), u32> = HashMap::new();
    let mut volume = 0.0;
    for face in &mesh.faces {
        let v = face.vertices.map(|i| mesh.vertices[i]);
        let [a, b, c] = v.map(|p| [f64::from(p[0]), f64::from(p[1]), f64::from(p[2])]);
        volume += (a[0] * (b[1] * c[2] - b[2] * c[1]) - a[1] * (b[0] * c[2] - b[2] * c[0])
            + a[2] * (b[0] * c[1] - b[1] * c[0]))
            / 6.0;
        for k in 0..3 {
            let (p, q) = (face.vertices[k], face.vertices[(k + 1) % 3]);
            *edges.entry((p.min(q), p.max(q))).or_default() += 1;
        }
    }
    assert!(edges.values().all(|n| *n == 2));
    let pieces = set(&[6.0], 60.0, FLANK_MM, &Mark::default()).unwrap();
    let whole = pieces[0].width_mm * pieces[0].height_mm * 3.0;
    assert!((volume - whole).abs() < 1e-3 * whole, "{volume} {whole}");
}

/// A block's face is the swage's radius less (root) or plus (crest) what lies between.
#[test]
fn blocks_leave_room_for_paper_and_pad() {
    for (root, expected) in [(true, 8.6), (false, 15.4)] {
        let piece = block(&Block {
            radius_mm: 12.0,
            turn_deg: 40.0,
            paper_mm: 0.4,
            pad_mm: 3.0,
            root,
            mark: Mark::default(),
        })
        .unwrap();
        let nested = nest(&[piece], "Block", &[], Paper::A4, 3.0).unwrap();
        let page = &pages(&nested)[0];
        let mut found: Vec<f64> = page
            .stroked
            .iter()
            .filter(|(l, _)| l.len() >= 6)
            .map(|(l, _)| circle(l[1], middle(&l[1..5]), l[4]).1)
            .collect();
        found.sort_by(f64::total_cmp);
        // The face and the dashed line of the paper.
        assert_eq!(found.len(), 2);
        let face = if root { found[0] } else { found[1] };
        let paper = if root { found[1] } else { found[0] };
        assert!(
            (face - expected).abs() < TRUE_MM && (paper - 12.0).abs() < TRUE_MM,
            "{found:?}"
        );
    }
    let none = block(&Block {
        radius_mm: 3.0,
        turn_deg: 40.0,
        paper_mm: 0.4,
        pad_mm: 3.0,
        root: true,
        mark: Mark::default(),
    });
    assert!(matches!(none, Err(GaugeError::TooThick { .. })));
}

/// A measured profile comes back at the size it has, wherever it lay and whichever way up.
#[test]
fn measured_profiles_keep_their_size() {
    let wanted = Profile::wanted(8.0, 45.0, 20.0).unwrap();
    let places = wanted.path.flattened(0.002);
    for (turn, flip) in [(0.3f64, 1.0), (2.1, -1.0)] {
        let (sin, cos) = turn.sin_cos();
        let points: Vec<[f64; 2]> = places
            .iter()
            .map(|p| {
                let y = p.y * flip;
                [40.0 + p.x * cos - y * sin, -7.0 + p.x * sin + y * cos]
            })
            .collect();
        let json = serde_json::json!({
            "check": "section", "profile_mm": points,
            "radius_mm": {"value": 8.02, "u95": 0.1}, "turn_deg": {"value": 45.1, "u95": 0.2},
        });
        let profile = read_profile(&json.to_string()).unwrap();
        let (a, b) = (profile.path.bounds(), wanted.path.bounds());
        assert!((a.width_mm() - b.width_mm()).abs() < TRUE_MM);
        assert!((a.height_mm() - b.height_mm()).abs() < TRUE_MM);
        assert!(profile.path.bounds().y0.abs() < 1e-9);
    }
    for wrong in [
        "",
        "{}",
        r#"{"profile_mm": [[0,0],[1,1]]}"#,
        r#"{"profile_mm": [[0,0],[0,0],[0,0],[0,0],[0,0]]}"#,
    ] {
        assert!(read_profile(wrong).is_err());
    }
}

/// The pages of a whole-length template, laid together by their join marks, are as long as the line.
#[test]
fn a_long_line_is_tiled_at_true_size() {
    let points: Vec<[f64; 2]> = (0..=500)
        .map(|i| {
            let s = 2.0 * f64::from(i);
            [s, 30.0 + 1.5 * (s / 90.0).sin()]
        })
        .collect();
    let json = serde_json::json!({"line": {"points_mm": points}}).to_string();
    let length = read_line(&json, "result.json", &Mark::default()).unwrap();
    let (drawing, outline) = length_drawing(&length);
    assert!(
        (outline.bounds().width_mm() - 1000.0).abs() < 0.05,
        "{:?}",
        outline.bounds()
    );
    let sheets = pages_of_drawing(&drawing, Paper::A4).unwrap();
    assert!(sheets.len() > 1);
    // In the SVG each tile holds the whole cut line: its first and last place are 1000 mm apart.
    let file = svg::text(&sheets[0]).unwrap();
    let document = roxmltree::Document::parse(&file).unwrap();
    let cut = document
        .descendants()
        .find(|n| n.attribute("class") == Some("cut"))
        .and_then(|n| n.attribute("d"))
        .unwrap();
    let numbers: Vec<f64> = cut
        .split(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-'))
        .filter_map(|t| t.parse().ok())
        .collect();
    let xs = numbers.iter().step_by(2).copied();
    let span = xs.clone().fold(f64::MIN, f64::max) - xs.fold(f64::MAX, f64::min);
    assert!((span - 1000.0).abs() < 0.05, "{span}");
}

/// An SVG says in its own header that a unit is a millimetre.
#[test]
fn the_svg_is_in_millimetres() {
    let nested = gauges(&[8.0], 45.0, Paper::Letter);
    let file = svg::text(&nested.pages[0]).unwrap();
    let document = roxmltree::Document::parse(&file).unwrap();
    let root = document.root_element();
    assert_eq!(root.attribute("width"), Some("215.9mm"));
    assert_eq!(root.attribute("viewBox"), Some("0 0 215.9 279.4"));
}

#[test]
fn a_piece_larger_than_the_paper_is_refused() {
    let huge = leaf(&Leaf {
        profile: Profile::wanted(400.0, 40.0, 200.0).unwrap(),
        body_mm: 20.0,
        mark: Mark::default(),
    });
    let refused = nest(&[huge], "Template", &[], Paper::A4, 3.0);
    assert!(matches!(refused, Err(GaugeError::TooLarge { .. })));
}

#[test]
fn cut_lines_are_apart_from_notes() {
    let nested = gauges(&[8.0], 45.0, Paper::A4);
    let drawing: &Drawing = &nested.drawing;
    let cut = drawing
        .items
        .iter()
        .filter(|i| {
            matches!(
                i,
                crate::sheet::Item::Stroke {
                    layer: crate::sheet::Layer::Cut,
                    ..
                }
            )
        })
        .count();
    // The rim and the parting line.
    assert_eq!(cut, 2);
}
