//! What becomes of the ports when the audio server dies or hangs: a clear error in
//! time, and everything works again once the server does.

use super::library::rig;
use super::server::{FakeOscillator, Server};
use super::truth::cents;
use super::{HANGING, STALLED};
use std::io::{BufRead, BufReader};
use std::process::{Child, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

/// The program that plays and listens, and its lines as they come.
struct Listening {
    process: Child,
    lines: Receiver<serde_json::Value>,
    _folder: tempfile::TempDir,
}

impl Listening {
    fn start(server: &Server) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("rig.json");
        let rig = rig("jack", "fake-oscillator", None);
        std::fs::write(&file, rig.to_string()).expect("the rig is written");
        let mut process = server
            .command(env!("CARGO_BIN_EXE_play_and_listen"))
            .arg(&file)
            .args(["counter", "6", "60"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("it starts");
        let out = process.stdout.take().expect("its lines are piped");
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                let value = serde_json::from_str(&line).expect("a line is JSON");
                if sender.send(value).is_err() {
                    return;
                }
            }
        });
        Self {
            process,
            lines,
            _folder: folder,
        }
    }

    /// The next line that has this key.
    fn next(&self, key: &str) -> serde_json::Value {
        let end = Instant::now() + HANGING;
        loop {
            let left = end.saturating_duration_since(Instant::now());
            let line = self
                .lines
                .recv_timeout(left)
                .unwrap_or_else(|_| panic!("no line with {key}"));
            if !line[key].is_null() {
                return line;
            }
        }
    }

    /// Waits for its end, and returns the rest of its lines.
    fn end(mut self) -> Vec<serde_json::Value> {
        let mut rest = Vec::new();
        let end = Instant::now() + HANGING;
        loop {
            match self.process.try_wait().expect("it can be asked") {
                Some(status) => {
                    assert!(status.success(), "{status}: {rest:?}");
                    rest.extend(self.lines.iter());
                    return rest;
                }
                None => assert!(Instant::now() < end, "it hangs; so far {rest:?}"),
            }
            rest.extend(self.lines.try_iter());
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

impl Drop for Listening {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

#[test]
fn a_server_that_was_killed_is_told_and_found_again() {
    if !super::possible() {
        return;
    }
    let mut server = Server::start();
    let oscillator = FakeOscillator::start(&server);
    let listening = Listening::start(&server);
    listening.next("hz");
    server.kill();
    let killed = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    let killed_ns = killed.tv_sec * 1_000_000_000 + killed.tv_nsec;
    let trouble = listening.next("trouble");
    let text = trouble["trouble"].as_str().unwrap_or_default();
    assert!(text.contains("fake-oscillator"), "{text}");
    drop(oscillator);

    server.restart();
    let oscillator = FakeOscillator::start(&server);
    // It may have been troubled, and recovered, before that.
    while listening.next("recovered_ns")["recovered_ns"].as_i64() < Some(killed_ns) {}
    let rest = listening.end();
    let truth = oscillator.end();
    let readings: Vec<_> = rest.iter().filter(|line| line["hz"].is_number()).collect();
    assert!(!readings.is_empty(), "{rest:?}");
    for reading in readings {
        assert!(reading["epoch"].as_u64() > Some(0), "{reading}");
        if reading["doubts"] != 0 {
            continue;
        }
        let about = truth.frame_at(reading["t_ns"].as_i64().expect("a time"));
        let count = reading["counter"][0].as_u64().expect("a count");
        let from = truth.unwrap_count(count, about);
        let oscillator = usize::from(reading["position"] == "right");
        let hz = reading["hz"].as_f64().expect("a frequency");
        let off = cents(hz, truth.mean_hz(oscillator, from, from + 24_000));
        assert!(off.abs() < 0.05, "{off} cents off: {reading}");
    }
}

#[test]
fn a_server_that_hangs_is_told_and_hangs_nobody() {
    if !super::possible() {
        return;
    }
    let server = Server::start();
    let _oscillator = FakeOscillator::start(&server);
    let listening = Listening::start(&server);
    listening.next("hz");
    // The half second after which it is told is tested where a clock can be handed in.
    server.pause();
    let stalled = |trouble: serde_json::Value| {
        let words = trouble["trouble"].as_str().unwrap_or_default();
        words.contains(STALLED)
    };
    // Whatever troubled it before that.
    while !stalled(listening.next("trouble")) {}
    server.resume();
    listening.next("recovered_ns");
    let rest = listening.end();
    assert!(rest.iter().any(|line| line["hz"].is_number()), "{rest:?}");
}
