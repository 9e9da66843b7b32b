//! Flat scenes: sheets and cut-out shapes before a background. The board for the lens, a straightedge on a panel's
//! edge seen side-on, a template beside a card.
//!
//! Frame: millimetres, x right, y down, z away from the camera; the plane z = 0 is where a thing without lift lies.

use super::camera::Camera;
use super::cardface::Face;
use super::develop::{self, Picture, linear};
use super::flat::{Flat, Place};
use super::noise::Tile;
use super::random::Rng;
use super::scene::{Develop, Pose};
use super::sensor::{self, Seen, Sight};
use super::truth::CardTruth;
use crate::card::Layout;
use crate::lens::Lens;
use crate::photo::Photo;
use crate::units::{Mm, Px};
use nalgebra::{Point3, Vector3};

/// A flat scene.
#[derive(Debug, Clone, PartialEq)]
pub struct Bench {
    /// Draws the surfaces.
    pub surface_seed: u64,
    /// Draws the noise of this photo.
    pub photo_seed: u64,
    /// What everything lies on or stands before.
    pub ground: Ground,
    /// Patches of colour on z = 0, later ones over earlier ones, under everything else.
    pub blobs: Vec<Blob>,
    /// Cut-out shapes, later ones over earlier ones.
    pub shapes: Vec<Cutout>,
    /// Printed sheets, over the shapes, later ones over earlier ones.
    pub sheets: Vec<Sheet>,
    /// Ratio of brightness across 300 mm.
    pub gradient: f64,
    /// Direction in which it grows brighter, degrees clockwise from x.
    pub gradient_deg: f64,
    /// Where the camera stands.
    pub pose: Pose,
    /// Its lens, in the frame of the upright photo.
    pub lens: Lens,
    /// From light to 8 bits.
    pub develop: Develop,
}

/// The background.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ground {
    /// Colour, linear light.
    pub colour: [f64; 3],
    /// How far behind z = 0 it lies, mm.
    pub depth_mm: f64,
    /// Relative strength of cloudy variation.
    pub mottle: f64,
    /// Relative strength of streaks along y (wood).
    pub streak: f64,
}

/// A patch of colour with a wavy outline.
#[derive(Debug, Clone, PartialEq)]
pub struct Blob {
    /// Middle, mm.
    pub centre_mm: [f64; 2],
    /// Half lengths along its own axes, mm.
    pub half_mm: [f64; 2],
    /// Turned clockwise, degrees.
    pub turn_deg: f64,
    /// Waves of the outline, 2, 3, 5 and 9 to the round: relative height and phase (radians).
    pub wobble: [[f64; 2]; 4],
    /// Colour, linear light.
    pub colour: [f64; 3],
    /// How much of what lies under it is hidden, 0 to 1.
    pub strength: f64,
    /// Softness of its edge: standard deviation of the blend, mm.
    pub soft_mm: f64,
    /// Relative strength of its grain.
    pub speckle: f64,
}

impl Blob {
    /// How deep a place lies inside, mm (negative outside), near the outline; and its slopes along x and y.
    pub fn depth(&self, at: [f64; 2]) -> (f64, [f64; 2]) {
        let (sin, cos) = self.turn_deg.to_radians().sin_cos();
        let (dx, dy) = (at[0] - self.centre_mm[0], at[1] - self.centre_mm[1]);
        let own = [
            (cos * dx + sin * dy) / self.half_mm[0],
            (cos * dy - sin * dx) / self.half_mm[1],
        ];
        let round = (own[0] * own[0] + own[1] * own[1]).sqrt();
        let angle = own[1].atan2(own[0]);
        let waves = self.wobble.iter().zip([2.0, 3.0, 5.0, 9.0]);
        let outline = 1.0
            + waves
                .map(|(w, k)| w[0] * (k * angle + w[1]).cos())
                .sum::<f64>();
        // A millimetre outward changes the round coordinate by this much.
        let (u, v) = (own[0] / self.half_mm[0], own[1] / self.half_mm[1]);
        let rate = (u * u + v * v).sqrt().max(1e-9) / round.max(1e-9);
        let (gx, gy) = (cos * u - sin * v, sin * u + cos * v);
        let norm = (gx * gx + gy * gy).sqrt().max(1e-12);
        ((outline - round) / rate, [-gx / norm, -gy / norm])
    }
}

