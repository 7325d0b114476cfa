//! A simulated bench that real instruments can stand beside: its time passes by itself.

use model::port::{Capture, CaptureError, Clock, Window};
use model::quantity::Seconds;
use model::time::{Cancelled, Epoch, HostTime, Span, Stop, Timeline, Timestamp};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

const TICK: Duration = Duration::from_millis(2);
/// Whatever the machine does, no more time than this passes in a tick.
const MOST: Duration = Duration::from_millis(10);

/// Lets the virtual time of a simulated bench pass as real time does, and more slowly
/// where the machine stands still.
pub struct Pacemaker {
    ended: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Pacemaker {
    /// Begins.
    #[must_use]
    pub fn new(simulated: Arc<dyn Clock>) -> Self {
        let ended = Arc::new(AtomicBool::new(false));
        let end = Arc::clone(&ended);
        let thread = std::thread::spawn(move || {
            let mut before = Instant::now();
            while !end.load(Ordering::SeqCst) {
                std::thread::sleep(TICK);
                let passed = before.elapsed().min(MOST);
                before = Instant::now();
                let due = simulated.now() + Seconds::of(passed.as_secs_f64());
                let _ = simulated.sleep_until(due, &Stop::new());
            }
        });
        Self {
            ended,
            thread: Some(thread),
        }
    }
}

impl Drop for Pacemaker {
    fn drop(&mut self) {
        self.ended.store(true, Ordering::SeqCst);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// The clock of such a bench: whoever waits, waits until a [`Pacemaker`] has come so far.
#[derive(Clone)]
pub struct Paced(pub Arc<dyn Clock>);

impl Clock for Paced {
    fn now(&self) -> HostTime {
        self.0.now()
    }
    fn wall(&self) -> Timestamp {
        self.0.wall()
    }
    fn sleep_until(&self, due: HostTime, stop: &Stop) -> Result<(), Cancelled> {
        stop.check()?;
        while self.now() < due {
            stop.wait(TICK)?;
        }
        Ok(())
    }
}

/// The audio input of such a bench.
pub struct PacedCapture {
    inner: Box<dyn Capture>,
    clock: Paced,
}

impl PacedCapture {
    /// Over the input of the bench.
    #[must_use]
    pub fn new(inner: Box<dyn Capture>, clock: Paced) -> Self {
        Self { inner, clock }
    }
}

impl Capture for PacedCapture {
    fn timeline(&self) -> Timeline {
        self.inner.timeline()
    }
    fn read(&mut self, span: Span, stop: &Stop) -> Result<Window<'_>, CaptureError> {
        if span.start.epoch == self.inner.timeline().anchor.0.epoch {
            let passed = self.inner.timeline().host_time(span.end());
            self.clock.sleep_until(passed, stop)?;
        }
        self.inner.read(span, stop)
    }
    fn reopen(&mut self) -> Result<Epoch, CaptureError> {
        self.inner.reopen()
    }
}
