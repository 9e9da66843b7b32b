//! The built program: what it prints, where, its exit codes, and what it leaves in folders.

use crate::scratch::Scratch;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

/// The program, run in the repository's folder.
fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fairpanel"));
    command
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .env_remove("RUST_BACKTRACE");
    command
}

pub fn run(arguments: &[&str]) -> Output {
    program()
        .args(arguments)
        .output()
        .expect("the program starts")
}

pub fn code(output: &Output) -> i32 {
    output.status.code().expect("an exit code")
}

pub fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("text on stdout")
}

pub fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("text on stderr")
}

/// A refusal: its exit code, nothing on stdout, a reason of one short line without the program's insides.
pub fn refused(arguments: &[&str], expected: i32, words: &[&str]) {
    for json in [false, true] {
        let mut arguments = arguments.to_vec();
        if json {
            arguments.push("--json");
        }
        let output = run(&arguments);
        let reason = err(&output);
        assert_eq!(code(&output), expected, "{arguments:?}: {reason}");
        assert_eq!(out(&output), "", "{arguments:?}");
        if expected == 3 {
            assert_eq!(reason.lines().count(), 1, "{arguments:?}: {reason}");
            assert!(reason.len() <= 300, "{arguments:?}: {reason}");
        }
        let lower = reason.to_lowercase();
        assert!(
            words.iter().any(|word| lower.contains(word)),
            "{arguments:?}: {reason}"
        );
        for inside in ["panicked", ".rs:", "src/", "unwrap", "err("] {
            assert!(!lower.contains(inside), "{arguments:?}: {reason}");
        }
    }
}

const DEMO: &str = "examples/swage.jpg";

pub fn text(path: &Path) -> &str {
    path.to_str().expect("a path in Unicode")
}

pub fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).expect("one JSON document on stdout")
}

#[test]
fn a_wanted_radius_and_its_tolerance_go_together() {
    refused(&["section", "gauge.jpg", "--want", "8"], 2, &["--tol"]);
    refused(&["section", "gauge.jpg", "--tol", "0.2"], 2, &["--want"]);
    refused(&["section", "gauge.jpg", "--want", "-8"], 2, &["--want"]);
}

#[test]
fn alone_it_says_what_it_does() {
    let output = run(&[]);
    assert_eq!(code(&output), 0);
    assert!(out(&output).matches("\n  fairpanel ").count() >= 3);
    assert_eq!(err(&output), "");
}

#[test]
fn every_help_page_leads_with_an_example() {
    for arguments in [
        vec!["--help"],
        vec!["line", "--help"],
        vec!["card", "--help"],
        vec!["radii", "--help"],
        vec!["gauge", "--help"],
        vec!["gauge", "set", "--help"],
        vec!["completions", "--help"],
        vec!["man", "-h"],
    ] {
        let output = run(&arguments);
        assert_eq!(code(&output), 0);
        let mut lines = out(&output)
            .lines()
            .map(String::from)
            .collect::<Vec<_>>()
            .into_iter();
        assert!(
            lines.next().is_some_and(|line| line.starts_with("Example")),
            "{arguments:?}"
        );
        assert!(
            lines
                .next()
                .is_some_and(|line| line.starts_with("  fairpanel ")),
            "{arguments:?}"
        );
    }
    assert_eq!(code(&run(&["--version"])), 0);
}

#[test]
fn wrong_options_are_wrong_usage() {
    for wrong in [
        vec!["line"],
        vec!["lime", DEMO],
        vec!["line", DEMO, "--tal", "1"],
        vec!["line", DEMO, "--tol", "-1"],
        vec!["line", DEMO, "--tol", "0"],
        vec!["line", DEMO, "--tol", "nan"],
        vec!["line", DEMO, "--tol", "1,5"],
        vec!["line", DEMO, "--tol"],
        vec!["line", DEMO, "--near", "1,2,3"],
        vec!["line", DEMO, "--near", "1,2"],
        vec!["line", DEMO, "--near", "1,2,3,NaN"],
        vec!["line", DEMO, "--near", "a,b,c,d"],
        vec!["line", DEMO, "--near", "-1,-2,-3"],
        vec!["line", DEMO, "--bow", "-5"],
        vec!["line", DEMO, "--shortest", "0"],
        vec!["line", DEMO, "--cutoff", "inf"],
        vec!["line", DEMO, "--printed", "100"],
        vec!["line", DEMO, "--printed", "100,0"],
        vec!["completions", "abacus"],
        vec!["man", "nothing"],
    ] {
        let output = run(&wrong);
        assert_eq!(code(&output), 2, "{wrong:?}");
        assert_eq!(out(&output), "", "{wrong:?}");
        assert!(
            !err(&output).is_empty() && err(&output).len() < 1000,
            "{wrong:?}"
        );
    }
}