/// A shape between two edges, in its own frame (x along it, y down).
#[derive(Debug, Clone, PartialEq)]
pub struct Cutout {
    /// Where its own (0, 0) lies, mm.
    pub origin_mm: [f64; 2],
    /// Turned clockwise, degrees.
    pub turn_deg: f64,
    /// Its seen face lies this much nearer to the camera than z = 0, mm.
    pub lift_mm: f64,
    /// From x, mm.
    pub from_mm: f64,
    /// To x, mm.
    pub to_mm: f64,
    /// Upper edge.
    pub upper: Edge,
    /// Lower edge.
    pub lower: Edge,
    /// Colour, linear light.
    pub colour: [f64; 3],
    /// Relative strength of its grain.
    pub grain: f64,
    /// Relative strength of streaks along x (wood, brushed steel).
    pub streak: f64,
}

/// An edge: heights y at equal steps of x, straight between; held at its ends.
#[derive(Debug, Clone, PartialEq)]
pub struct Edge {
    /// x of the first height, mm.
    pub from_mm: f64,
    /// Step, mm.
    pub step_mm: f64,
    /// Heights, mm, positive down; two at least.
    pub heights_mm: Vec<f64>,
}

/// A printed sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// What is printed.
    pub layout: Layout,
    /// Middle of the printed squares, mm.
    pub centre_mm: [f64; 2],
    /// Turned clockwise, degrees.
    pub turn_deg: f64,
    /// Nearer to the camera than z = 0, mm.
    pub lift_mm: f64,
    /// Bowed: sagitta over the printed length, mm; positive: the middle is nearer to the camera.
    pub bow_mm: f64,
    /// Bowed along the card's x; else along y.
    pub bow_along_x: bool,
    /// Printed size over nominal size, along card x and y.
    pub print_scale: [f64; 2],
}

impl Default for Sheet {
    /// The built-in board's layout, flat, at true size, in the middle.
    fn default() -> Self {
        let layout = Layout {
            name: "board".to_owned(),
            dictionary: "DICT_4X4_250".to_owned(),
            squares_x: 11,
            squares_y: 8,
            square_mm: 22.0,
            marker_mm: 16.5,
            first_id: 200,
        };
        Sheet {
            layout,
            centre_mm: [0.0, 0.0],
            turn_deg: 0.0,
            lift_mm: 0.0,
            bow_mm: 0.0,
            bow_along_x: true,
            print_scale: [1.0, 1.0],
        }
    }
}

impl Default for Bench {
    /// Nothing on grey paint, 1008 × 756, 0.4 m away.
    fn default() -> Self {
        Bench {
            surface_seed: 1,
            photo_seed: 1,
            ground: Ground {
                colour: linear([120, 118, 116]),
                depth_mm: 0.0,
                mottle: 0.04,
                streak: 0.0,
            },
            blobs: Vec::new(),
            shapes: Vec::new(),
            sheets: Vec::new(),
            gradient: 1.0,
            gradient_deg: 0.0,
            pose: Pose {
                distance_mm: 400.0,
                ..Pose::default()
            },
            lens: Lens::pinhole(1008, 756, 760.0),
            develop: Develop::default(),
        }
    }
}

impl Edge {
    /// A level edge.
    pub fn level(y_mm: f64) -> Self {
        Edge {
            from_mm: 0.0,
            step_mm: 1.0,
            heights_mm: vec![y_mm, y_mm],
        }
    }

