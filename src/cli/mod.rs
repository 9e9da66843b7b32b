//! The command line: one file a subcommand, shared options, progress, exit codes. Nothing here measures.
//!
//! Manners (after the Command Line Interface Guidelines, clig.dev): the answer on stdout, everything else on stderr;
//! every help page leads with an example; nothing the user made is overwritten.

mod args;
mod batch;
pub mod card;
mod common;
mod exit;
mod gauge;
mod join;
mod keep;
mod lens;
mod line;
mod lows;
mod manual;
mod output;
mod partner;
mod photos;
mod progress;
mod radii;
mod section;
mod straightedge;
mod terminal;

use clap::{CommandFactory, Parser, Subcommand};
use exit::{Ending, Failure};
use std::ffi::OsString;
use std::panic::{AssertUnwindSafe, catch_unwind};

/// What the program does and three examples: all that `fairpanel` alone prints.
const WELCOME: &str = "\
fairpanel measures car bodywork from a phone photo with a printed scale card in it: how straight a swage line is,
what is still low after sanding, the light gap under a straightedge, the radius of a section, and what to do about it,
in millimetres with an honest ±.

Print the cards, then measure the demo photos and keep the marked pictures, then one of your own against 0.5 mm:

  fairpanel card print
  fairpanel line examples/swage.jpg --out result
  fairpanel lows examples/blocked.jpg --out blocked
  fairpanel line photo.jpg --tol 0.5

`fairpanel help` lists all commands, `fairpanel line --help` the options of one.
";

/// Leads every help page of the program itself.
const EXAMPLES: &str = "\
Examples:
  fairpanel card print
  fairpanel line examples/swage.jpg --out result
  fairpanel line photo.jpg --tol 0.5";

/// Measures car bodywork from phone photos, in millimetres with an honest uncertainty.
///
/// Lay a printed scale card beside the work, take a photo, and fairpanel says how straight a swage line is, what is
/// still low after sanding, what gap a straightedge leaves, which radius a section has, and what to do next.
#[derive(Debug, Parser)]
#[command(name = "fairpanel", version, before_help = EXAMPLES, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Option<Command>,
}

/// The checks and the rest, in the order the help lists them.
#[derive(Debug, Subcommand)]
enum Command {
    Line(line::LineArgs),
    Lows(lows::LowsArgs),
    Radii(radii::RadiiArgs),
    Gauge(gauge::GaugeArgs),
    Partner(partner::PartnerArgs),
    Lens(lens::LensArgs),
    Straightedge(straightedge::StraightedgeArgs),
    Section(section::SectionArgs),
    Card(card::CardArgs),
    Completions(manual::CompletionsArgs),
    Man(manual::ManArgs),
}

/// Runs the program on its arguments (the first is the program's name) and returns the exit code: 0 measured, and
/// within if a tolerance was given; 1 measured, outside or can't tell; 2 wrong usage; 3 the input can't be measured.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> u8 {
    terminal::quiet_panics();
    let command = match Cli::try_parse_from(arguments) {
        Ok(cli) => cli.command,
        Err(error) => return terminal::clap_page(&error),
    };
    let ending = catch_unwind(AssertUnwindSafe(|| match &command {
        None => terminal::answer(WELCOME).map(|()| Ending::Good),
        Some(command) => dispatch(command),
    }));
    let stumbled = "fairpanel stumbled, which is a fault of the program; nothing was measured.";
    let ending = ending.unwrap_or_else(|_| Err(Failure::Input(stumbled.to_string())));
    if let Err(failure) = &ending {
        terminal::complain(failure);
    }
    exit::code(&ending)
}

/// One line a subcommand.
fn dispatch(command: &Command) -> Result<Ending, Failure> {
    match command {
        Command::Line(args) => line::run(args),
        Command::Lows(args) => lows::run(args),
        Command::Radii(args) => radii::run(args),
        Command::Gauge(args) => gauge::run(args),
        Command::Partner(args) => partner::run(args),
        Command::Lens(args) => lens::run(args),
        Command::Straightedge(args) => straightedge::run(args),
        Command::Section(args) => section::run(args),
        Command::Card(args) => card::run(args),
        Command::Completions(args) => manual::completions(args, Cli::command()),
        Command::Man(args) => manual::man(args, Cli::command()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_definition_of_the_command_line_is_sound() {
        Cli::command().debug_assert();
    }
}
