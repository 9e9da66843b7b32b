//! Stations from a table or from results of sections.

#![cfg_attr(test, allow(clippy::unwrap_used))]

use super::schedule::Row;
use serde::Deserialize;
use thiserror::Error;

/// Stations and where they come from.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    /// Name of the file or files.
    pub name: String,
    /// Place, radius, half-width of the 95% interval; places rising, none twice.
    pub stations: Vec<Row>,
    /// Turn angles that the sections tell: value and u95, degrees.
    pub turns_deg: Vec<(f64, f64)>,
    /// What the user should know.
    pub warnings: Vec<String>,
}

/// Why stations can't be used.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum StationsError {
    /// No head line with the columns.
    #[error(
        "its first line must name the columns s_mm, r_mm and, if known, u95_mm, with commas between"
    )]
    NoHead,
    /// A line that can't be read.
    #[error("line {line} of the table is no station: '{text}'")]
    Line {
        /// Number of the line, from 1.
        line: usize,
        /// What stands there, shortened.
        text: String,
    },
    /// A number that can't be.
    #[error(
        "line {line} of the table: the place must be a number within 100 m, the radius above zero and the ± above zero, in mm"
    )]
    Range {
        /// Number of the line, from 1.
        line: usize,
    },
    /// Not enough stations.
    #[error("{rows} station{} can't tell how a radius runs; two or more at different places are needed", if *rows == 1 { "" } else { "s" })]
    TooFew {
        /// Stations there are.
        rows: usize,
    },
    /// A table too long.
    #[error("the table has more than {most} stations; thin it out")]
    TooMany {
        /// Most stations read.
        most: usize,
    },
    /// Not a section's answer.
    #[error("it is not the result of a section: {reason}")]
    NoSection {
        /// What is missing.
        reason: &'static str,
    },
    /// No place for a section.
    #[error(
        "where along the swage the section was taken is not known; give the places of all sections in mm, in the same order: --at 0,150,320"
    )]
    NoPlace,
    /// No turn angle.
    #[error("the turn between the flanks is not known; give it in degrees: --turn 45")]
    NoTurn,
    /// A turn angle that can't be.
    #[error("a turn of {turn_deg}° can't be worked with: a swage turns between 2° and 170°")]
    Turn {
        /// The turn, degrees.
        turn_deg: f64,
    },
}

/// Most stations of a table.
const MOST: usize = 20_000;
/// Longest place and largest radius taken seriously, mm.
const LARGEST_MM: f64 = 1e5;

/// Reads a table: CSV with the head line `s_mm,r_mm,u95_mm` (any order, other columns are passed over, `u95_mm` may be
/// missing). Commas, semicolons or tabs; with semicolons or tabs decimals may have a comma.
///
/// # Errors
/// [`StationsError`].
pub fn read_csv(name: &str, text: &str) -> Result<Source, StationsError> {
    let text = text.trim_start_matches('\u{feff}');
    let mut lines = text
        .lines()
        .enumerate()
        .map(|(i, line)| (i + 1, line.trim()))
        .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
    let (_, head) = lines.next().ok_or(StationsError::NoHead)?;
    let mark = [';', '\t', ',']
        .into_iter()
        .find(|m| head.contains(*m))
        .ok_or(StationsError::NoHead)?;
    let plain = |cell: &str| cell.trim().trim_matches('"').trim().to_lowercase();
    let names: Vec<String> = head.split(mark).map(plain).collect();
    let column = |name: &str| names.iter().position(|n| n == name);
    let (s_at, r_at) = column("s_mm")
        .zip(column("r_mm"))
        .ok_or(StationsError::NoHead)?;
    let u_at = column("u95_mm");
    let mut rows: Vec<Row> = Vec::new();
    for (line, text) in lines {
        let cells: Vec<String> = text.split(mark).map(plain).collect();
        let refuse = || StationsError::Line {
            line,
            text: text.chars().take(40).collect(),
        };
        let read = |at: usize| -> Option<f64> {
            let cell = cells.get(at)?;
            let cell = if mark == ',' {
                cell.clone()
            } else {
                cell.replace(',', ".")
            };
            cell.parse::<f64>().ok()
        };
        let (s, r) = read(s_at).zip(read(r_at)).ok_or_else(refuse)?;
        let u = match u_at {
            Some(at) if cells.get(at).is_some_and(|c| !c.is_empty()) => {
                Some(read(at).ok_or_else(refuse)?)
            }
            _ => None,
        };
        let fine = s.abs() <= LARGEST_MM
            && r > 0.0
            && r <= LARGEST_MM
            && u.is_none_or(|u| u > 0.0 && u <= LARGEST_MM);
        if !fine {
            return Err(StationsError::Range { line });
        }
        if rows.len() >= MOST {
            return Err(StationsError::TooMany { most: MOST });
        }
        rows.push((s, r, u));
    }
    let mut warnings = Vec::new();
    let stations = ordered(rows, &mut warnings)?;
    Ok(Source {
        name: name.to_string(),
        stations,
        turns_deg: Vec::new(),
        warnings,
    })
}

