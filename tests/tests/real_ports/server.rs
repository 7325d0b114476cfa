//! A JACK server of our own, and the fake oscillator on it.

use super::truth::Truth;
use std::io::Read;
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// A JACK server on its dummy driver, which ends with this value.
pub struct Server {
    name: String,
    jackd: Child,
    killed: bool,
}

impl Server {
    /// Starts a server of this name.
    pub fn start(name: &str) -> Self {
        let name = format!("nightbench-{name}-{}", std::process::id());
        let server = Self {
            jackd: launch(&name),
            name,
            killed: false,
        };
        server.wait_until_up();
        server
    }

    fn wait_until_up(&self) {
        let mut wait = self.command("jack_wait");
        let waited = quiet(wait.args(["-w", "-t", "10"])).status();
        assert!(
            waited.is_ok_and(|status| status.success()),
            "jackd did not come up"
        );
    }

    /// Kills it, without a word to its clients.
    pub fn kill(&mut self) {
        self.killed = true;
        self.jackd.kill().expect("jackd is killed");
        self.jackd.wait().expect("jackd ends");
    }

    /// Starts it again under the same name.
    pub fn restart(&mut self) {
        self.jackd = launch(&self.name);
        self.killed = false;
        self.wait_until_up();
    }

    /// Stops it in its tracks.
    pub fn pause(&self) {
        self.signal(rustix::process::Signal::STOP);
    }

    /// Lets it go on.
    pub fn resume(&self) {
        self.signal(rustix::process::Signal::CONT);
    }

    fn signal(&self, signal: rustix::process::Signal) {
        let pid = rustix::process::Pid::from_child(&self.jackd);
        // It may have ended by itself.
        let _ = rustix::process::kill_process(pid, signal);
    }

    /// A program that will find this server.
    pub fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        command
            .env("JACK_DEFAULT_SERVER", &self.name)
            .env("JACK_NO_AUDIO_RESERVATION", "1");
        command
    }

    /// Waits until a port is there.
    pub fn wait_for(&self, port: &str) {
        let begun = Instant::now();
        loop {
            let listed = self.command("jack_lsp").output().expect("jack_lsp runs");
            if String::from_utf8_lossy(&listed.stdout)
                .lines()
                .any(|line| line == port)
            {
                return;
            }
            assert!(
                begun.elapsed() < Duration::from_secs(15),
                "no JACK port {port}"
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

/// At 48 kHz in blocks of 1024 frames. Synchronous (`-S`): each block waits for all
/// clients, so none is torn. For 64 ports instead of 2048: the server's shared memory
/// then fits into the 64 MiB that a container has by default.
fn launch(name: &str) -> Child {
    let mut command = Command::new("jackd");
    command.args(["-n", name, "-p", "64", "-r", "-S", "-d", "dummy"]);
    command.args(["-r", "48000", "-p", "1024", "-C", "0", "-P", "0"]);
    quiet(&mut command).spawn().expect("jackd starts")
}

fn quiet(command: &mut Command) -> &mut Command {
    command
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .env("JACK_NO_AUDIO_RESERVATION", "1")
}

impl Server {
    /// Ends it in good order if it will, else without.
    fn end(&mut self) {
        self.signal(rustix::process::Signal::TERM);
        let begun = Instant::now();
        while begun.elapsed() < Duration::from_secs(8) {
            if !matches!(self.jackd.try_wait(), Ok(None)) {
                return;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        self.killed = true;
        let _ = self.jackd.kill();
        let _ = self.jackd.wait();
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.resume();
        if !self.killed {
            self.end();
        }
        if self.killed {
            // The machine has eight places for servers, and one that was killed keeps its
            // own until a server of the same name ends in good order.
            self.jackd = launch(&self.name);
            let mut wait = self.command("jack_wait");
            let _ = quiet(wait.args(["-w", "-t", "10"])).status();
            self.end();
        }
        // What a killed server leaves behind; other servers' files have other names.
        let left = std::fs::read_dir(Path::new("/dev/shm"))
            .into_iter()
            .flatten();
        for file in left.flatten() {
            let name = file.file_name();
            if name.to_string_lossy().starts_with("jack")
                && name.to_string_lossy().contains(&self.name)
            {
                let _ = std::fs::remove_file(file.path());
            }
        }
    }
}

/// The fake oscillator, running.
pub struct FakeOscillator {
    process: Child,
    /// Its end is the end of the oscillator.
    alive: Option<ChildStdin>,
    log: Option<JoinHandle<String>>,
}

impl FakeOscillator {
    /// Starts it on a server and waits for its ports.
    pub fn start(server: &Server) -> Self {
        let mut process = server
            .command(env!("CARGO_BIN_EXE_fake_oscillator"))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the fake oscillator starts");
        let mut out = process.stdout.take().expect("its log is piped");
        let log = std::thread::spawn(move || {
            let mut text = String::new();
            out.read_to_string(&mut text).expect("its log is text");
            text
        });
        let alive = process.stdin.take();
        server.wait_for("fake-oscillator:out_3");
        Self {
            process,
            alive,
            log: Some(log),
        }
    }

    /// Ends it, and returns what it played.
    pub fn end(mut self) -> Truth {
        drop(self.alive.take());
        let status = self.process.wait().expect("it ends");
        assert!(status.success(), "the fake oscillator failed: {status}");
        let log = self.log.take().expect("its log is read once");
        Truth::read(&log.join().expect("its log could be read"), 48_000.0)
    }
}

impl Drop for FakeOscillator {
    fn drop(&mut self) {
        drop(self.alive.take());
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}
