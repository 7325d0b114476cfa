//! The latest windows on a terminal, to be read from across a bench: note and cents in
//! tall letters, and under them a line with the rest.

use crate::measured_line::{Line, Style};
use crate::tall_letters;
use std::collections::BTreeMap;
use std::io::{IsTerminal, Write};
use std::sync::atomic::{AtomicBool, Ordering};

// Control sequences of ECMA-48; the other screen and the cursor's visibility are private
// modes that all terminals in use know (common practice, no source).
const ENTER: &str = "\x1b[?1049h\x1b[?25l\x1b[2J";
const LEAVE: &str = "\x1b[?25h\x1b[?1049l";
const HOME: &str = "\x1b[H";
const CLEAR_LINE: &str = "\x1b[K";
const CLEAR_BELOW: &str = "\x1b[J";

/// Lines for a channel in tall letters: the letters, a line of values, two blank ones.
const LINES_A_CHANNEL: usize = tall_letters::HEIGHT + 3;

/// Whether the terminal is taken over.
static TAKEN: AtomicBool = AtomicBool::new(false);

/// Gives the terminal back as it was, if it was taken over: also from another thread than
/// the view's, which may hang in a device. It does not wait for whoever is writing.
pub fn give_back() {
    if TAKEN.swap(false, Ordering::SeqCst) {
        let _ = rustix::io::write(std::io::stdout(), LEAVE.as_bytes());
    }
}

/// A view on the terminal; dropping it gives the terminal back as it was.
pub struct View {
    title: String,
    latest: BTreeMap<u16, Line>,
}

impl View {
    /// Takes the terminal over; `None` where stdout is none.
    pub fn open(title: String) -> Option<Self> {
        let mut out = std::io::stdout();
        if !out.is_terminal() {
            return None;
        }
        TAKEN.store(true, Ordering::SeqCst);
        let _ = write!(out, "{ENTER}").and_then(|()| out.flush());
        Some(Self {
            title: model::excerpt(&title, 200),
            latest: BTreeMap::new(),
        })
    }

    /// Shows the channels of one window.
    pub fn show(&mut self, lines: &[Line], style: &Style) -> std::io::Result<()> {
        for line in lines {
            self.latest.insert(line.channel, line.clone());
        }
        let mut out = std::io::stdout();
        let mut picture = HOME.to_owned();
        for row in draw(&self.title, &self.latest, style, size()) {
            picture += &row;
            picture += CLEAR_LINE;
            picture += "\r\n";
        }
        picture.truncate(picture.len().saturating_sub(2));
        picture += CLEAR_BELOW;
        out.write_all(picture.as_bytes())?;
        out.flush()
    }
}

impl Drop for View {
    fn drop(&mut self) {
        let _ = std::io::stdout().flush();
        give_back();
    }
}

/// Columns and lines of the terminal.
fn size() -> (usize, usize) {
    rustix::termios::tcgetwinsize(std::io::stdout())
        .ok()
        .filter(|size| size.ws_col > 0 && size.ws_row > 0)
        .map_or((80, 24), |size| {
            (usize::from(size.ws_col), usize::from(size.ws_row))
        })
}

/// The picture, at most as many lines and columns as the terminal has. As many channels
/// as fit stand in tall letters, the others in a line each.
fn draw(
    title: &str,
    latest: &BTreeMap<u16, Line>,
    style: &Style,
    (columns, lines): (usize, usize),
) -> Vec<String> {
    let t = latest.values().next().map_or(0.0, |line| line.t);
    let mut rows = vec![format!("{title}   {t:.1} s   Ctrl-C ends"), String::new()];
    let left = lines.saturating_sub(rows.len());
    // Each channel in tall letters takes that many lines more than its one.
    let tall = left.saturating_sub(latest.len()) / (LINES_A_CHANNEL - 1);
    for (index, line) in latest.values().enumerate() {
        if index < tall {
            let text = line.measured.frequency.map_or_else(
                || "--".to_owned(),
                |heard| {
                    let (note, cents) = style.deviation(heard);
                    format!("{} {cents:+.2}", short_name(&note))
                },
            );
            let widened = (1..=3)
                .rev()
                .find(|widened| tall_letters::columns(&text, *widened) < columns)
                .unwrap_or(1);
            rows.extend(
                tall_letters::lines(&text, widened)
                    .into_iter()
                    .map(|row| format!(" {row}")),
            );
            rows.push(String::new());
        }
        rows.push(row(line, style, columns));
        if index < tall {
            rows.push(String::new());
        }
    }
    rows.truncate(lines);
    for row in &mut rows {
        *row = row.chars().take(columns).collect();
    }
    rows
}

/// A channel in one line: all that is known of it, or on a narrow terminal what matters most.
fn row(line: &Line, style: &Style, columns: usize) -> String {
    let whole = format!("{:>3} {}", line.channel, line.values(style));
    match line.measured.frequency {
        Some(heard) if whole.trim_end().chars().count() > columns => {
            let (note, cents) = style.deviation(heard);
            format!("{:>3} {note} {cents:+.2} cents", line.channel)
        }
        _ => whole,
    }
}

/// A note's name as far as it can be written tall: a frequency that was asked for
/// loses its unit.
fn short_name(note: &str) -> &str {
    note.split(' ').next().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::StreamFormat;
    use model::quantity::{Hertz, HertzDifference};
    use model::record::{Flags, Measured, State};

    #[test]
    fn the_picture_fits_any_terminal() {
        let style = Style {
            format: StreamFormat::Text,
            standard: model::pitch::PitchStandard::default(),
            note: None,
            waveform: false,
            decimals: report::Decimals::Point,
        };
        for channels in [1, 2, 8, 32] {
            let latest: BTreeMap<u16, Line> = (1..=channels)
                .map(|channel| {
                    let heard = channel != 2;
                    let line = Line {
                        channel,
                        t: 12.0,
                        window: 0.5,
                        measured: Measured {
                            state: if heard { State::Ok } else { State::Silent },
                            flags: Flags::NONE,
                            frequency: heard.then(|| Hertz::of(440.01)),
                            u: heard.then(|| HertzDifference::of(1e-3)),
                            u_noise: None,
                            level: None,
                        },
                        waveform: None,
                    };
                    (channel, line)
                })
                .collect();
            for size in [(80, 24), (200, 60), (20, 5), (1, 1)] {
                let rows = draw("tone.wav", &latest, &style, size);
                assert!(rows.len() <= size.1, "{size:?}");
                assert!(
                    rows.iter().all(|row| row.chars().count() <= size.0),
                    "{size:?}"
                );
            }
            let rows = draw("tone.wav", &latest, &style, (120, 50)).join("\n");
            assert!(
                rows.contains('\u{2588}') && rows.contains("A4    +0.04 cents"),
                "{rows}"
            );
            let narrow = draw("tone.wav", &latest, &style, (24, 40)).join("\n");
            assert!(narrow.contains("A4 +0.04 cents"), "{narrow}");
            assert_eq!(rows.contains("silent"), channels > 1);
        }
    }
}
