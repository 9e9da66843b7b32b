//! The check against made-up repairs whose classes are known, and the table of next actions row by row.

use super::next::{self, Action};
use super::passes::{self, By, Pass};
use super::*;
use crate::check::Setup;
use crate::sim::bench;
use crate::sim::lows::{Class, LowsScene, Pass as Drawn, draw_lows};
use crate::units::Px;

fn surveyed(scene: &LowsScene) -> Survey {
    let (photo, _) = bench::render(&scene.bench);
    let setup = Setup {
        layouts: Some(vec![scene.bench.sheets[0].layout.clone()]),
        ..Setup::default()
    };
    survey(&photo, &setup, &LowsOptions::default()).unwrap()
}

fn drawn(seed: u64, lows: usize, highs: usize, shrink: f64, photo: u64) -> LowsScene {
    let pass = Drawn {
        lows,
        highs,
        shrink,
        gradient: if seed.is_multiple_of(2) { 1.0 } else { 4.0 },
    };
    draw_lows(seed, &pass, photo, 1400)
}

/// Share of cells on which both say low, of those on which either does.
fn overlap(scene: &LowsScene, survey: &Survey) -> f64 {
    let (w, h) = survey.size;
    let truth = scene.map(survey.map.origin_mm, survey.map.mm_per_px, w, h);
    let (mut both, mut either) = (0, 0);
    for (a, b) in survey.classes.iter().zip(&truth.classes) {
        let (a, b) = (*a == 2, *b == 2);
        both += usize::from(a && b);
        either += usize::from(a || b);
    }
    f64::from(u32::try_from(both).unwrap()) / f64::from(u32::try_from(either.max(1)).unwrap())
}

/// Lows of a thumbnail's size have a border that half a millimetre of doubt makes a tenth of the area: under 0.85 the
/// outline on the panel would mislead the block.
#[test]
fn lows_lie_where_they_are_and_are_as_large() {
    for seed in [3, 4, 9, 12, 15, 20] {
        let scene = drawn(seed, 3, 2, 1.0, 0);
        let survey = surveyed(&scene);
        let truth = scene.area_mm2(Class::Low);
        let got = survey.area.low_mm2;
        assert!(
            (got - truth).abs() < 0.06 * truth + survey.area.u95_low_mm2,
            "seed {seed}: {got} for {truth}"
        );
        assert!(
            overlap(&scene, &survey) > 0.85,
            "seed {seed}: overlap {}",
            overlap(&scene, &survey)
        );
        let listed: f64 = survey
            .regions
            .iter()
            .filter(|r| r.kind == Kind::Low)
            .map(|r| r.area_mm2)
            .sum();
        assert!((listed - got).abs() < 0.05 * got + 20.0, "seed {seed}");
    }
}

#[test]
fn a_clean_repair_is_done() {
    for seed in [5, 6] {
        let survey = surveyed(&drawn(seed, 0, 0, 1.0, 0));
        let answer = answer(&survey, &LowsOptions::default());
        assert_eq!(
            answer.next.action,
            Action::Done,
            "seed {seed}: {:?}",
            answer.area
        );
    }
}

#[test]
fn passes_that_shrink_keep_blocking_though_the_card_was_laid_again() {
    // Each photo of this scene has its card at another place.
    let passes: Vec<Pass> = [(1.0, 0), (0.8, 1), (0.6, 2)]
        .map(|(shrink, photo)| Pass::Surveyed(Box::new(surveyed(&drawn(4, 3, 0, shrink, photo)))))
        .into();
    let answer = passes::answer(&passes, &LowsOptions::default()).unwrap();
    assert_eq!(answer.next.action, Action::Block, "{}", answer.next.why);
    assert_eq!(answer.passes.len(), 3);
    let PassAnswer::Measured {
        low_change_percent: Some(change),
        laid_over: Some(laid),
        ..
    } = &answer.passes[2]
    else {
        panic!("the third pass is measured");
    };
    assert!(*change < -25.0, "{change}");
    // A thin light rim may be taken at its outer edge in one photo and at its inner in another; the doubt is stated.
    assert!(laid.by == By::Outline && laid.rms_mm < 4.0, "{laid:?}");
    let doubted = |a: &LowsResult| a.head.warnings.iter().any(|w| w.contains("another repair"));
    assert!(!doubted(&answer), "{:?}", answer.head.warnings);
    // Another repair: the same one half as long again.
    let mut other = surveyed(&drawn(4, 3, 0, 1.0, 0));
    for p in &mut other.repair {
        p.x *= 1.5;
    }
    let two = [
        Pass::Surveyed(Box::new(surveyed(&drawn(4, 3, 0, 1.0, 1)))),
        Pass::Surveyed(Box::new(other)),
    ];
    let answer = passes::answer(&two, &LowsOptions::default()).unwrap();
    assert!(doubted(&answer), "{:?}", answer.passes);
}