#[test]
fn files_that_cannot_be_read_are_refused() {
    let scratch = Scratch::new();
    let empty = scratch.file("empty.jpg", b"");
    let words = scratch.file("words.jpg", b"these are words, not a photo");
    refused(
        &["line", "not-there.jpg"],
        3,
        &["no such", "not found", "exist", "find", "open"],
    );
    refused(&["line", text(scratch.path())], 3, &["folder", "directory"]);
    refused(&["line", text(&empty)], 3, &["empty"]);
    refused(
        &["line", text(&words)],
        3,
        &["not a photo", "image", "jpeg"],
    );
    refused(&["line", DEMO, "--card", "no-such-card"], 3, &["card"]);
    refused(&["line", DEMO, "--card", text(&words)], 3, &["card"]);
    refused(
        &["line", DEMO, "--card", text(scratch.path())],
        3,
        &["folder"],
    );
    refused(&["line", DEMO, "--lens", text(&words)], 3, &["lens"]);
    refused(&["line", DEMO, "--lens", "not-there.json"], 3, &["lens"]);
    refused(
        &["line", DEMO, "--reference", "not-there.json"],
        3,
        &["not-there.json"],
    );
    refused(&["line", DEMO, "--reference", text(&words)], 3, &["line"]);
    refused(
        &["line", "not-there.jpg", text(&empty)],
        3,
        &["none of the 2 photos"],
    );
    let odd = scratch.path().join("two\nlines.jpg");
    refused(&["line", text(&odd)], 3, &["lines.jpg"]);
}

