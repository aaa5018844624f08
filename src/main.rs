//! Parses the command line, sets up the log, and hands over.

use std::process::ExitCode;

use clap::Parser;
use fingerpost::cli::Cli;
use fingerpost::commands;

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return commands::usage(&error),
    };
    commands::logging(&cli);
    commands::run(&cli)
}
