//! The order of the modules is that of the list in `src/lib.rs`: a module uses only modules above it.

use std::path::{Path, PathBuf};

/// The modules in the order of the list.
fn order() -> Vec<String> {
    let lib = std::fs::read_to_string(source().join("lib.rs")).expect("src/lib.rs");
    let listed = lib.lines().filter_map(|line| line.strip_prefix("//! - `"));
    listed
        .filter_map(|rest| rest.split_once('`'))
        .map(|(name, _)| name.to_string())
        .collect()
}

fn source() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("src")
}

/// All source files below a folder.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)
        .expect("a source folder")
        .flatten()
    {
        let path = entry.path();
        if path.is_dir() {
            found.extend(files(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
    found
}

/// Modules of the crate that a source names after `crate::`, outside comments and its tests. `use crate::{a, b}` is
/// read as well.
fn used(text: &str) -> Vec<String> {
    let product = text.split("#[cfg(test)]\nmod ").next().unwrap_or_default();
    let code: Vec<&str> = product
        .lines()
        .filter(|line| !line.trim_start().starts_with("//"))
        .collect();
    let code = code.join("\n");
    let mut names = Vec::new();
    for rest in code.split("crate::").skip(1) {
        let name = |text: &str| {
            text.trim()
                .chars()
                .take_while(|c| c.is_alphanumeric() || *c == '_')
                .collect::<String>()
        };
        match rest.strip_prefix('{') {
            Some(group) => {
                let mut depth = 1;
                let mut start = 0;
                for (at, c) in group.char_indices() {
                    depth += i32::from(c == '{') - i32::from(c == '}');
                    if (c == ',' && depth == 1) || depth == 0 {
                        names.push(name(&group[start..at]));
                        start = at + 1;
                    }
                    if depth == 0 {
                        break;
                    }
                }
            }
            None => names.push(name(rest)),
        }
    }
    names.retain(|name| !name.is_empty());
    names
}

#[test]
fn the_reader_sees_what_is_used() {
    let text = "use crate::units::Px;\nuse crate::{card::{Card, Corner}, lens};\n// crate::cli\nlet a = crate::fit::line();\n\
                #[cfg(test)]\nmod tests {\nuse crate::sim;\n}";
    assert_eq!(used(text), ["units", "card", "lens", "fit"]);
}

#[test]
fn every_module_is_in_the_list_and_every_listed_one_exists() {
    let lib = std::fs::read_to_string(source().join("lib.rs")).expect("src/lib.rs");
    let mut modules: Vec<&str> = lib
        .lines()
        .filter_map(|line| {
            line.strip_prefix("pub mod ")
                .or_else(|| line.strip_prefix("mod "))
        })
        .filter_map(|rest| rest.strip_suffix(';'))
        .collect();
    let mut listed = order();
    modules.sort_unstable();
    listed.sort_unstable();
    assert_eq!(modules, listed);
}

#[test]
fn a_module_uses_only_modules_above_it() {
    let order = order();
    let place = |name: &str| order.iter().position(|listed| listed == name);
    let mut upward = Vec::new();
    for path in files(&source()) {
        let inside = path.strip_prefix(source()).expect("a file below src");
        let module = inside
            .components()
            .next()
            .expect("a path")
            .as_os_str()
            .to_string_lossy();
        let module = module.trim_end_matches(".rs");
        // The library's own file and the program stand outside the order; test files hang from their module.
        let is_test = inside
            .file_stem()
            .is_some_and(|stem| stem == "tests" || stem == "testset");
        let Some(own) = place(module).filter(|_| !is_test) else {
            continue;
        };
        let text = std::fs::read_to_string(&path).expect("a source file");
        for name in used(&text) {
            match place(&name) {
                Some(other) if other <= own => {}
                Some(_) => upward.push(format!(
                    "{} uses {name}, which is below {module}",
                    inside.display()
                )),
                None => upward.push(format!(
                    "{} uses {name}, which is not in the list",
                    inside.display()
                )),
            }
        }
    }
    assert!(upward.is_empty(), "{}", upward.join("\n"));
}
