//! The run that every check of photos shares: one photo or many, answer and files, exit code.

use super::batch;
use super::common::Common;
use super::exit::{Ending, Failure};
use super::output::OutputSet;
use super::terminal;
use crate::check::{CheckError, Head};
use crate::photo::{self, Limits, Need, Photo};
use crate::report::json;
use serde::Serialize;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// What a check brings to the run; `R` is its result.
pub struct Photos<'a, R> {
    /// Name of the check, as on the command line.
    pub check: &'static str,
    /// Photos as given.
    pub paths: &'a [PathBuf],
    /// The shared options.
    pub common: &'a Common,
    /// Files that a measured photo gets beside `result.json`, the marked photo first.
    pub files: &'a [&'static str],
    /// The common part of a result.
    pub head: fn(&R) -> &Head,
    /// A result in a dozen lines; the strings are paths of its files.
    pub words: fn(&R, &[String]) -> String,
    /// A result on one line.
    pub short: fn(&R) -> String,
}

/// Where a photo's files go.
#[derive(Debug, Clone, Copy)]
pub struct Place<'a> {
    set: &'a OutputSet,
    prefix: &'a str,
}

impl Place<'_> {
    /// Writes one of the photo's files.
    ///
    /// # Errors
    /// [`Failure::Output`].
    pub fn put(&self, name: &str, bytes: &[u8]) -> Result<(), Failure> {
        self.set.put(&format!("{}{name}", self.prefix), bytes)
    }
}

/// One photo done, kept small: a photo's answer in memory is its text alone.
struct Done {
    answer: String,
    words: String,
    ending: Ending,
}

/// File with the answer.
const RESULT: &str = "result.json";

/// Measures every photo and says so: on one photo the answer is the document, on several it is a list.
///
/// `measure` gets the photo's path and, under `--out`, where to put its files.
///
/// # Errors
/// [`Failure`] when nothing could be measured or written; then stdout is empty.
pub fn run<R: Serialize>(
    photos: &Photos<R>,
    measure: impl Fn(&Path, Option<Place>) -> Result<R, Failure> + Sync,
) -> Result<Ending, Failure> {
    let alone = photos.paths.len() == 1;
    let prefixes: Vec<String> = match alone {
        true => vec![String::new()],
        false => folder_names(photos.paths)
            .into_iter()
            .map(|folder| format!("{folder}/"))
            .collect(),
    };
    let (set, stop) = output(photos, &prefixes)?;
    let results = batch::each(photos.paths, &stop, |index, path| {
        let prefix = prefixes.get(index).map_or("", String::as_str);
        let place = set.as_ref().map(|set| Place { set, prefix });
        measure(path, place).and_then(|result| done(photos, &result, place, alone))
    })?;
    let results = results.into_iter().zip(photos.paths);
    let results: Vec<Result<Done, Failure>> = results
        .map(|(result, path)| result.unwrap_or_else(|| Err(stumbled(path))))
        .collect();
    if alone {
        single(photos, set, results)
    } else {
        several(photos, set, results)
    }
}

/// As [`run`], for a check that takes a photo and nothing else: opened, measured, and under `--out` its pictures written.
///
/// # Errors
/// As [`run`].
pub fn run_opened<R: Serialize>(
    photos: &Photos<R>,
    measure: impl Fn(&Photo) -> Result<R, CheckError> + Sync,
    pictures: impl Fn(&Photo, &R, Place) -> Result<(), Failure> + Sync,
) -> Result<Ending, Failure> {
    run(photos, |path, place| {
        let photo = open(path)?;
        let result = measure(&photo).map_err(|reason| refused(path, reason))?;
        if let Some(place) = place {
            pictures(&photo, &result, place)?;
        }
        Ok(result)
    })
}

/// Opens a photo with its colours.
///
/// # Errors
/// [`Failure::Photo`].
pub fn open(path: &Path) -> Result<Photo, Failure> {
    photo::open(path, Need::Colour, &Limits::default())
        .map_err(|reason| refused(path, reason.into()))
}

/// A photo that can't be measured, by its name as given.
pub fn refused(path: &Path, reason: CheckError) -> Failure {
    Failure::Photo {
        photo: path.display().to_string(),
        reason,
    }
}

/// The answer of one measured photo, its `result.json` written.
fn done<R: Serialize>(
    photos: &Photos<R>,
    result: &R,
    place: Option<Place>,
    alone: bool,
) -> Result<Done, Failure> {
    let prefix = place.map_or("", |place| place.prefix);
    let names: Vec<String> = match place {
        Some(_) => photos
            .files
            .iter()
            .map(|name| format!("{prefix}{name}"))
            .collect(),
        None => Vec::new(),
    };
    let answer = json::answer(result, &names);
    if let Some(place) = place {
        place.put(RESULT, format!("{answer}\n").as_bytes())?;
    }
    let words = if photos.common.json {
        String::new()
    } else if alone {
        (photos.words)(
            result,
            &names
                .iter()
                .map(|name| shown(photos.common, name))
                .collect::<Vec<_>>(),
        )
    } else {
        (photos.short)(result)
    };
    Ok(Done {
        answer,
        words,
        ending: Ending::of((photos.head)(result).verdict.as_ref()),
    })
}

/// A call with one photo.
fn single<R>(
    photos: &Photos<R>,
    set: Option<OutputSet>,
    results: Vec<Result<Done, Failure>>,
) -> Result<Ending, Failure> {
    let nothing = || Err(Failure::Usage("No photo was given.".to_string()));
    let done = results.into_iter().next().unwrap_or_else(nothing)?;
    set.map_or(Ok(()), OutputSet::finish)?;
    terminal::answer(&if photos.common.json {
        done.answer + "\n"
    } else {
        terminal::headed(done.words)
    })?;
    Ok(done.ending)
}

