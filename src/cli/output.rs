//! The folder given with `--out`: what the program wrote there before is replaced as a whole, what the user made is
//! never touched.
//!
//! A list of our files, with a fingerprint of each, lies in the folder itself ([`LIST`]). A file that is not on it, or
//! no longer matches its fingerprint, is the user's. New files are first written whole into a hidden folder inside,
//! then moved into place one by one; the list names old and new contents while that goes on, so a program killed at any
//! instant leaves only whole files, all known as ours at the next run.

use super::common::plain_io;
use super::exit::Failure;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Component, Path, PathBuf};
use std::sync::Mutex;

/// Name of the list of our files.
const LIST: &str = "fairpanel-files.json";

/// Begin of the hidden folder's name; the process id follows.
const HIDDEN: &str = ".fairpanel-unfinished-";

/// The list as stored: for each file, by its path below the folder (`/` between), the fingerprints of contents that
/// are ours; two only while files are being replaced.
#[derive(Debug, Default, Serialize, Deserialize)]
struct List {
    about: String,
    files: BTreeMap<String, Vec<String>>,
}

/// A set of files on its way into the folder. Dropped before [`OutputSet::finish`], it leaves the folder as it was.
#[derive(Debug)]
pub struct OutputSet {
    dir: PathBuf,
    hidden: PathBuf,
    /// Outermost folder that did not exist before.
    made: Option<PathBuf>,
    old: List,
    new: Mutex<BTreeMap<String, Vec<String>>>,
}

impl OutputSet {
    /// Makes the folder when it is not there, and looks whether the files that are `planned` (paths below it, `/`
    /// between) would overwrite something of the user's.
    ///
    /// # Errors
    /// [`Failure::Usage`] when they would, or when the folder can't be made or written.
    pub fn begin(dir: &Path, planned: &[String]) -> Result<Self, Failure> {
        let refuse = |error: io::Error| {
            Failure::Usage(format!(
                "The folder {} can't be written: {}.",
                dir.display(),
                plain_io(&error)
            ))
        };
        let made = dir
            .ancestors()
            .filter(|part| !part.as_os_str().is_empty() && !part.exists())
            .last();
        let made = made.map(Path::to_path_buf);
        fs::create_dir_all(dir).map_err(refuse)?;
        tidy(dir);
        let hidden = dir.join(format!("{HIDDEN}{}", std::process::id()));
        let set = OutputSet {
            dir: dir.to_path_buf(),
            hidden,
            made,
            old: read_list(dir),
            new: Mutex::default(),
        };
        fs::create_dir(&set.hidden).map_err(refuse)?;
        planned.iter().try_for_each(|name| set.may_replace(name))?;
        Ok(set)
    }

    /// Writes one file of the set, not yet in its place. May be called from several threads.
    ///
    /// # Errors
    /// [`Failure::Output`], say when the disk is full.
    pub fn put(&self, name: &str, bytes: &[u8]) -> Result<(), Failure> {
        let path = self.hidden.join(name);
        let written = path
            .parent()
            .map_or(Ok(()), fs::create_dir_all)
            .and_then(|()| fs::write(&path, bytes));
        written.map_err(|error| self.cannot(name, &error))?;
        if let Ok(mut new) = self.new.lock() {
            new.insert(name.to_string(), vec![fingerprint(bytes)]);
        }
        Ok(())
    }

    /// Puts the set in its place and takes away what an earlier run wrote and this one did not.
    ///
    /// # Errors
    /// [`Failure::Usage`] when a file of the user's is in the way (nothing is moved then); [`Failure::Output`] when the
    /// disk gives out.
    pub fn finish(self) -> Result<(), Failure> {
        let new = self.new.lock().map(|new| new.clone()).unwrap_or_default();
        new.keys().try_for_each(|name| self.may_replace(name))?;
        let mut both = self.old.files.clone();
        for (name, prints) in &new {
            both.entry(name.clone())
                .or_default()
                .extend(prints.iter().cloned());
        }
        self.write_list(&both)?;
        for name in new.keys() {
            let place = self.dir.join(name);
            let moved = place.parent().map_or(Ok(()), fs::create_dir_all);
            moved
                .and_then(|()| fs::rename(self.hidden.join(name), &place))
                .map_err(|error| self.cannot(name, &error))?;
        }
        for (name, prints) in &self.old.files {
            if !new.contains_key(name) && is_ours(&self.dir.join(name), prints) {
                self.take_away(name);
            }
        }
        self.write_list(&new)
    }

