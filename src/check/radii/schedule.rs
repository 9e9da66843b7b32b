//! A smooth radius from single stations, and which of them don't belong.

use super::{EVERY_MM, Scheduled, StationsError};
use crate::solve::wander::{Reading, Unknown, wander};
use crate::units::K95;
use serde::{Deserialize, Serialize};

/// A station.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Station {
    /// Place along, mm.
    pub s_mm: f64,
    /// Radius found there, mm.
    pub r_mm: f64,
    /// Half-width of its 95% interval, mm; where none was given, the one that the scatter of all shows.
    pub u95_mm: f64,
    /// It doesn't belong to the rest.
    pub odd: bool,
    /// How far it lies off the course the others make, in standard deviations of what is expected.
    pub off_sd: f64,
}

/// How the schedule was smoothed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Smoothing {
    /// Waves of the radius of this length are followed to one half, mm: what the readings say by their likelihood.
    pub cutoff_mm: f64,
    /// The same in words.
    pub words: String,
}

/// More standard deviations off than this and a station doesn't belong: chance does that to one in 2 000.
const ODD: f64 = 3.5;
/// Stations on either side among which one must be the oddest, and most rounds of taking them out.
const BESIDE: usize = 3;
const ROUNDS: usize = 20;

/// Reading of a table: place, radius, half-width of the 95% interval if known.
pub type Row = (f64, f64, Option<f64>);

/// Smooths stations; odd ones are told and left out of the smooth course.
///
/// # Errors
/// [`StationsError::TooFew`] under 2 rows.
pub fn of_stations(
    rows: &[Row],
) -> Result<(Vec<Station>, Smoothing, Vec<Scheduled>), StationsError> {
    let [first, .., last] = rows else {
        return Err(StationsError::TooFew { rows: rows.len() });
    };
    let places = places(first.0, last.0, rows.iter().map(|r| r.0));
    let unknown = if rows.iter().all(|r| r.2.is_some()) {
        Unknown::Nothing
    } else {
        Unknown::Own
    };
    let mut odd = vec![false; rows.len()];
    let mut off = vec![0.0; rows.len()];
    let mut course = None;
    // The worst ones out at a time: an odd station bends the course and makes its neighbours look odd.
    for _ in 0..=(rows.len() / 4).min(ROUNDS) {
        let kept: Vec<usize> = (0..rows.len()).filter(|i| !odd[*i]).collect();
        let readings: Vec<Reading> = kept
            .iter()
            .map(|i| Reading {
                s: rows[*i].0,
                value: rows[*i].1,
                u: rows[*i].2.unwrap_or(0.0) / K95,
            })
            .collect();
        let Some(found) = wander(&readings, &places, unknown) else {
            break;
        };
        for (k, i) in kept.iter().enumerate() {
            off[*i] = found.off[k];
        }
        let off: Vec<f64> = kept.iter().map(|i| off[*i].abs()).collect();
        let mut out: Vec<usize> = (0..kept.len())
            .filter(|k| {
                let near = k.saturating_sub(BESIDE)..(k + BESIDE + 1).min(kept.len());
                off[*k] > ODD && near.into_iter().all(|j| off[j] <= off[*k])
            })
            .map(|k| kept[k])
            .collect();
        out.truncate(kept.len().saturating_sub(5));
        course = Some(found);
        if out.is_empty() {
            break;
        }
        for i in out {
            odd[i] = true;
        }
    }
    let own = course.as_ref().map_or(0.0, |c| c.noise.own);
    let stations = rows
        .iter()
        .enumerate()
        .map(|(i, row)| Station {
            s_mm: row.0,
            r_mm: row.1,
            u95_mm: row.2.unwrap_or(K95 * own).max(1e-4),
            odd: odd[i],
            off_sd: off[i],
        })
        .collect::<Vec<Station>>();
    let Some(course) = course else {
        // Two stations: straight between them.
        let schedule = between(&stations, &places);
        let words = "two stations: straight between them".to_string();
        let smoothing = Smoothing {
            cutoff_mm: 2.0 * (last.0 - first.0),
            words,
        };
        return Ok((stations, smoothing, schedule));
    };
    let schedule = places
        .iter()
        .zip(course.value.iter().zip(&course.u))
        .map(|(s, (r, u))| Scheduled {
            s_mm: *s,
            r_mm: *r,
            u95_mm: (K95 * u).max(1e-4),
        })
        .collect();
    Ok((
        stations,
        smoothing(course.cutoff, last.0 - first.0),
        schedule,
    ))
}

/// The smoothing in words.
pub fn smoothing(cutoff_mm: f64, span_mm: f64) -> Smoothing {
    let words = if cutoff_mm > 2.0 * span_mm {
        "the radius runs as straight as the readings can tell; how much it may wander was judged by their likelihood"
            .to_string()
    } else {
        format!(
            "waves of the radius of {cutoff_mm:.0} mm are followed to one half, shorter ones less: how much it wanders was judged by the readings' likelihood"
        )
    };
    Smoothing { cutoff_mm, words }
}

/// Rising places from end to end at most [`EVERY_MM`] apart, with those of the stations.
pub fn places(from: f64, to: f64, own: impl Iterator<Item = f64>) -> Vec<f64> {
    let steps = ((to - from) / EVERY_MM).ceil().max(1.0) as usize;
    let mut all: Vec<f64> = (0..=steps)
        .map(|i| from + (to - from) * i as f64 / steps as f64)
        .chain(own)
        .collect();
    all.sort_by(f64::total_cmp);
    all.dedup_by(|a, b| *a - *b < 1e-6);
    all
}

/// Straight between the first and the last station.
fn between(stations: &[Station], places: &[f64]) -> Vec<Scheduled> {
    let (Some(a), Some(b)) = (stations.first(), stations.last()) else {
        return Vec::new();
    };
    places
        .iter()
        .map(|s| {
            let f = (s - a.s_mm) / (b.s_mm - a.s_mm);
            Scheduled {
                s_mm: *s,
                r_mm: a.r_mm * (1.0 - f) + b.r_mm * f,
                // What the radius does between the two is not known: their difference is a fair doubt.
                u95_mm: a.u95_mm.max(b.u95_mm) + (a.r_mm - b.r_mm).abs() * f * (1.0 - f),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_odd_station_is_flagged_and_left_out() {
        let mut rows: Vec<Row> = (0..20)
            .map(|i| (30.0 * f64::from(i), 12.0 - 0.2 * f64::from(i), Some(0.2)))
            .collect();
        rows[9].1 += 1.5;
        let (stations, _, schedule) = of_stations(&rows).expect("stations");
        let odd: Vec<usize> = (0..20).filter(|i| stations[*i].odd).collect();
        assert_eq!(odd, [9]);
        let at = schedule.iter().find(|s| s.s_mm == 270.0).expect("a place");
        assert!((at.r_mm - (12.0 - 1.8)).abs() < 0.1, "{at:?}");
        assert!(
            schedule
                .windows(2)
                .all(|w| w[1].s_mm - w[0].s_mm <= 10.0 + 1e-9)
        );
    }

    #[test]
    fn two_stations_are_joined_straight_and_one_is_refused() {
        let (_, _, schedule) =
            of_stations(&[(0.0, 5.0, Some(0.1)), (40.0, 9.0, Some(0.1))]).expect("two");
        let middle = schedule
            .iter()
            .find(|s| s.s_mm == 20.0)
            .expect("the middle");
        assert!((middle.r_mm - 7.0).abs() < 1e-9 && middle.u95_mm > 0.5);
        assert!(of_stations(&[(0.0, 5.0, None)]).is_err());
    }
}
