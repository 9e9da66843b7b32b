//! The sRGB curve: 8-bit value ↔ linear light. Edges are located in linear light; what a file stores is not.
//!
//! Source: IEC 61966-2-1, with the constants 0.04045, 12.92, 0.055, 1.055 and 2.4.

use std::sync::LazyLock;

/// Linear light, 0..=1, of a gamma-coded value `v`, 0..=1. Exact in `f64`; continued as it stands beyond the ends.
pub fn decode(v: f64) -> f64 {
    if v <= 0.04045 {
        v / 12.92
    } else {
        ((v + 0.055) / 1.055).powf(2.4)
    }
}

/// Gamma-coded value, 0..=1, of linear light `light`, 0..=1: the inverse of [`decode`].
pub fn encode(light: f64) -> f64 {
    if light <= 0.04045 / 12.92 {
        light * 12.92
    } else {
        1.055 * light.powf(1.0 / 2.4) - 0.055
    }
}

/// Linear light of each 8-bit value, `f32`, 0..=1.
static LINEAR: LazyLock<[f32; 256]> =
    LazyLock::new(|| std::array::from_fn(|v| decode(v as f64 / 255.0) as f32));

/// The table of linear light for all 8-bit values; fetch it once outside a loop.
pub fn table() -> &'static [f32; 256] {
    &LINEAR
}

/// Linear light, 0..=1, of one 8-bit value.
pub fn to_linear(value: u8) -> f32 {
    LINEAR[usize::from(value)]
}

/// 8-bit value nearest to linear light `light`; below 0 and above 1 is clipped, NaN is 0.
pub fn to_value(light: f64) -> u8 {
    (encode(light.clamp(0.0, 1.0)) * 255.0).round() as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 61966-2-1, computed from its formula with 50 digits; tolerance 1e-9.
    #[test]
    fn decodes_the_standards_values() {
        for (value, light) in [
            (0.0, 0.0),
            (1.0, 0.000303526984),
            (10.0, 0.003035269835),
            (11.0, 0.003346535764),
            (64.0, 0.051269458374),
            (118.0, 0.181164244250),
            (128.0, 0.215860500114),
            (188.0, 0.502886458033),
            (200.0, 0.577580440430),
            (254.0, 0.991102097114),
            (255.0, 1.0),
        ] {
            let got = decode(value / 255.0);
            assert!((got - light).abs() < 1e-9, "{value}: {got} is not {light}");
            assert!((f64::from(to_linear(value as u8)) - light).abs() < 6e-8);
        }
    }

    /// The same source: linear 0.18 and 0.5, tolerance 1e-6 of a value.
    #[test]
    fn encodes_the_standards_values() {
        assert!((encode(0.18) * 255.0 - 117.645813).abs() < 1e-6);
        assert!((encode(0.5) * 255.0 - 187.516031).abs() < 1e-6);
    }

    #[test]
    fn all_values_come_back() {
        for value in 0..=255u8 {
            assert_eq!(to_value(decode(f64::from(value) / 255.0)), value);
            assert_eq!(to_value(f64::from(to_linear(value))), value);
        }
        assert_eq!(
            (to_value(-1.0), to_value(7.0), to_value(f64::NAN)),
            (0, 255, 0)
        );
    }

    /// An edge blurred evenly in light between 64 and 200: the middle *value* 132 is 0.34 of the way in light.
    #[test]
    fn middle_value_is_not_middle_light() {
        let (dark, bright) = (decode(64.0 / 255.0), decode(200.0 / 255.0));
        let at = (decode(132.0 / 255.0) - dark) / (bright - dark);
        assert!((at - 0.34).abs() < 0.005, "{at}");
    }
}
