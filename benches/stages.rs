//! Where the time of a line goes on a 12-megapixel photo: finding the cards, then scale, trace and fit together. Intake and
//! pictures have benches of their own (`decode`, `pictures`).

use criterion::{Criterion, criterion_group, criterion_main};
use fairpanel::card::find;
use fairpanel::check::Setup;
use fairpanel::check::line::{LineOptions, measure_on};
use fairpanel::scale::{Scale, solve};
use fairpanel::sim::draw::{LineKind, LookKind, line_of};
use fairpanel::sim::render;

fn stages(criterion: &mut Criterion) {
    let kind = LineKind {
        look: LookKind::Tape,
        level: true,
        gap: true,
        cards: 2,
        width: 4032,
    };
    let scene = line_of(7, &kind);
    let (photo, _) = render(&scene);
    let layouts: Vec<_> = scene.cards.iter().map(|c| c.layout.clone()).collect();
    let cards = find(&photo, &layouts).expect("the scene's cards are whole");
    let setup = Setup {
        layouts: Some(layouts.clone()),
        ..Setup::default()
    };
    let (assume, _) = setup.assume(&photo).expect("no lens file to refuse");
    criterion.bench_function("cards", |b| {
        b.iter(|| find(&photo, &layouts).map(|c| c.len()))
    });
    criterion.bench_function("scale", |b| {
        b.iter(|| solve(&cards, &assume).map(|s: Scale| s.sigma_px))
    });
    criterion.bench_function("scale, trace and fit", |b| {
        b.iter(|| measure_on(&photo, &cards, &setup, &LineOptions::default()).map(|r| r.gap.len()))
    });
}

criterion_group! {
    name = line;
    config = Criterion::default().sample_size(10);
    targets = stages
}
criterion_main!(line);
