//! Results as JSON, numbers rounded to what is claimed.
//!
//! A photo's line has hundreds of points; printed to all sixteen digits they say what nobody knows and cost most of
//! the time of writing. Rounded by the unit in the field's name: pixels to 0.001, millimetres and degrees to 0.0001
//! (a hundredth of the best u95 this program states). An uncertainty is rounded up, so that it never becomes zero
//! and never promises more than was computed.

use crate::check::SCHEMA;
use serde::Serialize;
use serde_json::{Value, json};

/// How finely a field is printed, as a power of ten; `None`: left as it is.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Digits(Option<i32>);

impl Digits {
    /// By the unit at the end of a field's name. A field without one (`value`, `u95`) takes its parent's.
    fn of(name: &str, parent: Digits) -> Digits {
        match name {
            "mm_per_px" => Digits(Some(6)),
            "px" | "rms_px" => Digits(Some(3)),
            "value" | "u95" => parent,
            _ if name.ends_with("_px") => Digits(Some(3)),
            _ if name.ends_with("_mm") || name.ends_with("_deg") => Digits(Some(4)),
            _ if name.ends_with("_mm2") || name.ends_with("_um") || name.ends_with("_percent") => {
                Digits(Some(2))
            }
            _ => Digits(None),
        }
    }
}

/// Rounds a number to `digits` decimals; `up` rounds away from zero.
fn rounded(value: f64, digits: i32, up: bool) -> f64 {
    let step = 10f64.powi(digits);
    let scaled = value * step;
    // A value already on the grid must stay there: its product may lie an ulp above the whole number.
    let whole = if up && (scaled - scaled.round()).abs() > 1e-6 {
        scaled.ceil()
    } else {
        scaled.round()
    };
    let whole = if up && whole == 0.0 && value > 0.0 {
        1.0
    } else {
        whole
    };
    // `+ 0.0` turns -0 into 0.
    whole / step + 0.0
}

/// Rounds every number below `value`.
fn round_in(value: &mut Value, digits: Digits, up: bool) {
    match value {
        Value::Number(number) => {
            if let (Digits(Some(digits)), Some(plain), true) =
                (digits, number.as_f64(), number.is_f64())
                && let Some(number_rounded) =
                    serde_json::Number::from_f64(rounded(plain, digits, up))
            {
                *number = number_rounded;
            }
        }
        Value::Array(items) => items.iter_mut().for_each(|item| round_in(item, digits, up)),
        Value::Object(fields) => {
            for (name, field) in fields.iter_mut() {
                round_in(field, Digits::of(name, digits), name.starts_with("u95"));
            }
        }
        Value::Null | Value::Bool(_) | Value::String(_) => {}
    }
}

/// One answer as JSON on one line, numbers rounded. `files` are the names of the files written beside it, relative to
/// the output folder (the field is left out when there are none).
///
/// Results are plain structs of numbers, strings and lists, which always serialise; a failure would come out as
/// `null`.
pub fn answer<T: Serialize>(result: &T, files: &[String]) -> String {
    let mut value = serde_json::to_value(result).unwrap_or(Value::Null);
    round_in(&mut value, Digits(None), false);
    if let (Value::Object(fields), false) = (&mut value, files.is_empty()) {
        fields.insert("files".to_string(), files.into());
    }
    value.to_string()
}

/// What stands in the list of many photos for one that could not be measured.
pub fn refused(photo: &str, reason: &str) -> String {
    json!({ "photo": photo, "error": reason }).to_string()
}

/// The document for several photos, `{schema, check, photos}`, from their answers in the order given.
pub fn several(check: &str, answers: &[String]) -> String {
    format!(
        "{{\"schema\":{},\"check\":{},\"photos\":[{}]}}",
        json!(SCHEMA),
        json!(check),
        answers.join(",")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(input: Value, expected: Value) {
        assert_eq!(answer(&input, &[]), expected.to_string());
    }

    #[test]
    fn rounds_by_the_unit_in_the_name() {
        check(
            json!({"px": [[1.23456, 2.0]]}),
            json!({"px": [[1.235, 2.0]]}),
        );
        check(
            json!({"d_mm": -0.123456, "turn_deg": 30.00004}),
            json!({"d_mm": -0.1235, "turn_deg": 30.0}),
        );
        check(
            json!({"mm_per_px": 0.61550801}),
            json!({"mm_per_px": 0.615508}),
        );
        check(
            json!({"points_mm": [[0.00004, -0.00004]]}),
            json!({"points_mm": [[0.0, 0.0]]}),
        );
        check(
            json!({"corners": 33, "name": "strip-1"}),
            json!({"corners": 33, "name": "strip-1"}),
        );
    }

    #[test]
    fn a_figure_takes_the_unit_of_its_name() {
        check(
            json!({"step_mm": {"value": 0.123449, "u95": 0.012301}}),
            json!({"step_mm": {"value": 0.1234, "u95": 0.0124}}),
        );
    }

    #[test]
    fn an_uncertainty_is_rounded_up_and_never_to_zero() {
        check(json!({"u95_mm": 0.00000001}), json!({"u95_mm": 0.0001}));
        check(json!({"u95_mm": 0.0301}), json!({"u95_mm": 0.0301}));
        check(
            json!({"u95_mm": 0.030_100_000_000_1}),
            json!({"u95_mm": 0.0301}),
        );
        check(json!({"u95_mm": 0.030101}), json!({"u95_mm": 0.0302}));
    }

    #[test]
    fn no_minus_zero_and_no_long_tails() {
        assert_eq!(
            answer(&json!({"d_mm": -0.000001, "s_mm": 0.1 + 0.2}), &[]),
            "{\"d_mm\":0.0,\"s_mm\":0.3}"
        );
    }

    #[test]
    fn files_are_named_only_when_there_are_any() {
        assert_eq!(
            answer(&json!({"a": 1}), &["overlay.png".into()]),
            json!({"a": 1, "files": ["overlay.png"]}).to_string()
        );
    }

    #[test]
    fn several_photos_keep_their_order() {
        assert_eq!(
            several(
                "line",
                &[
                    answer(&json!({"a": 1}), &[]),
                    refused("b.jpg", "No \"card\".")
                ]
            ),
            r#"{"schema":"fairpanel/1","check":"line","photos":[{"a":1},{"photo":"b.jpg","error":"No \"card\"."}]}"#
        );
    }
}