#[test]
fn a_pass_that_cannot_be_measured_is_listed_with_its_reason() {
    let good = || Pass::Surveyed(Box::new(surveyed(&drawn(4, 2, 0, 1.0, 0))));
    let passes = [
        good(),
        Pass::Refused("b.jpg".into(), "no card".into()),
        good(),
    ];
    let answer = passes::answer(&passes, &LowsOptions::default()).unwrap();
    assert!(matches!(&answer.passes[1], PassAnswer::Refused { error, .. } if error == "no card"));
    // The same photo twice: nothing shrank.
    assert_eq!(answer.next.action, Action::Skim);
    assert!(
        answer
            .skim
            .is_some_and(|s| s.area_mm2 > answer.area.low_mm2 && s.volume_ml[0] < s.volume_ml[1])
    );
    assert!(
        passes::answer(
            &[Pass::Refused("a".into(), "b".into())],
            &LowsOptions::default()
        )
        .is_none()
    );
}

#[test]
fn what_one_photo_cannot_judge_is_filled_from_another() {
    let whole = surveyed(&drawn(4, 3, 0, 1.0, 0));
    let mut glared = whole.clone();
    let low = whole.regions[0].clone();
    let [x0, y0, x1, y1] = low.box_mm;
    for (i, class) in glared.classes.iter_mut().enumerate() {
        let (x, y) = ((i % whole.size.0) as f64, (i / whole.size.0) as f64);
        let (x, y) = (
            whole.map.origin_mm[0] + x * whole.map.mm_per_px,
            whole.map.origin_mm[1] + y * whole.map.mm_per_px,
        );
        if (x0..x1).contains(&x) && (y0..y1).contains(&y) {
            *class = 0;
        }
    }
    let photos = [
        Pass::Surveyed(Box::new(glared)),
        Pass::Surveyed(Box::new(whole.clone())),
    ];
    let merged = passes::merge(&photos).unwrap();
    assert!((merged.area.low_mm2 / whole.area.low_mm2 - 1.0).abs() < 0.01);
    assert_eq!(merged.regions.len(), merged.outlines_px.len());
    let middle =
        |o: &[Px]| o.iter().map(|p| p.0.coords).sum::<nalgebra::Vector2<f64>>() / o.len() as f64;
    let (a, b) = (
        middle(&merged.outlines_px[0]),
        middle(&whole.outlines_px[0]),
    );
    assert!((a - b).norm() < 3.0, "{a} {b}");
}

#[test]
fn a_repair_given_by_hand_is_taken_as_it_is() {
    let scene = drawn(4, 2, 0, 1.0, 0);
    let found = surveyed(&scene);
    let (photo, _) = bench::render(&scene.bench);
    let area: Vec<Px> = found.repair_px.iter().step_by(8).copied().collect();
    let options = LowsOptions {
        area,
        ..LowsOptions::default()
    };
    let setup = Setup {
        layouts: Some(vec![scene.bench.sheets[0].layout.clone()]),
        ..Setup::default()
    };
    let given = survey(&photo, &setup, &options).unwrap();
    assert!((given.area.low_mm2 / found.area.low_mm2 - 1.0).abs() < 0.05);
    let off = LowsOptions {
        area: vec![Px::new(10.0, 10.0); 3],
        ..LowsOptions::default()
    };
    assert!(survey(&photo, &setup, &off).is_err());
}

