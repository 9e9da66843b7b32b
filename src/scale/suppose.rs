//! What another photo of the same panel would tell: the uncertainty of a photo that has not been taken.
//!
//! The covariance of a least-squares adjustment depends on where things are seen, not on what is read there. So a change of
//! how a photo is taken (a lens file, the camera elsewhere, one more card) is made in the adjusted scene, the cards'
//! corners are put where they would then be seen, and the normal matrix gives the covariance that such a photo would
//! have, source by source (design of an experiment before it is made; the textbook name is first-order design).

use super::adjust::adjust;
use super::joint::residuals;
use super::solve::{FIXED, Frame, STANCE, Scale, Stance, State};
use crate::card::{Card, Corner, Layout};
use crate::units::{Mm, Px};
use nalgebra::{DVector, Point2, Rotation3, Vector3};

/// Photos as they were taken, or as they might be.
#[derive(Debug, Clone)]
pub struct Sight {
    frame: Frame,
    parameters: DVector<f64>,
    /// Photo, number of the card in the frame, and the card as seen there.
    seen: Vec<(usize, usize, Card)>,
    corner_u_px: f64,
    rms_px: f64,
}

impl Sight {
    /// The photos as they are: their scales, solved together, and the cards seen in each.
    pub fn of(scales: &[Scale], cards: &[&[Card]]) -> Option<Sight> {
        let first = scales.first()?;
        let mut seen = Vec::new();
        for (photo, (scale, cards)) in scales.iter().zip(cards).enumerate() {
            for card in *cards {
                let name = &card.layout.name;
                if let Some(at) = first.frame.names.iter().position(|n| n == name)
                    && !scale.apart.contains(name)
                {
                    seen.push((photo, at, card.clone()));
                }
            }
        }
        let (frame, parameters) = settled(first, scales.len());
        Some(Sight {
            frame,
            parameters,
            seen,
            corner_u_px: first.corner_u_px,
            rms_px: first.sigma_px,
        })
    }

    /// The same photos, measured with a lens file that is exact.
    pub fn with_lens(&self) -> Sight {
        let mut out = self.clone();
        out.parameters = out
            .parameters
            .remove_rows(FIXED, self.frame.lens_root.len());
        out.frame.lens_root.clear();
        out
    }

    /// The same print, its bars measured with a rule: lengths known to the half-width `u95`, as a share.
    pub fn with_print(&self, u95: f64) -> Sight {
        let mut out = self.clone();
        let better = (u95 / self.frame.printed.u95.max(1e-9)).min(1.0);
        // Lengths stay where they are, in units of a smaller uncertainty.
        let from = FIXED
            + self.frame.lens_root.len()
            + 3 * self.frame.placements.len()
            + 2 * self.frame.half_sides.len();
        for k in from..self.frame.own() {
            out.parameters[k] /= better.max(1e-9);
        }
        out.frame.printed.u95 *= better;
        out
    }

    fn state(&self, photo: usize) -> State {
        self.frame.state_of(&self.parameters, photo)
    }

    /// Photo place of a place in the common frame; `None` behind the camera.
    pub fn px(&self, photo: usize, mm: Mm) -> Option<Px> {
        self.state(photo).px(mm.0).map(Px)
    }

    /// How far the camera of a photo stands above (or below) a place, seen along the panel's bow axis, rad: 0 when level.
    pub fn off_level_rad(&self, photo: usize, through: Mm) -> f64 {
        let state = self.state(photo);
        let from = eye(&state) - state.surface.lift(through.0);
        from.y.atan2(-from.z)
    }

    /// The camera carried round the line through a place, along the panel's bow axis, until it is level with it.
    pub fn levelled(&self, photo: usize, through: Mm) -> Sight {
        let state = self.state(photo);
        let centre = state.surface.lift(through.0);
        let from = eye(&state) - centre;
        // The panel is turned by as much as the camera stands off; in its frame the eye goes back by that.
        let turn = Rotation3::from_axis_angle(&Vector3::x_axis(), from.y.atan2(-from.z));
        let rotation = state.rotation * turn;
        let translation = state.rotation * centre + state.translation - rotation * centre;
        self.stood(photo, rotation, translation)
    }

    /// The camera brought to this share of its distance from a place, which comes into the middle of the photo.
    pub fn nearer(&self, photo: usize, about: Mm, share: f64) -> Sight {
        let state = self.state(photo);
        let centre = state.surface.lift(about.0);
        let seen = state.rotation * centre + state.translation;
        let middle = Point2::new(
            0.5 * state.lens.width as f64 - 0.5,
            0.5 * state.lens.height as f64 - 0.5,
        );
        let ray = state.lens.ray(middle);
        let aimed = Rotation3::rotation_between(&seen, &Vector3::new(ray.x, ray.y, 1.0))
            .unwrap_or_else(Rotation3::identity);
        let rotation = aimed * state.rotation;
        let translation = aimed * seen * share - rotation * centre;
        self.stood(photo, rotation, translation)
    }

