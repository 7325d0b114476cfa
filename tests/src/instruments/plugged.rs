//! An instrument behind a pseudo-terminal.

use super::fake::{Fake, Fault, Happened, Logged};
use devices::RealClock;
use model::port::Clock;
use model::time::HostTime;
use rustix::fs::OFlags;
use serialport::{SerialPort, TTYPort};
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read, Write};
use std::os::unix::fs::{OpenOptionsExt, symlink};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// How long the instrument waits for bytes at a time.
const GLANCE: Duration = Duration::from_millis(2);

/// An instrument that is plugged in. Its port has one name, also after it was unplugged
/// and plugged in again. It is gone when this is dropped.
pub struct Plugged {
    fake: Arc<Mutex<Fake>>,
    time: Time,
    port: PathBuf,
    ended: Arc<AtomicBool>,
    /// In milliseconds.
    stood_still: Arc<AtomicU64>,
    thread: Option<JoinHandle<()>>,
    _folder: TempDir,
}

impl Plugged {
    /// Plugs an instrument in.
    ///
    /// # Panics
    /// When the system has no pseudo-terminals.
    #[must_use]
    pub fn new(fake: Fake) -> Self {
        Self::by(fake, Arc::new(RealClock::new()))
    }

    /// Plugs an instrument in whose own clock is this one.
    ///
    /// # Panics
    /// When the system has no pseudo-terminals.
    #[must_use]
    pub fn by(fake: Fake, clock: Arc<dyn Clock>) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let port = folder.path().join("port");
        let fake = Arc::new(Mutex::new(fake));
        let ended = Arc::new(AtomicBool::new(false));
        let stood_still = Arc::default();
        let time = Time {
            began: clock.now(),
            clock,
        };
        let cable = Cable {
            fake: Arc::clone(&fake),
            time: time.clone(),
            port: port.clone(),
            ended: Arc::clone(&ended),
            stood_still: Arc::clone(&stood_still),
        };
        let ends = cable.connect();
        let thread = std::thread::spawn(move || cable.carry(ends));
        Self {
            fake,
            time,
            port,
            ended,
            stood_still,
            thread: Some(thread),
            _folder: folder,
        }
    }

    /// The name of its port.
    ///
    /// # Panics
    /// When the folder for temporary files has no name in UTF-8.
    #[must_use]
    pub fn port(&self) -> &str {
        self.port.to_str().expect("a name in UTF-8")
    }

    /// What it has seen so far.
    #[must_use]
    pub fn log(&self) -> Vec<Logged> {
        lock(&self.fake).log().to_vec()
    }

    /// The lines it has heard so far.
    #[must_use]
    pub fn heard(&self) -> Vec<String> {
        self.log()
            .into_iter()
            .filter_map(|logged| match logged.what {
                Happened::Heard(line) => Some(line),
                _ => None,
            })
            .collect()
    }

    /// Whether its output is on.
    #[must_use]
    pub fn is_on(&self) -> bool {
        lock(&self.fake).is_on()
    }

    /// Makes something go wrong now.
    pub fn suffer(&self, fault: Fault) {
        let now = self.time.now();
        lock(&self.fake).suffer(now, fault);
    }

    /// The longest that this machine kept it from doing anything: longer than some
    /// milliseconds means that the machine is busy with something else.
    #[must_use]
    pub fn stood_still(&self) -> Duration {
        Duration::from_millis(self.stood_still.load(Ordering::SeqCst))
    }

    /// Waits until something is so, for half a minute at most; says whether it became so.
    pub fn until(&self, mut so: impl FnMut(&Fake) -> bool) -> bool {
        let begun = Instant::now();
        while begun.elapsed() < Duration::from_secs(30) {
            if so(&lock(&self.fake)) {
                return true;
            }
            std::thread::sleep(GLANCE);
        }
        false
    }
}

impl Drop for Plugged {
    fn drop(&mut self) {
        self.ended.store(true, Ordering::SeqCst);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn lock(fake: &Mutex<Fake>) -> std::sync::MutexGuard<'_, Fake> {
    fake.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The instrument's end and the other one, which is held too: otherwise the port would be
/// gone whenever nobody else has it open.
type Ends = (TTYPort, File);

/// The time since it was plugged in.
#[derive(Clone)]
struct Time {
    clock: Arc<dyn Clock>,
    began: HostTime,
}

impl Time {
    fn now(&self) -> Duration {
        let since = self.clock.now().nanoseconds() - self.began.nanoseconds();
        Duration::from_nanos(u64::try_from(since).unwrap_or(0))
    }
}

struct Cable {
    fake: Arc<Mutex<Fake>>,
    time: Time,
    port: PathBuf,
    ended: Arc<AtomicBool>,
    stood_still: Arc<AtomicU64>,
}

impl Cable {
    fn connect(&self) -> Ends {
        let (mut near, far) = TTYPort::pair().expect("a pair of pseudo-terminals");
        near.set_timeout(GLANCE).expect("a time-out");
        let name = far.name().expect("a name");
        let held = OpenOptions::new()
            .read(true)
            .write(true)
            .custom_flags(OFlags::NOCTTY.bits().cast_signed())
            .open(&name)
            .expect("the far end");
        let _ = std::fs::remove_file(&self.port);
        symlink(Path::new(&name), &self.port).expect("a link to the port");
        (near, held)
    }

    fn carry(&self, ends: Ends) {
        let mut ends = Some(ends);
        let mut unsaid: Vec<u8> = Vec::new();
        let mut before = Instant::now();
        while !self.ended.load(Ordering::SeqCst) {
            let now = self.time.now();
            let still = before.elapsed().as_millis();
            self.stood_still
                .fetch_max(u64::try_from(still).unwrap_or(u64::MAX), Ordering::SeqCst);
            before = Instant::now();
            if !lock(&self.fake).is_plugged(now) {
                if ends.take().is_some() {
                    let _ = std::fs::remove_file(&self.port);
                    unsaid.clear();
                }
                // It lives on without its cable.
                lock(&self.fake).says(now);
                std::thread::sleep(GLANCE);
                continue;
            }
            let (near, held) = ends.get_or_insert_with(|| self.connect());
            // Whoever opened the port alone may close it and open it again.
            let _ = rustix::termios::ioctl_tiocnxcl(&*held);
            let mut bytes = [0; 256];
            match near.read(&mut bytes) {
                Ok(count) => {
                    let now = self.time.now();
                    lock(&self.fake).hears(now, bytes.get(..count).unwrap_or_default());
                }
                Err(error) if error.kind() == ErrorKind::TimedOut => {}
                Err(error) => panic!("the pseudo-terminal broke: {error}"),
            }
            unsaid.extend(lock(&self.fake).says(self.time.now()));
            // In pieces that fit: a peer that reads nothing must not block the instrument.
            let piece = unsaid.len().min(256);
            if piece > 0
                && let Ok(count) = near.write(unsaid.get(..piece).unwrap_or_default())
            {
                unsaid.drain(..count);
            }
        }
    }
}