#[test]
fn a_photo_is_measured_in_words() {
    let output = run(&["line", DEMO]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    let answer = out(&output);
    let first = answer.lines().next().unwrap_or_default();
    assert!(first.contains(" ± ") && first.contains(" mm"), "{first}");
    assert!(
        answer
            .lines()
            .nth(1)
            .is_some_and(|line| line.starts_with("Next: ")),
        "{answer}"
    );
    assert!(answer.lines().count() <= 20, "{answer}");
    assert!(!answer.contains('\x1b'), "no colour into a pipe");
    assert_eq!(err(&output), "", "no progress where there is no terminal");
}

#[test]
fn a_photo_is_measured_in_json() {
    let output = run(&["line", DEMO, "--json"]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    let answer = json(&output);
    assert_eq!(answer["schema"], "fairpanel/1");
    assert_eq!(answer["check"], "line");
    assert_eq!(answer["photo"], DEMO);
    assert!(answer.get("verdict").is_none());
    let list = |value: &Value| value.as_array().map(Vec::len).unwrap_or_default();
    let points = list(&answer["line"]["px"]);
    assert!(points > 100);
    assert_eq!(list(&answer["line"]["points_mm"]), points);
    assert_eq!(list(&answer["line"]["deviation"]), points);
    assert!(list(&answer["card"]) >= 1);
    assert!(list(&answer["budget"]) >= 1);
    assert!(every_number_is_finite_and_every_u95_positive(&answer, ""));
}

/// Also looks for nulls, which a number that is not finite would become.
fn every_number_is_finite_and_every_u95_positive(value: &Value, name: &str) -> bool {
    match value {
        Value::Null => false,
        Value::Number(number) => number
            .as_f64()
            .is_some_and(|value| value.is_finite() && (!name.starts_with("u95") || value > 0.0)),
        Value::Array(items) => items
            .iter()
            .all(|item| every_number_is_finite_and_every_u95_positive(item, name)),
        Value::Object(fields) => fields
            .iter()
            .all(|(name, field)| every_number_is_finite_and_every_u95_positive(field, name)),
        Value::Bool(_) | Value::String(_) => true,
    }
}

#[test]
fn the_verdict_sets_the_exit_code() {
    for (tol, expected, result) in [("1000", 0, "within"), ("0.000001", 1, "outside")] {
        let output = run(&["line", DEMO, "--json", "--tol", tol]);
        let answer = json(&output);
        assert_eq!(
            (code(&output), answer["verdict"]["result"].as_str()),
            (expected, Some(result))
        );
    }
}

#[test]
fn the_same_photo_gives_the_same_bytes() {
    let scratch = Scratch::new();
    let answers: Vec<Vec<u8>> = ["a", "b"]
        .iter()
        .map(|name| {
            let folder = scratch.path().join(name);
            let output = run(&["line", DEMO, "--json", "--out", text(&folder)]);
            let mut bytes = output.stdout;
            for file in ["overlay.png", "plot.png", "plot.svg", "result.json"] {
                bytes.extend(std::fs::read(folder.join(file)).unwrap_or_default());
            }
            bytes
        })
        .collect();
    assert!(answers[0].len() > 10_000);
    assert!(answers[0] == answers[1]);
}

#[test]
fn out_leaves_the_answer_and_the_pictures() {
    let scratch = Scratch::new();
    scratch.file("result/notes.txt", b"mine");
    let folder = scratch.path().join("result");
    for _ in 0..2 {
        let output = run(&["line", DEMO, "--json", "--out", text(&folder)]);
        assert_eq!(code(&output), 0, "{}", err(&output));
        let files = [
            "fairpanel-files.json",
            "notes.txt",
            "overlay.png",
            "plot.png",
            "plot.svg",
            "result.json",
        ];
        assert_eq!(scratch.list(), files.map(|file| format!("result/{file}")));
        let written = std::fs::read(folder.join("result.json")).expect("the answer");
        assert!(written == output.stdout);
        assert_eq!(
            json(&output)["files"],
            serde_json::json!(["overlay.png", "plot.png", "plot.svg"])
        );
        let picture = image::open(folder.join("overlay.png")).expect("a picture");
        assert!(picture.width() > 600);
    }
    // In words, the pictures are named where they are.
    let output = run(&["line", DEMO, "--out", text(&folder)]);
    assert!(out(&output).contains(text(&folder.join("overlay.png"))));
}

#[test]
fn what_the_user_made_stays() {
    let scratch = Scratch::new();
    let theirs = scratch.file("overlay.png", b"a drawing of my own");
    let output = run(&["line", DEMO, "--json", "--out", text(scratch.path())]);
    assert_eq!(code(&output), 2);
    assert_eq!(out(&output), "");
    assert!(err(&output).contains("overlay.png"));
    assert_eq!(
        std::fs::read(theirs).expect("the drawing"),
        b"a drawing of my own"
    );
    assert_eq!(scratch.list(), ["overlay.png"]);
    // A folder that can't be made: a file stands in the way.
    let output = run(&[
        "line",
        DEMO,
        "--out",
        text(&scratch.path().join("overlay.png/deeper")),
    ]);
    assert_eq!(code(&output), 2, "{}", err(&output));
    // Nothing is left of a run that could not measure.
    let folder = scratch.path().join("new/folder");
    assert_eq!(
        code(&run(&["line", "not-there.jpg", "--out", text(&folder)])),
        3
    );
    assert_eq!(scratch.list(), ["overlay.png"]);
    assert!(!scratch.path().join("new").exists());
}

#[test]
fn many_photos_keep_their_order_and_one_failure_stops_nothing() {
    let scratch = Scratch::new();
    let broken = scratch.file("swage.jpg", b"broken");
    let folder = scratch.path().join("out");
    let output = run(&[
        "line",
        text(&broken),
        DEMO,
        DEMO,
        "--json",
        "--out",
        text(&folder),
    ]);
    assert_eq!(code(&output), 1, "{}", err(&output));
    let answer = json(&output);
    assert_eq!(
        (answer["schema"].as_str(), answer["check"].as_str()),
        (Some("fairpanel/1"), Some("line"))
    );
    let photos = answer["photos"].as_array().expect("a list");
    assert_eq!(photos.len(), 3);
    assert_eq!(photos[0]["photo"], text(&broken));
    assert!(
        photos[0]["error"]
            .as_str()
            .is_some_and(|reason| !reason.is_empty())
    );
    for (photo, name) in photos.iter().skip(1).zip(["swage-2", "swage-3"]) {
        assert_eq!(photo["photo"], DEMO);
        assert!(photo["line"]["px"].is_array() && photo.get("error").is_none());
        assert_eq!(photo["files"][0], format!("{name}/overlay.png"));
        assert!(
            folder.join(name).join("overlay.png").exists()
                && folder.join(name).join("result.json").exists()
        );
    }
    assert!(folder.join("result.json").exists() && !folder.join("swage").exists());

    let output = run(&["line", DEMO, DEMO]);
    assert_eq!(code(&output), 0);
    assert_eq!(out(&output).lines().count(), 3, "{}", out(&output));
    let output = run(&["line", DEMO, DEMO, "--tol", "0.000001"]);
    assert_eq!(code(&output), 1);
}

#[test]
fn a_closed_pipe_is_not_an_error() {
    let mut child = program()
        .args(["completions", "bash"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("the program ends");
    assert_eq!((code(&output), err(&output)), (0, String::new()));
}

#[test]
fn completions_and_man_pages_come_from_the_same_definition() {
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let script = out(&run(&["completions", shell]));
        assert!(
            script.contains("fairpanel") && script.contains("--near") || script.contains("near"),
            "{shell}"
        );
    }
    let page = out(&run(&["man"]));
    assert!(
        page.contains(".TH fairpanel") && page.contains(".SH EXAMPLES") && page.contains("line")
    );
    let page = out(&run(&["man", "line"]));
    assert!(
        page.contains(".SH EXAMPLES")
            && page.contains("examples/swage.jpg")
            && page.contains("tol")
    );
}

#[cfg(unix)]
#[test]
fn ctrl_c_leaves_nothing_half_written() {
    let scratch = Scratch::new();
    let folder = scratch.path().join("out");
    let photos: Vec<PathBuf> = (0..60).map(|_| PathBuf::from(DEMO)).collect();
    let mut command = program();
    command.arg("line").args(&photos).arg("--out").arg(&folder);
    let mut child = command
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    // Wait until it writes: then the first photos are done and most are not.
    let begun = std::time::Instant::now();
    while scratch.list().is_empty() && begun.elapsed().as_secs() < 60 {
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    let stopped = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status();
    assert!(stopped.is_ok_and(|status| status.success()));
    let status = child.wait().expect("the program ends");
    let output = child.wait_with_output().expect("the program has ended");
    assert_eq!(status.code(), Some(130));
    assert_eq!(out(&output), "");
    assert_eq!(scratch.list(), [""; 0]);
    assert!(!folder.exists());
}
