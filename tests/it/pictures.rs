//! What a result looks like: words, JSON, plot and marked photo of one made-up result, against golden files; and what
//! must hold for any result.

use crate::golden;
use fairpanel::check::line::{
    Deviation, Gap, LineFigures, LineResult, Look, Reference, Wave, WaveDo,
};
use fairpanel::check::{CardSeen, Head};
use fairpanel::photo::{Facts, Photo};
use fairpanel::report::{json, overlay, plot, text};
use fairpanel::units::Measured;
use fairpanel::verdict::{Outcome, Verdict};

const WIDTH: usize = 900;
const HEIGHT: usize = 500;

/// A panel in two shades that meet along the line, seen level.
fn photo() -> Photo {
    let grey = |at: usize| {
        let (x, y) = ((at % WIDTH) as f64, (at / WIDTH) as f64);
        if y < middle(x) { 190 } else { 120 }
    };
    Photo {
        name: "panel.jpg".to_string(),
        width: WIDTH,
        height: HEIGHT,
        luma: (0..WIDTH * HEIGHT).map(grey).collect(),
        rgb: Vec::new().into(),
        facts: Facts::default(),
    }
}

/// Where the line runs, px.
fn middle(x: f64) -> f64 {
    200.0 + 0.12 * x
}

/// A line of 900 mm with one wave up, one down, a small one to leave, and a gap between two panels.
fn result() -> LineResult {
    let places: Vec<f64> = (0..=225)
        .map(|step| f64::from(step) * 4.0)
        .filter(|s| !(498.0..506.0).contains(s))
        .collect();
    let d_mm = |s: f64| match s {
        s if s < 300.0 => -0.8 * (s / 300.0 * std::f64::consts::PI).sin(),
        s if s < 502.0 => 0.05 * ((s - 300.0) / 202.0 * std::f64::consts::PI).sin(),
        s => 0.3 + 0.7 * ((s - 502.0) / 398.0 * std::f64::consts::PI).sin(),
    };
    let px = |s: f64| [s, middle(s) + d_mm(s)];
    let wave = |from_mm: f64, to_mm: f64, peak_mm: f64, value: f64, what, words: &str| Wave {
        from_mm,
        to_mm,
        peak_mm,
        height_mm: Measured { value, u95: 0.08 },
        what,
        words: words.to_string(),
    };
    LineResult {
        joined: Vec::new(),
        overlap: Vec::new(),
        head: Head {
            schema: "fairpanel/1".to_string(),
            check: "line".to_string(),
            photo: "panel.jpg".to_string(),
            card: vec![CardSeen {
                name: "strip-1".to_string(),
                corners: 33,
                rms_px: 0.0412,
            }],
            lens: false,
            mm_per_px: 1.0,
            warnings: vec!["No lens file: a larger ± covers an ordinary phone's lens.".to_string()],
            budget: Vec::new(),
            verdict: Some(Verdict {
                tol_mm: 1.0,
                result: Outcome::Outside,
                why: "1.80 mm less 0.12 mm is more than 1 mm.".to_string(),
            }),
        },
        look: Look::Step,
        line: LineFigures {
            px: places.iter().map(|s| px(*s)).collect(),
            points_mm: places.iter().map(|s| [*s, 30.0 + d_mm(*s)]).collect(),
            run_starts: vec![0, places.iter().filter(|s| **s < 502.0).count()],
            length_mm: 900.0,
            reference: Reference::Straight,
            shortest_mm: 20.0,
            deviation: places
                .iter()
                .map(|s| Deviation {
                    s_mm: *s,
                    d_mm: d_mm(*s),
                    u95_mm: 0.08,
                })
                .collect(),
            straightness_mm: Measured {
                value: 1.8,
                u95: 0.12,
            },
            rms_mm: 0.46,
            ragged_rms_mm: 0.04,
            waves: vec![
                wave(
                    0.0,
                    300.0,
                    150.0,
                    -0.8,
                    WaveDo::Add,
                    "add 0.80 mm over 300 mm",
                ),
                wave(300.0, 498.0, 400.0, 0.05, WaveDo::Leave, "leave"),
                wave(
                    506.0,
                    900.0,
                    700.0,
                    1.0,
                    WaveDo::TakeDown,
                    "take down 1.00 mm over 394 mm",
                ),
            ],
        },
        gap: vec![Gap {
            at_mm: 502.0,
            width_mm: 4.2,
            step_mm: Measured {
                value: 0.3,
                u95: 0.06,
            },
            angle_deg: Measured {
                value: 0.4,
                u95: 0.05,
            },
        }],
        next: "Take the right panel down first, then fill the left.".to_string(),
    }
}

#[test]
fn words() {
    golden::text(
        "line.txt",
        &text::line(
            &result(),
            &["out/overlay.png".to_string(), "out/plot.png".to_string()],
        ),
    );
}

#[test]
fn document() {
    golden::text(
        "line.json",
        &json::answer(&result(), &[])
            .replace("},{", "},\n{")
            .replace("],[", "],\n["),
    );
}

