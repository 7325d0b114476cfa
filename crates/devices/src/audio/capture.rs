//! The capture stream of a rig.

use super::live::{FIRST_SILENCE, GLANCE, Live, Wanted};
use model::document::rig::CaptureDevice;
use model::port::{Capture, CaptureError, Clock, Doubt, PortError, Remedy, Window};
use model::quantity::{Fraction, Seconds};
use model::record::PositionId;
use model::time::{Epoch, HostTime, SampleRate, SampleTime, Span, Stop, Timeline};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Without a callback for so long, the capture is dead.
const SILENCE: Seconds = Seconds::of(0.5);
/// Samples at or above this are taken to be at full scale: the largest of 16 bits.
const FULL_SCALE: f32 = 32_767.0 / 32_768.0;
/// So long a run of exact zeros no analogue input delivers.
const ZEROS: Seconds = Seconds::of(0.02);
/// How far off a rate may be: further than any crystal, nearer than any other rate.
const RATE_OFF: f64 = 0.02;
/// How far the sample clock may be off that places windows: it drifts away for
/// as long as [`Pace`] looks back.
const DRIFT: Seconds = Seconds::of(2e-3);

/// Opens the capture stream of a rig: the inputs of all positions, counted from 1.
///
/// # Errors
/// When the device is not there, does not do what the rig file says, or an input
/// is not among its channels.
pub fn open_capture(
    device: &CaptureDevice,
    positions: &BTreeMap<PositionId, u16>,
    clock: Arc<dyn Clock>,
) -> Result<Box<dyn Capture>, PortError> {
    let rate = SampleRate::new(device.rate).ok_or_else(|| PortError {
        device: device.device.clone(),
        what: format!("a rate of {} is no audio rate", device.rate),
        check: "write the rate of the capture like 48 kHz".into(),
        remedy: Remedy::Abort,
    })?;
    for (position, input) in positions {
        if *input == 0 || *input > device.channels {
            return Err(PortError {
                device: device.device.clone(),
                what: format!(
                    "position {position} listens to input {input}, and the capture has the channels 1 to {}",
                    device.channels
                ),
                check: "check the inputs and the channels in the rig file".into(),
                remedy: Remedy::Abort,
            });
        }
    }
    // Positions may share an input; it is kept once.
    let mut inputs: Vec<u16> = positions.values().copied().collect();
    inputs.sort_unstable();
    inputs.dedup();
    let columns = positions
        .iter()
        .filter_map(|(position, input)| {
            let column = inputs.iter().position(|kept| kept == input)?;
            Some((position.clone(), column))
        })
        .collect();
    let wanted = Arc::new(Wanted {
        device: device.clone(),
        rate,
        inputs,
    });
    let live = Live::open(&wanted, &clock)?;
    let buffers = vec![Vec::new(); wanted.inputs.len()];
    Ok(Box::new(Stream {
        wanted,
        columns,
        clock,
        live: Some(live),
        epoch: Epoch(0),
        buffers,
    }))
}

/// The capture of a rig.
struct Stream {
    wanted: Arc<Wanted>,
    columns: Vec<(PositionId, usize)>,
    clock: Arc<dyn Clock>,
    live: Option<Live>,
    epoch: Epoch,
    buffers: Vec<Vec<f32>>,
}

impl Stream {
    fn name(&self) -> String {
        format!("audio input \"{}\"", self.wanted.device.device)
    }

    fn stalled(&self, detail: impl Into<String>) -> CaptureError {
        CaptureError::Stalled {
            device: self.name(),
            detail: detail.into(),
        }
    }

    /// Whether the stream still runs.
    fn alive(&self) -> Result<(), CaptureError> {
        let Some(live) = &self.live else {
            return Err(self.stalled("it is closed"));
        };
        if let Some(error) = live.fatal.get() {
            return Err(self.stalled(error.to_string()));
        }
        let now = self.clock.now();
        let quiet = match live.ring.last_callback() {
            Some(last) => {
                let block = self.wanted.rate.duration(live.ring.block());
                let silence = now.since(HostTime::from_nanoseconds(last));
                (silence > SILENCE + block * 4.0).then_some(silence)
            }
            None => Some(now.since(live.opened)).filter(|silence| *silence > FIRST_SILENCE),
        };
        if let Some(silence) = quiet {
            return Err(self.stalled(format!("nothing came for {:.1} s", silence.get())));
        }
        Ok(())
    }

