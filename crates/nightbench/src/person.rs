//! The person at the bench, at a terminal.

use model::port::Operator;
use model::quantity::Cents;
use model::record::PositionId;
use model::time::{Cancelled, Stop};
use std::io::{BufRead, IsTerminal, Write};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

/// How long an answer is waited for before whoever asked may look after other things.
const MOMENT: Duration = Duration::from_millis(100);

/// Asks on stderr and reads answers from stdin, on a thread that lives on so
/// that a wait for an answer can be cut short.
#[derive(Default)]
pub struct Person {
    lines: Option<Receiver<String>>,
}

impl Person {
    /// The lines that are typed; the thread that hears them begins with the first question.
    fn lines(&mut self) -> &Receiver<String> {
        self.lines.get_or_insert_with(|| {
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
        })
    }
}

impl Operator for Person {
    fn ask(&mut self, question: &str) {
        if !std::io::stdin().is_terminal() {
            tracing::warn!("stdin is no terminal; an answer is awaited there all the same");
        }
        let _ = writeln!(std::io::stderr(), "\n{question}\n[press Enter when done] ");
    }

    fn answer(&mut self, stop: &Stop) -> Result<Option<String>, Cancelled> {
        stop.check()?;
        match self.lines().recv_timeout(MOMENT) {
            Ok(line) => Ok(Some(line.trim().to_owned())),
            Err(RecvTimeoutError::Timeout) => Ok(None),
            Err(RecvTimeoutError::Disconnected) => {
                tracing::warn!("stdin has ended, so nobody can ever answer; run it at a terminal");
                Err(Cancelled)
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

#[cfg(test)]
mod tests {
    use super::*;
    use model::time::StopReason;
    use std::time::Instant;

    #[test]
    fn waiting_for_an_answer_keeps_nobody_else_waiting() {
        let (type_in, lines) = channel();
        let mut person = Person { lines: Some(lines) };
        let stop = Stop::new();
        let asked = Instant::now();
        assert_eq!(person.answer(&stop), Ok(None));
        assert!(asked.elapsed() < Duration::from_millis(500));
        type_in.send(" all of them \n".to_owned()).unwrap();
        assert_eq!(person.answer(&stop), Ok(Some("all of them".to_owned())));
        // Stdin has ended.
        drop(type_in);
        assert_eq!(person.answer(&stop), Err(Cancelled));
    }

    #[test]
    fn a_stop_comes_before_the_answer() {
        let (type_in, lines) = channel();
        let mut person = Person { lines: Some(lines) };
        type_in.send(String::new()).unwrap();
        let stop = Stop::new();
        stop.raise(StopReason::System);
        assert_eq!(person.answer(&stop), Err(Cancelled));
    }
}