/// Places rising; stations at one place become their mean.
fn ordered(mut rows: Vec<Row>, warnings: &mut Vec<String>) -> Result<Vec<Row>, StationsError> {
    if rows.windows(2).any(|w| w[1].0 < w[0].0) {
        warnings.push("the stations were not in order along the swage and have been sorted".into());
    }
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut merged: Vec<(Row, f64)> = Vec::new();
    for row in rows {
        match merged.last_mut() {
            Some((last, n)) if row.0 - last.0 < 1e-3 => {
                last.1 = (last.1 * *n + row.1) / (*n + 1.0);
                // Readings of one station share most of their errors: the larger doubt stays.
                last.2 = last.2.zip(row.2).map(|(a, b)| a.max(b));
                *n += 1.0;
            }
            _ => merged.push((row, 1.0)),
        }
    }
    if merged.iter().any(|m| m.1 > 1.0) {
        warnings.push("several stations stand at one place; their mean is used".into());
    }
    if merged.len() < 2 {
        return Err(StationsError::TooFew { rows: merged.len() });
    }
    Ok(merged.into_iter().map(|m| m.0).collect())
}

/// One section's station: place if it says one, radius, its u95, turn and its u95.
pub type SectionStation = (Option<f64>, f64, f64, Option<(f64, f64)>);

/// Reads the answer of a section; a station place may stand in it as `station_mm`.
///
/// # Errors
/// [`StationsError::NoSection`].
pub fn read_section(json: &str) -> Result<SectionStation, StationsError> {
    #[derive(Deserialize)]
    struct Figure {
        value: f64,
        u95: f64,
    }
    #[derive(Deserialize)]
    struct Answer {
        station_mm: Option<f64>,
        form: Option<String>,
        radius_mm: Option<Figure>,
        turn_deg: Option<Figure>,
    }
    let refuse = |reason| StationsError::NoSection { reason };
    let answer: Answer =
        serde_json::from_str(json).map_err(|_| refuse("it has no radius_mm with value and u95"))?;
    let radius = answer
        .radius_mm
        .ok_or_else(|| refuse("it has no radius; a sharp corner has none"))?;
    let fine = radius.value > 0.0
        && radius.value <= LARGEST_MM
        && radius.u95 > 0.0
        && radius.u95 <= LARGEST_MM
        && answer.station_mm.is_none_or(|s| s.abs() <= LARGEST_MM);
    if !fine {
        return Err(refuse("its radius or place can't be"));
    }
    // A crown has no flanks: what it spans is no turn.
    let crown = answer.form.is_some_and(|form| form == "crown");
    let turn = answer
        .turn_deg
        .map(|t| (t.value, t.u95))
        .filter(|(value, u95)| !crown && *value > 0.0 && *u95 > 0.0);
    Ok((answer.station_mm, radius.value, radius.u95, turn))
}

impl Source {
    /// Stations from the answers of several sections. `at_mm`: their places, in the same order, where the files don't say.
    ///
    /// # Errors
    /// [`StationsError`].
    pub fn of_sections(
        sections: &[(String, SectionStation)],
        at_mm: Option<&[f64]>,
    ) -> Result<Source, StationsError> {
        let mut rows = Vec::new();
        for (i, (_, (own, r, u, _))) in sections.iter().enumerate() {
            let s = match at_mm {
                Some(list) => list.get(i).copied(),
                None => *own,
            };
            rows.push((s.ok_or(StationsError::NoPlace)?, *r, Some(*u)));
        }
        let mut warnings = Vec::new();
        let stations = ordered(rows, &mut warnings)?;
        let names: Vec<&str> = sections.iter().map(|s| s.0.as_str()).collect();
        Ok(Source {
            name: names.join(", "),
            stations,
            turns_deg: sections.iter().filter_map(|s| s.1.3).collect(),
            warnings,
        })
    }
}

