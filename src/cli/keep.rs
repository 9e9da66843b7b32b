//! Writes a finished drawing into a folder without ever harming what the user made there.
//!
//! A file of the same name is replaced only when its [`seal`](crate::sheet::seal) says that the program wrote it and
//! nobody changed it since; otherwise the new one gets a number behind its name. The bytes go to a temporary file
//! first and are then renamed, so that a stop at any instant leaves the old file or the new one.

#![cfg_attr(test, allow(clippy::unwrap_used))]

use crate::sheet::seal;
use std::fs;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

/// No drawing of ours is larger, bytes: a larger file is somebody's and is not read.
const LARGEST: u64 = 64 << 20;

/// Writes sealed `bytes` as `stem.extension` into `dir` (made if absent) and says where they are.
///
/// # Errors
/// Whatever the file system says.
pub fn put(dir: &Path, stem: &str, extension: &str, bytes: &[u8]) -> io::Result<PathBuf> {
    fs::create_dir_all(dir)?;
    for number in 1..1000 {
        let name = if number == 1 {
            format!("{stem}.{extension}")
        } else {
            format!("{stem} ({number}).{extension}")
        };
        let path = dir.join(&name);
        if free(&path)? {
            let draft = dir.join(format!(".{name}.{}.part", std::process::id()));
            let done = write(&draft, bytes).and_then(|()| fs::rename(&draft, &path));
            if done.is_err() {
                // The draft is worth nothing; that it can't be removed either adds nothing to the first error.
                let _ = fs::remove_file(&draft);
            }
            return done.map(|()| path);
        }
    }
    Err(io::Error::new(
        io::ErrorKind::AlreadyExists,
        "a thousand files of this name",
    ))
}

/// Whether this name is unused, or used by an unchanged file of ours.
fn free(path: &Path) -> io::Result<bool> {
    let meta = match fs::symlink_metadata(path) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(true),
        other => other?,
    };
    if !meta.is_file() || meta.len() > LARGEST {
        return Ok(false);
    }
    let mut held = Vec::new();
    // One that can't be read is not known to be ours.
    let read = fs::File::open(path).and_then(|file| file.take(LARGEST).read_to_end(&mut held));
    Ok(read.is_ok() && seal::is_own(&held))
}

fn write(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = fs::File::create(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::{Page, Paper, Sheet, svg};

    fn folder(name: &str) -> PathBuf {
        let dir =
            std::env::temp_dir().join(format!("fairpanel-keep-{name}-{}", std::process::id()));
        let _ = fs::remove_dir_all(&dir);
        dir
    }

    fn drawing(title: &str) -> Vec<u8> {
        let sheet = Sheet {
            page: Page::portrait(Paper::A4),
            title: title.to_owned(),
            items: vec![],
        };
        svg::text(&sheet).unwrap().into_bytes()
    }

    #[test]
    fn our_own_file_is_replaced() {
        let dir = folder("own");
        let first = put(&dir, "card", "svg", &drawing("one")).unwrap();
        let second = put(&dir, "card", "svg", &drawing("two")).unwrap();
        assert_eq!(first, second);
        assert_eq!(fs::read(&first).unwrap(), drawing("two"));
        assert_eq!(fs::read_dir(&dir).unwrap().count(), 1);
        fs::remove_dir_all(&dir).unwrap();
    }

    #[test]
    fn what_the_user_made_or_changed_stays() {
        let dir = folder("user");
        fs::create_dir_all(&dir).unwrap();
        fs::write(dir.join("card.svg"), "my own drawing").unwrap();
        let path = put(&dir, "card", "svg", &drawing("one")).unwrap();
        assert_eq!(path, dir.join("card (2).svg"));
        let mut changed = fs::read_to_string(&path).unwrap();
        changed.insert_str(changed.find("</svg>").unwrap(), "<circle r='3'/>");
        fs::write(&path, &changed).unwrap();
        assert_eq!(
            put(&dir, "card", "svg", &drawing("two")).unwrap(),
            dir.join("card (3).svg")
        );
        assert_eq!(
            fs::read_to_string(dir.join("card.svg")).unwrap(),
            "my own drawing"
        );
        assert_eq!(fs::read_to_string(&path).unwrap(), changed);
        fs::remove_dir_all(&dir).unwrap();
    }
}
