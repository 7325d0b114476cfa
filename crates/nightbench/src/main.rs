//! The program: command line, and the place where a rig file becomes devices or
//! a simulator.

#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod analysing;
mod assembly;
mod batching;
mod certified;
mod changes;
mod cli;
mod comparing;
mod documents;
mod exit;
mod folders;
mod glass;
mod going_through;
mod importing;
mod measured_line;
mod measuring;
mod outlet;
mod output;
mod person;
mod reading;
mod running;
mod safety_text;
mod screen;
mod sound_file;
mod storekeeping;
mod supervision;
mod tall_letters;
mod view;
mod waveform_words;
mod written;

use clap::{CommandFactory, Parser};
use cli::{Cli, Command, Kind};
use exit::Failure;
use model::port::Request;
use outlet::tell;
use std::io::{IsTerminal, Write};
use std::process::ExitCode;
use tracing_subscriber::filter::LevelFilter;

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        // What was typed is quoted in it, and may have been pasted from anywhere.
        Err(error) if error.use_stderr() => {
            let said = error.render();
            outlet::tell_styled(&if std::io::stderr().is_terminal() {
                said.ansi().to_string()
            } else {
                said.to_string()
            });
            outlet::settle();
            return ExitCode::from(exit::BAD_INPUT);
        }
        Err(help) => help.exit(),
    };
    let level = match cli.verbose {
        0 => LevelFilter::WARN,
        1 => LevelFilter::INFO,
        2 => LevelFilter::DEBUG,
        _ => LevelFilter::TRACE,
    };
    tracing_subscriber::fmt()
        .with_max_level(level)
        .with_writer(|| outlet::Log)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false)
        .init();
    // The usual hook would wait for a terminal that is stopped, and whoever waits for the
    // thread that panicked with it.
    std::panic::set_hook(Box::new(|panic| tell(format!("nightbench: {panic}"))));
    let code = dispatch(&cli.command).unwrap_or_else(|failure| {
        tell(exit::said(&failure.message));
        failure.code
    });
    outlet::settle();
    ExitCode::from(code)
}

fn dispatch(command: &Command) -> Result<u8, Failure> {
    match command {
        Command::Run(arguments) => running::run(arguments),
        Command::Resume(arguments) => running::resume(arguments),
        Command::Check(arguments) => running::check(arguments),
        Command::Runs(arguments) => reading::runs(arguments),
        Command::Show(arguments) => reading::show(arguments),
        Command::Report(arguments) => reading::report(arguments),
        Command::Compare(arguments) => comparing::compare(arguments),
        Command::Export(arguments) => reading::export(arguments),
        Command::Import(arguments) => importing::import(arguments),
        Command::Batch(arguments) => batching::take_together(arguments),
        Command::Store(arguments) => storekeeping::keep(&arguments.command),
        Command::Stop(arguments) => reading::ask(&arguments.store, &arguments.run, &Request::Stop),
        Command::Remark(arguments) => {
            let remark = Request::Remark(arguments.text.clone());
            reading::ask(&arguments.store, &arguments.run, &remark)
        }
        Command::Measure(arguments) => measuring::measure(arguments),
        Command::Ports(arguments) => measuring::ports(arguments.format),
        Command::Schema(arguments) => {
            let schema = match arguments.kind {
                Kind::Plan => model::document::plan_schema(),
                Kind::Rig => model::document::rig_schema(),
                Kind::Results => report::results_schema(),
                Kind::Export => report::export_schema(),
                Kind::Comparison => report::comparison_schema(),
                Kind::Batch => report::batch_schema(),
            };
            output::print(&format!("{schema:#}\n")).map(|()| 0)
        }
        Command::Completions { shell } => {
            // Into memory first: the generator panics where it cannot write.
            let mut script = Vec::new();
            clap_complete::generate(*shell, &mut Cli::command(), "nightbench", &mut script);
            output::judge(output::write(&script)).map(|()| 0)
        }
        Command::Manual => {
            let mut page = Vec::new();
            manual(&mut page).map_err(Failure::rig)?;
            output::judge(output::write(&page)).map(|()| 0)
        }
    }
}

/// The manual page: the program, then each command as a section of its own.
fn manual(out: &mut dyn Write) -> std::io::Result<()> {
    let mut program = Cli::command();
    program.build();
    let page = clap_mangen::Man::new(program.clone());
    page.render(out)?;
    for command in program
        .get_subcommands()
        .filter(|command| command.get_name() != "help")
    {
        let name = format!("nightbench {}", command.get_name());
        writeln!(out, ".SH \"{}\"", name.to_uppercase())?;
        let section = clap_mangen::Man::new(command.clone().bin_name(name));
        section.render_synopsis_section(out)?;
        section.render_description_section(out)?;
        section.render_options_section(out)?;
        section.render_extra_section(out)?;
    }
    Ok(())
}
