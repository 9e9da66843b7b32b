//! What a look at the panel sees: ground, coat, tape, paper, cards, light, and what stands behind.

use super::backdrop::Backdrop;
use super::camera::Camera;
use super::cardface::{Face, Ink, Lie};
use super::flat::{Flat, Place};
use super::noise::{Ragged, Tile};
use super::random::Rng;
use super::scene::{Coat, Look, PlacedCard, Scene, Stripe};
use super::sensor::{Seen, Sight};
use super::shape::{Hit, Shape};
use nalgebra::{Point3, Vector3};

/// Streams of the surface's random numbers.
const STREAM_TILE: u64 = 11;
const STREAM_EDGE: u64 = 12;

/// A colour in linear light.
type Rgb = [f64; 3];

/// A scene ready to be looked at.
pub struct Panelled<'a> {
    scene: &'a Scene,
    /// The metal.
    pub shape: Shape,
    /// The camera.
    pub camera: Camera,
    /// Drawn edges about the true ones, mm, positive down: a coat's one, a stripe's upper and lower; else none.
    pub edges: Vec<Ragged>,
    tile: Tile,
    cards: Vec<Laid>,
    light: Vector3<f64>,
    /// Rise of the logarithm of brightness per millimetre along x and y.
    gradient: [f64; 2],
    backdrop: Backdrop,
}

/// What a look leaves for the next: where it met the panel, and, for closer looks at the same pixel, the unevenness of the
/// paint there (a pixel has one).
#[derive(Debug, Clone, Copy, Default)]
pub struct Note {
    hit: Option<Hit>,
    texture: Texture,
}

/// Unevenness of paint and coat: relative, mean 0.
#[derive(Debug, Clone, Copy, Default)]
struct Texture {
    cloud: f64,
    grain: f64,
    /// How far the coat's outer border strays.
    wander: f64,
    /// How thick the coat lies.
    patch: f64,
}

/// A card laid on the flank, ready to be looked up.
struct Laid {
    face: Face,
    lie: Lie,
    /// Its plane when it is stiff.
    plane: Option<Flat>,
    /// Its middle and how far from there, in x or y, anything of it can be seen, mm.
    centre: [f64; 2],
    reach: f64,
}

impl Laid {
    fn new(card: &PlacedCard, shape: &Shape) -> Self {
        let face = Face::new(&card.layout);
        let size = face.size_mm();
        Laid {
            lie: Lie::new(card),
            plane: card.stiff.then(|| stiff_plane(shape, card)),
            centre: [shape.x_of_arc(card.centre_mm[0]), card.centre_mm[1]],
            // Half its diagonal with the margin, and the shift of an end that stands off the bowed flank.
            reach: 0.55 * (size[0].hypot(size[1]) + 2.0 * card.layout.square_mm) + 10.0,
            face,
        }
    }
}

/// One place on the surface and how it moves from pixel to pixel.
struct Spot {
    x: f64,
    y: f64,
    /// Height under the crest (positive down), mm.
    under: f64,
    /// Square side to average over, px.
    size_px: f64,
    /// (x, y) per pixel right and per pixel down, mm.
    right: [f64; 2],
    down: [f64; 2],
    /// No field with slopes up to 1 changes by more than this in a pixel, mm.
    coarse: f64,
    /// Slope of the crest.
    slope: f64,
}

impl Spot {
    /// Millimetres per pixel of a field with this gradient, across its contour lines.
    fn rate(&self, by_x: f64, by_y: f64) -> f64 {
        let (a, b) = (
            by_x * self.right[0] + by_y * self.right[1],
            by_x * self.down[0] + by_y * self.down[1],
        );
        norm(a, b).max(1e-9)
    }

    /// Share of the look in which a field with value `field` mm is positive, and whether its edge is near.
    fn cover(&self, field: f64, by_x: f64, by_y: f64) -> (f64, bool) {
        if field.abs() > 1.5 * self.coarse {
            return (if field > 0.0 { 1.0 } else { 0.0 }, false);
        }
        let px = field / self.rate(by_x, by_y);
        ((0.5 + px / self.size_px).clamp(0.0, 1.0), px.abs() < 1.3)
    }

    /// The same for an edge blended with standard deviation `soft_mm` (a logistic, symmetrical about the edge).
    fn soft(&self, field: f64, by_x: f64, by_y: f64, soft_mm: f64) -> (f64, bool) {
        if field.abs() > 9.0 * soft_mm + 3.0 * self.coarse {
            return (if field > 0.0 { 1.0 } else { 0.0 }, false);
        }
        let rate = self.rate(by_x, by_y);
        let spread = (soft_mm * soft_mm + (rate * self.size_px).powi(2) / 12.0).sqrt();
        (
            1.0 / (1.0 + (-1.702 * field / spread).exp()),
            field.abs() < 4.0 * soft_mm + 1.5 * rate,
        )
    }
}

