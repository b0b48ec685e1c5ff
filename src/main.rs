//! The `tackfree` program: arguments, configuration, run, exit code.

use clap::{Parser, Subcommand};
use std::process::ExitCode;
use tackfree::cli::{self, Refusal};

/// Schedules the crews of a floor sanding-and-finishing contractor over all open houses.
#[derive(Debug, Parser)]
#[command(version, about, arg_required_else_help = true)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Plan a planning file; needs no database
    Plan(cli::plan::PlanArguments),
    /// Have a plan audited against its planning file; needs no database
    CheckPlan(cli::plan::CheckArguments),
}

fn main() -> ExitCode {
    let outcome: Result<String, Refusal> = match Arguments::parse().command {
        Command::Plan(arguments) => cli::plan::plan(&arguments),
        Command::CheckPlan(arguments) => cli::plan::check(&arguments),
    };
    match outcome {
        Ok(text) => {
            print!("{text}");
            ExitCode::SUCCESS
        }
        Err(refusal) => refusal.tell(),
    }
}
