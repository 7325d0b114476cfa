//! Writes the page of a night that never was, to be looked at:
//! `cargo run -p report --example specimen -- page.html`. The text for a
//! terminal goes to stdout.

#![allow(clippy::disallowed_methods, reason = "an example writes its file")]

#[path = "../tests/specimen/mod.rs"]
mod specimen;

use specimen::{CHARACTERS, Specimen};

fn main() -> std::io::Result<()> {
    let Some(path) = std::env::args().nth(1) else {
        return Err(std::io::Error::other("say where to write the page"));
    };
    let run = Specimen::night(&CHARACTERS);
    std::fs::write(path, report::html(&run.view()))?;
    println!("{}", report::text(&run.view()));
    Ok(())
}
