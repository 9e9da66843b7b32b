//! The fairpanel program: everything lives in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(fairpanel::cli::run(std::env::args_os()))
}
