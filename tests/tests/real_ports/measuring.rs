//! `measure --live` on a device that really opens, in text and in a view on a terminal,
//! and what becomes of the terminal when the device dies or hangs.

use super::server::{FakeOscillator, Server};
use super::truth::cents;
use super::{HANGING, in_real_time, is_late};
use rustix::process::{Pid, Signal};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::Winsize;
use std::fs::File;
use std::io::Read;
use std::os::fd::{AsFd, OwnedFd};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};
use tests::program::{json_lines, nightbench_with_jack, told};

/// What gives a terminal back: its own screen, and the cursor.
const LEFT: &str = "\x1b[?25h\x1b[?1049l";

fn measure(server: &Server, options: &[&str]) -> Command {
    let mut command = server.command(nightbench_with_jack());
    command
        .args(["measure", "--live", "fake-oscillator", "--host", "jack"])
        .args(options);
    command
}

#[test]
fn a_live_input_is_measured_as_it_sounds() {
    if !super::possible() {
        return;
    }
    let server = Server::start();
    in_real_time(|| measured_as_it_sounds(&server));
}

/// # Errors
/// When the program says that the machine lost samples, in every window of a channel.
fn measured_as_it_sounds(server: &Server) -> Result<(), String> {
    let oscillator = FakeOscillator::start(server);
    let output = measure(
        server,
        &["--for", "3s", "--format", "json", "--hop", "250ms"],
    )
    .stdin(Stdio::null())
    .output()
    .expect("the program starts");
    let truth = oscillator.end();
    if output.status.code() == Some(3) && is_late(&told(&output)) {
        return Err(told(&output));
    }
    assert!(output.status.success(), "{}", told(&output));
    let lines = json_lines(&output.stdout);
    // Windows of half a second every quarter, on two channels.
    assert_eq!(lines.len(), 2 * 11, "{}", told(&output));
    // When the program began to listen is not known, so each window is held against all
    // that the oscillator played: it drifts by half a cent in a second at most.
    for (channel, oscillator) in [(1, 0), (2, 1)] {
        let own: Vec<_> = lines
            .iter()
            .filter(|line| line["channel"] == channel)
            .collect();
        let (first, last) = truth.frames();
        let played: Vec<f64> = (first..last.saturating_sub(24_000))
            .step_by(2_400)
            .map(|from| truth.mean_hz(oscillator, from, from + 24_000))
            .collect();
        let mut used = 0;
        for line in own {
            let flags = line["flags"].as_array().expect("flags");
            if flags.iter().any(|flag| flag == "xrun") {
                continue;
            }
            assert_eq!(line["state"], "ok", "{line}");
            let hz = line["hz"].as_f64().expect("hertz");
            let nearest = played
                .iter()
                .map(|played| cents(hz, *played).abs())
                .fold(f64::INFINITY, f64::min);
            assert!(
                nearest < 0.05,
                "{line}: {nearest} cents from all that was played"
            );
            used += 1;
        }
        if used == 0 {
            return Err("samples were lost in every window".into());
        }
    }
    Ok(())
}

/// The program with a view on a terminal of its own.
struct Viewed {
    process: Child,
    terminal: OwnedFd,
    pieces: Receiver<String>,
    shown: String,
}

impl Viewed {
    fn start(server: &Server) -> Self {
        let terminal = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a terminal");
        grantpt(&terminal).expect("it can be granted");
        unlockpt(&terminal).expect("it can be unlocked");
        resize(&terminal, 80, 24);
        let name = ptsname(&terminal, Vec::new()).expect("it has a name");
        let name = name.to_str().expect("a path");
        let end = || {
            File::options()
                .read(true)
                .write(true)
                .open(name)
                .expect("its other end")
        };
        let process = measure(server, &["--view", "--window", "200ms"])
            .stdin(end())
            .stdout(end())
            .stderr(end())
            .spawn()
            .expect("the program starts");
        let mut source = File::from(terminal.try_clone().expect("it can be cloned"));
        let (sender, pieces) = channel();
        std::thread::spawn(move || {
            let mut piece = vec![0; 1 << 16];
            while let Ok(count) = source.read(&mut piece) {
                let text = String::from_utf8_lossy(&piece[..count]).into_owned();
                if count == 0 || sender.send(text).is_err() {
                    return;
                }
            }
        });
        Self {
            process,
            terminal,
            pieces,
            shown: String::new(),
        }
    }