    /// An edge through a function's values between two places.
    pub fn of(from_mm: f64, to_mm: f64, step_mm: f64, height: impl Fn(f64) -> f64) -> Self {
        let count = ((to_mm - from_mm) / step_mm).ceil().max(1.0) as usize + 1;
        let heights_mm = (0..count)
            .map(|i| height(from_mm + i as f64 * step_mm))
            .collect();
        Edge {
            from_mm,
            step_mm,
            heights_mm,
        }
    }

    /// Height and slope at x.
    pub fn at(&self, x: f64) -> (f64, f64) {
        let last = self.heights_mm.len().saturating_sub(2);
        let t = ((x - self.from_mm) / self.step_mm).clamp(0.0, last as f64 + 1.0);
        let i = (t as usize).min(last);
        let rise = self.heights_mm[i + 1] - self.heights_mm[i];
        (
            self.heights_mm[i] + rise * (t - i as f64),
            rise / self.step_mm,
        )
    }
}

/// A plane at a height with axes turned.
fn plane(origin: [f64; 2], turn_deg: f64, lift_mm: f64) -> Flat {
    let (sin, cos) = turn_deg.to_radians().sin_cos();
    Flat {
        origin: Point3::new(origin[0], origin[1], -lift_mm),
        right: Vector3::new(cos, sin, 0.0),
        down: Vector3::new(-sin, cos, 0.0),
    }
}

impl Cutout {
    /// The plane of its seen face, in its own coordinates.
    pub fn plane(&self) -> Flat {
        plane(self.origin_mm, self.turn_deg, self.lift_mm)
    }
}

/// A sheet ready to be looked up: its plane has the printed middle at 0, 0.
struct Laid<'a> {
    sheet: &'a Sheet,
    face: Face,
    plane: Flat,
    half: [f64; 2],
    axis: usize,
}

impl<'a> Laid<'a> {
    fn new(sheet: &'a Sheet) -> Self {
        let face = Face::new(&sheet.layout);
        let half = face.size_mm().map(|v| v / 2.0);
        let plane = plane(sheet.centre_mm, sheet.turn_deg, sheet.lift_mm);
        Laid {
            sheet,
            face,
            plane,
            half,
            axis: usize::from(!sheet.bow_along_x),
        }
    }

    /// Half the printed length along the bow, mm.
    fn span(&self) -> f64 {
        self.half[self.axis] * self.sheet.print_scale[self.axis]
    }

    /// How far a place `t` mm from the middle along the bow lies nearer to the camera than the rim.
    fn rise(&self, t: f64) -> f64 {
        self.sheet.bow_mm * (1.0 - (t / self.span()).powi(2))
    }

    /// Length along the sheet of `t` mm along its plane (a shallow parabola, to third order).
    fn along(&self, t: f64) -> f64 {
        let k = 2.0 * self.sheet.bow_mm / self.span().powi(2);
        t + k * k * t * t * t / 6.0
    }

    /// Where a look meets the sheet, in card millimetres.
    fn meet(&self, camera: &Camera, direction: &Vector3<f64>, look: &Sight) -> Option<Place> {
        let mut place = self.plane.meet(camera, direction, look)?;
        if self.sheet.bow_mm != 0.0 {
            // The bow is shallow: three rounds bring the place within 1e-6 mm.
            for _ in 0..3 {
                let lifted = Flat {
                    origin: self.plane.origin
                        - self.plane.normal() * self.rise(place.at[self.axis]),
                    ..self.plane
                };
                place = lifted.meet(camera, direction, look)?;
            }
            place.at[self.axis] = self.along(place.at[self.axis]);
        }
        let scaled = |v: [f64; 2]| [0, 1].map(|i| v[i] / self.sheet.print_scale[i]);
        let at = scaled(place.at);
        Some(Place {
            at: [at[0] + self.half[0], at[1] + self.half[1]],
            right: scaled(place.right),
            down: scaled(place.down),
        })
    }

