//! The person at the bench, at a terminal.

use crate::outlet::{draw, tell};
use model::plain;
use model::port::{NoAnswer, Operator};
use model::quantity::Cents;
use model::record::PositionId;
use model::time::Stop;
use std::io::{BufRead, ErrorKind, IsTerminal};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::Duration;

/// How long an answer is waited for before whoever asked may look after other things.
const MOMENT: Duration = Duration::from_millis(100);
/// The longest answer, in bytes; the rest of its line is left out.
const LONGEST: usize = 2000;
/// How many lines may be typed ahead; more wait where they come from.
const AHEAD: usize = 16;

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
            let (send, lines) = sync_channel(AHEAD);
            std::thread::spawn(move || {
                let mut input = std::io::stdin().lock();
                while let Some(line) = next_line(&mut input) {
                    if send.send(line).is_err() {
                        return;
                    }
                }
            });
            lines
        })
    }
}

/// The next line, without its end; `None` when the input has ended or cannot be read.
fn next_line(input: &mut impl BufRead) -> Option<String> {
    let mut line = Vec::new();
    let mut any = false;
    loop {
        let piece = match input.fill_buf() {
            Ok(piece) => piece,
            Err(error) if error.kind() == ErrorKind::Interrupted => continue,
            Err(_) => return None,
        };
        if piece.is_empty() {
            return any.then(|| String::from_utf8_lossy(&line).into_owned());
        }
        any = true;
        let end = piece.iter().position(|byte| *byte == b'\n');
        let text = &piece[..end.unwrap_or(piece.len())];
        let room = LONGEST.saturating_sub(line.len()).min(text.len());
        line.extend_from_slice(&text[..room]);
        let taken = end.map_or(piece.len(), |end| end + 1);
        input.consume(taken);
        if end.is_some() {
            return Some(String::from_utf8_lossy(&line).into_owned());
        }
    }
}

impl Operator for Person {
    fn ask(&mut self, question: &str) {
        if !std::io::stdin().is_terminal() {
            tracing::warn!("stdin is no terminal; an answer is awaited there all the same");
        }
        tell(format!("\n{question}\n[press Enter when done] "));
    }

    fn answer(&mut self, stop: &Stop) -> Result<Option<String>, NoAnswer> {
        stop.check()?;
        match self.lines().recv_timeout(MOMENT) {
            Ok(line) => Ok(Some(line.trim().to_owned())),
            Err(RecvTimeoutError::Timeout) => Ok(None),
            Err(RecvTimeoutError::Disconnected) => Err(NoAnswer::NobodyThere),
        }
    }

    fn show_deviation(&mut self, position: &PositionId, deviation: Option<Cents>) {
        let shown = deviation.map_or_else(
            || "no pitch".to_owned(),
            |cents| format!("{:+8.2} cents", cents.get()),
        );
        draw(format!("\r\x1b[K{} {shown}", plain(position.as_str())));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::time::{Cancelled, StopReason};
    use std::time::Instant;

    #[test]
    fn waiting_for_an_answer_keeps_nobody_else_waiting() {
        let (type_in, lines) = sync_channel(AHEAD);
        let mut person = Person { lines: Some(lines) };
        let stop = Stop::new();
        let asked = Instant::now();
        assert_eq!(person.answer(&stop), Ok(None));
        assert!(asked.elapsed() < Duration::from_secs(100));
        type_in.send(" all of them \n".to_owned()).unwrap();
        assert_eq!(person.answer(&stop), Ok(Some("all of them".to_owned())));
        // Stdin has ended.
        drop(type_in);
        assert_eq!(person.answer(&stop), Err(NoAnswer::NobodyThere));
    }

    #[test]
    fn a_stop_comes_before_the_answer() {
        let (type_in, lines) = sync_channel(AHEAD);
        let mut person = Person { lines: Some(lines) };
        type_in.send(String::new()).unwrap();
        let stop = Stop::new();
        stop.raise(StopReason::System);
        assert_eq!(person.answer(&stop), Err(NoAnswer::Cancelled(Cancelled)));
    }

    #[test]
    fn answers_are_lines_of_any_bytes_and_of_bounded_length() {
        let mut typed: &[u8] = b"yes\n\xff\xfe\n";
        assert_eq!(next_line(&mut typed).as_deref(), Some("yes"));
        assert_eq!(next_line(&mut typed).as_deref(), Some("\u{fffd}\u{fffd}"));
        assert_eq!(next_line(&mut typed), None);
        let long = vec![b'a'; 100_000];
        let mut endless = std::io::BufReader::new(long.as_slice());
        assert_eq!(next_line(&mut endless).unwrap().len(), LONGEST);
        assert_eq!(next_line(&mut endless), None);
    }
}
