//! The capture over an audio system without a sound card.
#![cfg(target_os = "linux")]

use devices::{RealClock, open_capture};
use model::document::rig::CaptureDevice;
use model::port::{Capture, CaptureError, Clock, PortError, Remedy};
use model::quantity::{Hertz, Seconds};
use model::record::PositionId;
use model::time::{Epoch, SampleTime, Span, Stop, StopReason};
use std::collections::BTreeMap;
use std::sync::Arc;

/// ALSA's own device "null": it delivers nought as fast as it is read, about two
/// thousand times faster than the rate it was opened at.
fn null(inputs: &[(&str, u16)]) -> Result<Box<dyn Capture>, PortError> {
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
    open_capture(&device, &positions, Arc::new(RealClock::new()))
}

#[test]
fn a_device_that_runs_at_another_rate_than_it_says_is_found_out() {
    let mut capture = null(&[("left", 1), ("right", 2)]).expect("ALSA has its null device");
    let clock = RealClock::new();
    let stop = Stop::new();
    let end = clock.now() + Seconds::of(40.0);
    let rate = capture.timeline().rate;
    let error = loop {
        assert!(clock.now() < end, "it was never found out");
        let span = Span {
            start: capture.timeline().sample_time(clock.now()),
            frames: rate.frames(Seconds::of(0.1)),
        };
        match capture.read(span, &stop) {
            Ok(_) | Err(CaptureError::Overwritten) => {}
            Err(error) => break error,
        }
    };
    let CaptureError::Device(error) = error else {
        panic!("{error}");
    };
    assert_eq!(error.remedy, Remedy::Abort);
    assert!(error.what.contains("frames a second"), "{error}");
}

#[test]
fn epochs_inputs_and_stops_are_heeded() {
    for wrong in [0, 3] {
        let error = null(&[("left", wrong)]).err().expect("no such input");
        assert!(error.what.contains("left"), "{error}");
    }
    let mut capture = null(&[("left", 1)]).expect("ALSA has its null device");
    let span = |epoch, index| Span {
        start: SampleTime { epoch, index },
        frames: 480,
    };
    let stop = Stop::new();
    let window = capture.read(span(Epoch(0), u64::MAX / 2), &{
        let stopped = Stop::new();
        stopped.raise(StopReason::Asked);
        stopped
    });
    assert!(matches!(window, Err(CaptureError::Cancelled(_))));
    assert_eq!(capture.reopen(), Ok(Epoch(1)));
    assert_eq!(
        capture.read(span(Epoch(0), 0), &stop).err(),
        Some(CaptureError::Interrupted)
    );
    assert_eq!(capture.timeline().anchor.0.epoch, Epoch(1));
}