    /// The point of a place in card millimetres.
    fn point(&self, at: [f64; 2]) -> Point3<f64> {
        let mut own = [0, 1].map(|i| (at[i] - self.half[i]) * self.sheet.print_scale[i]);
        let k = 2.0 * self.sheet.bow_mm / self.span().powi(2);
        let s = own[self.axis];
        own[self.axis] = s - k * k * s * s * s / 6.0;
        self.plane.point(own) - self.plane.normal() * self.rise(own[self.axis])
    }
}

/// A flat scene ready to be looked at.
struct View<'a> {
    bench: &'a Bench,
    camera: Camera,
    ground: Flat,
    shapes: Vec<(&'a Cutout, Flat)>,
    sheets: Vec<Laid<'a>>,
    tile: Tile,
    gradient: [f64; 2],
}

impl<'a> View<'a> {
    fn new(bench: &'a Bench) -> Self {
        let (along, grow) = (bench.gradient_deg.to_radians(), bench.gradient.ln() / 300.0);
        View {
            bench,
            camera: Camera::new(bench.lens, &bench.pose),
            ground: plane([0.0, 0.0], 0.0, -bench.ground.depth_mm),
            shapes: bench.shapes.iter().map(|s| (s, s.plane())).collect(),
            sheets: bench.sheets.iter().map(Laid::new).collect(),
            tile: Tile::new(&mut Rng::new(bench.surface_seed, 21)),
            gradient: [grow * along.cos(), grow * along.sin()],
        }
    }

    /// Front to back: each layer covers its share of what the layers before it left open.
    fn see(&self, look: &Sight) -> Seen {
        let direction = self.camera.direction(look.ray);
        let (mut colour, mut open, mut sharp) = ([0.0f64; 3], 1.0, false);
        let mut put = |cover: f64, rgb: [f64; 3], near: bool| {
            for i in 0..3 {
                colour[i] += open * cover * rgb[i];
            }
            open *= 1.0 - cover;
            sharp |= near;
            open > 1e-6
        };
        let mut more = true;
        for laid in self.sheets.iter().rev() {
            let ink = laid
                .meet(&self.camera, &direction, look)
                .and_then(|place| Some((laid.face.look(&place, look.size_px)?, place.at)));
            if let Some((ink, at)) = ink {
                let paper = 1.0 + 0.012 * f64::from(self.tile.at(1.7 * at[0], 1.7 * at[1]));
                more = more
                    && put(
                        ink.cover,
                        [1.0, 0.995, 0.985].map(|t| t * ink.brightness * paper),
                        ink.near,
                    );
            }
        }
        for (shape, plane) in self.shapes.iter().rev().filter(|_| more) {
            if let Some(place) = plane.meet(&self.camera, &direction, look) {
                let (cover, near) = inside(shape, &place, look.size_px);
                if cover > 0.0 || near {
                    put(cover, self.colour(shape, place.at), near);
                }
            }
        }
        let ground = self.ground.meet(&self.camera, &direction, look);
        let [x, y] = ground.map_or([0.0; 2], |p| p.at);
        let g = &self.bench.ground;
        let cloud = f64::from(self.tile.cloud(x, y, 90.0, 4, 0.7));
        let streak = f64::from(self.tile.cloud(x * 12.0, y * 0.25, 30.0, 4, 0.8));
        let mut paint = g
            .colour
            .map(|c| c * (1.0 + g.mottle * cloud + g.streak * streak).max(0.05));
        if let Some(place) = ground.filter(|_| !self.bench.blobs.is_empty()) {
            let grain = f64::from(self.tile.at(x / 0.9, y / 0.9));
            for blob in &self.bench.blobs {
                let (cover, near) = patch(blob, &place, look.size_px);
                let own = blob
                    .colour
                    .map(|c| c * (1.0 + blob.speckle * grain + g.mottle * cloud).max(0.05));
                let share =
                    (cover * blob.strength * (1.0 - blob.speckle * grain.max(0.0))).clamp(0.0, 1.0);
                paint = [0, 1, 2].map(|i| paint[i] * (1.0 - share) + own[i] * share);
                sharp |= near;
            }
        }
        for i in 0..3 {
            colour[i] += open * paint[i];
        }
        let lit = (self.gradient[0] * x + self.gradient[1] * y)
            .clamp(-2.0, 2.0)
            .exp();
        Seen {
            rgb: colour.map(|c| (c * lit) as f32),
            sharp,
        }
    }