    /// Waits until the terminal has been sent a text, from here on.
    fn wait_for(&mut self, text: &str) {
        let end = Instant::now() + HANGING;
        let from = self.shown.len();
        while !self.shown[from..].contains(text) {
            let left = end.saturating_duration_since(Instant::now());
            let piece = self.pieces.recv_timeout(left).unwrap_or_else(|_| {
                panic!("no {text:?} since {:?}", &self.shown[..from.min(9_000)])
            });
            self.shown += &piece;
        }
    }

    fn signal(&self, signal: Signal) {
        let _ = rustix::process::kill_process(Pid::from_child(&self.process), signal);
    }

    /// Waits for the end; all that was shown, and how it ended.
    fn end(&mut self) -> ExitStatus {
        let end = Instant::now() + HANGING;
        let status = loop {
            if let Some(status) = self.process.try_wait().expect("it can be asked") {
                break status;
            }
            assert!(Instant::now() < end, "it hangs; so far {:?}", self.shown);
            std::thread::sleep(Duration::from_millis(20));
        };
        // Its end of the terminal is closed now, so what is left comes to an end, too.
        while let Ok(piece) = self.pieces.recv_timeout(HANGING) {
            self.shown += &piece;
        }
        status
    }
}

impl Drop for Viewed {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn resize(terminal: &OwnedFd, columns: u16, rows: u16) {
    let size = Winsize {
        ws_row: rows,
        ws_col: columns,
        ws_xpixel: 0,
        ws_ypixel: 0,
    };
    rustix::termios::tcsetwinsize(terminal.as_fd(), size).expect("it has a size");
}

#[test]
fn a_view_gives_the_terminal_back_whatever_ends_it() {
    if !super::possible() {
        return;
    }
    let mut server = Server::start();
    let oscillator = FakeOscillator::start(&server);

    in_real_time(|| a_view_that_is_asked_to_end(&server));

    // The server stops in its tracks: no error comes from it, and nothing else.
    let mut view = Viewed::start(&server);
    view.wait_for("cents");
    server.pause();
    let status = view.end();
    server.resume();
    assert_eq!(status.code(), Some(3), "{:?}", view.shown);
    let (_, after) = view
        .shown
        .rsplit_once(LEFT)
        .expect("the terminal is given back");
    assert!(is_late(after), "{after:?}");

    // The server dies.
    let mut view = Viewed::start(&server);
    view.wait_for("cents");
    server.kill();
    let status = view.end();
    assert_eq!(status.code(), Some(3), "{:?}", view.shown);
    let (_, after) = view
        .shown
        .rsplit_once(LEFT)
        .expect("the terminal is given back");
    assert!(after.contains("fake-oscillator"), "{after:?}");
    drop(oscillator);
}

/// Before it is asked to end, the terminal becomes smaller.
///
/// # Errors
/// When the program ended before, as nothing came.
fn a_view_that_is_asked_to_end(server: &Server) -> Result<(), String> {
    let mut view = Viewed::start(server);
    view.wait_for("cents");
    resize(&view.terminal, 24, 6);
    // Once for the picture under way, once for a whole one.
    for _ in 0..3 {
        view.wait_for("fake-oscillator");
    }
    // Pictures begin at the top left; the last may be cut off. What matters most fits.
    let pictures = view.shown.clone();
    let picture = pictures.rsplit("\x1b[H").nth(1).unwrap_or_default();
    view.signal(Signal::INT);
    let status = view.end();
    let (_, after) = view
        .shown
        .rsplit_once(LEFT)
        .expect("the terminal is given back");
    if status.code() == Some(3) && is_late(after) {
        return Err(after.to_owned());
    }
    assert_eq!(status.code(), Some(0), "{:?}", view.shown);
    let rows: Vec<&str> = picture.split("\x1b[K").map(str::trim).collect();
    // Where samples were lost, there is no pitch.
    if !rows.iter().any(|row| row.contains("cents")) {
        return Err(format!("no pitch was shown: {rows:?}"));
    }
    assert!(
        rows.iter().all(|row| row.chars().count() <= 24 + 3),
        "{rows:?}"
    );
    // What was shown last stays, in lines.
    if !(after.contains(" Hz") && after.contains("cents")) {
        return Err(format!("no pitch was left: {after:?}"));
    }
    Ok(())
}
