//! The person at the bench, at a terminal.

use model::port::{Operator, Question};
use model::quantity::Cents;
use model::record::PositionId;
use model::time::{Cancelled, Stop};
use std::io::{BufRead, IsTerminal, Write};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

/// Asks on stderr and reads answers from stdin, on a thread that lives on so
/// that a wait for an answer can be cut short.
#[derive(Default)]
pub struct Person {
    lines: Option<Receiver<String>>,
}

impl Operator for Person {
    fn ask(&mut self, question: &Question, stop: &Stop) -> Result<String, Cancelled> {
        if !std::io::stdin().is_terminal() {
            tracing::warn!("stdin is no terminal; an answer is awaited there all the same");
        }
        let _ = writeln!(
            std::io::stderr(),
            "\n{}\n[press Enter when done] ",
            question.text
        );
        let lines = self.lines.get_or_insert_with(|| {
            let (send, lines) = channel();
            std::thread::spawn(move || {
                for line in std::io::stdin().lock().lines() {
                    let Ok(line) = line else { return };
                    if send.send(line).is_err() {
                        return;
                    }
                }
            });
            lines
        });
        let asked = Instant::now();
        loop {
            stop.check()?;
            if question
                .patience
                .is_some_and(|patience| asked.elapsed() > patience)
            {
                return Err(Cancelled);
            }
            match lines.recv_timeout(Duration::from_millis(100)) {
                Ok(line) => return Ok(line.trim().to_owned()),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    tracing::warn!(
                        "stdin has ended, so nobody can ever answer; run it at a terminal"
                    );
                    return Err(Cancelled);
                }
            }
        }
    }

    fn show_deviation(&mut self, position: &PositionId, deviation: Option<Cents>) {
        let shown = deviation.map_or_else(
            || "no pitch".to_owned(),
            |cents| format!("{:+8.2} cents", cents.get()),
        );
        let _ = write!(std::io::stderr(), "\r\x1b[K{position} {shown}");
        let _ = std::io::stderr().flush();
    }
}
