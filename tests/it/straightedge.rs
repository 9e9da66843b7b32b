//! The straightedge check on made-up photos whose truth is known.

use fairpanel::sim::rule::{Rests, draw_rule};
use fairpanel::sim::trial::straightedge;

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
