//! Writing to the terminal: answers on stdout, reasons on stderr.

use super::exit::Failure;
use std::io::{ErrorKind, IsTerminal, Write};

/// Writes the answer to stdout. A closed pipe (`fairpanel … | head`) is not an error.
///
/// # Errors
/// [`Failure::Output`] when stdout takes no more, say a full disk behind a redirection.
pub fn answer(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        Err(error) => Err(Failure::Output(format!(
            "The answer can't be written: {error}."
        ))),
    }
}

/// Writes one line to stderr; there is nobody to tell when that fails.
pub fn note(line: &str) {
    drop(writeln!(std::io::stderr(), "{}", one_line(line)));
}

/// Says on stderr why there is no answer.
pub fn complain(failure: &Failure) {
    note(&failure.to_string());
}

/// Prints what the argument parser has to say, help to stdout and usage errors to stderr, and returns the exit code.
pub fn clap_page(error: &clap::Error) -> u8 {
    // A closed pipe is no more an error here than elsewhere.
    drop(error.print());
    if error.use_stderr() { 2 } else { 0 }
}

/// Whether stdout may carry bold text: a terminal that is not dumb, and no `NO_COLOR`.
pub fn may_style() -> bool {
    std::io::stdout().is_terminal() && wants_colour()
}

/// Whether stderr is a terminal that can redraw a line.
pub fn stderr_redraws() -> bool {
    std::io::stderr().is_terminal() && std::env::var_os("TERM").is_none_or(|term| term != "dumb")
}

/// `NO_COLOR` (no-color.org) is unset or empty, and the terminal is not dumb.
fn wants_colour() -> bool {
    std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty())
        && std::env::var_os("TERM").is_none_or(|term| term != "dumb")
}

/// Makes the first line of a text bold where that may be.
pub fn headed(text: String) -> String {
    match text.split_once('\n') {
        Some((head, rest)) if may_style() => format!("\x1b[1m{head}\x1b[0m\n{rest}"),
        _ => text,
    }
}

/// One line whatever a file's name holds.
fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { '?' } else { c })
        .collect()
}

/// Keeps a fault of the program from spilling its insides over the terminal: what it was working on is refused in one
/// line instead. Builds for development still show them.
pub fn quiet_panics() {
    if !cfg!(debug_assertions) {
        std::panic::set_hook(Box::new(|_| {}));
    }
}
