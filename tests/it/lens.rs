//! The lens check against OpenCV's calibration of the same corners, and on made-up boards whose lens is known.

use fairpanel::card::{Card, Corner, Layout};
use fairpanel::check::lens::bundle::{View, adjust, focal_from_tilts};
use fairpanel::check::lens::{LensCheckError, LensResult, Shot, calibrate, look};
use fairpanel::lens::Lens;
use fairpanel::sim::{bench, board, draw};
use fairpanel::units::{K95, Mm, Px};
use serde_json::Value;

/// The 13 chessboards of fixtures/lens/chessboard.json (9 x 6 inner corners, 25 mm, as a card of 10 x 7 squares).
fn chessboards() -> Vec<View> {
    let text = include_str!("../../fixtures/lens/chessboard.json");
    let all: Value = serde_json::from_str(text).expect("JSON");
    let layout = Layout {
        name: "chessboard".into(),
        dictionary: "DICT_4X4_250".into(),
        squares_x: 10,
        squares_y: 7,
        square_mm: 25.0,
        marker_mm: 20.0,
        first_id: 0,
    };
    let pictures = all["corners"].as_object().expect("pictures");
    let corners = |list: &Value| -> Vec<Corner> {
        let list = list.as_array().expect("corners").iter().enumerate();
        list.map(|(id, p)| Corner {
            id,
            px: Px::new(p[0].as_f64().expect("x"), p[1].as_f64().expect("y")),
            mm: Mm::new((id % 9 + 1) as f64 * 25.0, (id / 9 + 1) as f64 * 25.0),
        })
        .collect()
    };
    pictures
        .values()
        .map(|list| View {
            card: Card {
                layout: layout.clone(),
                corners: corners(list),
                sigma_px: 0.1,
            },
            mirrored: false,
        })
        .collect()
}

/// OpenCV 5.0.0's calibration of the same corners (fixtures/lens/opencv.py): every parameter within both intervals together.
#[test]
fn agrees_with_opencv_on_the_same_corners() {
    let reference: Value =
        serde_json::from_str(include_str!("../../fixtures/lens/opencv.json")).expect("JSON");
    let views = chessboards();
    let start = focal_from_tilts(&views, 640, 480).expect("tilted boards");
    assert!((start / 533.0 - 1.0).abs() < 0.1, "{start}");
    let found = adjust(&views, 640, 480, start).expect("an answer");
    let names = ["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"];
    for (k, name) in names.into_iter().enumerate() {
        let theirs = reference["lens"][name].as_f64().expect("a number");
        let their_u = reference["sd"][name].as_f64().expect("a number");
        let ours = found.lens.parameters()[k];
        let u95 = K95 * (found.covariance[(k, k)] + their_u * their_u).sqrt();
        assert!(
            (ours - theirs).abs() < u95,
            "{name}: {ours} and {theirs}, both together ± {u95}"
        );
    }
    let all: Vec<f64> = found
        .misses
        .iter()
        .flatten()
        .map(|m| m.norm_squared())
        .collect();
    let rms = (all.iter().sum::<f64>() / all.len() as f64).sqrt();
    // Theirs is 0.195 px; the board's shape takes up part of it.
    assert!(rms < 0.22 && rms > 0.05, "{rms}");
}

fn set(seed: u64, photos: usize, lens: Lens, bow_mm: f64, print_scale: f64) -> Vec<Shot> {
    let kind = board::Kind {
        photos,
        lens,
        bow_mm,
        bow_along_x: seed.is_multiple_of(2),
        print_scale,
    };
    let layouts = [fairpanel::card::layout::named("board").expect("built in")];
    board::photos(seed, &kind)
        .iter()
        .enumerate()
        .map(|(k, scene)| {
            let mut photo = bench::render(scene).0;
            photo.name = format!("{k}.jpg");
            look(&photo, &layouts)
        })
        .collect()
}

fn errors(result: &LensResult, truth: &Lens) -> Vec<f64> {
    let rows = result.file.covariance.as_ref().expect("a covariance");
    let found = result.file.lens().parameters();
    (0..9)
        .map(|k| (found[k] - truth.parameters()[k]) / rows[k][k].sqrt())
        .collect()
}

/// Boards printed 1% large, bowed 0.5 mm, and true ones: the lens within its own covariance. Of 54 figures whose interval
/// holds 95% fewer than 46 inside is chance once in a thousand (binomial); a set's nine hang together, so once in fifty here.
#[test]
fn print_and_bow_stay_out_of_the_lens() {
    let mut inside = 0;
    for (seed, bow_mm, print_scale) in [
        (11, 0.0, 1.0),
        (12, 0.0, 1.01),
        (13, 0.5, 1.0),
        (14, -0.5, 1.0),
        (15, 0.5, 0.99),
        (16, 0.0, 1.0),
    ] {
        let lens = draw::phone((seed % 3) as usize, 1008, 756);
        let result = calibrate(&set(seed, 10, lens, bow_mm, print_scale)).expect("a lens");
        let errors = errors(&result, &lens);
        assert!(errors.iter().all(|e| e.abs() < 5.0), "{seed}: {errors:?}");
        inside += errors.iter().filter(|e| e.abs() <= K95).count();
        let share = (result.file.fx / lens.fx - 1.0).abs();
        assert!(share < 1e-3, "{seed}: focal length off by {share}");
        let flat = bow_mm == 0.0;
        assert_eq!(
            flat,
            result.bow_mm.value < 0.1,
            "{seed}: {:?}",
            result.bow_mm
        );
    }
    assert!(inside >= 46, "{inside} of 54 inside");
}

/// A photo without the board, one of another size, and one zoomed: named with the reason, the lens none the worse.
#[test]
fn strangers_are_left_out_and_named() {
    let lens = draw::phone(1, 1008, 756);
    let mut shots = set(21, 9, lens, 0.0, 1.0);
    let mut zoomed = lens;
    (zoomed.fx, zoomed.fy) = (lens.fx * 1.06, lens.fy * 1.06);
    shots.extend(set(22, 1, zoomed, 0.0, 1.0));
    shots.extend(set(23, 1, draw::phone(1, 800, 600), 0.0, 1.0));
    let mut blind = shots[0].clone();
    blind.boards = Err("No card was found.".into());
    shots.push(blind);
    let result = calibrate(&shots).expect("a lens");
    let why: Vec<&str> = result.photos[9..]
        .iter()
        .map(|p| p.why.as_deref().unwrap_or("used"))
        .collect();
    assert!(why[0].contains("zoom"), "{why:?}");
    assert!(why[1].contains("size"), "{why:?}");
    assert!(why[2].contains("No card"), "{why:?}");
    assert!(result.photos[..9].iter().all(|p| p.used));
    assert!(errors(&result, &lens).iter().all(|e| e.abs() < 5.0));
}

/// Too few photos are refused; few are used with a warning and a wider interval.
#[test]
fn few_photos_say_so() {
    let lens = draw::phone(0, 1008, 756);
    let shots = set(31, 8, lens, 0.0, 1.0);
    assert!(matches!(
        calibrate(&shots[..2]),
        Err(LensCheckError::TooFew { used: 2, .. })
    ));
    assert!(calibrate(&[]).is_err());
    let few = calibrate(&shots[..4]).expect("a lens");
    let all = calibrate(&shots).expect("a lens");
    assert!(few.u95_field_px > all.u95_field_px);
    assert!(
        few.head
            .warnings
            .iter()
            .any(|w| w.contains("only 4 photos"))
    );
}
