//! The program: command line, and the crates wired together.

#![allow(
    unreachable_pub,
    reason = "a program has no callers; `pub` here only tells a module's face"
)]

mod check;
mod check_verbose;
mod cli;
mod clock;
mod commission;
mod core;
mod demo;
mod diagnostic;
mod exit;
mod faults;
mod health;
mod journal;
mod listen;
mod machines;
mod print;
mod probe;
mod replay;
mod report;
mod run;
mod sensing;
mod sheets;
mod simulate;
mod source;
mod study;
mod study_json;
mod table;

use std::process::ExitCode;

use clap::{CommandFactory, Parser};
use tracing_subscriber::{EnvFilter, fmt, layer::SubscriberExt, util::SubscriberInitExt};

use crate::{
    cli::{Cli, Command},
    exit::{Exit, Failure},
};

fn main() -> ExitCode {
    let cli = Cli::parse();
    start_log(&cli.command);
    match perform(cli.command) {
        Ok(exit) => exit.into(),
        Err(failure) => {
            print::error_line(&format!("checkrail: {}", chain(&failure)));
            failure.exit().into()
        }
    }
}

fn perform(command: Command) -> Result<Exit, Failure> {
    match command {
        Command::Demo(args) => demo::run(&args),
        Command::Run(args) => run::run(&args),
        Command::Listen(args) => listen::run(&args),
        Command::Check(args) => check::run(&args),
        Command::Study(args) => study::run(&args),
        Command::Sheets(args) => sheets::run(&args),
        Command::Replay(args) => replay::run(&args),
        Command::Faults(args) => faults::run(&args),
        Command::Machines(args) => machines::run(&args),
        Command::Report(args) => report::run(&args),
        Command::Simulate(args) => simulate::run(&args),
        Command::Probe(args) => probe::run(&args),
        Command::Commission(args) => commission::run(&args),
        Command::Health(args) => health::run(&args),
        Command::Schema => {
            print::line(wiring::schema::json_schema().trim_end())?;
            Ok(Exit::Done)
        }
        Command::Completions { shell } => {
            let mut script = Vec::new();
            clap_complete::generate(shell, &mut Cli::command(), "checkrail", &mut script);
            print::line(&String::from_utf8_lossy(&script))?;
            Ok(Exit::Done)
        }
        Command::Manual { out } => {
            clap_mangen::generate_to(Cli::command(), &out)
                .map_err(|source| Failure::Write { path: out, error: source })?;
            Ok(Exit::Done)
        }
    }
}

/// The log goes to standard error: standard output belongs to results. `CHECKRAIL_LOG` filters it, as in
/// `CHECKRAIL_LOG=debug` or `CHECKRAIL_LOG=links=trace`.
fn start_log(command: &Command) {
    let usual = match command {
        Command::Demo(_) => "warn,checkrail=info,rumqttd=off",
        Command::Run(_) => "info,rumqttd=off",
        // It tells of the links itself.
        Command::Listen(_) => "error,rumqttd=off",
        Command::Check(_)
        | Command::Study(_)
        | Command::Sheets(_)
        | Command::Replay(_)
        | Command::Faults(_)
        | Command::Machines(_)
        | Command::Report(_)
        | Command::Simulate(_)
        | Command::Probe(_)
        | Command::Commission(_)
        | Command::Health(_)
        | Command::Schema
        | Command::Completions { .. }
        | Command::Manual { .. } => "warn",
    };
    let filter = EnvFilter::try_from_env("CHECKRAIL_LOG").unwrap_or_else(|_| EnvFilter::new(usual));
    let registry = tracing_subscriber::registry().with(filter);
    let json = matches!(command, Command::Run(args) if args.log_json);
    if json {
        registry.with(fmt::layer().json().with_writer(std::io::stderr)).init();
    } else {
        let ansi = print::progress_is_seen();
        registry
            .with(fmt::layer().with_target(false).with_ansi(ansi).with_writer(std::io::stderr))
            .init();
    }
}

/// A failure with all its sources, each said once.
fn chain(failure: &Failure) -> String {
    let mut text = failure.to_string();
    let mut source = std::error::Error::source(failure);
    while let Some(error) = source {
        let said = error.to_string();
        if !text.contains(&said) {
            text = format!("{text}: {said}");
        }
        source = error.source();
    }
    text
}