    /// Whether the device runs at the rate it was opened at.
    fn check_rate(&self) -> Result<(), CaptureError> {
        let pace = self.live.as_ref().and_then(|live| live.ring.pace());
        if let Some(pace) = pace.filter(|pace| (pace - 1.0).abs() > RATE_OFF) {
            return Err(CaptureError::Device(PortError {
                device: self.name(),
                what: format!(
                    "delivers about {:.0} frames a second where {:.0} were asked for",
                    pace * self.wanted.rate.get(),
                    self.wanted.rate.get()
                ),
                check: "set the device, and whatever stands between, to the rate in the rig file"
                    .into(),
                remedy: Remedy::Abort,
            }));
        }
        Ok(())
    }
}

impl Capture for Stream {
    fn timeline(&self) -> Timeline {
        let rate = self.wanted.rate;
        let (index, at, jitter) = match &self.live {
            Some(live) => {
                let index = live.ring.written();
                let block = rate.duration(live.ring.block());
                match live.ring.start() {
                    Some((start, spread)) => (
                        index,
                        HostTime::from_nanoseconds(start) + rate.duration(index),
                        block + DRIFT + shorter(Seconds::from_nanoseconds(spread), block),
                    ),
                    None => (0, live.opened, FIRST_SILENCE),
                }
            }
            None => (0, self.clock.now(), FIRST_SILENCE),
        };
        Timeline {
            anchor: (
                SampleTime {
                    epoch: self.epoch,
                    index,
                },
                at,
            ),
            rate,
            rate_error: Fraction::ZERO,
            jitter,
        }
    }

    fn read(&mut self, span: Span, stop: &Stop) -> Result<Window<'_>, CaptureError> {
        if span.start.epoch != self.epoch {
            return Err(CaptureError::Interrupted);
        }
        let end = span.end().index;
        let ring = loop {
            stop.check()?;
            self.check_rate()?;
            // What has come in complete can be had, whatever became of the stream.
            if let Some(live) = self.live.as_ref().filter(|live| live.ring.written() >= end) {
                break Arc::clone(&live.ring);
            }
            self.alive()?;
            stop.wait(GLANCE)?;
        };
        ring.copy(span.start.index, &mut self.buffers, span.frames)
            .ok_or(CaptureError::Overwritten)?;
        // The notice of a loss may come a block before or after its place.
        let margin = ring.block();
        let mut doubts: Vec<Doubt> = ring
            .losses(span.start.index.saturating_sub(margin), end + margin)
            .into_iter()
            .map(|index| Doubt::Xrun {
                at: SampleTime {
                    epoch: self.epoch,
                    index,
                },
            })
            .collect();
        let zeros = self.wanted.rate.frames(ZEROS).min(span.frames);
        let mut channels = Vec::with_capacity(self.columns.len());
        for (position, column) in &self.columns {
            let Some(samples) = self.buffers.get(*column) else {
                continue;
            };
            if samples.iter().any(|sample| sample.abs() >= FULL_SCALE) {
                doubts.push(Doubt::Clipped(position.clone()));
            }
            if longest_zeros(samples) >= zeros {
                doubts.push(Doubt::ExactZeros(position.clone()));
            }
            channels.push((position.clone(), samples.as_slice()));
        }
        Ok(Window {
            span,
            channels,
            doubts,
        })
    }

    fn reopen(&mut self) -> Result<Epoch, CaptureError> {
        if let Some(old) = self.live.take() {
            old.close();
        }
        self.epoch = Epoch(self.epoch.0 + 1);
        self.live = Some(Live::open(&self.wanted, &self.clock)?);
        Ok(self.epoch)
    }
}

impl Drop for Stream {
    fn drop(&mut self) {
        if let Some(live) = self.live.take() {
            live.close();
        }
    }
}

fn shorter(one: Seconds, other: Seconds) -> Seconds {
    if one < other { one } else { other }
}

fn longest_zeros(samples: &[f32]) -> u64 {
    let (longest, _) = samples.iter().fold((0, 0), |(longest, run), sample| {
        let run = if *sample == 0.0 { run + 1 } else { 0 };
        (longest.max(run), run)
    });
    longest
}