/// A call with several: nothing measured is a failure; one that failed, was outside or undecided makes it doubtful.
fn several<R>(
    photos: &Photos<R>,
    set: Option<OutputSet>,
    results: Vec<Result<Done, Failure>>,
) -> Result<Ending, Failure> {
    // A full disk is no fault of a photo: it ends the run.
    let mut results = results;
    if let Some(at) = results
        .iter()
        .position(|result| matches!(result, Err(Failure::Output(_) | Failure::Usage(_))))
    {
        return results.swap_remove(at).map(|done| done.ending);
    }
    let measured = results.iter().filter(|result| result.is_ok()).count();
    if measured == 0 {
        let first = results
            .iter()
            .find_map(|result| result.as_ref().err())
            .map(ToString::to_string);
        return Err(Failure::Input(format!(
            "None of the {} photos can be measured. The first: {}",
            results.len(),
            first.unwrap_or_default()
        )));
    }
    let good = results
        .iter()
        .filter(|result| {
            result
                .as_ref()
                .is_ok_and(|done| done.ending == Ending::Good)
        })
        .count();
    let answers: Vec<String> = results
        .iter()
        .zip(photos.paths)
        .map(|(result, path)| answer_of(result, path))
        .collect();
    let document = json::several(photos.check, &answers) + "\n";
    if let Some(set) = set {
        set.put(RESULT, document.as_bytes())?;
        set.finish()?;
    }
    terminal::answer(&if photos.common.json {
        document
    } else {
        listing(photos, &results, measured)
    })?;
    Ok(if good == results.len() {
        Ending::Good
    } else {
        Ending::Doubt
    })
}

/// A photo's place in the list of answers.
fn answer_of(result: &Result<Done, Failure>, path: &Path) -> String {
    match result {
        Ok(done) => done.answer.clone(),
        Err(Failure::Photo { reason, .. }) => {
            json::refused(&path.display().to_string(), &reason.to_string())
        }
        Err(other) => json::refused(&path.display().to_string(), &other.to_string()),
    }
}

/// The answer in words: a line a photo, then the sum.
fn listing<R>(photos: &Photos<R>, results: &[Result<Done, Failure>], measured: usize) -> String {
    let mut lines: Vec<String> = results
        .iter()
        .map(|result| match result {
            Ok(done) => done.words.clone(),
            Err(failure) => format!("not measured: {failure}"),
        })
        .collect();
    lines.push(format!("{measured} of {} photos measured.", results.len()));
    if let Some(dir) = &photos.common.out {
        lines.push(format!(
            "Pictures: {}, a folder for each photo",
            dir.display()
        ));
    }
    lines.push(String::new());
    lines.join("\n")
}

/// The output set and the flag that Ctrl-C raises; a run that writes nothing needs neither.
fn output<R>(
    photos: &Photos<R>,
    prefixes: &[String],
) -> Result<(Option<OutputSet>, Arc<AtomicBool>), Failure> {
    let Some(dir) = &photos.common.out else {
        return Ok((None, Arc::default()));
    };
    let names = || photos.files.iter().copied().chain([RESULT]);
    let mut planned: Vec<String> = prefixes
        .iter()
        .flat_map(|prefix| names().map(move |name| format!("{prefix}{name}")))
        .collect();
    planned.push(RESULT.to_string());
    let stop = batch::stop_on_signals();
    Ok((Some(OutputSet::begin(dir, &planned)?), stop))
}

/// A file's path as shown to the user.
fn shown(common: &Common, name: &str) -> String {
    common.out.as_ref().map_or_else(
        || name.to_string(),
        |dir| dir.join(name).display().to_string(),
    )
}

/// What stands in for a result when the program itself failed on a photo.
fn stumbled(path: &Path) -> Failure {
    Failure::Input(format!(
        "{}: fairpanel stumbled over this photo, which is a fault of the program. Try it saved as PNG, or taken again.",
        path.display()
    ))
}

/// Names for the photos' sub-folders: each photo's own name without its ending, made plain and unique.
pub fn folder_names(photos: &[std::path::PathBuf]) -> Vec<String> {
    let mut names: Vec<String> = Vec::with_capacity(photos.len());
    for photo in photos {
        let stem = photo
            .file_stem()
            .map(|stem| stem.to_string_lossy().into_owned())
            .unwrap_or_default();
        let plain: String = stem
            .chars()
            .map(|c| {
                if c.is_alphanumeric() || "-_.".contains(c) {
                    c
                } else {
                    '-'
                }
            })
            .collect();
        let plain = plain.trim_matches('.');
        let plain = if plain.is_empty() { "photo" } else { plain };
        // Some file systems don't tell capitals from small letters.
        let taken = |name: &str, names: &[String]| {
            names
                .iter()
                .any(|other| other.to_lowercase() == name.to_lowercase())
        };
        let mut name = plain.to_string();
        let mut count = 2;
        while taken(&name, &names) {
            name = format!("{plain}-{count}");
            count += 1;
        }
        names.push(name);
    }
    names
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sub_folders_are_plain_and_unique() {
        let photos = [
            "a/door.jpg",
            "b/door.jpg",
            "DOOR.png",
            "sill left?.jpg",
            "..",
            "door-2.jpg",
        ]
        .map(PathBuf::from);
        let check = [
            "door",
            "door-2",
            "DOOR-3",
            "sill-left-",
            "photo",
            "door-2-2",
        ];
        assert_eq!(folder_names(&photos), check);
    }
}
