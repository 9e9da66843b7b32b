//! A folder of its own for a test, removed at the end.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

/// The folder.
pub struct Scratch(PathBuf);

impl Scratch {
    /// A new, empty folder.
    pub fn new() -> Scratch {
        static COUNT: AtomicUsize = AtomicUsize::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let path =
            std::env::temp_dir().join(format!("fairpanel-it-{}-{number}", std::process::id()));
        std::fs::create_dir_all(&path).expect("the temporary folder takes a folder");
        Scratch(path)
    }

    /// Its path.
    pub fn path(&self) -> &Path {
        &self.0
    }

    /// Writes a file in it and returns its path.
    pub fn file(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.0.join(name);
        let folder = path.parent().expect("a file lies in a folder");
        std::fs::create_dir_all(folder).expect("the scratch folder takes a folder");
        std::fs::write(&path, bytes).expect("the scratch folder takes a file");
        path
    }

    /// All files below it, `/` between, sorted.
    pub fn list(&self) -> Vec<String> {
        fn below(folder: &Path, prefix: &str, names: &mut Vec<String>) {
            for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
                let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
                if entry.path().is_dir() {
                    below(&entry.path(), &format!("{name}/"), names);
                } else {
                    names.push(name);
                }
            }
        }
        let mut names = Vec::new();
        below(&self.0, "", &mut names);
        names.sort();
        names
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        drop(std::fs::remove_dir_all(&self.0));
    }
}