    /// One more card, its first corner and turn (rad) in the common frame, seen in those photos that show it whole.
    pub fn with_card(&self, layout: &Layout, at: [f64; 3]) -> Option<Sight> {
        let mut out = self.clone();
        let half = [
            0.5 * layout.squares_x as f64 * layout.square_mm,
            0.5 * layout.squares_y as f64 * layout.square_mm,
        ];
        let number = self.frame.half_sides.len();
        // Behind the placements three parameters more, behind the curls and the lengths two more each.
        let place = FIXED + self.frame.lens_root.len() + 3 * self.frame.placements.len();
        let curl = place + 3 + 2 * number;
        let print = curl + 2 + 2 * number;
        out.parameters = out.parameters.insert_rows(place, 3, 0.0);
        out.parameters = out.parameters.insert_rows(curl, 2, 0.0);
        out.parameters = out.parameters.insert_rows(print, 2, 0.0);
        out.frame.placements.push(at);
        out.frame.half_sides.push(half);
        out.frame.names.push(String::new());
        let corners = (0..layout.corners())
            .map(|id| {
                Some(Corner {
                    id,
                    px: Px::new(0.0, 0.0),
                    mm: layout.corner(id)?,
                })
            })
            .collect::<Option<Vec<_>>>()?;
        let photos = 1 + self.frame.further.len();
        let before = out.seen.len();
        for photo in 0..photos {
            let card = Card {
                layout: layout.clone(),
                corners: corners.clone(),
                sigma_px: self.corner_u_px,
            };
            out.seen.push((photo, number, card));
            if !out.shows_card(out.seen.len() - 1) {
                out.seen.pop();
            }
        }
        (out.seen.len() > before).then_some(out)
    }

    /// How many cards there are.
    pub fn cards(&self) -> usize {
        self.frame.half_sides.len()
    }

    /// Whether every card seen is still whole in its photo.
    pub fn shows_cards(&self) -> bool {
        (0..self.seen.len()).all(|k| self.shows_card(k))
    }

    fn shows_card(&self, k: usize) -> bool {
        let (photo, at, card) = &self.seen[k];
        let state = self.state(*photo);
        card.layout.outline().iter().all(|c| {
            state
                .corner_px(*at, c.0)
                .is_some_and(|p| within(&state, Px(p)))
        })
    }

    /// Whether a photo shows a place, with a hair's breadth of margin.
    pub fn shows(&self, photo: usize, mm: Mm) -> bool {
        let state = self.state(photo);
        state.px(mm.0).is_some_and(|p| within(&state, Px(p)))
    }

    /// The scales these photos would give: the same places, with the covariance of what is seen.
    pub fn scales(&self) -> Option<Vec<Scale>> {
        let photos = 1 + self.frame.further.len();
        let states: Vec<State> = (0..photos).map(|k| self.state(k)).collect();
        let placed: Vec<(usize, usize, Card)> = self
            .seen
            .iter()
            .map(|(photo, at, card)| {
                let mut card = card.clone();
                for c in &mut card.corners {
                    c.px = Px(states[*photo].corner_px(*at, c.mm.0)?);
                }
                Some((*photo, *at, card))
            })
            .collect::<Option<_>>()?;
        let seen: Vec<(usize, usize, &Card)> =
            placed.iter().map(|(k, at, c)| (*k, *at, c)).collect();
        let got = adjust(self.parameters.clone(), 0, |p| {
            let states: Vec<State> = (0..photos).map(|k| self.frame.state_of(p, k)).collect();
            residuals(&seen, &self.frame, p, &states, self.corner_u_px)
        })?;
        Some(
            states
                .into_iter()
                .enumerate()
                .map(|(photo, state)| Scale {
                    frame: self.frame.clone(),
                    photo,
                    parameters: self.parameters.clone(),
                    state,
                    covariance: got.covariance.clone(),
                    rms_px: Vec::new(),
                    sigma_px: self.rms_px,
                    corner_u_px: self.corner_u_px,
                    apart: Vec::new(),
                })
                .collect(),
        )
    }

    /// The photo taken from elsewhere.
    fn stood(&self, photo: usize, rotation: Rotation3<f64>, translation: Vector3<f64>) -> Sight {
        let mut out = self.clone();
        match photo.checked_sub(1) {
            None => (out.frame.rotation, out.frame.translation) = (rotation, translation),
            Some(k) => {
                if let Some(stance) = out.frame.further.get_mut(k) {
                    (stance.rotation, stance.translation) = (rotation, translation);
                }
            }
        }
        out
    }
}

/// The camera's place in the surface's frame.
fn eye(state: &State) -> Vector3<f64> {
    state.rotation.inverse() * -state.translation
}

/// A corner this near the border is not counted on, as a share of the photo's longer side.
const MARGIN: f64 = 0.01;

fn within(state: &State, p: Px) -> bool {
    let (w, h) = (state.lens.width as f64, state.lens.height as f64);
    let margin = MARGIN * w.max(h);
    p.0.x > margin && p.0.y > margin && p.0.x < w - margin && p.0.y < h - margin
}

/// The adjusted scene as a frame of its own: cameras, cards and lens where they were found and their parameters back at
/// nothing, so that the frame can be changed by itself.
fn settled(scale: &Scale, photos: usize) -> (Frame, DVector<f64>) {
    let (old, p) = (&scale.frame, &scale.parameters);
    let states: Vec<State> = (0..photos.max(1)).map(|k| old.state_of(p, k)).collect();
    let mut frame = old.clone();
    frame.lens = states[0].lens;
    frame.rotation = states[0].rotation;
    frame.translation = states[0].translation;
    frame.axis_rad = states[0].surface.axis_rad;
    frame.placements = states[0].placements.clone();
    frame.further = states[1..]
        .iter()
        .map(|s| Stance {
            rotation: s.rotation,
            translation: s.translation,
            origin: s.surface.origin,
        })
        .collect();
    let mut q = p.clone();
    let lenses = old.lens_root.len();
    for k in (0..6).chain(8..FIXED + lenses + 3 * old.placements.len()) {
        q[k] = 0.0;
    }
    for k in 0..frame.further.len() {
        let at = old.own() + STANCE * k;
        for j in 0..6 {
            q[at + j] = 0.0;
        }
    }
    (frame, q)
}