/// A survey with round lows and highs: (kind, x, y, area).
fn made(regions: &[(Kind, f64, f64, f64)]) -> Survey {
    let mut survey = surveyed_once().clone();
    survey.regions = regions
        .iter()
        .enumerate()
        .map(|(i, (kind, x, y, area))| {
            let r = (area / std::f64::consts::PI).sqrt();
            let outline = (0..24)
                .map(|k| f64::from(k) * 15.0_f64.to_radians())
                .map(|a| [x + r * a.cos(), y + r * a.sin()]);
            Region {
                kind: *kind,
                number: i + 1,
                area_mm2: *area,
                u95_area_mm2: 1.0,
                centroid_mm: [*x, *y],
                box_mm: [x - r, y - r, x + r, y + r],
                outline_mm: outline.collect(),
            }
        })
        .collect();
    let sum = |kind: Kind| {
        regions
            .iter()
            .filter(|r| r.0 == kind)
            .map(|r| r.3)
            .sum::<f64>()
    };
    survey.area.low_mm2 = sum(Kind::Low);
    survey.area.high_mm2 = sum(Kind::High);
    survey
}

fn surveyed_once() -> &'static Survey {
    static ONCE: std::sync::OnceLock<Survey> = std::sync::OnceLock::new();
    ONCE.get_or_init(|| surveyed(&drawn(6, 0, 0, 1.0, 0)))
}

/// The rows of the table, each just inside and just outside its limit.
#[test]
fn every_row_of_the_table() {
    use Kind::{High, Low};
    let one = |regions: &[(Kind, f64, f64, f64)]| next::of_one(&made(regions)).action;
    // Done: under 40 mm² of low and 25 mm² of high in all.
    assert_eq!(
        one(&[(Low, 0.0, 0.0, 39.0), (High, 50.0, 0.0, 24.0)]),
        Action::Done
    );
    assert_eq!(one(&[(Low, 0.0, 0.0, 41.0)]), Action::Block);
    assert_ne!(one(&[(High, 0.0, 0.0, 26.0)]), Action::Done);
    // Knock down: one small high with lows on both sides.
    let amid = [
        (High, 0.0, 0.0, 200.0),
        (Low, -40.0, 0.0, 300.0),
        (Low, 40.0, 0.0, 300.0),
    ];
    assert_eq!(one(&amid), Action::Knock);
    assert_eq!(
        one(&[(High, 0.0, 0.0, 400.0), amid[1], amid[2]]),
        Action::Block,
        "too large to knock down"
    );
    assert_eq!(
        one(&[amid[0], (Low, -40.0, 0.0, 300.0)]),
        Action::Block,
        "a low on one side only"
    );
    assert_eq!(
        one(&[amid[0], (Low, -90.0, 0.0, 300.0), (Low, 90.0, 0.0, 300.0)]),
        Action::Block,
        "too far off"
    );
    // Stop: highs on two sides of a low.
    let two = [
        (Low, 0.0, 0.0, 500.0),
        (High, -50.0, 0.0, 100.0),
        (High, 50.0, 0.0, 100.0),
    ];
    assert_eq!(one(&two), Action::Skim);
    assert_eq!(
        one(&[two[0], two[1], (High, -50.0, 40.0, 100.0)]),
        Action::Block,
        "both on one side"
    );
    assert_eq!(
        one(&[two[0], two[1], (High, 100.0, 0.0, 100.0)]),
        Action::Block,
        "one too far off"
    );
    assert_eq!(
        one(&[(Low, 0.0, 0.0, 90.0), two[1], two[2]]),
        Action::Block,
        "the low is too small to count"
    );
    // The trend.
    let after = |before: f64, new: f64| next::after(&made(&[(Low, 0.0, 0.0, 500.0)]), before, new);
    assert_eq!(after(510.0, 0.0).action, Action::Skim, "98% is left");
    assert_eq!(after(700.0, 0.0).action, Action::Block);
    assert!(after(700.0, 0.0).why.contains("no new show-through"));
    assert!(after(550.0, 0.0).why.contains("doubt"), "91% is left");
    assert!(after(700.0, 20.0).why.contains("is new"));
}
