//! Does the ± hold the truth? The checks on many made-up photos, with and without a lens file.
//!
//! `cargo run --release --example coverage -- 200` for lines, `… -- 200 stripe` for stripes of coat, `… -- 100 join` for lines
//! of 3 m joined from three photos each, `… -- 100 partner` for the same line on two photos, `… -- 4 remedy` for the change
//! that is said to help most against the photo with that change made. A third word, a number, is added to the seeds of lines
//! joined and of pairs: other scenes.

use fairpanel::sim::draw::{LineKind, LookKind, line_of, long_swage, pair, stripe as stripe_scene};
use fairpanel::sim::helped::{Change, lacking};
use fairpanel::sim::trial::{StripeTrial, Trial, joined, line, partners, stripe};

fn main() {
    let count: u64 = std::env::args()
        .nth(1)
        .and_then(|n| n.parse().ok())
        .unwrap_or(200);
    let family = std::env::args().nth(2);
    let shift: u64 = std::env::args()
        .nth(3)
        .and_then(|n| n.parse().ok())
        .unwrap_or(0);
    match family.as_deref() {
        Some("stripe") => return stripes(count),
        Some("remedy") => return remedies(count),
        _ => {}
    }
    println!(
        "{:<24} {:>6} {:>8} {:>10} {:>10} {:>12}",
        "photos", "n", "refused", "inside", "error mm", "u95 mm"
    );
    match family.as_deref() {
        Some("join") => return long_ones(count, 90_000 + shift),
        Some("partner") => return pairs(count, 95_000 + shift),
        _ => {}
    }
    let (mut all, mut straight, mut photos) = (Vec::new(), 0, 0);
    for (k, look) in [LookKind::Tape, LookKind::Coat, LookKind::Shade]
        .into_iter()
        .enumerate()
    {
        for with_lens in [true, false] {
            let n = if with_lens { count * 2 / 9 } else { count / 9 }.max(1);
            let mut trials: Vec<Trial> = Vec::new();
            let mut refused = 0;
            for i in 0..n {
                let seed = 70_000 + 1_000 * k as u64 + 500 * u64::from(with_lens) + i;
                let kind = LineKind {
                    look,
                    level: i % 2 == 0,
                    gap: i % 3 == 0,
                    cards: 1 + (i % 3) as usize,
                    width: 2016,
                };
                match line(&line_of(seed, &kind), with_lens) {
                    Ok(trial) => trials.push(trial),
                    Err(error) => {
                        eprintln!("{look:?} {seed}: {error}");
                        refused += 1;
                    }
                }
            }
            let name = format!(
                "{look:?}, {}",
                if with_lens {
                    "lens file"
                } else {
                    "no lens file"
                }
            );
            row(&name, &trials, refused);
            straight += trials.iter().filter(|t| t.straightness_inside).count();
            photos += trials.len();
            all.extend(trials);
        }
    }
    row("all", &all, 0);
    println!("straightness inside its interval: {straight} of {photos}");
}

/// What the verdict says would help most, and what each change then comes to.
fn remedies(count: u64) {
    for lack in Change::ALL {
        for seed in 0..count {
            let shot = lacking(lack, seed);
            let Ok(now) = shot.measure() else {
                println!("{lack:?} {seed}: refused");
                continue;
            };
            let why = now.head.verdict.map(|v| v.why).unwrap_or_default();
            print!("{lack:?} {seed}: {why}  got:");
            for change in Change::ALL {
                let u95 = shot.with(change, &why).measure();
                let u95 = u95.map_or(f64::NAN, |r| r.line.straightness_mm.u95);
                print!("  {change:?} {u95:.3}");
            }
            println!();
        }
    }
}