    fn colour(&self, shape: &Cutout, at: [f64; 2]) -> [f64; 3] {
        let [x, y] = at;
        let grain = f64::from(self.tile.at(x / 0.8 + 31.0, y / 0.8));
        let streak = f64::from(self.tile.cloud(x * 0.25 + 400.0, y * 12.0, 30.0, 4, 0.8));
        let even = (1.0 + shape.grain * grain + shape.streak * streak).max(0.05);
        shape.colour.map(|c| c * even)
    }
}

/// Share of a look inside a blob, and whether its edge is near.
fn patch(blob: &Blob, place: &Place, size_px: f64) -> (f64, bool) {
    let (depth, gradient) = blob.depth(place.at);
    let along = |step: [f64; 2]| gradient[0] * step[0] + gradient[1] * step[1];
    let rate = (along(place.right).powi(2) + along(place.down).powi(2)).sqrt();
    let spread = (blob.soft_mm.powi(2) + (rate * size_px).powi(2) / 12.0).sqrt();
    let cover = 1.0 / (1.0 + (-1.702 * depth / spread).clamp(-40.0, 40.0).exp());
    (cover, depth.abs() < 3.0 * blob.soft_mm + 1.3 * rate)
}

/// Share of a look inside a shape.
fn inside(shape: &Cutout, place: &Place, size_px: f64) -> (f64, bool) {
    let [x, y] = place.at;
    let (upper, upper_slope) = shape.upper.at(x);
    let (lower, lower_slope) = shape.lower.at(x);
    let (mut cover, mut near) = (1.0, false);
    for (field, gradient) in [
        (x - shape.from_mm, [1.0, 0.0]),
        (shape.to_mm - x, [-1.0, 0.0]),
        (y - upper, [-upper_slope, 1.0]),
        (lower - y, [lower_slope, -1.0]),
    ] {
        let (share, edge) = place.cover(field, gradient, size_px);
        cover *= share;
        near |= edge;
    }
    (cover, near)
}

/// The upright picture of a flat scene before it is stored.
pub fn picture(bench: &Bench) -> Picture {
    let view = View::new(bench);
    let light = sensor::expose(
        &bench.lens,
        bench.develop.psf_sigma_px,
        &|look, _: &mut ()| view.see(look),
    );
    develop::develop(&light, &bench.lens, &bench.develop, bench.photo_seed)
}

/// The photo of a flat scene as intake would hand it over, and where its sheets lie.
pub fn render(bench: &Bench) -> (Photo, Vec<CardTruth>) {
    (
        develop::photo(&picture(bench), &bench.develop, "made-up.jpg"),
        cards(bench),
    )
}