impl<'a> Panelled<'a> {
    /// Prepares a scene.
    pub fn new(scene: &'a Scene) -> Self {
        let shape = Shape::new(&scene.panel);
        let camera = Camera::new(scene.lens, &scene.pose);
        let edge = |stream: u64, rms_mm: f64, correlation_mm: f64| {
            let mut rng = Rng::new(scene.surface_seed, stream);
            Ragged::new(
                &mut rng,
                scene.panel.from_mm,
                scene.panel.to_mm,
                rms_mm,
                correlation_mm,
            )
        };
        let edges = match &scene.look {
            Look::Coat(c) => vec![edge(STREAM_EDGE, c.raggedness_mm, c.correlation_mm)],
            Look::Stripe(c) => [STREAM_EDGE, STREAM_EDGE + 1]
                .map(|stream| edge(stream, c.raggedness_mm, c.correlation_mm))
                .to_vec(),
            _ => Vec::new(),
        };
        let (up, right) = (
            scene.light.up_deg.to_radians(),
            scene.light.right_deg.to_radians(),
        );
        let light = Vector3::new(right.sin() * up.cos(), -up.sin(), -right.cos() * up.cos());
        let (along, grow) = (
            scene.light.gradient_deg.to_radians(),
            scene.light.gradient.ln() / 1300.0,
        );
        let cards = scene.cards.iter().map(|c| Laid::new(c, &shape)).collect();
        Panelled {
            scene,
            shape,
            camera,
            edges,
            tile: Tile::new(&mut Rng::new(scene.surface_seed, STREAM_TILE)),
            cards,
            light,
            gradient: [grow * along.cos(), grow * along.sin()],
            backdrop: Backdrop::new(scene),
        }
    }

    /// What a look sees; `note` is carried along a row.
    pub fn see(&self, look: &Sight, note: &mut Note) -> Seen {
        let direction = self.camera.direction(look.ray);
        let start = self.scene.pose.distance_mm;
        note.hit = self
            .shape
            .hit(&self.camera.centre, &direction, note.hit.as_ref(), start);
        let Some(hit) = note.hit else {
            return self.backdrop.see(&self.camera, &direction, look);
        };
        let spot = self.spot(&hit, &direction, look);
        let (inside, rim) = self.inside(&spot);
        if inside <= 0.0 && !rim {
            return self.backdrop.see(&self.camera, &direction, look);
        }
        if look.size_px >= 1.0 {
            note.texture = self.texture(&spot);
        }
        let (colour, sharp) = self.surface(&spot, &note.texture, &hit.normal, &direction, look);
        let mut seen = Seen {
            rgb: colour.map(|v| v as f32),
            sharp: sharp || rim,
        };
        if inside < 1.0 {
            let behind = self.backdrop.see(&self.camera, &direction, look);
            for i in 0..3 {
                seen.rgb[i] = seen.rgb[i] * inside as f32 + behind.rgb[i] * (1.0 - inside as f32);
            }
        }
        seen
    }

    fn spot(&self, hit: &Hit, direction: &Vector3<f64>, look: &Sight) -> Spot {
        let facing = hit.normal.dot(direction);
        // A ray's direction has length 1 along the camera's axis, so its reach is the depth before the camera.
        let reach = self
            .camera
            .camera_from_panel
            .row(2)
            .tr_dot(&(hit.point - self.camera.centre));
        let per_pixel = |change: [f64; 2]| {
            let turned = self
                .camera
                .camera_from_panel
                .tr_mul(&Vector3::new(change[0], change[1], 0.0));
            let along = (turned - direction * (hit.normal.dot(&turned) / facing)) * reach;
            [along.x, along.y]
        };
        let (crest, slope) = self.shape.crest(hit.point.x);
        let (right, down) = (per_pixel(look.right), per_pixel(look.down));
        Spot {
            x: hit.point.x,
            y: hit.point.y,
            under: hit.point.y - crest,
            size_px: look.size_px,
            coarse: right[0].abs() + right[1].abs() + down[0].abs() + down[1].abs(),
            right,
            down,
            slope,
        }
    }