#[test]
fn plot_as_svg() {
    golden::text("plot.svg", &plot::png_and_svg(&result()).1);
}

#[test]
fn marked_photo() {
    golden::picture("overlay.png", &overlay::draw(&photo(), &result()));
}

#[test]
fn pictures_are_png_of_the_size_they_say() {
    let overlay = image::load_from_memory(&overlay::png(&photo(), &result())).expect("a PNG");
    assert_eq!(overlay.width() as usize, WIDTH);
    assert!(overlay.height() as usize > HEIGHT);
    let plot = image::load_from_memory(&plot::png_and_svg(&result()).0).expect("a PNG");
    assert!(plot.width() >= 1000 && plot.height() >= 500);
}

#[test]
fn the_verdict_is_told_without_colour() {
    let grey = |outcome| {
        let mut result = result();
        if let Some(verdict) = &mut result.head.verdict {
            verdict.result = outcome;
        }
        let picture = image::DynamicImage::ImageRgb8(overlay::draw(&photo(), &result)).into_luma8();
        let head = picture.height() - HEIGHT as u32;
        let text = text::line(&result, &[]);
        (
            picture.into_raw()[..head as usize / 2 * WIDTH].to_vec(),
            text,
        )
    };
    let (within, outside, undecided) = (
        grey(Outcome::Within),
        grey(Outcome::Outside),
        grey(Outcome::Undecided),
    );
    assert!(within.0 != outside.0 && outside.0 != undecided.0 && within.0 != undecided.0);
    assert!(within.1.starts_with("WITHIN 1 mm") && outside.1.starts_with("OUTSIDE 1 mm"));
    assert!(undecided.1.starts_with("CAN'T TELL for 1 mm"));
}

#[test]
fn the_ribbon_lies_on_the_side_the_line_runs_to() {
    let (photo, mut result) = (photo(), result());
    result.line.waves.retain(|wave| wave.what == WaveDo::Add);
    result.gap.clear();
    let picture = overlay::draw(&photo, &result);
    let head = picture.height() as usize - HEIGHT;
    // Blue is drawn only where the wave is: above the line here (negative deviation, card upright), below it when the
    // card lies upside down.
    let blue = |picture: &image::RgbImage| {
        let wave = 60..240usize;
        let count = |offset: std::ops::Range<i64>| {
            wave.clone()
                .flat_map(|x| {
                    offset
                        .clone()
                        .map(move |off| (x, middle(x as f64) as i64 + off))
                })
                .filter(|(x, y)| {
                    // The bands above and below the photo differ in height by what stands in them; the photo's top is
                    // found by its first row of the upper shade.
                    let [red, _, blue] = picture.get_pixel(*x as u32, (*y + top(picture)) as u32).0;
                    blue > 150 && red < 90
                })
                .count()
        };
        (count(-25..-3), count(4..25))
    };
    assert!(head > 0);
    let (above, below) = blue(&picture);
    assert!(above > 500 && below == 0, "{above} above, {below} below");
    for point in &mut result.line.points_mm {
        *point = [-point[0], -point[1]];
    }
    let (above, below) = blue(&overlay::draw(&photo, &result));
    assert!(below > 500 && above == 0, "{above} above, {below} below");
}

/// First row of the photo in a marked picture: the upper shade of [`photo`] at its right edge.
fn top(picture: &image::RgbImage) -> i64 {
    let x = picture.width() - 1;
    (0..picture.height())
        .find(|y| picture.get_pixel(x, *y).0 == [190; 3])
        .map_or(0, i64::from)
}

#[test]
fn odd_results_are_drawn_without_a_panic() {
    let photo = photo();
    let check = |change: fn(&mut LineResult)| {
        let mut result = result();
        change(&mut result);
        assert!(overlay::draw(&photo, &result).width() as usize == WIDTH);
        assert!(!plot::png_and_svg(&result).1.is_empty());
        assert!(text::line(&result, &[]).lines().count() > 3);
    };
    check(|result| {
        result.line.px.clear();
        result.line.points_mm.clear();
        result.line.deviation.clear();
        result.line.run_starts.clear();
    });
    check(|result| result.line.run_starts = vec![7, 7, 9999]);
    check(|result| result.line.px.iter_mut().for_each(|px| *px = [1e7, -1e7]));
    check(|result| {
        result
            .line
            .deviation
            .iter_mut()
            .for_each(|row| row.d_mm = f64::NAN)
    });
    check(|result| {
        result
            .line
            .deviation
            .iter_mut()
            .for_each(|row| row.d_mm = 1e12)
    });
    check(|result| result.head.mm_per_px = 0.0);
    check(|result| result.head.mm_per_px = f64::INFINITY);
    check(|result| result.gap[0].at_mm = -1e9);
    check(|result| result.next = "word ".repeat(400));
    check(|result| {
        result
            .line
            .waves
            .iter_mut()
            .for_each(|wave| wave.to_mm = -5.0)
    });
    check(|result| result.line.waves = (0..500).map(|_| result.line.waves[0].clone()).collect());
}
