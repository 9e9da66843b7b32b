//! Values of options: lengths, pairs of lengths, photo points. A value that can't be is wrong usage (exit code 2).

use crate::units::Px;

/// Points given with `--near`.
#[derive(Debug, Clone, PartialEq)]
pub struct Points(pub Vec<Px>);

/// Largest photo coordinate taken seriously, px: beyond any photo that intake lets through.
const FARTHEST_PX: f64 = 1e6;

/// Longest length taken seriously, mm: a hundred metres.
const LONGEST_MM: f64 = 1e5;

/// A plain finite number.
fn number(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err(format!("'{}' is not a number", text.trim())),
    }
}

/// A length above zero, mm.
///
/// # Errors
/// Not a number, not above zero, or beyond 100 m.
pub fn length_mm(text: &str) -> Result<f64, String> {
    let value = number(text)?;
    if value <= 0.0 {
        return Err("it must be above zero".to_string());
    }
    if value > LONGEST_MM {
        return Err(format!("it must be at most {LONGEST_MM} mm"));
    }
    Ok(value)
}

/// A length of zero or more, mm.
///
/// # Errors
/// Not a number, negative, or beyond 100 m.
pub fn length_or_zero_mm(text: &str) -> Result<f64, String> {
    if number(text)? == 0.0 {
        Ok(0.0)
    } else {
        length_mm(text).map_err(|_| "it must be zero or more".to_string())
    }
}

/// Two lengths above zero, mm, with a comma between.
///
/// # Errors
/// Not two, or one that [`length_mm`] refuses.
pub fn pair_mm(text: &str) -> Result<(f64, f64), String> {
    match text
        .split(',')
        .map(length_mm)
        .collect::<Result<Vec<f64>, String>>()?
        .as_slice()
    {
        [x, y] => Ok((*x, *y)),
        other => Err(format!(
            "two lengths are needed, as in 100.2,99.9; this is {}",
            other.len()
        )),
    }
}

/// One point in the photo: `x,y`, px.
///
/// # Errors
/// Not two numbers, or beyond any photo.
pub fn point(text: &str) -> Result<Points, String> {
    let values = text
        .split(',')
        .map(number)
        .collect::<Result<Vec<f64>, String>>()?;
    match values.as_slice() {
        [x, y] if x.abs() <= FARTHEST_PX && y.abs() <= FARTHEST_PX => {
            Ok(Points(vec![Px::new(*x, *y)]))
        }
        [_, _] => Err("the point lies beyond any photo".to_string()),
        other => Err(format!(
            "a point is x,y, but there are {} numbers",
            other.len()
        )),
    }
}

/// Points in the photo: `x1,y1,x2,y2[,…]`, two or more, px.
///
/// # Errors
/// Not a number, an odd count, under two points, or beyond any photo.
pub fn points(text: &str) -> Result<Points, String> {
    let values = text
        .split(',')
        .map(number)
        .collect::<Result<Vec<f64>, String>>()?;
    if values.iter().any(|value| value.abs() > FARTHEST_PX) {
        return Err("a point lies beyond any photo".to_string());
    }
    let (pairs, odd) = values.as_chunks::<2>();
    if !odd.is_empty() {
        return Err(format!(
            "points are pairs x,y, but there are {} numbers",
            values.len()
        ));
    }
    if pairs.len() < 2 {
        return Err("two points or more are needed, as in 120,840,1900,790".to_string());
    }
    Ok(Points(pairs.iter().map(|[x, y]| Px::new(*x, *y)).collect()))
}

/// Places given with `--at`, mm.
#[derive(Debug, Clone, PartialEq)]
pub struct Places(pub Vec<f64>);

/// Places along, mm, with commas between; any sign.
///
/// # Errors
/// Not a number, or beyond 100 m.
pub fn places_mm(text: &str) -> Result<Places, String> {
    let values = text
        .split(',')
        .map(number)
        .collect::<Result<Vec<f64>, String>>()?;
    if values.iter().any(|value| value.abs() > LONGEST_MM) {
        return Err(format!("a place lies beyond {LONGEST_MM} mm"));
    }
    Ok(Places(values))
}

/// An angle between two flanks, degrees.
///
/// # Errors
/// Not a number, or not between 2 and 170.
pub fn angle_deg(text: &str) -> Result<f64, String> {
    let value = number(text)?;
    if (2.0..=170.0).contains(&value) {
        Ok(value)
    } else {
        Err("a swage turns between 2 and 170 degrees".to_string())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check<T: PartialEq + std::fmt::Debug>(parsed: Result<T, String>, expected: Option<T>) {
        assert_eq!(parsed.ok(), expected);
    }

    #[test]
    fn lengths() {
        check(length_mm("0.5"), Some(0.5));
        check(length_mm(" 2 "), Some(2.0));
        for wrong in [
            "", "0", "-1", "nan", "NaN", "inf", "1e999", "0.5mm", "1,2", "1e6",
        ] {
            check(length_mm(wrong), None);
        }
        check(length_or_zero_mm("0"), Some(0.0));
        check(length_or_zero_mm("25"), Some(25.0));
        for wrong in ["-0.1", "nan", "x"] {
            check(length_or_zero_mm(wrong), None);
        }
    }

    #[test]
    fn pairs() {
        check(pair_mm("100.2,99.9"), Some((100.2, 99.9)));
        for wrong in ["100", "1,2,3", "100,", "100,-1", "nan,1"] {
            check(pair_mm(wrong), None);
        }
    }

    #[test]
    fn photo_points() {
        check(
            points("1,2,3,4"),
            Some(Points(vec![Px::new(1.0, 2.0), Px::new(3.0, 4.0)])),
        );
        check(
            points("-1,2.5,3e2,4"),
            Some(Points(vec![Px::new(-1.0, 2.5), Px::new(300.0, 4.0)])),
        );
        for wrong in [
            "",
            "1",
            "1,2",
            "1,2,3",
            "1,2,3,nan",
            "1,2,3,inf",
            "1;2;3;4",
            "1,2,,4",
            "1,2,3,1e7",
        ] {
            check(points(wrong), None);
        }
    }
}
