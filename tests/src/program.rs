//! Running the built program as its user would.

use serde_json::Value;
use std::io::{PipeReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

/// The top of the repository.
#[must_use]
pub fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// The built program: the one that `NIGHTBENCH_PROGRAM` names, else the debug build.
///
/// # Panics
/// When there is none; `scripts/test` builds it.
#[must_use]
pub fn nightbench() -> PathBuf {
    built("NIGHTBENCH_PROGRAM")
}

/// The program built with its `jack` feature: the one that
/// `NIGHTBENCH_PROGRAM_JACK` names, else the debug build.
///
/// # Panics
/// When there is none; `scripts/test` builds it.
#[must_use]
pub fn nightbench_with_jack() -> PathBuf {
    built("NIGHTBENCH_PROGRAM_JACK")
}

fn built(variable: &str) -> PathBuf {
    let path = std::env::var_os(variable).map_or_else(
        || repository().join("target/debug/nightbench"),
        PathBuf::from,
    );
    assert!(
        path.exists(),
        "{} is not built; run scripts/test, or cargo build -p nightbench",
        path.display()
    );
    path
}

/// The program with arguments, away from the user's own store.
#[must_use]
pub fn command(arguments: &[&str]) -> Command {
    let mut command = Command::new(nightbench());
    command
        .args(arguments)
        .env_remove("NIGHTBENCH_STORE")
        .stdin(Stdio::null());
    command
}

/// A pipe that is full, to be a program's standard output: it is held at the first thing
/// that it prints, until somebody reads from the other end.
///
/// # Panics
/// When the system gives no pipe.
#[must_use]
pub fn full_pipe() -> (PipeReader, Stdio) {
    let (reader, mut writer) = std::io::pipe().expect("a pipe");
    rustix::io::ioctl_fionbio(&writer, true).expect("a pipe can be told not to wait");
    while writer.write(&[b'.'; 4096]).is_ok() {}
    rustix::io::ioctl_fionbio(&writer, false).expect("and to wait again");
    (reader, writer.into())
}

/// Runs the program and waits for it.
///
/// # Panics
/// When it cannot be started.
#[must_use]
pub fn run(arguments: &[&str]) -> Output {
    command(arguments).output().expect("the program starts")
}

/// The exit code and what was said, for messages of failed assertions.
#[must_use]
pub fn told(output: &Output) -> String {
    format!(
        "exit code {:?}\nstdout: {}\nstderr: {}",
        output.status.code(),
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    )
}

/// The last word on stdout: the identifier of the run.
///
/// # Panics
/// When nothing was said.
#[must_use]
pub fn last_word(output: &Output) -> String {
    let text = String::from_utf8_lossy(&output.stdout);
    text.split_whitespace()
        .last()
        .unwrap_or_else(|| panic!("no last word: {}", told(output)))
        .to_owned()
}

/// The lines of stdout as JSON values.
///
/// # Panics
/// When one is none.
#[must_use]
pub fn json_lines(stdout: &[u8]) -> Vec<Value> {
    String::from_utf8_lossy(stdout)
        .lines()
        .map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}")))
        .collect()
}