/// Where the scene's sheets lie in the photo.
pub fn cards(bench: &Bench) -> Vec<CardTruth> {
    let camera = Camera::new(bench.lens, &bench.pose);
    bench
        .sheets
        .iter()
        .map(|sheet| {
            let laid = Laid::new(sheet);
            let size = laid.face.size_mm();
            let seen = |at: [f64; 2]| {
                camera
                    .project(laid.point(at))
                    .unwrap_or(Px::new(f64::NAN, f64::NAN))
            };
            let layout = sheet.layout.clone();
            let inner: Vec<Mm> = (0..layout.corners())
                .filter_map(|id| layout.corner(id))
                .collect();
            CardTruth {
                corners_px: [[0.0, 0.0], [size[0], 0.0], size, [0.0, size[1]]]
                    .into_iter()
                    .map(seen)
                    .collect(),
                inner_px: inner.iter().map(|mm| seen([mm.0.x, mm.0.y])).collect(),
                inner_mm: inner,
                layout,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bowed_sheet_is_met_where_its_points_are() {
        let sheet = Sheet {
            bow_mm: 1.5,
            bow_along_x: false,
            turn_deg: 20.0,
            print_scale: [1.004, 0.997],
            ..Sheet::default()
        };
        let bench = Bench {
            pose: Pose {
                elevation_deg: 25.0,
                yaw_deg: -30.0,
                distance_mm: 420.0,
                ..Pose::default()
            },
            ..Bench::default()
        };
        let camera = Camera::new(bench.lens, &bench.pose);
        let laid = Laid::new(&sheet);
        for at in [[0.0, 0.0], [220.0, 30.0], [121.0, 88.0], [40.0, 176.0]] {
            let direction = (laid.point(at) - camera.centre) / 400.0;
            let step = 1.0 / 760.0;
            let look = Sight {
                ray: [0.0; 2],
                right: [step, 0.0],
                down: [0.0, step],
                size_px: 1.0,
            };
            let met = laid.meet(&camera, &direction, &look).expect("aimed at");
            assert!(
                (met.at[0] - at[0]).abs() < 1e-4 && (met.at[1] - at[1]).abs() < 1e-4,
                "{:?} {at:?}",
                met.at
            );
        }
        // The rim lies in the plane, the middle 1.5 mm before it.
        // (within what the arc's length takes from the half span).
        assert!(laid.point([121.0, 0.0]).z.abs() < 2e-3);
        assert!((laid.point([121.0, 88.0]).z + 1.5).abs() < 1e-9);
    }

    #[test]
    fn edge_of_a_shape_lands_where_it_is() {
        let edge = Edge::of(-200.0, 200.0, 0.5, |x| 0.002 * x * x - 0.05 * x);
        let shape = Cutout {
            origin_mm: [5.0, -3.0],
            turn_deg: 6.0,
            lift_mm: 2.0,
            from_mm: -300.0,
            to_mm: 300.0,
            upper: edge.clone(),
            lower: Edge::level(500.0),
            colour: [0.0; 3],
            grain: 0.0,
            streak: 0.0,
        };
        let lens = Lens {
            k1: -0.1,
            k2: 0.03,
            ..Lens::pinhole(320, 240, 300.0)
        };
        let bench = Bench {
            ground: Ground {
                colour: [1.0; 3],
                depth_mm: 150.0,
                mottle: 0.0,
                streak: 0.0,
            },
            pose: Pose {
                elevation_deg: 3.0,
                distance_mm: 300.0,
                ..Pose::default()
            },
            lens,
            shapes: vec![shape],
            ..Bench::default()
        };
        let view = View::new(&bench);
        let light = sensor::expose(&lens, 0.7, &|look, _: &mut ()| view.see(look));
        let plane = bench.shapes[0].plane();
        let px: Vec<Px> = (-360..360)
            .map(|k| f64::from(k) * 0.5)
            .filter_map(|x| view.camera.project(plane.point([x, edge.at(x).0])))
            .collect();
        let mut seen = 0;
        for column in 6..314 {
            let c = f64::from(column);
            let Some(pair) = px.windows(2).find(|p| p[0].0.x <= c && p[1].0.x > c) else {
                continue;
            };
            let t = (c - pair[0].0.x) / (pair[1].0.x - pair[0].0.x);
            let y = pair[0].0.y + t * (pair[1].0.y - pair[0].0.y);
            if !(10.0..230.0).contains(&y) {
                continue;
            }
            let (from, to) = (y as usize - 7, y as usize + 8);
            let bright: f64 = (from..to)
                .map(|r| f64::from(light.rgb[r * 320 + column as usize][0]))
                .sum();
            let found = from as f64 - 0.5 + bright;
            assert!((found - y).abs() < 0.01, "column {column}: {found} {y}");
            seen += 1;
        }
        assert!(seen > 250, "{seen}");
    }
}