    /// A distance along the surface across the swage, as seen in y: shorter on the flank that leans away.
    fn seen_width(&self, below: bool, width_mm: f64) -> f64 {
        let on_card_flank = below == self.scene.panel.cards_below;
        if on_card_flank {
            width_mm
        } else {
            width_mm * self.shape.cos_turn()
        }
    }

    /// Share of the look inside the panel's rims.
    fn inside(&self, s: &Spot) -> (f64, bool) {
        let panel = &self.scene.panel;
        let above = self.seen_width(false, panel.above_mm);
        let below = self.seen_width(true, panel.below_mm);
        let mut share = 1.0;
        let mut rim = false;
        for (field, by_x, by_y) in [
            (s.x - panel.from_mm, 1.0, 0.0),
            (panel.to_mm - s.x, -1.0, 0.0),
            (s.y + above, 0.0, 1.0),
            (below - s.y, 0.0, -1.0),
        ] {
            let (cover, near) = s.cover(field, by_x, by_y);
            share *= cover;
            rim |= near;
        }
        (share, rim)
    }

    /// Light from the panel: its paint and cards, lit.
    fn surface(
        &self,
        s: &Spot,
        texture: &Texture,
        normal: &Vector3<f64>,
        direction: &Vector3<f64>,
        look: &Sight,
    ) -> (Rgb, bool) {
        let (mut colour, mut sharp) = self.paint(s, texture);
        let mut lit = self.lit(normal, s.x, s.y);
        // On the arc the shade changes within pixels.
        let (toward, other) = self.shape.arc_reach(s.x);
        let down = s.under * self.shape.side();
        let margin = 1.3 * s.coarse;
        sharp |= down < toward + margin && down > -other - margin;
        for laid in &self.cards {
            // Roughly: a place farther off than the card reaches needs no closer look.
            if (s.x - laid.centre[0]).abs() > laid.reach
                || (s.y - laid.centre[1]).abs() > laid.reach
            {
                continue;
            }
            if let Some((ink, normal)) = self.card(laid, s, direction, look) {
                let card_lit = normal.map_or(lit, |n| self.lit(&n, s.x, s.y));
                let paper = 1.0 + 0.012 * f64::from(self.tile.at(s.x * 1.7, s.y * 1.7));
                for (c, tint) in colour.iter_mut().zip([1.0, 0.995, 0.985]) {
                    *c = *c * (1.0 - ink.cover) * lit
                        + ink.brightness * paper * tint * ink.cover * card_lit;
                }
                lit = 1.0;
                sharp |= ink.near;
            }
        }
        let mut colour = colour.map(|c| c * lit);
        if let Some(gap) = self.scene.panel.gap {
            let (cover, near) = s.cover(gap.width_mm / 2.0 - (s.x - gap.at_mm).abs(), 1.0, 0.0);
            colour = mix(colour, [0.006, 0.006, 0.006], cover);
            sharp |= near;
        }
        (colour, sharp)
    }

    /// Brightness of a white surface with this normal.
    fn lit(&self, normal: &Vector3<f64>, x: f64, y: f64) -> f64 {
        let ambient = self.scene.light.ambient;
        let even = ambient + (1.0 - ambient) * normal.dot(&self.light).max(0.0);
        even * (self.gradient[0] * x + self.gradient[1] * y).exp()
    }

    /// A card here, and its own normal when it is stiff.
    fn card(
        &self,
        laid: &Laid,
        s: &Spot,
        direction: &Vector3<f64>,
        look: &Sight,
    ) -> Option<(Ink, Option<Vector3<f64>>)> {
        let (flank, normal) = match &laid.plane {
            Some(flat) => (
                flat.meet(&self.camera, direction, look)?,
                Some(-flat.normal()),
            ),
            None => {
                // Along the bow a step in x is longer by 1 / cos of the slope.
                let (_, bow) = self.shape.bow(s.x);
                let stretch = (1.0 + bow * bow).sqrt();
                let bend = |v: [f64; 2]| [v[0] * stretch, v[1]];
                let at = [self.shape.arc_of_x(s.x), s.y];
                (
                    Place {
                        at,
                        right: bend(s.right),
                        down: bend(s.down),
                    },
                    None,
                )
            }
        };
        laid.face
            .look(&laid.lie.place(&flank), s.size_px)
            .map(|ink| (ink, normal))
    }