/// Radii from stripes: errors and intervals as shares of the radius.
fn stripes(count: u64) {
    println!(
        "{:<24} {:>6} {:>8} {:>10} {:>10} {:>10} {:>12}",
        "photos", "n", "refused", "inside", "covered", "error", "u95"
    );
    for root in [false, true] {
        for with_lens in [true, false] {
            let n = if with_lens { count / 3 } else { count / 6 }.max(1);
            let mut trials: Vec<StripeTrial> = Vec::new();
            let mut refused = 0;
            for i in 0..n {
                let seed = 80_000 + 1_000 * u64::from(root) + 500 * u64::from(with_lens) + i;
                match stripe(&stripe_scene(seed, root, 2016), with_lens) {
                    Ok(trial) => trials.push(trial),
                    Err(error) => {
                        eprintln!("{seed}: {error}");
                        refused += 1;
                    }
                }
            }
            let of = |pick: fn(&StripeTrial) -> f64| {
                let mut v: Vec<f64> = trials.iter().map(pick).collect();
                v.sort_by(f64::total_cmp);
                v.get(v.len() / 2).copied().unwrap_or(f64::NAN)
            };
            let inside = trials
                .iter()
                .map(|t| t.inside as f64 / t.points.max(1) as f64)
                .sum::<f64>()
                / trials.len().max(1) as f64;
            println!(
                "{:<24} {:>6} {refused:>8} {inside:>10.3} {:>10.3} {:>10.4} {:>12.4}",
                format!(
                    "{}, {}",
                    if root { "Root" } else { "Crest" },
                    if with_lens {
                        "lens file"
                    } else {
                        "no lens file"
                    }
                ),
                trials.len(),
                of(|t| t.cover),
                of(|t| t.error),
                of(|t| t.u95)
            );
        }
    }
}

/// Lines of 3 m joined from three photos.
fn long_ones(count: u64, first: u64) {
    let (mut trials, mut refused) = (Vec::new(), 0);
    for i in 0..count {
        let look = if i % 2 == 0 {
            LookKind::Tape
        } else {
            LookKind::Coat
        };
        match joined(&long_swage(first + i, look, 2016)) {
            Ok(trial) => trials.push(trial),
            Err(error) => {
                eprintln!("{look:?} {}: {error}", first + i);
                refused += 1;
            }
        }
    }
    row("joined, 3 m", &trials, refused);
    let inside = trials.iter().filter(|t| t.straightness_inside).count();
    println!(
        "straightness inside its interval: {inside} of {}",
        trials.len()
    );
}

/// The same line from two poses, compared as partners.
fn pairs(count: u64, first: u64) {
    let (mut trials, mut refused) = (Vec::new(), 0);
    for i in 0..count {
        let kind = LineKind {
            look: if i % 2 == 0 {
                LookKind::Tape
            } else {
                LookKind::Coat
            },
            level: i % 3 != 0,
            gap: i % 4 == 0,
            cards: 2,
            width: 2016,
        };
        match partners(&pair(first + i, &kind)) {
            Ok(trial) => trials.push(trial),
            Err(error) => {
                eprintln!("{:?} {}: {error}", kind.look, first + i);
                refused += 1;
            }
        }
    }
    row("partners", &trials, refused);
    let inside = trials.iter().filter(|t| t.straightness_inside).count();
    println!(
        "largest difference inside its interval: {inside} of {}",
        trials.len()
    );
}

fn row(name: &str, trials: &[Trial], refused: usize) {
    let n = trials.len().max(1) as f64;
    let inside = trials
        .iter()
        .map(|t| t.inside as f64 / t.points.max(1) as f64)
        .sum::<f64>()
        / n;
    let middle = |mut v: Vec<f64>| {
        v.sort_by(f64::total_cmp);
        v.get(v.len() / 2).copied().unwrap_or(f64::NAN)
    };
    let error = middle(trials.iter().map(|t| t.error_mm).collect());
    let u95 = middle(trials.iter().map(|t| t.u95_mm).collect());
    println!(
        "{name:<24} {:>6} {refused:>8} {inside:>10.3} {error:>10.3} {u95:>12.3}",
        trials.len()
    );
}
