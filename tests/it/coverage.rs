//! The ± of the checks on made-up photos whose truth is known.

use fairpanel::check::section::FormName;
use fairpanel::sim::draw::{LineKind, LookKind, line_of, long_swage, pair, stripe as stripe_scene};
use fairpanel::sim::helped::{Change, lacking};
use fairpanel::sim::section::{Cut, draw_section};
use fairpanel::sim::trial::{joined, line, partners, section, stripe};

/// Forty photos, two thirds with the lens file. A photo's points err together, so photos are what is counted: of 40
/// whose line is inside its interval over nine tenths of its length with probability 0.9 at least, fewer than 29 is chance
/// once in a thousand (binomial).
#[test]
fn intervals_hold_the_truth() {
    let mut good = 0;
    let mut share = 0.0;
    let mut ratio = Vec::new();
    let mut answered = 0;
    for i in 0..40u64 {
        let look = [LookKind::Tape, LookKind::Coat, LookKind::Shade][(i % 3) as usize];
        let kind = LineKind {
            look,
            level: i % 2 == 0,
            gap: i % 5 == 0,
            cards: 1 + (i % 3) as usize,
            width: 2016,
        };
        let Ok(trial) = line(&line_of(31_000 + i, &kind), i % 3 != 1) else {
            continue;
        };
        answered += 1;
        let inside = trial.inside as f64 / trial.points as f64;
        share += inside;
        good += usize::from(inside >= 0.85);
        ratio.push(trial.u95_mm / trial.error_mm);
    }
    assert!(answered >= 37, "only {answered} of 40 answered");
    let share = share / answered as f64;
    assert!(share >= 0.9, "{share:.3} of the points are inside");
    assert!(
        good >= 29,
        "in {good} of {answered} photos the line is inside its interval"
    );
    // Wide would be easy: half-width over the actual error is 2 for an interval that is just right.
    ratio.sort_by(f64::total_cmp);
    let middle = ratio[ratio.len() / 2];
    assert!(middle < 4.0, "intervals are {middle:.1} times the error");
}

/// One card, camera off level, panels that bow by all that is allowed for (95% within 25 mm on 1 m), three cards of ten stiff: what
/// a flat card says of the panel must not be believed. Of 20 inside over most of the length with probability 0.9 at least,
/// fewer than 14 is chance twice in a thousand (binomial).
#[test]
fn one_card_off_level_is_not_believed_too_much() {
    // Middles of twenty parts of the normal distribution, standard deviations (scipy 1.17.1, norm.ppf((i + 0.5) / 20)).
    const PARTS: [f64; 10] = [
        1.960, 1.440, 1.150, 0.935, 0.755, 0.598, 0.454, 0.319, 0.189, 0.063,
    ];
    let (mut good, mut answered) = (0, 0);
    for i in 0..20u64 {
        let kind = LineKind {
            look: LookKind::Tape,
            level: false,
            gap: false,
            cards: 1,
            width: 1512,
        };
        let mut scene = line_of(33_000 + i, &kind);
        let sign = if i % 2 == 0 { 1.0 } else { -1.0 };
        scene.panel.bow_mm_per_m = sign * PARTS[(i / 2) as usize] * 25.0 / 1.96;
        for card in &mut scene.cards {
            card.stiff = (3 * i) % 10 < 3;
        }
        if let Ok(trial) = line(&scene, true) {
            answered += 1;
            good += usize::from(trial.inside as f64 >= 0.85 * trial.points as f64);
        }
    }
    assert!(answered >= 18, "only {answered} of 20 answered");
    assert!(
        good >= 14,
        "in {good} of {answered} photos the line is inside its interval"
    );
}

/// Twenty stripes, crests and roots by turns, every fourth without a lens file. As above photos are what is counted: of 20
/// inside over nine tenths of the length with probability 0.9 at least, fewer than 13 is chance once in three thousand.
#[test]
fn a_stripes_radius_lies_in_its_interval() {
    let (mut good, mut share, mut error, mut u95) = (0, 0.0, Vec::new(), Vec::new());
    let n = 20u64;
    for i in 0..n {
        let trial = stripe(&stripe_scene(52_000 + i, i % 2 == 1, 2016), i % 4 != 3)
            .unwrap_or_else(|e| panic!("stripe {i}: {e}"));
        let inside = trial.inside as f64 / trial.points as f64;
        assert!(trial.cover > 0.8, "stripe {i} covers {:.2}", trial.cover);
        share += inside / n as f64;
        good += usize::from(inside >= 0.85);
        error.push(trial.error);
        u95.push(trial.u95);
    }
    error.sort_by(f64::total_cmp);
    u95.sort_by(f64::total_cmp);
    let (error, u95) = (error[10], u95[10]);
    assert!(share >= 0.88, "{share:.3} of the length is inside");
    assert!(
        good >= 13,
        "in {good} of 20 photos the radius is inside its interval"
    );
    // What a rod's choice needs: rods come in steps of a tenth of their size and more.
    assert!(error < 0.02, "median error {error:.3} of the radius");
    assert!(u95 < 0.08, "median half-width {u95:.3} of the radius");
}

