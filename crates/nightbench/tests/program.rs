//! The program as it is built. What it does is tested end to end in the workspace member
//! `tests`; that this file is here has `cargo test` build the program, too, with the features
//! of all the rest.

use std::process::Command;

#[test]
fn the_program_starts_and_says_its_version() {
    let output = Command::new(env!("CARGO_BIN_EXE_nightbench"))
        .arg("--version")
        .output()
        .unwrap();
    assert!(output.status.success());
    let version = format!("nightbench {}\n", env!("CARGO_PKG_VERSION"));
    assert_eq!(String::from_utf8_lossy(&output.stdout), version);
}