    /// Whether a file may be put at `name`: nothing is there, or something we wrote and nobody changed.
    fn may_replace(&self, name: &str) -> Result<(), Failure> {
        let place = self.dir.join(name);
        let free = fs::symlink_metadata(&place).is_err();
        if free
            || self
                .old
                .files
                .get(name)
                .is_some_and(|prints| is_ours(&place, prints))
        {
            return Ok(());
        }
        Err(Failure::Usage(format!(
            "{} was not written by fairpanel, or was changed since. Move it away or give another --out folder.",
            place.display()
        )))
    }

    /// Removes one of our files, and its sub-folder when nothing is left in it.
    fn take_away(&self, name: &str) {
        let place = self.dir.join(name);
        drop(fs::remove_file(&place));
        if let Some(folder) = place.parent()
            && folder != self.dir
        {
            // Fails, as it should, while anything is in it.
            drop(fs::remove_dir(folder));
        }
    }

    /// Writes the list through a rename, so that it is never half there.
    fn write_list(&self, files: &BTreeMap<String, Vec<String>>) -> Result<(), Failure> {
        let list = List {
            about: "Files that fairpanel wrote here and will replace; all others are yours."
                .to_string(),
            files: files.clone(),
        };
        let whole = serde_json::to_vec_pretty(&list).unwrap_or_default();
        let draft = self.hidden.join(LIST);
        fs::write(&draft, whole)
            .and_then(|()| fs::rename(&draft, self.dir.join(LIST)))
            .map_err(|error| self.cannot(LIST, &error))
    }

    /// The message when the disk fails.
    fn cannot(&self, name: &str, error: &io::Error) -> Failure {
        Failure::Output(format!(
            "{} can't be written: {}.",
            self.dir.join(name).display(),
            plain_io(error)
        ))
    }
}

impl Drop for OutputSet {
    fn drop(&mut self) {
        drop(fs::remove_dir_all(&self.hidden));
        // Folders made for nothing go again; those with something in them stay.
        if let Some(made) = &self.made {
            let mut folder = self.dir.as_path();
            while fs::remove_dir(folder).is_ok() && folder != made {
                let Some(parent) = folder.parent() else { break };
                folder = parent;
            }
        }
    }
}

/// Takes away hidden folders that a killed run left.
fn tidy(dir: &Path) {
    for entry in fs::read_dir(dir).into_iter().flatten().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        if let Some(process) = name.strip_prefix(HIDDEN)
            && !is_running(process)
        {
            drop(fs::remove_dir_all(entry.path()));
        }
    }
}

/// Whether a process of that number runs: then its files are not ours to clear away. Where the system has no `/proc`
/// nothing is said to run.
fn is_running(process: &str) -> bool {
    process != std::process::id().to_string() && Path::new("/proc").join(process).exists()
}

/// The list in a folder; an unreadable one counts as empty, so everything there is the user's.
fn read_list(dir: &Path) -> List {
    let mut list: List = fs::read(dir.join(LIST))
        .ok()
        .and_then(|bytes| serde_json::from_slice(&bytes).ok())
        .unwrap_or_default();
    // A list that points out of its folder was not written here.
    list.files.retain(|name, _| {
        Path::new(name)
            .components()
            .all(|part| matches!(part, Component::Normal(_)))
    });
    list
}

/// Whether the file has one of the contents we wrote.
fn is_ours(path: &Path, prints: &[String]) -> bool {
    fs::symlink_metadata(path).is_ok_and(|about| about.is_file())
        && fs::read(path).is_ok_and(|bytes| prints.contains(&fingerprint(&bytes)))
}

