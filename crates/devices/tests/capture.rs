//! The capture over an audio system without a sound card.
#![cfg(target_os = "linux")]

use devices::open_capture;
use model::document::rig::CaptureDevice;
use model::port::{Capture, CaptureError, Clock, PortError, Remedy};
use model::quantity::{Hertz, Seconds};
use model::record::PositionId;
use model::time::{Cancelled, Epoch, HostTime, SampleTime, Span, Stop, StopReason, Timestamp};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::thread::ThreadId;

/// A clock that goes by how often it is asked, so that nothing here depends on how fast the
/// machine is.
struct Counted {
    /// Whoever made it: the test, which reads.
    reader: ThreadId,
    /// From one question of the reader to the next, and of the audio system.
    steps: [i64; 2],
    /// What has passed by the questions of each.
    passed: [AtomicI64; 2],
}

impl Counted {
    fn new(reader_step: Seconds, audio_step: Seconds) -> Arc<Self> {
        Arc::new(Self {
            reader: std::thread::current().id(),
            steps: [reader_step.nanoseconds(), audio_step.nanoseconds()],
            passed: [AtomicI64::new(0), AtomicI64::new(0)],
        })
    }
    /// What the reader has waited.
    fn waited(&self) -> Seconds {
        Seconds::from_nanoseconds(self.passed[0].load(Ordering::Relaxed))
    }
}

impl Clock for Counted {
    fn now(&self) -> HostTime {
        let who = usize::from(std::thread::current().id() != self.reader);
        self.passed[who].fetch_add(self.steps[who], Ordering::Relaxed);
        let audio = self.passed[1].load(Ordering::Relaxed);
        let reader = self.passed[0].load(Ordering::Relaxed);
        // The audio system knows nothing of how long the reader waits.
        HostTime::from_nanoseconds(1 + audio + if who == 0 { reader } else { 0 })
    }
    fn wall(&self) -> Timestamp {
        Timestamp::UNIX_EPOCH
    }
    fn sleep_until(&self, _: HostTime, _: &Stop) -> Result<(), Cancelled> {
        Ok(())
    }
}

/// ALSA's own device "null": it delivers nought as fast as it is read, in blocks of 1024
/// frames or so.
fn null(inputs: &[(&str, u16)], clock: Arc<Counted>) -> Result<Box<dyn Capture>, PortError> {
    let device = CaptureDevice {
        device: "null".into(),
        host: Some("alsa".into()),
        rate: Hertz::of(48_000.0),
        channels: 2,
        buffer: Some(1024),
    };
    let positions: BTreeMap<PositionId, u16> = inputs
        .iter()
        .map(|(name, input)| (PositionId::new(name), *input))
        .collect();
    open_capture(&device, &positions, clock)
}

/// A span that never comes.
const NEVER: Span = Span {
    start: SampleTime {
        epoch: Epoch(0),
        index: u64::MAX / 2,
    },
    frames: 480,
};

#[test]
fn a_device_that_runs_at_another_rate_than_it_says_is_found_out() {
    // A block every 2 ms is some ten times as much as was asked for. To the reader no time
    // passes beside that.
    let clock = Counted::new(Seconds::ZERO, Seconds::of(2e-3));
    let mut capture = null(&[("left", 1), ("right", 2)], clock).expect("ALSA has its null device");
    let error = capture.read(NEVER, &Stop::new()).err();
    let Some(CaptureError::Device(error)) = error else {
        panic!("{error:?}");
    };
    assert_eq!(error.remedy, Remedy::Abort);
    assert!(error.what.contains("frames a second"), "{error}");
}

#[test]
fn a_device_that_falls_silent_is_dead_after_half_a_second() {
    // However often the device calls, its calls seem to have come long ago.
    let clock = Counted::new(Seconds::of(5e-3), Seconds::ZERO);
    let mut capture = null(&[("left", 1)], Arc::clone(&clock)).expect("ALSA has its null device");
    let before = clock.waited();
    let error = capture.read(NEVER, &Stop::new()).err();
    let waited = clock.waited() - before;
    assert!(
        matches!(&error, Some(CaptureError::Stalled { detail, .. }) if detail.contains("nothing came for")),
        "{error:?}"
    );
    // Half a second and four blocks of the device.
    let expected = 0.5 + 4.0 * 1024.0 / 48_000.0;
    assert!((waited.get() - expected).abs() < 0.02, "{waited}");
}

#[test]
fn epochs_inputs_and_stops_are_heeded() {
    let clock = Counted::new(Seconds::ZERO, Seconds::of(1e-3));
    for wrong in [0, 3] {
        let error = null(&[("left", wrong)], Arc::clone(&clock)).err();
        let error = error.expect("no such input");
        assert!(error.what.contains("left"), "{error}");
    }
    let mut capture = null(&[("left", 1)], clock).expect("ALSA has its null device");
    let stop = Stop::new();
    let window = capture.read(NEVER, &{
        let stopped = Stop::new();
        stopped.raise(StopReason::Asked);
        stopped
    });
    assert!(matches!(window, Err(CaptureError::Cancelled(_))));
    assert_eq!(capture.reopen(), Ok(Epoch(1)));
    let first = Span {
        start: SampleTime {
            epoch: Epoch(0),
            index: 0,
        },
        frames: 480,
    };
    assert_eq!(
        capture.read(first, &stop).err(),
        Some(CaptureError::Interrupted)
    );
    assert_eq!(capture.timeline().anchor.0.epoch, Epoch(1));
}
