//! The straightedge check on made-up photos whose truth is known.

use fairpanel::sim::rule::{Rests, draw_across, draw_rule};
use fairpanel::sim::trial::{across, straightedge};

/// Thirty photos. A photo's places err together, so photos are counted as well: of 30 whose largest gap is inside its interval
/// with probability 0.9 at least, fewer than 21 is chance once in a thousand (binomial).
#[test]
fn intervals_hold_the_gap() {
    let (mut share, mut answered, mut largest, mut rests) = (0.0, 0, 0, 0);
    let mut errors = Vec::new();
    for i in 0..30u64 {
        let how = [Rests::Rocks, Rests::Bridges, Rests::Even][(i % 3) as usize];
        let Ok(trial) = straightedge(&draw_rule(52_000 + i, how, 2016)) else {
            continue;
        };
        answered += 1;
        share += trial.inside as f64 / trial.points.max(1) as f64;
        largest += usize::from(trial.largest_inside);
        rests += usize::from(trial.rests_right);
        errors.push(trial.error_mm);
    }
    assert!(answered >= 28, "only {answered} of 30 answered");
    let share = share / answered as f64;
    assert!(share >= 0.9, "{share:.3} of the places are inside");
    assert!(
        largest >= 21,
        "the largest gap is inside in {largest} of {answered}"
    );
    assert!(
        rests * 10 >= answered * 8,
        "{rests} of {answered} rest as told"
    );
    errors.sort_by(f64::total_cmp);
    let middle = errors[errors.len() / 2];
    assert!(middle < 0.08, "median error {middle:.3} mm");
}

/// Twenty-four straightedges across crests and roots of 4 to 40 mm and 15 to 60 degrees. Of 20 radii that are inside their
/// intervals with probability 0.9 at least, fewer than 14 is chance twice in a thousand (binomial).
#[test]
fn a_swage_under_a_straightedge_is_told() {
    let (mut told, mut inside, mut turned, mut share) = (0usize, 0usize, 0usize, 0.0);
    let (mut off, mut wide) = (Vec::new(), Vec::new());
    for i in 0..24u64 {
        let scene = draw_across(71_000 + i, i % 2 == 1, 2016);
        let Ok(trial) = across(&scene) else {
            continue;
        };
        told += 1;
        assert!(trial.form_right, "{i}: {:?}", trial.section.form);
        let (Some(radius), Some(miss)) = (trial.section.radius_mm, trial.radius_off_mm) else {
            continue;
        };
        inside += usize::from(miss.abs() <= radius.u95);
        turned += usize::from(trial.turn_off_deg.abs() <= trial.section.turn_deg.u95);
        share += trial.gap.inside as f64 / trial.gap.points.max(1) as f64;
        off.push(miss.abs() / scene.radius_mm);
        wide.push(radius.u95 / scene.radius_mm);
    }
    assert!(told >= 20, "only {told} of 24 told");
    assert!(10 * inside >= 7 * told, "{inside} of {told} radii inside");
    assert!(10 * turned >= 7 * told, "{turned} of {told} turns inside");
    let share = share / told as f64;
    assert!(share >= 0.9, "{share:.3} of the gap's places are inside");
    // A rod is chosen from sizes about a tenth apart.
    for list in [&mut off, &mut wide] {
        list.sort_by(f64::total_cmp);
    }
    let (off, wide) = (off[off.len() / 2], wide[wide.len() / 2]);
    assert!(
        off < 0.05 && wide < 0.1,
        "median off {off:.3}, interval {wide:.3}"
    );
}