/// The turn to work with: the one given, else the sections' mean.
///
/// # Errors
/// [`StationsError::NoTurn`], [`StationsError::Turn`].
pub fn turn(
    source: &Source,
    given: Option<f64>,
    warnings: &mut Vec<String>,
) -> Result<f64, StationsError> {
    let weights: f64 = source.turns_deg.iter().map(|t| 1.0 / (t.1 * t.1)).sum();
    let mean = (weights > 0.0 && weights.is_finite()).then(|| {
        source
            .turns_deg
            .iter()
            .map(|t| t.0 / (t.1 * t.1))
            .sum::<f64>()
            / weights
    });
    let turn_deg = given.or(mean).ok_or(StationsError::NoTurn)?;
    check_turn(turn_deg)?;
    let off = source
        .turns_deg
        .iter()
        .filter(|t| (t.0 - turn_deg).abs() > t.1.max(1.0))
        .count();
    if off > 0 {
        warnings.push(format!(
            "{off} of {} sections turn by another angle than {turn_deg:.1}°: the tools' misses there are somewhat different",
            source.turns_deg.len()
        ));
    }
    Ok(turn_deg)
}

/// A turn that can be worked with.
///
/// # Errors
/// [`StationsError::Turn`].
pub fn check_turn(turn_deg: f64) -> Result<(), StationsError> {
    if (2.0..=170.0).contains(&turn_deg) {
        Ok(())
    } else {
        Err(StationsError::Turn { turn_deg })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check(text: &str, expected: Result<&[Row], ()>) {
        let read = read_csv("t.csv", text).map(|s| s.stations);
        assert_eq!(read.as_deref().map_err(|_| ()), expected, "{text}");
    }

    #[test]
    fn tables() {
        let two: &[Row] = &[(0.0, 5.0, Some(0.1)), (10.0, 6.5, Some(0.2))];
        check("s_mm,r_mm,u95_mm\n0,5,0.1\n10,6.5,0.2\n", Ok(two));
        check(
            "\u{feff}S_mm, R_mm, U95_mm\r\n10,6.5,0.2\r\n\r\n0,5,0.1",
            Ok(two),
        );
        check("s_mm;u95_mm;r_mm\n0;0,1;5\n10;0,2;6,5\n", Ok(two));
        check(
            "s_mm,r_mm\n0,5\n10,6",
            Ok(&[(0.0, 5.0, None), (10.0, 6.0, None)]),
        );
        check(
            "s_mm,r_mm\n0,5\n0,7\n10,6",
            Ok(&[(0.0, 6.0, None), (10.0, 6.0, None)]),
        );
        for wrong in [
            "",
            "0,5,0.1\n10,6,0.1",
            "s_mm,r_mm,u95_mm\n0,5,0.1\n",
            "s_mm,r_mm,u95_mm\n0,5,0.1\n10,-6,0.1",
            "s_mm,r_mm,u95_mm\n0,5,0\n10,6,0.1",
            "s_mm,r_mm,u95_mm\n0,5,x\n10,6,0.1",
            "s_mm,r_mm,u95_mm\n0,nan,0.1\n10,6,0.1",
            "s_mm,r_mm,u95_mm\ninf,5,0.1\n10,6,0.1",
            "s_mm,r_mm,u95_mm\n5\n6",
        ] {
            check(wrong, Err(()));
        }
    }

    #[test]
    fn sections() {
        let json = |r: &str| {
            format!(
                r#"{{"check": "section", "station_mm": 40, "radius_mm": {r}, "turn_deg": {{"value": 44, "u95": 0.5}}}}"#
            )
        };
        let read = read_section(&json(r#"{"value": 8, "u95": 0.2}"#)).unwrap();
        assert_eq!(read, (Some(40.0), 8.0, 0.2, Some((44.0, 0.5))));
        for wrong in ["null", r#"{"value": -8, "u95": 0.2}"#, r#"{"value": 8}"#] {
            assert!(read_section(&json(wrong)).is_err());
        }
        let all = [
            ("a".to_string(), read),
            ("b".to_string(), (None, 9.0, 0.2, None)),
        ];
        assert_eq!(Source::of_sections(&all, None), Err(StationsError::NoPlace));
        let source = Source::of_sections(&all, Some(&[0.0, 90.0])).unwrap();
        assert_eq!(
            source.stations,
            [(0.0, 8.0, Some(0.2)), (90.0, 9.0, Some(0.2))]
        );
        assert_eq!(turn(&source, None, &mut Vec::new()), Ok(44.0));
    }

    proptest! {
        #[test]
        fn no_text_makes_the_reader_panic(text in ".{0,200}") {
            let _ = read_csv("t.csv", &text);
            let _ = read_csv("t.csv", &format!("s_mm,r_mm,u95_mm\n{text}"));
            let _ = read_section(&text);
        }
    }
}
