//! The audio input as a capture stream.

use crate::bench::{Inner, Shared};
use crate::render::{draw, frame_at, pieces, time_of};
use model::port::{Capture, CaptureError, Doubt, PortError, Remedy, Window};
use model::quantity::{Fraction, Seconds};
use model::record::PositionId;
use model::time::{Epoch, HostTime, SampleTime, Span, Stop, Timeline};
use rayon::prelude::*;
use std::sync::Arc;

/// How far back samples can be read, in nanoseconds.
const KEPT: i64 = 60_000_000_000;
/// What a watchdog takes to call a stream dead, and an attempt to open it, in
/// nanoseconds.
const WATCHDOG: i64 = 500_000_000;
const ATTEMPT: i64 = 1_000_000_000;
/// Longest span that is drawn at once: ten minutes at 96 kHz.
const LONGEST: u64 = 60_000_000;
/// How far virtual time goes, in nanoseconds: 190 days.
const FURTHEST: i64 = 190 * 86_400_000_000_000;

/// Where the stream stands.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stream {
    pub(crate) epoch: Epoch,
    /// The frame of the run that is frame 0 of the epoch.
    pub(crate) origin: u64,
    /// When the epoch was opened.
    pub(crate) opened: i64,
}

/// The audio input of the bench.
///
/// Virtual time is counted by the input's own clock, so that frames are placed
/// exactly and a window lasts as long as the record says; that the clock is off
/// shows in the pitch, which is where it matters. The first epoch begins with the
/// run.
pub struct SimulatedCapture {
    bench: Arc<Inner>,
    channels: Vec<(PositionId, Vec<f32>)>,
}

impl SimulatedCapture {
    pub(crate) fn new(bench: Arc<Inner>) -> Self {
        let channels = bench
            .world
            .places
            .iter()
            .map(|place| (place.id.clone(), Vec::new()))
            .collect();
        Self { bench, channels }
    }

    /// The outage that an epoch opened at a time cannot live past.
    fn outage(&self, opened: i64, until: i64) -> Option<i64> {
        self.bench
            .world
            .script
            .outages()
            .filter(|when| when.until > opened && when.from < until)
            .map(|when| when.from.max(opened))
            .min()
    }

    fn stalled(&self) -> CaptureError {
        CaptureError::Stalled {
            device: "simulated audio input".to_owned(),
            detail: "no samples for 500 ms".to_owned(),
        }
    }
}

impl Capture for SimulatedCapture {
    fn timeline(&self) -> Timeline {
        let stream = self.bench.lock().stream;
        let world = &self.bench.world;
        Timeline {
            anchor: (
                SampleTime {
                    epoch: stream.epoch,
                    index: 0,
                },
                HostTime::from_nanoseconds(time_of(stream.origin, world.rate())),
            ),
            rate: world.sample_rate,
            rate_error: Fraction::ZERO,
            jitter: Seconds::ZERO,
        }
    }

    fn read(&mut self, span: Span, stop: &Stop) -> Result<Window<'_>, CaptureError> {
        stop.check()?;
        let world = &self.bench.world;
        // What will have become of the window, and when that is known.
        let mut failed = None;
        let frames;
        let ends;
        {
            let shared = self.bench.lock();
            let Shared { now, stream, .. } = &*shared;
            if span.start.epoch != stream.epoch {
                return Err(CaptureError::Interrupted);
            }
            let start = stream.origin.saturating_add(span.start.index);
            frames = start..start.saturating_add(span.frames);
            let end = time_of(frames.end, world.rate());
            if span.frames > LONGEST || end > FURTHEST {
                return Err(CaptureError::Device(PortError {
                    device: "simulated audio input".to_owned(),
                    what: format!(
                        "{} frames up to {} days after the beginning were asked for",
                        span.frames,
                        end / 86_400_000_000_000
                    ),
                    check: "read a long stretch in adjoining spans, and within 190 days".to_owned(),
                    remedy: Remedy::Skip,
                }));
            }
            if let Some(died) = self.outage(stream.opened, end) {
                ends = died.saturating_add(WATCHDOG);
                failed = Some(self.stalled());
            } else if time_of(frames.start, world.rate()) < now.saturating_sub(KEPT) {
                return Err(CaptureError::Overwritten);
            } else {
                ends = end;
            }
        }
        self.bench.pass(ends, Some(stop))?;
        if let Some(failed) = failed {
            return Err(failed);
        }
        let heard = pieces(world, &self.bench.lock().logs, &frames);
        // Inputs are drawn side by side; each depends on nothing but its own pieces.
        self.channels
            .par_iter_mut()
            .zip(&heard)
            .enumerate()
            .for_each(|(place, ((_, samples), pieces))| {
                draw(world, place, pieces, &frames, samples);
            });
        let mut doubts = Vec::new();
        let bits = world.input.bits.clamp(8, 24);
        let top = 1.0 - 1.0 / libm::ldexp(1.0, i32::from(bits) - 1) as f32;
        for (id, samples) in &self.channels {
            if samples
                .iter()
                .any(|sample| *sample >= top || *sample <= -1.0)
            {
                doubts.push(Doubt::Clipped(id.clone()));
            }
            if !samples.is_empty() && samples.iter().all(|sample| *sample == 0.0) {
                doubts.push(Doubt::ExactZeros(id.clone()));
            }
        }
        Ok(Window {
            span,
            channels: self
                .channels
                .iter()
                .map(|(id, samples)| (id.clone(), samples.as_slice()))
                .collect(),
            doubts,
        })
    }

    fn reopen(&mut self) -> Result<Epoch, CaptureError> {
        let world = &self.bench.world;
        let now = self.bench.lock().now;
        if world.script.outages().any(|when| when.contains(now)) {
            let _ = self.bench.pass(now + ATTEMPT, None);
            return Err(CaptureError::Device(PortError {
                device: "simulated audio input".to_owned(),
                what: "it is not there".to_owned(),
                check: "look at its cable and its power".to_owned(),
                remedy: Remedy::Retry,
            }));
        }
        let mut shared = self.bench.lock();
        let epoch = Epoch(shared.stream.epoch.0 + 1);
        shared.stream = Stream {
            epoch,
            origin: frame_at(shared.now, world.rate()),
            opened: shared.now,
        };
        Ok(epoch)
    }
}
