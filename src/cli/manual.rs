//! Completions and man pages, made from the same definition as the help.

use super::exit::{Ending, Failure};
use super::terminal;
use clap::Args;
use clap_complete::Shell;
use clap_mangen::Man;
use clap_mangen::roff::{Roff, roman};

/// Print tab completions for a shell
#[derive(Debug, Args)]
#[command(
    before_help = "Example:\n  fairpanel completions bash > ~/.local/share/bash-completion/completions/fairpanel"
)]
pub struct CompletionsArgs {
    /// The shell
    shell: Shell,
}

/// Print the manual page of the program or of one command
#[derive(Debug, Args)]
#[command(
    before_help = "Examples:\n  fairpanel man > fairpanel.1\n  fairpanel man line | man -l -"
)]
pub struct ManArgs {
    /// A command; without one, the page of the program itself
    command: Option<String>,
}

/// Prints completions.
///
/// # Errors
/// [`Failure::Output`].
pub fn completions(args: &CompletionsArgs, mut program: clap::Command) -> Result<Ending, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut program, "fairpanel", &mut script);
    terminal::answer(&String::from_utf8_lossy(&script))?;
    Ok(Ending::Good)
}

/// Prints a manual page.
///
/// # Errors
/// [`Failure::Usage`] for a command that does not exist; [`Failure::Output`].
pub fn man(args: &ManArgs, mut program: clap::Command) -> Result<Ending, Failure> {
    program.build();
    let command = match &args.command {
        None => program,
        Some(name) => match program.find_subcommand(name) {
            Some(command) => command.clone(),
            None => {
                return Err(Failure::Usage(format!(
                    "There is no command '{name}'; `fairpanel help` lists them."
                )));
            }
        },
    };
    let page = page(&command)
        .map_err(|error| Failure::Output(format!("The page can't be made: {error}.")))?;
    terminal::answer(&String::from_utf8_lossy(&page))?;
    Ok(Ending::Good)
}

/// The page: clap_mangen's sections, with the examples before the options as in the help.
fn page(command: &clap::Command) -> std::io::Result<Vec<u8>> {
    let man = Man::new(command.clone());
    let mut page = Vec::new();
    man.render_title(&mut page)?;
    man.render_name_section(&mut page)?;
    man.render_synopsis_section(&mut page)?;
    if let Some(examples) = command.get_before_help() {
        let mut roff = Roff::new();
        roff.control("SH", ["EXAMPLES"]).control("nf", []);
        roff.text(
            examples
                .to_string()
                .lines()
                .skip(1)
                .map(|line| roman(format!("{line}\n")))
                .collect::<Vec<_>>(),
        );
        roff.control("fi", []);
        roff.to_writer(&mut page)?;
    }
    man.render_description_section(&mut page)?;
    man.render_options_section(&mut page)?;
    if command.has_subcommands() {
        man.render_subcommands_section(&mut page)?;
    }
    if command.get_version().is_some() {
        man.render_version_section(&mut page)?;
    }
    Ok(page)
}
