//! The tone curve that a phone may have bent its light by, and light with it taken off.

use super::profile::LIGHTS;

/// Strength of a phone's S-shaped tone curve that is allowed for (ours, no source), as a standard uncertainty.
pub const TONE_U: f64 = 0.15;

/// A tone curve taken off the light before anything is measured: phones bend theirs like an S.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// Strength, 0 for none: v (1 - c) + c (3 v² - 2 v³) in gamma coding was done to the photo.
    pub curve: f64,
}

/// A tone curve taken off, as a table.
pub struct Unbent {
    table: Vec<f64>,
}

impl Unbent {
    /// Entries from black to white: straight between them is good to 1e-4 but in the deepest black.
    const ENTRIES: usize = 2048;

    pub fn new(tone: &Tone) -> Unbent {
        Unbent {
            table: (0..=Self::ENTRIES)
                .map(|i| tone.apply(i as f64 / Self::ENTRIES as f64))
                .collect(),
        }
    }

    pub fn look_up(&self, linear: f32) -> f64 {
        let at = f64::from(linear).clamp(0.0, 1.0) * Self::ENTRIES as f64;
        let i = (at as usize).min(Self::ENTRIES - 1);
        self.table[i] + (self.table[i + 1] - self.table[i]) * (at - i as f64)
    }
}

impl Tone {
    fn apply(&self, linear: f64) -> f64 {
        // Near enough to sRGB's own curve for the size of an effect.
        let v = linear.clamp(0.0, 1.0).powf(1.0 / 2.2);
        let mut x = v;
        for _ in 0..3 {
            x -= x * (1.0 - self.curve) + self.curve * x * x * (3.0 - 2.0 * x) - v;
        }
        x.clamp(0.0, 1.0).powf(2.2)
    }
}

pub fn unbent_light(light: &[f64; LIGHTS]) -> [f64; LIGHTS] {
    // Brightness through the curve; colour differences with the same slope.
    let tone = Tone { curve: TONE_U };
    let v = light[0].max(1e-4);
    let slope = (tone.apply(v * 1.02) - tone.apply(v * 0.98)) / (0.04 * v);
    [tone.apply(light[0]), light[1] * slope, light[2] * slope]
}
