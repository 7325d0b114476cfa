//! The terminal behind a bar: what is drawn goes through the outlet, a picture at a time.

use crate::outlet;
use indicatif::TermLike;
use std::fmt::Write;
use std::io;
use std::sync::{Mutex, PoisonError};

/// A terminal on stderr that is never waited for. Its sequences are those of ECMA-48.
#[derive(Debug, Default)]
pub struct Glass {
    picture: Mutex<String>,
}

impl Glass {
    fn add(&self, piece: std::fmt::Arguments<'_>) -> io::Result<()> {
        let mut picture = self.picture.lock().unwrap_or_else(PoisonError::into_inner);
        picture.write_fmt(piece).map_err(io::Error::other)
    }
    /// Moves the cursor; to move by nothing would be to move by one.
    fn go(&self, n: usize, to: char) -> io::Result<()> {
        if n == 0 {
            return Ok(());
        }
        self.add(format_args!("\x1b[{n}{to}"))
    }
    fn size(&self) -> Option<(u16, u16)> {
        let size = rustix::termios::tcgetwinsize(io::stderr()).ok()?;
        (size.ws_col > 0 && size.ws_row > 0).then_some((size.ws_col, size.ws_row))
    }
}

impl TermLike for Glass {
    fn width(&self) -> u16 {
        self.size().map_or(80, |(columns, _)| columns)
    }
    fn height(&self) -> u16 {
        self.size().map_or(24, |(_, lines)| lines)
    }
    fn move_cursor_up(&self, n: usize) -> io::Result<()> {
        self.go(n, 'A')
    }
    fn move_cursor_down(&self, n: usize) -> io::Result<()> {
        self.go(n, 'B')
    }
    fn move_cursor_right(&self, n: usize) -> io::Result<()> {
        self.go(n, 'C')
    }
    fn move_cursor_left(&self, n: usize) -> io::Result<()> {
        self.go(n, 'D')
    }
    fn write_line(&self, text: &str) -> io::Result<()> {
        self.add(format_args!("{text}\n"))
    }
    fn write_str(&self, text: &str) -> io::Result<()> {
        self.add(format_args!("{text}"))
    }
    fn clear_line(&self) -> io::Result<()> {
        self.add(format_args!("\r\x1b[2K"))
    }
    fn flush(&self) -> io::Result<()> {
        let mut picture = self.picture.lock().unwrap_or_else(PoisonError::into_inner);
        if !picture.is_empty() {
            outlet::draw(std::mem::take(&mut picture));
        }
        Ok(())
    }
}