/// A fingerprint that tells an edited file from ours: length and 64-bit FNV-1a (constants of the published algorithm,
/// from memory; the test has its published values). It guards against mistakes, not against malice.
pub(super) fn fingerprint(bytes: &[u8]) -> String {
    let hash = bytes.iter().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3)
    });
    format!("{}-{hash:016x}", bytes.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A folder of its own for a test, removed at the end.
    struct Scratch(PathBuf);

    impl Scratch {
        fn new(name: &str) -> Self {
            let path = std::env::temp_dir()
                .join(format!("fairpanel-output-{name}-{}", std::process::id()));
            drop(fs::remove_dir_all(&path));
            Scratch(path)
        }

        fn list(&self) -> Vec<String> {
            fn below(folder: &Path, prefix: &str, names: &mut Vec<String>) {
                for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
                    let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
                    match entry.path().is_dir() {
                        true => below(&entry.path(), &format!("{name}/"), names),
                        false => names.push(name),
                    }
                }
            }
            let mut names = Vec::new();
            below(&self.0, "", &mut names);
            names.sort();
            names
        }

        fn write(&self, files: &[(&str, &str)]) -> Result<(), Failure> {
            let planned: Vec<String> = files.iter().map(|(name, _)| (*name).to_string()).collect();
            let set = OutputSet::begin(&self.0, &planned)?;
            files
                .iter()
                .try_for_each(|(name, text)| set.put(name, text.as_bytes()))?;
            set.finish()
        }

        fn read(&self, name: &str) -> String {
            fs::read_to_string(self.0.join(name)).unwrap_or_default()
        }
    }

    impl Drop for Scratch {
        fn drop(&mut self) {
            drop(fs::remove_dir_all(&self.0));
        }
    }

    #[test]
    fn fnv_has_its_published_values() {
        // Test vectors of the FNV reference code (Noll), from memory.
        assert_eq!(fingerprint(b""), "0-cbf29ce484222325");
        assert_eq!(fingerprint(b"a"), "1-af63dc4c8601ec8c");
        assert_eq!(fingerprint(b"foobar"), "6-85944171f73967e8");
    }

    #[test]
    fn a_later_set_replaces_the_earlier_as_a_whole() {
        let scratch = Scratch::new("replace");
        assert!(
            scratch
                .write(&[
                    ("result.json", "1"),
                    ("a/overlay.png", "1"),
                    ("b/overlay.png", "1")
                ])
                .is_ok()
        );
        assert!(fs::write(scratch.0.join("b/notes.txt"), "mine").is_ok());
        assert!(
            scratch
                .write(&[("result.json", "2"), ("c/overlay.png", "2")])
                .is_ok()
        );
        assert_eq!(
            scratch.list(),
            ["b/notes.txt", "c/overlay.png", LIST, "result.json"]
        );
        assert_eq!(scratch.read("result.json"), "2");
    }

    #[test]
    fn what_the_user_made_is_never_overwritten() {
        let scratch = Scratch::new("theirs");
        assert!(
            scratch
                .write(&[("result.json", "1"), ("overlay.png", "1")])
                .is_ok()
        );
        // Drawn on by the user: no longer ours.
        assert!(fs::write(scratch.0.join("overlay.png"), "1 and a note").is_ok());
        assert!(matches!(
            scratch.write(&[("result.json", "2"), ("overlay.png", "2")]),
            Err(Failure::Usage(_))
        ));
        assert_eq!(scratch.read("overlay.png"), "1 and a note");
        assert_eq!(scratch.read("result.json"), "1");
        // A set without that name takes its own old files away and leaves the user's.
        assert!(scratch.write(&[("plot.png", "3")]).is_ok());
        assert_eq!(scratch.list(), [LIST, "overlay.png", "plot.png"]);
    }

    #[test]
    fn an_unfinished_set_leaves_no_trace() {
        let scratch = Scratch::new("unfinished");
        let set = OutputSet::begin(&scratch.0.join("deep/er"), &[]).expect("a fresh folder");
        assert!(set.put("result.json", b"1").is_ok());
        drop(set);
        assert!(!scratch.0.exists());
    }

    #[test]
    fn leftovers_of_a_killed_run_go() {
        let scratch = Scratch::new("killed");
        assert!(scratch.write(&[("result.json", "1")]).is_ok());
        // Process numbers end below this on every system.
        let left = scratch.0.join(format!("{HIDDEN}99999999999"));
        assert!(
            fs::create_dir(&left)
                .and_then(|()| fs::write(left.join("overlay.png"), "half"))
                .is_ok()
        );
        assert!(scratch.write(&[("result.json", "2")]).is_ok());
        assert_eq!(scratch.list(), [LIST, "result.json"]);
    }

    #[test]
    fn a_list_cannot_point_out_of_its_folder() {
        let scratch = Scratch::new("outside");
        let inner = scratch.0.join("inner");
        assert!(
            fs::create_dir_all(&inner)
                .and_then(|()| fs::write(scratch.0.join("kept.txt"), "a"))
                .is_ok()
        );
        let list = r#"{"about": "", "files": {"../kept.txt": ["1-af63dc4c8601ec8c"]}}"#;
        assert!(fs::write(inner.join(LIST), list).is_ok());
        let set = OutputSet::begin(&inner, &[]).expect("an existing folder");
        assert!(set.finish().is_ok());
        assert!(scratch.0.join("kept.txt").exists());
    }
}
