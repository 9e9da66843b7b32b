//! `fairpanel line --join`: one long line from several overlapping photos.

use super::batch;
use super::common::Common;
use super::exit::{Ending, Failure};
use super::output::OutputSet;
use super::photos::{self, folder_names};
use super::terminal;
use crate::check::Setup;
use crate::check::line::{LineOptions, LineResult, Prepared, join, prepare};
use crate::report::{json, overlay, plot, text};
use std::path::PathBuf;

/// Files of the whole line; each photo has its marked picture in a folder of its own.
const PLOTS: [&str; 2] = ["plot.png", "plot.svg"];
const RESULT: &str = "result.json";
const OVERLAY: &str = "overlay.png";

/// Measures the photos and joins them. One that can't be measured stops the run: the line would have a hole.
///
/// # Errors
/// [`Failure`], with nothing on stdout.
pub fn run(
    paths: &[PathBuf],
    common: &Common,
    setup: &Setup,
    options: &LineOptions,
) -> Result<Ending, Failure> {
    if !options.near.is_empty() {
        return Err(Failure::Usage(
            "--near holds for one photo and can't go with --join.".into(),
        ));
    }
    let folders = folder_names(paths);
    let marked: Vec<String> = folders.iter().map(|f| format!("{f}/{OVERLAY}")).collect();
    let names: Vec<String> = PLOTS
        .iter()
        .map(|n| (*n).to_string())
        .chain(marked.iter().cloned())
        .collect();
    let set = match &common.out {
        Some(dir) => {
            let mut planned = names.clone();
            planned.push(RESULT.to_string());
            Some(OutputSet::begin(dir, &planned)?)
        }
        None => None,
    };
    let stop = match set {
        Some(_) => batch::stop_on_signals(),
        None => std::sync::Arc::default(),
    };
    let prepared = batch::each(paths, &stop, |_, path| {
        let photo = photos::open(path)?;
        prepare(&photo, setup, options).map_err(|reason| photos::refused(path, reason))
    })?;
    let prepared: Vec<Prepared> = prepared
        .into_iter()
        .zip(paths)
        .map(|(one, path)| {
            one.unwrap_or_else(|| {
                Err(Failure::Input(format!(
                    "{}: fairpanel stumbled over this photo, which is a fault of the program.",
                    path.display()
                )))
            })
        })
        .collect::<Result<_, _>>()?;
    let result = join(&prepared, setup, options)
        .map_err(|reason| Failure::Input(format!("The photos can't be joined: {reason}.")))?;
    let files = if set.is_some() { names } else { Vec::new() };
    let answer = json::answer(&result, &files) + "\n";
    if let Some(set) = set {
        let (png, svg) = plot::png_and_svg(&result);
        set.put(PLOTS[0], &png)?;
        set.put(PLOTS[1], svg.as_bytes())?;
        set.put(RESULT, answer.as_bytes())?;
        let drawn = batch::each(paths, &stop, |index, path| {
            let Some(part) = part_of(&result, &path.display().to_string()) else {
                return Ok(());
            };
            set.put(&marked[index], &overlay::png(&photos::open(path)?, &part))
        })?;
        drawn
            .into_iter()
            .flatten()
            .collect::<Result<Vec<()>, _>>()?;
        set.finish()?;
    }
    let shown: Vec<String> = files
        .iter()
        .filter_map(|name| Some(common.out.as_ref()?.join(name).display().to_string()))
        .collect();
    terminal::answer(&if common.json {
        answer
    } else {
        terminal::headed(text::line(&result, &shown))
    })?;
    Ok(Ending::of(result.head.verdict.as_ref()))
}

/// What of the joined line lies in one photo, as an answer of its own for the marked picture; `None` when nothing does.
fn part_of(result: &LineResult, photo: &str) -> Option<LineResult> {
    let mut part = result.clone();
    part.line.px.clear();
    part.line.points_mm.clear();
    part.line.deviation.clear();
    part.line.run_starts.clear();
    let mut ends = (f64::INFINITY, f64::NEG_INFINITY);
    for stretch in result.joined.iter().filter(|j| j.photo == photo) {
        let range = stretch.first..stretch.first + stretch.points;
        for k in range.clone() {
            // A panel's start, or the stretch's own.
            if k == range.start || result.line.run_starts.contains(&k) {
                part.line.run_starts.push(part.line.px.len());
            }
            part.line.px.push(*result.line.px.get(k)?);
            part.line.points_mm.push(*result.line.points_mm.get(k)?);
            part.line.deviation.push(*result.line.deviation.get(k)?);
        }
        ends = (ends.0.min(stretch.from_mm), ends.1.max(stretch.to_mm));
    }
    let seen = |s: f64| (ends.0..=ends.1).contains(&s);
    part.line.waves.retain(|w| seen(w.peak_mm));
    part.gap.retain(|g| seen(g.at_mm));
    part.head.photo = photo.to_string();
    (part.line.px.len() > 2).then_some(part)
}
