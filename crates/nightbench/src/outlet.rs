//! What the program says while it works, on stderr and on stdout.
//!
//! A terminal can be stopped or closed, a pipe can be full and read by nobody, and none of
//! it may hold up a night or end it. So whoever has something to say only puts it into a
//! queue; a thread writes it, for as long as that takes. A queue that is full drops what
//! comes, and what could not be written is counted.

use model::plain;
use std::collections::VecDeque;
use std::fmt::Display;
use std::io::{self, ErrorKind};
use std::sync::{Condvar, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;

/// How much may wait to be written to stderr: what the log says drops first, so that there
/// is always room for a sentence to the person.
const MOST_LOG: usize = 256 << 10;
const MOST_SAID: usize = 1 << 20;
/// How much may wait to be written to stdout: some fifty thousand readings.
const MOST_RESULTS: usize = 16 << 20;
/// Whoever reads slowly is waited for at the end as long as something is read within that.
const PATIENCE: Duration = Duration::from_secs(1);

static STDERR: Outlet = Outlet::new(Stream::Stderr);
static STDOUT: Outlet = Outlet::new(Stream::Stdout);

/// Says a line to the person at the bench.
pub fn tell(line: impl Display) {
    let line = line.to_string();
    STDERR.put(format!("{}\n", plain(&line)).into_bytes(), MOST_SAID);
}

/// Says what has colours of ours in it, and its own line ends.
pub fn tell_styled(text: &str) {
    STDERR.put(without_surprises(text).into_bytes(), MOST_SAID);
}

/// Draws on the terminal: text that is already fit for it, with control sequences of ours.
pub fn draw(picture: String) {
    STDERR.put(picture.into_bytes(), MOST_LOG);
}

/// Waits until all that was told is written, or nobody reads it.
pub fn settle() {
    STDERR.drain(Some(PATIENCE));
}

/// Hands a line of results over while a run goes on.
pub fn stream(line: impl Display) {
    STDOUT.put(format!("{line}\n").into_bytes(), MOST_RESULTS);
}

/// Waits until all results that were handed over are written, however long that takes.
///
/// # Errors
/// When some could not be written, unless their reader went away.
pub fn finish_results() -> io::Result<()> {
    STDOUT.drain(None);
    STDOUT.outcome()
}

/// What the log writes into.
pub struct Log;

impl io::Write for Log {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let text = String::from_utf8_lossy(bytes);
        STDERR.put(without_surprises(&text).into_bytes(), MOST_LOG);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A line of the log made fit for a terminal; its colours stay. The log writes an escape
/// character of a stranger's as text, so those that are left are its own.
fn without_surprises(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find("\x1b[") {
        let (before, from) = rest.split_at(at);
        shown.push_str(&plain(before));
        let colour = from[2..]
            .find(|c: char| !c.is_ascii_digit() && c != ';')
            .filter(|end| from[2 + end..].starts_with('m'))
            .map_or(0, |end| end + 3);
        let taken = colour.max(2);
        if colour > 0 {
            shown.push_str(&from[..taken]);
        } else {
            shown.push_str(&plain(&from[..taken]));
        }
        rest = &from[taken..];
    }
    shown.push_str(&plain(rest));
    shown
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Stream {
    Stderr,
    Stdout,
}

impl Stream {
    /// Writes some of it.
    fn write(self, bytes: &[u8]) -> io::Result<usize> {
        let written = match self {
            Self::Stderr => rustix::io::write(io::stderr(), bytes),
            Self::Stdout => rustix::io::write(io::stdout(), bytes),
        };
        Ok(written?)
    }
}

struct Outlet {
    stream: Stream,
    state: Mutex<State>,
    changed: Condvar,
    writer: OnceLock<bool>,
}

struct State {
    waiting: VecDeque<Vec<u8>>,
    /// Bytes not written yet, of what waits and of what is being written.
    left: usize,
    /// How much was written, or given up, since the beginning.
    steps: u64,
    /// Pieces that were dropped because nobody read, and not told of yet.
    dropped: u64,
    /// The same since the beginning, and with those that could not be written.
    lost: u64,
    /// Why the last of them could not.
    error: Option<io::Error>,
}

impl Outlet {
    const fn new(stream: Stream) -> Self {
        Self {
            stream,
            state: Mutex::new(State {
                waiting: VecDeque::new(),
                left: 0,
                steps: 0,
                dropped: 0,
                lost: 0,
                error: None,
            }),
            changed: Condvar::new(),
            writer: OnceLock::new(),
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Queues a piece, or drops it where more than `most` bytes wait. Never waits itself.
    fn put(&'static self, piece: Vec<u8>, most: usize) {
        let writes = *self.writer.get_or_init(|| {
            let named = std::thread::Builder::new().name("outlet".to_owned());
            named.spawn(|| self.write_on()).is_ok()
        });
        let mut state = self.state();
        if !writes || state.left.saturating_add(piece.len()) > most {
            state.dropped += 1;
            state.lost += 1;
            return;
        }
        state.left += piece.len();
        state.waiting.push_back(piece);
        drop(state);
        self.changed.notify_all();
    }

    /// The writer's thread.
    fn write_on(&self) {
        loop {
            let mut state = self.state();
            while state.waiting.is_empty() {
                state = self
                    .changed
                    .wait(state)
                    .unwrap_or_else(PoisonError::into_inner);
            }
            let Some(mut piece) = state.waiting.pop_front() else {
                continue;
            };
            // Results are whole lines for programs; a note among them would be no JSON.
            if self.stream == Stream::Stderr && state.dropped > 0 {
                let note = format!(
                    "nightbench: {} lines are left out here, as nobody read them\n",
                    std::mem::take(&mut state.dropped)
                );
                state.left += note.len();
                piece.splice(..0, note.into_bytes());
            }
            drop(state);
            self.write_piece(&piece);
        }
    }

    fn write_piece(&self, piece: &[u8]) {
        let mut done = 0;
        while done < piece.len() {
            let written = self.stream.write(&piece[done..]);
            let mut state = self.state();
            match written {
                Ok(some) if some > 0 => {
                    done += some;
                    state.left -= some;
                    state.steps += 1;
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                // Somebody who shares the terminal made it so; it is tried again.
                Err(error) if error.kind() == ErrorKind::WouldBlock => {
                    drop(state);
                    std::thread::sleep(Duration::from_millis(20));
                }
                failed => {
                    state.left -= piece.len() - done;
                    state.steps += 1;
                    state.lost += 1;
                    state.error = failed.err();
                    done = piece.len();
                }
            }
            self.changed.notify_all();
        }
    }

    /// Waits until nothing is left to be written; gives up where nothing moves for so long.
    fn drain(&self, patience: Option<Duration>) {
        let mut state = self.state();
        while state.left > 0 {
            let before = state.steps;
            let Some(patience) = patience else {
                state = self
                    .changed
                    .wait(state)
                    .unwrap_or_else(PoisonError::into_inner);
                continue;
            };
            let (after, timeout) = self
                .changed
                .wait_timeout_while(state, patience, |state| state.steps == before)
                .unwrap_or_else(PoisonError::into_inner);
            state = after;
            if timeout.timed_out() {
                return;
            }
        }
    }

    /// Whether all was written; a reader that went away is no failure.
    fn outcome(&self) -> io::Result<()> {
        let state = self.state();
        match &state.error {
            _ if state.lost == 0 => Ok(()),
            Some(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
            Some(error) => Err(io::Error::new(error.kind(), error.to_string())),
            None => Err(io::Error::other(format!(
                "{} lines were left out, as nobody read them",
                state.lost
            ))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_of_the_log_stay_and_other_sequences_do_not() {
        assert_eq!(
            without_surprises("\x1b[2m12:00\x1b[0m \x1b[1;33mWARN\x1b[0m it"),
            "\x1b[2m12:00\x1b[0m \x1b[1;33mWARN\x1b[0m it"
        );
        assert_eq!(
            without_surprises("a\x1b[2Jb\u{202e}\x1b["),
            "a\\u001b[2Jb\\u202e\\u001b["
        );
    }
}
