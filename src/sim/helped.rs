//! Lines that lack one thing, and the same line photographed anew with one thing changed.

use super::draw::{layout, phone};
use super::scene::{Panel, PlacedCard, Pose, Scene, Wave};
use super::trial::lens_file;
use super::{Truth, render};
use crate::check::line::{LineOptions, LineResult, join, measure, prepare};
use crate::check::{CheckError, Setup};

/// One change of how a photo is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// A lens file.
    Lens,
    /// The camera level with the line.
    Level,
    /// The camera nearer.
    Nearer,
    /// One more card.
    Card,
    /// Two photos from nearer, joined.
    Halves,
}

impl Change {
    /// All of them.
    pub const ALL: [Change; 5] = [
        Change::Lens,
        Change::Level,
        Change::Nearer,
        Change::Card,
        Change::Halves,
    ];

    /// The change that a verdict's words name.
    pub fn named(words: &str) -> Option<Change> {
        let marks = [
            "lens file",
            "level with the line",
            "closer, to",
            "card along",
            "two overlapping",
        ];
        let found = marks.iter().position(|m| words.contains(m))?;
        Change::ALL.get(found).copied()
    }
}

/// A photo of a line and whether its lens file is given.
#[derive(Debug, Clone, PartialEq)]
pub struct Shot {
    /// The scene.
    pub scene: Scene,
    /// Whether the lens file is given.
    pub with_lens: bool,
    /// Whether it is taken in two photos from nearer, joined.
    pub halved: bool,
}

/// A line that lacks one thing more than any other.
pub fn lacking(change: Change, seed: u64) -> Shot {
    let lens = phone(seed as usize, 1512, 1134);
    let wide = |mm: f64| lens.fx / lens.width as f64 * mm;
    let (half, seen, elevation_deg, cards): (f64, f64, f64, &[f64]) = match change {
        Change::Lens => (450.0, 1050.0, 0.5, &[-290.0, 290.0]),
        Change::Level => (450.0, 1050.0, 15.0, &[-110.0, 110.0]),
        Change::Nearer => (300.0, 1250.0, 1.0, &[-180.0, 180.0]),
        Change::Card => (450.0, 1050.0, 2.5, &[-330.0]),
        Change::Halves => (450.0, 1050.0, 0.5, &[-330.0, 0.0, 330.0]),
    };
    let scene = Scene {
        surface_seed: seed,
        photo_seed: seed ^ 0x5EED,
        panel: Panel {
            from_mm: -half,
            to_mm: half,
            bow_mm_per_m: 6.0,
            waves: vec![Wave {
                amplitude_mm: 0.3,
                wavelength_mm: 310.0,
                phase: seed as f64,
            }],
            ..Panel::default()
        },
        pose: Pose {
            elevation_deg,
            yaw_deg: 3.0,
            roll_deg: 1.0,
            distance_mm: wide(seen),
            ..Pose::default()
        },
        cards: cards.iter().enumerate().map(|(k, x)| card(k, *x)).collect(),
        lens,
        ..Scene::default()
    };
    Shot {
        scene,
        with_lens: change != Change::Lens,
        halved: false,
    }
}

fn card(number: usize, x: f64) -> PlacedCard {
    PlacedCard {
        layout: layout(true, 24 * number),
        centre_mm: [x, 55.0],
        turn_deg: 0.7,
        stiff: false,
        print_scale: [1.0, 1.0],
    }
}

impl Shot {
    /// The same line with a change made, as `words` have it where they say how far and where. Another photo: its noise is new.
    pub fn with(&self, change: Change, words: &str) -> Shot {
        let mut out = self.clone();
        out.scene.photo_seed = out.scene.photo_seed.wrapping_add(1);
        match change {
            Change::Lens => out.with_lens = true,
            Change::Halves => out.halved = true,
            Change::Level => out.scene.pose.elevation_deg = 0.0,
            Change::Nearer => {
                let percent = words
                    .split_once("closer, to ")
                    .and_then(|(_, rest)| rest.split_once('%'))
                    .and_then(|(n, _)| n.parse::<f64>().ok());
                out.scene.pose.distance_mm *= percent.unwrap_or(80.0) / 100.0;
                out.scene.pose.aim_mm = [0.0, 0.0];
            }
            Change::Card => {
                let (from, to) = (out.scene.panel.from_mm, out.scene.panel.to_mm);
                let at = [
                    ("left end", 0.15),
                    ("left of", 0.36),
                    ("right end", 0.85),
                    ("right of", 0.64),
                    ("middle", 0.5),
                ];
                let taken = |share: f64| {
                    let x = from + share * (to - from);
                    out.scene
                        .cards
                        .iter()
                        .any(|c| (c.centre_mm[0] - x).abs() < 200.0)
                };
                let named = at.iter().find(|(word, _)| words.contains(word));
                let free = at.iter().find(|(_, share)| !taken(*share));
                if let Some((_, share)) = named.or(free) {
                    let number = out.scene.cards.len();
                    out.scene
                        .cards
                        .push(card(number, from + share * (to - from)));
                }
            }
        }
        out
    }

    /// The answer, near points on the line; with a tolerance that can't be told.
    ///
    /// # Errors
    /// What the check says.
    pub fn measure(&self) -> Result<LineResult, CheckError> {
        let plain = self.measure_against(None)?;
        // The figure itself as its limit: it may always lie on either side.
        self.measure_against(Some(plain.line.straightness_mm.value))
    }

    fn measure_against(&self, tol_mm: Option<f64>) -> Result<LineResult, CheckError> {
        let layouts = self.scene.cards.iter().map(|c| c.layout.clone()).collect();
        let mut setup = Setup {
            layouts: Some(layouts),
            ..Setup::default()
        };
        let mut scenes = vec![self.scene.clone()];
        if self.halved {
            scenes = [-0.5, 0.5]
                .map(|side| {
                    let mut scene = self.scene.clone();
                    scene.pose.distance_mm *= 0.62;
                    scene.pose.aim_mm = [0.9 * side * scene.panel.to_mm, 0.0];
                    scene
                })
                .to_vec();
        }
        let options = |truth: &Truth| LineOptions {
            near: near(truth),
            tol_mm,
            ..LineOptions::default()
        };
        let mut prepared = Vec::new();
        for scene in &scenes {
            let (photo, truth) = render(scene);
            setup.lens = self
                .with_lens
                .then(|| lens_file(&truth.lens, photo.facts.orientation));
            if !self.halved {
                return measure(&photo, &setup, &options(&truth));
            }
            prepared.push(prepare(&photo, &setup, &options(&truth))?);
        }
        let options = LineOptions {
            tol_mm,
            ..LineOptions::default()
        };
        join(&prepared, &setup, &options)
    }
}

fn near(truth: &Truth) -> Vec<crate::units::Px> {
    let n = truth.line.px.len();
    [n / 6, n / 2, n - 1 - n / 6]
        .map(|k| truth.line.px[k])
        .to_vec()
}