    /// The unevenness of paint and coat at a place.
    fn texture(&self, s: &Spot) -> Texture {
        let tile = &self.tile;
        let mut texture = Texture {
            cloud: f64::from(tile.cloud(s.x, s.y, 150.0, 4, 0.7)) / 0.7,
            grain: f64::from(tile.at(s.x / 0.9, s.y / 0.9)) / 0.7,
            ..Texture::default()
        };
        if let Look::Coat(coat) = &self.scene.look {
            let sign = if coat.below { 1.0 } else { -1.0 };
            // Off the coat's side its own unevenness is never asked for.
            if sign * s.under > -10.0 && sign * s.under < 4.0 * coat.width_mm {
                texture.wander = f64::from(tile.cloud(s.x + 500.0, 33.0, 110.0, 4, 0.6));
                texture.patch = f64::from(tile.cloud(s.x - 300.0, s.y + 800.0, 34.0, 5, 0.6));
            }
        }
        if matches!(self.scene.look, Look::Stripe(_)) && s.under.abs() < 60.0 {
            texture.patch = f64::from(tile.cloud(s.x, s.y, 6.0, 3, 0.7));
        }
        texture
    }

    /// Reflectance of the painted metal.
    fn paint(&self, s: &Spot, texture: &Texture) -> (Rgb, bool) {
        let dress = &self.scene.dress;
        let Texture { cloud, grain, .. } = *texture;
        let shade = (1.0 + dress.mottle * cloud + dress.grain * grain).max(0.05);
        let mut colour = dress.ground.map(|c| c * shade);
        let mut sharp = false;
        if let Some(patch) = dress.patches {
            let field = f64::from(self.tile.cloud(s.x + 900.0, s.y - 400.0, 170.0, 2, 0.4));
            let cover = ((field - 0.45) / 0.07).clamp(0.0, 1.0);
            colour = mix(
                colour,
                patch.map(|c| c * (1.0 + dress.grain * grain)),
                cover,
            );
        }
        for &[x, y, radius] in &dress.spots {
            if (s.x - x).abs() < radius + 10.0 && (s.y - y).abs() < radius + 10.0 {
                let away = norm(s.x - x, s.y - y);
                let (cover, near) = s.cover(
                    radius - away,
                    (s.x - x) / away.max(1e-6),
                    (s.y - y) / away.max(1e-6),
                );
                colour = mix(colour, [0.02, 0.02, 0.02], cover);
                sharp |= near;
            }
        }
        for line in &dress.scratches {
            let (cover, near) = scratch(line, s);
            colour = mix(colour, [0.75, 0.75, 0.75], 0.5 * cover);
            sharp |= near;
        }
        match &self.scene.look {
            Look::Shade => {}
            Look::Stripe(stripe) => {
                let (cover, near) = self.stripe(stripe, s);
                let dusty = stripe
                    .colour
                    .map(|c| c * (1.0 + 5.0 * dress.grain * grain).max(0.2));
                colour = mix(
                    colour,
                    dusty,
                    cover * (1.0 - 0.1 * texture.patch).clamp(0.0, 1.0),
                );
                sharp |= near;
            }
            Look::Coat(coat) => {
                let (cover, near) = self.coat(coat, s, texture);
                let dusty = coat
                    .colour
                    .map(|c| c * (1.0 + 5.0 * dress.grain * grain).max(0.2));
                colour = mix(colour, dusty, cover);
                sharp |= near;
            }
            Look::Tape {
                colour: tape,
                below,
                width_mm,
            } => {
                let (cover, near) = self.tape(*below, *width_mm, s);
                colour = mix(colour, tape.map(|c| c * (1.0 + dress.grain * grain)), cover);
                sharp |= near;
            }
        }
        if let Some(paper) = dress.paper {
            let sign = if paper.below { 1.0 } else { -1.0 };
            let tilt = paper.slope_deg.to_radians().tan();
            let field = sign * (s.y - s.x * tilt) - self.seen_width(paper.below, paper.at_mm);
            let (cover, near) = s.cover(field, -sign * tilt, sign);
            // The sheet stands off a little: a dark rim half a millimetre wide beside it.
            let (rim, near_rim) = s.cover(field + 0.5, -sign * tilt, sign);
            colour = mix(colour, colour.map(|c| 0.45 * c), rim);
            colour = mix(
                colour,
                paper
                    .colour
                    .map(|c| c * (1.0 + 0.025 * grain + 0.02 * cloud)),
                cover,
            );
            sharp |= near | near_rim;
        }
        (colour, sharp)
    }

    /// Share of tape: one edge on the crest, the other a width away.
    fn tape(&self, below: bool, width_mm: f64, s: &Spot) -> (f64, bool) {
        let sign = if below { 1.0 } else { -1.0 };
        let width =
            self.seen_width(below, width_mm) + 0.25 * f64::from(self.tile.at(s.x / 90.0, 7.5));
        let (near_edge, sharp_near) = s.cover(sign * s.under, -sign * s.slope, sign);
        let (far_edge, sharp_far) = s.cover(width - sign * s.under, sign * s.slope, -sign);
        (near_edge * far_edge, sharp_near || sharp_far)
    }