/// Ten lines of 3 m, each joined from three photos. Of ten whose interval holds 95% fewer than 7 inside is chance once in a
/// thousand (binomial); `cargo run --release --example coverage -- 100 join` counts a hundred.
#[test]
fn joined_lines_hold_the_truth() {
    let (mut good, mut share) = (0, 0.0);
    for i in 0..10u64 {
        let look = if i % 2 == 0 {
            LookKind::Tape
        } else {
            LookKind::Coat
        };
        let trial = joined(&long_swage(41_000 + i, look, 1512)).expect("a line");
        good += usize::from(trial.straightness_inside);
        share += trial.inside as f64 / trial.points as f64 / 10.0;
        assert!(trial.u95_mm < 3.0, "± {} mm is no answer", trial.u95_mm);
    }
    assert!(good >= 7, "straightness inside in {good} of 10");
    assert!(share >= 0.85, "{share:.3} of the points are inside");
}

/// The same line on two photos from two poses: what differs is error and within its interval. Pairs are what is counted;
/// `cargo run --release --example coverage -- 100 partner` counts a hundred.
#[test]
fn partners_of_the_same_line_agree() {
    let (mut share, mut n) = (0.0, 0.0);
    for i in 0..10u64 {
        let kind = LineKind {
            look: if i % 2 == 0 {
                LookKind::Tape
            } else {
                LookKind::Coat
            },
            level: i % 3 != 0,
            gap: i % 4 == 0,
            cards: 2,
            width: 1512,
        };
        if let Ok(trial) = partners(&pair(42_000 + i, &kind)) {
            share += trial.inside as f64 / trial.points as f64;
            n += 1.0;
        }
    }
    assert!(n >= 8.0, "{n} of 10 answered");
    assert!(
        share / n >= 0.9,
        "{:.3} of the points are inside",
        share / n
    );
}

/// Sixty templates of known radius and turn. Of 60 intervals that hold the truth with probability 0.9, fewer than 46 is
/// chance once in a thousand (binomial); and wide would be easy, so half of the radii must be known to 8%.
#[test]
fn a_templates_radius_and_turn_lie_in_their_intervals() {
    let (mut answered, mut forms, mut radii, mut turns) = (0, 0, 0, 0);
    let mut wide = Vec::new();
    for k in 0..60u64 {
        let part = |n: u64| ((k * n) % 60) as f64 / 60.0;
        let cut = Cut {
            radius_mm: 5.0 * 10f64.powf(part(7)),
            turn_deg: 35.0 + 45.0 * part(11),
            flanks_mm: [20.0 + 25.0 * part(13), 20.0 + 25.0 * part(17)],
            convex: k % 2 == 0,
            thickness_mm: 0.5 + 1.5 * part(19),
            rough_mm: 0.005 + 0.03 * part(23),
            correlation_mm: 1.0 + 2.0 * part(29),
        };
        let Ok(result) = section(&draw_section(9_000 + k, cut, 2016)) else {
            continue;
        };
        answered += 1;
        let form = if cut.convex {
            FormName::Convex
        } else {
            FormName::Concave
        };
        forms += usize::from(result.form == form);
        let turn = result.turn_deg;
        turns += usize::from((turn.value - cut.turn_deg).abs() <= turn.u95);
        if let Some(r) = result.radius_mm {
            radii += usize::from((r.value - cut.radius_mm).abs() <= r.u95);
            wide.push(r.u95 / cut.radius_mm);
        }
    }
    wide.sort_by(f64::total_cmp);
    assert!(answered >= 57, "{answered} of 60 answered");
    assert!(forms >= 56, "{forms} forms right");
    assert!(radii >= 46, "{radii} radii inside");
    assert!(turns >= 46, "{turns} turns inside");
    assert!(
        wide[wide.len() / 2] < 0.08,
        "half-width {:.3}",
        wide[wide.len() / 2]
    );
}

/// What is said to help a line most, against the same line photographed anew with that change made: the interval falls about as
/// far as was promised (a third: two photos' noise differs), and no other change does clearly better.
#[test]
fn what_would_help_most_does() {
    for lack in Change::ALL {
        let shot = lacking(lack, 2);
        let now = shot.measure().expect("a line");
        let why = now.head.verdict.expect("a verdict").why;
        let named = Change::named(&why).unwrap_or_else(|| panic!("{lack:?}: {why}"));
        assert_eq!(named, lack, "{why}");
        let promised: f64 = why
            .split("become about ± ")
            .nth(1)
            .and_then(|rest| rest.split(' ').next())
            .and_then(|n| n.parse().ok())
            .expect("a promise");
        let got = |change: Change| {
            let answer = shot.with(change, &why).measure();
            answer.map_or(f64::INFINITY, |r| r.line.straightness_mm.u95)
        };
        let kept = got(named);
        assert!(
            // What is printed has two digits: half of the last comes on top.
            (kept / promised - 1.0).abs() < 0.34 || (kept - promised).abs() < 0.015 + 0.005,
            "{lack:?}: {kept:.3} came of ± {promised} mm: {why}"
        );
        let best = Change::ALL
            .into_iter()
            .map(got)
            .fold(f64::INFINITY, f64::min);
        assert!(
            kept < 1.25 * best + 0.01,
            "{lack:?}: {kept:.3}, {best:.3} with another"
        );
    }
}
