//! A JACK server of our own, and the fake oscillator on it.

use super::truth::Truth;
use std::fs::File;
use std::io::Read;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tempfile::NamedTempFile;

/// Of all test servers. A machine has eight places for JACK servers, and one that was
/// killed, as a test that is ended from outside leaves it, keeps its own until a server of
/// the same name starts.
const NAME: &str = "nightbench-tests";

/// A JACK server on its dummy driver, which ends with this value.
pub struct Server {
    jackd: Child,
    killed: bool,
    /// What it says.
    words: NamedTempFile,
    /// There is one server at a time on the machine, whoever tests.
    _turn: File,
}

impl Server {
    /// Starts a server, once those of other tests have ended.
    pub fn start() -> Self {
        let turn = turn();
        // Before what else the machine does, for the server and all its clients, where the
        // system allows it.
        let _ = rustix::process::setpriority_process(None, -15);
        let words = NamedTempFile::new().expect("a file for what jackd says");
        let mut server = Self {
            jackd: launch(NAME, &words),
            killed: false,
            words,
            _turn: turn,
        };
        if server.wait_until_up().is_err() {
            // Places that others have left without giving them back, perhaps.
            server.kill();
            remains::clear();
            server.restart();
        }
        server
    }

    /// # Errors
    ///
    /// What the server said, if it has ended or cannot be reached in time.
    fn wait_until_up(&mut self) -> Result<(), String> {
        let mut wait = self.command("jack_wait");
        let mut wait = quiet(wait.args(["-w", "-t", "120"])).spawn();
        let wait = wait.as_mut().expect("jack_wait starts");
        let up = loop {
            if let Ok(Some(status)) = wait.try_wait() {
                break status.success();
            }
            if !matches!(self.jackd.try_wait(), Ok(None)) {
                let _ = wait.kill();
                let _ = wait.wait();
                break false;
            }
            std::thread::sleep(Duration::from_millis(20));
        };
        if up {
            return Ok(());
        }
        let words = std::fs::read_to_string(self.words.path()).unwrap_or_default();
        Err(format!(
            "jackd did not come up; it said:\n{words}\n{}",
            remains::described()
        ))
    }

    /// Kills it, without a word to its clients.
    pub fn kill(&mut self) {
        self.killed = true;
        self.jackd.kill().expect("jackd is killed");
        self.jackd.wait().expect("jackd ends");
    }

    /// Starts it again under the same name.
    pub fn restart(&mut self) {
        self.jackd = launch(NAME, &self.words);
        self.killed = false;
        if let Err(why) = self.wait_until_up() {
            panic!("{why}");
        }
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
            .env("JACK_DEFAULT_SERVER", NAME)
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
            assert!(begun.elapsed() < super::HANGING, "no JACK port {port}");
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

/// Waits until no other test has a server.
fn turn() -> File {
    let user = rustix::process::getuid().as_raw();
    let path = std::env::temp_dir().join(format!("nightbench-tests-{user}.lock"));
    let file = File::create(&path).expect("a file to take turns by");
    file.lock().expect("a turn");
    file
}

/// At 48 kHz in blocks of 1024 frames. Synchronous (`-S`): each block waits for all
/// clients, so none is torn. For 64 ports instead of 2048: the server's shared memory
/// then fits into the 64 MiB that a container has by default.
fn launch(name: &str, words: &NamedTempFile) -> Child {
    // A test that is killed from outside takes it along: left over, it would bar the port
    // for all that come after it.
    let mut command = Command::new("setpriv");
    command.args(["--pdeathsig", "KILL", "jackd"]);
    command.args(["-n", name, "-p", "64", "-r", "-S", "-d", "dummy"]);
    command.args(["-r", "48000", "-p", "1024", "-C", "0", "-P", "0"]);
    let said = words.reopen().expect("what jackd says can be kept");
    let complained = said.try_clone().expect("what jackd says can be kept");
    quiet(&mut command)
        .stdout(said)
        .stderr(complained)
        .spawn()
        .expect("jackd starts")
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
            remains::clear();
        }
    }
}

/// What killed JACK servers leave in shared memory.
mod remains {
    use std::fs::read_dir;
    use std::path::PathBuf;

    /// Takes it away, unless some program still uses a JACK server.
    pub fn clear() {
        if !are_used() {
            for file in files() {
                let _ = std::fs::remove_file(&file).or_else(|_| std::fs::remove_dir_all(&file));
            }
        }
    }

    /// For a person who wonders why a server does not start.
    pub fn described() -> String {
        format!("In shared memory: {:?}; used: {}", files(), are_used())
    }

    fn files() -> Vec<PathBuf> {
        let all = read_dir("/dev/shm").into_iter().flatten().flatten();
        all.filter(|file| file.file_name().to_string_lossy().starts_with("jack"))
            .map(|file| file.path())
            .collect()
    }

    /// Servers and clients alike map the list of servers.
    fn are_used() -> bool {
        let processes = read_dir("/proc").into_iter().flatten().flatten();
        processes
            .filter_map(|process| std::fs::read_to_string(process.path().join("maps")).ok())
            .any(|maps| maps.contains("jack-shm-registry"))
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

/// Eight servers that were killed had kept every later one from starting, on a machine
/// where nobody else used JACK.
#[test]
fn a_server_comes_up_where_others_were_killed() {
    if !super::possible() {
        return;
    }
    let turn = turn();
    let words = NamedTempFile::new().expect("a file for what they say");
    for place in 0..8 {
        let name = format!("killed-{place}");
        let mut other = launch(&name, &words);
        let mut wait = Command::new("jack_wait");
        wait.args(["-s", &name, "-w", "-t", "120"]);
        let _ = quiet(&mut wait).status();
        let _ = other.kill();
        let _ = other.wait();
    }
    drop(turn);
    drop(Server::start());
}