    /// Share of the coat left between the ends of the arc.
    fn stripe(&self, stripe: &Stripe, s: &Spot) -> (f64, bool) {
        let (upper, lower) = self.shape.arc_ends(s.x);
        let drawn = |k: usize| self.edges.get(k).map_or(0.0, |r| r.at(s.x));
        let (a, near_a) = s.soft(
            s.under - upper - drawn(0),
            -s.slope,
            1.0,
            stripe.softness_mm,
        );
        let (b, near_b) = s.soft(
            lower + drawn(1) - s.under,
            s.slope,
            -1.0,
            stripe.softness_mm,
        );
        (stripe.strength * a * b, near_a || near_b)
    }

    /// Share of coat.
    fn coat(&self, coat: &Coat, s: &Spot, texture: &Texture) -> (f64, bool) {
        let sign = if coat.below { 1.0 } else { -1.0 };
        let edge = self.edges.first().map_or(0.0, |r| r.at(s.x)) + sign * chipped(coat, s.x);
        let depth = sign * (s.under - edge);
        let (inner, sharp) = s.soft(depth, -s.slope, 1.0, coat.softness_mm);
        if inner < 1e-4 || depth > 4.0 * coat.width_mm {
            return (0.0, sharp);
        }
        let width = self.seen_width(coat.below, coat.width_mm) * (1.0 + 0.35 * texture.wander);
        let soft = 0.07 * coat.width_mm;
        let outer = 1.0 / (1.0 + ((depth - width) / soft).clamp(-30.0, 30.0).exp());
        let bare = 1.0 / (1.0 + (2.4 * (texture.patch - 0.1)).exp());
        (
            inner * outer * coat.strength * (1.0 - coat.patchy * bare),
            sharp,
        )
    }
}

/// How far bites reach into the coat at x, mm.
pub fn chipped(coat: &Coat, x: f64) -> f64 {
    coat.chips
        .iter()
        .filter(|c| x > c.from_mm && x < c.to_mm)
        .map(|c| {
            c.depth_mm
                * ((x - c.from_mm) / (c.to_mm - c.from_mm) * std::f64::consts::PI)
                    .sin()
                    .sqrt()
        })
        .sum()
}

/// A stiff card's plane: it touches the bowed flank in the card's middle. Coordinates as on the flank.
pub fn stiff_plane(shape: &Shape, card: &PlacedCard) -> Flat {
    let x = shape.x_of_arc(card.centre_mm[0]);
    let (z, slope) = shape.bow(x);
    let (right, down) = (Vector3::new(1.0, 0.0, slope).normalize(), Vector3::y());
    let middle = Point3::new(x, card.centre_mm[1], z);
    Flat {
        origin: middle - right * card.centre_mm[0] - down * card.centre_mm[1],
        right,
        down,
    }
}

/// Share of a scratch 0.3 mm wide.
fn scratch(line: &[f64; 4], s: &Spot) -> (f64, bool) {
    let [x0, y0, x1, y1] = *line;
    let reach = 15.0;
    if s.x < x0.min(x1) - reach
        || s.x > x0.max(x1) + reach
        || s.y < y0.min(y1) - reach
        || s.y > y0.max(y1) + reach
    {
        return (0.0, false);
    }
    let (dx, dy) = (x1 - x0, y1 - y0);
    let length = norm(dx, dy).max(1e-9);
    let along = ((s.x - x0) * dx + (s.y - y0) * dy) / length;
    let across = ((s.x - x0) * dy - (s.y - y0) * dx) / length;
    let (by_x, by_y) = (dy / length, -dx / length);
    let (a, near) = s.cover(across + 0.15, by_x, by_y);
    let (b, _) = s.cover(across - 0.15, by_x, by_y);
    let (start, _) = s.cover(along, dx / length, dy / length);
    let (end, _) = s.cover(length - along, -dx / length, -dy / length);
    ((a - b) * start * end, near)
}

/// Length of a pair: much quicker than `hypot`, whose care about overflow is not needed here.
fn norm(a: f64, b: f64) -> f64 {
    (a * a + b * b).sqrt()
}

fn mix(under: Rgb, over: Rgb, cover: f64) -> Rgb {
    [0, 1, 2].map(|i| under[i] * (1.0 - cover) + over[i] * cover)
}
